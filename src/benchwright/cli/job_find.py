"""``job suspects``, ``job next`` and ``job learned``: what a job's readings mean, and what jobs taught."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

import click

from .at_bench import bench_option, opened
from .columns import fits, hanging, table
from .job_common import job_argument, json_option, print_json
from .progress import progress_bar

if TYPE_CHECKING:
    from ..board import Board
    from ..faults.learned_rates import Rate
    from ..jobs.evidence import Move, Piece, Step, Story
    from ..jobs.experience import Experience
    from ..jobs.state import JobState

TOLD = 0.1
"""Moves of fewer nats are told in JSON only."""
SHIFT = 0.02
"""Changes of what the leading suspects leave over are told from here on."""
at_option = click.option(
    "--at", "moment", metavar="EVENT", type=click.IntRange(1), help="As it was when that event was recorded."
)
probe_option = click.option(
    "--logic-probe", "probe", is_flag=True, help="A logic probe or a scope is at hand: propose it too."
)
published_option = click.option(
    "--published", is_flag=True, help="By published failure rates alone, without the bench's own history."
)


@dataclass(frozen=True)
class _Case:
    """A job at a moment, with all that its readings are judged by."""

    number: int
    state: JobState
    board: Board
    learnt: Experience | None
    factors: dict[tuple[str, str], float]
    moment: int | None

    def head(self) -> str:
        when = "" if self.moment is None else f", as of event {self.moment}"
        return f"Job {self.number}, {self.state.title}{when}."

    def rates(self) -> str:
        """What the rates rest on."""
        if self.learnt is None or not self.learnt.rates.proved:
            return "published failure rates"
        return f"published failure rates and {_count(self.learnt.rates.proved, 'proved fault')} of other jobs"


def case_of(where: str | None, number: int, moment: int | None, published: bool) -> _Case:
    from ..faults.learned_rates import model_of
    from ..jobs.errors import NoSuchEvent
    from ..jobs.experience import experience
    from ..jobs.kept_board import board_of

    with opened(where) as bench, progress_bar("reading the bench's history") as progress:
        now = bench.job(number)
        state = now
        if moment is not None:
            first, last = now.events[0].number, now.events[-1].number
            if moment < first:
                raise NoSuchEvent(
                    f"job {number} begins with event {first}: expected a number from {first} to {last}"
                )
            state = bench.job(number, moment)
        # The board is what it is, whenever its file came to the job.
        board = board_of(now if not state.board_text else state, number)
        learnt = None if published else experience(bench, state.uid, progress)
    factors = {} if learnt is None else learnt.rates.factors(model_of(board))
    return _Case(number, state, board, learnt, factors, moment)


@click.command("suspects")
@job_argument
@at_option
@click.option("--why", is_flag=True, help="What changed our mind: each piece of evidence and what it did.")
@published_option
@click.option("--limit", type=click.IntRange(1), default=10, show_default=True)
@json_option
@bench_option
def suspects_command(
    number: int, moment: int | None, why: bool, published: bool, limit: int, as_json: bool, where: str | None
) -> None:
    """What is most likely wrong with a machine, by all that was measured, seen and done.

    Failure rates are those published, corrected by the proved faults of the bench's other jobs: see
    `benchwright job learned`.
    """
    from ..jobs.evidence import replay, story

    case = case_of(where, number, moment, published)
    told: Story | None = None
    with progress_bar("weighing the readings") as progress:
        if why:
            told = story(case.state, case.board, case.factors, progress=progress)
            finder, pieces = told.finder, list(told.pieces)
        else:
            finder, pieces = replay(case.state, case.board, case.factors, progress=progress)
    if as_json:
        from .tell import suspect_json

        answer = {
            **_about(case, pieces),
            "suspects": [suspect_json(s) for s in finder.suspects(limit)],
            "none of these": round(finder.none_of_these, 6),
            "odd readings": [text for _, text in finder.odd_readings()],
        }
        if told is not None:
            answer["what changed our mind"] = _story_json(told)
        print_json(answer)
        return
    from .tell import print_suspects

    _print_head(case, pieces)
    print_suspects(finder, limit)
    if told is not None:
        _print_story(told)


@click.command("next")
@job_argument
@at_option
@probe_option
@published_option
@click.option("--limit", type=click.IntRange(1), default=5, show_default=True)
@json_option
@bench_option
def next_command(
    number: int,
    moment: int | None,
    probe: bool,
    published: bool,
    limit: int,
    as_json: bool,
    where: str | None,
) -> None:
    """The checks that tell most for the minutes they take, from the state that the board is in."""
    from ..finding.finder import METER_AND_EYES, WITH_PROBE
    from ..jobs.evidence import replay
    from .tell import check_json, print_check, print_remedies

    case = case_of(where, number, moment, published)
    with progress_bar("weighing the readings") as progress:
        finder, pieces = replay(
            case.state, case.board, case.factors, WITH_PROBE if probe else METER_AND_EYES,
            progress=lambda done: progress(done * 0.5),
        )  # fmt: skip
        checks = finder.next_checks(limit)
        advice = finder.advice()
    if as_json:
        print_json(
            {
                **_about(case, pieces), "board is": str(finder.state),
                "checks": [check_json(c) for c in checks], "due": advice.due, "advice": advice.text,
            }
        )  # fmt: skip
        return
    _print_head(case, pieces)
    if advice.due == "mend" or not checks:
        click.echo(hanging("", advice.text))
        for suspect in finder.suspects(1):
            print_remedies(suspect)
        if checks:
            click.echo()
    shown: set[str] = set()
    for place, check in enumerate(checks, start=1):
        print_check(check, place, shown)


@click.command("learned")
@click.option("--model", metavar="BOARD", default="", help="For one board model: its name and revision.")
@click.option("--all", "everything", is_flag=True, help="Also kinds and modes of which no fault was proved.")
@json_option
@bench_option
def learned_command(model: str, everything: bool, as_json: bool, where: str | None) -> None:
    """What proved faults taught the failure rates: prior, seen, now.

    The prior is the published rate; "now" is what the fault finder and the bid use, with the range that
    holds it with 95 % probability.
    """
    from ..jobs.experience import experience

    with opened(where) as bench, progress_bar("reading the bench's history") as progress:
        learnt = experience(bench, progress=progress)
    rates = learnt.rates
    name = _model(model, rates.models)
    rows = rates.rates(name, everything)
    own = [] if name else [row for one in rates.models for row in rates.rates(one)]
    if as_json:
        print_json(
            {
                "proved faults": rates.proved, "machines": len(rates.machines), "models": list(rates.models),
                "model": name or None, "rates": [_rate_json(row) for row in rows],
                "by model": [_rate_json(row) for row in own],
                "not counted": [{"event": e.number, "why": why} for e, why in learnt.left_out],
                "closed without a proved fault": learnt.unproved,
            }
        )  # fmt: skip
        return
    if not rates.proved:
        click.echo(hanging("", "No fault was proved yet: failure rates are those published. A fault is "
                           "recorded as proved with, for example,"))  # fmt: skip
        click.echo("  benchwright job log 14 'found shorted 74LS157 U9'")
    else:
        said = f"{_count(rates.proved, 'proved fault')} on {_count(len(rates.machines), 'machine')}"
        said += f", of which {sum(m.model == name for m in rates.machines)} {name}" if name else ""
        click.echo(hanging("", f"{said}. Rates are failures per million hours of one part."))
        _print_rates(rows, name or "boards in general, and models not seen yet")
        for one in rates.models if not name else ():
            _print_rates(rates.rates(one), one)
    if learnt.unproved:
        jobs = _count(learnt.unproved, "job")
        click.echo()
        click.echo(hanging("", f"Closed without a proved fault: {jobs}. Nothing is learnt from these."))
    for event, why in learnt.left_out:
        click.echo(hanging("  ! ", f"event {event.number} is not counted: {why}"))


# -- telling -------------------------------------------------------------------------------------------------


def _count(number: int, what: str) -> str:
    return f"{number:,} {what}" if number == 1 else f"{number:,} {what}s"


def _used(pieces: Sequence[Piece]) -> int:
    return sum(piece.reading is not None for piece in pieces)


def _about(case: _Case, pieces: Sequence[Piece]) -> dict[str, Any]:
    return {
        "job": case.number, "title": case.state.title, "at": case.moment,
        "board": " ".join(f"{case.board.name} {case.board.revision}".split()),
        "evidence": _used(pieces),
        "not used": [{"event": p.event.number, "why": p.problem} for p in pieces if p.problem],
        "rates": case.rates(),
    }  # fmt: skip


def _print_head(case: _Case, pieces: Sequence[Piece]) -> None:
    click.echo(case.head())
    used = _count(_used(pieces), "piece") + " of evidence"
    click.echo(hanging("", f"{used}; judged by {case.rates()}."))
    for piece in pieces:
        if piece.problem:
            click.echo(hanging("  ! ", f"event {piece.event.number} is not used: {piece.problem}"))
    click.echo()


def _tell(event: Any) -> str:
    from ..jobs.telling import tell

    return tell(event.body).removeprefix("for the finder: ")


def _print_story(told: Story) -> None:
    from ..jobs.evidence import in_words

    click.echo("\nWhat changed our mind (before -> after; a nat is a factor of 2.7 on the odds):")
    if not told.steps:
        click.echo("  nothing yet: what stands above is how often such parts fail")
    for quiet, group in groupby(told.steps, key=_hardly_moved):
        steps = list(group)
        if quiet:
            _print_quiet(steps)
            continue
        for step in steps:
            click.echo(hanging(f"{step.event.number:6}  ", _tell(step.event)))
            for move in step.moves:
                if abs(move.nats) >= TOLD:
                    _print_move(told, move, in_words)
            _print_rest(step)
    if told.turns:
        click.echo("\nWhat each stands or falls with:")
    for turn in told.turns:
        click.echo(hanging("  ", f"{told.texts[turn.place]}: {turn.first:.1%} at first, now {turn.last:.1%}"))
        for word, one in (("for it", turn.raised), ("against it", turn.lowered)):
            if one is not None:
                event, move = one
                head = f"      most {word}: "
                text = f"event {event.number}, {_tell(event)} ({move.nats:+.1f} nats: {in_words(move.nats)})"
                click.echo(hanging(head, text))


def _rest(step: Step) -> list[tuple[str, float, float]]:
    """What the suspects that are told of leave over: all others, none of these, nothing wrong any more."""
    before = 1.0 - sum(move.before for move in step.moves) - step.none_before - step.sound_before
    after = 1.0 - sum(move.after for move in step.moves) - step.none_after - step.sound_after
    return [
        ("all other suspects together", max(0.0, before), max(0.0, after)),
        ("none of these", step.none_before, step.none_after),
        ("put right: nothing is wrong any more", step.sound_before, step.sound_after),
    ]


def _hardly_moved(step: Step) -> bool:
    still = all(abs(move.nats) < TOLD for move in step.moves)
    return still and all(abs(after - before) < SHIFT for _, before, after in _rest(step))


def _print_quiet(steps: Sequence[Step]) -> None:
    """Neighbours that hardly moved anything, in one line."""
    first, last = steps[0], steps[-1]
    if len(steps) == 1:
        click.echo(hanging(f"{first.event.number:6}  ", f"{_tell(first.event)}: hardly moved anything"))
        return
    listed = "; ".join(_tell(step.event).partition(", power ")[0] for step in steps)
    click.echo(hanging("        ", f"events {first.event.number} to {last.event.number}: "
                       f"{len(steps)} that hardly moved anything ({listed})"))  # fmt: skip


def _print_rest(step: Step) -> None:
    for what, before, after in _rest(step):
        if abs(after - before) >= SHIFT:
            click.echo(hanging(f"          {before:6.1%} -> {after:6.1%}  ", what))


def _print_move(told: Story, move: Move, in_words: Callable[[float], str]) -> None:
    text = f"{told.texts[move.place]} ({move.nats:+.1f} nats: {in_words(move.nats)})"
    click.echo(hanging(f"          {move.before:6.1%} -> {move.after:6.1%}  ", text))


def _story_json(told: Story) -> dict[str, Any]:
    from ..jobs.evidence import in_words

    def move_json(move: Move) -> dict[str, Any]:
        return {
            "suspect": told.texts[move.place], "before": round(move.before, 6),
            "after": round(move.after, 6), "nats": round(move.nats, 4), "told": in_words(move.nats),
        }  # fmt: skip

    def turn_json(one: Any) -> dict[str, Any] | None:
        if one is None:
            return None
        event, move = one
        return {"event": event.number, "told": _tell(event), "nats": round(move.nats, 4)}

    return {
        "steps": [
            {
                "event": step.event.number, "told": _tell(step.event), "nats in all": round(step.nats, 4),
                "moved": [move_json(move) for move in step.moves],
                "none of these": [round(step.none_before, 6), round(step.none_after, 6)],
            }
            for step in told.steps
        ],
        "suspects": [
            {
                "suspect": told.texts[turn.place], "at first": round(turn.first, 6),
                "now": round(turn.last, 6), "most for it": turn_json(turn.raised),
                "most against it": turn_json(turn.lowered),
            }
            for turn in told.turns
        ],
    }  # fmt: skip


def _model(typed: str, models: Sequence[str]) -> str:
    """The model meant; empty for all."""
    wanted = " ".join(typed.split()).casefold()
    if not wanted:
        return ""
    found = [name for name in models if name.casefold() == wanted] or [
        name for name in models if name.casefold().startswith(wanted)
    ]
    if len(found) != 1:
        known = ", ".join(models) or "none yet"
        raise click.UsageError(f"--model {typed}: expected a board model with proved faults ({known})")
    return found[0]


def _rate_json(row: Rate) -> dict[str, Any]:
    return {
        "kind": row.kind, "mode": row.mode, "model": row.model or None, "machines": row.machines,
        "prior": float(f"{row.prior:.6g}"), "expected": round(row.expected, 6), "seen": row.seen,
        "now": float(f"{row.now:.6g}"), "factor": round(row.factor, 6),
        "factor low": round(row.low, 6), "factor high": round(row.high, 6),
    }  # fmt: skip


def _print_rates(rows: Sequence[Rate], title: str) -> None:
    if not rows:
        click.echo(f"\n{title}: no proved fault yet.")
        return
    from ..jobs.as_typed import kind_words

    cells = [
        (
            kind_words(row.kind) or "no part", row.mode, str(row.machines), f"{row.prior:.3g}",
            f"{row.expected:.2f}",
            str(row.seen), f"{row.now:.3g}", f"x {row.factor:.2f}", f"{row.low:.2f} to {row.high:.2f}",
        )
        for row in rows
    ]  # fmt: skip
    heads = ("kind", "mode", "machines", "prior", "expected", "seen", "now", "factor", "95 % within")
    click.echo(f"\n{title}:")
    if fits(heads, cells):
        click.echo(table(heads, cells, right=(2, 3, 4, 5, 6, 7, 8)))
        return
    # On a narrow screen what failed stands above its numbers.
    head, *numbers = table(heads[2:], [cell[2:] for cell in cells], right=range(7)).splitlines()
    click.echo(f"  {head}")
    for (kind, mode, *_), line in zip(cells, numbers, strict=True):
        click.echo(hanging("", f"{kind}, {mode}"))
        click.echo(f"  {line}")
