"""Texts are never markup, equal data gives equal bytes, and only our own fonts are used."""

from __future__ import annotations

import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sheets import EVERY, change_sheet, evidence, job_sheet, shopping_list
from printed import Printed, bare

import benchwright.sheets
from benchwright.sheets import (
    BoxLabel,
    Claim,
    ConditionReport,
    LabelSheet,
    Machine,
    Wanted,
    label_stock,
    make_pdf,
)
from benchwright.sheets.press import clean

HERE = Path(__file__).parent
FONTS = Path(benchwright.sheets.__file__).parent / "fonts"

MARKUP = (
    '#panic("x")', '#import "base.typ": *', '#read("/etc/passwd")', "#let x = 1", "$x^2$", "*bold*", "_it_",
    "@ref", "<lab>", "`raw`", "```", "= Head", "- item", "+ one", "/ term: x", "\\", "\\u{41}", "//", "/* */",
    "[", "]", "{", "}", "#", "~", "---", "--", "...", "'", '"', '\\"', "\n", "\t", "\r\n", "%", "&", "§",
    "https://example.org", "\u00a0", "\u200b", "\u202e", "\x00", "\x1b[31m", "\ud800", "\U0001f4fc", "漢字",
    "ש", "e\u0301", "fi", "Ω", "µ", "5 V", "22 µF",
)  # fmt: skip
TEXTS = (
    st.lists(st.sampled_from(MARKUP) | st.text(max_size=8), min_size=1, max_size=8)
    .map("".join)
    .filter(str.strip)
)


@given(st.lists(st.tuples(TEXTS, TEXTS), min_size=1, max_size=5))
@settings(max_examples=20)
def test_whatever_people_write_is_printed_as_text(rows):
    """Markup, control signs, quotes, foreign scripts: the page shows the very signs, and nothing breaks."""
    lines = tuple(Wanted(one, 1, (other,), other, None, (one,), other) for one, other in rows)
    printed = Printed(make_pdf(shopping_list(lines=lines, bench=""))).bare
    for text in (text for row in rows for text in row):
        assert printed.count(bare(clean(text))) >= 2


@given(TEXTS)
@settings(max_examples=25)
def test_no_place_of_a_report_takes_markup(text):
    """The same for head, identity, statements, records and labels."""
    said = (evidence(1, text),)
    report = ConditionReport(
        "14", job_sheet().on, Machine(text, text), said, work=(Claim(text, said),), bench=text
    )
    assert Printed(make_pdf(report)).bare.count(bare(clean(text))) >= 4
    short = text[:24].strip() or "x"
    labels = LabelSheet(report.on, (BoxLabel(short, (short,), text),), label_stock("a4-8"))
    assert Printed(make_pdf(labels)).bare.count(bare(clean(short))) >= 2


@given(st.text())
def test_cleaning_hides_nothing(text):
    """A sign that the fonts lack stands as its number; cleaning twice changes nothing more."""
    done = clean(text)
    assert clean(done) == done
    for sign in unicodedata.normalize("NFC", text).strip():
        if sign.isalnum() or unicodedata.category(sign) in ("Cc", "Cf", "Cs", "Co"):
            assert sign in done or f"[U+{ord(sign):04X}]" in done or sign in "\r\t"


def test_units_stay_beside_their_numbers():
    """4.75 to 5.25 V does not break before the V; words are left alone."""
    assert clean("22 µF 25 V, 105 °C, 3 h") == "22\u00a0µF 25\u00a0V, 105\u00a0°C, 3\u00a0h"
    assert clean("2 Volts, 3 have, 4 keys, 5 A1") == "2 Volts, 3 have, 4 keys, 5 A1"


def test_a_typed_u_before_a_unit_is_the_micro_sign():
    """22uF, 4.7 uH, 10us; names of parts and words stay as they are."""
    assert clean("22uF 25 V, 4.7 uH, .1uF, 10us") == "22µF 25\u00a0V, 4.7\u00a0µH, .1µF, 10µs"
    assert clean("U22uF, use 3 of us, C7 47u, 2 users, A1us") == "U22uF, use 3 of us, C7 47u, 2 users, A1us"


@pytest.mark.parametrize("name", EVERY)
def test_equal_data_gives_equal_bytes(name):
    """Printing twice gives the same file; the date is that of the data."""
    first = make_pdf(EVERY[name]())
    assert make_pdf(EVERY[name]()) == first
    assert b"20261121" in first


def test_other_processes_print_the_same_bytes(tmp_path):
    """Another hash seed, time zone, home and working folder change nothing."""
    code = (
        "import sys, hashlib; sys.path.insert(0, sys.argv[1]); from made_sheets import EVERY;"
        "from benchwright.sheets import make_pdf;"
        "print([hashlib.sha256(make_pdf(make())).hexdigest() for make in EVERY.values()])"
    )
    told = set()
    for seed, zone in (("1", "UTC"), ("77", "Pacific/Chatham")):
        place = tmp_path / seed
        place.mkdir()
        source = str(Path(benchwright.sheets.__file__).parents[2])
        done = subprocess.run(
            [sys.executable, "-c", code, str(HERE)], capture_output=True, text=True, cwd=place, check=False,
            env={"PYTHONHASHSEED": seed, "TZ": zone, "HOME": str(place), "PATH": "", "PYTHONPATH": source,
                 "TMPDIR": str(place)},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told.add(done.stdout)
    assert len(told) == 1


def test_other_data_gives_other_bytes():
    """One changed letter is another file."""
    assert make_pdf(change_sheet()) != make_pdf(change_sheet(bench="The back-room Bench"))


@pytest.mark.parametrize("name", EVERY)
def test_only_our_fonts_are_used_and_they_are_inside_the_file(name):
    """No system font, no font that comes with the typesetter."""
    pdf = make_pdf(EVERY[name]())
    assert b"/FontFile" in pdf
    printed = Printed(pdf)
    names = {
        one.get_font().get_base_name()
        for page in printed.document
        for one in page.get_objects(filter=(1,), max_depth=4)  # 1: text
    }
    assert names
    assert all("SourceSans3" in font for font in names), names


def test_the_table_of_signs_is_that_of_the_fonts():
    """`covered.txt` lists what both fonts hold, control, format, private and odd signs left out."""
    from fontTools.ttLib import TTFont

    held = [set(TTFont(path).getBestCmap()) for path in sorted(FONTS.glob("*.ttf"))]
    assert len(held) == 2
    both = {chr(code) for code in held[0] & held[1]}
    wanted = {sign for sign in both if unicodedata.category(sign)[0] != "C"} | {"\n"}
    from benchwright.sheets.press import _covered

    assert _covered() == frozenset(wanted)


def test_the_fonts_come_with_their_licence():
    """The licence lies beside them and allows what is done here."""
    text = (FONTS / "LICENSE.txt").read_text(encoding="utf-8")
    assert "SIL Open Font License, Version 1.1" in text


def test_importing_the_room_loads_no_typesetter():
    """The libraries for PDF and codes load when something is printed."""
    code = (
        "import sys, benchwright.sheets; print([n for n in ('typst', 'segno', 'numpy') if n in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
