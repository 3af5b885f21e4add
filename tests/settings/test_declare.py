"""Settings: each declared with its unit, source and meaning."""

import re

import pytest
from pydantic import ValidationError

from routekit.errors import StudyError
from routekit.settings.declare import Settings, setting, walk_settings
from routekit.settings.sources import load_sources
from routekit.study import parse_settings

ALL = list(walk_settings(parse_settings({"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}})))
SUFFIX_UNITS = {
    "_m": ("m",),
    "_mm": ("mm",),
    "_m2": ("m2",),
    "_kn": ("kN",),
    "_deg": ("deg",),
    "_share": ("share", "-", "share of bore", "share of section"),
}


class Inner(Settings):
    depth_m: float = setting(1.5, unit="m", source="house", text="How deep.", gt=0)


class Outer(Settings):
    inner: Inner = setting(Inner, unit="-", source="study", text="A group.")
    name: str = setting("x", unit="-", source="study", text="A name.")


def test_walking_gives_dotted_names_in_declared_order():
    rows = list(walk_settings(Outer(name="y")))
    assert [tuple(row) for row in rows] == [
        ("inner.depth_m", 1.5, "m", "house", "How deep.", 1.5, False),
        ("name", "y", "-", "study", "A name.", "x", True),
    ]


@pytest.mark.parametrize("given", [{"nam": "x"}, {"inner": {"depth_m": 0}}])
def test_unknown_names_and_impossible_values_are_refused(given):
    with pytest.raises(ValidationError):
        Outer.model_validate(given)


def test_groups_are_made_anew_for_each_study():
    assert Outer().inner is not Outer().inner


def test_names_are_unique():
    names = [row.name for row in ALL]
    assert len(names) == len(set(names)) > 200


@pytest.mark.parametrize("row", ALL, ids=lambda row: row.name)
def test_every_setting_has_a_known_source_a_unit_and_a_meaning(row):
    assert row.source in load_sources().index
    assert row.unit
    assert len(row.text) > 5
    last = row.name.rsplit(".", 1)[-1]
    suffix = re.search(r"_[a-z0-9]+$", last)
    if suffix and suffix.group() in SUFFIX_UNITS and isinstance(row.value, float):
        assert row.unit in SUFFIX_UNITS[suffix.group()]


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"pipe": {"cooling_k": True}}, r"pipe\.cooling_k: must be a number, not true"),
        ({"pipe": {"cooling_k": "15"}}, r'pipe\.cooling_k: must be a number, not "15"'),
        ({"pull": {"friction": [0.3, "0.4", 0.5]}}, r"pull\.friction: must be a number"),
        ({"flow": {"roughness_mm": {"clay": False}}}, r"roughness_mm: must be a number, not false"),
        ({"trench": {"supported": 1}}, r"trench\.supported: must be true or false, not 1"),
        ({"trench": {"supported": "yes"}}, r'supported: must be true or false, not "yes"'),
        ({"advice": {"rates": {"pipe_pe_kg": [1, 2, True]}}}, r"pe_kg: must be a number, not true"),
    ],
)
def test_what_is_no_number_is_not_read_as_one(given, message):
    layers = {"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}}
    with pytest.raises(StudyError, match=message):
        parse_settings(layers | given)


def test_whole_numbers_are_numbers_and_texts_stay_texts():
    settings = parse_settings(
        {
            "layers": {"sewers": "s.gpkg", "trees": "t.gpkg"},
            "study": {"name": "7"},
            "pipe": {"cooling_k": 15},
            "flow": {"viscosity_m2_s": 1},
        }
    )
    assert settings.pipe.cooling_k == 15.0
