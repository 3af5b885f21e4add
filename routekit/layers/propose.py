"""Proposing how the columns of an unknown layer map to the canonical ones.

A proposal rests on the name (`names.py`) and on the values: a number column must hold plausible
numbers, an id must tell rows apart, the ends of runs must chain, words must be known. What is
in doubt is proposed as a choice, for a person to make: nothing is read by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.errors import LayerError
from routekit.layers.classes import read_column_lengths
from routekit.layers.columns import (
    LAYERS,
    TABLE_LAYERS,
    VECTOR_LAYERS,
    Column,
    load_columns,
    suggest_name,
)
from routekit.layers.evidence import Cells, rate_values
from routekit.layers.mending import FITTING_TYPES
from routekit.layers.names import list_spellings, rate_name, spell_name, take_apart
from routekit.layers.settings import METRES
from routekit.layers.units import judge_unit

if TYPE_CHECKING:
    from routekit.layers.units import JudgedUnit

PROPOSAL_COLUMNS: Final = ("canonical", "source", "why", "confidence", "is_sure")

LEAST_CONFIDENCE, SURE = 0.4, 0.58
"""Below the first nothing is proposed; below the second it is proposed as a choice (house)."""

CLOSE: Final = 0.06
"""A second candidate this near in confidence makes the first one a choice (house choice)."""

_SAMPLE_ROWS: Final = 2000

LAYER_NAMED: Final = 1.0
"""What a layer gains as a guess where the source is named so: as a column does (house choice)."""

LAYER_WORDS: Final = "*"
"""Stands for the layer itself in the column of `synonyms.csv`."""

KNOWN_ALONE: Final = ("choice", "code", "id")
"""Kinds of column that values may tell without a name; botanical names too."""

SAME_NAME: Final = 0.9
"""Confidence of a name that stands in `synonyms.csv` for the column (house choice)."""

_OF_TREES: Final = (
    *("species", "stem_diameter_mm", "stem_circumference_mm", "crown_diameter_m"),
    *("age_class", "stem_count", "is_veteran"),
)
"""Columns that nothing but trees has; a height is told of buildings too."""

_TOLD: Final = 0.5
"""Confidence from which such a column tells of trees (house choice): «type» alone does not."""

_ROUND: Final = 0.85
"""Areas are round from this share of the circle of their outline on: a square has 0.79."""

_CHAMBER_M: Final = 5.0
"""No chamber is wider, m (house choice)."""

_DEGREE_M: Final = 111_000.0
"""Length of a degree of latitude, m: enough to tell a chamber from a plot."""

NO_GAINS: Final[Mapping[str, float]] = MappingProxyType({})
"""For a guess by the layer alone."""

PAIRS: Final = (("from_manhole", "to_manhole"), ("invert_up_m", "invert_down_m"))
"""Columns that go together: one end of a run is nothing without the other."""


def propose_mapping(table: pd.DataFrame, layer: str) -> pd.DataFrame:
    """Propose which column of a table holds which canonical column.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns as the source has them; a geometry column is left aside.
    layer : str
        Canonical layer that the table holds.

    Returns
    -------
    pandas.DataFrame
        Columns canonical, source, why, confidence (0 to 1), is_sure; best first; each source column
        is proposed as sure at most once. Rows that are not sure are choices for a person.

    Raises
    ------
    LayerError
        If there is no such layer.
    """
    if layer not in LAYERS:
        msg = f'there is no layer "{layer}"; {suggest_name(layer, LAYERS)}'
        raise LayerError(msg)
    return _propose(_take_cells(table), layer)


def _take_cells(table: pd.DataFrame) -> dict[str, Cells]:
    """Take the cells of each column that may be proposed."""
    sample = table.head(_SAMPLE_ROWS)
    return {str(name): Cells(sample[name]) for name in sample.columns if name != "geometry"}


def _propose(cells: dict[str, Cells], layer: str) -> pd.DataFrame:
    """Propose which column holds which canonical column; see `propose_mapping`."""
    rows = [
        (column.name, name, *_rate(column, name, held))
        for column in load_columns(layer).values()
        for name, held in cells.items()
    ]
    rated = pd.DataFrame(rows, columns=["canonical", "source", "confidence", "why"])
    rated = rated[rated["confidence"] >= LEAST_CONFIDENCE]
    rated = rated.sort_values("confidence", ascending=False, kind="stable", ignore_index=True)
    chosen = _choose(rated)
    proposed = _judge(_drop_twins(rated, chosen, cells), chosen)
    if layer == "trees":
        proposed = _join_species(proposed, list(cells))
    return proposed[list(PROPOSAL_COLUMNS)].reset_index(drop=True)


def propose_unit(layer: str, canonical: str, source: str, values: pd.Series) -> JudgedUnit | None:
    """Judge the unit of a proposed column; None for a column that is no length."""
    column = load_columns(layer)[canonical]
    if column.unit not in METRES or column.kind == "code":
        return None
    lengths = read_column_lengths(column, values)
    plain = lengths.numbers.values[lengths.units.isna().to_numpy()]
    if not np.any(plain > 0):
        return None
    return judge_unit(layer, canonical, source, plain)


@cache
def load_synonyms() -> pd.DataFrame:
    """Read the words that authorities use for the canonical columns.

    Returns
    -------
    pandas.DataFrame
        Columns layer, column (`*` for the layer itself), language, word; one row per word, plainly
        spelt.
    """
    with (files("routekit.layers") / "synonyms.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table = table.assign(word=table["words"].str.split(";")).explode("word")
    return table.drop(columns="words").reset_index(drop=True)


def _rate(column: Column, name: str, cells: Cells) -> tuple[float, str]:
    """Rate how well a source column fits a canonical one, and say why."""
    confidence, why = rate_name(column.layer, column.name, name)
    if confidence < SAME_NAME and spell_name(name) in _known_names(column.layer, column.name):
        confidence, why = SAME_NAME, "a usual name of it"
    if not confidence and column.kind not in KNOWN_ALONE and column.name != "species":
        return 0.0, ""
    fit, alone, what = rate_values(column, cells)
    rated = round(confidence * fit, 3)
    if alone > rated:
        return alone, what
    return rated, f"{why}; {what}" if what else why


@cache
def _known_names(layer: str, column: str) -> frozenset[str]:
    """Names that stand in `synonyms.csv` for a column, plainly spelt."""
    words = load_synonyms()
    held = words.loc[words["layer"].eq(layer) & words["column"].eq(column), "word"]
    return frozenset(spelt for word in held for spelt in list_spellings(word))


def _choose(rated: pd.DataFrame) -> dict[str, str]:
    """Give each canonical column its best source that is free; pairs by names that match."""
    chosen: dict[str, str] = {}
    for canonical, source in zip(rated["canonical"], rated["source"], strict=True):
        if canonical not in chosen and source not in chosen.values():
            chosen[canonical] = source
    for one, other in PAIRS:
        if (one in chosen) != (other in chosen):
            chosen.pop(one, None)
            chosen.pop(other, None)
    return chosen


def _drop_twins(
    rated: pd.DataFrame, chosen: dict[str, str], cells: dict[str, Cells]
) -> pd.DataFrame:
    """Leave out rivals that hold the same numbers as the column chosen: either is right."""
    others = rated[rated["canonical"].isin(list(chosen)) & ~rated["source"].isin(chosen.values())]
    twins = [
        row
        for row, (name, source) in others[["canonical", "source"]].T.items()
        if _are_same(cells[source], cells[chosen[name]])
    ]
    return rated.drop(index=twins)


def _are_same(one: Cells, other: Cells) -> bool:
    """Tell whether two columns hold the same numbers; a 0 in one may be blank in the other."""
    a, b = (np.nan_to_num(cells.numbers) for cells in (one, other))
    return len(np.unique(a[a != 0])) > 1 and bool(np.array_equal(a, b))


def _judge(rated: pd.DataFrame, chosen: dict[str, str]) -> pd.DataFrame:
    """Mark what is sure: well above the least, and with no rival as good."""
    taken = set(chosen.values())
    is_chosen = rated["source"].eq(rated["canonical"].map(chosen))
    best = rated["canonical"].map(rated[is_chosen].set_index("canonical")["confidence"])
    best = best.astype("float64")
    rival = ~is_chosen & ~rated["source"].isin(taken)
    close = rival & (rated["confidence"] >= best.fillna(np.inf) - CLOSE)
    doubted = set(rated.loc[close, "canonical"])
    halves = {name: mate for pair in PAIRS for name, mate in (pair, pair[::-1])}
    weak = set(rated.loc[is_chosen & (rated["confidence"] < SURE), "canonical"])
    doubted |= weak | {halves[name] for name in (weak | doubted) if name in halves}
    is_shown = is_chosen | close | (rival & best.isna())
    sure = is_chosen & ~rated["canonical"].isin(doubted)
    return rated.assign(is_sure=sure)[is_shown]


def _join_species(proposed: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Join genus and species where they stand in columns of their own."""
    genus = [name for name in names if _is_only(name, "genus")]
    epithet = [name for name in names if _is_only(name, "species")]
    held = proposed[proposed["canonical"].eq("species")]
    if len(genus) != 1 or len(epithet) != 1 or not held["source"].isin(genus + epithet).any():
        return proposed
    joined = held.iloc[[0]].assign(
        source=f"{genus[0]} + {epithet[0]}", why="genus and species apart", is_sure=True
    )
    return pd.concat([joined, proposed[~proposed["canonical"].eq("species")]])


def _is_only(name: str, concept: str) -> bool:
    """Tell whether a name says one thing only."""
    parts = take_apart(name)
    return len(parts) == 1 and concept in parts[0].concepts


def guess_layer(frame: pd.DataFrame, name: str, gains: Mapping[str, float] = NO_GAINS) -> str:
    """Guess the canonical layer: fitting geometry, the name of the source, the best columns.

    Parameters
    ----------
    frame : pandas.DataFrame
        A layer as read.
    name : str
        Of its file and layer.
    gains : mapping of str to float, optional
        Canonical layer to what speaks for it besides.

    Returns
    -------
    str
        Canonical layer; `obstacles` where no layer has such geometry.
    """
    if isinstance(frame, gpd.GeoDataFrame):
        # Most rows decide: a hedge drawn as a line among stems makes no other layer of them.
        types = pd.Series(shapely.get_type_id(np.asarray(frame.geometry.dropna()))).mode()[:1]
        fitting = [n for n, k in VECTOR_LAYERS.items() if types.isin(FITTING_TYPES[k]).all()]
        doubted = _doubt_layers(frame, types)
        fitting = [each for each in fitting if each not in doubted or _rate_layer(each, name)]
    else:
        fitting = list(TABLE_LAYERS)
    cells = _take_cells(frame)
    scores = {
        each: _propose(cells, each)["confidence"].sum()
        + _rate_layer(each, name)
        + gains.get(each, 0.0)
        for each in fitting
    }
    return max(scores, key=lambda each: scores[each]) if scores else "obstacles"


def _doubt_layers(frame: gpd.GeoDataFrame, types: pd.Series) -> set[str]:
    """Name the layers that lines or areas are not taken for unless their name says so.

    Lines are no trees. Areas without a column of trees are crowns only where they are round, and
    chambers or points of connections only where they are small.
    """
    if types.isin(FITTING_TYPES["line"]).all():
        return {"trees"}
    if not types.isin(FITTING_TYPES["area"]).all():
        return set()
    shapes = np.asarray(frame.geometry.head(_SAMPLE_ROWS))
    area, around = shapely.area(shapes), shapely.length(shapes)
    unit_m = _DEGREE_M if frame.crs is not None and frame.crs.is_geographic else 1.0
    doubted = set[str]()
    if not np.nanmedian(2.0 * np.sqrt(area / np.pi)) * unit_m <= _CHAMBER_M:
        doubted |= {"manholes", "connections"}
    columns = _propose(_take_cells(frame), "trees")
    is_told = columns["canonical"].isin(_OF_TREES) & (columns["confidence"] >= _TOLD)
    with np.errstate(divide="ignore", invalid="ignore"):
        is_round = np.nanmedian(4.0 * np.pi * area / around**2) >= _ROUND
    return doubted if is_told.any() or is_round else doubted | {"trees"}


def _rate_layer(layer: str, name: str) -> float:
    """Rate the name of a source against the words for a layer; the longest word in it counts."""
    words = load_synonyms()
    words = words[words["layer"].eq(layer) & words["column"].eq(LAYER_WORDS)]
    tokens = spell_name(name).split()
    spelt = [each for word in words["word"] for each in list_spellings(word)]
    held = [len(word) for word in spelt if _names(tokens, word)]
    return LAYER_NAMED + max(held) / 100.0 if held else 0.0


def _names(tokens: list[str], word: str) -> bool:
    """Tell whether a word stands among tokens, or one begins or ends with it."""
    if " " in word:
        return f" {word} " in f" {' '.join(tokens)} "
    return any(token.startswith(word) or token.endswith(word) for token in tokens)
