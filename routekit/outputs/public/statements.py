"""What the page says of each street, tree and run, before it is put into any language.

Nothing is said without data: where the data are silent, the statement says so.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.advice.tree_outcomes import CAREFUL, CAREFUL_OPEN, EXPERT
from routekit.outputs.public.answers import state_answers
from routekit.outputs.public.facts import LOOKS, Facts
from routekit.outputs.public.headlines import state_shortly
from routekit.outputs.public.languages import Statement
from routekit.outputs.public.phrases import CLASSES, Tally, join_all, say_days, say_size
from routekit.outputs.public.tally import TRAFFIC_SURFACES, tally_streets
from routekit.settings.public_page import PublicSettings
from routekit.site.ground_taken import LEAST_PART_M2
from routekit.techniques import BURSTING, BY_CODE, MONITOR, OPEN_CUT, TECHNIQUES, list_codes

TOPICS: Final = ("works", "pits", "home", "trees", "parking", "traffic", "noise")
"""Topics of a street, in reading order; the answers of `QUESTIONS` stand before them."""

QUESTIONS: Final = ("short", "when", "felled")
"""What is answered first: what happens (shortly), when, and whether a tree is felled."""

NEAR: Final = ("near_pit", "near_trench", "near_dig")
"""What may come close to a stem; columns of the trees."""

_WORKED: Final = [name for name in TECHNIQUES if name != MONITOR]
_DRAINED: Final = frozenset(_WORKED) - set(BURSTING)
"""Techniques during which the drain is out of use, without being cut off for a string."""
_RESINS: Final = list_codes(lambda one: one.new_pipe in ("cured liner", "mended"))
"""Techniques that harden a resin in the pipe."""
_STEAMED: Final = list_codes(lambda one: one.new_pipe == "cured liner")
_ORDER: Final = {name: place for place, name in enumerate([*_WORKED, "", MONITOR])}
"""Order of the techniques in a street: what stays as it is comes last."""


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
        One list per row of `facts.streets`, in the order of `QUESTIONS` and `TOPICS`.
    """
    tallies = tally_streets(facts).to_dict("records")
    works = _group_works(facts.runs, tallies, settings)
    lengths = _lengths(facts.runs, len(tallies))
    pits = _group_pits(facts, settings, len(tallies))
    holes = _group_holes(facts.digs, len(tallies))
    answers = state_answers(facts, settings)
    rows = zip(works, lengths, tallies, pits, holes, answers, strict=True)
    return [
        [
            *state_shortly(length, tally, settings),
            *answered,
            *said,
            *_state_looks(tally),
            *_state_pits(length, tally, placed, hole, settings),
            *_state_home(length, tally),
            *_state_trees(length, tally),
            *_state_parking(length, tally, settings),
            *_state_traffic(length, tally),
            *_state_noise(length, tally),
        ]
        for said, length, tally, placed, hole, answered in rows
    ]


def _lengths(runs: pd.DataFrame, count: int) -> list[dict[str, float]]:
    """Give the length by technique of each street, in m."""
    lengths: list[dict[str, float]] = [{} for _ in range(count)]
    total = runs.groupby(["street", "technique"])["length_m"].sum().reset_index()
    for street, technique, length_m in total.itertuples(index=False, name=None):
        lengths[street][technique] = length_m
    return lengths


def _group_works(
    runs: pd.DataFrame, tallies: list[dict[Hashable, Any]], settings: PublicSettings
) -> list[list[Statement]]:
    """Say for each street which lengths are renewed how and in what time, what stays last.

    Where pipes are pulled in strings the time is that of all strings of the street together.
    """
    groups: list[list[Statement]] = [[] for _ in tallies]
    alike = runs["technique"].replace(BURSTING[1], BURSTING[0])
    table = runs[["street", "length_m", "low_days", "high_days"]].assign(technique=alike)
    total = table.groupby(["street", "technique"]).agg(
        length_m=("length_m", "sum"),
        low_days=("low_days", "min"),
        high_days=("high_days", lambda days: days.max(skipna=False)),
    )
    rows = total.reset_index().sort_values("technique", key=lambda names: names.map(_ORDER))
    for row in rows.to_dict("records"):
        tally, days = tallies[row["street"]], (math.nan, math.nan)
        if row["technique"] in BURSTING and not math.isnan(row["high_days"]):
            days = (tally["low_days"], tally["high_days"])
        groups[row["street"]].append(state_run(row["technique"], row["length_m"], *days, settings))
        if not math.isnan(days[1]):
            groups[row["street"]].append(["works", "gangs", {"n": int(tally["n_gangs"])}])
    return groups


def _state_looks(tally: Tally) -> list[Statement]:
    """Say for how much sewer a camera looks first, or nobody has looked all the same."""
    return [
        ["works", f"look_{look}", {"m": max(1, round(tally[f"{look}_m"]))}]
        for look in dict.fromkeys(LOOKS.values())
        if tally[f"{look}_m"] > 0
    ]


def _group_holes(digs: pd.DataFrame, count: int) -> list[tuple[str, ...]]:
    """Give the kinds of surface in which the small holes of each street lie, most holes first."""
    groups: list[tuple[str, ...]] = [() for _ in range(count)]
    laid = digs[["street"]].assign(kind=digs["surfaces"].astype(object)).explode("kind")
    counts = (
        laid.dropna()
        .value_counts()
        .reset_index()
        .sort_values(["street", "count", "kind"], ascending=[True, False, True])
    )
    for street, kinds in counts.groupby("street")["kind"].agg(tuple).items():
        groups[int(str(street))] = kinds
    return groups


def _group_pits(facts: Facts, settings: PublicSettings, count: int) -> list[list[Statement]]:
    """Give the sentence of each pit, by street."""
    groups: list[list[Statement]] = [[] for _ in range(count)]
    for pit in facts.pits.drop(columns="geometry").to_dict("records"):
        groups[pit["street"]].append(state_pit(pit, settings))
    return groups


def state_run(
    technique: str,
    length_m: float,
    low_days: float,
    high_days: float,
    settings: PublicSettings,
    *,
    look: str = "",
) -> Statement:
    """Say what happens along some length of sewer by one technique, and in what time.

    Parameters
    ----------
    technique : str
        Empty where not decided.
    length_m : float
        Length of sewer.
    low_days, high_days : float
        Working days of the string that is pulled in there; NaN where not known.
    settings : PublicSettings
        Usual days.
    look : str, optional
        One of `LOOKS`: what is told of looking into the pipe.

    Returns
    -------
    list
        One statement.
    """
    key = BY_CODE[technique].told_as if technique else "undecided"
    values: dict[str, Any] = {"m": max(1, round(length_m))}
    if technique not in ("", MONITOR):
        values["time"] = say_days("works", technique, low_days, high_days, settings)
    if not look or technique == MONITOR:
        return ["works", key, values]
    return ["works", f"then_{look}", {**values, "works": ["works", key, values]}]


def _classes(length: dict[str, float]) -> set[str]:
    """Give what a resident sees of the techniques of a street."""
    return {CLASSES[name] for name in length}


def _state_pits(
    length: dict[str, float],
    tally: Tally,
    placed: list[Statement],
    holes: tuple[str, ...],
    settings: PublicSettings,
) -> list[Statement]:
    """Say how many pits and small holes there are, where they lie and how long they are open."""
    said = [*_counted("pits", "count", tally["n_pits"]), *placed]
    if not said and tally["n_pits_open"]:
        said = [["pits", "not_placed"]]
    elif not said and {"inside", "pits"} & _classes(length) and OPEN_CUT not in length:
        # A pipe may be pulled through from pits that lie in other streets.
        said = [["pits", "none"]]
    elif tally["n_pits_open"]:
        said.append(["pits", "more_open"])
    more: list[Statement] = [["pits", "digs_open"]] if tally["n_unjoined"] else []
    if not tally["n_digs"]:
        return [*said, *more]
    time = say_size("pits", "hole_time", settings.hole_days)
    where = join_all([["surface", kind] for kind in holes])
    return [*said, ["pits", "digs", {"n": tally["n_digs"], "where": where, "time": time}], *more]


def state_pit(pit: Mapping[Hashable, Any], settings: PublicSettings) -> Statement:
    """Say where one pit lies, how large it is and how long it stays open."""
    sides = (pit["length_m"], pit["width_m"])
    if any(pd.isna(side) for side in sides):
        size: Statement = ["pits", "size_unknown"]
    else:
        size = ["pits", "size", {"l": round(float(sides[0]), 1), "w": round(float(sides[1]), 1)}]
    days = (pit["low_days"], pit["high_days"])
    return [
        "pits",
        "place",
        {
            "id": pit["pit_id"],
            "where": join_all([["surface", kind] for kind in pit["surfaces"]]),
            "size": size,
            "time": say_days("pits", pit["technique"], *days, settings),
        },
    ]


def state_holes(
    digs: pd.DataFrame, settings: PublicSettings
) -> tuple[list[list[Statement]], list[int]]:
    """Say what each small hole is for, where it lies and how long it is open.

    Parameters
    ----------
    digs : pandas.DataFrame
        kind, surfaces.
    settings : PublicSettings
        hole_days.

    Returns
    -------
    kinds : list of list of statements
        The different answers.
    kind : list of int
        Position of each hole's answer.
    """
    time = say_size("pits", "hole_time", settings.hole_days)
    code, different = pd.factorize(
        pd.MultiIndex.from_frame(digs[["kind", "surfaces"]].astype(object)), sort=False
    )
    kinds = [
        [
            ["hole", kind],
            ["hole", "place", {"where": join_all([["surface", one] for one in surfaces])}],
            ["hole", "time", {"time": time}],
        ]
        for kind, surfaces in different
    ]
    return kinds, [int(one) for one in code]


def _state_home(length: dict[str, float], tally: Tally) -> list[Statement]:
    """Say what the works may mean for drain and door, without a promise."""
    classes = _classes(length)
    if not classes - {"leave"}:
        return [["home", "idle"]]
    if not classes - {"leave", "undecided"}:
        return [["home", "undecided"]]
    said: list[Statement] = []
    if _DRAINED & set(length):
        said.append(_state_hours(tally))
    if set(length) & set(BURSTING):
        said.append(_state_cut_off(tally))
    if classes & {"inside", "pits"}:
        said.append(["home", "traps"])
    if tally["n_pits"] or tally["n_digs"] or classes & {"pits", "trench"}:
        said.append(["home", "door"])
    return said


def _state_hours(tally: Tally) -> Statement:
    """Say for how many hours a house has no drain where its pipe is renewed where it lies."""
    hours = tally["home_low_h"], tally["home_high_h"]
    return ["home", "drain"] if math.isnan(sum(hours)) else say_size("home", "drain_hours", hours)


def _state_cut_off(tally: Tally) -> Statement:
    """Say for how long a house is cut off where its pipe is pulled: the first to the last."""
    if math.isnan(tally["off_high_days"]):
        return ["home", "cut_off_open"]
    return say_size("home", "cut_off", (tally["off_low_days"], tally["off_high_days"]))


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
    said += _counted("trees", "from_raster", tally["n_from_raster"])
    is_idle = not tally["n_harmed"] and not tally["n_dug"]
    if set(length) == {MONITOR} and is_idle:
        return [*said, ["trees", "no_works"]]
    said += _counted("trees", "trench", tally["n_harmed"])
    if not tally["n_reached"]:
        said.append(["trees", "trench_none"])
    said += _counted("trees", "plan", tally["n_dug"])
    said += _state_serious(tally)
    said += _counted("trees", "expert", tally["n_plan_structural"])
    said += _counted("trees", "careful", tally["n_careful"])
    said += _counted("trees", "careful_open", tally["n_careful_open"])
    if not tally["n_dug"] and not tally["n_plan_unknown"] and "" not in length:
        said.append(["trees", "plan_none"])
    if set(length) & set(BURSTING):
        said.append(["trees", "shaking"])
    said += _counted("trees", "plan_unknown", tally["n_plan_open"])
    said += _counted("trees", "unsized", tally["n_unsized"])
    return [*said, *_counted("trees", "unknown", tally["n_unknown"])]


def _state_serious(tally: Tally) -> list[Statement]:
    """Set the trees that trenches would harm seriously against those that the plan does."""
    trench, plan = tally["n_serious"], tally["n_plan_serious"]
    if not trench and not plan:
        return []
    return [["trees", "serious", {"n": trench, "m": plan}]]


def _state_parking(
    length: dict[str, float], tally: Tally, settings: PublicSettings
) -> list[Statement]:
    """Say how much parking the pits and the trenches take, and where bans are to be expected."""
    classes = _classes(length)
    if not classes - {"leave"}:
        return [["parking", "idle"]]
    if not classes - {"leave", "undecided"}:
        return [["parking", "undecided"]]
    said = _say_parking("pits", tally["pit_parking_m2"], settings)
    said += _counted("parking", "unknown", tally["n_pit_parking_unknown"])
    said += _say_parking("trench", tally["trench_parking_m2"], settings)
    if tally["n_trench_parking_unknown"]:
        said.append(["parking", "trench_unknown"])
    if not said and not tally["n_pits_open"]:
        said.append(["parking", "none"])
    return [*said, ["parking", f"bans_{_name_bans(classes)}"]]


def _name_bans(classes: set[str]) -> str:
    """Name the works beside which parking may be banned."""
    if {"pits", "trench"} <= classes:
        return "both"
    return next(name for name in ("pits", "trench", "inside") if name in classes)


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
    if OPEN_CUT in length:
        said.append(["traffic", "trench"])
    if tally["pipe_m"] > 0 and "pits" in _classes(length):
        said.append(["traffic", "pipe", {"m": max(1, round(tally["pipe_m"]))}])
    return said


def _state_noise(length: dict[str, float], tally: Tally) -> list[Statement]:
    """Say where machines work and what may be smelled, from the works of the street."""
    used = set(length)
    is_said = {
        "pits": tally["n_pits"] > 0 or tally["n_pits_open"] > 0,
        "shaking": bool(used & set(BURSTING)),
        "digs": tally["n_digs"] > 0,
        "trench": OPEN_CUT in used,
        "inside": "inside" in _classes(length),
        "resin": bool(used & set(_RESINS)),
        "steam": bool(used & set(_STEAMED)),
    }
    return [["noise", key] for key, is_so in is_said.items() if is_so]


def state_trees(trees: pd.DataFrame) -> tuple[list[list[Statement]], list[int]]:
    """Say what happens to each tree.

    Parameters
    ----------
    trees : pandas.DataFrame
        protection, veteran, from_raster, trench, plan, care, stays_trench, near_pit, near_trench,
        near_dig.

    Returns
    -------
    kinds : list of list of statements
        The different answers.
    kind : list of int
        Position of each tree's answer.
    """
    columns = [
        "protection",
        "veteran",
        "from_raster",
        "trench",
        "plan",
        "care",
        "stays_trench",
        *NEAR,
    ]
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
    if tree["from_raster"]:
        said.append(["tree", "from_raster"])
    said.append(["tree", f"trench_{tree['trench']}"])
    if tree["care"] == EXPERT:
        near = [name for name in NEAR if tree[name]] or ["near_works"]
        said += [["tree", name] for name in near]
    said.append(["tree", f"plan_{plan}"])
    if tree["stays_trench"]:
        said.append(["tree", "plan_trench"])
    if tree["care"] in (CAREFUL, CAREFUL_OPEN):
        said.append(["tree", f"plan_{tree['care']}"])
    return said
