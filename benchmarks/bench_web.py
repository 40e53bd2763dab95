"""How quick the web app is at 1,000 jobs and 100,000 readings, how soon it starts, how much its pages weigh.

The bench is that of `bench_records.py`, with one more job: a board, some 900 readings on it that the finder
takes, and six photos. The server runs as a process of its own. Every page is asked for many times in random
order over one connection of the loopback that is kept open, by the clock of this program: what is measured
is the server's time, the loopback, and reading the answer. A file of the app is asked for in between as the
plain reference. Cold start is from the start of the process to the end of the queue's first page.

    python benchmarks/bench_web.py
    python benchmarks/bench_web.py --times 300 --starts 0
"""

from __future__ import annotations

import argparse
import gzip
import http.client
import os
import platform
import random
import re
import shlex
import socket
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from urllib.parse import urljoin, urlsplit

from sqlalchemy import func, insert, select, update

from bench_records import KINDS, START, WORDS, fill
from benchwright.board.board_file import write_board_file
from benchwright.demo import fulmar65
from benchwright.jobs import Bench, Event, bodies, open_bench, schema
from benchwright.jobs.archive import _write_events
from benchwright.jobs.bench import summary_of
from benchwright.jobs.state import derive

SERVE = "{python} -m benchwright serve --bench {bench} --port {port} --no-browser"
PATIENCE = 120.0
_SCRIPT = re.compile(rb"<script[^>]*\bsrc=\"([^\"]+)\"")
_STYLE = re.compile(rb"<link[^>]*\brel=\"stylesheet\"[^>]*\bhref=\"([^\"]+)\"")
_PICTURE = re.compile(rb"<img[^>]*\bsrc=\"([^\"]+)\"")
_FONT = re.compile(rb"url\([\"']?([^\"')]+\.woff2)[\"']?\)")
_IMPORT = re.compile(
    rb"(?:\bfrom\s*|\bimport\s*\(?\s*|new\s+(?:Shared)?Worker\(\s*(?:new\s+URL\(\s*)?)[\"'](\.{0,2}/[^\"']+)[\"']"
)


# -- the bench --------------------------------------------------------------------------------------------


def add_long_job(bench: Bench, readings: int, rng: random.Random) -> int:
    """A job with a board, so many readings on it, notes among them, and photos; its number."""
    board = fulmar65.board()
    nets = [net for net in board.nets if net != "GND"]
    said: list[bodies.AnyBody] = [
        bodies.Opened(title="Long job", currency="EUR"),
        bodies.Identity(board_file="fulmar65.toml", board_text=write_board_file(board)),
        bodies.Symptom(text="no picture"),
    ]
    for n in range(readings):
        name = rng.choice(nets)
        said.append(
            bodies.Reading(
                entry=f"{name} gnd {rng.uniform(1, 9):.1f}k", quantity="resistance", a=name, b="GND",
                value=f"{rng.uniform(1e3, 9e3):.0f}", state=bodies.State(power=False),
            )
        )  # fmt: skip
        if n % 12 == 0:
            said.append(bodies.Note(text=" ".join(rng.choices(WORDS, k=6))))
    uid = uuid.UUID(int=rng.getrandbits(128)).hex
    events = [
        Event(0, uuid.UUID(int=rng.getrandbits(128)).hex, uid, moment, moment, "", body)
        for n, body in enumerate(said)
        for moment in [START + timedelta(days=2100, seconds=40 * n)]
    ]
    with bench.place.writing() as connection:
        number = connection.execute(select(func.max(schema.job.c.number))).scalar_one() + 1
        last = connection.execute(select(func.max(schema.event.c.number))).scalar_one()
        connection.execute(insert(schema.job).values(number=number, uid=uid))
        _write_events(connection, number, last, [], events)
        summary = summary_of(derive(uid, events), {})
        connection.execute(update(schema.job).where(schema.job.c.number == number).values(**summary))
    for n in range(6):
        bench.attach(number, photo(rng), f"photo-{n}.jpg", "image/jpeg", what="photo", caption=f"side {n}")
    return int(number)


def photo(rng: random.Random) -> bytes:
    """A picture as a telephone takes it, 3000 x 2000 points."""
    from PIL import Image

    small = Image.frombytes("RGB", (60, 40), rng.randbytes(60 * 40 * 3))
    out = BytesIO()
    small.resize((3000, 2000)).save(out, "JPEG", quality=85)
    return out.getvalue()


# -- the server -------------------------------------------------------------------------------------------


@dataclass
class Served:
    """A server that runs, and one connection to it that is kept open."""

    port: int
    process: subprocess.Popen[str]
    cookies: dict[str, str] = field(default_factory=dict)
    connection: http.client.HTTPConnection | None = None

    def get(self, path: str) -> tuple[int, bytes, http.client.HTTPMessage]:
        """One answer; where it leads is not followed."""
        if self.connection is None:
            self.connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items())}
        try:
            self.connection.request("GET", path, headers=headers)
            answer = self.connection.getresponse()
            body = answer.read()
        except (http.client.HTTPException, OSError):
            self.connection = None
            raise
        for cookie in answer.headers.get_all("Set-Cookie", []):
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies[name] = value
        return answer.status, body, answer.headers


@contextmanager
def served(command: str, bench: str) -> Iterator[Served]:
    """The server as a process of its own, ready to answer."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    words = [
        word.format(python=sys.executable, bench=bench, port=port) for word in shlex.split(command)
    ]  # fmt: skip
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    said: list[str] = []
    heard = threading.Thread(target=lambda: said.extend(iter(process.stdout.readline, "")), daemon=True)  # type: ignore[union-attr]
    heard.start()
    try:
        yield _ready(Served(port, process), said)
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()


def _ready(server: Served, said: list[str]) -> Served:
    """Wait until the queue is answered: by the address with the token that the server prints, if it does."""
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if server.process.poll() is not None:
            raise SystemExit("the server ended:\n" + "".join(said))
        printed = re.search(rf"http://[^\s/]+:{server.port}(/\S*)", "".join(said))
        try:
            status, _, headers = server.get(printed[1] if printed else "/")
            if status in (302, 303, 307):
                status, _, _ = server.get(urlsplit(headers["Location"]).path or "/")
            if status == 200:
                return server
        except (http.client.HTTPException, OSError):
            pass
        time.sleep(0.005)
    raise SystemExit("the server does not answer:\n" + "".join(said))


# -- (a) pages --------------------------------------------------------------------------------------------


def pages(jobs: int, long_job: int, rng: random.Random) -> dict[str, Callable[[], str]]:
    """The pages: what each is called, and an address of it."""

    def any_job(page: str) -> Callable[[], str]:
        return lambda: f"/jobs/{rng.randint(1, jobs)}{page}"

    made: dict[str, Callable[[], str]] = {
        "a file of the app (reference)": lambda: "/static/bench.css",
        "queue": lambda: "/",
        "queue, all stages": lambda: "/?stage=all",
        "queue, every machine": lambda: "/?stage=all&all=1",
        "take in": lambda: "/jobs/new",
    }
    tabs = (
        "",
        "/board",
        "/history",
        "/photos",
        "/tests",
        "/money",
        "/changes",
        "/sheets",
        "/machine",
        "/tape",
    )
    for page in tabs:
        name = page.strip("/") or "check"
        made[f"job: {name}"] = any_job(page)
        made[f"long job: {name}"] = lambda page=page: f"/jobs/{long_job}{page}"  # type: ignore[misc]
    return made | {
        "stock": lambda: "/stock",
        "stock, every lot": lambda: "/stock?all=1",
        "stock, filtered": lambda: f"/stock?about={rng.choice(KINDS)}",
        "a lot": lambda: f"/stock/lots/L{rng.randint(1, 500)}",
        "add parts": lambda: "/stock/add",
        "shopping list": lambda: "/stock/shopping",
        "search: a pin": lambda: f"/search?q=U{rng.randint(1, 60)}.{rng.randint(1, 40)}",
        "search: two words": lambda: "/search?q=" + "+".join(rng.choices(WORDS, k=2)),
        "bid": lambda: "/bid",
        "tape": lambda: "/tape",
        "phones": lambda: "/phones",
        "what can be typed": lambda: "/help/lines",
    }


def measure(server: Served, made: dict[str, Callable[[], str]], times: int, rng: random.Random) -> None:
    """Every page many times in random order."""
    there = {}
    for name, address in made.items():
        status, _, _ = server.get(address())
        if status == 200:
            there[name] = address
        else:
            print(f"({name}: answered {status}, left out)")
    settle(server, made["long job: check"]())
    order = [name for name in there for _ in range(times)]
    rng.shuffle(order)
    spent: dict[str, list[float]] = {name: [] for name in there}
    size: dict[str, int] = {}
    for name in order:
        path = there[name]()
        start = time.perf_counter()
        status, body, _ = server.get(path)
        spent[name].append(1000 * (time.perf_counter() - start))
        size[name] = max(size.get(name, 0), len(body))
        if status != 200:
            print(f"({name}: {path} answered {status})")
    print("\n| page | p50, ms | p95, ms | max, ms | HTML at most, kB |\n|---|---|---|---|---|")
    for name, each in spent.items():
        each.sort()
        p95 = each[min(len(each) - 1, int(0.95 * len(each)))]
        mark = "" if p95 <= 50 else " **over 50**"
        middle, most = each[len(each) // 2], each[-1]
        print(f"| {name} | {middle:.1f} | {p95:.1f}{mark} | {most:.1f} | {size[name] / 1000:.0f} |")


def settle(server: Served, path: str) -> None:
    """Wait until the fault finder has weighed the long job: it would take a core from the server."""
    start = time.monotonic()
    while time.monotonic() < start + PATIENCE:
        if b"data-working" not in server.get(path)[1]:
            break
        time.sleep(0.3)
    print(f"(the long job was weighed in {time.monotonic() - start:.0f} s)")


# -- (b) start --------------------------------------------------------------------------------------------


def cold_starts(command: str, bench: str, times: int) -> None:
    """From the start of the process to the first page, and where importing takes long."""
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        with served(command, bench):
            spent.append(time.perf_counter() - start)
    spent.sort()
    p95 = spent[min(times - 1, int(0.95 * times))]
    summary = f"median {spent[times // 2]:.2f} s, p95 {p95:.2f} s, max {spent[-1]:.2f} s"
    print(f"\ncold start, {times} times: {summary}")
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c",
         "import benchwright.cli.main, uvicorn, benchwright.web.app as app; app._routes()"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    rows = []
    for line in done.stderr.splitlines():
        if not line.startswith("import time:"):
            print(line)
            continue
        own, whole, name = (part.strip() for part in line.removeprefix("import time:").split("|"))
        if whole.isdecimal():
            rows.append((name, int(own)))
    rooms: dict[str, int] = {}
    for module, alone in rows:
        room = module.partition(".")[0]
        rooms[room] = rooms.get(room, 0) + alone
    slowest = sorted(rooms.items(), key=lambda item: -item[1])[:12]
    print(f"imports, {sum(rooms.values()) / 1e6:.2f} s, of these by package:")
    print(", ".join(f"{name} {took / 1000:.0f} ms" for name, took in slowest))


# -- (c), (d) weight --------------------------------------------------------------------------------------


def weights(server: Served, made: dict[str, Callable[[], str]]) -> None:
    """What each page loads: scripts with all that they import, styles, fonts, pictures; texts as gzip."""
    known: dict[str, bytes] = {}

    def fetch(path: str) -> bytes:
        if path not in known:
            status, body, _ = server.get(path)
            if status != 200:
                print(f"({path}: answered {status})")
            known[path] = body if status == 200 else b""
        return known[path]

    def scripts_of(path: str, found: dict[str, None]) -> None:
        if path in found:
            return
        found[path] = None
        for other in _IMPORT.findall(fetch(path)):
            scripts_of(urljoin(path, other.decode()), found)

    print("\nkB, texts as gzip:\n")
    print("| page | script files | scripts | HTML | styles | fonts | pictures | in all |")
    print("|---|---|---|---|---|---|---|---|")
    seen = set()
    for name, address in made.items():
        if "(reference)" in name or name.startswith("job:") or (path := address()) in seen:
            continue
        seen.add(path)
        status, html, _ = server.get(path)
        if status != 200:
            continue
        found: dict[str, None] = {}
        for script in _SCRIPT.findall(html):
            scripts_of(urljoin(path, script.decode()), found)
        styles = [urljoin(path, one.decode()) for one in _STYLE.findall(html)]
        fonts = {urljoin(style, one.decode()) for style in styles for one in _FONT.findall(fetch(style))}
        pictures = {urljoin(path, one.decode()) for one in _PICTURE.findall(html)}
        script, text, style = (
            sum(len(gzip.compress(one)) for one in each) / 1000
            for each in ([fetch(one) for one in found], [html], [fetch(one) for one in styles])
        )
        font = sum(len(fetch(one)) for one in fonts) / 1000
        picture = sum(len(fetch(one)) for one in pictures) / 1000
        mark = "" if script <= 200 else " **over 200**"
        print(
            f"| {name} | {len(found)} | {script:.1f}{mark} | {text:.1f} | {style:.1f} | {font:.0f} "
            f"| {picture:.0f} | {script + text + style + font + picture:.0f} |"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--jobs", type=int, default=1000)
    parser.add_argument("--readings", type=int, default=100_000)
    parser.add_argument("--long", type=int, default=915, help="readings of the long job")
    parser.add_argument("--times", type=int, default=100, help="each page is asked for")
    parser.add_argument("--starts", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bench", type=Path, help="a folder to fill, or that an earlier run has filled")
    parser.add_argument("--serve", default=SERVE, help="the command, with {python}, {bench} and {port}")
    options = parser.parse_args()
    rng = random.Random(options.seed)
    with tempfile.TemporaryDirectory(prefix="bench-web-") as folder:
        where = str(options.bench or folder)
        with open_bench(where) as bench:
            if not bench.jobs(limit=1):
                start = time.perf_counter()
                fill(bench, options.jobs, options.readings, rng)
                add_long_job(bench, options.long, rng)
                print(f"filled in {time.perf_counter() - start:.0f} s")
            long_job = max(line.number for line in bench.jobs())
            print(f"long job: {len(bench.events(long_job))} events")
        load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
        print(f"Python {platform.python_version()}, {os.cpu_count()} processors, load {load:.1f}")
        made = pages(options.jobs, long_job, rng)
        with served(options.serve, where) as server:
            measure(server, made, options.times, rng)
            weights(server, made)
        if options.starts:
            cold_starts(options.serve, where, options.starts)


if __name__ == "__main__":
    main()
