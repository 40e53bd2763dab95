"""`benchwright find`: a dialogue at the bench. It proposes, you measure and type, it thinks again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from ..board import Board
from ..circuit import BoardState
from ..errors import BenchwrightError
from ..finding import FaultFinder, Reading
from ..finding.entry import HELP, StateChange, parse_entry
from ..finding.reading import EVENTS, Spot, understand, value_text
from ..finding.readings_csv import read_readings, write_readings
from ..finding.words import Check
from ..textfile import read_text, write_text
from ..units import unit_of
from .ask import probe_option, quantities
from .boards import board_argument, board_options, open_board
from .tell import print_check, print_remedies, print_suspects

COMMANDS = """\
    ENTER          the next check again      list          all proposed checks; a number picks one
    0R8, OL, debris, toggling ...            the value of the proposed check
    ?              this help
    why            the suspects              cannot        the proposed check cannot be made here
    undo           forget the last reading   log           what has been recorded
    quit           stop; all is saved
"""

_ANY_STATE = ("look", "smell", "symptom", *EVENTS)
"""These say nothing about the power or what is out."""


@click.command()
@board_argument
@probe_option
@board_options
@click.option(
    "--readings", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Readings to begin with; left alone once there is a session.",
)  # fmt: skip
@click.option("--session", type=click.Path(path_type=Path, dir_okay=False),
              help="Where readings are kept, to resume later.  "
              "[default: BOARD-readings.csv beside the board]")  # fmt: skip
def find(
    board_path: Path,
    probe: bool,
    parts: Path | None,
    overlay: Path | None,
    kind: str,
    readings: Path | None,
    session: Path | None,
) -> None:
    """Find the fault of BOARD in a dialogue.

    Every reading is saved as soon as it is typed; start the same command again to go on.
    """
    made = open_board(board_path, parts, overlay, kind)
    session = session or board_path.with_name(f"{board_path.stem}-readings.csv")
    _Dialogue(made, session, readings, quantities(probe)).run()


class _Dialogue:
    def __init__(self, board: Board, session: Path, readings: Path | None, proposed: tuple[str, ...]) -> None:
        self.board = board
        self.session = session
        begin = session if session.exists() else readings
        taken = read_readings(read_text(begin), str(begin), board) if begin is not None else []
        self.finder = FaultFinder(board, quantities=proposed)
        self.state = BoardState()
        self.proposed: list[Check] = []
        self.chosen = 0
        self.listed = False
        self.cautions: set[str] = set()
        if begin is not None:
            self.finder.record_all(taken)
            if begin is not session:
                self.save()
            click.echo(f"{_count(taken)} from {begin}.")
        self.follow()

    def follow(self) -> None:
        """Be in the state of the last reading; what was told of parts pulled since is over."""
        self.state = self.finder.state
        self.told_out: frozenset[str] | None = None

    def run(self) -> None:
        click.echo(f"{self.board.name} {self.board.revision}".rstrip() + ": type ? for help, quit to stop.")
        self.propose()
        while True:
            try:
                line = click.prompt("bench", default="", show_default=False, prompt_suffix="> ")
            except (click.Abort, EOFError):
                click.echo()
                break
            if not self.take(line.strip()):
                break
        if self.finder.readings:
            click.echo(f"{_count(self.finder.readings)} kept in {self.session}.")

    def propose(self) -> None:
        self.proposed = self.finder.next_checks(5)
        self.chosen = 0
        self.listed = False
        if self.finder.readings:
            print_suspects(self.finder, 3)
        click.echo()
        if self.proposed:
            click.echo("Next:")
            print_check(self.proposed[0], cautions_shown=self.cautions)
        advice = self.finder.advice()
        if self.proposed and advice.due != "mend":
            return
        click.echo(advice.text)
        for suspect in self.finder.suspects(1) if advice.due == "mend" else []:
            print_remedies(suspect)

    def take(self, line: str) -> bool:
        """Act on one typed line; False to stop."""
        word = line.lower()
        if word in ("quit", "exit", "q", "bye"):
            return False
        if word in ("?", "help", "h"):
            click.echo(COMMANDS + "Readings, as people write them:\n" + HELP.rstrip())
        elif word in ("", "next"):
            self.propose()
        elif word == "list":
            for number, check in enumerate(self.proposed, start=1):
                print_check(check, number, self.cautions)
            self.listed = bool(self.proposed)
        elif word in ("why", "suspects"):
            print_suspects(self.finder, 10)
        elif word == "undo":
            gone = self.finder.undo()
            if gone is not None:
                if self.told_out is None:
                    self.follow()
                self.save()
            click.echo(
                f"Forgotten: {' '.join(f'{gone.quantity} {gone.a} {gone.b} {gone.value}'.split())}."
                if gone
                else "Nothing to undo."
            )
            self.propose()
        elif word == "log":
            click.echo(write_readings(self.finder.readings), nl=False)
        elif word == "cannot" and self.proposed:
            self.finder.cannot(self.proposed[self.chosen])
            self.propose()
        elif self.listed and word in [str(number + 1) for number in range(len(self.proposed))]:
            self.chosen = int(word) - 1
            self.listed = False  # the next number is a value
            print_check(self.proposed[self.chosen], cautions_shown=self.cautions)
        else:
            self.read(line)
        return True

    def read(self, line: str) -> None:
        """Record a reading, or the bare value of the proposed check."""
        try:
            entry = self.understand(line)
            if isinstance(entry, StateChange):
                self.state = entry.state
                self.told_out = entry.state.removed
                click.echo(f"Noted: {entry.text}. The board is now: {self.state}.")
                return
            self.finder.record(entry)
        except BenchwrightError as problem:
            click.echo(f"Not recorded: {problem}")
            return
        spot, value = understand(self.board, entry)
        click.echo(f"Recorded: {_told(spot, value)}.")
        if spot.quantity not in _ANY_STATE:
            self.follow()
        self.save()
        self.propose()

    def understand(self, line: str) -> Reading | StateChange:
        """The value of the proposed check if it can be one, else a reading of its own."""
        if not self.proposed or len(line.split()) > 2:
            return parse_entry(self.board, line, self.state)
        check = self.proposed[self.chosen]
        # The check says what must be out for it; what the person pulled besides is out as well.
        removed = sorted({*check.removed, *(self.told_out or ())})
        answer = Reading(check.quantity, check.a, check.b, line, check.power, removed)
        try:
            understand(self.board, answer)
        except BenchwrightError as first:
            try:
                return parse_entry(self.board, line, self.state)
            except BenchwrightError:
                if len(line.split()) == 1 or unit_of(line) is not None:
                    raise first from None
                raise
        return answer

    def save(self) -> None:
        write_text(self.session, write_readings(self.finder.readings))


def _count(readings: Sequence[Reading]) -> str:
    return f"{len(readings)} reading" + ("" if len(readings) == 1 else "s")


def _told(spot: Spot, value: float | str) -> str:
    """How a line was understood, so that a slip is seen at once."""
    if spot.quantity in EVENTS:
        return f"{spot.part} {spot.quantity}"
    if spot.quantity == "symptom":
        return f"it shows {spot.phrase}" if value == "yes" else f"it does not show {spot.phrase}"
    where = spot.part or str(spot.pin_a or spot.net_a or "")
    if spot.pin_b or spot.net_b:
        where += f" to {spot.pin_b or spot.net_b}"
    told = f"{spot.quantity} {where}".strip() + f" = {value_text(spot, value)}"
    return told if spot.quantity in _ANY_STATE else f"{told}, {spot.state}"
