"""Gathering bytes from the pieces of a run."""

from __future__ import annotations

import numpy as np
import pytest

from benchwright.tape import Recording
from benchwright.tape.decode import Reader
from benchwright.tape.encoding import encoding_named, known_encodings
from benchwright.tape.follower import Piece
from benchwright.tape.gather import Gatherer
from benchwright.tape.render import render


def pieces_of(whole: Piece, cuts: list[int]) -> list[Piece]:
    """The same path in several pieces, without rivals."""
    none, nothing = np.empty(0, np.int32), np.empty(0, np.int8)
    return [
        Piece(
            whole.edge[a:b], whole.time[a : b + 1], whole.period[a:b], whole.cost[a : b + 1], whole.sign[a:b],
            none, none, np.empty(0), np.zeros(1, np.int32), nothing,
        )
        for a, b in zip([0, *cuts], [*cuts, len(whole.edge)], strict=True)
    ]  # fmt: skip


@pytest.mark.parametrize("name", known_encodings())
def test_how_a_run_is_divided_does_not_matter(
    rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Bytes, their times and costs, and whether the check holds are the same in one piece and in many."""
    encoding = encoding_named(name)
    data = rng.integers(0, 256, 40, dtype=np.uint8).tobytes()
    wave = render([data], encoding, 44100, add_check=encoding.check is not None)
    taken: list[Piece] = []
    add = Gatherer.add

    def noting(self: Gatherer, piece: Piece) -> None:
        taken.append(piece)
        add(self, piece)

    monkeypatch.setattr(Gatherer, "add", noting)
    reader = Reader(Recording.from_array(wave, 44100), encoding)
    row = next(row for row in reader.read() if row.count >= 40)
    monkeypatch.undo()
    whole = Piece(
        np.concatenate([p.edge for p in taken]),
        np.concatenate([taken[0].time[:1], *(p.time[1:] for p in taken)]),
        np.concatenate([p.period for p in taken]),
        np.concatenate([taken[0].cost[:1], *(p.cost[1:] for p in taken)]),
        np.concatenate([p.sign for p in taken]),
        *(getattr(taken[-1], f"rival_{n}")[:0] for n in ("leaves", "returns", "cost", "begins", "bits")),
    )
    for count in (0, 1, 7):
        cuts = sorted(rng.choice(np.arange(1, len(whole.edge)), count, replace=False).tolist())
        gatherer = Gatherer(reader.grammar, encoding, reader.rate, keep_edges=bool(count % 2))
        *early, last = pieces_of(whole, cuts)
        for piece in early:
            gatherer.add(piece)
        assert gatherer.checks_with(last) == (encoding.check is not None)
        gatherer.add(last)
        again = gatherer.row(row.polarity)
        assert again.count == row.count
        assert np.array_equal(again.bits, row.bits)
        for field in ("begins", "ends", "costs", "edges", "nominal", "tape_bit_ends"):
            assert np.allclose(getattr(again, field), getattr(row, field), equal_nan=True), field
        assert again.halves_in_bytes == row.halves_in_bytes
        inside = (row.edges > row.begins[0]) & (row.edges <= row.ends[-1])
        assert again.halves_in_bytes == np.count_nonzero(inside)


@pytest.mark.parametrize("seconds", [0.2, 0.6])
def test_a_short_silence_within_a_block_is_borne(seconds: float) -> None:
    """Up to a third of a second of nothing may stand between bytes; after more of it, a block is over."""
    encoding = encoding_named("kansas-city-300")
    wave = render([bytes(range(90))], encoding, 44100)
    middle = len(wave) - 2 * 44100
    wave = np.concatenate((wave[:middle], np.zeros(int(seconds * 44100), np.float32), wave[middle:]))
    rows = [row for row in Reader(Recording.from_array(wave, 44100), encoding).read() if row.count]
    before, after = middle / 44100 - 0.05, middle / 44100 + seconds + 0.05
    assert any(row.first_edge < before and row.last_edge > after for row in rows) == (seconds < 0.35)
    assert any(row.first_edge < before < row.last_edge for row in rows)
