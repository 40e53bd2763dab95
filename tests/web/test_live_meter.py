"""The live meter and the recorder: figures for a hand at the screw agree with the engine; no take is lost.

Chromium's false sound input plays a WAV file in a loop and hands on both channels as they are (seen here: a
delay between them comes through to a hundredth of a microsecond), so that figures are proved on the whole way
from the input to the words on the page. The files hold whole turns of their tones: the loop has no seam.
"""

from __future__ import annotations

import asyncio
import contextlib
import html
import io
import itertools
import json
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email.parser import BytesParser
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
import soundfile
import uvicorn
from playwright.sync_api import Browser, Page, Playwright, expect
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.testclient import TestClient

from benchwright.jobs import Bench, open_bench
from benchwright.tape import Recording
from benchwright.tape.azimuth import CASSETTE_SPEED, TRACK_SPACING, AzimuthMeter
from benchwright.tape.azimuth_takes import treble_of
from benchwright.tape.flutter import measure_tone
from benchwright.tape.level import LevelMeter
from benchwright.tape.tone import KNOWN_TONES
from benchwright.web.app import make_app
from benchwright.web.settings import Settings, own_doors
from conftest import CHROMIUM, SIZES

STATIC = Path(__file__).parents[2] / "src/benchwright/web/static"
AXE = Path(__file__).with_name("vendor") / "axe.js"
RATE = 44_100
SECONDS = 5
Floats = npt.NDArray[np.float64]

# -- the same samples, heard by the browser's arithmetic and by the engine -----------------------------------

RUN = """
import { Meter } from "./sums.mjs";
import fs from "node:fs";
const asked = JSON.parse(process.argv[2]);
const raw = fs.readFileSync(asked.file);
const all = new Float32Array(raw.buffer, raw.byteOffset, raw.length / 4);
const half = all.length / 2;
const meter = new Meter(asked.rate, asked.choices);
for (let at = 0; at < half; at += 2048) {
  const end = Math.min(half, at + 2048);
  meter.take(all.subarray(at, end), all.subarray(half + at, half + end));
}
const plain = (_, value) => (typeof value === "number" && !Number.isFinite(value) ? null : value);
console.log(JSON.stringify(meter.now(), plain));
"""


@pytest.fixture
def heard(tool: Callable[[str], Path], tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """What the browser's arithmetic makes of two channels, run under node."""
    node = tool("node")
    shutil.copy(STATIC / "meter-sums.js", tmp_path / "sums.mjs")
    (tmp_path / "run.mjs").write_text(RUN)

    def run(left: Floats, right: Floats, **choices: Any) -> dict[str, Any]:
        np.concatenate([left, right]).astype(np.float32).tofile(tmp_path / "samples")
        asked = {
            "file": str(tmp_path / "samples"), "rate": RATE,
            "choices": {
                "channel": "left", "nominal": 0, "tone": 0, "spacing": TRACK_SPACING, "speed": CASSETTE_SPEED,
                "known": KNOWN_TONES, **choices,
            },
        }  # fmt: skip
        done = subprocess.run(
            [node, "run.mjs", json.dumps(asked)], cwd=tmp_path, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    return run


def times(seconds: float = SECONDS) -> Floats:
    return np.arange(round(seconds * RATE)) / RATE


def later(wave: Floats, delay: float) -> Floats:
    """The same sound, later by any part of a sample."""
    hertz = np.fft.rfftfreq(wave.size, 1 / RATE)
    return np.asarray(np.fft.irfft(np.fft.rfft(wave) * np.exp(-2j * np.pi * hertz * delay), wave.size))


def engine_azimuth(left: Floats, right: Floats) -> Any:
    meter = AzimuthMeter(RATE)
    both = np.column_stack([left, right]).astype(np.float32)
    for at in range(0, len(both), 2048):
        now = meter.update(both[at : at + 2048])
    return now


def sounds(rng: np.random.Generator) -> dict[str, tuple[Floats, float]]:
    """What test tapes and others hold, each with a delay of the right channel in s."""
    t = times()
    noise = 0.1 * rng.normal(size=t.size)
    bits = np.where(np.arange(t.size) // 147 % 3, 1200, 2400)
    data = 0.3 * np.sign(np.sin(2 * np.pi * np.cumsum(bits) / RATE))
    two = 0.2 * np.sin(2 * np.pi * 315 * t) + 0.05 * np.sin(2 * np.pi * 10_000 * t)
    return {
        "tone": (0.3 * np.sin(2 * np.pi * 3163.2 * t), 27e-6),
        "low and high tone": (two, -80e-6),
        "noise": (noise, -41e-6),
        "data": (data, 55e-6),
    }  # fmt: skip


@pytest.mark.parametrize("name", ["tone", "low and high tone", "noise", "data"])
def test_delay_agrees_with_the_engine(name: str, heard: Any, rng: np.random.Generator) -> None:
    """The browser's azimuth is the engine's live meter, step for step.

    Both run in double precision over the same windows; what differs is how the grid of delays is walked, and
    the last bits of it. A twentieth of a microsecond is a hundredth of an arc-minute, or a tenth of the least
    figure shown.
    """
    wave, delay = sounds(rng)[name]
    left = wave + 1e-3 * rng.normal(size=wave.size)
    right = 0.8 * later(wave, delay) + 1e-3 * rng.normal(size=wave.size)
    told, engine = heard(left, right)["azimuth"], engine_azimuth(left, right)
    assert told["delay"] == pytest.approx(engine.delay.value, abs=5e-8)
    assert told["angle"] == pytest.approx(engine.angle.value, abs=0.01)
    assert told["doubt"] == pytest.approx(engine.delay.uncertainty, rel=0.02)
    assert (told["leads"], told["inverted"]) == (engine.leads, engine.inverted)
    assert (len(told["others"]) > 0) == engine.ambiguous
    assert told["agreement"] == pytest.approx(engine.agreement, abs=1e-3)
    # And both are right: noise of a hundredth leaves less than three of its standard deviations.
    assert told["delay"] == pytest.approx(delay, abs=max(3 * told["doubt"], 1e-7))
    assert told["leads"] == ("left" if delay > 0 else "right")


def test_one_channel_against_the_other_is_told(heard: Any, rng: np.random.Generator) -> None:
    """Leads of a head that were exchanged; the delay is found all the same."""
    noise = 0.1 * rng.normal(size=times().size)
    told = heard(noise, -later(noise, 10e-6))
    assert told["azimuth"]["inverted"]
    assert told["azimuth"]["delay"] == pytest.approx(10e-6, abs=1e-7)
    assert told["correlation"] < -0.6


def test_what_says_nothing_about_azimuth_gives_no_angle(heard: Any, rng: np.random.Generator) -> None:
    """The very same samples twice, a silent channel, and channels that have nothing in common."""
    noise, other = 0.1 * rng.normal(size=(2, times().size))
    same = heard(noise, noise)
    assert (same["azimuth"], same["same"]) == (None, True)
    assert heard(noise, 0 * noise)["azimuth"] is None
    foreign = heard(noise, other)["azimuth"]
    assert foreign is None or foreign["agreement"] < 0.75


@pytest.mark.parametrize("name", ["tone", "noise", "data"])
def test_level_agrees_with_the_engine(name: str, heard: Any, rng: np.random.Generator) -> None:
    """The last half second, in dBFS as AES17 has it: the same sum, so the same figure but for rounding."""
    wave, _ = sounds(rng)[name]
    meter = LevelMeter(RATE)
    meter.add(wave[-5 * (RATE // 10) :].astype(np.float32))
    engine = meter.report()
    left = heard(wave, 0.5 * wave)["left"]
    assert left["rms"] == pytest.approx(engine.rms.value, abs=1e-4)
    assert left["peak"] <= engine.peak.value + 1e-4
    assert not left["over"]


def test_overload_is_three_samples_at_full_scale(heard: Any) -> None:
    """One that just reaches it is none; a wave that was cut off is."""
    t = times(2)
    sine = np.sin(2 * np.pi * 1000 * t)
    assert heard(0.99 * sine, 0.5 * sine)["left"]["over"] is False
    assert heard(np.clip(1.3 * sine, -1, 1), 0.5 * sine)["left"]["over"] is True


@pytest.mark.parametrize("rail", [0.3, 0.8, 1.0])
def test_a_wave_that_was_cut_off_is_told_as_the_engine_tells_it(rail: float, heard: Any) -> None:
    """At whatever level: what lies before the input may have been overdriven."""
    for hertz in (50.0, 315.0, 1000.0):
        sine = np.sin(2 * np.pi * hertz * times(2))
        for wave, cut in ((np.clip(1.3 * rail * sine, -rail, rail), True), (0.99 * rail * sine, False)):
            wave = np.round(wave * 32767) / 32767  # as a converter gives it
            meter = LevelMeter(RATE)
            meter.add(wave.astype(np.float32))
            assert (meter.report().clipping.share.value > 1.0) is cut
            assert heard(wave, 0.5 * wave)["left"]["cut"] is cut


TREBLES = [("low and high tone", 10_000), ("low and high tone", 0), ("noise", 0)]


@pytest.mark.parametrize(("name", "tone"), TREBLES)
def test_treble_agrees_with_the_engine(name: str, tone: int, heard: Any, rng: np.random.Generator) -> None:
    """Bands from 4 kHz up together, or one tone, against 250 Hz to 800 Hz.

    The engine's windows lie side by side, the meter's overlap by half and the most and the least of them are
    left out: of a tone nothing changes (0.02 dB), of noise means over 0.7 s scatter (0.6 dB seen).
    """
    wave, _ = sounds(rng)[name]
    levels = treble_of(wave[-RATE:], RATE, [tone] if tone else None)
    high = levels.decibels[levels.hertz >= 4000]
    engine = 10 * np.log10(np.sum(10 ** (high / 10)))
    told = heard(wave, wave * 0.5, tone=tone)["treble"]
    assert told["against"] == "low"
    assert told["decibels"] == pytest.approx(engine, abs=0.02 if tone or "tone" in name else 1.0)


def test_a_click_is_no_treble(heard: Any, rng: np.random.Generator) -> None:
    """Static on a trimmer must not pass for the best that the screw can do."""
    wave, _ = sounds(rng)["low and high tone"]
    clicked = wave.copy()
    clicked[-RATE // 4] += 0.9
    calm, rough = (heard(one, one * 0.5)["treble"]["decibels"] for one in (wave, clicked))
    assert rough == pytest.approx(calm, abs=0.3)


@pytest.mark.parametrize("nominal", [0, 3150])
@pytest.mark.parametrize("hertz", [3163.2, 3102.0])
def test_speed_agrees_with_the_engine(
    hertz: float, nominal: int, heard: Any, rng: np.random.Generator
) -> None:
    """A steady tone in noise: both within 0.005 %, which is what the engine allows a recorder's clock."""
    wave = 0.3 * np.sin(2 * np.pi * hertz * times()) + 1e-3 * rng.normal(size=times().size)
    engine = measure_tone(wave.astype(np.float32), RATE, nominal or None)
    told = heard(wave, wave * 0.5, nominal=nominal)["speed"]
    assert told["percent"] == pytest.approx(engine.speed.value, abs=0.005)
    assert told["percent"] == pytest.approx(100 * (hertz / 3150 - 1), abs=0.005)
    assert told["nominal"] == engine.nominal_hz == 3150


def test_wow_is_seen_and_the_mean_stands_still(heard: Any) -> None:
    """Speed that swings by ±0.5 % twice a second about +1 %: the trace shows it, the figure does not move."""
    t = times(6)
    phase = 2 * np.pi * 3150 * 1.01 * t - 0.005 * 3150 / 2.0 * np.cos(2 * np.pi * 2.0 * t)
    told = heard(0.3 * np.sin(phase), 0.1 * np.sin(phase))["speed"]
    assert told["percent"] == pytest.approx(1.0, abs=0.005)
    assert told["swing"] == pytest.approx(0.005 * 0.997 * 100, abs=0.01)  # 95 % of a sine
    trace = np.array(told["trace"][-250:], float)
    assert (trace.min(), trace.max()) == pytest.approx((0.5, 1.5), abs=0.02)


def test_a_tone_that_nobody_recorded_has_no_speed(heard: Any, rng: np.random.Generator) -> None:
    """Far from any usual tone there is nothing to hold it against; noise is no tone."""
    told = heard(*2 * [0.3 * np.sin(2 * np.pi * 750 * times())])["speed"]
    assert told["known"] is False
    assert told["hertz"] == pytest.approx(750, abs=0.05)
    assert heard(*0.1 * rng.normal(size=(2, times().size)))["speed"] is None


def in_node(tool: Any, folder: Path, module: str, code: str) -> Any:
    """Run some lines with a module of the page, given as `it`; what they print is JSON."""
    shutil.copy(STATIC / module, folder / "it.mjs")
    (folder / "lines.mjs").write_text(f'import * as it from "./it.mjs";\n{code}')
    done = subprocess.run(
        [tool("node"), "lines.mjs"], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_turning_the_right_way_is_warmer(tool: Any, tmp_path: Path) -> None:
    """Out, towards, past and back: warmer, the best so far, colder by how much, warmer again."""
    told = in_node(
        tool, tmp_path, "meter-words.js",
        """
        const trend = new it.Trend("near zero", 0.3);
        const ways = [];
        const back = (t) => (t < 8 ? -2 * (t - 6) : t < 10 ? -4 : -4 + 2 * (t - 10));
        const at = (t) => (t < 3 ? 12 : t < 6 ? 12 - 4 * (t - 3) : back(t));
        for (let t = 0; t < 12; t += 0.1) {
          const now = trend.add(t, at(t));
          ways.push([now.way, now.isBest, now.behind]);
        }
        const moments = { steady: 28, warmer: 55, colder: 79, rest: 99, again: 118 };
        for (const [name, n] of Object.entries(moments)) moments[name] = ways[n];
        console.log(JSON.stringify(moments));
        """,
    )  # fmt: skip
    assert told["steady"][:2] == ["steady", True]
    assert told["warmer"][:2] == ["warmer", True]
    assert told["colder"][:2] == ["colder", False]
    assert told["rest"] == ["steady", False, pytest.approx(4.0, abs=0.5)]
    assert told["again"][0] == "warmer"


def test_a_wav_file_of_the_browser_is_read_by_the_engine(tool: Any, tmp_path: Path) -> None:
    """Each sample of 16 and of 24 bit comes back as it was, full scale and beyond too, an odd length too."""
    wanted = [0.0, 0.5, -0.25, 1.0, -1.0, 1.7, -3.0, 1 / 32768, -1 / 32768]
    for bits, channels in ((16, 1), (24, 1), (24, 2)):
        made = in_node(
            tool, tmp_path, "recorder-wav.js",
            f"""
            const wave = {json.dumps(wanted)};
            const both = [wave, wave.map((one) => -one)].slice(0, {channels});
            const body = it.samplesOf(both, {bits});
            const head = it.header({{ rate: 44100, channels: {channels}, bits: {bits} }}, body.length);
            console.log(JSON.stringify([...head, ...body, ...(body.length & 1 ? [0] : [])]));
            """,
        )  # fmt: skip
        path = tmp_path / "made.wav"
        path.write_bytes(bytes(made))
        recording = Recording.open(path)
        assert (recording.rate, recording.channels, recording.frames) == (44100, channels, len(wanted))
        assert not recording.warnings
        step = 2.0 ** (1 - bits)
        whole = np.concatenate(list(recording.blocks()))
        expected = np.clip(wanted, -1, 1 - step)
        assert whole[:, 0] == pytest.approx(expected, abs=step / 4)
        if channels == 2:
            assert whole[:, 1] == pytest.approx(np.clip(-np.array(wanted), -1, 1 - step), abs=step / 4)


def test_a_side_of_forty_five_minutes_has_a_header(tool: Any, tmp_path: Path) -> None:
    """Stereo at 24 bit and 48 kHz: 778 MB, well within what the format can count."""
    head = in_node(
        tool, tmp_path, "recorder-wav.js",
        "const one = { rate: 48000, channels: 2, bits: 24 };"
        "console.log(JSON.stringify([...it.header(one, 45 * 60 * it.bytesPerSecond(one))]));",
    )  # fmt: skip
    assert int.from_bytes(bytes(head[40:44]), "little") == 45 * 60 * 48000 * 6
    assert int.from_bytes(bytes(head[4:8]), "little") == 45 * 60 * 48000 * 6 + 36


# -- the page without scripting ------------------------------------------------------------------------------


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def post(client: TestClient, **fields: str) -> Any:
    found = re.search(r'name="once" value="(\w+)"', client.get("/tape/meter").text)
    assert found
    fields = {"once": found[1], **fields}
    return client.post("/tape/meter/note", data=fields, follow_redirects=False)


def newest(client: TestClient, job: int) -> Any:
    return bench_of(client).events(job)[-1].body


def test_cautions_stand_before_the_meter(client: TestClient) -> None:
    """What can hurt is said before anything can be turned."""
    text = client.get("/tape/meter").text
    for word in ("Mains wiring kills", "plastic or ceramic tool", "pulls in hair"):
        assert text.index(word) < text.index('id="listen"')


def test_figures_are_noted_in_a_job(client: TestClient) -> None:
    """What was adjusted, and the figures, on one line of its history."""
    figures = "azimuth +0.3 minutes of arc (left leads by 1.6 µs), speed +0.12 %,\n level −14.2 dBFS"
    answer = post(client, job="12. anything", adjusted="azimuth screw; upper", figures=figures)
    assert (answer.status_code, answer.headers["location"]) == (303, "/tape/meter?job=12")
    body = newest(client, 12)
    assert (body.deed, body.where) == ("adjusted", "azimuth screw, upper")
    assert body.note == " ".join(figures.split())
    assert 'value="12"' in client.get("/tape/meter?job=12").text


def test_a_trimmer_is_named_by_its_reference(client: TestClient) -> None:
    """As if it had been typed on the job's line."""
    post(client, job="12", adjusted="RV1", figures="speed +0.12 %")
    body = newest(client, 12)
    assert (body.deed, body.where, body.note) == ("adjusted", "RV1", "speed +0.12 %")


def test_figures_alone_are_a_note_and_count_once(client: TestClient) -> None:
    """A form that is sent twice is one entry."""
    before = len(bench_of(client).events(12))
    once = "0123456789abcdef0123456789abcdef"
    for _ in range(2):
        assert post(client, job="12", figures="level −14.2 dBFS", once=once).status_code == 303
    assert newest(client, 12).text == "level −14.2 dBFS"
    assert len(bench_of(client).events(12)) == before + 1


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"job": "", "figures": "x"}, "number of a job"),
        ({"job": "the blue one", "figures": "x"}, "number of a job"),
        ({"job": "12", "figures": " "}, "Hold figures"),
        ({"job": "99999", "figures": "level −14.2 dBFS"}, "no job 99999"),
    ],
)
def test_what_is_missing_is_told(client: TestClient, fields: dict[str, str], said: str) -> None:
    """In words, with what was typed, and nothing is recorded."""
    answer = post(client, **fields)
    assert answer.status_code in (404, 422)
    assert said in html.unescape(answer.text)
    assert not fields["figures"].strip() or fields["figures"] in answer.text
    assert client.get("/tape/meter?job=%22%3E%3Cb%3E").text.count("<b>") == 0


# -- the page in a browser -----------------------------------------------------------------------------------


@dataclass
class Endpoint:
    """Stands for the page that takes a recording: keeps what arrives, and fails when it is told to."""

    takes: list[tuple[str, bytes, str]] = field(default_factory=list)
    fails: int = 0

    async def __call__(self, request: Request) -> Response:
        body = await request.body()
        if self.fails:
            self.fails -= 1
            return HTMLResponse('<p id="problem">The disk of the bench is full.</p>', 507)
        head = f"content-type: {request.headers['content-type']}\r\n\r\n".encode()
        parts = {
            part.get_param("name", header="content-disposition"): part
            for part in BytesParser().parsebytes(head + body).walk()
            if part.get_filename() or part.get_param("name", header="content-disposition")
        }
        take = parts["take"]
        once = bytes(parts["once"].get_payload(decode=True)).decode()
        self.takes.append((str(take.get_filename()), bytes(take.get_payload(decode=True)), once))
        return HTMLResponse(f'<p id="said">Recorded in job {request.path_params["number"]}.</p>')


@dataclass
class Place:
    home: str
    start: str
    endpoint: Endpoint
    bench: Path


@pytest.fixture
def place(bench_folder: Path, tmp_path: Path) -> Iterator[Place]:
    """The app on a port of its own, with an endpoint for takes that can be looked into."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    app = make_app(Settings(str(bench_folder), own_doors(port), tmp_path / "state", tmp_path / "cache"))
    endpoint = Endpoint()

    async def take(request: Request) -> Response:
        from benchwright.web.guard import allow_body

        allow_body(request, 256 * 1024 * 1024)
        return await endpoint(request)

    app.router.routes.insert(0, Route("/jobs/{number:int}/tape/takes", take, methods=["POST"]))
    server = uvicorn.Server(uvicorn.Config(app, log_level="critical", timeout_graceful_shutdown=5))
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=lambda: loop.run_until_complete(server.serve([listener])), daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    home = f"http://127.0.0.1:{port}"
    yield Place(home, f"{home}/start?token={app.state.sessions.start_token()}", endpoint, bench_folder)
    loop.call_soon_threadsafe(app.state.feed.close)  # a stream that goes on would be waited for
    server.should_exit = True
    thread.join(20)
    assert not thread.is_alive()
    loop.close()


@contextlib.contextmanager
def chromium(playwright: Playwright, *options: str) -> Iterator[Browser]:
    browser = playwright.chromium.launch(
        executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", *options]
    )
    yield browser
    browser.close()


@pytest.fixture
def listening(playwright: Playwright, place: Place, tmp_path: Path) -> Iterator[Callable[..., Page]]:
    """A page of the app in a browser whose line input plays a file; problems in its console fail the test."""
    troubles: list[str] = []
    with contextlib.ExitStack() as stack:

        def open_page(left: Floats, right: Floats, size: str = "desktop", **more: Any) -> Page:
            path = tmp_path / "line-in.wav"
            soundfile.write(
                path, np.column_stack([left, right]), RATE, subtype="PCM_16"
            )  # no other is played
            browser = stack.enter_context(
                chromium(
                    playwright, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream",
                    f"--use-file-for-fake-audio-capture={path}",
                )
            )  # fmt: skip
            page = new_page(browser, place, size, **more)
            page.on("pageerror", lambda problem: troubles.append(str(problem)))
            page.on("console", lambda line: troubles.append(line.text) if line.type == "error" else None)
            return page

        yield open_page
    assert not [one for one in troubles if "507" not in one]


def new_page(browser: Browser, place: Place, size: str = "desktop", **more: Any) -> Page:
    width, height = SIZES[size]
    if size == "phone":
        more |= {"has_touch": True, "is_mobile": True, "device_scale_factor": 2}
    page = browser.new_context(viewport={"width": width, "height": height}, **more).new_page()
    page.goto(place.start)
    page.goto(f"{place.home}/tape/meter?job=12")
    return page


def number(text: str) -> float:
    found = re.search(r"[+−-]?\d+(\.\d+)?", text)
    assert found, text
    return float(found[0].replace("−", "-"))


TONE = 3163.2
"""Hz; ten seconds of it hold whole turns."""


def stereo_tone(delay: float = 27e-6, left: float = 0.3, right: float = 0.25) -> tuple[Floats, Floats]:
    t = times(10)
    return left * np.sin(2 * np.pi * TONE * t), right * np.sin(2 * np.pi * TONE * (t - delay))


def watch(page: Page, name: str) -> Page:
    page.get_by_role("button", name=name, exact=True).click()
    expect(page.locator("#dial-name")).to_have_text(name)
    return page


def listen(page: Page) -> None:
    page.get_by_role("button", name="Listen", exact=True).click()
    expect(page.locator("#live")).to_be_visible()
    # The speed needs three seconds to be the mean of what it says it is.
    expect(page.locator("#figure")).to_have_text(re.compile(r"\d"), timeout=15_000)
    page.wait_for_timeout(2500)


def figure(page: Page) -> float:
    return number(page.locator("#figure").inner_text())


def test_the_page_shows_what_the_input_plays(listening: Any, size: str) -> None:
    """Level, speed and delay of a file with known ones, from the line input to the words on the page.

    Browsers resample an input to the rate of their sound output; what that changes is far below the last
    digit that is shown: 0.1 dB, 0.01 %, 0.1 microseconds, 0.1 arc-minutes.
    """
    page = listening(*stereo_tone(), size=size)
    listen(page)
    watch(page, "Azimuth").wait_for_timeout(600)
    angle = np.degrees(np.arctan(27e-6 * CASSETTE_SPEED / TRACK_SPACING)) * 60
    assert figure(page) == pytest.approx(angle, abs=0.11)
    detail = page.locator("#detail").inner_text()
    assert detail.startswith("Left leads by")
    assert number(detail) == pytest.approx(27.0, abs=0.15)
    assert "play a lower tone" in detail  # 316 µs a turn: -289 µs lies within a degree as well
    watch(page, "Speed").wait_for_timeout(600)
    assert figure(page) == pytest.approx(100 * (TONE / 3150 - 1), abs=0.011)
    expect(page.locator("#verdict-word")).to_have_text("right")
    watch(page, "Level").wait_for_timeout(600)
    assert figure(page) == pytest.approx(20 * np.log10(0.3), abs=0.11)
    assert "Left against right +1.6 dB" in page.locator("#detail").inner_text()
    # For ears: now and then, not with each figure.
    assert re.match(r"(Level|Speed|Azimuth) [+−]\d", page.locator("#summary").text_content() or "")


def test_the_other_channel_leads_and_the_tape_is_slow(listening: Any) -> None:
    """Signs and words turn with the sound."""
    t = times(10)
    wave = 0.2 * np.sin(2 * np.pi * 3090.0 * t), 0.2 * np.sin(2 * np.pi * 3090.0 * (t + 45e-6))
    page = listening(*wave)
    listen(page)
    expect(page.locator("#detail")).to_contain_text(re.compile(r"Right leads by 4[45]\.\d µs"))
    assert figure(page) < -8
    expect(page.locator("#verdict-word")).to_have_text("nearly right")
    watch(page, "Speed")
    expect(page.locator("#verdict-word")).to_have_text("too slow")


def test_figures_are_held_and_noted_while_it_goes_on(listening: Any, place: Place) -> None:
    """One press writes them into the form; what is recorded is what was seen, and the meter listens on."""
    page = listening(*stereo_tone())
    listen(page)
    page.get_by_role("button", name="Hold figures").click()
    held = page.get_by_label("Figures").input_value()
    assert "azimuth +4.9 minutes of arc (left leads by 27.0 µs" in held
    assert "speed +0.42 % (3163.2 Hz for 3150 Hz" in held
    assert "level −10.5 dBFS (left)" in held
    page.get_by_label("What was adjusted?").fill("azimuth screw")
    page.get_by_role("button", name="Record in the job").click()
    expect(page.locator("#said")).to_contain_text("Recorded in job 12")
    expect(page.locator("#live")).to_be_visible()
    expect(page.get_by_label("Figures")).to_have_value("")
    expect(page.locator("#note-job")).to_have_value("12")
    with contextlib.closing(open_bench(place.bench)) as bench:
        body = bench.events(12)[-1].body
    assert (body.deed, body.where, body.note) == ("adjusted", "azimuth screw", held)  # type: ignore[union-attr]


SCREW = """
// A line input that a test can turn: stereo of two tones, the right channel later, the high tone weaker.
const sound = { context: null, target: null, source: null };
window.turn = (delay, high) => {
  const { context, target } = sound;
  const rate = context.sampleRate;
  const buffer = context.createBuffer(2, rate, rate);
  for (const [channel, late] of [[0, 0], [1, delay]]) {
    const wave = buffer.getChannelData(channel);
    for (let n = 0; n < rate; n++) {
      const t = n / rate - late;
      wave[n] = 0.2 * Math.sin(2 * Math.PI * 400 * t) + high * Math.sin(2 * Math.PI * 8000 * t);
    }
  }
  sound.source?.stop();
  sound.source = new AudioBufferSourceNode(context, { buffer, loop: true });
  sound.source.connect(target);
  sound.source.start();
};
navigator.mediaDevices.getUserMedia = async () => {
  sound.context = new AudioContext();
  sound.target = new MediaStreamAudioDestinationNode(sound.context, { channelCount: 2 });
  window.turn(-70e-6, 0.05);
  return sound.target.stream;
};
"""


def test_a_screw_that_is_turned_is_followed(playwright: Playwright, place: Place) -> None:
    """Warmer, colder, and highs against a reference that was held, on the worklet's own way."""
    with chromium(playwright) as browser:
        context = browser.new_context(viewport={"width": 1280, "height": 800})
        context.add_init_script(SCREW)
        page = context.new_page()
        page.goto(place.start)
        page.goto(f"{place.home}/tape/meter")
        listen(page)
        minutes = np.degrees(np.arctan(70e-6 * CASSETTE_SPEED / TRACK_SPACING)) * 60
        assert figure(page) == pytest.approx(-minutes, abs=0.11)
        expect(page.locator("#verdict-word")).to_have_text("out")
        page.evaluate("turn(-20e-6, 0.05)")
        expect(page.locator("#trend")).to_contain_text("warmer", timeout=3000)
        expect(page.locator("#verdict-word")).to_have_text("right")
        page.wait_for_timeout(2500)
        page.evaluate("turn(60e-6, 0.05)")
        expect(page.locator("#trend")).to_contain_text("colder", timeout=3000)
        page.wait_for_timeout(2500)
        # 60 µs are 10.9 arc-minutes; the best was 3.6 or less, as the mean went through nought on its way.
        expect(page.locator("#trend")).to_contain_text(re.compile(r"([789]|10)\.\d minutes from best"))
        watch(page, "Highs")
        page.get_by_role("button", name="Hold as reference").click()
        expect(page.locator("#figure")).to_have_text(re.compile(r"^[+−]?0\.[01]$"))
        page.evaluate("turn(60e-6, 0.025)")
        page.wait_for_timeout(2500)
        assert figure(page) == pytest.approx(-6.02, abs=0.15)
        expect(page.locator("#detail")).to_have_text("The treble against the reference you held")


@pytest.mark.parametrize("options", [["--use-fake-device-for-media-stream"], []])
def test_without_sound_the_page_says_what_to_do(
    playwright: Playwright, place: Place, options: list[str]
) -> None:
    """Permission refused, or no input at all; the button stays for the next try."""
    with chromium(playwright, *options) as browser:
        page = new_page(browser, place)
        page.get_by_role("button", name="Listen", exact=True).click()
        said = "Allow the microphone for this address" if options else "Plug in a sound interface"
        expect(page.locator("#trouble")).to_contain_text(said)
        expect(page.get_by_role("button", name="Listen", exact=True)).to_be_enabled()
        expect(page.locator("#live")).to_be_hidden()


def test_over_plain_http_the_page_says_which_address_to_open(playwright: Playwright, place: Place) -> None:
    """Browsers give such pages no sound input at all."""
    with chromium(playwright) as browser:
        page = new_page(browser, place)
        page.evaluate("Object.defineProperty(window, 'isSecureContext', { value: false })")
        page.get_by_role("button", name="Listen", exact=True).click()
        expect(page.locator("#trouble")).to_contain_text("benchwright serve --lan")


# -- the recorder --------------------------------------------------------------------------------------------


def record(page: Page, seconds: float) -> None:
    page.get_by_role("button", name="Record", exact=True).click()
    expect(page.get_by_role("button", name="Stop recording")).to_be_focused()
    expect(page.locator(".recording-time")).to_contain_text(f"0:0{int(seconds)}", timeout=20_000)
    page.get_by_role("button", name="Stop recording").click()


@pytest.mark.parametrize("bits", [16, 24])
def test_a_take_arrives_as_it_was_played(listening: Any, place: Place, tmp_path: Path, bits: int) -> None:
    """The bench gets a WAV file with the tone, its level and the delay between the channels."""
    page = listening(*stereo_tone())
    page.get_by_label("Sample size").select_option(str(bits))
    record(page, 4)
    expect(page.get_by_label("Which job?").last).to_have_value("12")
    page.get_by_role("button", name="Send to the job").click()
    expect(page.locator("#said")).to_contain_text("Recorded in job 12", timeout=15_000)
    expect(page.locator(".take")).to_have_count(0)
    ((name, body, once),) = place.endpoint.takes
    assert re.fullmatch(r"take-\d{8}-\d{4}\.wav", name)
    assert re.fullmatch(r"[0-9a-f]{32}", once)
    path = tmp_path / "arrived.wav"
    path.write_bytes(body)
    recording = Recording.open(path)
    assert (recording.channels, recording.format) == (2, f"WAV, {bits} bit")
    assert recording.frames / recording.rate > 3.0
    assert not recording.warnings
    both = np.concatenate(list(recording.blocks()))[recording.rate :]  # an input that opens may stutter
    tone = measure_tone(both[:, 0], recording.rate)
    assert tone.tone is not None
    assert tone.tone.value == pytest.approx(TONE, abs=0.1)
    assert 20 * np.log10(np.sqrt(2 * np.mean(both**2, axis=0))) == pytest.approx(
        20 * np.log10([0.3, 0.25]), abs=0.1
    )
    meter = AzimuthMeter(recording.rate)
    assert meter.update(both).delay.value == pytest.approx(27e-6, abs=1e-7)


def test_a_take_that_cannot_be_sent_is_kept(listening: Any, place: Place, tmp_path: Path) -> None:
    """The bench refuses, the page is loaded again: the take is still there, and goes through."""
    page = listening(*stereo_tone())
    record(page, 2)
    place.endpoint.fails = 1
    send = page.get_by_role("button", name="Send to the job")
    send.click()
    said = "The disk of the bench is full. The take is still here"
    expect(page.locator(".take-state")).to_contain_text(said)
    page.get_by_label("Name", exact=True).fill("side A, azimuth set")
    page.get_by_label("Name", exact=True).blur()
    page.reload()
    expect(page.locator(".take")).to_contain_text("Kept in this browser until it is sent")
    with page.expect_download() as saving:
        page.get_by_role("button", name="Save as a file").click()
    saving.value.save_as(tmp_path / "saved.wav")
    page.get_by_role("button", name="Listen", exact=True).last.click()
    expect(page.locator("audio")).to_be_visible()
    page.wait_for_function("document.querySelector('audio').duration > 2")
    send.click()
    expect(page.locator(".take")).to_have_count(0, timeout=15_000)
    ((name, body, _),) = place.endpoint.takes
    assert name == "side A- azimuth set.wav"
    assert body == (tmp_path / "saved.wav").read_bytes()
    page.reload()
    expect(page.locator(".takes")).to_be_attached()
    expect(page.locator(".take")).to_have_count(0)


def test_a_page_that_is_closed_while_it_records_keeps_the_take(listening: Any, place: Place) -> None:
    """All but the last second of it."""
    page = listening(*stereo_tone())
    page.get_by_role("button", name="Record", exact=True).click()
    expect(page.locator(".recording-time")).to_contain_text("0:03", timeout=20_000)
    context = page.context
    page.close(run_before_unload=False)
    again = context.new_page()
    again.clock.install()
    # Until nothing has come for a while it may be recorded in another tab.
    again.clock.set_fixed_time(time.time() + 60)
    again.goto(f"{place.home}/tape/meter")
    expect(again.locator(".take")).to_contain_text("The page was closed while it was recorded")
    told = again.locator(".take").inner_text()
    assert re.search(r"0:0[23], stereo", told), told


def test_any_page_can_hold_a_recorder_and_a_long_take_goes_on(listening: Any, place: Place) -> None:
    """An attribute is enough; a file that is full is followed by another, without a gap."""
    page = listening(*stereo_tone())
    page.evaluate("""async () => {
      const place = document.createElement("section");
      place.id = "other";
      place.dataset.recorder = "";
      place.dataset.to = "/jobs/8/tape/takes";
      place.dataset.most = String(400_000);
      document.querySelector("main").append(place);
      window.came = [];
      place.addEventListener("taken", (event) => window.came.push(event.detail.take));
      await (await import("/static/recorder.js")).equip();
    }""")
    other = page.locator("#other")
    other.get_by_role("button", name="Record", exact=True).click()
    expect(other.locator(".recording-time")).to_contain_text("0:05", timeout=20_000)
    other.get_by_role("button", name="Stop recording").click()
    parts = other.locator(".take")
    expect(parts.nth(1)).to_be_visible()
    for left in range(parts.count() - 1, -1, -1):
        other.get_by_role("button", name="Send to the job").last.click()
        expect(parts).to_have_count(left, timeout=15_000)
    names = [name for name, _, _ in place.endpoint.takes]
    assert page.evaluate("window.came") == names
    assert [re.sub(r"take-\d{8}-\d{4}", "take", name) for name in names] == [
        "take.wav", *(f"take-part-{part}.wav" for part in range(2, len(names) + 1))
    ]  # fmt: skip
    assert len({once for _, _, once in place.endpoint.takes}) == len(names) >= 3
    read = [soundfile.read(io.BytesIO(body)) for _, body, _ in place.endpoint.takes]
    assert all(len(body) < 400_000 - 1000 for _, body, _ in place.endpoint.takes)
    assert sum(len(samples) for samples, _ in read) / read[0][1] > 5.0
    for (before, rate), (after, _) in itertools.pairwise(read):
        # One sample more or less would be 0.4 rad of the tone.
        turn = 2 * np.pi * TONE / rate
        ends = [phase_of(before[-1000:, 0], turn) + 1000 * turn, phase_of(after[:1000, 0], turn)]
        assert np.angle(np.exp(1j * (ends[1] - ends[0]))) == pytest.approx(0, abs=0.02)


def phase_of(wave: Floats, turn: float) -> float:
    """Phase of a tone at the first sample."""
    steps = np.arange(len(wave)) * turn
    sines = np.column_stack([np.cos(steps), -np.sin(steps)])
    (x, y), *_ = np.linalg.lstsq(sines, wave, rcond=None)
    return float(np.arctan2(y, x))


def test_the_worklet_hands_on_every_sample(listening: Any) -> None:
    """Each of 100,000 samples of two channels once, in order: counted ones, as fast as they can be made."""
    page = listening(*stereo_tone())
    told = page.evaluate("""async () => {
      const length = 2048 * 48;
      const context = new OfflineAudioContext(2, length, 44100);
      await context.audioWorklet.addModule("/static/line-in-worklet.js");
      const buffer = context.createBuffer(2, length, 44100);
      for (const [channel, sign] of [[0, 1], [1, -1]])
        buffer.getChannelData(channel).forEach((_, n, all) => (all[n] = sign * (n + 1)));
      const source = new AudioBufferSourceNode(context, { buffer });
      const node = new AudioWorkletNode(context, "line-in", { outputChannelCount: [1] });
      const { port1, port2 } = new MessageChannel();
      node.port.postMessage(port2, [port2]);
      const heard = [];
      const all = new Promise((done) => {
        port1.onmessage = ({ data }) => heard.push(data) === 48 && done();
      });
      source.connect(node).connect(context.destination);
      source.start();
      await new Promise((done) => setTimeout(done, 300)); // the port has reached the worklet
      await context.startRendering();
      await all;
      const left = heard.flatMap(([one]) => [...one]);
      const right = heard.flatMap(([, other]) => [...other]);
      return [left.length, left.every((one, n) => one === n + 1 && right[n] === -one)];
    }""")
    assert told == [2048 * 48, True]


# -- how it looks --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_can_be_used_by_everybody(listening: Any, size: str, scheme: str, tmp_path: Path) -> None:
    """The checks of WCAG 2.2 AA find nothing: before, listening, with a take; nothing is cut off."""
    page = listening(*stereo_tone(), size=size, color_scheme=scheme, reduced_motion="reduce")
    told = [violations(page)]
    listen(page)
    for name in ("Level", "Highs", "Azimuth", "Speed"):
        watch(page, name).wait_for_timeout(700)
        if name in ("Highs", "Speed"):
            told.append(violations(page))
        page.screenshot(path=tmp_path / f"{size}-{scheme}-{name.lower()}.png")
        box = page.locator("#figure").bounding_box()
        assert box is not None
        # A capital is seven tenths of the letter's size; on a phone of 390 points that is about a centimetre.
        assert box["height"] >= (80 if size == "phone" else 150)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        unit = page.locator("#unit").bounding_box()
        assert unit is not None
        assert unit["x"] + unit["width"] <= SIZES[size][0]
    record(page, 1)
    expect(page.locator(".take")).to_be_visible()
    told.append(violations(page))
    page.screenshot(path=tmp_path / f"{size}-{scheme}-whole.png", full_page=True)
    assert told == [[]] * len(told)


def violations(page: Page) -> list[str]:
    page.evaluate(AXE.read_text(encoding="utf-8"))
    kinds = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = page.evaluate("kinds => axe.run(document, { runOnly: kinds })", kinds)
    return [f"{one['id']}: {[node['html'][:100] for node in one['nodes']]}" for one in found["violations"]]
