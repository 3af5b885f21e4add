"""One record for each technique, and everything else derived from it."""

import ast
import dataclasses
import json
import re
from importlib import import_module
from pathlib import Path
from typing import get_args

import pytest

import routekit
from routekit import techniques
from routekit.advice import work_items
from routekit.advice.confirmations import CUTS_ROOTS_FIRST
from routekit.advice.new_bores import KEEPS_SHAPE
from routekit.outputs.map.palette import load_palette, seen_strokes
from routekit.outputs.public.phrases import CLASSES
from routekit.settings.public_page import PublicSettings
from routekit.techniques import (
    BURSTING,
    CUTTING,
    MONITOR,
    OPEN_CUT,
    RECORDS,
    ROOTED_AGAIN,
    TECHNIQUES,
)

PACKAGE = Path(routekit.__file__).parent

OTHER_WORDS = {
    ("advice/totals.py", "open_cut"): "a side of the totals, in the names of their columns",
    ("outputs/map/script/sheets.js", "open_cut"): "the same side",
    ("site/digs.py", "local_repair"): "a kind of dig",
    ("site/dig_tables.py", "local_repair"): "the letter of that kind",
    ("outputs/public/facts.py", "local_repair"): "the same kind",
}
"""Words that are spelt as a technique and mean something else."""


@pytest.mark.parametrize("field", [one.name for one in dataclasses.fields(techniques.Technique)])
def test_a_field_that_is_missing_stops_the_record(field):
    given = {one.name: getattr(RECORDS[0], one.name) for one in dataclasses.fields(RECORDS[0])}
    techniques.Technique(**given)
    del given[field]
    with pytest.raises(TypeError, match=field):
        techniques.Technique(**given)


def test_a_record_that_lacks_a_field_stops_the_import(tmp_path, monkeypatch):
    text = Path(techniques.__file__).read_text(encoding="utf-8")
    assert text.count("        joins=") == len(RECORDS)
    spoilt = re.sub(r"        joins=.*\n", "", text, count=1)
    (tmp_path / "spoilt_techniques.py").write_text(spoilt, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(TypeError, match="joins"):
        import_module("spoilt_techniques")


@pytest.mark.parametrize("field", ["new_pipe", "answers", "digs", "joins", "lies", "work", "seen"])
def test_a_word_that_no_room_knows_stops_the_record(field):
    with pytest.raises(ValueError, match=f"monitor: {field} 'frob' is none of "):
        dataclasses.replace(RECORDS[0], **{field: "frob"})


def test_a_tone_that_the_palette_lacks_stops_the_record():
    sign = dataclasses.replace(RECORDS[0].sign, tone="frob")
    with pytest.raises(ValueError, match="tone 'frob'"):
        dataclasses.replace(RECORDS[0], sign=sign)
    kept = json.loads((PACKAGE / "outputs/map/palette.json").read_text(encoding="utf-8"))
    assert set(kept["tones"]) == set(get_args(techniques.Tone))


def test_two_of_one_kind_are_refused_where_there_can_be_one():
    found = techniques.list_codes(lambda one: one.roots_return)
    told = f"one technique must be lined, not {len(found)}: {found[0]}, {found[1]}"
    with pytest.raises(ValueError, match=told):
        techniques.find_code(lambda one: one.roots_return, "lined")


# As these lists were kept by hand before the records, and what came since.
def test_lists_are_what_they_were():
    assert list(TECHNIQUES) == [
        "monitor",
        "cut_roots",
        "local_repair",
        "cipp",
        "close_fit",
        "dig_and_line",
        "slip_lining",
        "burst_same",
        "burst_upsized",
        "open_cut",
    ]
    assert (MONITOR, CUTTING, OPEN_CUT) == ("monitor", "cut_roots", "open_cut")
    assert BURSTING == ("burst_same", "burst_upsized")
    assert ROOTED_AGAIN == ("local_repair", "cipp", "close_fit", "dig_and_line", "slip_lining")
    assert CUTS_ROOTS_FIRST == ROOTED_AGAIN
    assert KEEPS_SHAPE == ("monitor", "cut_roots", "local_repair", "cipp", "dig_and_line")
    pitted = ("slip_lining", "burst_same", "burst_upsized")
    assert techniques.list_codes(lambda one: one.seen == "pits") == pitted
    inside = ("cut_roots", "local_repair", "cipp", "close_fit", "dig_and_line")
    assert {
        "monitor": "leave",
        **dict.fromkeys(inside, "inside"),
        **dict.fromkeys(pitted, "pits"),
        "open_cut": "trench",
        "": "undecided",
    } == CLASSES
    assert PublicSettings().days == {
        "cut_roots": (1, 1),
        **dict.fromkeys(("local_repair", "cipp", "close_fit"), (1, 2)),
        "dig_and_line": (2, 4),
        "slip_lining": (2, 4),
        "burst_same": (3, 5),
        "burst_upsized": (3, 6),
        "open_cut": (5, 15),
    }


def test_every_word_of_a_record_has_someone_who_knows_it():
    assert set(work_items._LISTS) == set(get_args(techniques.Work))
    assert set(seen_strokes()) == {*get_args(techniques.Seen), "undecided"}


def test_the_maps_get_each_sign_from_its_record():
    signs = load_palette()["techniques"]
    assert [(code, sign["mark"]) for code, sign in signs.items()] == [
        *((one.code, one.sign.mark) for one in RECORDS),
        ("", load_palette()["severities"][""]["mark"]),
    ]


def test_no_other_file_names_a_technique():
    found = set()
    for path in PACKAGE.rglob("*"):
        if "vendor" in path.parts or path.name == "techniques.py":
            continue
        name = path.relative_to(PACKAGE).as_posix()
        if path.suffix == ".py":
            tree = ast.parse(path.read_text(encoding="utf-8"))
            said = {one.value for one in ast.walk(tree) if isinstance(one, ast.Constant)}
            found |= {(name, code) for code in TECHNIQUES if code in said}
        elif path.suffix in (".js", ".json", ".html", ".j2", ".typ"):
            text = path.read_text(encoding="utf-8")
            found |= {(name, code) for code in TECHNIQUES if re.search(rf"[\"'`]{code}\b", text)}
    assert found == set(OTHER_WORDS)
