"""The stem of each tree in words: one diameter, where it comes from, at what height."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import Objects
from routekit.trees.stems import MEASURED, SEVERAL
from routekit.words.texts import both, fill, join, message, say, say_rows, word

_MEASURED: Final = (MEASURED, SEVERAL)


def describe_stems(
    trees: pd.DataFrame, zones: pd.DataFrame, stems: pd.DataFrame
) -> dict[str, Objects]:
    """Describe the stem of each tree as its zone takes it.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        tree_id, stem_count.
    zones : pandas.DataFrame, n rows
        In the order of the trees: stem_source, stem_low_mm, stem_mid_mm, stem_high_mm,
        is_stem_estimated.
    stems : pandas.DataFrame
        From `routekit.trees.stem_table.tabulate_stems`.

    Returns
    -------
    dict of str to numpy.ndarray of object, shape (n,)
        The columns stem_text and stem_text_words.

    Examples
    --------
    >>> trees = pd.DataFrame({"tree_id": ["T1"], "stem_count": [1.0]})
    >>> zones = pd.DataFrame({"stem_source": ["measured"], "is_stem_estimated": [False],
    ...     "stem_low_mm": [400.0], "stem_mid_mm": [400.0], "stem_high_mm": [400.0]})
    >>> stems = pd.DataFrame({"tree_id": ["T1"], "diameter_mm": [400.0], "zone_value": ["high"],
    ...     "is_other_height": [False], "height_m": [1.5], "asked_height_m": [1.5]})
    >>> describe_stems(trees, zones, stems)["stem_text"].tolist()
    ['400 mm, measured']
    """
    origin = _sources(zones)
    estimated = _numbers(zones, "is_stem_estimated") == 1
    low, one, high = (_numbers(zones, f"stem_{name}_mm") for name in ("low", "mid", "high"))
    facts = stems.drop_duplicates("tree_id").set_index("tree_id").reindex(trees["tree_id"])
    used = facts["zone_value"].astype(object).where(facts["zone_value"].notna(), "")
    heights = _other_heights(facts, origin)
    told = np.empty(len(trees), dtype=object)
    told[:] = list(
        zip(
            estimated,
            origin,
            _stem_lists(trees, stems, origin),
            heights,
            one,
            low,
            high,
            used,
            strict=True,
        )
    )
    # Many trees have the same stem: each text is made once.
    codes, distinct = pd.factorize(told)
    texts = [
        _estimate((low_mm, mid_mm, high_mm), source, value)
        if guessed
        else _measure(mid_mm, source, listed, height)
        for guessed, source, listed, height, mid_mm, low_mm, high_mm, value in distinct
    ]
    return {name: column[codes] for name, column in both("stem_text", fill(texts)).items()}


def _measure(one_mm: float, source: str, stems: str, height: str) -> str:
    """Write a stem that was measured; `stems` says which ones it stands for."""
    if np.isnan(one_mm):
        return word(message("not known"))
    size = say("{size:,.0f} mm", size=one_mm)
    origin = "" if (stems and source == SEVERAL) or (height and source == MEASURED) else source
    return join([size, stems, word(origin) if origin else "", height], ", ")


def _estimate(sizes_mm: tuple[float, float, float], source: str, used: str) -> str:
    """Write a stem that was not measured, with its range: low, middle and high."""
    low_mm, one_mm, high_mm = sizes_mm
    if np.isnan(one_mm):
        return say("estimated, size not known")
    origin = word(source or message("estimated"))
    if not low_mm < high_mm:
        return say("{size:,.0f} mm, {origin}", size=one_mm, origin=origin)
    text = say(
        "{size:,.0f} mm, {origin}: {low:,.0f} to {high:,.0f} mm",
        size=one_mm,
        origin=origin,
        low=low_mm,
        high=high_mm,
    )
    drawn = {
        "high": say("the zone uses the high one"),
        "middle": say("the zone uses the middle one"),
    }
    return join([text, drawn.get(used, "")], "; ")


def _stem_lists(trees: pd.DataFrame, stems: pd.DataFrame, origin: Objects) -> Objects:
    """Name the single stems that a diameter stands for, shape (n,); blank for one stem."""
    count = _numbers(trees, "stem_count")
    tree, owner = trees["tree_id"].astype("str"), stems["tree_id"].astype("str")
    several = owner.isin(tree[origin == SEVERAL])
    sizes = stems.loc[several, "diameter_mm"].map("{:.0f}".format).groupby(owner[several])
    listed = sizes.agg(["size", "; ".join]).reindex(tree)
    return fill(
        say("equivalent of {n:.0f} stems ({sizes} mm)", n=number, sizes=each)
        if source == SEVERAL
        else say("as one for {n:.0f} stems", n=stated)
        if stated > 1
        else ""
        for source, stated, number, each in zip(
            origin, count, listed["size"], listed["join"], strict=True
        )
    )


def _other_heights(facts: pd.DataFrame, origin: Objects) -> Objects:
    """Say where a stem was measured at another height than the regime's, shape (n,)."""
    other = facts["is_other_height"].eq(True).to_numpy() & np.isin(origin, _MEASURED)
    texts = np.full(len(facts), "", dtype=object)
    texts[other] = say_rows(
        "measured at {height:g} m (the regime asks for {asked:g} m), taken as it is",
        height=facts["height_m"].to_numpy(dtype=float)[other],
        asked=facts["asked_height_m"].to_numpy(dtype=float)[other],
    )
    return texts


def _sources(trees: pd.DataFrame) -> Objects:
    """Give where each stem comes from, shape (n,); blank where that is not said."""
    return trees["stem_source"].astype(object).fillna("").astype(str).to_numpy(dtype=object)


def _numbers(table: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Give a column as numbers, shape (n,)."""
    return pd.to_numeric(table[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
