"""Labels stand where the sheet of labels has them, and their codes can be read."""

from __future__ import annotations

import numpy as np
import pytest
import segno
from hypothesis import given, settings
from hypothesis import strategies as st
from made_sheets import DAY, box_label, label_sheet, single_label
from printed import Printed, bare

from benchwright.sheets import BadSheet, BoxLabel, LabelSheet, LabelStock, label_stock, label_stocks, make_pdf

PAPER = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def code_on(printed: Printed, page: int, left: float, top: float, side: float, modules: int) -> np.ndarray:
    """The code in a square of a page, in mm from its upper left corner: which modules are dark."""
    dots = 12.0
    picture = printed.picture(page, dots)[..., 0]
    middles = (np.arange(modules) + 0.5) * side / modules
    rows = np.round((top + middles) * dots).astype(int)
    columns = np.round((left + middles) * dots).astype(int)
    return picture[np.ix_(rows, columns)] < 128


@pytest.mark.parametrize("name", label_stocks())
def test_a_full_sheet_has_each_label_in_its_place(name):
    """Title and code of each label lie inside its own rectangle, on the paper of the sheet."""
    stock = label_stock(name)
    labels = tuple(box_label(100 + number) for number in range(stock.places + 1))
    printed = Printed(make_pdf(LabelSheet(DAY, labels, stock)))
    assert len(printed) == 2
    assert set(printed.sizes_mm) == {PAPER[stock.paper]}
    high = PAPER[stock.paper][1]
    for place in range(stock.places):
        left = stock.left + place % stock.across * stock.step_across
        top = stock.top + place // stock.across * stock.step_down
        inside = "".join(
            sign
            for sign, x0, y0, x1, y1 in printed.letters(0)
            if x0 >= left + 1 and x1 <= left + stock.width - 1
            and high - y1 >= top + 1 and high - y0 <= top + stock.height - 1
        )  # fmt: skip
        assert bare(inside).startswith(f"Job{100 + place}")
        assert bare(inside).endswith("2026-11-02")
    assert printed.on_top_of_each_other(0) == []
    assert f"Job {100 + stock.places}" in printed.pages[1]


def test_all_labels_of_a_sheet_have_letters_of_one_size():
    """One long line makes the lines of all as small as its own: one size of title, one of lines."""
    stock = label_stock("a4-21")
    labels = (BoxLabel("A1", ("4116",), "A1"), BoxLabel("Job 15", ("capacitors for the supply", "new"), "B"))
    printed = Printed(make_pdf(LabelSheet(DAY, labels, stock)))
    assert len(printed.letter_sizes(0)) == 2
    assert len(Printed(make_pdf(LabelSheet(DAY, labels[:1], stock))).letter_sizes(0)) == 2
    assert printed.letter_sizes(0) != Printed(make_pdf(LabelSheet(DAY, labels[:1], stock))).letter_sizes(0)


def test_a_sheet_partly_used_up_is_used_on():
    """The first label goes on the place that is named; the places before stay white."""
    stock = label_stock("a4-21")
    printed = Printed(make_pdf(label_sheet(first=5, outlines=False)))
    page = printed.picture(0, 2.0)[..., 0]
    assert (page[: int((stock.top + stock.step_down) * 2), : int(stock.width * 2)] == 255).all()
    assert (page[: int(stock.top * 2) + 70] == 255).all()
    assert "Job 14" in printed.text


@settings(max_examples=12)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), min_size=1, max_size=60))
def test_the_printed_code_is_the_one_that_was_asked_for(text):
    """Each module on paper is as the code has it, with four white modules around."""
    single = single_label(label=BoxLabel("Job 14", (), text), width=100.0, height=50.0)
    wanted = np.array([list(row) for row in segno.make_qr(text, error="m", encoding="utf-8").matrix]) > 0
    modules = len(wanted) + 8
    seen = code_on(Printed(make_pdf(single)), 0, 1.0, 2.5, 45.0, modules)
    assert (seen[4:-4, 4:-4] == wanted).all()
    assert not seen[:4].any()
    assert not seen[-4:].any()
    assert not seen[:, :4].any()
    assert not seen[:, -4:].any()


def test_a_code_is_drawn_as_vectors():
    """No picture of dots is in the file: the code is sharp at any size."""
    printed = Printed(make_pdf(single_label()))
    assert not list(printed.document[0].get_objects(filter=(3,), max_depth=4))


def test_a_single_label_has_the_size_asked_for():
    """The page is the label."""
    printed = Printed(make_pdf(single_label(width=89.0, height=36.0)))
    assert printed.sizes_mm == [(89.0, 36.0)]
    assert printed.outside(0, 1.0) == ""
    assert "Fulmar 65, Issue 3 C" in printed.text


def test_a_label_without_code_gives_all_its_room_to_words():
    """The code is optional."""
    printed = Printed(make_pdf(single_label(label=BoxLabel("Capacitors 22 µF", ("drawer B3",)))))
    assert min(left for _, left, *_ in printed.letters(0)) < 3.0


def test_a_word_too_wide_for_the_label_is_broken_and_kept():
    """Nothing runs over the edge, and nothing is lost."""
    printed = Printed(make_pdf(single_label(label=BoxLabel("M" * 40, ("w" * 60,), "X"))))
    assert printed.outside(0, 1.0) == ""
    assert printed.bare == "M" * 40 + "w" * 60


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: label_stock("a4-99"), "expected one of a4-8"),
        (lambda: label_sheet(first=22), "places 1 to 21"),
        (lambda: label_sheet(first=0), "places 1 to 21"),
        (lambda: label_sheet(labels=()), "no label to print"),
        (lambda: LabelStock("a4", 3, 7, 80.0, 38.1, 7.0, 15.0, 80.0, 38.1), "the paper has 210 × 297 mm"),
        (
            lambda: LabelStock("a4", 3, 7, 63.5, 38.1, 7.0, 15.0, 60.0, 38.1),
            "step from label to label across",
        ),
        (lambda: single_label(width=5.0), "expected 20 to 210 mm"),
        (lambda: single_label(width=float("nan")), "out of range"),
        (lambda: single_label(label=BoxLabel("x", (), "y" * 700)), "too small to read"),
        (lambda: single_label(label=BoxLabel("x", (), "y" * 7000)), "too long for a QR code"),
        (lambda: BoxLabel("  "), "empty"),
    ],
)
def test_what_cannot_be_printed_is_said(make, told):
    """Sizes that do not fit and codes that nothing could read are refused, with what would do."""
    with pytest.raises(BadSheet) as raised:
        make()
    assert told in str(raised.value)


def test_more_words_than_a_label_holds_are_not_cut_off():
    """The label is named, and nothing is printed."""
    full = BoxLabel("Job 15", ("word " * 200,), "X")
    with pytest.raises(BadSheet, match="label 2: the text does not fit"):
        make_pdf(label_sheet(labels=(box_label(), full)))
