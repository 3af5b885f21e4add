"""What the page says of each street, tree and run, before it is put into any language.

Nothing is said without data: where the data are silent, the statement says so.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.outputs.public.facts import LEAST_PART_M2, Facts
from routekit.outputs.public.settings import PublicSettings
from routekit.outputs.public.tally import HARM, TRAFFIC_SURFACES, tally_streets
from routekit.outputs.public.wording import Statement
from routekit.vocabulary import TECHNIQUES

TOPICS: Final = ("works", "pits", "trees", "parking", "traffic", "noise")
"""Topics of a street, in reading order."""

CLASSES: Final = {
    "monitor": "leave",
    "local_repair": "inside",
    "cipp": "inside",
    "close_fit": "inside",
    "slip_lining": "pits",
    "burst_same": "pits",
    "burst_upsized": "pits",
    "open_cut": "trench",
    "": "undecided",
}
"""Technique to what a resident sees of it."""

Tally = Mapping[Hashable, Any]
"""One row of `tally_streets`, or of the trees."""


def state_streets(facts: Facts, settings: PublicSettings) -> list[list[Statement]]:
    """Say what happens in each street.

    Parameters
    ----------
    facts : Facts
        What is known.
    settings : PublicSettings
        Days and the size of a parking space.

    Returns
    -------
    list of list of statements
        One list per row of `facts.streets`, in the order of `TOPICS`.
    """
    tallies = tally_streets(facts).to_dict("records")
    lengths = _lengths(facts.runs, len(tallies))
    pits = _group_pits(facts, settings, len(tallies))
    return [
        [
            *_state_works(length, settings),
            *_state_pits(length, tally, placed),
            *_state_trees(length, tally),
            *_state_parking(tally, settings),
            *_state_traffic(length, tally),
            *_state_noise(length, tally),
        ]
        for length, tally, placed in zip(lengths, tallies, pits, strict=True)
    ]


def _lengths(runs: pd.DataFrame, count: int) -> list[dict[str, float]]:
    """Give the length by technique of each street, in m."""
    lengths: list[dict[str, float]] = [{} for _ in range(count)]
    total = runs.groupby(["street", "technique"])["length_m"].sum().reset_index()
    for street, technique, length_m in total.itertuples(index=False, name=None):
        lengths[street][technique] = length_m
    return lengths


def _group_pits(facts: Facts, settings: PublicSettings, count: int) -> list[list[Statement]]:
    """Give the sentence of each pit, by street."""
    groups: list[list[Statement]] = [[] for _ in range(count)]
    for pit in facts.pits.drop(columns="geometry").to_dict("records"):
        groups[pit["street"]].append(state_pit(pit, settings))
    return groups


def state_run(technique: str, length_m: float, settings: PublicSettings) -> list[Statement]:
    """Say what happens along some length of sewer by one technique."""
    key = technique or "undecided"
    said: list[Statement] = [["works", key, {"m": max(1, round(length_m))}]]
    if technique not in ("", "monitor"):
        said.append(_time(technique, settings, "works", "days"))
    return said


def _time(technique: str, settings: PublicSettings, topic: str, stem: str) -> Statement:
    """Give the usual days of a technique."""
    days = settings.days.get(technique)
    if days is None:
        return [topic, f"{stem}_unknown"]
    low, high = days
    if low == high:
        return [topic, f"{stem}_exact", {"n": low}]
    return [topic, stem, {"low": low, "high": high}]


def _state_works(length: dict[str, float], settings: PublicSettings) -> list[Statement]:
    """Say which lengths are renewed how, least digging first."""
    order = [name for name in (*TECHNIQUES, "") if name in length]
    return [one for name in order for one in state_run(name, length[name], settings)]


def _classes(length: dict[str, float]) -> set[str]:
    """Give what a resident sees of the techniques of a street."""
    return {CLASSES[name] for name in length}


def _state_pits(length: dict[str, float], tally: Tally, placed: list[Statement]) -> list[Statement]:
    """Say how many pits and small holes there are, and where each pit lies for how long."""
    said = [*_counted("pits", "count", tally["n_pits"]), *placed]
    if not said and "pits" in _classes(length):
        said = [["pits", "not_placed"]]
    elif not said and "inside" in _classes(length) and "open_cut" not in length:
        said = [["pits", "none"]]
    return [*said, *_counted("pits", "digs", tally["n_digs"])]


def state_pit(pit: Mapping[Hashable, Any], settings: PublicSettings) -> Statement:
    """Say where one pit lies, how large it is and how long it stays open."""
    sides = (pit["length_m"], pit["width_m"])
    if any(pd.isna(side) for side in sides):
        size: Statement = ["pits", "size_unknown"]
    else:
        size = ["pits", "size", {"l": round(float(sides[0]), 1), "w": round(float(sides[1]), 1)}]
    return [
        "pits",
        "place",
        {
            "id": pit["pit_id"],
            "where": _name_surfaces(pit["surfaces"]),
            "size": size,
            "time": _time(pit["technique"], settings, "pits", "time"),
        },
    ]


def _name_surfaces(kinds: tuple[str, ...]) -> Statement:
    """Name every surface that a pit lies in."""
    *others, last = (["surface", kind] for kind in kinds)
    if not others:
        return last
    listed: Statement = others[0]
    for other in others[1:]:
        listed = ["join", "comma", {"a": listed, "b": other}]
    return ["join", "and", {"a": listed, "b": last}]


def _counted(topic: str, key: str, count: int) -> list[Statement]:
    """Say a count, or nothing for none."""
    return [[topic, key, {"n": count}]] if count else []


def _state_trees(length: dict[str, float], tally: Tally) -> list[Statement]:
    """Say which trees there are, what a trench would have done and what the plan does."""
    if not tally["n_trees"]:
        return [["trees", "zero"]]
    said = _counted("trees", "count", tally["n_trees"])
    if not tally["n_protected"] and not tally["n_protection_unknown"]:
        said.append(["trees", "protected_none"])
    said += _counted("trees", "protected", tally["n_protected"])
    said += _counted("trees", "protected_unknown", tally["n_protection_unknown"])
    is_idle = not tally["n_harmed"] and not tally["n_dug"]
    if set(length) == {"monitor"} and is_idle:
        return [*said, ["trees", "no_works"]]
    said += _counted("trees", "trench", tally["n_harmed"])
    if not tally["n_reached"]:
        said.append(["trees", "trench_none"])
    said += _counted("trees", "plan", tally["n_dug"])
    said += _state_serious(tally)
    said += _counted("trees", "careful", tally["n_careful"])
    if not tally["n_dug"] and not tally["n_plan_unknown"] and "" not in length:
        said.append(["trees", "plan_none"])
    said += _counted("trees", "plan_unknown", tally["n_plan_open"])
    return [*said, *_counted("trees", "unknown", tally["n_unknown"])]


def _state_serious(tally: Tally) -> list[Statement]:
    """Set the trees that trenches would harm seriously against those that the plan does."""
    trench, plan = tally["n_serious"], tally["n_plan_serious"]
    if not trench and not plan:
        return []
    return [["trees", "serious", {"n": trench, "m": plan}]]


def _state_parking(tally: Tally, settings: PublicSettings) -> list[Statement]:
    """Say how much parking the pits and the trenches take."""
    said = _say_parking("pits", tally["pit_parking_m2"], settings)
    unknown = tally["n_pit_parking_unknown"]
    if tally["n_pits"] and not said and not unknown:
        said = [["parking", "none"]]
    said += _counted("parking", "unknown", unknown)
    said += _say_parking("trench", tally["trench_parking_m2"], settings)
    if tally["n_trench_parking_unknown"]:
        said.append(["parking", "trench_unknown"])
    return said


def _say_parking(key: str, taken_m2: float, settings: PublicSettings) -> list[Statement]:
    """Say an area of parking and its spaces, rounded up; nothing for a sliver."""
    if taken_m2 < LEAST_PART_M2:
        return []
    spaces = math.ceil(taken_m2 / settings.parking_space_m2)
    return [["parking", key, {"m2": max(1, round(taken_m2)), "n": spaces}]]


def _state_traffic(length: dict[str, float], tally: Tally) -> list[Statement]:
    """Say what the works leave of the road, from the surfaces under the pits."""
    said = [
        one for kind in TRAFFIC_SURFACES for one in _counted("traffic", kind, tally[f"n_{kind}"])
    ]
    if "open_cut" in length:
        said.append(["traffic", "trench"])
    if tally["pipe_m"] > 0 and "pits" in _classes(length):
        said.append(["traffic", "pipe", {"m": max(1, round(tally["pipe_m"]))}])
    return said


def _state_noise(length: dict[str, float], tally: Tally) -> list[Statement]:
    """Say where machines work, from the pits, holes and trenches of the street."""
    said: list[Statement] = [["noise", "pits"]] if tally["n_pits"] else []
    if tally["n_digs"]:
        said.append(["noise", "digs"])
    if "open_cut" in length:
        said.append(["noise", "trench"])
    return said


def state_trees(trees: pd.DataFrame) -> tuple[list[list[Statement]], list[int]]:
    """Say what happens to each tree.

    Parameters
    ----------
    trees : pandas.DataFrame
        protection, veteran, trench, plan, stays_trench, is_careful.

    Returns
    -------
    kinds : list of list of statements
        The different answers.
    kind : list of int
        Position of each tree's answer.
    """
    columns = ["protection", "veteran", "trench", "plan", "stays_trench", "is_careful"]
    different = trees[columns].drop_duplicates().sort_values(columns)
    kinds = [_state_tree(row) for row in different.to_dict("records")]
    position = pd.Series(np.arange(len(different)), index=pd.MultiIndex.from_frame(different))
    kind = position.reindex(pd.MultiIndex.from_frame(trees[columns]))
    return kinds, [int(one) for one in kind]


def _state_tree(tree: Tally) -> list[Statement]:
    """Say what happens to one tree."""
    plan = tree["plan"]
    said: list[Statement] = [["tree", f"protected_{tree['protection']}"]]
    if tree["veteran"] == "yes":
        said.append(["tree", "veteran"])
    said += [["tree", f"trench_{tree['trench']}"], ["tree", f"plan_{plan}"]]
    if tree["stays_trench"]:
        said.append(["tree", "plan_trench"])
    if tree["is_careful"] and plan in HARM:
        said.append(["tree", "plan_careful"])
    return said
