"""The form that says what a machine is, where it came from, and which board it has."""

from __future__ import annotations

import shutil
import tempfile
from decimal import Decimal
from pathlib import Path

import msgspec
from starlette.datastructures import FormData, UploadFile

from ..errors import BadReading, BenchwrightError
from ..jobs import bodies
from .page import text_of

FACTS = (
    ("case_label", "Label on the case", ""),
    ("board_revision", "Revision on the board", "It often differs from the case."),
    ("serial", "Serial number", ""),
    ("rom_version", "ROM version", ""),
)
"""Fields of `bodies.Identity`: name, what it is called, hint."""
DEMO_BOARD = "fulmar65"
_NAMES = {"price": "Price", "postage": "Postage to get it here", "rate": "An hour at the bench"}


class BadForm(BenchwrightError, ValueError):
    """A field of a form that makes no sense, with its name."""


def identity_of(form: FormData, old: bodies.Identity) -> bodies.Identity:
    """What the form says of the machine that is not as it was; with its board, if one was given.

    Raises
    ------
    BenchwrightError
        A file that was given cannot be read as a board.
    """
    new = {name: text_of(form, name) for name, _, _ in FACTS}
    changed: dict[str, str] = {
        name: text for name, text in new.items() if name in form and text != (getattr(old, name) or "")
    }
    if (kept := board_of_form(form)) is not None:
        changed["board_file"], changed["board_text"] = kept
    return bodies.Identity(**changed)


def taken_in_of(form: FormData, old: bodies.TakenIn, currency: str) -> bodies.TakenIn:
    """Where it came from and in what condition, by the form.

    Raises
    ------
    BadForm
    """
    price, postage = price_of(form, "price", currency), price_of(form, "postage", currency)
    came_with = tuple(part.strip() for part in text_of(form, "came_with").split(",") if part.strip())
    return msgspec.structs.replace(
        old, source=text_of(form, "source"), declared=text_of(form, "declared"), came_with=came_with,
        price=price, postage=postage,
    )  # fmt: skip


def price_of(form: FormData, name: str, currency: str) -> bodies.Price | None:
    """A field with an amount, None if it is empty.

    Raises
    ------
    BadForm
    """
    from ..jobs.entry_money import price_of as read_price

    text = text_of(form, name)
    if not text:
        return None
    try:
        price, rest = read_price(text, currency, "40 EUR")
    except BadReading as problem:
        raise BadForm(f"{_NAMES.get(name, name)}: {problem}") from None
    if rest:
        raise BadForm(
            f"{_NAMES.get(name, name)}: {rest!r} is too much in {text!r}; expected, for example, '40 EUR'"
        )
    return price


def rate_of(form: FormData, currency: str) -> Decimal | None:
    """What an hour is worth, None if nothing is said.

    Raises
    ------
    BadForm
    """
    price = price_of(form, "rate", currency)
    if price is None:
        return None
    if price.currency != currency:
        raise BadForm(f"{_NAMES['rate']}: expected {currency}, the job's currency, not {price.currency}")
    return price.value


def code_of(price: str, usual: str) -> str:
    """The currency in which a price is written; the usual one if it names none."""
    from ..money import parse_amount

    return parse_amount(price, usual).currency if price else usual


def board_of_form(form: FormData) -> tuple[str, str] | None:
    """The board that was given, as (name, text of a board file); None if none was.

    A netlist becomes a board file, which holds all of it. Its parts list and overlay may come along.

    Raises
    ------
    BenchwrightError
        What was given is no board, with the line that cannot be used.
    """
    from ..board.board_file import write_board_file

    file = form.get("board")
    if not isinstance(file, UploadFile) or not file.filename:
        if text_of(form, "demo_board") != DEMO_BOARD:
            return None
        from ..demo import fulmar65

        return f"{DEMO_BOARD}.toml", write_board_file(fulmar65.board())
    from ..board.opening import kind_of_file, open_board
    from ..textfile import read_text

    with tempfile.TemporaryDirectory(prefix="benchwright-board-") as folder:
        path = _put(file, Path(folder), "board")
        parts = _other(form, "parts", Path(folder))
        overlay = _other(form, "overlay", Path(folder))
        try:
            with path.open("rb") as opened:
                kind = kind_of_file(path, opened.read(4096))
            board = open_board(path, parts, overlay, kind)
        except BenchwrightError as problem:
            said = str(problem).replace(f"{folder}/", "").replace("; say which with --format", "")
            raise BadForm(f"the board: {said}") from None
        name = Path(file.filename.replace("\\", "/")).stem[:80] or "board"
        if kind == "board":
            return f"{name}.toml", read_text(path)
        return f"{name}.toml", write_board_file(board)


def _put(file: UploadFile, folder: Path, name: str) -> Path:
    """A file that was sent, in a folder of its own; of its name only the ending counts."""
    suffix = Path((file.filename or "").replace("\\", "/")).suffix.lower()
    ending = suffix if suffix.isascii() and suffix[1:].isalnum() else ""
    path = folder / f"{name}{ending[:10]}"
    file.file.seek(0)
    with path.open("wb") as opened:
        shutil.copyfileobj(file.file, opened)
    return path


def _other(form: FormData, name: str, folder: Path) -> Path | None:
    file = form.get(name)
    return _put(file, folder, name) if isinstance(file, UploadFile) and file.filename else None
