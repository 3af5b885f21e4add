"""Gather the messages of the package, and bring the catalogues up to date.

`python -m routekit.words.extract` does it for all languages, with codes of languages for these; a
code that has no file yet gets one. Only the catalogues are written: nothing else needs to change.
"""

from __future__ import annotations

import ast
import csv
import datetime as dt
import re
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Final, NamedTuple

import jinja2
from babel.messages.catalog import Catalog
from babel.messages.extract import extract_javascript
from babel.messages.pofile import write_po
from jinja2.ext import extract_from_ast

from routekit.words.catalogue import APART, FIRST_DAY, read_catalogue
from routekit.words.languages import list_languages
from routekit.words.texts import lower_first, strip_formats

PACKAGE: Final = Path(__file__).parent.parent
_FOLDER: Final = Path(__file__).parent
_DATE: Final = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
"""Date in the header of every catalogue: a file changes only where its words do."""

_PLURAL: Final = ("say", "say_each", "say_rows", "_")
_CALLS: Final[dict[str, tuple[int | str, ...]]] = {
    "message": (0,),
    "Technique": ("name", "phrase"),
}
"""Function of Python to the arguments that are messages, by place or name."""
_KEYWORDS: Final = ("remedy", "note", "unit", "rule")
"""Names that hold messages wherever they are given a text."""
_KEYED: Final = PACKAGE / "outputs" / "public"
"""Its scripts say sentences by their keys; the sentences themselves are in a table."""
_SCRIPT: Final = {"say": None, "sayMany": None}
"""Functions of the scripts that say something."""
_NAMES: Final = {
    "at_most": 0,
    "at_least": 0,
    "must_not": 0,
    "classed": 0,
    "clear_of_services": 2,
    "name_check": 0,
    "_pull_check": 0,
}
"""Function to the argument that names a check: its catalogue entry begins small."""
_TABLES: Final[dict[str, tuple[str, ...]]] = {
    "result_columns.csv": ("title", "unit"),
    "outputs/schedule_columns.csv": ("sheet", "title", "unit"),
    "methods/tables/observation_codes.csv": ("name",),
    "advice/tables/unit_rates.csv": ("text",),
    "advice/tables/site_items.csv": ("text", "rule"),
    "outputs/bill_sections.csv": ("section",),
    "advice/tables/appraisal_rules.csv": ("short",),
    "outputs/arborist/working_methods.csv": ("text",),
}
"""Table of the package to its columns of messages."""


class Entry(NamedTuple):
    """A message, and the file that holds it."""

    one: str
    many: str
    context: str
    place: str


@cache
def collect_messages() -> Catalog:
    """Gather the messages of all files of the package.

    Returns
    -------
    babel.messages.catalog.Catalog
        Without translations, in the order of their English.
    """
    found = Catalog(
        charset="utf-8", fuzzy=False, creation_date=_DATE, project="routekit", version="1"
    )
    for entry in sorted({*_list_settled(), *_read_files(), *_read_tables(), *_read_public()}):
        name = (entry.one, entry.many) if entry.many else entry.one
        found.add(name, locations=[(entry.place, 1)], context=entry.context or None)
    return found


def _list_settled() -> Iterator[Entry]:
    """List what a language says of itself."""
    yield Entry("1,000", "", APART, "words/catalogue.py")
    yield Entry("{d}", "", FIRST_DAY, "words/catalogue.py")


def _read_files() -> Iterator[Entry]:
    """Read code, scripts and page templates."""
    for path in sorted(PACKAGE.rglob("*")):
        place = path.relative_to(PACKAGE).as_posix()
        if path.suffix == ".py":
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Call):
                    yield from _read_call(node, place)
                if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") in _KEYWORDS:
                    yield from _state(_literal(node.value), place)
        elif path.suffix == ".js" and path.parent.name == "script" and _KEYED not in path.parents:
            yield from _read_script(path, place)
        elif path.suffix == ".j2":
            yield from _read_template(path, place)


def _read_call(call: ast.Call, place: str) -> Iterator[Entry]:
    """Read the messages of one call."""
    name = call.func.id if isinstance(call.func, ast.Name) else getattr(call.func, "attr", "")
    given: dict[int | str, str] = dict(enumerate(map(_literal, call.args)))
    given |= {word.arg: _literal(word.value) for word in call.keywords if word.arg}
    if name in _PLURAL and given.get(0):
        one, many = (strip_formats(given.get(at, "")) for at in (0, 1))
        yield Entry(one, many, given.get("context", ""), place)
    words = _KEYWORDS if place.startswith("methods/") else ()
    for at in (*_CALLS.get(name, ()), *words):
        yield from _state(given.get(at, ""), place)
    if name in _NAMES:
        yield from _state(lower_first(given.get(_NAMES[name], "")), place)


def _state(words: str, place: str) -> Iterator[Entry]:
    """Take words as a message, but for signs of units."""
    if re.search("[a-z]{3}", words):
        yield Entry(strip_formats(words), "", "", place)


def _literal(node: ast.expr) -> str:
    """Give a string that stands in the code; blank for anything else."""
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def _read_script(path: Path, place: str) -> Iterator[Entry]:
    """Read the calls of `say` and `sayMany` in a script."""
    with path.open("rb") as stream:
        for _, name, given, _ in extract_javascript(stream, _SCRIPT, [], {}):
            words = [given] if isinstance(given, str) else [word or "" for word in given or ()]
            many = words[1] if name == "sayMany" else ""
            if words[0]:
                yield Entry(words[0], many, "", place)


def _read_template(path: Path, place: str) -> Iterator[Entry]:
    """Read the calls of `_` in a page template."""
    tree = jinja2.Environment(autoescape=True).parse(path.read_text(encoding="utf-8"))
    for _, _, given in extract_from_ast(tree, ("_",), babel_style=False):
        words = [given] if isinstance(given, str) else [word or "" for word in given or ()]
        one, many = (strip_formats(word) for word in (*words, "")[:2])
        if one:
            yield Entry(one, many, "", place)


def _read_tables() -> Iterator[Entry]:
    """Read the texts of tables."""
    for place, columns in _TABLES.items():
        with (PACKAGE / place).open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                yield from (entry for name in columns for entry in _state(row[name], place))


def _read_public() -> Iterator[Entry]:
    """Read the sentences of the page for residents, and the common names of trees."""
    folder = PACKAGE / "outputs" / "public"
    sentences: dict[str, Any] = tomllib.loads((folder / "sentences.toml").read_text("utf-8"))
    for topic, group in sentences.items():
        for key, said in group.items():
            one, many = (said, "") if isinstance(said, str) else (said["one"], said["other"])
            yield Entry(one, many, f"residents: {topic}.{key}", "outputs/public/sentences.toml")
    with (folder / "genera.csv").open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            yield Entry(row["en"], "", f"tree: {row['genus']}", "outputs/public/genera.csv")


def update_catalogue(language: str) -> Path:
    """Bring the file of a language up to date: new messages come, blank, and old ones go.

    Parameters
    ----------
    language : str
        A code of CLDR; without a file yet, one is made.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    babel.UnknownLocaleError
        If there is no such language.
    """
    path = _FOLDER / f"{language}.po"
    known = read_catalogue(language) if path.exists() else Catalog(locale=language)
    known.update(collect_messages(), no_fuzzy_matching=True)
    known.fuzzy, known.revision_date, known.creation_date = False, _DATE, _DATE
    known.msgid_bugs_address, known.last_translator, known.language_team = ("routekit",) * 3
    known.header_comment = f"# Words of routekit: {known.locale_identifier}."
    with path.open("wb") as stream:
        write_po(
            stream, known, width=0, sort_output=True, ignore_obsolete=True, include_lineno=False
        )
    return path


def list_missing(language: str) -> list[str]:
    """List the messages that a language does not translate.

    Parameters
    ----------
    language : str

    Returns
    -------
    list of str
        English sentences, with their context in brackets.
    """
    known = read_catalogue(language)
    return [
        f"{entry.context} [{_first(entry.id)}]" if entry.context else _first(entry.id)
        for entry in collect_messages()
        if entry.id and not _is_translated(known.get(entry.id, entry.context))
    ]


def _first(name: Any) -> str:
    """Give the singular of a message."""
    return str(name if isinstance(name, str) else name[0])


def _is_translated(entry: Any) -> bool:
    """Tell whether a message has all its translations."""
    forms = () if entry is None else entry.string
    return bool(forms) and all([forms] if isinstance(forms, str) else forms)


def main(languages: list[str]) -> None:
    """Bring catalogues up to date, and say how many messages each leaves untranslated."""
    for language in languages or [one for one in list_languages() if one != "en"]:
        path = update_catalogue(language)
        total = len(collect_messages())
        sys.stdout.write(f"{path.name}: {len(list_missing(language))} of {total} not translated\n")


if __name__ == "__main__":
    main(sys.argv[1:])
