"""Where nothing may be missing, nothing is skipped; elsewhere a skipped test says what to install."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

NEEDS_TOOL = "def test_it(tool):\n    tool('ngspice')\n"
SKIPS_ITSELF = "import pytest\n\n\ndef test_it():\n    pytest.skip('not today')\n"
SKIPS_THE_FILE = "import pytest\n\npytest.importorskip('no_such_module')\n"
KNOWN_TO_FAIL = "import pytest\n\n\n@pytest.mark.xfail\ndef test_it():\n    assert False\n"


def _run(folder: Path, code: str, no_skip: str) -> subprocess.CompletedProcess[str]:
    shutil.copy(Path(__file__).with_name("conftest.py"), folder)
    (folder / "test_it.py").write_text(code)
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-ra", "-p", "no:cacheprovider"],
        cwd=folder,
        env={**os.environ, "BENCHWRIGHT_NO_SKIP": no_skip, "PATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_missing_tool_skips_and_says_how_to_get_it(tmp_path):
    """On a machine without ngspice the test is skipped, and the summary tells what to install."""
    done = _run(tmp_path, NEEDS_TOOL, "")
    assert done.returncode == 0, done.stdout
    assert "1 skipped" in done.stdout
    assert "ngspice is not installed: apt-get install ngspice" in done.stdout


@pytest.mark.parametrize("code", [NEEDS_TOOL, SKIPS_ITSELF, SKIPS_THE_FILE])
def test_a_skip_fails_where_nothing_may_be_missing(tmp_path, code):
    """With BENCHWRIGHT_NO_SKIP set, any way of skipping is a failure."""
    done = _run(tmp_path, code, "1")
    assert done.returncode != 0, done.stdout
    assert "skipped" not in done.stdout.splitlines()[-1]


def test_a_known_failure_is_no_skip(tmp_path):
    """A test marked as known to fail stays what it is, also where nothing may be skipped."""
    done = _run(tmp_path, KNOWN_TO_FAIL, "1")
    assert done.returncode == 0, done.stdout
    assert "1 xfailed" in done.stdout
