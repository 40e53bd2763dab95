"""What the commands on jobs stand on: columns, moments, completion."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import pytest
from click.shell_completion import ShellComplete
from hypothesis import given
from hypothesis import strategies as st

from benchwright.cli import complete
from benchwright.cli.columns import table
from benchwright.cli.main import cli
from benchwright.cli.moments import ago, parse_moment
from benchwright.jobs import bodies, open_bench
from benchwright.jobs.opening import default_folder

NOW = datetime(2024, 11, 5, 15, 0, tzinfo=UTC)
CELLS = st.text(alphabet="ab é-", max_size=40)


@given(st.lists(st.tuples(CELLS, CELLS, st.integers(0, 9999).map(str)), min_size=1, max_size=5))
def test_a_table_keeps_every_word_and_its_width(rows: list[tuple[str, str, str]]) -> None:
    """Cells wrap; nothing is lost, nothing sticks out."""
    told = table(("Unit", "From", "Sum"), rows, flex=(0, 1), right=(2,), width=50)
    assert max(map(len, told.splitlines())) <= 50
    for letter in "abé-0123456789":
        assert told.count(letter) == sum(cell.count(letter) for row in rows for cell in row)


def test_moments_are_read_as_people_type_them() -> None:
    here = NOW.astimezone()
    assert parse_moment("14:30", here.replace(hour=15)) == here.replace(hour=14, minute=30)
    assert parse_moment("yesterday 20:05", here) == here.replace(day=here.day - 1, hour=20, minute=5)
    assert parse_moment("2024-11-03", here) == here.replace(day=3, hour=12, minute=0)
    assert parse_moment("2024-11-03T14:30+05:00", here) == datetime(2024, 11, 3, 9, 30, tzinfo=UTC)
    assert parse_moment("2024-11-03", here, end_of_day=True) > here.replace(day=3, hour=23)
    for wrong in ("2025-01-01", "tomorrow", "", "25:99", "14", "9999999-1-1"):
        with pytest.raises(click.UsageError):
            parse_moment(wrong, here)


def test_ages_are_short() -> None:
    steps = [timedelta(minutes=5), timedelta(hours=5), *(timedelta(days=days) for days in (3, 90, 900))]
    assert [ago(NOW - step, NOW) for step in steps] == ["5 min", "5 h", "3 days", "3 mths", "2 yrs"]


def _completed(arguments: list[str], incomplete: str) -> list[str]:
    shell = ShellComplete(cli, {}, "benchwright", "_BENCHWRIGHT_COMPLETE")
    return [item.value for item in shell.get_completions(arguments, incomplete)]


def test_completion_offers_commands_jobs_and_lots(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHWRIGHT_BENCH", str(tmp_path))
    assert _completed(["job", "show"], "") == []  # no bench yet, and none is made
    assert list(tmp_path.iterdir()) == []
    with open_bench(tmp_path) as bench:
        for title in ("One", "Two"):
            bench.new_job(title, "EUR")
        bench.record(None, bodies.StockReceived(lot="ram-1", kind="4116", quantity=1))
    assert _completed(["job", "show"], "") == ["2", "1"]
    assert _completed(["job", "timer", "start"], "2") == ["2"]
    assert _completed(["stock", "use", "1"], "r") == ["ram-1"]
    assert _completed(["stock", "count", "--bench", str(tmp_path / "other")], "") == []
    assert "suspects" in _completed(["job"], "s")
    (tmp_path / "bench.sqlite").write_bytes(b"no database at all" * 100)
    assert _completed(["job", "show"], "") == []


def test_completion_looks_where_the_bench_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BENCHWRIGHT_BENCH", raising=False)
    assert complete._file(click.Context(cli)) == default_folder() / "bench.sqlite"


def test_help_and_completion_load_no_database_and_no_physics(tmp_path: Path) -> None:
    """What makes starting slow is loaded by the commands that need it alone."""
    program = (
        "import sys; from benchwright.cli.main import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "print(sorted({'sqlalchemy', 'numpy', 'scipy', 'alembic'} & set(sys.modules)), file=sys.stderr)"
    )
    settings = {"BENCHWRIGHT_BENCH": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    complete_bash = {"_BENCHWRIGHT_COMPLETE": "bash_complete"}
    for arguments, more in (
        (["--help"], {}),
        (["job", "--help"], {}),
        (["job", "log", "--help"], {}),
        ([], {**complete_bash, "COMP_WORDS": "benchwright job s", "COMP_CWORD": "2"}),
        ([], {**complete_bash, "COMP_WORDS": "benchwright stock use ", "COMP_CWORD": "3"}),
    ):
        done = subprocess.run(
            [sys.executable, "-c", program, *arguments], env={**os.environ, **settings, **more},
            capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
        assert done.stderr.strip() == "[]", (arguments, more, done.stderr)
