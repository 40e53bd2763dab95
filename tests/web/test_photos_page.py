"""Photos: straight to the job, shown and printed without what the camera wrote beside the picture."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import Page, expect
from serving import Serving
from starlette.testclient import TestClient

from benchwright.jobs import Bench, bodies

JOB = 10
GPS = 0x8825
"""The tag of the place where a photo was taken: Exif 2.3, 4.6.3 (JEITA CP-3451C), from memory."""


def bench_of(client: TestClient) -> Bench:
    bench: Bench = client.app.state.records.bench()  # type: ignore[attr-defined]
    return bench


def jpeg(colour: str = "#336699", size: tuple[int, int] = (300, 200), *, turned: int = 1) -> bytes:
    """A photo as a telephone writes it: with the place, the maker and a direction."""
    image = Image.new("RGB", size, colour)
    exif = image.getexif()
    exif[0x0112] = turned
    exif[0x010F] = "Secret Maker"
    place = exif.get_ifd(GPS)
    place[1], place[2] = "N", (47.0, 22.0, 31.5)
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def send(client: TestClient, *photos: tuple[str, bytes], once: str = "a" * 32, caption: str = "") -> Any:
    return client.post(
        f"/jobs/{JOB}/photos", data={"once": once, "caption": caption},
        files=[("photo", (name, data, "image/jpeg")) for name, data in photos], follow_redirects=False,
    )  # fmt: skip


def kept(client: TestClient) -> list[bodies.Attachment]:
    found = [event.body for event in bench_of(client).job(JOB).attachments]
    return [body for body in found if isinstance(body, bodies.Attachment) and body.what == "photo"]


def pictures(client: TestClient) -> list[str]:
    return re.findall(r'src="(/jobs/\d+/photos/\d+/small\.jpg)"', client.get(f"/jobs/{JOB}/photos").text)


def test_a_photo_is_shown_upright_and_without_its_place(client: TestClient) -> None:
    """The original stays in the records; what pages serve is made anew."""
    before = len(kept(client))
    data = jpeg(turned=6)
    assert b"Secret Maker" in data
    assert send(client, ("board.jpg", data), caption="the <b>memory</b> end").status_code == 303
    assert len(kept(client)) == before + 1
    assert bench_of(client).attachment(kept(client)[-1].sha256) == data
    address = pictures(client)[0]
    for size in ("small", "large"):
        answer = client.get(address.replace("small", size))
        assert answer.headers["content-type"] == "image/jpeg"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert b"Secret Maker" not in answer.content
        with Image.open(io.BytesIO(answer.content)) as shown:
            assert not shown.getexif()
            assert shown.size == (200, 300)
    assert "the &lt;b&gt;memory&lt;/b&gt; end" in client.get(f"/jobs/{JOB}/photos").text
    again = client.get(address, headers={"if-none-match": client.get(address).headers["etag"]})
    assert again.status_code == 304


def test_several_at_once_and_each_form_once(client: TestClient) -> None:
    """The same form sent again adds nothing."""
    before = len(kept(client))
    two = ("one.jpg", jpeg("#111111")), ("two.jpg", jpeg("#eeeeee"))
    assert [send(client, *two).status_code for _ in range(2)] == [303, 303]
    assert [body.name for body in kept(client)[before:]] == ["one.jpg", "two.jpg"]


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("page.jpg", b"<html><script>alert(1)</script>", "no photo; expected JPEG, PNG or WebP"),
        ("phone.jpg", b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "HEIC"),
        ("half.jpg", jpeg()[:300], "damaged"),
        ("none.jpg", b"", "empty"),
    ],
)
def test_what_is_no_photo_is_refused_in_plain_words(
    client: TestClient, name: str, data: bytes, said: str
) -> None:
    """Whatever its name and what the browser says it is; a good one beside it is kept."""
    before = len(kept(client))
    answer = send(client, (name, data), ("good.jpg", jpeg()))
    assert answer.status_code == 422
    assert said in answer.text
    assert name in answer.text
    assert [body.name for body in kept(client)[before:]] == ["good.jpg"]


def test_only_photos_of_the_job_can_be_asked_for(client: TestClient) -> None:
    """Not those of another job, no other file, no path."""
    send(client, ("board.jpg", jpeg()))
    number = pictures(client)[0].split("/")[4]
    assert client.get(f"/jobs/{JOB}/photos/{number}/small.jpg").status_code == 200
    for path in (
        f"/jobs/9/photos/{number}/small.jpg", f"/jobs/{JOB}/photos/1/small.jpg",
        f"/jobs/{JOB}/photos/{number}/huge.jpg", f"/jobs/{JOB}/photos/..%2f..%2fetc/small.jpg",
        f"/jobs/{JOB}/photos/{number}/..%2f..%2f..%2fetc%2fpasswd.jpg",
    ):  # fmt: skip
        assert client.get(path).status_code == 404, path


def test_words_are_changed_and_a_photo_is_taken_away(client: TestClient) -> None:
    """The history keeps both."""
    send(client, ("board.jpg", jpeg()), caption="first words")
    number = pictures(client)[0].split("/")[4]
    changed = client.post(
        f"/jobs/{JOB}/photos/{number}/caption", data={"once": "b" * 32, "caption": "better words"},
        follow_redirects=False,
    )  # fmt: skip
    assert kept(client)[-1].caption == "better words"
    before = len(kept(client))
    client.post(f"{changed.headers['location']}/take-away", data={"once": "c" * 32})
    assert len(kept(client)) == before - 1
    texts = [
        event.body.caption for event in bench_of(client).events(JOB)
        if isinstance(event.body, bodies.Attachment)
    ]  # fmt: skip
    assert texts[-2:] == ["first words", "better words"]


def test_a_phone_takes_a_photo_for_the_job(page: Page, served: Serving, size: str, tmp_path: Path) -> None:
    """Taken or chosen, it goes by itself."""
    (tmp_path / "board.jpg").write_bytes(jpeg())
    page.goto(served.start)
    page.goto(f"{served.home}/jobs/{JOB}/photos")
    page.get_by_label("What do they show?").fill("corner with the modulator")
    page.get_by_label("Take a photo" if size == "phone" else "Choose photos").set_input_files(
        tmp_path / "board.jpg"
    )
    expect(page.get_by_role("img", name="corner with the modulator")).to_be_visible()
    expect(page.locator("#said")).to_contain_text("1 photo kept")
