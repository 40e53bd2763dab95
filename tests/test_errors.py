"""Errors say what was seen, where, and what to do, and all belong to one family."""

from __future__ import annotations

import pytest

from benchwright import errors
from benchwright.errors import BadFile, BadQuantity, BenchwrightError, UnknownName


@pytest.mark.parametrize(
    ("line", "field", "message"),
    [
        (None, None, "board.toml: is empty"),
        (7, None, "board.toml, line 7: is empty"),
        (None, "[parts] U3", "board.toml, [parts] U3: is empty"),
        (7, "kind", "board.toml, line 7, kind: is empty"),
        (0, "kind", "board.toml, line 0, kind: is empty"),
    ],
)
def test_a_bad_file_names_its_place(line, field, message):
    """The file stands first, then the line and the field where they are known."""
    error = BadFile("board.toml", "is empty", line=line, field=field)
    assert str(error) == message
    assert (error.path, error.problem, error.line, error.field) == ("board.toml", "is empty", line, field)


def test_an_unknown_name_offers_near_ones():
    """A mistyped name brings the names that come near it, and nothing where none does."""
    near = UnknownName("part", "U33", ["U3", "U13"])
    assert str(near) == "no part 'U33' on this board; did you mean U3, U13?"
    assert near.near == ("U3", "U13")
    assert str(UnknownName("net", "X")) == "no net 'X' on this board"


def test_a_bad_quantity_shows_the_text_and_what_would_do():
    """The text is shown quoted, so that a stray space can be seen."""
    assert str(BadQuantity(" 5x", "a number")) == "cannot read ' 5x': expected a number"


def test_every_error_is_caught_as_one_family():
    """One `except BenchwrightError` at the face catches all that the package raises on purpose."""
    raised = [
        value for value in vars(errors).values() if isinstance(value, type) and issubclass(value, Exception)
    ]
    assert len(raised) >= 6
    assert all(issubclass(value, BenchwrightError) for value in raised)
