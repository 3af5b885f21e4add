"""The stem of each tree in words: one diameter, where it comes from, at what height."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.trees.stems import read_stem_lists

_SEVERAL: Final = "several stems"
_YES: Final = ("true", "yes", "1")
_MEASURED: Final = ("measured", "from girth", _SEVERAL)


def describe_stems(trees: pd.DataFrame, rules: pd.DataFrame) -> pd.DataFrame:
    """Describe the stem of each tree as its zone takes it.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        Trees joined with their zones: stem_diameter_mm, stems_mm, stem_count, stem_height_m,
        stem_source, stem_low_mm, stem_mid_mm, stem_high_mm, is_estimated, where there are such.
    rules : pandas.DataFrame
        Settings in force: name, value. They hold the height that the regime asks for, and which
        value of an estimate draws the zone.

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
    drawn = _drawn_value(rules)
    texts = [
        _estimate((low_mm, mid_mm, high_mm), source, drawn)
        if guessed
        else _measure(mid_mm, source, stems)
        for guessed, source, stems, mid_mm, low_mm, high_mm in zip(
            estimated, origin, _stem_lists(trees, origin), one, low, high, strict=True
        )
    ]
    heights = np.where(estimated | np.isnan(one), "", _other_heights(trees, origin, rules))
    return pd.DataFrame(
        {"stem_mm": one, "stem_text": np.array(texts, dtype=object) + heights}, index=trees.index
    )


def _measure(one_mm: float, source: str, stems: str) -> str:
    """Write a stem that was measured; `stems` says which ones it stands for."""
    if np.isnan(one_mm):
        return "not known"
    parts = [f"{one_mm:,.0f} mm", stems, "" if stems and source == _SEVERAL else source]
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


def _stem_lists(trees: pd.DataFrame, origin: NDArray[np.object_]) -> NDArray[np.object_]:
    """Name the single stems that a diameter stands for, shape (n,); blank for one stem."""
    count = _numbers(trees, "stem_count")
    text = np.where(count > 1, [f"as one for {number:.0f} stems" for number in count], "")
    found = text.astype(object)
    stem_mm, tree, _ = read_stem_lists(trees["stems_mm"])
    sizes = pd.Series(stem_mm).map("{:.0f}".format).groupby(tree).agg(["size", "; ".join])
    several = sizes[np.isin(sizes.index, np.flatnonzero(origin == _SEVERAL))]
    found[several.index] = [
        f"equivalent of {number} stems ({each} mm)"
        for number, each in zip(several["size"], several["join"], strict=True)
    ]
    return found


def _other_heights(
    trees: pd.DataFrame, origin: NDArray[np.object_], rules: pd.DataFrame
) -> NDArray[np.object_]:
    """Say where a stem was measured at another height than the regime's, shape (n,)."""
    height = _numbers(trees, "stem_height_m")
    asked = _rule(rules, r"zones\.[^.]+\.stem_height_m")
    limit = np.nan_to_num(_rule(rules, r"zones\.stem_height_tolerance_m")) + 1e-9
    other = (np.abs(height - asked) > limit) & np.isin(origin, _MEASURED)
    # «measured» stands before the height already, except where the source says otherwise.
    begin = np.where(origin == "measured", " at ", ", measured at ")
    words = [
        f"{start}{value:g} m (the regime asks for {asked:g} m), taken as it is"
        for start, value in zip(begin, height, strict=True)
    ]
    return np.where(other, np.array(words, dtype=object), "").astype(object)


def _drawn_value(rules: pd.DataFrame) -> str:
    """Say which value of an estimate draws the zone; blank where the rules do not tell."""
    found = _values(rules, r"zones\.use_high_stem")
    if not found:
        return ""
    return f"; the zone uses the {'high' if found[0].lower() in _YES else 'middle'} one"


def _rule(rules: pd.DataFrame, pattern: str) -> float:
    """Give a setting as a number; NaN where there is none."""
    found = _values(rules, pattern)
    return float(pd.to_numeric(pd.Series(found[:1], dtype=object), errors="coerce").max())


def _values(rules: pd.DataFrame, pattern: str) -> list[str]:
    """Give the values of the settings whose whole name fits a pattern."""
    fits = rules["name"].astype("str").str.fullmatch(pattern).fillna(value=False)
    return [str(value) for value in rules["value"][fits.to_numpy(dtype=bool)]]


def _sources(trees: pd.DataFrame) -> NDArray[np.object_]:
    """Give where each stem comes from, shape (n,); blank where that is not said."""
    return trees["stem_source"].astype(object).fillna("").astype(str).to_numpy(dtype=object)


def _numbers(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Give a column as numbers, shape (n,)."""
    return pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
