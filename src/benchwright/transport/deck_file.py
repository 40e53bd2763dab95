"""The deck file: TOML with the dimensions of a tape transport, as a person measures them.

::

    [deck]
    name = "Heron"
    tape = "C15"                        # the cassette it is used with
    speed_within = 3.0                  # percent, as long as nobody has measured the speed

    [parts.capstan]                     # the kind is the name, unless it is given
    diameter = "2.00 ± 0.01"            # millimetres; without ± what a calliper gives

    [parts.flywheel]
    turns_with = "capstan"
    diameter = 60.0                     # at the bottom of the groove
    at = [0.0, 0.0]

    [parts.motor]
    diameter = 8.0
    at = [62.0, 18.0]

    [belts.main]
    over = ["motor", "flywheel"]        # { part = "idler", reverse = true } for one that turns the other way
    section = "square"
    thickness = 1.2

What nobody has measured is left out: the answers become weaker, not absent.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..errors import BadFile, BadQuantity, BenchwrightError
from ..textfile import read_text, write_text
from ..toml_file import Place, TomlFile, near_names
from .deck import OLD_SPEED_SIGMA, Belt, Deck, Over, RoundPart, check_deck, part_kinds
from .materials import all_materials, all_shapes
from .spools import TAPE_SPEED, all_tapes
from .uncertain import SIGMAS, parse_uncertain

TOP_KEYS = ("deck", "parts", "belts")
DECK_KEYS = ("name", "tape_speed", "speed_within", "tape")
PART_KEYS = (
    "kind", "diameter", "turns_with", "runs_against", "meshes_with", "teeth", "at", "segments", "poles",
    "mains", "torque",
)  # fmt: skip
BELT_KEYS = (
    "over", "crossed", "section", "thickness", "width", "material", "string_length", "inside_circumference",
)  # fmt: skip
OVER_KEYS = ("part", "reverse")


def read_deck_file(path: Path) -> Deck:
    """Read a deck file.

    Returns
    -------
    Deck

    Raises
    ------
    BadFile
        With the line and key that cannot be used, what was expected and, for a wrong name, near ones.
    """
    file = TomlFile(Path(path))
    if not file.data:
        raise file.bad((), "the file is empty: expected [deck], [parts] and [belts]")
    file.known((), file.data, TOP_KEYS)
    head = file.table(("deck",))
    file.known(("deck",), head, DECK_KEYS)
    names = list(file.table(("parts",)))
    if not names:
        raise file.bad(("parts",), "there are no parts: expected tables such as [parts.capstan]")
    within = _positive(file, ("deck", "speed_within"), head, 100 * SIGMAS * OLD_SPEED_SIGMA, least=0.0)
    deck = Deck(
        name=file.string(("deck", "name"), head, Path(path).stem),
        tape_speed=_positive(file, ("deck", "tape_speed"), head, TAPE_SPEED),
        speed_sigma=within / SIGMAS / 100,
        tape=_one_of(file, ("deck", "tape"), head, "", all_tapes(), "cassette"),
        parts={
            name: _part(file, name, place, table, names) for name, place, table in file.tables(("parts",))
        },
        belts={
            name: _belt(file, name, place, table, names) for name, place, table in file.tables(("belts",))
        },
    )
    try:
        check_deck(deck)
    except BenchwrightError as problem:
        raise file.bad((), str(problem)) from None
    return deck


def _part(file: TomlFile, name: str, place: Place, table: Mapping[str, Any], names: list[str]) -> RoundPart:
    file.known(place, table, PART_KEYS)
    kinds = part_kinds()
    usual = next((kind for kind in kinds if kind.casefold() == name.casefold()), "")
    if not usual and "kind" not in table:
        raise file.bad(
            place, f"{name} needs its kind: kind = one of {', '.join(kinds)}{near_names(name, kinds)}"
        )
    diameter, sigma = _measured(file, (*place, "diameter"), table)
    at = table.get("at")
    return RoundPart(
        name,
        _one_of(file, (*place, "kind"), table, usual, kinds, "kind of part"),
        diameter,
        sigma,
        turns_with=_other(file, (*place, "turns_with"), table, names),
        runs_against=_other(file, (*place, "runs_against"), table, names),
        meshes_with=_other(file, (*place, "meshes_with"), table, names),
        teeth=_count(file, (*place, "teeth"), table),
        at=None if at is None else file.pair((*place, "at"), at, "a place in millimetres"),
        segments=_count(file, (*place, "segments"), table),
        poles=_count(file, (*place, "poles"), table),
        mains=_positive(file, (*place, "mains"), table, 0.0, least=0.0),
        torque=_positive(file, (*place, "torque"), table, 0.0) if "torque" in table else None,
    )


def _belt(file: TomlFile, name: str, place: Place, table: Mapping[str, Any], names: list[str]) -> Belt:
    file.known(place, table, BELT_KEYS)
    rows = table.get("over")
    where = (*place, "over")
    if not isinstance(rows, list) or len(rows) < 2:
        raise file.bad(where, f'{rows!r}: expected the parts it runs over, such as ["motor", "flywheel"]')
    shape = _one_of(file, (*place, "section"), table, "square", all_shapes(), "section")
    width = _positive(file, (*place, "width"), table, 0.0, least=0.0)
    if width and shape != "flat":
        raise file.bad((*place, "width"), f"a {shape} belt has only a thickness; width is for flat belts")
    string, sigma = _measured(file, (*place, "string_length"), table)
    return Belt(
        name,
        tuple(_over(file, where, row, names) for row in rows),
        crossed=file.flag((*place, "crossed"), table),
        shape=shape,
        thickness=_positive(file, (*place, "thickness"), table, 1.0) if "thickness" in table else None,
        width=width,
        material=_one_of(file, (*place, "material"), table, "EPDM", all_materials(), "belt material"),
        string_length=string,
        string_sigma=sigma,
        inside_circumference=_positive(file, (*place, "inside_circumference"), table, 1.0)
        if "inside_circumference" in table
        else None,
    )


def _over(file: TomlFile, place: Place, row: object, names: list[str]) -> Over:
    if isinstance(row, str):
        return Over(file.named(place, names, row, "part"))
    if not isinstance(row, dict):
        raise file.bad(place, f'{row!r} is neither a part\'s name nor {{ part = "...", reverse = true }}')
    file.known(place, row, OVER_KEYS)
    part = file.string((*place, "part"), row)
    return Over(file.named(place, names, part, "part"), file.flag((*place, "reverse"), row))


def _other(file: TomlFile, place: Place, table: Mapping[str, Any], names: list[str]) -> str:
    name = file.string(place, table)
    return file.named(place, names, name, "part") if name else ""


def _one_of(
    file: TomlFile, place: Place, table: Mapping[str, Any], usual: str, known: Mapping[str, Any], what: str
) -> str:
    name = file.string(place, table, usual)
    return name if name == usual else file.named(place, known, name, what)


def _count(file: TomlFile, place: Place, table: Mapping[str, Any]) -> int:
    return file.whole(place, table, 0, (0, 10_000), "a count")


def _positive(
    file: TomlFile, place: Place, table: Mapping[str, Any], usual: float, least: float | None = None
) -> float:
    value = file.number(place, table.get(place[-1], usual))
    if value < 0 or (value == 0 and least is None) or value > 1e7:
        raise file.bad(place, f"{value:g}: expected a number above 0")
    return value


def _measured(file: TomlFile, place: Place, table: Mapping[str, Any]) -> tuple[float | None, float | None]:
    """A length in millimetres with its standard deviation, each None if not given."""
    written = table.get(place[-1])
    if written is None:
        return None, None
    sigma = None
    if isinstance(written, str):
        try:
            value, sigma = parse_uncertain(written.replace("mm", ""), "millimetres such as 60 or 60 ± 0.1")
        except BadQuantity as problem:
            raise file.bad(place, str(problem)) from None
    else:
        value = file.number(place, written, "millimetres")
    if not 0 < value <= 1e6:
        raise file.bad(place, f"{written!r}: expected millimetres above 0")
    if sigma is not None and sigma > value / 2:
        raise file.bad(place, f"{written!r}: the uncertainty is larger than the thing itself")
    return value, sigma


# -- writing -------------------------------------------------------------------------------------


def write_deck_file(deck: Deck) -> str:
    """Write a deck as a deck file that reads back to the same deck.

    Returns
    -------
    str
        TOML.
    """
    import tomlkit

    document = tomlkit.document()
    head = tomlkit.table()
    head["name"] = deck.name
    head["tape_speed"] = deck.tape_speed
    head["speed_within"] = deck.speed_sigma * 100 * SIGMAS
    if deck.tape:
        head["tape"] = deck.tape
    document["deck"] = head
    parts, belts = tomlkit.table(True), tomlkit.table(True)
    for part in deck.parts.values():
        parts[part.name] = _part_table(part)
    for belt in deck.belts.values():
        belts[belt.name] = _belt_table(belt)
    document["parts"] = parts
    if deck.belts:
        document["belts"] = belts
    return tomlkit.dumps(document)


def _part_table(part: RoundPart) -> Any:
    import tomlkit

    made = tomlkit.table()
    made["kind"] = part.kind
    if part.diameter is not None:
        made["diameter"] = _length(part.diameter, part.diameter_sigma)
    for key in ("turns_with", "runs_against", "meshes_with", "teeth", "segments", "poles", "mains"):
        if getattr(part, key):
            made[key] = getattr(part, key)
    if part.at is not None:
        made["at"] = list(part.at)
    if part.torque is not None:
        made["torque"] = part.torque
    return made


def _belt_table(belt: Belt) -> Any:
    import tomlkit

    made = tomlkit.table()
    rows = tomlkit.array()
    for over in belt.over:
        if over.reverse:
            row = tomlkit.inline_table()
            row.update({"part": over.part, "reverse": True})
            rows.append(row)
        else:
            rows.append(over.part)
    made["over"] = rows
    if belt.crossed:
        made["crossed"] = True
    made["section"] = belt.shape
    if belt.thickness is not None:
        made["thickness"] = belt.thickness
    if belt.width:
        made["width"] = belt.width
    made["material"] = belt.material
    if belt.string_length is not None:
        made["string_length"] = _length(belt.string_length, belt.string_sigma)
    if belt.inside_circumference is not None:
        made["inside_circumference"] = belt.inside_circumference
    return made


def _length(value: float, sigma: float | None) -> float | str:
    return value if sigma is None else f"{value!r} ± {sigma * SIGMAS!r}"


def note_in_deck_file(path: Path, table: str, name: str, key: str, value: float | str) -> None:
    """Write one value into a deck file, leaving its comments and its order alone.

    Parameters
    ----------
    path : Path
    table : str
        ``parts`` or ``belts``.
    name, key : str
    value : float or str

    Raises
    ------
    BadFile
        The file has no such table, or does not read any more with the value in it.
    OSError
        The file cannot be written.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(read_text(path))
        document[table][name][key] = value
    except (TOMLKitError, KeyError, TypeError) as problem:
        raise BadFile(str(path), f"cannot be changed at {table}.{name}.{key}: {problem}") from None
    write_text(path, tomlkit.dumps(document))
