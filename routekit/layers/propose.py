"""Proposing how the columns of an unknown layer map to the canonical ones.

A proposal rests on the name (words in several languages, `synonyms.csv`) and on the values: a
number column must hold plausible numbers, an id must tell rows apart. It is for a person to
confirm: nothing is read by it.
"""

from __future__ import annotations

import re
import unicodedata
from difflib import SequenceMatcher
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.errors import LayerError
from routekit.layers.columns import (
    LAYERS,
    TABLE_LAYERS,
    VECTOR_LAYERS,
    Column,
    load_columns,
    suggest_name,
)
from routekit.layers.findings import Findings
from routekit.layers.mending import FITTING_TYPES
from routekit.layers.parsing import read_flags, read_numbers, read_sizes, read_text, read_years
from routekit.layers.reading import RawLayer, read_layer
from routekit.layers.settings import METRES, LayerSource
from routekit.layers.units import LEAST_MEDIAN

if TYPE_CHECKING:
    from routekit.layers.settings import InputSettings

PROPOSAL_COLUMNS: Final = ("canonical", "source", "why", "confidence")

LEAST_CONFIDENCE: Final = 0.4
"""Proposals below this are not made (house choice)."""

SAME_NAME, WORD_IN_NAME, LIKE_NAME, BY_VALUES = 0.95, 0.75, 0.6, 0.6
"""Confidence that a name or the values alone give (house choice)."""

_SAMPLE_ROWS: Final = 2000


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
        Columns canonical, source, why, confidence (0 to 1); best first; each canonical column and
        each source column at most once.

    Raises
    ------
    LayerError
        If there is no such layer.
    """
    if layer not in LAYERS:
        msg = f'there is no layer "{layer}"; {suggest_name(layer, LAYERS)}'
        raise LayerError(msg)
    sample = table.head(_SAMPLE_ROWS)
    names = [str(name) for name in sample.columns if name != "geometry"]
    pairs = [
        (column.name, name, *_rate(column, name, sample[name]))
        for column in load_columns(layer).values()
        for name in names
    ]
    rated = pd.DataFrame(pairs, columns=["canonical", "source", "confidence", "why"])
    rated = rated[rated["confidence"] >= LEAST_CONFIDENCE]
    rated = rated.sort_values("confidence", ascending=False, kind="stable")
    chosen: dict[str, str] = {}
    for canonical, source in zip(rated["canonical"], rated["source"], strict=True):
        if canonical not in chosen and source not in chosen.values():
            chosen[canonical] = source
    is_chosen = rated["source"].eq(rated["canonical"].map(chosen))
    return rated.loc[is_chosen, list(PROPOSAL_COLUMNS)].reset_index(drop=True)


def propose_for_source(source: str, layer: str | None) -> tuple[str, pd.DataFrame]:
    """Propose a mapping for a file that no study names yet.

    Parameters
    ----------
    source : str
        «file.gpkg:layer» or «file».
    layer : str or None
        Canonical layer that it holds; guessed from geometry and column names if None.

    Returns
    -------
    tuple of (str, pandas.DataFrame)
        The canonical layer, and the table of `propose_mapping`.

    Raises
    ------
    LayerError
        If the source cannot be read, or there is no such layer.
    """
    if layer is not None and layer not in LAYERS:
        msg = f'--as: there is no layer "{layer}"; {suggest_name(layer, LAYERS)}'
        raise LayerError(msg)
    where = LayerSource.model_validate(source)
    raw = _read_any(layer, where)
    guess = layer or _guess_layer(raw.frame)
    return guess, propose_mapping(raw.frame, guess)


def propose_for_study(inputs: InputSettings, base: Path) -> pd.DataFrame:
    """Propose mappings for what a study leaves unmapped.

    Parameters
    ----------
    inputs : InputSettings
        The study's layers and fields.
    base : Path
        Folder of the study file.

    Returns
    -------
    pandas.DataFrame
        Column layer, then those of `propose_mapping`, for canonical columns without a source and
        source columns not used yet.
    """
    parts = []
    for layer in LAYERS:
        source = getattr(inputs.layers, layer)
        if source is None:
            continue
        raw = read_layer(layer, source, base=base, findings=Findings())
        mapped = inputs.fields.get(layer, {})
        used = {each for v in mapped.values() for each in ([v] if isinstance(v, str) else v)}
        own = {name for name in raw.frame.columns if str(name).casefold() in load_columns(layer)}
        free = raw.frame[[name for name in raw.frame.columns if name not in used | own]]
        proposed = propose_mapping(free, layer)
        is_open = ~proposed["canonical"].isin({*mapped, *(str(n).casefold() for n in own)})
        parts.append(proposed[is_open].assign(layer=layer))
    return pd.concat(parts, ignore_index=True)[["layer", *PROPOSAL_COLUMNS]]


@cache
def load_synonyms() -> pd.DataFrame:
    """Read the words that authorities use for the canonical columns.

    Returns
    -------
    pandas.DataFrame
        Columns layer, column, language, word; one row per word, plainly spelt.
    """
    with (files("routekit.layers") / "synonyms.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table = table.assign(word=table["words"].str.split(";")).explode("word")
    return table.drop(columns="words").reset_index(drop=True)


def _rate(column: Column, name: str, values: pd.Series) -> tuple[float, str]:
    """Rate how well a source column fits a canonical one, and say why."""
    confidence, why = _rate_name(column, name)
    fit, what = _rate_values(column, values)
    if not confidence and column.kind == "code" and fit >= 0.9:
        return BY_VALUES, what
    return round(confidence * fit, 2), f"{why}; {what}" if what else why


def _rate_name(column: Column, name: str) -> tuple[float, str]:
    """Rate a name against the words for a column."""
    plain = _plain(name)
    if plain in (_plain(column.name), *map(_plain, column.aliases)):
        return 1.0, "canonical name"
    words = load_synonyms()
    words = words[words["layer"].eq(column.layer) & words["column"].eq(column.name)]
    best, why = 0.0, ""
    for word, language in zip(words["word"], words["language"], strict=True):
        target = _plain(word)
        if plain == target or _without_unit(plain) == target:
            score = SAME_NAME
        elif len(target) >= 4 and target.replace(" ", "") in plain.replace(" ", ""):
            score = WORD_IN_NAME
        elif len(target) >= 5 and SequenceMatcher(None, plain, target).ratio() >= 0.85:
            score = LIKE_NAME
        else:
            continue
        if score > best:
            best, why = score, f'name like "{word}" ({language})'
    return best, why


def _rate_values(column: Column, values: pd.Series) -> tuple[float, str]:
    """Rate values from 0 to 1 as holders of a column, with a remark on unit or codes."""
    text = read_text(values).dropna()
    if text.empty:
        return 0.5, "no values"
    if column.kind in ("number", "level", "year", "stem"):
        return _rate_numbers(column, values, len(text))
    if column.kind == "choice":
        return _rate_codes(column, text)
    fit, remark = 1.0, ""
    if column.kind == "code":
        sizes = read_sizes(text)
        fit = float((~sizes["is_bad"] & sizes["letters"].fillna("").ne("")).mean())
        remark = f"codes such as {text.iloc[0]}"
    elif column.kind == "id":
        share = float(text.nunique() / len(text))
        fit, remark = (1.0, "") if share > 0.95 else (share, "ids are not unique")
    elif column.kind == "flag":
        fit = max(float(1.0 - read_flags(text)[1].mean()), 0.5)
    return fit, remark


def _rate_codes(column: Column, text: pd.Series) -> tuple[float, str]:
    """Rate words as values of a choice, and name those to translate."""
    codes = text[~text.str.casefold().isin(column.choices)].unique()
    if len(codes) > 50:
        return 0.3, "too many different values"
    return 1.0, f"translate the codes {', '.join(sorted(codes)[:8])}" if len(codes) else ""


def _rate_numbers(column: Column, values: pd.Series, n_known: int) -> tuple[float, str]:
    """Rate numbers by the share within the plausible range, in the unit that fits best."""
    read = read_years(values) if column.kind == "year" else read_numbers(values)
    numbers = read.values[~np.isnan(read.values) & (read.values != 0)]
    if not len(numbers):
        return 0.3, "no numbers"
    share = len(numbers) / max(n_known, 1)
    if column.unit not in METRES or column.kind in ("year", "level"):
        return min(1.0, share + 0.3) * _share_within(numbers, column), ""
    least = LEAST_MEDIAN.get((column.layer, column.name), column.low)
    fits = {
        unit: _share_within(numbers * METRES[unit] / METRES[column.unit], column)
        for unit in (column.unit, "mm", "cm", "m", "in")
        if np.median(numbers) * METRES[unit] / METRES[column.unit] >= least
    }
    if not fits:
        return 0.2, "values out of range"
    unit = max(fits, key=lambda each: fits[each])
    remark = "" if unit == column.unit else f'values fit units "{unit}"'
    return min(1.0, share + 0.3) * fits[unit], remark


def _share_within(numbers: np.ndarray, column: Column) -> float:
    """Share of numbers in the plausible range of a column."""
    return float(np.mean((numbers >= column.low) & (numbers <= column.high)))


def _read_any(layer: str | None, source: LayerSource) -> RawLayer:
    """Read a source as a layer with geometry, or as a table where it has none."""
    if layer is not None:
        return read_layer(layer, source, base=Path(), findings=Findings())
    try:
        return read_layer("sewers", source, base=Path(), findings=Findings())
    except LayerError:
        return read_layer("inspections", source, base=Path(), findings=Findings())


def _guess_layer(frame: pd.DataFrame) -> str:
    """Guess the canonical layer: fitting geometry, and the best named columns."""
    if isinstance(frame, gpd.GeoDataFrame):
        types = set(shapely.get_type_id(np.asarray(frame.geometry.dropna())).tolist())
        fitting = [
            n for n, k in VECTOR_LAYERS.items() if types <= {int(t) for t in FITTING_TYPES[k]}
        ]
    else:
        fitting = list(TABLE_LAYERS)
    scores = {name: propose_mapping(frame, name)["confidence"].sum() for name in fitting}
    return max(scores, key=lambda each: scores[each]) if scores else "obstacles"


def _plain(name: str) -> str:
    """Spell a name plainly: lower case, no accents, words between single blanks."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.strip())
    ascii_only = unicodedata.normalize("NFKD", spaced).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z]+|\d+", ascii_only.casefold()))


def _without_unit(plain: str) -> str:
    """Take a trailing unit off a plain name."""
    return re.sub(r" (mm|cm|m|in|ft|inch)$", "", plain)
