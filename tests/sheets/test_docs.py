"""What docs/sheets.md says is so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchwright.sheets import label_stocks
from benchwright.sheets.condition import VERDICTS

TEXT = (Path(__file__).parents[2] / "docs" / "sheets.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"```python\n(.*?)```", TEXT, re.DOTALL)


@pytest.mark.parametrize("code", EXAMPLES, ids=range(len(EXAMPLES)))
def test_the_examples_print(code):
    """Each example runs as it stands and ends in the bytes of a PDF."""
    names: dict[str, object] = {}
    exec(code, names)
    printed = [value for value in names.values() if isinstance(value, bytes)]
    assert printed
    assert all(one.startswith(b"%PDF-") for one in printed)


def test_the_tables_are_complete():
    """Every verdict and every sheet of labels is listed with its words and sizes."""
    for key, words in VERDICTS.items():
        assert re.search(rf"\| `{key}` \| {words} \|", TEXT), key
    for name, stock in label_stocks().items():
        row = f"| `{name}` | {stock.across} × {stock.down} | {stock.width:g} × {stock.height:g} |"
        assert row in TEXT, name
