"""What is wrong in a TOML file is told with its line and its key."""

from __future__ import annotations

import pytest

from benchwright.errors import BadFile
from benchwright.toml_file import TomlFile

_TEXT = """\
# a remark
[parts.motor]
teeth = 12
over = "Moter"

[parts]
idler = 3
"""


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "some.toml"
    path.write_text(_TEXT)
    return TomlFile(path)


def test_a_table_that_is_none_is_told_with_an_example(file):
    found = file.tables(("parts",), '{name} = {{ kind = "..." }}')
    assert next(found) == ("motor", ("parts", "motor"), {"teeth": 12, "over": "Moter"})
    with pytest.raises(BadFile, match=r'line 7.*idler = \{ kind = "\.\.\." \}'):
        next(found)


@pytest.mark.parametrize("value", [True, 2.5, "3", -1, 11])
def test_only_whole_numbers_within_limits(file, value):
    place = ("parts", "motor", "teeth")
    with pytest.raises(BadFile, match=r"line 3.*expected a whole number from 0 on"):
        file.whole(place, {"teeth": value}, 0, (0, 10), "a count")
    assert file.whole(place, {"teeth": 10}, 0, (0, 10), "a count") == 10
    assert file.whole(place, {}, 7, (0, 10), "a count") == 7


def test_a_name_may_be_written_in_any_case_and_a_wrong_one_is_told_with_near_ones(file):
    place = ("parts", "motor", "over")
    assert file.named(place, ["motor", "Idler"], "IDLER ", "part") == "Idler"
    with pytest.raises(BadFile, match=r"line 4.*no part 'Moter'; did you mean motor\?"):
        file.named(place, ["motor", "Idler"], "Moter", "part")
    many = [f"U{number}" for number in range(40)]
    assert "expected one of" not in str(file.no_such(place, "part", "zzz", many))
    assert "expected one of motor, Idler" in str(file.no_such(place, "part", "zzz", ["motor", "Idler"]))
