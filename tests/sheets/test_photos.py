"""A photo that cannot be printed is named, and never breaks a sheet in silence."""

from __future__ import annotations

import io
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sheets import at, job_sheet, png
from PIL import Image

from benchwright.sheets import BadSheet, Photo, make_pdf
from benchwright.sheets.photo import MOST_BYTES


def jpeg(width: int = 40, height: int = 30) -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (width, height), (200, 30, 30)).save(file, "JPEG")
    return file.getvalue()


@pytest.mark.parametrize("picture", [png(), jpeg()], ids=["png", "jpeg"])
def test_both_kinds_are_printed(picture):
    """JPEG and PNG go on the page."""
    assert len(make_pdf(job_sheet(photos=(Photo(picture, "C14", at(3), 3),)))) > len(
        make_pdf(job_sheet(photos=()))
    )


@pytest.mark.parametrize(
    ("picture", "told"),
    [
        (b"", "neither JPEG nor PNG"),
        (b"GIF89a....", "neither JPEG nor PNG"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "neither JPEG nor PNG"),
        (png()[:20], "damaged or cut off"),
        (jpeg()[:30], "damaged or cut off"),
        (png() + bytes(MOST_BYTES), "scale it down"),
        (png()[:16] + struct.pack(">II", 60_000, 60_000) + png()[24:], "too many to print"),
        (png()[:16] + struct.pack(">II", 0, 10) + png()[24:], "damaged or cut off"),
    ],
)
def test_a_bad_photo_is_named_with_what_to_do(picture, told):
    """Kind, size and completeness are looked at when the photo is given."""
    with pytest.raises(BadSheet, match="'the ring round C14'") as raised:
        Photo(picture, "the ring round C14", at(5), 5)
    assert told in str(raised.value)


@settings(max_examples=25)
@given(st.binary(max_size=300), st.integers(26, 200))
def test_damage_inside_a_photo_gives_a_sheet_or_a_clear_error(rubbish, good):
    """Whatever bytes follow a good beginning: a PDF, or an error that names the photo."""
    for whole in (png(), jpeg()):
        told = ""
        try:
            photo = Photo(whole[:good] + rubbish, "C14", at(5), 5)
            printed = make_pdf(job_sheet(photos=(photo,)))
        except BadSheet as problem:
            told = str(problem)
        assert "photo 'C14' (event 5)" in told or (not told and printed.startswith(b"%PDF"))


def test_more_photos_than_a_sheet_holds_are_refused():
    """By number."""
    with pytest.raises(BadSheet, match="at most 60"):
        job_sheet(photos=(Photo(png(), "C14", at(3), 3),) * 61)
