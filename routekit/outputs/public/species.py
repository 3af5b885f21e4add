"""Common names of genera, so that a resident knows the tree beside its Latin name.

The names are standard knowledge, by genus, in English in the table and in other languages in the
catalogues of `routekit.words`: a species is never named more closely than its genus, and a genus
that is not in the table has its Latin name only.
"""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files

import pandas as pd

from routekit.words.catalogue import load_words
from routekit.words.texts import Objects, fill, join, say, word


@cache
def _read_genera() -> dict[str, str]:
    """Read the shipped table: genus to its name in English."""
    place = files("routekit.outputs.public") / "genera.csv"
    rows = csv.DictReader(place.read_text(encoding="utf-8").splitlines())
    return {row["genus"]: row["en"] for row in rows}


def find_genera(species: pd.Series) -> pd.Series:
    """Give the genus of each species, if the table knows it.

    Parameters
    ----------
    species : pandas.Series of str
        Latin names.

    Returns
    -------
    pandas.Series of str
        The first word with a capital; empty where it is not in the table.

    Examples
    --------
    >>> find_genera(pd.Series(["tilia cordata", "Ficus carica", ""])).tolist()
    ['Tilia', '', '']
    """
    words = species.astype(object).astype(str).str.extract(r"^([^\W\d_]*)", expand=False)
    genus = words.astype(object).fillna("").astype(str).str.capitalize()
    return genus.where(genus.isin(list(_read_genera())), "")


def name_genera(genera: pd.Series, language: str) -> dict[str, str]:
    """Give the common names of the genera that occur.

    Parameters
    ----------
    genera : pandas.Series of str
        From `find_genera`.
    language : str
        Code of a language.

    Returns
    -------
    dict of str to str
        Genus to name, in the order of the alphabet.
    """
    table, words = _read_genera(), load_words(language)
    names = sorted(set(genera) - {""})
    return {genus: words.find(f"tree: {genus}", table[genus])[0] for genus in names}


def name_trees(species: pd.Series) -> Objects:
    """Name trees: the species as the data have it, and the common name of its genus in brackets.

    Parameters
    ----------
    species : pandas.Series of str, shape (n,)

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Texts; the species alone where the genus is not in the table, blank where it is missing.

    Examples
    --------
    >>> name_trees(pd.Series(["Tilia cordata", "fig", None])).tolist()
    ['Tilia cordata (lime)', 'fig', '']
    """
    table, latin = _read_genera(), species.astype(object).where(species.notna(), "")
    genera = find_genera(species)
    return fill(
        join([str(one), _bracket(word(table[genus], context=f"tree: {genus}")) if genus else ""])
        for one, genus in zip(latin, genera, strict=True)
    )


def _bracket(name: str) -> str:
    """Set a name in brackets."""
    return say("({name})", name=name)
