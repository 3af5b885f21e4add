"""What the name of a column says: its words in several languages, taken apart and put together.

A name such as `UPELEV`, `SCHACHT_O` or `Trunk_Diameter` is cut into known stems (up + level,
node + up, stem + diameter), and the stems are held against rules of which stems make a column.
A word that is left over speaks against a rule if it means something else: `COVERSIZE` is no
level of a cover.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from importlib.resources import files
from typing import Final, NamedTuple

import pandas as pd

NEUTRAL: Final = frozenset(("unit", "total", "owner"))
"""Concepts that may be left over in any name."""

OWN: Final = {
    "sewers": frozenset(("pipe",)),
    "manholes": frozenset(("node", "chamber")),
    "trees": frozenset(("tree",)),
    "connections": frozenset(("lateral",)),
    "services": frozenset(("utility", "pipe")),
    "obstacles": frozenset(("building",)),
}
"""Concepts that name the layer itself."""

LEFT_KNOWN, LEFT_UNKNOWN, CUT_SHORT = 0.45, 0.85, 0.95
"""What a rule keeps for each word left over, and where a word is cut short (house choice)."""

_TRUNCATED: Final = 4
"""Letters from which the beginning of a stem stands for it at the end of a name."""


class Part(NamedTuple):
    """A part of a name and what it may mean."""

    text: str
    concepts: frozenset[str]


@cache
def load_stems() -> dict[str, frozenset[str]]:
    """Read the stems of names, plainly spelt, with the concepts that each may stand for."""
    table = _read_csv("name_stems.csv")
    table = table.assign(word=table["words"].str.split(";")).explode("word")
    table = table.assign(word=table["word"].map(spell_name).str.replace(" ", ""))
    return {str(word): frozenset(rows["concept"]) for word, rows in table.groupby("word")}


@cache
def load_rules() -> tuple[tuple[str, str, frozenset[str], float], ...]:
    """Read the rules: layer, canonical column, its concepts, confidence."""
    table = _read_csv("name_rules.csv")
    return tuple(
        (row["layer"], row["column"], frozenset(row["pattern"].split()), float(row["confidence"]))
        for row in table.to_dict("records")
    )


def spell_name(name: str) -> str:
    """Spell a name plainly: lower case, no accents, words between single blanks.

    Examples
    --------
    >>> spell_name("PipeDiamet_2"), spell_name("US_InvLvl")
    ('pipe diamet 2', 'us inv lvl')
    """
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.strip()).replace("ß", "ss")
    bare = unicodedata.normalize("NFKD", spaced.casefold()).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z]+|\d+", bare))


def list_spellings(word: str) -> tuple[str, ...]:
    """List how a word may be spelt plainly, whose umlauts are written with an e.

    Examples
    --------
    >>> list_spellings("sohlhoehe oben"), spell_name("Sohlhöhe_oben")
    (('sohlhoehe oben', 'sohlhohe oben'), 'sohlhohe oben')
    """
    plain = spell_name(word)
    return tuple(dict.fromkeys((plain, re.sub(r"([aou])e", r"\1", plain))))


@cache
def take_apart(name: str) -> tuple[Part, ...]:
    """Cut a name into parts with their concepts; numbers are left out.

    Examples
    --------
    >>> [sorted(part.concepts) for part in take_apart("UPELEV")]
    [['up'], ['level']]
    """
    tokens = [token for token in spell_name(name).split() if not token.isdigit()]
    parts: list[Part] = []
    whole = "".join(tokens)
    if len(tokens) > 1 and whole in load_stems() and len(whole) > _TRUNCATED:
        return (Part(whole, load_stems()[whole]),)
    for token in tokens:
        parts += _cut_token(token)
    return tuple(parts)


def rate_name(layer: str, column: str, name: str) -> tuple[float, str]:
    """Rate a name as that of a canonical column.

    Parameters
    ----------
    layer, column : str
        Canonical layer and column.
    name : str
        As in the source.

    Returns
    -------
    tuple of (float, str)
        Confidence from 0 to 1, and why.
    """
    plain = spell_name(name)
    if plain == spell_name(column) or plain == re.sub(r" (mm|m)$", "", spell_name(column)):
        return 1.0, "canonical name"
    parts = take_apart(name)
    best, why = 0.0, ""
    for ruled, target, pattern, confidence in load_rules():
        if (ruled, target) != (layer, column):
            continue
        score = confidence * _fit(parts, pattern, OWN.get(layer, frozenset()) | NEUTRAL)
        if score > best:
            best, why = score, "name: " + " + ".join(sorted(pattern))
    return round(best, 3), why


def _fit(parts: tuple[Part, ...], pattern: frozenset[str], neutral: frozenset[str]) -> float:
    """Share of a rule's confidence that parts earn: 0 where a concept is missing."""
    left = list(parts)
    for concept in sorted(pattern, key=lambda each: sum(each in p.concepts for p in parts)):
        held = [part for part in left if concept in part.concepts]
        if not held:
            return 0.0
        left.remove(min(held, key=lambda part: len(part.concepts)))
    share = 1.0
    for part in left:
        if part.concepts & (neutral | pattern):
            continue
        share *= LEFT_KNOWN if part.concepts else LEFT_UNKNOWN
    return share


def _cut_token(token: str) -> list[Part]:
    """Cut one word into stems: itself, a chain of stems, its beginning, or nothing known."""
    stems = load_stems()
    if token in stems:
        return [Part(token, stems[token])]
    chain = _chain(token)
    if chain:
        return [
            Part(text, _concepts_of(text, is_last=n + 1 == len(chain)))
            for n, text in enumerate(chain)
        ]
    short = _concepts_of(token, is_last=True)
    if short:
        return [Part(token, short)]
    ends = [stem for stem in stems if len(stem) > _TRUNCATED and token.endswith(stem)]
    starts = [stem for stem in stems if len(stem) > _TRUNCATED and token.startswith(stem)]
    longest = max(ends or starts, key=len, default="")
    if not longest:
        return [Part(token, frozenset())]
    rest = token.removesuffix(longest) if ends else token.removeprefix(longest)
    return [Part(rest, frozenset()), Part(longest, stems[longest])]


def _chain(token: str) -> tuple[str, ...]:
    """Cut a word into the fewest known stems without rest; the last may be cut short."""
    best: list[tuple[str, ...] | None] = [()] + [None] * len(token)
    for end in range(1, len(token) + 1):
        for start in range(end - 1):
            before, piece = best[start], token[start:end]
            if before is None or not _concepts_of(piece, is_last=end == len(token)):
                continue
            if best[end] is None or len(before) + 1 < len(best[end] or ()):
                best[end] = (*before, piece)
    found = best[len(token)] or ()
    return found if 2 * len(found) <= len(token) else ()


@cache
def _concepts_of(text: str, *, is_last: bool) -> frozenset[str]:
    """Concepts of a stem; at the end of a name also of stems that it begins."""
    stems = load_stems()
    if text in stems:
        return stems[text]
    if not is_last or len(text) < _TRUNCATED:
        return frozenset()
    longer = [concepts for stem, concepts in stems.items() if stem.startswith(text)]
    return frozenset.intersection(*longer) if longer else frozenset()


def _read_csv(name: str) -> pd.DataFrame:
    """Read a table of the folder as text."""
    with (files("routekit.layers") / name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream, dtype=str, keep_default_na=False)
