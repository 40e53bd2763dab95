"""What an import repaired, refused and inferred: nothing happens in silence."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing an import wants the person to know.

    Attributes
    ----------
    grade : str
        ``repaired`` (read all the same), ``refused`` (a record that could not be used),
        ``inferred`` (something the file did not say) or ``noted``.
    text : str
        What was seen, and what was made of it.
    file : str
    line : int or None
        Counted from 1.
    """

    grade: str
    text: str
    file: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place = f"{place}, line {self.line}" if place else f"line {self.line}"
        return f"{place}: {self.text}" if place else self.text


@dataclass
class ImportReport:
    """The remarks of one import, in the order they were made."""

    remarks: list[Remark] = field(default_factory=list)

    def add(self, grade: str, text: str, file: str = "", line: int | None = None) -> None:
        self.remarks.append(Remark(grade, text, file, line))

    def repaired(self, text: str, file: str = "", line: int | None = None) -> None:
        self.add("repaired", text, file, line)

    def refused(self, text: str, file: str = "", line: int | None = None) -> None:
        self.add("refused", text, file, line)

    def inferred(self, text: str, file: str = "", line: int | None = None) -> None:
        self.add("inferred", text, file, line)

    def noted(self, text: str, file: str = "", line: int | None = None) -> None:
        self.add("noted", text, file, line)

    def of(self, grade: str) -> list[Remark]:
        return [remark for remark in self.remarks if remark.grade == grade]
