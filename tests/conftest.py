"""What every test can ask for: outside tools, repeatable chance, and how hard hypothesis looks."""

from __future__ import annotations

import os
import shutil
import zlib
from collections.abc import Callable, Generator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

NO_SKIP = os.environ.get("BENCHWRIGHT_NO_SKIP", "") not in ("", "0")
"""Set where everything must be present: a skipped test then counts as failed."""

HOW_TO_GET = {
    "ngspice": "apt-get install ngspice / brew install ngspice / "
    "Windows: choco install ngspice, or the project's site",
    "minimodem": "apt-get install minimodem / brew install minimodem; not on Windows",
    "sox": "apt-get install sox / brew install sox / Windows: choco install sox.portable",
    "node": "apt-get install nodejs / brew install node / Windows: choco install nodejs",
    "make": "apt-get install make / brew install make / Windows: choco install make",
}

# The usual profile draws the same examples everywhere, so that a failure is seen by everybody and a pass
# is not luck; `HYPOTHESIS_PROFILE=search make tests` looks further, with new draws each time.
settings.register_profile(
    "ci",
    derandomize=True,
    deadline=None,
    max_examples=60,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("search", settings.get_profile("ci"), derandomize=False, max_examples=1500)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def find_tool(name: str) -> Path:
    """Path of an outside program; skips the test, or fails it where nothing may be missing."""
    found = shutil.which(name)
    if found is not None:
        return Path(found)
    message = f"{name} is not installed: {HOW_TO_GET.get(name, 'see its own instructions')}"
    if NO_SKIP:
        pytest.fail(message, pytrace=False)
    pytest.skip(message)


@pytest.fixture(scope="session")
def tool() -> Callable[[str], Path]:
    """`tool("ngspice")` gives the program's path, or skips the test and says how to get it."""
    return find_tool


@pytest.fixture
def rng(request: pytest.FixtureRequest) -> np.random.Generator:
    """Chance that repeats: each test has its own seed, shown when the test fails.

    `BENCHWRIGHT_SEED=...` sets another.
    """
    seed = int(os.environ.get("BENCHWRIGHT_SEED") or zlib.crc32(request.node.nodeid.encode()))
    print(f"seed of this test: BENCHWRIGHT_SEED={seed}")
    return np.random.default_rng(seed)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    return _skip_is_failure(report)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    return _skip_is_failure(report)


def _skip_is_failure(report):
    if NO_SKIP and report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"skipped, and BENCHWRIGHT_NO_SKIP is set: {reason}"
    return report
