"""Why a run needs work, and what a trench would do to trees there."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Texts
from routekit.words.apart import write_apart
from routekit.words.texts import Text, begin, join, say, take_texts, word


def need_text(cases: pd.DataFrame) -> Texts:
    """Say why the run needs work or not, whether it is too small, and what a trench would do.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    priority = take_texts(cases, "priority_reason")
    count = cases["n_trees"].to_numpy(dtype=float, na_value=np.nan)
    names = ("worst_tree", "severity", "severed_m2", "n_axis_zones", "axis_stem_m")
    facts = zip(count, *(cases[name].to_numpy() for name in names), strict=True)
    trench = [_trench_text(*fact) for fact in facts]
    flow = _shortage_text(cases)
    return np.array(
        [join([begin(p), f, t], "; ") for p, f, t in zip(priority, flow, trench, strict=True)],
        dtype=object,
    )


def _trench_text(
    count: float, tree: str, severity: str, area_m2: float, n_zones: int, stem_m: float
) -> Text:
    """Say what a trench would do to trees, as far as its width is known."""
    if np.isnan(count):
        return _axis_text(n_zones, stem_m)
    if not count:
        return say("open cut would enter no root zone")
    return say(
        "open cut would enter the root zone of {n:,.0f} tree ({severity} at {tree}; {area} dug "
        "or severed)",
        "open cut would enter the root zones of {n:,.0f} trees ({severity} at {tree}; {area} dug "
        "or severed)",
        n=count,
        severity=word(str(severity)),
        tree=str(tree),
        area=_small_area(area_m2),
    )


def _axis_text(n_zones: int, stem_m: float) -> Text:
    """Say what is known of trees where the width of a trench is not."""
    zones = (
        say(
            "the pipe axis crosses {n:,.0f} root zone",
            "the pipe axis crosses {n:,.0f} root zones",
            n=n_zones,
        )
        if n_zones
        else say("the pipe axis crosses no root zone")
    )
    stem = (
        ""
        if np.isnan(stem_m)
        else say("the nearest stem is {distance:.1f} m from it", distance=stem_m)
    )
    return say(
        "the pipe size is not known, so it is not known which root zones a trench would enter "
        "({known})",
        known=join([zones, stem], "; "),
    )


def _shortage_text(cases: pd.DataFrame) -> Texts:
    """Say where the old pipe, were it sound and clean, would carry too little."""
    sound, required, tolerance = (
        cases[name].to_numpy(dtype=float)
        for name in ("capacity_sound_l_s", "required_l_s", "capacity_tolerance_share")
    )
    text = np.full(len(cases), "", dtype=object)
    for run in np.flatnonzero(sound < required * (1 - tolerance)):
        carried, asked = write_apart(float(sound[run]), float(required[run]), 0)
        text[run] = say(
            "even in sound condition it carries only {capacity:.0f} of the {required:.0f} l/s "
            "required",
            capacity=carried,
            required=asked,
        )
    return text


def _small_area(area_m2: float) -> Text:
    """Write an area; less than one square metre is said so."""
    return say("{area:.0f} m²", area=area_m2) if area_m2 >= 1 else say("under 1 m²")
