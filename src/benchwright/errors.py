"""One family of errors, each written for the person at the bench.

Every message says what was seen, where (file, line or field), what was expected and what to do.
"""

from __future__ import annotations

from collections.abc import Sequence


class BenchwrightError(Exception):
    """Root of everything this package raises on purpose."""


class BadQuantity(BenchwrightError, ValueError):
    """Text that cannot be read as a quantity."""

    def __init__(self, text: str, expected: str) -> None:
        self.text, self.expected = text, expected
        super().__init__(f"cannot read {text!r}: expected {expected}")


class BadFile(BenchwrightError, ValueError):
    """A file that cannot be used, with the place where reading stopped.

    Parameters
    ----------
    path : str
        The file as the person named it.
    problem : str
        What was seen and what was expected.
    line : int, optional
        Line number, counted from 1.
    field : str, optional
        Column, key or field name.
    """

    def __init__(self, path: str, problem: str, line: int | None = None, field: str | None = None) -> None:
        self.path, self.problem, self.line, self.field = path, problem, line, field
        place = path
        if line is not None:
            place += f", line {line}"
        if field is not None:
            place += f", {field}"
        super().__init__(f"{place}: {problem}")


class UnknownName(BenchwrightError, LookupError):
    """A part, pin, net, block or kind that the board does not have."""

    def __init__(self, what: str, name: str, near: Sequence[str] = ()) -> None:
        self.what, self.name, self.near = what, name, tuple(near)
        hint = f"; did you mean {', '.join(near)}?" if near else ""
        super().__init__(f"no {what} {name!r} on this board{hint}")


class BadReading(BenchwrightError, ValueError):
    """A reading whose quantity, points or value make no sense together."""


class BadChange(BenchwrightError, ValueError):
    """A change to the board that cannot be made as described."""
