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
from typing import TYPE_CHECKING, Final, NamedTuple

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
from routekit.layers.units import load_medians

if TYPE_CHECKING:
    from routekit.layers.settings import InputSettings

PROPOSAL_COLUMNS: Final = ("canonical", "source", "why", "confidence")

LEAST_CONFIDENCE: Final = 0.4
"""Proposals below this are not made (house choice)."""

SAME_NAME, WORD_IN_NAME, SHORT_NAME, LIKE_NAME, BY_VALUES = 0.95, 0.75, 0.65, 0.6, 0.6
"""Confidence that a name or the values alone give (house choice)."""

UNIQUE_TEXT = 0.5
"""Confidence that text which differs on every row is the id: less than any name (house choice)."""

LAYER_NAMED = 1.0
"""What a layer gains as a guess where the source is named so: as a column does (house choice)."""

LAYER_WORDS: Final = "*"
"""Stands for the layer itself in the column of `synonyms.csv`."""

_SAMPLE_ROWS: Final = 2000

_SHORT: Final = 4
"""Letters up to which a word counts only as a whole word of a name."""


class Proposal(NamedTuple):
    """What a source may hold."""

    layer: str
    table: pd.DataFrame
    """As `propose_mapping` gives it."""
    unmatched: tuple[str, ...]
    """Columns of the source for which nothing is proposed."""
    free: tuple[str, ...]
    """Canonical columns for which nothing is proposed."""


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


def propose_for_source(source: str, layer: str | None) -> Proposal:
    """Propose a mapping for a file that no study names yet.

    Parameters
    ----------
    source : str
        «file.gpkg:layer» or «file».
    layer : str or None
        Canonical layer that it holds; guessed from its geometry, its name and those of its columns
        if None.

    Returns
    -------
    Proposal
        The canonical layer, the table of `propose_mapping`, and what it leaves over on both sides.

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
    guess = layer or _guess_layer(raw.frame, f"{raw.path.stem} {raw.layer_name}")
    table = propose_mapping(raw.frame, guess)
    names = [str(name) for name in raw.frame.columns if name != "geometry"]
    used = set(table["source"])
    return Proposal(
        layer=guess,
        table=table,
        unmatched=tuple(name for name in names if name not in used),
        free=tuple(name for name in load_columns(guess) if name not in set(table["canonical"])),
    )


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
        raw = read_layer(
            layer, source, base=base, findings=Findings(), also_open=inputs.study.also_open
        )
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
        Columns layer, column (`*` for the layer itself), language, word; one row per word, plainly
        spelt.
    """
    with (files("routekit.layers") / "synonyms.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    table = table.assign(word=table["words"].str.split(";")).explode("word")
    return table.drop(columns="words").reset_index(drop=True)


def _rate(column: Column, name: str, values: pd.Series) -> tuple[float, str]:
    """Rate how well a source column fits a canonical one, and say why."""
    confidence, why = _rate_name(column, name)
    fit, what = _rate_values(column, values)
    if not confidence and column.kind == "code" and fit >= 0.9 and not _is_unique_text(values):
        return BY_VALUES, what
    if not confidence and column.kind == "id" and _is_unique_text(values):
        return UNIQUE_TEXT, "text that differs on every row"
    return round(confidence * fit, 2), f"{why}; {what}" if what else why


def _is_unique_text(values: pd.Series) -> bool:
    """Tell whether each row holds a short text of its own, and not a mere number."""
    text = read_text(values)
    if len(text) < 2 or text.isna().any() or not text.is_unique:
        return False
    return bool(np.isnan(read_numbers(values).values).all() and (text.str.len() <= 40).all())


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
        elif _is_within(target, plain):
            score = WORD_IN_NAME
        elif len(plain) >= _SHORT and target.startswith(plain):
            score = SHORT_NAME
        elif len(target) >= 5 and SequenceMatcher(None, plain, target).ratio() >= 0.85:
            score = LIKE_NAME
        else:
            continue
        if score > best:
            best, why = score, f'name like "{word}" ({language})'
    return best, why


def _is_within(word: str, name: str) -> bool:
    """Tell whether a word stands in a name: a short one by itself, a long one anywhere."""
    if f" {word} " in f" {name} ":
        return True
    return len(word) > _SHORT and word.replace(" ", "") in name.replace(" ", "")


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
        joins = sizes["letters"].fillna("").ne("") | sizes["second"].notna()
        fit = float((~sizes["is_bad"] & joins).mean())
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
    medians, key = load_medians()["low"], (column.layer, column.name)
    least = float(medians[key]) if key in medians.index else column.low
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


def _guess_layer(frame: pd.DataFrame, name: str) -> str:
    """Guess the canonical layer: fitting geometry, the name of the source, the best columns."""
    if isinstance(frame, gpd.GeoDataFrame):
        types = set(shapely.get_type_id(np.asarray(frame.geometry.dropna())).tolist())
        fitting = [
            n for n, k in VECTOR_LAYERS.items() if types <= {int(t) for t in FITTING_TYPES[k]}
        ]
    else:
        fitting = list(TABLE_LAYERS)
    scores = {
        each: propose_mapping(frame, each)["confidence"].sum() + _rate_layer(each, name)
        for each in fitting
    }
    return max(scores, key=lambda each: scores[each]) if scores else "obstacles"


def _rate_layer(layer: str, name: str) -> float:
    """Rate the name of a source against the words for a layer; the longest word in it counts."""
    words = load_synonyms()
    words = words[words["layer"].eq(layer) & words["column"].eq(LAYER_WORDS)]
    tokens = _plain(name).split()
    held = [len(word) for word in map(_plain, words["word"]) if _names(tokens, word)]
    return LAYER_NAMED + max(held) / 100.0 if held else 0.0


def _names(tokens: list[str], word: str) -> bool:
    """Tell whether a word stands among tokens, or one begins or ends with it."""
    if " " in word:
        return f" {word} " in f" {' '.join(tokens)} "
    return any(token.startswith(word) or token.endswith(word) for token in tokens)


def _plain(name: str) -> str:
    """Spell a name plainly: lower case, no accents, words between single blanks."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.strip())
    ascii_only = unicodedata.normalize("NFKD", spaced.casefold()).encode("ascii", "ignore").decode()
    return " ".join(re.findall(r"[a-z]+|\d+", ascii_only))


def _without_unit(plain: str) -> str:
    """Take a trailing unit off a plain name."""
    return re.sub(r" (mm|cm|m|in|ft|inch)$", "", plain)
