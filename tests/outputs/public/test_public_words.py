"""Language files say the same things, and statements become the right sentences."""

from __future__ import annotations

import re
from importlib.resources import files

import pandas as pd
import pytest

from routekit.outputs.public.facts import DIG_KINDS
from routekit.outputs.public.languages import LANGUAGES, load_words, render, write_date
from routekit.outputs.public.phrases import CLASSES
from routekit.outputs.public.species import find_genera, name_genera
from routekit.techniques import RECORDS
from routekit.vocabulary import SEVERITIES, SURFACE_KINDS

OTHERS = [code for code in LANGUAGES if code != "en"]


def _leaves(words: dict, path: str = "") -> dict[str, str]:
    found = {}
    for key, value in words.items():
        if isinstance(value, dict):
            found |= _leaves(value, f"{path}{key}.")
        elif isinstance(value, str):
            found[f"{path}{key}"] = value
    return found


def _all_leaves(code: str) -> dict[str, str]:
    return _leaves(load_words(code, is_divided=True))


def _slots(text: str) -> list[str]:
    return sorted(re.findall(r"\{(\w+)\}", text))


@pytest.mark.parametrize("code", OTHERS)
def test_every_language_has_the_same_sentences_with_the_same_slots(code):
    english, other = _all_leaves("en"), _all_leaves(code)
    # Forms that English has not: millions of the Romance languages, two to four of the Slavic ones.
    forms = (".zero", ".two", ".few", ".many")
    more = {key for key in other if key.endswith(forms)} - set(english)
    other = {key: text for key, text in other.items() if key not in more}
    assert sorted(other) == sorted(english)
    assert {key: _slots(text) for key, text in other.items()} == {
        key: _slots(text) for key, text in english.items()
    }


@pytest.mark.parametrize("code", OTHERS)
def test_sentences_are_translated(code):
    english, other = _all_leaves("en"), _all_leaves(code)
    same = {key for key in english if english[key] == other[key] and len(english[key]) > 12}
    assert same == set()


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_word_of_the_vocabulary_has_words(code):
    words = load_words(code)
    assert {one.told_as for one in RECORDS} | {"inside", "pits"} <= set(words["works"])
    assert set(words["surface"]) == {*SURFACE_KINDS, "unknown"}
    assert {f"trench_{severity}" for severity in SEVERITIES} <= set(words["tree"])
    assert {f"plan_{severity}" for severity in SEVERITIES[1:]} <= set(words["tree"])
    assert set(CLASSES.values()) <= set(words["legend"])
    assert {*DIG_KINDS, "unknown"} <= set(words["hole"])


@pytest.mark.parametrize(
    ("code", "count", "sentence"),
    [
        ("en", 1, "1 pit is dug here."),
        ("en", 0, "0 pits are dug here."),
        ("nl", 2, "Hier worden 2 werkputten gegraven."),
        ("de", 1, "Hier wird 1 Baugrube ausgehoben."),
        ("fr", 0, "0 fouille est creusée ici."),
        ("fr", 2, "2 fouilles sont creusées ici."),
    ],
)
def test_plural_follows_the_language(code, count, sentence):
    assert render(["pits", "count", {"n": count}], load_words(code)) == sentence


def test_spanish_has_a_plural_whatever_it_calls_a_pit():
    one, three = (render(["pits", "count", {"n": n}], load_words("es")) for n in (1, 3))
    assert three.startswith("Aquí se excavan 3 ")
    assert three != one.replace("1", "3")


def test_numbers_take_the_decimal_sign_and_nested_statements_are_filled_in():
    statement = [
        "pits",
        "place",
        {
            "id": "P1",
            "where": ["surface", "parking"],
            "size": ["pits", "size", {"l": 8.0, "w": 2.5}],
            "time": ["pits", "time", {"low": 3, "high": 5}],
        },
    ]
    assert render(statement, load_words("de")) == (
        "Baugrube P1 liegt auf Stellplätzen; etwa 8 mal 2,5 m; "
        "wir erwarten, dass sie 3 bis 5 Arbeitstage offen bleibt."
    )


@pytest.mark.parametrize(
    ("code", "written"),
    [
        ("en", ("1,250", "12,500.5", "999")),
        ("nl", ("1.250", "12.500,5", "999")),
        ("de", ("1.250", "12.500,5", "999")),
        ("fr", ("1\u202f250", "12\u202f500,5", "999")),
        ("es", ("1250", "12\u202f500,5", "999")),
    ],
)
def test_thousands_are_marked_as_the_language_does(code, written):
    words = {**load_words(code), "test": {"length": "{m}"}}
    numbers = (1250, 12500.5, 999)
    assert tuple(render(["test", "length", {"m": m}], words) for m in numbers) == written


@pytest.mark.parametrize("code", LANGUAGES)
def test_words_of_a_divided_page_are_left_out_of_a_whole_one(code):
    whole, divided = load_words(code), load_words(code, is_divided=True)
    assert set(divided["ui"]) > set(whole["ui"])
    assert divided.keys() == whole.keys()
    assert all(divided["ui"][key] == whole["ui"][key] for key in whole["ui"])


@pytest.mark.parametrize(
    ("code", "first", "other"),
    [
        ("en", "1 June 2026", "24 March 2026"),
        ("nl", "1 juni 2026", "24 maart 2026"),
        ("de", "1. Juni 2026", "24. März 2026"),
        ("fr", "1er juin 2026", "24 mars 2026"),
        ("es", "1 de junio de 2026", "24 de marzo de 2026"),
    ],
)
def test_dates_are_written_out(code, first, other):
    words = load_words(code)
    assert len(words["months"]) == 12
    assert write_date("2026-06-01", words) == first
    assert write_date("2026-03-24", words) == other


@pytest.mark.parametrize("code", LANGUAGES)
def test_genera_have_a_name_in_every_language(code):
    genera = find_genera(pd.Series(["Quercus robur", "quercus petraea", "Ficus carica", "×"]))
    assert genera.tolist() == ["Quercus", "Quercus", "", ""]
    names = {"en": "oak", "nl": "eik", "de": "Eiche", "fr": "chêne", "es": "roble o encina"}
    named = name_genera(genera, code)
    assert named == {"Quercus": names.get(code, named["Quercus"])}
    table = pd.read_csv(str(files("routekit.outputs.public") / "genera.csv"))
    every = name_genera(table["genus"], code)
    assert all(every.values())
    assert code == "en" or every != dict(zip(table["genus"], table["en"], strict=True))
    assert table["genus"].is_unique
    assert table["genus"].is_monotonic_increasing


def test_text_of_the_study_is_not_read_as_a_template():
    said = ["ui", "tree", {"id": "{id} {n} ["}]
    assert render(said, load_words("en")) == "Tree {id} {n} ["


def test_unknown_language_is_refused():
    with pytest.raises(ValueError, match="language 'xx' is not one of en, "):
        load_words("xx")
