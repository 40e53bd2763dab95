"""`benchwright tape decode`, `merge`, `margin`, `render` and `encodings`."""

from __future__ import annotations

import json
import math
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

import click

from ..errors import BadFile
from ..tape import Recording
from ..tape.blocks import Block
from ..tape.decode import Tape
from ..tape.decode import decode as decode_recording
from ..tape.encoding import Encoding, encoding_named, encoding_text, known_encodings
from ..tape.index import (
    DOUBTFUL,
    INDEX,
    AlreadyThere,
    KeptBlock,
    check_folder,
    doubtful_ranges,
    file_names,
    index_of,
    read_folder,
    write_folder,
)
from ..tape.margin import MACHINES, Chance, Margin, margin_of, read_timing
from .tape_tell import about, json_option, length_text, plain, print_about

_BAR_FROM_SECONDS = 20.0
_MOST_RANGES = 12

recording_argument = click.argument("recording", type=click.Path(path_type=Path, exists=True, dir_okay=False))
channel_option = click.option(
    "--channel", default="mean", show_default=True, help="left, right, mean, or a number from 1."
)
replace_option = click.option("--replace", is_flag=True, help="Overwrite what was written before.")


def encoding_option(needed: bool) -> Callable[[Any], Any]:
    text = "Name of a known encoding, or an encoding file (.toml)"
    return click.option(
        "--encoding",
        "encoding_name",
        metavar="NAME|FILE.toml",
        required=needed,
        help=f"{text}." if needed else f"{text}; left out, it is found by trying.",
    )


def out_option(needed: bool = False) -> Callable[[Any], Any]:
    return click.option(
        "--out",
        type=click.Path(path_type=Path),
        required=needed,
        metavar="FOLDER",
        help="Write each block as a plain binary file there, with an index.",
    )


@contextmanager
def share_bar(what: str, seconds: float) -> Iterator[Callable[[float], None]]:
    """A bar on the error stream, moved by the share done; none for short work or where nobody looks."""
    if seconds < _BAR_FROM_SECONDS or not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def channel_of(take: Recording, wanted: str) -> Any:
    """The channel as the engine counts, from 0."""
    names: dict[str, Any] = {"mean": "mean"}
    if take.channels == 2:
        names |= {"left": 0, "right": 1}
    names |= {str(number + 1): number for number in range(take.channels)}
    if wanted.lower() not in names:
        raise click.BadParameter(
            f"{wanted!r}: this recording has {', '.join(names)}", param_hint="'--channel'"
        )
    return names[wanted.lower()]


def _fast_enough(take: Recording, encoding: Encoding) -> None:
    least = 1.5 / encoding.shortest
    if take.rate < least:
        raise BadFile(
            take.path,
            f"its rate of {take.rate} Hz is too low for {encoding.name}: expected {math.ceil(least / 1000)} "
            "kHz or more, best 44.1 kHz; record again",
        )


# -- decode and merge ----------------------------------------------------------------------------------------


@click.command("decode")
@recording_argument
@encoding_option(needed=False)
@out_option()
@channel_option
@replace_option
@json_option
def decode(
    recording: Path, encoding_name: str | None, out: Path | None, channel: str, replace: bool, as_json: bool
) -> None:
    """Read the blocks of data on RECORDING, and tell how sure each byte is.

    With --out each block becomes a plain binary file beside an index.json. Exit code 1 if a block is not
    good, or none is found.
    """
    if out is not None:
        check_folder(out, replace)
    with Recording.open(recording) as take:
        chosen = channel_of(take, channel)
        how = None
        if encoding_name is not None:
            encoding = encoding_named(encoding_name)
        else:
            found = _recognised(take, chosen)
            if found is None:
                _none_reads(take, as_json)
                sys.exit(1)
            encoding, how = found
        _fast_enough(take, encoding)
        with share_bar("reading", take.duration) as progress:
            tape = decode_recording(take, encoding, channel=chosen, progress=progress)
        _tell([take], chosen, tape, out, replace, as_json, how)


@click.command("merge")
@click.argument(
    "recordings",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    metavar="RECORDING RECORDING...",
)
@encoding_option(needed=False)
@out_option()
@channel_option
@replace_option
@json_option
def merge(
    recordings: tuple[Path, ...], encoding_name: str | None, out: Path | None, channel: str, replace: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Combine several RECORDINGs of one side of a tape into one answer.

    They need not begin at the same place of the tape, nor run at the same speed. Exit code 1 if a block is
    not good, or none is found.
    """
    from ..tape.merge import merge as merge_recordings

    if len(recordings) < 2:
        raise click.UsageError("merging needs two recordings or more; for one there is decode")
    if out is not None:
        check_folder(out, replace)
    with ExitStack() as stack:
        takes = [stack.enter_context(Recording.open(path)) for path in recordings]
        chosen = next(iter([channel_of(take, channel) for take in takes]))
        how = None
        if encoding_name is not None:
            encoding = encoding_named(encoding_name)
        else:
            found = next((one for take in takes if (one := _recognised(take, chosen)) is not None), None)
            if found is None:
                _none_reads(takes[0], as_json)
                sys.exit(1)
            encoding, how = found
        for take in takes:
            _fast_enough(take, encoding)
        with share_bar("reading", sum(take.duration for take in takes)) as progress:
            tape = merge_recordings(takes, encoding, channel=chosen, progress=progress)
        _tell(takes, chosen, tape, out, replace, as_json, how)


def _recognised(take: Recording, channel: Any) -> tuple[Encoding, str] | None:
    """The encoding that reads best, and how that was found, in words."""
    from ..tape.recognise import recognise

    known = known_encodings()
    with share_bar("trying encodings", 5 * min(take.duration, 15.0)) as progress:
        found = recognise(take, known.values(), channel=channel, progress=progress)
    if found is None:
        return None
    alike = f" ({', '.join(found.alike)} reads the same)" if found.alike else ""
    words = (
        f"{found.encoding.name} reads best of {len(known)} known encodings{alike}, tried from "
        f"{found.start:.1f} to {found.stop:.1f} s"
    )
    return found.encoding, words


def _none_reads(take: Recording, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({"recordings": [plain(about(take))], "encoding": None, "blocks": []}, indent=2))
        return
    print_about(take)
    click.echo(
        "None of the known encodings reads this recording. `benchwright tape encodings` lists them; "
        "`benchwright tape measure` tells whether there is a signal worth reading."
    )


def _tell(
    takes: Sequence[Recording], channel: Any, tape: Tape, out: Path | None, replace: bool, as_json: bool,
    how: str | None,
) -> None:  # fmt: skip
    """Write the blocks if they are wanted, print what was read, and end with the exit code."""
    index = index_of(tape, takes, channel)
    written = out is not None and bool(tape.blocks)
    if out is not None and written:
        write_folder(out, tape, index, replace=replace)
    if as_json:
        told = index | {"folder": str(out) if written else None, "chosen": how}
        click.echo(json.dumps(told, indent=2))
    else:
        for take in takes:
            print_about(take)
        if how is not None:
            click.echo(f"Encoding: {how}")
        _print_blocks(tape)
        if written:
            click.echo(f"Written to {out}: {len(tape.blocks)} binary files and {INDEX}")
        elif out is not None:
            click.echo(f"Nothing written to {out}")
    if not tape.blocks or not all(block.good for block in tape.blocks):
        sys.exit(1)


def _print_blocks(tape: Tape) -> None:
    if not tape.blocks:
        click.echo(f"No block found in {tape.encoding.name}, in {length_text(tape.duration)} of recording.")
        return
    names = file_names(len(tape.blocks))
    click.echo(
        f"{'block':>5} {'starts':>10} {'lasts':>9} {'bytes':>7}  {'':8}  {'check':5} {'all right':>10} "
        f"{'speed':>7}"
    )
    for number, block in enumerate(tape.blocks, start=1):
        click.echo(
            f"{number:5} {block.start:8.2f} s {block.end - block.start:7.2f} s {len(block.data):7}  "
            f"{'good' if block.good else 'NOT GOOD':8}  {block.check:5} {chance_text(block.chance):>10} "
            f"{100 * (block.speed - 1):+6.1f}%"
        )
        for words in block.repaired:
            click.echo(f"        repaired: {words}")
        for line in _doubts(block):
            click.echo(f"        {line}")
    good = sum(block.good for block in tape.blocks)
    total = sum(len(block.data) for block in tape.blocks)
    click.echo(f"{good} of {len(names)} blocks are good; {total} bytes in all.")
    for words in _signal_words(tape):
        click.echo(words)


def _signal_words(tape: Tape) -> list[str]:
    """What reading showed of the signal itself."""
    words = []
    if tape.polarity:
        words.append("The recording is upside down." if tape.polarity < 0 else "The recording is upright.")
    if math.isfinite(tape.asymmetry):
        side = "longer" if tape.asymmetry >= 0 else "shorter"
        words.append(
            f"Half-waves above the middle last {100 * abs(tape.asymmetry):.1f}% {side} than their share."
        )
    return words


def _doubts(block: Block) -> list[str]:
    """What is to be said of bytes that are not sure."""
    if block.good:
        return []
    found = doubtful_ranges(block)
    if not found:
        if block.check == "fails":
            return ["the check fails, and no byte stands out as wrong"]
        if block.check == "holds":
            return ["the check holds, but another reading that comes near would pass as well"]
        return ["no single byte stands out, but together they are not sure enough"]
    count = sum(last - first + 1 for first, last in found)
    if count == len(block.data):
        return [f"all bytes are doubtful (below {DOUBTFUL:.0%})"]
    words = [f"{first} to {last}" if last > first else str(first) for first, last in found[:_MOST_RANGES]]
    more = f" and {len(found) - _MOST_RANGES} more places" if len(found) > _MOST_RANGES else ""
    plural = "bytes" if count > 1 else "byte"
    return [f"doubtful (below {DOUBTFUL:.0%}): {plural} {', '.join(words)}{more}"]


def chance_text(chance: float) -> str:
    """A chance with as many digits as tell it from nought and from one; never rounded up to certain."""
    if chance >= 0.999999:
        return ">99.9999%"
    if chance > 0.99:
        digits = min(4, math.ceil(-math.log10(1 - chance)) - 1)
        return f"{math.floor(chance * 10 ** (digits + 2)) / 10**digits:.{digits}f}%"
    if chance >= 0.01:
        return f"{100 * chance:.0f}%"
    return f"{100 * chance:.2g}%" if chance >= 1e-6 else "<0.0001%"


# -- margin --------------------------------------------------------------------------------------------------


@click.command("margin")
@recording_argument
@encoding_option(needed=False)
@channel_option
@click.option(
    "--decision",
    type=click.Choice(["half-waves", "cycles", "bits"]),
    help="What the machine measures. Left out: cycles, or half-waves where bits are not made of cycles.",
)
@click.option(
    "--machine",
    type=click.Choice(["fixed", "leader", "follows"]),
    help="fixed: thresholds for nominal speed. leader: speed taken from the leader. follows: from what went "
    "before. Left out: all are told, and leader (or follows) decides the exit code.",
)
@click.option(
    "--threshold",
    type=click.Choice(["midway", "ratio"]),
    default="midway",
    show_default=True,
    help="Between two lengths: half-way, or at the same ratio to both.",
)
@click.option(
    "--bytes",
    "size",
    type=click.IntRange(1, 1 << 24),
    default=16 * 1024,
    show_default=True,
    help="Of the load.",
)
@json_option
def margin(
    recording: Path, encoding_name: str | None, channel: str, decision: Any, machine: Any, threshold: Any,
    size: int, as_json: bool,
) -> None:  # fmt: skip
    """Tell how much the decisions of a machine have in hand on RECORDING, and the chance that it loads.

    Exit code 1 if a load is more likely to fail than not.
    """
    with Recording.open(recording) as take:
        chosen = channel_of(take, channel)
        if encoding_name is not None:
            encoding = encoding_named(encoding_name)
        else:
            found = _recognised(take, chosen)
            if found is None:
                _none_reads(take, as_json)
                sys.exit(1)
            encoding = found[0]
        _fast_enough(take, encoding)
        with share_bar("reading", take.duration) as progress:
            timing, _ = read_timing(take, encoding, channel=chosen, progress=progress)
        wanted = [machine] if machine else [m for m in MACHINES if encoding.leader or m != "leader"]
        margins = {
            one: margin_of(timing, encoding, decision=decision, machine=one, threshold=threshold, size=size)
            for one in wanted
        }
        if as_json:
            told = {
                "recording": about(take), "encoding": encoding.name,
                "machines": {one: _margin_told(found) for one, found in margins.items()},
            }  # fmt: skip
            click.echo(json.dumps(plain(told), indent=2))
        else:
            print_about(take)
            _print_margins(encoding, margins)
    decisive = margins.get("leader") or list(margins.values())[-1]
    if decisive.load.value < 0.5:
        sys.exit(1)


def _margin_told(found: Margin) -> dict[str, Any]:
    return asdict(found) | {
        "in_hand": found.in_hand,
        "eyes": [asdict(e) | {"in_hand": e.in_hand} for e in found.eyes],
    }


_MACHINE_WORDS = {
    "fixed": "fixed thresholds",
    "leader": "speed from the leader",
    "follows": "follows the speed",
}


def _print_margins(encoding: Encoding, margins: Mapping[str, Margin]) -> None:
    first = next(iter(margins.values()))
    click.echo(
        f"{encoding.name}, decisions by {first.decision}: {first.decisions} of them in "
        f"{length_text(first.seconds)} of data, tape speed {100 * (first.speed - 1):+.1f}%"
    )
    if first.unevenness > 0.005:
        click.echo(
            f"One half of a cycle lasts {100 * first.unevenness:.1f}% of the cycle longer than the other."
        )
    for words in dict.fromkeys(w for found in margins.values() for w in found.warnings):
        click.echo(f"  ! {words}")
    for machine, found in margins.items():
        click.echo(f"\n{_MACHINE_WORDS[machine].capitalize()}:")
        for eye in found.eyes:
            sigmas = f"{_micro(eye.sigma_shorter)}, {_micro(eye.sigma_longer)}"
            click.echo(
                f"  between {_micro(eye.shorter)} and {_micro(eye.longer)}: in hand {eye.hand_shorter:.1f} "
                f"and {eye.hand_longer:.1f} sigmas ({sigmas}); {eye.best:.1f} with the threshold at its best"
            )
        click.echo(f"  a wrong decision: {_odds(found.wrong)}")
        click.echo(
            f"  chance that {found.size} bytes load: {chance_text(found.load.value)}; "
            f"were there no dropouts {chance_text(found.without_events.value)} (90% interval "
            f"{chance_text(found.without_events.low)} to {chance_text(found.without_events.high)})"
        )
    _print_events(first)


def _print_events(found: Margin) -> None:
    rate = found.failing_a_minute
    click.echo(
        f"\nDropouts and the like: {found.events or 'none'} seen; {found.failing} make a machine fail, "
        f"which is {rate.value:.2g} a minute (90% interval {rate.low:.2g} to {rate.high:.2g})"
    )
    if found.load_seconds > found.seconds:
        click.echo(
            f"  ! a load takes {length_text(found.load_seconds)}: {length_text(found.seconds)} of data tell "
            "little about how many dropouts it will meet"
        )


def _micro(seconds: float) -> str:
    return f"{1e6 * seconds:.0f} µs"


def _odds(found: Chance) -> str:
    if found.value <= 1e-12:
        return "less than once in a million million"
    return f"once in {1 / found.value:.2g} (90% interval {found.low:.1e} to {found.high:.1e})"


# -- render --------------------------------------------------------------------------------------------------


@click.command("render")
@click.argument(
    "files",
    nargs=-1,
    required=True,
    type=click.Path(path_type=Path, exists=True),
    metavar="FILE... | FOLDER",
)
@encoding_option(needed=False)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    required=True,
    metavar="RECORDING",
    help="Written there: .wav, .flac, .aiff or .ogg.",
)
@click.option(
    "--rate", type=click.IntRange(8000, 192_000), default=44100, show_default=True, help="Samples a second."
)
@click.option("--level", type=float, default=-3.0, show_default=True, help="Peak in dB below full scale.")
@click.option(
    "--shape", type=click.Choice(["sine", "square"]), help="Of the waves; the encoding's own if left out."
)
@click.option(
    "--bits", type=click.Choice(["8", "16", "24"]), default="16", show_default=True, help="Of a sample."
)
@click.option("--add-check", is_flag=True, help="The files lack their check: put it behind each block.")
@replace_option
@json_option
def render(
    files: tuple[Path, ...], encoding_name: str | None, out: Path, rate: int, level: float, shape: str | None,
    bits: str, add_check: bool, replace: bool, as_json: bool,
) -> None:  # fmt: skip
    """Write bytes as a clean recording that a machine loads.

    Each FILE becomes a block. A FOLDER is one that decode or merge wrote: its index tells encoding and order.
    """
    from ..tape.render import render as render_blocks

    if out.exists() and not replace:
        raise AlreadyThere(f"{out}: already there: choose another name, or --replace it")
    if not -60.0 <= level <= 0.0:
        raise click.BadParameter(f"{level:g} dB: expected -60 to 0", param_hint="'--level'")
    blocks, encoding = _to_render(files, encoding_name)
    remarks = _check_remarks(blocks, encoding, add_check)
    samples = render_blocks(
        [block.data for block in blocks], encoding, rate, level=10 ** (level / 20), shape=shape,
        add_check=add_check,
    )  # fmt: skip
    _write_whole(out, samples, rate, int(bits))
    if as_json:
        told = {
            "path": str(out), "rate": rate, "seconds": len(samples) / rate, "encoding": encoding.name,
            "blocks": [{"file": block.path, "bytes": len(block.data)} for block in blocks],
            "remarks": remarks,
        }  # fmt: skip
        click.echo(json.dumps(told, indent=2))
        return
    for remark in remarks:
        click.echo(f"  ! {remark}")
    count = f"{len(blocks)} blocks" if len(blocks) > 1 else "1 block"
    total = sum(len(block.data) for block in blocks)
    click.echo(
        f"{out}: {count}, {total} bytes, {encoding.name}, {rate} Hz, {length_text(len(samples) / rate)}"
    )


def _to_render(files: Sequence[Path], encoding_name: str | None) -> tuple[list[KeptBlock], Encoding]:
    blocks: list[KeptBlock] = []
    found: Encoding | None = None
    for path in files:
        if path.is_dir():
            kept, encoding = read_folder(path)
            blocks += kept
            if found is not None and encoding != found and encoding_name is None:
                raise click.UsageError(f"{path} is in another encoding: render it apart, or give --encoding")
            found = encoding
        elif path.name == INDEX:
            raise BadFile(str(path), "this is an index: name its folder instead")
        else:
            blocks.append(KeptBlock(str(path), path.read_bytes()))
    if encoding_name is not None:
        found = encoding_named(encoding_name)
    if found is None:
        raise click.UsageError("give --encoding: a plain binary file does not tell in which to write it")
    for block in blocks:
        if not block.data:
            raise BadFile(block.path, "the file is empty: expected the bytes of a block")
    if not blocks:
        raise click.UsageError("there is no block to write")
    return blocks, found


def _check_remarks(blocks: Sequence[KeptBlock], encoding: Encoding, add_check: bool) -> list[str]:
    """What a person should know about blocks and their checks before a machine refuses them."""
    remarks = []
    for block in blocks:
        if block.good is False:
            remarks.append(f"{block.path}: not good as read; it holds doubtful bytes")
        if encoding.check is None:
            continue
        holds = encoding.check.holds(block.data)
        if add_check and holds:
            remarks.append(f"{block.path}: ended in its check already; it now has a second one")
        if not add_check and not holds and block.good is None:
            remarks.append(f"{block.path}: does not end in its check; a machine will refuse it (--add-check)")
    return remarks


def _write_whole(out: Path, samples: Any, rate: int, bits: int) -> None:
    """Write a recording whole or not at all."""
    from ..tape.render import write_recording

    target = out.resolve()
    if not target.parent.is_dir():
        raise FileNotFoundError(2, "No such folder", str(target.parent))
    with tempfile.TemporaryDirectory(dir=target.parent, prefix=".render.") as folder:
        made = Path(folder) / target.name
        write_recording(made, samples, rate, bits)
        made.replace(target)


# -- encodings -----------------------------------------------------------------------------------------------


@click.command("encodings")
@click.argument("name", required=False)
@json_option
def encodings_command(name: str | None, as_json: bool) -> None:
    """List the known encodings, or print the file of the one called NAME, to copy and change."""
    if name is not None:
        encoding = encoding_named(name)
        text = _file_text(name, encoding)
        click.echo(
            json.dumps({"name": encoding.name, "toml": text}, indent=2) if as_json else text, nl=as_json
        )
        return
    known = known_encodings()
    if as_json:
        told = [
            {
                "name": one.name, "title": one.title, "source": one.source, "notes": list(one.notes),
                "bytes_per_second": round(1 / one.byte_seconds, 3),
            }
            for one in known.values()
        ]  # fmt: skip
        click.echo(json.dumps(told, indent=2))
        return
    for one in known.values():
        click.echo(f"{one.name:16} {one.title}")
        click.echo(f"{'':16}   about {1 / one.byte_seconds:.3g} bytes a second; source: {one.source}")


def _file_text(name: str, encoding: Encoding) -> str:
    """A known encoding's own file, which reads better than one made anew."""
    if name.endswith(".toml"):
        return encoding_text(encoding)
    return (
        resources.files("benchwright.tape").joinpath("encodings", f"{name}.toml").read_text(encoding="utf-8")
    )
