"""Safety texts are there for every step that names one, with their figures and their limits."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path

import pytest

import benchwright
from benchwright import caution
from benchwright.caution import LICENSED

PACKAGE = Path(benchwright.__file__).parent

WANTED = (
    "mains", "picture_tube", "charged_capacitor", "powered_probing", "power_off_first", "solder",
    "desoldering", "solvent", "peroxide", "static", "leaking_battery", "leaked_capacitor",
    "three_rail_memory", "hot_parts", "compressed", "tantalum",
)  # fmt: skip


@pytest.mark.parametrize("key", WANTED)
def test_each_hazard_has_its_text_and_source(key):
    """Every hazard of the bench can be had by its key, says something, and says where that comes from."""
    found = caution.get(key)
    assert found.key == key
    assert found.title
    assert len(found.text.split()) >= 25
    assert re.search(r"\b(read|from memory|no source|own)\b", found.source), found.source


@pytest.mark.parametrize("key", ["mains", "picture_tube", "charged_capacitor", "powered_probing"])
def test_dangerous_work_is_left_to_licensed_practice(key):
    """Near mains, picture tubes and supplies the last word is licensed practice and local codes."""
    assert caution.get(key).text.endswith(LICENSED)


def test_an_unknown_key_is_a_mistake_in_the_tables():
    """A key that no table has is not answered with an empty caution."""
    with pytest.raises(KeyError):
        caution.get("dragons")


def _named(value: object) -> list[str]:
    if isinstance(value, dict):
        own = value.get("cautions", [])
        return [*own, *(key for inner in value.values() for key in _named(inner))]
    if isinstance(value, list):
        return [key for inner in value for key in _named(inner)]
    return []


def test_every_caution_that_a_table_names_exists():
    """No remedy or fault names a caution that is not written."""
    named = {
        (path.name, key)
        for path in PACKAGE.rglob("*.toml")
        for key in _named(tomllib.loads(path.read_text(encoding="utf-8")))
    }
    assert named, "no table names a caution: the search is broken"
    assert not {pair for pair in named if pair[1] not in caution.all_cautions()}


def test_discharge_times_follow_from_the_formula():
    """The times told for 220 uF at 325 V through 10 kohm are t = R C ln(V0/V), rounded up."""
    text = caution.get("charged_capacitor").text
    told = re.search(r"about (\d+) s to fall to 60 V and (\d+) s to 10 V", text)
    assert told is not None
    for seconds, volts in zip(told.groups(), (60, 10), strict=True):
        assert int(seconds) == math.ceil(10e3 * 220e-6 * math.log(325 / volts))


@pytest.mark.parametrize(
    ("key", "figure"),
    [
        ("solvent", "12 °C"),  # safety data sheets of isopropyl alcohol: flash point 12 C
        ("solvent", "2.0 to 12.7 %"),  # the same: lower and upper explosive limit by volume
        ("peroxide", "8 %"),  # safety data sheet, 8 to 20 %: contact with combustible material may cause fire
        ("static", "35 MΩ"),  # ANSI/ESD S20.20-2014, summary: wrist strap system below 35 Mohm
        ("solder", "183 °C"),  # handbook value for 63/37 tin-lead, from memory
        ("solder", "217 to 220 °C"),  # handbook value for tin-silver-copper, from memory
        (
            "three_rail_memory",
            "-5 V comes first and goes last",
        ),  # maker's application guide; slide set on 4116
    ],
)
def test_figures_agree_with_their_sources(key, figure):
    """The figures that decide how dangerous a thing is stand in the text as their source has them."""
    assert figure in caution.get(key).text
