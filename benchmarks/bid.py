"""How good and how quick a bid is: stated against realised chance of loss, its error, its time.

For each board the bid is worked out with many seeds. The conduct and the most to pay that came out are then
tried on other draws of chance: how often is there a loss, how often does the true most to pay (that of very
many draws) lie in the stated range, does what is drawn on average agree with what is worked out. The machines
are drawn from the same model, so this tells of the method and not of real machines.

    python benchmarks/bid.py
"""

from __future__ import annotations

import argparse
import time
from decimal import Decimal
from pathlib import Path

import numpy as np

from benchwright import Board
from benchwright.demo import fulmar65
from benchwright.money import Amount
from benchwright.money.bid import left_over, work_out
from benchwright.money.census import generic_board
from benchwright.money.from_board import troubles_of
from benchwright.money.simulate import Luck, simulate
from benchwright.money.stop_rule import Repair
from benchwright.money.terms import Terms
from benchwright.money.troubles import Bench

HERE = Path(__file__).parent
FRESH, RUNS = 400_000, 6


def boards() -> dict[str, Board]:
    found = {"no board": generic_board(), "fulmar65": fulmar65.board()}
    for name in ("tern16", "petrel80"):
        folder = HERE / "boards"
        found[name] = Board.from_ipc356(folder / f"{name}.ipc", folder / f"{name}-parts.csv")
    return found


def euro(value: float) -> Amount:
    return Amount(Decimal(str(value)), "EUR")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--symptom", default="no picture")
    options = parser.parse_args()
    terms = Terms(euro(120), euro(35), Decimal(12), hourly=euro(8))
    bench = Bench.usual()
    print(
        "board     faults  finder  draws   | chance of loss: asked  realised mean (worst) | range holds | "
        "most to pay, sd | on average: worked out  drawn"
    )
    for name, board in boards().items():
        start = time.process_time()
        own = troubles_of(board, [options.symptom])
        thinking = time.process_time() - start
        repair, ends = Repair.of(own, bench), terms.ends(bench)
        luck = Luck.draw(repair, FRESH, 10**6)
        sold = terms.sold(luck.price, bench)
        drawn = left_over(simulate(repair, repair.conduct(ends), ends.minute, luck), sold, ends)
        for chance in (0.05, 0.2, 0.4):
            # One run of many draws has an error of its own, and it would be the same for every seed.
            runs = (work_out(own, terms, chance, seed=10**6 + run, draws=FRESH) for run in range(RUNS))
            best = float(np.mean([float(run.most.value) for run in runs]))
            realised, most, inside, drawing = [], [], 0, []
            for seed in range(options.seeds):
                start = time.process_time()
                made = work_out(own, terms, chance, seed=seed)
                drawing.append(time.process_time() - start)
                tried = left_over(simulate(repair, made.most_conduct, ends.minute, luck), sold, ends)
                realised.append(float((tried < float(made.most.value) - 1e-9).mean()))
                most.append(float(made.most.value))
                inside += float(made.most_low.value) <= best <= float(made.most_high.value)
            print(
                f"{name:9} {len(own.first):6} {thinking:5.2f} s {np.median(drawing):5.2f} s | "
                f"{chance:21.0%} {np.mean(realised):9.2%} ({max(realised):6.2%}) {'':4}| "
                f"{inside:4} of {options.seeds:3} | {np.mean(most):8.2f} {np.std(most):6.2f} | "
                f"{made.conduct.expected:12.2f} {drawn.mean():12.2f} ± {2 * drawn.std() / FRESH**0.5:.2f}"
            )


if __name__ == "__main__":
    main()
