"""`benchwright transport`: belts to order, rotation lines, and what a flutter line means."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..caution import get as caution

if TYPE_CHECKING:
    from ..transport import Assignment, Belt, BeltLoad, BeltOrder, BeltPath, Deck, Line, Pulley, Uncertain
    from ..transport.materials import Material, Section
    from ..transport.order import OldBelt

_FILE = click.Path(path_type=Path, dir_okay=False)
_json = click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
_deck = click.argument("deck_path", metavar="DECK", type=_FILE)
_tape = click.option("--tape", default="", metavar="NAME", help="The cassette, such as C15 or C60.")
_speed = click.option(
    "--speed", "speed_text", default="", metavar="PERCENT",
    help='Measured speed error, such as 1.2 or "-0.8 ± 0.1".',
)  # fmt: skip
_position = click.option(
    "--position", type=click.FloatRange(0, 100), metavar="PERCENT",
    help="Where on the side the recording was made: 0 its start, 100 its end.",
)  # fmt: skip

SPEED_SIGMA = 0.0005
"""Relative standard deviation of a measured speed error that comes without ±."""


@click.group()
def transport() -> None:
    """Belts and rotation lines of a tape deck.

    Describe the deck once in a small TOML file (`benchwright transport example` writes one to start from).
    """


def _deck_of(path: Path) -> Deck:
    from ..transport import read_deck_file

    return read_deck_file(path)


def _speed_of(text: str) -> tuple[float, float | None]:
    """Speed ratio and its standard deviation from a typed error in percent."""
    from ..transport.uncertain import parse_uncertain

    if not text.strip():
        return 1.0, None
    value, sigma = parse_uncertain(
        text.replace("%", ""), "a speed error in percent, such as 1.2 or -0.8 ± 0.1"
    )
    return 1 + value / 100, SPEED_SIGMA if sigma is None else sigma / 100


def _print_cautions(keys: Iterable[str]) -> None:
    for key in dict.fromkeys(keys):
        told = caution(key)
        click.echo(f"CAUTION, {told.title}: {told.text}")


def _cautions_json(keys: Iterable[str]) -> list[dict[str, str]]:
    return [
        {"key": key, "title": caution(key).title, "text": caution(key).text} for key in dict.fromkeys(keys)
    ]


def _number(value: Uncertain, digits: int = 4) -> dict[str, float]:
    return {"value": round(value.value, digits), "plus_minus": round(2 * value.sigma, digits)}


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Columns as wide as their widest cell, the first to the left."""
    widths = [max(len(row[column]) for row in (head, *rows)) for column in range(len(head))]
    for row in (head, *rows):
        cells = [
            cell.ljust(width) if column in (0, len(head) - 1) else cell.rjust(width)
            for column, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        click.echo(f"  {'  '.join(cells)}".rstrip())


# -- an example ----------------------------------------------------------------------------------


@transport.command(short_help="Write the deck file of an invented deck.")
@click.option("-o", "--output", type=_FILE, help="File to write; the screen if not given.")
def example(output: Path | None) -> None:
    """Write the deck file of an invented deck, to try and to start from."""
    from importlib.resources import files

    from ..textfile import write_text

    text = files("benchwright.demo").joinpath("decks", "heron-deck.toml").read_text(encoding="utf-8")
    if output is None:
        click.echo(text, nl=False)
        return
    if output.exists():
        raise click.UsageError(f"{output} is already there: name a new file")
    write_text(output, text)
    click.echo(f"Written: {output}")


# -- belts ---------------------------------------------------------------------------------------


def _option_list(*options: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def decorate(function: Any) -> Any:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


_belt_options = _option_list(
    click.option("--belt", "belt_name", default="", metavar="NAME", help="Only this belt of the deck."),
    click.option(
        "--pulley", "pulleys", multiple=True, metavar="X,Y,DIAMETER[,reverse][,NAME]",
        help="A pulley in millimetres, in the order the belt meets them; reverse: it turns the other way.",
    ),
    click.option("--crossed", is_flag=True, help="The belt of the --pulley options crosses itself."),
    click.option(
        "--string", "string_text", default="", metavar="MM",
        help='The path as a string round the pulleys measures it, such as 246 or "246 ± 1".',
    ),
    click.option("--section", metavar="SHAPE", help="square, round or flat."),
    click.option("--thickness", type=float, metavar="MM", help="Of the new belt, away from the pulley."),
    click.option("--width", type=float, default=0.0, metavar="MM", help="Of a flat belt."),
    click.option("--material", "material_name", metavar="NAME", help="Such as EPDM or urethane 83A."),
    click.option("--stretch", type=float, metavar="PERCENT", help="How far the fitted belt is stretched."),
    click.option("--shorter", type=float, metavar="PERCENT", help="Or: how much shorter than its path."),
    click.option(
        "--size", "sizes", type=float, multiple=True, metavar="MM",
        help="An inside circumference that can be had; may be repeated.",
    ),
    click.option("--step", type=float, metavar="MM", help="Without --size: sizes come in this step."),
    click.option("--old", type=float, metavar="MM", help="Inside circumference of the old belt."),
    click.option("--when-new", type=float, metavar="MM", help="And what it had when it was new."),
    click.option("--torque", type=float, metavar="mNm", help="What the smallest pulley has to give."),
)  # fmt: skip


@transport.command("belt", short_help="The belt to order, its pull, and the load on bearings.")
@click.argument("deck_path", metavar="[DECK]", type=_FILE, required=False)
@_belt_options
@_json
def belt_command(deck_path: Path | None, as_json: bool, **options: Any) -> None:
    """The belt to order, its tension, and what it lays on the bearings.

    From a DECK file, from pulleys (--pulley 0,0,60 --pulley 65,0,8), or from a path measured with a string
    (--string 246). Exit code 1 if no size that can be had is within the usual stretch.
    """
    if sum((deck_path is not None, bool(options["pulleys"]), bool(options["string_text"]))) != 1:
        raise click.UsageError("give one of: a DECK file, --pulley (two or more), or --string")
    if deck_path is None:
        jobs = [_belt_from_options(options)]
    else:
        deck = _deck_of(deck_path)
        if not deck.belts:
            raise click.UsageError(f"{deck_path} has no belts: add a table such as [belts.main]")
        wanted = [deck.belt(options["belt_name"])] if options["belt_name"] else list(deck.belts.values())
        if len(wanted) > 1 and any(options[key] is not None for key in ("old", "when_new", "torque")):
            raise click.UsageError(
                f"the deck has {len(wanted)} belts ({', '.join(deck.belts)}): say which one is meant "
                "with --belt"
            )
        jobs = [_belt_from_deck(deck, belt, options) for belt in wanted]
    if as_json:
        click.echo(json.dumps([job.json() for job in jobs], indent=2))
    else:
        _print_cautions(_BELT_CAUTIONS)
        for job in jobs:
            click.echo()
            job.show()
    click.get_current_context().exit(0 if all(job.order.choice is not None for job in jobs) else 1)


_BELT_CAUTIONS = ("mains", "moving_belts", "tarry_belt", "solvent")


class _BeltJob:
    """One belt worked out: what `belt` prints."""

    def __init__(
        self,
        name: str,
        path: BeltPath | None,
        string: Uncertain,
        section: Section,
        material: Material,
        guessed: bool,
        torque: float | None,
        options: dict[str, Any],
    ) -> None:
        from ..transport import order_belt
        from ..transport.order import pitch_length, read_old_belt, true_stretch
        from ..transport.tension import load_of, tension

        self.name, self.path, self.section, self.material = name, path, section, material
        self.guessed, self.torque = guessed, torque
        self.order: BeltOrder = order_belt(
            string, section, material, stretch=options["stretch"], shorter=options["shorter"],
            sizes=options["sizes"], step=options["step"],
        )  # fmt: skip
        size = self.order.choice
        self.fitted = self.order.inside_circumference.value if size is None else size.inside_circumference
        self.load: BeltLoad | None = None
        if path is not None:
            self.load = load_of(path, section, material, true_stretch(path, self.fitted))
            self.pull = self.load.tension_new, self.load.tension_settled
        else:
            middle = pitch_length(string.value, section.thickness)
            strain = 100 * (middle / pitch_length(self.fitted, section.thickness) - 1)
            self.pull = tension(section, material, strain), tension(section, material, strain, settled=True)
        self.old: OldBelt | None = None
        if options["old"] is not None:
            self.old = read_old_belt(options["old"], string.value, material, when_new=options["when_new"])

    @property
    def words(self) -> tuple[str, ...]:
        from ..transport.tension import explain_load

        if self.load is None or self.path is None:
            new, settled = self.pull
            return (f"New it pulls with {new.told('N')}, after some days with {settled.told('N')}.",)
        return explain_load(self.load, self.path, self.torque)

    @property
    def groove(self) -> tuple[str, ...]:
        smallest = min(pulley.diameter for pulley in self.path.pulleys) if self.path else math.inf
        return self.section.groove_advice(smallest)

    def json(self) -> dict[str, Any]:
        order = self.order
        made: dict[str, Any] = {
            "belt": self.name,
            "section": {
                "shape": self.section.shape, "thickness_mm": self.section.thickness,
                "width_mm": self.section.width or self.section.thickness,
                "area_mm2": round(self.section.area, 4), "guessed": self.guessed,
            },
            "material": self.material.name,
            "string_length_mm": _number(order.string_length),
            "stretch_percent": round(order.stretch, 3),
            "shorter_percent": round(order.shorter, 3),
            "inside_circumference_mm": _number(order.inside_circumference),
            "folded_mm": _number(order.folded),
            "inside_diameter_mm": _number(order.inside_diameter),
            "sizes": [
                {
                    "inside_circumference_mm": size.inside_circumference,
                    "stretch_percent": round(size.stretch, 3),
                    "shorter_percent": round(size.shorter, 3), "verdict": size.verdict,
                    "choice": size == order.choice,
                }
                for size in order.sizes
            ],
            "usual_stretch_percent": list(self.material.stretch),
            "tension_new_N": _number(self.pull[0]),
            "tension_settled_N": _number(self.pull[1]),
            "words": list(self.words),
            "groove": list(self.groove),
            "sources": [self.material.source, _shape_source(self.section)],
            "cautions": _cautions_json(_BELT_CAUTIONS),
        }  # fmt: skip
        if self.path is not None and self.load is not None:
            made["slips_first"] = self.load.slips_first
            made["length_of_middle_mm"] = round(self.path.length, 3)
            made["remarks"] = list(self.path.remarks)
            made["pulleys"] = [
                {
                    "name": load.name, "wrap_degrees": round(math.degrees(load.wrap), 2),
                    "bearing_new_N": _number(load.bearing_new),
                    "bearing_settled_N": _number(load.bearing_settled),
                    "slips_above_mNm": _number(load.torque_settled),
                }
                for load in self.load.pulleys
            ]  # fmt: skip
        if self.old is not None:
            made["old_belt"] = {
                "inside_circumference_mm": self.old.inside_circumference,
                "stretch_left_percent": self.old.stretch_left,
                "set_percent": self.old.set_percent,
                "new_length_mm": list(self.old.new_length),
                "text": self.old.text,
            }
        return made

    def show(self) -> None:
        from ..transport.order import SIZE_HOW

        order = self.order
        click.echo(f"{self.name}")
        if self.path is not None and self.load is not None:
            rows = [
                (
                    load.name, f"{pulley.diameter:g} mm", f"{math.degrees(load.wrap):.1f}",
                    load.bearing_new.told("N"), load.torque_settled.told("mN m"),
                )
                for pulley, load in zip(self.path.pulleys, self.load.pulleys, strict=True)
            ]  # fmt: skip
            _table(
                ("pulley", "diameter", "wrap (degrees)", "bearing load, new", "slips above, settled"), rows
            )
            for remark in self.path.remarks:
                click.echo(f"  ! {remark}")
            click.echo(
                f"Path: a string measures {order.string_length.told('mm')}; "
                f"the belt's middle runs {self.path.length:.1f} mm."
            )
        else:
            click.echo(f"Path: {order.string_length.told('mm')} as measured with a string.")
        guess = " (nobody has measured the section: this is the middle of the usual)" if self.guessed else ""
        click.echo(f"Belt: {self.section.told}{guess}, {self.material.title}: {self.material.says}.")
        click.echo(
            f"Order: inside circumference {order.inside_circumference.told('mm')} (folded "
            f"{order.folded.value:.1f} mm, inside diameter {order.inside_diameter.value:.1f} mm), which is "
            f"{order.stretch:.1f} % stretch or {order.shorter:.1f} % shorter than the path."
        )
        click.echo(SIZE_HOW)
        least, _, most = self.material.stretch
        click.echo(f"Sizes that can be had (usual stretch {least:g} to {most:g} %):")
        for size in order.sizes:
            mark = "   <- take this one" if size == order.choice else ""
            click.echo(
                f"  {size.inside_circumference:7.1f} mm (folded {size.folded:.1f}): {size.stretch:5.1f} "
                f"% stretch, {size.shorter:.1f} % shorter: {size.verdict}{mark}"
            )
        if order.choice is None:
            click.echo("  None of them is within the usual stretch: look for a size between them.")
        for text in (*self.words, *self.groove):
            click.echo(text)
        if self.old is not None:
            click.echo(self.old.text)
        click.echo(f"Sources: {self.material.source}; {_shape_source(self.section)}.")


def _shape_source(section: Section) -> str:
    from ..transport.materials import all_shapes

    return all_shapes()[section.shape].source


def _new_section(options: dict[str, Any], belt: Belt | None) -> tuple[Section, bool]:
    """The section asked for, or the belt's own; and whether it is only a guess."""
    from ..transport import Belt as BeltType
    from ..transport import Section

    own = belt or BeltType("", ())
    shape = (options["section"] or own.shape).lower()
    if options["thickness"] is None and shape == own.shape and not options["width"]:
        return own.section, own.thickness is None
    if options["thickness"] is None:
        usual = BeltType("", (), shape=Section(shape, 1.0, 5.0 if shape == "flat" else 0.0).shape)
        section = usual.section
        if shape == "flat" and options["width"]:
            section = Section(shape, section.thickness, options["width"])
        return section, True
    width = options["width"] or (own.width if shape == own.shape else 0.0)
    return Section(shape, options["thickness"], width), False


def _belt_from_options(options: dict[str, Any]) -> _BeltJob:
    from ..transport import Uncertain, material, run_belt
    from ..transport.tables import table
    from ..transport.uncertain import parse_uncertain

    section, guessed = _new_section(options, None)
    stuff = material(options["material_name"] or "EPDM")
    if options["string_text"]:
        expected = 'millimetres, such as 246 or "246 ± 1"'
        value, sigma = parse_uncertain(options["string_text"].replace("mm", ""), expected)
        if sigma is None:
            sigma = table("limits.toml")["measuring"]["string_millimetre"]
        string = Uncertain.of(value, sigma, "string")
        return _BeltJob(
            "Belt on a measured path", None, string, section, stuff, guessed, options["torque"], options
        )
    pulleys = [_pulley(text) for text in options["pulleys"]]
    path = run_belt(pulleys, thickness=section.thickness, crossed=options["crossed"])
    string = Uncertain.of(path.string_length, path.length_sigma, "path")
    return _BeltJob(
        "Belt round the pulleys given", path, string, section, stuff, guessed, options["torque"], options
    )


def _belt_from_deck(deck: Deck, belt: Belt, options: dict[str, Any]) -> _BeltJob:
    from ..transport import BadDeck, Uncertain, material, run_belt
    from ..transport.rotation import string_path

    section, guessed = _new_section(options, belt)
    stuff = material(options["material_name"] or belt.material)
    path = None
    if all(deck.part(over.part).at is not None for over in belt.over):
        path = run_belt(deck.pulleys(belt), thickness=section.thickness, crossed=belt.crossed)
    string = string_path(belt)
    if string is None and path is not None:
        string = Uncertain.of(path.string_length, path.length_sigma, "path")
    if string is None:
        raise BadDeck(
            f"belt {belt.name} of {deck.name}: its path is not known; give the places of its parts (at "
            "= [x, y]) and their diameters, or string_length"
        )
    torques = [deck.part(over.part).torque for over in belt.over]
    torque = options["torque"]
    if torque is None and path is not None:
        smallest = min(range(len(torques)), key=lambda number: path.pulleys[number].diameter)
        torque = torques[smallest]
    return _BeltJob(f"{deck.name}, {belt.name} belt", path, string, section, stuff, guessed, torque, options)


def _pulley(text: str) -> Pulley:
    from ..transport import BadBelt, Pulley
    from ..transport.tables import table

    fields = [field.strip() for field in text.split(",")]
    expected = f"--pulley {text!r}: expected X,Y,DIAMETER in millimetres, then reverse and a name if wanted"
    if len(fields) < 3 or len(fields) > 5:
        raise BadBelt(expected)
    try:
        x, y, diameter = (float(field) for field in fields[:3])
    except ValueError:
        raise BadBelt(expected) from None
    rest = fields[3:]
    reverse = "reverse" in [word.casefold() for word in rest]
    names = [word for word in rest if word.casefold() != "reverse"]
    if len(names) > 1:
        raise BadBelt(expected)
    measuring = table("limits.toml")["measuring"]
    return Pulley(
        x, y, diameter, reverse, names[0] if names else "",
        measuring["calliper_millimetre"], measuring["place_millimetre"],
    )  # fmt: skip


# -- rotation ------------------------------------------------------------------------------------


@transport.command()
@_deck
@click.option("--multiples", type=click.IntRange(1, 20), default=1, help="Up to so many times the rotation.")
@_tape
@_position
@_speed
@_json
def lines(
    deck_path: Path, multiples: int, tape: str, position: float | None, speed_text: str, as_json: bool
) -> None:
    """How often every part of DECK turns: where its flutter lines lie."""
    from ..transport import turning
    from ..transport.rotation import pulses

    deck = _deck_of(deck_path)
    ratio, sigma = _speed_of(speed_text)
    place = None if position is None else position / 100
    found = turning(deck, speed_ratio=ratio, speed_sigma=sigma, tape=tape, position=place)
    if as_json:
        made = {
            "deck": deck.name,
            "lines": [
                {
                    "name": turn.name, "kind": turn.kind,
                    "hertz": [_number(turn.hertz * float(times), 5) for times in range(1, multiples + 1)],
                    "per_minute": round(turn.per_minute, 2), "by": turn.by, "moves": turn.moves,
                    "start_hertz": round(turn.start, 5), "end_hertz": round(turn.end, 5),
                }
                for turn in found.turns
            ],
            "pulses": [
                {"name": pulse.name, "hertz": _number(pulse.hertz, 4), "what": pulse.what}
                for pulse in pulses(deck, found)
            ],
            "unknown": list(found.unknown), "remarks": list(found.remarks),
        }  # fmt: skip
        click.echo(json.dumps(made, indent=2))
        return
    click.echo(f"{deck.name} at {deck.tape_speed * ratio:.4g} mm/s; ± is two standard deviations.")
    head = ["part", "Hz", *(f"× {times}" for times in range(2, multiples + 1)), "per minute", "from"]
    rows = []
    for turn in found.turns:
        by = turn.by
        if turn.moves:
            by += f"; {turn.start:.3g} to {turn.end:.3g} Hz along the side"
        more = [f"{turn.hertz.value * times:.4g}" for times in range(2, multiples + 1)]
        rows.append([turn.name, turn.hertz.told(), *more, f"{turn.per_minute:.4g}", by])
    _table(head, rows)
    for pulse in pulses(deck, found):
        click.echo(f"Pulses: {pulse.name}, {pulse.what}: {pulse.hertz.told('Hz')}")
    for text in found.unknown:
        click.echo(f"Not known: {text}")
    for text in found.remarks:
        click.echo(f"! {text}")


@transport.command(short_help="How the spools turn along a tape.")
@click.option("--tape", default="C60", show_default=True, metavar="NAME", help="C10, C15, C30 ... C120.")
@click.option("--rows", type=click.IntRange(2, 200), default=7, show_default=True, help="Rows of the table.")
@click.option("--minutes", type=float, help="Only after so many minutes of the side.")
@_speed
@_json
def spools(tape: str, rows: int, minutes: float | None, speed_text: str, as_json: bool) -> None:
    """How the spools turn along a tape: their lines move, all others stay."""
    from ..transport import spool_table, tape_named
    from ..transport.spools import TAPE_SPEED, position_after, spool_row
    from ..transport.uncertain import Uncertain

    cassette = tape_named(tape)
    ratio, sigma = _speed_of(speed_text)
    speed = Uncertain.of(TAPE_SPEED * ratio, TAPE_SPEED * ratio * (sigma or 0.0), "tape speed")
    if minutes is None:
        made = spool_table(cassette, rows, speed)
    else:
        made = (spool_row(cassette, position_after(cassette, minutes, speed.value), speed),)
    if as_json:
        told = [
            {
                "minutes": round(row.minutes, 3), "position_percent": round(100 * row.position, 2),
                "supply_radius_mm": _number(row.supply_radius), "supply_hertz": _number(row.supply_hertz, 5),
                "take_up_radius_mm": _number(row.take_up_radius),
                "take_up_hertz": _number(row.take_up_hertz, 5), "turns": round(row.turns, 2),
            }
            for row in made
        ]  # fmt: skip
        click.echo(json.dumps({"tape": cassette.name, "rows": told}, indent=2))
        return
    click.echo(
        f"{cassette.name}: {cassette.length.value / 1000:g} m, {1000 * cassette.thickness.value:g} µm "
        f"thick, on a hub of {2 * cassette.hub.value:g} mm"
    )
    _table(
        ("minutes", "supply radius", "supply Hz", "take-up radius", "take-up Hz", "turns of the take-up"),
        [
            (
                f"{row.minutes:.1f}", row.supply_radius.told("mm"), row.supply_hertz.told(),
                row.take_up_radius.told("mm"), row.take_up_hertz.told(), f"{row.turns:.0f}",
            )
            for row in made
        ],
    )  # fmt: skip


# -- what a line means ---------------------------------------------------------------------------


def _line(text: str) -> Line:
    from ..errors import BadQuantity
    from ..transport import BadDeck, Line
    from ..transport.assign import LINE_SIGMA
    from ..transport.uncertain import parse_uncertain, typed_sigma

    fields = text.split(":")
    expected = "HERTZ[:PERCENT[:±HERTZ]], such as 1.3:0.4 or 1.30:0.4:0.02"
    if len(fields) > 3:
        raise BadQuantity(text, expected)
    try:
        hertz, sigma = parse_uncertain(fields[0].replace("Hz", ""))
        percent = (
            parse_uncertain(fields[1].replace("%", ""))[0] if len(fields) > 1 and fields[1].strip() else None
        )
        if len(fields) > 2:
            sigma = parse_uncertain(fields[2].replace("±", "").replace("Hz", ""))[0] / 2
    except BadQuantity:
        raise BadQuantity(text, expected) from None
    if hertz <= 0 or (sigma is not None and sigma <= 0):
        raise BadDeck(f"--line {text}: expected a frequency, and what stands after ±, above 0")
    if sigma is None:
        sigma = math.hypot(LINE_SIGMA, typed_sigma(fields[0]))
    return Line(hertz, percent, min(sigma, 0.4 * hertz))


@transport.command(short_help="Which part each flutter line comes from, and its wear.")
@_deck
@click.option(
    "--line", "line_texts", multiple=True, required=True, metavar="HERTZ[:PERCENT[:±HERTZ]]",
    help="A line of the flutter spectrum: frequency, peak size in percent, ± of the frequency. Repeat it.",
)  # fmt: skip
@_tape
@_position
@_speed
@_json
@click.pass_context
def assign(
    ctx: click.Context,
    deck_path: Path,
    line_texts: tuple[str, ...],
    tape: str,
    position: float | None,
    speed_text: str,
    as_json: bool,
) -> None:
    """Which part of DECK each flutter line comes from, and what is worn there.

    Exit code 1 if no line fits any part.
    """
    from ..transport import assign_lines

    deck = _deck_of(deck_path)
    measured = [_line(text) for text in line_texts]
    ratio, sigma = _speed_of(speed_text)
    place = None if position is None else position / 100
    given = assign_lines(deck, measured, ratio, speed_sigma=sigma, tape=tape, position=place)
    if as_json:
        click.echo(json.dumps([_assignment_json(one) for one in given], indent=2))
    else:
        _print_cautions(key for one in given for key in one.cautions)
        for one in given:
            click.echo(f"- {one.sentence}")
        if sigma is None:
            click.echo(
                "The speed was taken as nominal, within what the deck file says; a measured error "
                "(--speed) makes this surer."
            )
    ctx.exit(0 if any(one.best is not None for one in given) else 1)


def _assignment_json(one: Assignment) -> dict[str, Any]:
    return {
        "hertz": one.line.hertz,
        "percent": one.line.percent,
        "plus_minus_hertz": round(2 * one.line.sigma, 5),
        "sentence": one.sentence,
        "none_of_these": round(one.none_of_these, 4),
        "matches": [
            {
                "parts": list(match.parts), "times_per_turn": match.times,
                "expected_hertz": _number(match.hertz, 5), "moves": match.moves,
                "position_percent": None if match.position is None else round(100 * match.position, 1),
                "probability": round(match.probability, 4),
                "causes": [
                    {
                        "part": cause.part, "wear": cause.wear.name, "says": cause.wear.says,
                        "cure": cause.wear.cure, "again": cause.wear.again,
                        "probability": round(cause.probability, 4),
                    }
                    for cause in match.causes
                ],
            }
            for match in one.matches
            if match.probability >= 0.001
        ],
        "cautions": _cautions_json(one.cautions),
    }  # fmt: skip


@transport.command(short_help="Work out a dimension from a line.")
@_deck
@click.argument("part")
@click.argument("hertz")
@click.option("--times", type=click.IntRange(1, 1000), default=1, help="The line comes so often per turn.")
@_tape
@_speed
@click.option("--write", is_flag=True, help="Write the value into DECK.")
@_json
def estimate(
    deck_path: Path, part: str, hertz: str, times: int, tape: str, speed_text: str, write: bool, as_json: bool
) -> None:
    """Work out a dimension of PART (or "belt NAME") from its line at HERTZ, such as 50.4 or "50.4 ± 0.1"."""
    from ..transport import BadDeck, estimate_dimension
    from ..transport.assign import LINE_SIGMA
    from ..transport.deck_file import note_in_deck_file
    from ..transport.uncertain import parse_uncertain, typed_sigma

    deck = _deck_of(deck_path)
    bare = hertz.replace("Hz", "")
    value, sigma = parse_uncertain(bare, 'a frequency such as 50.4 or "50.4 ± 0.1"')
    if sigma is None:
        sigma = math.hypot(LINE_SIGMA, typed_sigma(bare))
    ratio, speed_sigma = _speed_of(speed_text)
    found = estimate_dimension(
        deck, part, value, sigma, times=times, speed_ratio=ratio, speed_sigma=speed_sigma, tape=tape
    )
    if write:
        if not found.key:
            raise BadDeck(f"{found.name}: the deck file has no place for its {found.what}")
        table, name = ("belts", found.name.removeprefix("belt ")) if found.key == "string_length" else (
            "parts", found.name
        )  # fmt: skip
        note_in_deck_file(deck_path, table, name, found.key, found.value.told())
    if as_json:
        made = {
            "name": found.name, "what": found.what, "millimetres": _number(found.value),
            "stated_millimetres": found.stated, "sentence": found.sentence, "written": write,
        }  # fmt: skip
        click.echo(json.dumps(made, indent=2))
        return
    click.echo(found.sentence)
    if write:
        click.echo(f"Written: {deck_path}")
