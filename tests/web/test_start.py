"""What the server loads before it answers the first page."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import sys
from benchwright.web import app
app._routes()
print(*sorted(name for name in sys.modules if name.partition('.')[0] in HEAVY))
"""
HEAVY = ("scipy", "typst", "PIL", "matplotlib", "numba", "soundfile", "rich")
"""They take from a tenth of a second to a second, and no first page needs them."""


def test_the_pages_load_without_what_only_long_works_need() -> None:
    """The fault finders and tape readers live in processes of their own."""
    code = CODE.replace("HEAVY", repr(HEAVY))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
