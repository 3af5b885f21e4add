"""What was built, in the columns, units and words of the authority's own sewer layer.

The study file says how that layer is read; here it is read the other way round. Only runs that are
named change, only where somebody wrote down what was built, and only columns that the layer has.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from pandas.api import types

from routekit.arrays import Texts
from routekit.errors import FieldError, LayerError
from routekit.layers.columns import load_columns, suggest_name
from routekit.layers.findings import Findings
from routekit.layers.mapping import JOIN_MARK, MappedLayer, map_layer
from routekit.layers.raw_layers import RawLayer, read_layer
from routekit.layers.settings import METRES, InputSettings
from routekit.layers.units import CONSTANT_MARK
from routekit.layers.value_words import understand_words
from routekit.techniques import RECORDS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

_SEWERS: Final = "sewers"
_SAME: Final = ("material", "invert_up_m", "invert_down_m")
"""Columns that the return file and a sewer layer call alike."""
_RENEWING: Final = tuple(record.code for record in RECORDS if record.is_renewal)
CHANGE_COLUMNS: Final = ("run_id", "row", "canonical", "column", "old", "new", "meant", "within")


@dataclass(frozen=True, kw_only=True)
class Changes:
    """What is to change in the authority's layer.

    Attributes
    ----------
    table : DataFrame
        run_id, row (position in the layer as the study reads it, from 0), canonical (name of the
        column in routekit), column (its name in the layer), old and new (cells).
    raw : RawLayer
        The layer as read.
    notes : list of str
        What was built and does not go into the layer, and why.
    """

    table: pd.DataFrame
    raw: RawLayer
    notes: list[str]


def plan_changes(
    inputs: InputSettings, base: Path, done: pd.DataFrame, runs: Sequence[str]
) -> Changes:
    """Find the cells of the authority's layer that what was built changes.

    Parameters
    ----------
    inputs : InputSettings
        How the study reads its layers.
    base : Path
        Folder of the study file.
    done : DataFrame
        `done_runs` of what came back from site.
    runs : sequence of str
        Runs to take over; no other changes.

    Returns
    -------
    Changes

    Raises
    ------
    LayerError
        If a run is not in the layer, is there twice, or nobody wrote down what was done at it.
    FieldError
        If the layer names its runs in no column.

    Examples
    --------
    >>> plan_changes(None, None, pd.DataFrame({"run_id": []}), ())
    Traceback (most recent call last):
    routekit.errors.LayerError: no run is named; name those whose works are to be taken over
    """
    if not runs:
        raise LayerError("no run is named; name those whose works are to be taken over")
    findings = Findings()
    source, also_open = inputs.layers.sewers, inputs.study.also_open
    raw = read_layer(_SEWERS, source, base=base, findings=findings, also_open=also_open)
    mapped = map_layer(raw, inputs=inputs, findings=findings)
    if "run_id" not in _find_columns(mapped):
        where = f'{raw.path}, layer "{raw.layer_name}"'
        msg = f"{where} names its runs in no column; say fields.sewers.run_id in the study file"
        raise FieldError(msg)
    row = _find_rows(mapped, done, runs)
    built = _list_built(done.set_index("run_id").loc[list(runs)])
    homes, notes, parts = _find_columns(mapped), [], []
    for canonical, cells in built.items():
        told = cells.notna().to_numpy(dtype=bool)
        if not told.any():
            continue
        if canonical not in homes:
            names = ", ".join(cells.index[told])
            notes.append(f"{canonical} of {names}: the layer has no column of its own for it")
            continue
        column, unit = homes[canonical]
        if canonical == "height_mm":
            # A round pipe has no height of its own where the layer leaves it blank.
            told = told & raw.frame[column].iloc[row].notna().to_numpy(dtype=bool)
        new = _write_cells(canonical, cells[told], raw.frame[column], unit, inputs)
        place = row[told]
        parts.append(
            pd.DataFrame(
                {
                    "run_id": cells.index[told],
                    "row": place,
                    "canonical": canonical,
                    "column": column,
                    "old": raw.frame[column].iloc[place].astype(object).to_numpy(),
                    "new": new,
                    "meant": cells[told].astype(object).to_numpy(),
                    "within": 0.5 * METRES.get(unit, 1.0) / METRES.get(_unit_of(canonical), 1.0),
                }
            )
        )
    empty = pd.DataFrame({name: pd.Series(dtype=object) for name in CHANGE_COLUMNS})
    table = pd.concat(parts, ignore_index=True) if parts else empty
    table = table[(table["old"] != table["new"]).to_numpy(dtype=bool)].reset_index(drop=True)
    return Changes(table=table, raw=raw, notes=notes)


def _unit_of(canonical: str) -> str:
    """Give the unit of a canonical column."""
    return load_columns(_SEWERS)[canonical].unit


def _find_rows(mapped: MappedLayer, done: pd.DataFrame, runs: Sequence[str]) -> np.ndarray:
    """Find the row of each run in the layer."""
    ids = mapped.table["run_id"]
    for run in runs:
        count = int(ids.eq(run).sum())
        if count != 1:
            what = "is not in" if not count else f"stands in {count} rows of"
            known = ids.dropna().tolist()
            hint = suggest_name(run, known) if not count else "give each row a name of its own"
            raise LayerError(f"run {run} {what} the sewer layer; {hint}; nothing was written")
        if run not in set(done["run_id"]):
            msg = f"run {run}: nobody wrote down what was done at it; fill in its row of done_runs"
            raise LayerError(f"{msg} in the return file; nothing was written")
    return np.asarray(pd.Index(ids).get_indexer(pd.Index(list(runs))))


def _list_built(done: pd.DataFrame) -> dict[str, pd.Series]:
    """List what was built in the canonical columns of a sewer layer; missing where not known."""
    built = {name: done[name] for name in _SAME}
    renews = done["technique"].isin(_RENEWING)
    built["diameter_mm"] = done["bore_mm"]
    # A pipe that takes the place of the old one is round and of its own year; a liner is neither.
    built["height_mm"] = done["bore_mm"].where(renews)
    built["shape"] = pd.Series("circular", index=done.index).where(renews)
    built["year"] = pd.to_numeric(done["done_on"].str.slice(0, 4)).where(renews)
    return built


def _find_columns(mapped: MappedLayer) -> dict[str, tuple[str, str]]:
    """Find the column, and its unit, that each canonical column is read from first."""
    lines = mapped.mapping.drop_duplicates("column")
    own = ~lines["source"].str.startswith(CONSTANT_MARK)
    own &= ~lines["source"].str.contains(JOIN_MARK, regex=False)
    return {
        str(line.column): (str(line.source), str(line.unit))
        for line in lines[own].itertuples(index=False)
    }


def _write_cells(
    canonical: str, values: pd.Series, column: pd.Series, unit: str, inputs: InputSettings
) -> Texts:
    """Write values as the layer writes them: in its words, unit and kind of cell."""
    rules = load_columns(_SEWERS)[canonical]
    if rules.choices:
        words = {value: _find_word(canonical, value, column, inputs) for value in values.unique()}
        return values.map(words).to_numpy(dtype=object)
    numbers = values.to_numpy(dtype=float)
    if rules.unit in METRES:
        numbers = numbers * METRES[rules.unit] / METRES[unit]
    if types.is_integer_dtype(column) or canonical == "year":
        cells = np.round(numbers).astype(int).tolist()
    else:
        cells = np.round(numbers, 6).tolist()
    if not types.is_numeric_dtype(column):
        cells = [f"{cell:g}" if isinstance(cell, float) else str(cell) for cell in cells]
    filled = np.empty(len(cells), dtype=object)
    filled[:] = cells
    return filled


def _find_word(canonical: str, value: Any, column: pd.Series, inputs: InputSettings) -> str:
    """Find the layer's own word for a value: the code of the study, else a word it uses, else ours.

    Of several the one that stands in most rows.
    """
    codes = inputs.values.get(_SEWERS, {}).get(canonical, {})
    texts = column.dropna().astype("str")
    counts = texts.value_counts()
    fitting = [code for code, meaning in codes.items() if str(meaning) == value]
    if not fitting:
        plain = {text: text.strip().casefold().replace(" ", "_") for text in counts.index}
        meant = plain | understand_words(_SEWERS, canonical, counts.index)
        coded = {code.strip().casefold() for code in codes}
        fitting = [
            text
            for text, meaning in meant.items()
            if meaning == value and text.strip().casefold() not in coded
        ]
    if not fitting:
        return str(value).replace("_", " ")
    return max(fitting, key=lambda code: int(counts.get(code, 0)))
