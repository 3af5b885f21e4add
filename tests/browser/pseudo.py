"""A made-up translation: what a page still says in English is not in the catalogues."""

import re
import shutil
from importlib.resources import files

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from routekit.outputs.map import words
from routekit.words import catalogue
from routekit.words.extract import collect_messages

LETTER = re.compile(r"\{\w+\}|[A-Za-z]")
ONE, MANY = "¹", "²"
"""Marks of a singular and of a plural."""


def disguise(sentence):
    """Put ö in place of every letter, and leave slots as they are."""
    return LETTER.sub(lambda part: part.group() if part.group()[0] == "{" else "ö", sentence)


def write_disguised(folder, code):
    """Write the catalogue of a language, with every message disguised."""
    made = Catalog(locale=code, charset="utf-8", fuzzy=False)
    for one in collect_messages():
        if not one.id or one.context:
            continue
        forms = [one.id] if isinstance(one.id, str) else list(one.id)
        texts = [disguise(form) for form in forms]
        if len(texts) == 2:
            texts = [texts[0] + ONE, texts[1] + MANY]
        made.add(one.id, texts[0] if len(texts) == 1 else tuple(texts))
    with (folder / f"{code}.po").open("wb") as stream:
        write_po(stream, made, width=0)


def install(folder, monkeypatch):
    """Let German be said in disguise, until the patch is undone; forget what was read before."""
    for path in files("routekit.words").iterdir():
        if path.name.endswith(".po"):
            shutil.copy(path, folder / path.name)
    write_disguised(folder, "de")
    monkeypatch.setattr("routekit.words.languages.FOLDER", folder)
    forget()


def forget():
    """Forget what was read of the catalogues."""
    for cached in (catalogue.load_words, words._known, words._find_spoken):
        cached.cache_clear()
