"""The stem of each tree in words: one diameter, where it comes from, at what height."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.trees.stems import SEVERAL

_MEASURED: Final = ("measured", "from girth", SEVERAL)


def describe_stems(trees: pd.DataFrame, stems: pd.DataFrame) -> pd.DataFrame:
    """Describe the stem of each tree as its zone takes it.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        Trees joined with their zones: tree_id, stem_diameter_mm, stem_count, stem_source,
        stem_low_mm, stem_mid_mm, stem_high_mm, is_estimated.
    stems : pandas.DataFrame
        From `routekit.trees.stem_table.tabulate_stems`.

    Returns
    -------
    pandas.DataFrame, n rows
        stem_mm (the one diameter, the middle of an estimate; NaN not known) and stem_text; on the
        index of `trees`.
    """
    given, mid = (_numbers(trees, name) for name in ("stem_diameter_mm", "stem_mid_mm"))
    one = np.where(np.isnan(mid), given, mid)
    origin = _sources(trees)
    estimated = _numbers(trees, "is_estimated") == 1
    low, high = (_numbers(trees, name) for name in ("stem_low_mm", "stem_high_mm"))
    facts = stems.drop_duplicates("tree_id").set_index("tree_id").reindex(trees["tree_id"])
    drawn = ("; the zone uses the " + facts["zone_value"] + " one").fillna("")
    texts = [
        _estimate((low_mm, mid_mm, high_mm), source, used)
        if guessed
        else _measure(mid_mm, source, listed)
        for guessed, source, listed, mid_mm, low_mm, high_mm, used in zip(
            estimated, origin, _stem_lists(trees, stems, origin), one, low, high, drawn, strict=True
        )
    ]
    heights = np.where(estimated | np.isnan(one), "", _other_heights(facts, origin))
    return pd.DataFrame(
        {"stem_mm": one, "stem_text": np.array(texts, dtype=object) + heights}, index=trees.index
    )


def _measure(one_mm: float, source: str, stems: str) -> str:
    """Write a stem that was measured; `stems` says which ones it stands for."""
    if np.isnan(one_mm):
        return "not known"
    parts = [f"{one_mm:,.0f} mm", stems, "" if stems and source == SEVERAL else source]
    return ", ".join(part for part in parts if part)


def _estimate(sizes_mm: tuple[float, float, float], source: str, drawn: str) -> str:
    """Write a stem that was not measured, with its range: low, middle and high."""
    low_mm, one_mm, high_mm = sizes_mm
    if np.isnan(one_mm):
        return "estimated, size not known"
    text = f"{one_mm:,.0f} mm, {source or 'estimated'}"
    if np.isnan(low_mm) or np.isnan(high_mm):
        return text
    return f"{text}: {low_mm:,.0f} to {high_mm:,.0f} mm{drawn}"


def _stem_lists(
    trees: pd.DataFrame, stems: pd.DataFrame, origin: NDArray[np.object_]
) -> NDArray[np.object_]:
    """Name the single stems that a diameter stands for, shape (n,); blank for one stem."""
    count = _numbers(trees, "stem_count")
    text = np.where(count > 1, [f"as one for {number:.0f} stems" for number in count], "")
    sizes = stems["diameter_mm"].map("{:.0f}".format).groupby(stems["tree_id"].astype("str"))
    listed = sizes.agg(["size", "; ".join]).reindex(trees["tree_id"].astype("str"))
    words = [
        f"equivalent of {number:.0f} stems ({each} mm)"
        for number, each in zip(listed["size"], listed["join"], strict=True)
    ]
    return np.where(origin == SEVERAL, np.array(words, dtype=object), text).astype(object)


def _other_heights(facts: pd.DataFrame, origin: NDArray[np.object_]) -> NDArray[np.object_]:
    """Say where a stem was measured at another height than the regime's, shape (n,)."""
    other = facts["is_other_height"].eq(True).to_numpy() & np.isin(origin, _MEASURED)
    # «measured» stands before the height already, except where the source says otherwise.
    begin = np.where(origin == "measured", " at ", ", measured at ")
    words = [
        f"{start}{value:g} m (the regime asks for {asked:g} m), taken as it is"
        for start, value, asked in zip(
            begin, facts["height_m"], facts["asked_height_m"], strict=True
        )
    ]
    return np.where(other, np.array(words, dtype=object), "").astype(object)


def _sources(trees: pd.DataFrame) -> NDArray[np.object_]:
    """Give where each stem comes from, shape (n,); blank where that is not said."""
    return trees["stem_source"].astype(object).fillna("").astype(str).to_numpy(dtype=object)


def _numbers(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Give a column as numbers, shape (n,)."""
    return pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
