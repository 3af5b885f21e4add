"""Catalogues: plural rules of the languages, signs of numbers, and what is not translated."""

import json
import re
import shutil
import subprocess
from importlib.resources import files

import pytest
from babel.messages.catalog import Catalog

from routekit.words.catalogue import (
    APART,
    load_words,
    pack_words,
    read_catalogue,
    render,
    render_column,
    translate_words,
)
from routekit.words.extract import collect_messages, list_missing, update_catalogue
from routekit.words.languages import list_languages
from routekit.words.texts import SLOT, begin, join, say, to_json, word

OTHERS = [code for code in list_languages() if code != "en"]

UNTRANSLATED = {"de": 0, "es": 0, "fr": 0, "nl": 0}
"""Messages that each language may leave in English: none."""

# Unicode CLDR 46, plural rules of cardinals, from memory: Polish says one (1), few (2-4, 22-24 ...
# but not 12-14) and many; Czech one, few (2-4) and other.
POLISH = {1: "drzewo", 2: "drzewa", 5: "drzew", 12: "drzew", 22: "drzewa", 25: "drzew"}


@pytest.fixture
def polish(tmp_path, monkeypatch):
    """A catalogue of a language that the package does not ship."""
    folder = tmp_path / "words"
    folder.mkdir()
    for path in files("routekit.words").iterdir():
        if path.name.endswith(".po"):
            shutil.copy(path, folder / path.name)
    monkeypatch.setattr("routekit.words.languages.FOLDER", folder)
    monkeypatch.setattr("routekit.words.extract._FOLDER", folder)
    (folder / "pl.po").write_text(
        'msgid ""\nmsgstr ""\n"Content-Type: text/plain; charset=utf-8\\n"\n'
        '"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 ||'
        ' n%100>=20) ? 1 : 2);\\n"\n\n'
        'msgid "{n} tree"\nmsgid_plural "{n} trees"\nmsgstr[0] "{n} drzewo"\n'
        'msgstr[1] "{n} drzewa"\nmsgstr[2] "{n} drzew"\n\n'
        'msgid "limit {x} m"\nmsgstr "granica {x} m"\n',
        encoding="utf-8",
    )
    load_words.cache_clear()
    yield folder
    load_words.cache_clear()


def trees(n):
    return say("{n:,.0f} tree", "{n:,.0f} trees", n=n)


@pytest.mark.usefixtures("polish")
def test_a_language_is_one_file_with_its_own_plural_rules():
    assert "pl" in list_languages()
    assert {n: render(trees(n), "pl").split()[1] for n in POLISH} == POLISH
    assert render(say("limit {x:.2f} m", x=1.5), "pl") == "granica 1,50 m"
    assert load_words("pl").name == "Polski"


@pytest.mark.usefixtures("polish")
def test_what_is_not_translated_is_said_in_english():
    said = join([trees(3), say("no such words {x:.1f}", x=1.5)], "; ")
    assert render(begin(said), "pl") == "3 drzewa; no such words 1,5"


@pytest.mark.usefixtures("polish")
def test_a_new_catalogue_asks_for_every_message():
    path = update_catalogue("cs")
    assert path.name == "cs.po"
    assert len(list_missing("cs")) == len([one for one in collect_messages() if one.id])
    assert read_catalogue("cs").num_plurals == 3
    assert render(say("{a:,.2f}", a=12345.6), "cs") == "12\u00a0345,60"


@pytest.mark.usefixtures("polish")
def test_an_update_keeps_translations():
    before = read_catalogue("de")
    kept = {(m.context, m.id): m.string for m in before if m.string and m.id}
    update_catalogue("de")
    after = {(m.context, m.id): m.string for m in read_catalogue("de") if m.id}
    assert len(kept) > 100
    known = {(m.context, m.id) for m in collect_messages()}
    assert all(after[key] == value for key, value in kept.items() if key in known)


@pytest.mark.parametrize(
    ("code", "written"),
    [
        ("en", "12,345.60 and 1,234 and -3.0"),
        ("de", "12.345,60 and 1.234 and -3,0"),
        ("fr", "12\u202f345,60 and 1\u202f234 and -3,0"),
        ("es", "12\u202f345,60 and 1234 and -3,0"),
    ],
)
def test_numbers_take_the_signs_of_the_language(code, written):
    text = say("{a:,.2f} and {b:,.0f} and {c:.1f}", a=12345.6, b=1234, c=-3)
    assert render(text, code) == written
    assert render_column(to_json([text, ""]), code).tolist() == [written, ""]


def test_words_of_lists_are_translated_and_others_stay():
    names = translate_words(["maple", None, 3], "de", context="tree: Acer")
    assert names.tolist() == ["Ahorn", None, 3]


@pytest.mark.parametrize("code", OTHERS)
def test_translations_fill_the_same_slots(code):
    for one in read_catalogue(code):
        if one.id and one.string and one.context != APART:
            ids = [one.id] if isinstance(one.id, str) else list(one.id)
            slots = {slot for text in ids for slot, _ in SLOT.findall(text)}
            for text in [one.string] if isinstance(one.string, str) else one.string:
                assert {slot for slot, _ in SLOT.findall(text)} <= slots, text
                assert text == "" or slots - {slot for slot, _ in SLOT.findall(text)} <= {"n"}, text


@pytest.mark.parametrize("code", OTHERS)
def test_every_message_is_translated(code):
    missing = list_missing(code)
    assert len(missing) <= UNTRANSLATED.get(code, 0), missing[:20]


def test_french_signs_never_begin_a_line():
    """A space before ; : ? ! is unbreakable: rules of French typesetting, from memory."""
    loose = [
        text
        for one in read_catalogue("fr")
        for text in ([one.string] if isinstance(one.string, str) else one.string)
        if re.search(r" [;:?!»]|« ", text)
    ]
    assert loose == []


def test_the_catalogues_gather_code_scripts_templates_and_tables():
    found = collect_messages()
    assert isinstance(found, Catalog)
    places = {place for one in found for place, _ in one.locations}
    assert {"result_columns.csv", "outputs/public/sentences.toml", "techniques.py"} <= places


def test_an_unknown_language_is_refused():
    with pytest.raises(ValueError, match="language 'xx' is not one of en, "):
        load_words("xx")


@pytest.mark.needs_system
@pytest.mark.usefixtures("polish")
def test_the_script_says_the_same_as_python():
    node = shutil.which("node")
    if node is None:
        pytest.skip("no node")
    texts = [
        trees(22),
        trees(1200),
        begin(join([trees(1), say("limit {x:,.2f} m", x=12345.5)], "; ")),
        say("limit {x} m", x="{n}"),
        word("no such word"),
    ]
    for code in ("pl", "de", "en"):
        wanted = {("", "{n} tree"), ("", "limit {x} m")}
        script = (
            files("routekit.words").joinpath("script/say.js").read_text(encoding="utf-8")
            + f"chooseTongue({json.dumps(pack_words(code, wanted))});\n"
            + f"const said = {json.dumps(to_json(texts).tolist())};\n"
            + "console.log(JSON.stringify(said.map(putWords)));"
        )
        done = subprocess.run([node, "-e", script], capture_output=True, check=True, text=True)
        assert json.loads(done.stdout) == [render(text, code) for text in texts]
