"""The four lines that stand above all else that is said of a street.

What is done, where the ground is opened for how long, what happens to the trees, and parking.
"""

from __future__ import annotations

import math
from typing import Any, Final

from routekit.outputs.public.languages import Statement
from routekit.outputs.public.phrases import CLASSES, Tally, join_all, say_days, say_size
from routekit.settings.public_page import PublicSettings
from routekit.site.ground_taken import LEAST_PART_M2
from routekit.techniques import OPEN_CUT

_WORKS: Final[tuple[str, ...]] = ("pits", "inside", "trench", "undecided")
"""Classes in the order of the first line; what stays as it is comes last."""


def state_shortly(
    length: dict[str, float], tally: Tally, settings: PublicSettings
) -> list[Statement]:
    """Say the four short lines of a street.

    Parameters
    ----------
    length : dict
        Technique to m of sewer.
    tally : mapping
        One row of `routekit.outputs.public.tally.tally_streets`.
    settings : PublicSettings
        Days and the size of a parking space.

    Returns
    -------
    list of statements
        Four, all of the topic `short`.
    """
    by_class: dict[str, float] = {}
    for technique, length_m in length.items():
        name = CLASSES[technique]
        by_class[name] = by_class.get(name, 0.0) + length_m
    works = {name: by_class[name] for name in _WORKS if name in by_class}
    if not works:
        return [["short", "idle"], ["short", "no_dig"], _trees(tally, True), ["short", "park_idle"]]
    return [
        _works(works, by_class.get("leave", 0.0), tally["first_m"]),
        _openings(works, length, tally, settings),
        _trees(tally, False),
        _parking(works, tally, settings),
    ]


def _works(works: dict[str, float], leave_m: float, first_m: float) -> Statement:
    """Say how much sewer is worked on how, and for how much of it a camera looks first."""
    lengths = {**works, "leave": leave_m} if leave_m else works
    parts = [["short", name, {"m": max(1, round(m))}] for name, m in lengths.items()]
    if first_m > 0:
        return ["short", "works_first", {"list": join_all(parts), "m": max(1, round(first_m))}]
    return ["short", "works", {"list": join_all(parts)}]


def _openings(
    works: dict[str, float], length: dict[str, float], tally: Tally, settings: PublicSettings
) -> Statement:
    """Say where the ground is opened and for how many days."""
    parts: list[Statement] = []
    if tally["n_pits"]:
        time = _pit_time(length, tally, settings)
        parts.append(["short", "n_pits", {"n": tally["n_pits"], "time": time}])
    if tally["n_pits_open"]:
        parts.append(["short", "more_pits_open" if parts else "pits_open"])
    if "trench" in works:
        time = say_days("short", OPEN_CUT, math.nan, math.nan, settings)
        trench_m = max(1, round(length[OPEN_CUT]))
        parts.append(["short", "a_trench", {"m": trench_m, "time": time}])
    if tally["n_digs"]:
        time = say_size("short", "time", settings.hole_days)
        parts.append(["short", "n_holes", {"n": tally["n_digs"], "time": time}])
    if tally["n_unjoined"]:
        parts.append(["short", "holes_open"])
    if parts:
        return ["short", "dig", {"list": join_all(parts)}]
    return ["short", "dig_open" if set(works) == {"undecided"} else "no_dig"]


def _pit_time(length: dict[str, float], tally: Tally, settings: PublicSettings) -> Statement:
    """Say the days of all pits of a street, from the shortest to the longest."""
    low, high = tally["pit_low_days"], tally["pit_high_days"]
    if not math.isnan(high):
        return say_size("short", "time", (low, high))
    pulled = [settings.days.get(name) for name in length if CLASSES[name] == "pits"]
    fewest = [days[0] for days in pulled if days is not None]
    return ["short", "time_least", {"n": min(fewest)}] if fewest else ["short", "time_unknown"]


def _trees(tally: Tally, is_idle: bool) -> Statement:
    """Say how many trees there are, and at how many the ground is dug."""
    counted: dict[str, Any] = {"n": tally["n_trees"]}
    if not tally["n_trees"]:
        return ["short", "trees_none"]
    if tally["n_dug"]:
        return ["short", "trees_dug", {**counted, "m": tally["n_dug"]}]
    if tally["n_plan_unknown"] and not is_idle:
        return ["short", "trees_open", counted]
    return ["short", "trees_clear", counted]


def _parking(works: dict[str, float], tally: Tally, settings: PublicSettings) -> Statement:
    """Say in one line what becomes of parking."""
    if set(works) == {"undecided"}:
        return ["short", "park_open"]
    if "pits" not in works and "trench" not in works:
        return ["short", "park_inside"]
    taken_m2 = tally["pit_parking_m2"] + tally["trench_parking_m2"]
    is_open = tally["n_pit_parking_unknown"] or tally["n_trench_parking_unknown"]
    if is_open or tally["n_pits_open"]:
        return ["short", "park_unknown"]
    if taken_m2 < LEAST_PART_M2:
        return ["short", "park_none"]
    return ["short", "park_taken", {"n": math.ceil(taken_m2 / settings.parking_space_m2)}]
