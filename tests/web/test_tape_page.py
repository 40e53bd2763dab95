"""Tapes in the browser: the same answers as the command line, kept for the next look."""

from __future__ import annotations

import json
import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from playwright.sync_api import Page, expect
from serving import Serving
from starlette.testclient import TestClient

from benchwright.cli.main import cli
from benchwright.jobs import Bench, bodies
from benchwright.tape.encoding import encoding_named
from benchwright.tape.render import render, write_recording

JOB = 10
DATA = bytes(range(200))


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A tape with one block, a little noisy."""
    path = tmp_path_factory.mktemp("tape") / "side-a.wav"
    sound = render([DATA], encoding_named("kansas-city-300"), rate=22050, add_check=False)
    noise = np.random.default_rng(3).normal(0, 0.01, len(sound)).astype(np.float32)
    write_recording(path, (0.7 * sound + noise).astype(np.float32), 22050)
    return path


@pytest.fixture(scope="module")
def tone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten seconds of 3150 Hz that run 1 % fast."""
    path = tmp_path_factory.mktemp("tape") / "tone.wav"
    moments = np.arange(10 * 22050) / 22050
    write_recording(path, (0.5 * np.sin(2 * np.pi * 3150 * 1.01 * moments)).astype(np.float32), 22050)
    return path


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def send(client: TestClient, *files: tuple[str, bytes], once: str = "a" * 32) -> Any:
    return client.post(
        f"/jobs/{JOB}/tape/takes", data={"once": once},
        files=[("take", (name, data, "audio/wav")) for name, data in files], follow_redirects=False,
    )  # fmt: skip


def takes(client: TestClient) -> list[int]:
    return [
        event.number for event in bench_of(client).job(JOB).attachments
        if isinstance(event.body, bodies.Attachment) and event.body.what == "take"
    ]  # fmt: skip


def ask(client: TestClient, do: str, *which: int, **more: str) -> str:
    """The page of the answer."""
    sent = client.post(
        f"/jobs/{JOB}/tape", data={"once": "b" * 32, "do": do, "take": [str(n) for n in which], **more},
        follow_redirects=False,
    )  # fmt: skip
    assert sent.status_code == 303, sent.text
    where = str(sent.headers["location"])
    until = time.monotonic() + 90
    while where.startswith("/tasks") and time.monotonic() < until:
        text = client.get(where).text
        stage, to = (re.search(rf'data-{name}="([^"]*)"', text) for name in ("stage", "leads-to"))
        assert stage
        assert to
        assert stage[1] != "failed", text
        where = to[1] if stage[1] == "done" else where
        time.sleep(0.1)
    return where


def test_the_data_of_a_take_is_what_was_on_it(client: TestClient, take: Path) -> None:
    """Blocks, bytes to download, a clean recording that reads again; and at once the second time."""
    before = len(takes(client))
    assert [send(client, ("side-a.wav", take.read_bytes())).status_code for _ in range(2)] == [303, 303]
    assert len(takes(client)) == before + 1
    where = ask(client, "decode", takes(client)[-1], encoding="kansas-city-300")
    text = client.get(where).text
    assert "block-001.bin" in text
    answer = client.get(f"{where}/block-001.bin")
    assert answer.content == DATA
    assert answer.headers["content-disposition"].startswith("attachment")
    assert client.get(f"{where}/clean.wav").content[:4] == b"RIFF"
    assert client.get(f"{where}/half-waves.svg").headers["content-type"].startswith("image/svg+xml")
    sent = client.post(
        f"/jobs/{JOB}/tape", follow_redirects=False,
        data={
            "once": "c" * 32, "do": "decode", "take": str(takes(client)[-1]), "encoding": "kansas-city-300",
        },
    )  # fmt: skip
    assert sent.headers["location"] == where
    assert where in client.get(f"/jobs/{JOB}/tape").text


def test_a_take_measures_as_on_the_command_line(client: TestClient, tone: Path) -> None:
    """Every verdict, in the same words; a tone of 3181.5 Hz named as 3150 runs 1 % fast."""
    send(client, ("tone.wav", tone.read_bytes()))
    where = ask(client, "measure", takes(client)[-1], tone="3150")
    text = client.get(where).text
    done = CliRunner().invoke(cli, ["tape", "measure", str(tone), "--tone", "3150", "--json"])
    said = json.loads(done.output)
    for one in said["channels"][0]["verdicts"]:
        assert one["title"] in text
    assert "+1.00" in text
    assert client.get(f"{where}/speed.svg").status_code == 200


def test_takes_are_merged(client: TestClient, take: Path) -> None:
    """Two takes of one side; one alone is refused."""
    send(client, ("one.wav", take.read_bytes()), ("two.wav", take.read_bytes()))
    two = takes(client)[-2:]
    alone = client.post(f"/jobs/{JOB}/tape", data={"once": "d" * 32, "do": "merge", "take": str(two[0])})
    assert alone.status_code == 422
    where = ask(client, "merge", *two, encoding="kansas-city-300")
    assert client.get(f"{where}/block-001.bin").content == DATA


@pytest.mark.parametrize("data", [b"", b"<html>no sound</html>", b"RIFF\x10\x00\x00\x00WAVEfmt "])
def test_what_is_no_recording_is_not_kept(client: TestClient, data: bytes) -> None:
    """And is told by its own name, not that of a file of ours."""
    before = takes(client)
    answer = send(client, ("mine.wav", data))
    assert answer.status_code == 422
    assert "mine.wav" in answer.text
    assert "/tape/take-" not in answer.text
    assert takes(client) == before


def test_a_good_take_beside_a_bad_one_is_not_kept_either(client: TestClient, take: Path) -> None:
    """So that sending the good one again does not keep it twice."""
    before = takes(client)
    answer = send(client, ("good.wav", take.read_bytes()), ("bad.wav", b"no sound"))
    assert answer.status_code == 422
    assert "bad.wav" in answer.text
    assert takes(client) == before


def test_lines_of_flutter_are_named(client: TestClient, tmp_path: Path) -> None:
    """A tone that swings 2.5 times a second: its line stands in words; a deck file that is none is told."""
    moments = np.arange(20 * 22050) / 22050
    sweep = 3150 * (moments + 0.004 / (2 * np.pi * 2.5) * np.sin(2 * np.pi * 2.5 * moments))
    write_recording(tmp_path / "w.wav", (0.5 * np.sin(2 * np.pi * sweep)).astype(np.float32), 22050)
    send(client, ("w.wav", (tmp_path / "w.wav").read_bytes()))
    number = takes(client)[-1]
    text = client.get(ask(client, "measure", number, tone="3150")).text
    assert "Lines of flutter" in text
    assert re.search(r"2\.(49|5)\d* Hz", text)
    wrong = client.post(
        f"/jobs/{JOB}/tape", data={"once": "e" * 32, "do": "measure", "take": str(number)},
        files={"deck": ("mine.toml", b"[nonsense", "text/plain")},
    )  # fmt: skip
    assert wrong.status_code == 422
    assert "mine.toml" in wrong.text


def test_work_that_is_stopped_leaves_nothing(client: TestClient, take: Path) -> None:
    """Waiting or running: no copy of a take stays behind."""
    send(client, ("side-a.wav", take.read_bytes()))
    number, keys = takes(client)[-1], []
    for encoding in ("", "kansas-city-300", "pulse-width", "cuts-1200"):
        sent = client.post(
            f"/jobs/{JOB}/tape", follow_redirects=False,
            data={"once": "f" * 32, "do": "decode", "take": str(number), "encoding": encoding},
        )  # fmt: skip
        keys.append(sent.headers["location"])
    time.sleep(2)
    for key in keys:
        client.post(f"{key}/stop", data={"once": "a" * 32})
    cache = client.app.state.settings.cache_folder / "tape"  # type: ignore[attr-defined]
    until = time.monotonic() + 20
    while (left := [*cache.glob("take-*"), *cache.glob("being-made-*")]) and time.monotonic() < until:
        time.sleep(0.2)
    assert not left


def test_nothing_else_can_be_asked_for(client: TestClient, tone: Path) -> None:
    """Not another job's answers, nor any other file."""
    send(client, ("tone.wav", tone.read_bytes()))
    where = ask(client, "measure", takes(client)[-1])
    for path in (
        where.replace(f"/jobs/{JOB}/", "/jobs/9/"), f"{where}/about.json", f"{where}/..%2fabout.json",
        f"{where}/answer.json", f"/jobs/{JOB}/tape/found/{'0' * 32}",
    ):  # fmt: skip
        assert client.get(path).status_code == 404, path


def test_a_take_is_sent_from_the_browser_and_read(page: Page, served: Serving, size: str, take: Path) -> None:
    """Chosen, sent, read, and its block seen."""
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/tape")
    page.get_by_label("Files").set_input_files(take)
    page.get_by_role("button", name="Add it").click()
    expect(page.locator("#said")).to_contain_text("1 take kept")
    page.get_by_role("button", name="Read the data of side-a.wav").click()
    expect(page.get_by_role("link", name="block-001.bin")).to_be_visible(timeout=60_000)
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0
