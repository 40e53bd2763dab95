"""What can be wrong with a belt path or a deck, said in plain words."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

from ..errors import BenchwrightError


class ImpossiblePath(BenchwrightError, ValueError):
    """Pulleys round which no belt can run as described."""


class BadBelt(BenchwrightError, ValueError):
    """A belt, section or stretch that makes no sense."""


class BadDeck(BenchwrightError, ValueError):
    """A deck whose parts do not fit together, or that cannot answer what it was asked."""


class UnknownPart(BenchwrightError, LookupError):
    """A part, belt, tape or material that does not exist under this name."""

    def __init__(self, what: str, name: str, known: Iterable[str], where: str = "in this deck") -> None:
        names = list(known)
        folded = {one.casefold(): one for one in names}
        near = [folded[hit] for hit in get_close_matches(name.casefold(), list(folded), 3, 0.5)]
        hint = f"did you mean {', '.join(near)}?" if near else f"there is: {', '.join(names) or 'nothing'}"
        super().__init__(f"no {what} {name!r} {where}; {hint}")
        self.what, self.name, self.near = what, name, tuple(near)
