"""`benchwright bid` as a person meets it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from benchwright.board.board_file import write_board_file
from benchwright.cli.main import cli, main
from benchwright.errors import BadFile
from benchwright.money.history_file import read_history
from random_boards import random_board

PRICES = ("--working", "120", "--for-parts", "35", "--fee", "12%", "--rate", "8/h")


def run(*arguments: str | Path, code: int = 0) -> Result:
    done = CliRunner().invoke(cli, ["bid", *map(str, arguments)], catch_exceptions=False)
    assert done.exit_code == code, done.output
    return done


def answer(*arguments: str | Path, code: int = 0) -> Any:
    return json.loads(run(*arguments, "--json", "--draws", "2000", code=code).output)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(write_board_file(random_board(3, chips=3, nets=14, passives=6)), encoding="utf-8")
    return path


def test_the_whole_answer_for_a_board(board: Path) -> None:
    """The most to pay, the judged bid, how it ends, where the cost goes and why: without colour."""
    text = run(board, *PRICES, "--symptom", "dead", "--bid", "10").output
    for part in (
        "Said of it: dead.", "Mended 120.00 EUR, for parts 35.00 EUR, fees 12 %, an hour 8.00 EUR.",
        "Most to pay: ", "for a loss in at most 20 % of cases", "At a bid of 10.00 EUR: expected profit",
        "How it ends", "mended and sold", "Where the cost of repair goes:", "Why:\n- Of a hundred",
    ):  # fmt: skip
        assert part in text
    assert "\x1b" not in text
    assert max(map(len, text.split("Why:")[0].splitlines())) <= 110


def test_the_same_as_json_with_amounts_to_the_last_digit(board: Path) -> None:
    """Amounts are text with all decimals; chances add up; the reasons are there."""
    told = answer(board, *PRICES, "--bid", "10", "--bid", "20.5")
    assert told["currency"] == "EUR"
    assert len(told["most to pay"].partition(".")[2]) == 2
    assert sum(end["chance"] for end in told["ends"]) == pytest.approx(1.0, abs=1e-5)
    one, two = told["bids"]
    assert float(one["expected profit"]) - float(two["expected profit"]) == pytest.approx(10.5)
    assert two["bid"] == "20.50"
    assert told["reasons"]


def test_a_bid_above_the_most_to_pay_is_answered_no(board: Path) -> None:
    """Exit code 1, so that a script can ask."""
    most = float(answer(board, *PRICES)["most to pay"])
    answer(board, *PRICES, "--bid", f"{most:.2f}")
    answer(board, *PRICES, "--bid", "10", "--bid", f"{most + 0.01:.2f}", code=1)


def test_the_seed_repeats_the_answer(board: Path) -> None:
    """Same seed, same text."""
    one, same, other = (run(board, *PRICES, "--seed", seed).output for seed in ("3", "3", "4"))
    assert one == same != other


def test_without_a_board_and_in_other_currencies() -> None:
    """The currency is that written beside the working price; yen have no decimals."""
    pounds = answer("--working", "£90 - £150", "--for-parts", "40", "--euro", "0.86")
    assert (pounds["currency"], pounds["working"]) == ("GBP", ["90.00", "150.00"])
    yen = answer("--working", "9000..12000..20,000 JPY", "--for-parts", "4000", "--euro", "165")
    assert yen["working"] == ["9000", "12000", "20000"]
    assert yen["most to pay"].isdigit()
    dollars = answer("--working", "$100", "--currency", "CAD", "--for-parts", "$40", "--euro", "1.6")
    assert dollars["currency"] == "CAD"


def test_each_option_moves_the_answer_the_right_way(tmp_path: Path) -> None:
    """Fees, postage, hours, dear parts and a bad history lower what may be paid."""
    history = tmp_path / "own.toml"
    history.write_text(
        '[[rate]]\nkind = "6845"\nmode = "dead"\nfactor = 3.0\n'
        + "[[job]]\nhours = 30.0\nmended = true\n" * 4,
        encoding="utf-8",
    )
    plain = float(answer(*PRICES)["nothing left on average at"])
    for more in (
        ("--fee", "5.00"), ("--postage-in", "9"), ("--postage-out", "9"), ("--part-price", "6845=90"),
        ("--history", str(history)),
    ):  # fmt: skip
        assert float(answer(*PRICES, *more)["nothing left on average at"]) < plain
    free = float(answer(*PRICES[:-2])["nothing left on average at"])
    assert free > plain


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        (("--working", "12x"), "no currency 'x'"),
        (("--working", "9..4"), "in this order"),
        (("--working", "1..2..3..4"), "expected a price such as"),
        (("--working", "$9"), "write the code"),
        (("--working", ""), "expected a price such as"),
        (("--for-parts", "5 USD"), "expected 0 or more in EUR"),
        (("--for-parts", "-5"), "expected 0 or more"),
        (("--fee", "120%"), "0 to 100"),
        (("--fee", "60%", "--fee", "60%"), "0 to 100"),
        (("--rate", "eight"), "--rate: cannot read"),
        (("--chance-of-loss", "0"), "more than 0"),
        (("--chance-of-loss", "x"), "--chance-of-loss"),
        (("--part-price", "6502"), "expected PART=PRICE"),
        (("--part-price", "U99=1"), "a reference or a kind"),
        (("--currency", "GBP"), "--euro: part prices are in euro and the bid is in GBP"),
        (("--currency", "GBX"), "ISO 4217"),
        (("--euro", "0"), "above 0"),
        (("--euro", "x"), "above 0"),
        (("--bid", "1 GBP"), "in EUR"),
        (("--symptom", "makes coffee"), "symptom 'makes coffee'"),
        (("--symptom", "works"), "needs no repair"),
    ],
)
def test_what_cannot_be_used_is_named_with_what_was_expected(
    changed: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and one plain message."""
    with pytest.raises(SystemExit) as left:
        main(["bid", *PRICES, "--draws", "100", *changed])
    assert left.value.code == 2
    assert says in " ".join(capsys.readouterr().err.split())


def test_a_history_file_is_read(tmp_path: Path) -> None:
    """Factors by kind and mode, and past jobs."""
    path = tmp_path / "own.toml"
    path.write_text(
        '[[rate]]\nkind = "4164"\nmode = "dead"\nfactor = 2\n[[job]]\nhours = 3.5\nmended = false\n',
        encoding="utf-8",
    )
    found = read_history(path)
    assert found.rates == {("4164", "dead"): 2.0}
    assert [(job.hours, job.mended) for job in found.past] == [(3.5, False)]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[job]]\nhours = 0\nmended = true", "above 0"), ("[[job]]\nhours = 2", "mended = true or"),
        ("[[job]]\nmended = true", "hours"), ('[[job]]\nhours = 2\nmended = "yes"', "neither true nor false"),
        ("[[rate]]\nfactor = 2", "a kind and a mode"), ("[job]\nhours = 2", "expected [[job]]"),
        ('[[rate]]\nkind = "x"\nmode = "y"\nfactor = -1', "above 0"), ("[[jobs]]\n", "did you mean job"),
        ("[[job]]\nhour = 2", "did you mean hours"), ("job = 3", "expected [[job]]"), ("[[", "not TOML"),
    ],
)  # fmt: skip
def test_a_history_file_that_cannot_be_used_says_where(tmp_path: Path, text: str, says: str) -> None:
    """File, key and what was expected."""
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BadFile) as caught:
        read_history(path)
    assert says in str(caught.value)
    assert "own.toml" in str(caught.value)
