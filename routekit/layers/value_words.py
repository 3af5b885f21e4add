"""What the words in the cells of a choice mean, in the languages that towns write them in.

A cell is taken apart into words; it is understood where all of them, but for a few that mean
nothing, name one and the same value. Words that differ in meaning from town to town («C», «AC»)
are not `sure`: they are offered to a person, never read.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

KINDS: Final = {
    ("sewers", "material"): "material",
    ("manholes", "material"): "material",
    ("sewers", "use"): "use",
    ("sewers", "shape"): "shape",
    ("sewers", "status"): "sewer_status",
    ("trees", "status"): "tree_status",
    ("connections", "kind"): "connection_kind",
    ("services", "kind"): "service_kind",
    ("surfaces", "kind"): "surface_kind",
    ("obstacles", "kind"): "obstacle_kind",
}
"""Canonical column to its kind in `value_words.csv`."""

NOISE: Final = frozenset(
    (
        *("pipe", "pipes", "sewer", "sewers", "main", "line", "the", "of", "in", "place", "situ"),
        *("rohr", "rohre", "kanal", "buis", "riool", "leiding", "tuyau", "conduite", "tubo"),
        *("tuberia", "class", "type", "typ", "de", "en", "et", "y", "und"),
    )
)
"""Words that a meaning may stand among."""

_LONGEST: Final = 5
"""Words of the longest phrase."""


@cache
def load_value_words() -> pd.DataFrame:
    """Read the words that towns write in the cells of choices.

    Returns
    -------
    pandas.DataFrame
        Columns kind, meaning, sure (bool), word (plainly spelt); one row per word.
    """
    with (files("routekit.layers") / "value_words.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table = table.assign(word=table["words"].str.split(";"), sure=table["sure"].eq("yes"))
    table = table.explode("word", ignore_index=True)
    return table.assign(word=table["word"].map(spell_plainly)).drop(columns="words")


def spell_plainly(text: str) -> str:
    """Spell a text in lower case without accents or signs, one blank between words.

    Examples
    --------
    >>> spell_plainly(" Béton armé (BA) ")
    'beton arme ba'
    """
    folded = text.casefold().replace("ß", "ss")
    bare = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z0-9]+", bare))


def understand_words(
    layer: str, column: str, texts: Iterable[str], *, is_sure: bool = True
) -> dict[str, str]:
    """Give the canonical value of each text that can mean one only.

    Parameters
    ----------
    layer, column : str
        Canonical layer and column; a column without words gives an empty answer.
    texts : iterable of str
        Distinct cells. A status with a question mark says nothing that is sure.
    is_sure : bool, optional
        Whether to leave out words that mean different things in different towns.

    Returns
    -------
    dict of str to str
        Text as written to canonical value; texts that are not understood are not in it.
    """
    kind = KINDS.get((layer, column))
    if kind is None:
        return {}
    words = _words_of(kind, is_sure=is_sure)
    told = [text for text in texts if column != "status" or "?" not in text]
    found = {text: _read_phrase(spell_plainly(text), words) for text in told}
    return {text: meaning for text, meaning in found.items() if meaning is not None}


@cache
def _words_of(kind: str, *, is_sure: bool) -> dict[str, str]:
    """Words of a kind; a word that is sure goes before one that is not."""
    table = load_value_words()
    table = table[table["kind"].eq(kind) & (table["sure"] | (not is_sure))]
    table = table.sort_values("sure", kind="stable")
    return dict(zip(table["word"], table["meaning"], strict=True))


def _read_phrase(plain: str, words: dict[str, str]) -> str | None:
    """Read a phrase by its longest known parts; None unless all of it agrees."""
    if plain in words:
        return words[plain]
    tokens, meanings, start = plain.split(), set(), 0
    while start < len(tokens):
        for size in range(min(_LONGEST, len(tokens) - start), 0, -1):
            part = " ".join(tokens[start : start + size])
            if part in words:
                meanings.add(words[part])
                break
        else:
            size = 1
            if tokens[start] not in NOISE:
                return None
        start += size
    return meanings.pop() if len(meanings) == 1 else None
