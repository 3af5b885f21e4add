"""What the page says of each street, tree and run, before it is put into any language.

Nothing is said without data: where the data are silent, the statement says so.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.outputs.public.facts import Facts
from routekit.outputs.public.languages import Statement
from routekit.outputs.public.settings import PublicSettings
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

_TRAFFIC: Final = ("carriageway", "footway", "cycleway")
_HARM: Final = ("minor", "major", "structural")
_SERIOUS: Final = ("major", "structural")


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
    works = facts.runs.groupby(["street", "technique"])["length_m"].sum()
    trees = facts.tree_streets.assign(
        protection=_take(facts.trees["protection"], facts.tree_streets["tree"]),
        plan=_take(facts.trees["plan"], facts.tree_streets["tree"]),
    )
    trees_of = dict(iter(trees.groupby("street")))
    pits_of = dict(iter(facts.pits.drop(columns="geometry").groupby("street")))
    trenches_of = dict(iter(facts.trenches.groupby("street")))
    digs_of = facts.digs["street"].value_counts().to_dict()
    pipe_of = facts.strings.groupby("street")["length_m"].max().to_dict()
    answer = []
    for street in range(len(facts.streets)):
        length = works.loc[street].to_dict()
        pits = pits_of.get(street, facts.pits.iloc[:0])
        n_digs = int(digs_of.get(street, 0))
        answer.append(
            [
                *_state_works(length, settings),
                *_state_pits(length, pits, n_digs, settings),
                *_state_trees(length, trees_of.get(street, trees.iloc[:0])),
                *_state_parking(pits, trenches_of.get(street, facts.trenches.iloc[:0]), settings),
                *_state_traffic(length, pits, pipe_of.get(street)),
                *_state_noise(length, pits, n_digs),
            ]
        )
    return answer


def _take(values: pd.Series, rows: pd.Series) -> Any:
    """Take values by row position."""
    return values.to_numpy(object)[rows.to_numpy(np.int64)]


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


def _state_pits(
    length: dict[str, float], pits: pd.DataFrame, n_digs: int, settings: PublicSettings
) -> list[Statement]:
    """Say how many pits and small holes there are, and where each pit lies for how long."""
    said: list[Statement] = []
    if len(pits):
        said.append(["pits", "count", {"n": len(pits)}])
        said += [state_pit(pit, settings) for pit in pits.to_dict("records")]
    elif "pits" in _classes(length):
        said.append(["pits", "not_placed"])
    elif "inside" in _classes(length) and "open_cut" not in length:
        said.append(["pits", "none"])
    if n_digs:
        said.append(["pits", "digs", {"n": n_digs}])
    return said


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
            "where": ["surface", pit["surface"] or "unknown"],
            "size": size,
            "time": _time(pit["technique"], settings, "pits", "time"),
        },
    ]


def _counted(topic: str, key: str, count: int) -> list[Statement]:
    """Say a count, or nothing for none."""
    return [[topic, key, {"n": count}]] if count else []


def _state_trees(length: dict[str, float], trees: pd.DataFrame) -> list[Statement]:
    """Say which trees there are, what a trench would have done and what the plan does."""
    if trees.empty:
        return [["trees", "zero"]]
    said = _counted("trees", "count", len(trees))
    protected = int((trees["protection"] == "yes").sum())
    unclear = int((trees["protection"] == "unknown").sum())
    if not protected and not unclear:
        said.append(["trees", "protected_none"])
    said += _counted("trees", "protected", protected)
    said += _counted("trees", "protected_unknown", unclear)
    if set(length) == {"monitor"}:
        return [*said, ["trees", "no_works"]]
    unknown = int((trees["trench"] == "unknown").sum())
    harmed = int(trees["trench"].isin(_HARM).sum())
    said += _counted("trees", "trench", harmed)
    said += _counted("trees", "trench_serious", int(trees["trench"].isin(_SERIOUS).sum()))
    if (trees["trench"] == "none").all():
        said.append(["trees", "trench_none"])
    dug = int(trees["plan"].isin(["touched", "trench"]).sum())
    said += _counted("trees", "plan", dug)
    if not dug and not (trees["plan"] == "unknown").any() and _is_settled(length):
        said.append(["trees", "plan_none"])
    return [*said, *_counted("trees", "unknown", unknown)]


def _is_settled(length: dict[str, float]) -> bool:
    """Tell whether every run of a street has its technique."""
    return "" not in length


def _state_parking(
    pits: pd.DataFrame, trenches: pd.DataFrame, settings: PublicSettings
) -> list[Statement]:
    """Say how much parking the pits and the trenches take."""
    said = _say_parking("pits", pits["parking_m2"], settings) if len(pits) else []
    unknown = int(pits["parking_m2"].isna().sum())
    if len(pits) and not said and not unknown:
        said = [["parking", "none"]]
    said += _counted("parking", "unknown", unknown)
    said += _say_parking("trench", trenches["parking_m2"], settings)
    if trenches["parking_m2"].isna().any():
        said.append(["parking", "trench_unknown"])
    return said


def _say_parking(key: str, area_m2: pd.Series, settings: PublicSettings) -> list[Statement]:
    """Say an area of parking and its spaces, rounded up; nothing under half a square metre."""
    taken_m2 = float(area_m2.sum())
    if taken_m2 < 0.5:
        return []
    spaces = math.ceil(taken_m2 / settings.parking_space_m2)
    return [["parking", key, {"m2": round(taken_m2), "n": spaces}]]


def _state_traffic(
    length: dict[str, float], pits: pd.DataFrame, pipe_m: float | None
) -> list[Statement]:
    """Say what the works leave of the road, from the surfaces under the pits."""
    count = pits["surface"].value_counts().to_dict()
    said = [one for kind in _TRAFFIC for one in _counted("traffic", kind, int(count.get(kind, 0)))]
    if "open_cut" in length:
        said.append(["traffic", "trench"])
    if pipe_m is not None and "pits" in _classes(length):
        said.append(["traffic", "pipe", {"m": max(1, round(pipe_m))}])
    return said


def _state_noise(length: dict[str, float], pits: pd.DataFrame, n_digs: int) -> list[Statement]:
    """Say where machines work, from the pits, holes and trenches of the street."""
    said: list[Statement] = [["noise", "pits"]] if len(pits) else []
    if n_digs:
        said.append(["noise", "digs"])
    if "open_cut" in length:
        said.append(["noise", "trench"])
    return said


def state_trees(trees: pd.DataFrame) -> tuple[list[list[Statement]], list[int]]:
    """Say what happens to each tree.

    Parameters
    ----------
    trees : pandas.DataFrame
        protection, veteran, trench, plan.

    Returns
    -------
    kinds : list of list of statements
        The different answers.
    kind : list of int
        Position of each tree's answer.
    """
    columns = ["protection", "veteran", "trench", "plan"]
    different = trees[columns].drop_duplicates().sort_values(columns)
    kinds = [_state_tree(*(str(word) for word in row)) for row in different.to_numpy(object)]
    position = pd.Series(np.arange(len(different)), index=pd.MultiIndex.from_frame(different))
    kind = position.reindex(pd.MultiIndex.from_frame(trees[columns]))
    return kinds, [int(one) for one in kind]


def _state_tree(protection: str, veteran: str, trench: str, plan: str) -> list[Statement]:
    """Say what happens to one tree."""
    said: list[Statement] = [["tree", f"protected_{protection}"]]
    if veteran == "yes":
        said.append(["tree", "veteran"])
    return [*said, ["tree", f"trench_{trench}"], ["tree", f"plan_{plan}"]]
