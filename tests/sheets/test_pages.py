"""Every sheet can be read: nothing runs off the page or over its neighbour, whatever people write into it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from made_sheets import (
    DAY,
    EVERY,
    FULMAR,
    at,
    change_sheet,
    condition_report,
    euro,
    evidence,
    job_sheet,
    png,
    shopping_list,
    stock_list,
)
from printed import Printed, bare

from benchwright.sheets import (
    Action,
    BadSheet,
    Claim,
    FunctionTest,
    InStock,
    Machine,
    MoneyLine,
    Photo,
    Reading,
    Suspect,
    Wanted,
    all_functions,
    make_pdf,
)

SIZES = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
PAGED = ("job", "condition", "change", "shopping", "stock")
UNBROKEN = "W" * 300
LONG = "A very long note about the state of the board, which wants telling in full. " * 15
MANY_WORDS = "Pneumonoultramicroscopicsilicovolcanoconiosis-like_identifier/with/slashes.and.dots " * 4


def readable(printed: Printed) -> None:
    for number in range(len(printed)):
        assert printed.outside(number, 9.0) == "", f"page {number + 1} runs into its margin"
        assert printed.on_top_of_each_other(number) == [], f"page {number + 1} has letters over letters"
        page = printed.picture(number, 2.0)
        body = page[int(len(page) * 0.06) : int(len(page) * 0.94)]
        assert (body < 128).any(), f"page {number + 1} is blank"


def with_everything_long(text: str):
    """Each sheet with a long text in every place that takes one."""
    machine = Machine(text, text, text, text, text)
    photo = Photo(png(), text, at(3), 3)
    claim = (evidence(1, text),)
    return (
        job_sheet(
            machine=machine, source=text, declared=text, came_with=(text, text), symptoms=(text,), bench=text,
            readings=(Reading(text, text, text, at(3), 3, text, text),),
            actions=(Action("cleaned", text, at(4), 4),), photos=(photo,),
        ),
        condition_report(
            machine=machine, identified=claim, bench=text, work=(Claim(text, claim),), changes=(),
            tests=(FunctionTest("power", "part", text, text, claim),), open_points=(), photos=(photo,),
        ),
        change_sheet(
            machine=machine, photos=(photo,),
            changes=tuple(replace(one, what=text, why=text, undo=text) for one in change_sheet().changes),
        ),
        shopping_list(lines=(Wanted(text, 123456, (text, text), text, None, (text,), text),) * 2),
        stock_list(lines=(InStock(text, 123456, text, text, text, text, 9999),) * 2),
    )  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("name", PAGED)
def test_each_sheet_is_readable_on_both_papers(name, paper):
    """Page size as asked for, letters inside the margins and apart from each other, no blank page."""
    printed = Printed(make_pdf(EVERY[name](), paper))
    assert set(printed.sizes_mm) == {SIZES[paper]}
    readable(printed)


@pytest.mark.parametrize("text", [UNBROKEN, LONG, MANY_WORDS], ids=["unbroken", "long", "words"])
def test_long_texts_stay_in_their_columns_and_are_printed_whole(text):
    """A text of any length wraps, goes on over the page, and loses nothing."""
    for sheet in with_everything_long(text):
        printed = Printed(make_pdf(sheet))
        readable(printed)
        # A cell that goes on over the page has the foot and head of the page in its midst.
        assert printed.bare.count(bare(text)[:30]) >= 3
        assert printed.bare.count(bare(text)[-30:]) >= 3


def test_hundreds_of_readings_go_over_the_pages_with_their_heads():
    """Each page of a long table repeats its heads, and each reading is there once."""
    rows = tuple(
        Reading("voltage", f"U{n}.{n % 40 + 1} to GND", f"{n}.25 V", at(n), n, "5 V", "power on")
        for n in range(1, 401)
    )
    printed = Printed(make_pdf(job_sheet(readings=rows)))
    readable(printed)
    assert len(printed) > 8
    for number in range(1, 401):
        assert printed.bare.count(bare(f"to GND {number}.25 V 5 V")) == 1
    inner = [page for page in printed.pages if page.count(".25") > 5]
    assert all("Expected" in page and "Where" in page for page in inner)


@pytest.mark.parametrize("before", range(24, 48, 3))
def test_no_row_stands_alone_on_a_page(before):
    """Wherever a page ends: no table has fewer than three rows on it, and totals stand with what they sum."""
    rows = tuple(
        Reading("voltage", f"U{n}.1 to GND", f"{n}.25 V", at(n), n, state=f"range {n}") for n in range(1, 9)
    )
    money = tuple(MoneyLine(f"Screws {n}", euro("-0.10"), DAY) for n in range(1, 8))
    sheet = job_sheet(
        symptoms=("dead",) * before, acceptance=(), looks=(), actions=(), open_points=(), parts=(), time=(),
        photos=(), suspects=(), readings=rows, money=money,
    )  # fmt: skip
    printed = Printed(make_pdf(sheet))
    for page in printed.pages:
        assert page.count(".25") not in (1, 2)
        assert page.count("Screws") not in (1,)
        assert "Total" not in page or page.count("Screws") >= 2
    assert all(printed.bare.count(f"range{n}") == 1 for n in range(1, 9))


def test_rows_too_high_to_keep_together_go_over_the_page():
    """Three notes of a page each are not held together."""
    rows = tuple(Action("cleaned", f"{LONG}{n}", at(n), n) for n in range(1, 4))
    readable(Printed(make_pdf(job_sheet(actions=rows))))


def test_columns_without_content_are_left_out():
    """No column of dashes; a state that all readings share is told once."""
    rows = tuple(Reading("voltage", f"U{n}.1 to GND", "5 V", at(n), n, state="power on") for n in range(1, 4))
    printed = Printed(make_pdf(job_sheet(readings=rows))).bare
    assert bare("All of them: power on. Quantity Where Read When Event") in printed
    mixed = (*rows, Reading("voltage", "U9.1 to GND", "5 V", at(9), 9, "4.75 to 5.25 V", "power off"))
    printed = Printed(make_pdf(job_sheet(readings=mixed))).bare
    assert bare("Quantity Where Read Expected State When Event") in printed


def test_a_photo_stands_above_the_beginning_of_its_caption():
    """Narrow or wide: picture, caption and event begin at one left edge, close to each other."""
    photos = (Photo(png(40, 200), "Quite narrow", at(1), 1), Photo(png(200, 40), "X broad", at(2), 2))
    printed = Printed(make_pdf(change_sheet(changes=(), photos=photos)))
    pictures = [one.get_bounds() for one in printed.document[0].get_objects(filter=(3,), max_depth=4)]
    letters = [(sign, left, top) for sign, left, _, _, top in printed.letters(0)]
    for initial, (left, bottom, _, _) in zip("QX", pictures, strict=True):
        _, x, top = next(one for one in letters if one[0] == initial)
        assert abs(x - left * 25.4 / 72) < 0.5
        assert 0 < bottom * 25.4 / 72 - top < 3
        under = [y for sign, at_x, y in letters if sign == "E" and abs(at_x - x) < 0.5 and y < top]
        assert max(under) > top - 6


def test_small_suspects_are_told_as_a_sum():
    """From one percent on each has a line."""
    suspects = (Suspect("U4 is weak", 0.9, (7,)), Suspect("U5 is dead", 0.004), Suspect("U6 is dead", 0.004))
    printed = Printed(make_pdf(job_sheet(suspects=suspects, others=0.022))).bare
    assert bare("U4 is weak 90 % 7") in printed
    assert bare("All others together 3 %") in printed
    assert bare("is dead") not in printed[printed.index(bare("What may be wrong")) :]


def test_every_page_says_which_job_and_page_it_is():
    """A single leaf can be put back where it belongs."""
    printed = Printed(make_pdf(condition_report()))
    for number, page in enumerate(printed.pages, 1):
        assert "Condition report · Fulmar 65, job 14" in page
        assert f"Page {number} of {len(printed)}" in page
        assert "2026-11-21" in page


def test_many_photos_are_printed_each_with_its_caption():
    """Forty photos of any shape: each is there, captioned, inside the page."""
    photos = tuple(
        Photo(png(30 + 7 * n, 300 - 7 * n, 4 * n), f"View number {n}.", at(n), n) for n in range(1, 41)
    )
    printed = Printed(make_pdf(job_sheet(photos=photos)))
    readable(printed)
    assert all(f"View number {n}." in printed.text for n in range(1, 41))
    pictures = [
        one
        for page in printed.document
        for one in page.get_objects(filter=(3,), max_depth=4)  # 3: picture
    ]
    assert len(pictures) == 40
    for page, (wide, high) in zip(printed.document, printed.sizes_mm, strict=True):
        for one in page.get_objects(filter=(3,), max_depth=4):
            left, bottom, right, top = (side * 25.4 / 72 for side in one.get_bounds())
            assert left > 10
            assert bottom > 10
            assert right < wide - 10
            assert top < high - 10


@pytest.mark.parametrize("name", EVERY)
def test_print_is_black_and_grey_only(name):
    """Nothing rests on colour: a black-and-white printer loses nothing."""
    printed = Printed(make_pdf(EVERY[name]()))
    for number in range(len(printed)):
        page = printed.picture(number).astype(int)
        assert np.ptp(page, axis=2).max() == 0


def test_each_verdict_differs_in_shape_and_words():
    """Works, fails, part ...: told apart by a mark and by words, not by shade."""
    printed = Printed(make_pdf(condition_report()))
    for told in ("✓ Works", "△ Works, with a fault", "◊ Tested in part", "– Not fitted", "○ Looked over"):
        assert bare(told) in printed.bare


def test_the_job_sheet_tells_what_the_job_holds():
    """Identity, money, readings with units and state, suspects: all of it is printed."""
    printed = Printed(make_pdf(job_sheet()))
    for told in (
        "Fulmar 65, 32K", "Issue 3 C", "F65-018834", "BASIC 2.1, 1983", "Flea market", "35.00 EUR",
        "supply with a repaired cable", "black picture, no sound", "184 Ω", "power off, board out, C14 out",
        "2026-11-04 21:57", "Not done yet", "3 h 5 min", "−35.35 EUR", "−4.20 GBP", "under 1 %",
    ):  # fmt: skip
        assert bare(told) in printed.bare, told


def test_the_change_sheet_says_what_is_proved():
    """Readings before and after, how to undo, and plainly where a reading is missing."""
    printed = Printed(make_pdf(change_sheet()))
    for told in (
        "Not proved: no reading after it was made", "Read before and after", "Readings are missing",
        "Bridge the cut: solder a wire from U7.3 to M1.2", "74.8 Ω", "event 28", "no reading",
    ):  # fmt: skip
        assert bare(told) in printed.bare, told


def test_lists_add_up():
    """Totals by currency; lines without a price are said not to count."""
    shopping = Printed(make_pdf(shopping_list())).bare
    assert bare("Total 15.20 EUR") in shopping
    assert bare("Total 1.80 GBP") in shopping
    assert bare("One line has no price and is not counted.") in shopping
    stock = Printed(make_pdf(stock_list())).bare
    assert bare("3 lines, 49 pieces.") in stock
    assert bare("12.95 EUR") in stock


@pytest.mark.parametrize("sheet", [shopping_list(lines=()), stock_list(lines=()), change_sheet(changes=())])
def test_an_empty_list_says_so(sheet):
    """Nothing to tell is told, and not left as an empty page."""
    printed = Printed(make_pdf(sheet))
    assert re.search(r"Nothing is wanting|The drawers are empty|None is recorded", printed.text)


def test_a_bare_job_can_be_printed():
    """A job that was only just taken in has a sheet."""
    from benchwright.sheets import JobSheet

    printed = Printed(make_pdf(JobSheet("1", job_sheet().on, Machine("Fulmar 65"))))
    readable(printed)
    assert len(printed) == 1


def test_unknown_paper_is_refused():
    """The message lists the papers there are."""
    with pytest.raises(BadSheet, match="a4, letter"):
        make_pdf(job_sheet(), "a5")


def test_texts_and_lists_without_end_are_refused():
    """What no sheet can hold is named with the limit, and not set for minutes."""
    with pytest.raises(BadSheet, match="20000 of one text"):
        make_pdf(job_sheet(declared="x" * 20_001))
    with pytest.raises(BadSheet, match="5001 rows"):
        make_pdf(job_sheet(symptoms=("dead",) * 5_001))


def test_the_functions_are_as_many_as_a_report_says():
    """The report counts the list of the data file."""
    printed = Printed(make_pdf(condition_report(machine=FULMAR)))
    assert bare(f"A buyer would ask about {len(all_functions())} things") in printed.bare
