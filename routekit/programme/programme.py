"""The programme: packages placed, with float, bands, and what stands in the way.

How days are found: the programme is made with the likely days of each package. Its order is then
kept, and a pass along it gives the likely days; a pass with the low days of all packages gives the
early ones, a pass with the high days the late ones. These are bands of all rates together, not of
chance. Float is the wait after which all would still be finished as likely.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from routekit.arrays import ID_MARK, Floats, Ints, Objects
from routekit.layers.findings import Findings
from routekit.programme.calendar import Dates, list_dates, write_dates
from routekit.programme.greedy import place_greedily
from routekit.programme.packages import (
    KINDS,
    find_neighbours,
    list_works,
    make_packages,
    part_packages,
)
from routekit.programme.passes import Order, pass_backward, pass_forward, settle_order
from routekit.programme.problem import Problem, find_starts, keep
from routekit.programme.settings import ProgrammeSettings
from routekit.programme.solve import solve
from routekit.programme.windows import SEASONS, Windows, find_concerns, find_open, set_windows
from routekit.vocabulary import FINISHED, NO_PLACE, PLACED, TO_CONFIRM
from routekit.words.texts import both, fill, join, name_some, say, take_texts, word

SPARE_YEARS: Final = 3
WORKING_DAYS: Final = 262
"""Working days of a year, at most."""


@dataclass(frozen=True, kw_only=True)
class Works:
    """Tables of a result that the programme rests on, as the schema declares them."""

    runs: gpd.GeoDataFrame
    advice: pd.DataFrame
    options: pd.DataFrame
    condition: pd.DataFrame
    strings: gpd.GeoDataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    laydown: gpd.GeoDataFrame
    encroachments: pd.DataFrame


def make_programme(
    tables: Works, settings: ProgrammeSettings, finished: pd.Series | None = None
) -> pd.DataFrame:
    """Make the programme of the recommended works.

    Parameters
    ----------
    tables : Works
    settings : ProgrammeSettings
    finished : pandas.Series of str, optional
        By run_id that is finished, the day (YYYY-MM-DD): it is planned no more.

    Returns
    -------
    pandas.DataFrame
        The table `programme` of the result, in the order of starts; no rows where no programme is
        asked for, or nothing is worked on.
    """
    works = list_works(tables.runs, tables.advice, tables.options, tables.condition, finished)
    if not settings.is_made:
        works = works.iloc[:0]
    works = works.assign(package=part_packages(works, settings), opens=_find_opening(works, tables))
    packages = make_packages(works, tables.strings, settings)
    horizon = _choose_horizon(packages, settings)
    dates = list_dates(settings.start, horizon, settings.holidays) if settings.start else None
    is_left = (works["done_on"] == "").to_numpy(dtype=bool)
    is_whole = works["package"].map(_find_done(packages)).to_numpy(dtype=bool)
    concerned = works[is_left | is_whole].reset_index(drop=True)
    works = works[is_left].reset_index(drop=True)
    concerns = find_concerns(concerned, tables.encroachments, tables.pits, settings)
    windows = set_windows(concerns, dates, settings)
    before, circle = _order_sizes(works, tables.runs, len(packages))
    problem = _set_problem(packages, works, tables, windows, before, settings, horizon)
    hindrance = _find_hindrances(problem, packages, windows, settings)
    return _write(packages, problem, hindrance, circle, windows, dates, tables, settings)


def _find_done(packages: pd.DataFrame) -> pd.Series:
    """Tell which packages are finished, run by run."""
    done: pd.Series = packages["n_done"] == packages["n_runs"]
    return done


def report_unplaced(programme: pd.DataFrame) -> pd.DataFrame:
    """Tell of each package that has no place what stands in the way.

    Parameters
    ----------
    programme : pandas.DataFrame
        From `make_programme`.

    Returns
    -------
    pandas.DataFrame
        Findings.

    Examples
    --------
    >>> table = pd.DataFrame({"package_id": ["P001"], "run_ids": ["A;B"],
    ...     "status": ["cannot be placed"], "hindrance": ["no time is long enough"],
    ...     "hindrance_words": ['["no time is long enough"]']})
    >>> report_unplaced(table)["row"].tolist()
    ['P001']
    """
    findings = Findings()
    lost = programme[programme["status"].eq(NO_PLACE).to_numpy(dtype=bool)]
    for package, runs, why in zip(
        lost["package_id"], lost["run_ids"], take_texts(lost, "hindrance"), strict=True
    ):
        seen = say("{runs}: {why}", runs=name_some(runs.split(ID_MARK), 5), why=why)
        done = say("it has no days; see the settings of the programme")
        findings.add("warning", "programme", [package], field="", seen=seen, done=done)
    return findings.table()


def _find_opening(works: pd.DataFrame, tables: Works) -> pd.Series:
    """Tell which runs' works open the ground: pits, trenches and small digs."""
    dug = tables.digs.loc[tables.digs["opens_ground"].to_numpy(dtype=bool), "run_id"]
    return works["kind"].isin(["pits", "trench"]) | works["run_id"].isin(set(dug))


def _choose_horizon(packages: pd.DataFrame, settings: ProgrammeSettings) -> int:
    """Look as far as one gang would need for all packages, and some years of seasons."""
    spare = SPARE_YEARS * WORKING_DAYS if settings.start else 1
    return int(packages["high"].sum()) + spare


def _order_sizes(
    works: pd.DataFrame, runs: pd.DataFrame, size: int
) -> tuple[Ints, NDArray[np.bool_]]:
    """Put packages in order where a bore gets larger: what it drains to comes first.

    Returns pairs of packages, and the packages of circles, between which no order can be kept.
    """
    ends = works.merge(runs[["run_id", "from_manhole", "to_manhole"]].astype(object), on="run_id")
    starts = ends.dropna(subset="from_manhole")[["from_manhole", "package"]]
    larger = ends[ends["grows"].to_numpy(dtype=bool)].dropna(subset="to_manhole")
    pairs = larger[["to_manhole", "package"]].merge(
        starts, left_on="to_manhole", right_on="from_manhole", suffixes=("", "_below")
    )
    both_ends = np.unique(pairs[["package_below", "package"]].to_numpy(np.int64), axis=0)
    both_ends = both_ends[both_ends[:, 0] != both_ends[:, 1]]
    graph = coo_array((np.ones(len(both_ends)), tuple(both_ends.T)), shape=(size, size))
    _, part = connected_components(graph, directed=True, connection="strong")
    circle = part[both_ends[:, 0]] == part[both_ends[:, 1]]
    is_in_circle = np.zeros(size, dtype=bool)
    is_in_circle[both_ends[circle].ravel()] = True
    return both_ends[~circle], is_in_circle


def _set_problem(
    packages: pd.DataFrame,
    works: pd.DataFrame,
    tables: Works,
    windows: Windows,
    before: Ints,
    settings: ProgrammeSettings,
    horizon: int,
) -> Problem:
    """Write the packages as a problem; one of no days, or none known, stands with a day."""
    is_open, liked = find_open(windows, settings, horizon)
    return Problem(
        days=packages["mid"].fillna(1.0).clip(lower=1.0).to_numpy(np.int64),
        gang=np.array([KINDS.index(kind) for kind in packages["kind"]], dtype=np.int64),
        gangs=np.array([settings.gangs.get(kind, 1) for kind in KINDS], dtype=np.int64),
        alone=_group_alone(packages, works, tables, settings),
        before=before,
        is_open=is_open,
        is_preferred=liked,
        weight=packages["weight"].to_numpy(np.int64),
        wait_days=settings.wait_days,
    )


def _group_alone(
    packages: pd.DataFrame, works: pd.DataFrame, tables: Works, settings: ProgrammeSettings
) -> tuple[Ints, ...]:
    """Group packages that are not under way together: of a street, of neighbours, of one ground."""
    if not len(packages):
        return ()
    groups = {name: set(rows) for name, rows in works.groupby("street")["package"]}
    closes = set(np.flatnonzero(packages["kind"].isin(["pits", "trench"])).tolist())
    near = find_neighbours(tables.runs, settings.neighbour_m)
    found = [frozenset(rows) for rows in groups.values()]
    found += [
        frozenset((groups.get(one, set()) | groups.get(other, set())) & closes)
        for one, other in near.itertuples(index=False)
    ]
    found += _share_ground(packages, tables)
    kept = {group for group in found if len(group) > 1}
    return tuple(np.array(sorted(group), dtype=np.int64) for group in sorted(kept, key=sorted))


def _share_ground(packages: pd.DataFrame, tables: Works) -> list[frozenset[int]]:
    """Find strings of which one lies where another lies, or where its pits are dug."""
    package = pd.Series(packages.index, index=packages["string_id"])
    package = package[package.index != ""]
    strips = tables.laydown[["string_id", "geometry"]].dropna(subset="geometry")
    ends = tables.strings.melt("string_id", ["launch_pit", "reception_pit"], value_name="pit_id")
    pits = ends.merge(tables.pits[["pit_id", "geometry"]], on="pit_id").dropna(subset="geometry")
    ground = pd.concat([strips, pits[["string_id", "geometry"]]], ignore_index=True)
    shapes = gpd.GeoSeries(ground["geometry"].to_numpy(), crs=tables.runs.crs)
    first, second = gpd.GeoSeries(strips.geometry.to_numpy(), crs=tables.runs.crs).sindex.query(
        shapes, predicate="intersects"
    )
    owner, strip = (frame["string_id"].map(package) for frame in (ground, strips))
    pairs = pd.DataFrame({"a": owner.iloc[first].to_numpy(), "b": strip.iloc[second].to_numpy()})
    pairs = pairs.dropna().astype(int)
    return [frozenset(pair) for pair in pairs[pairs["a"] != pairs["b"]].to_numpy().tolist()]


def _find_hindrances(
    problem: Problem, packages: pd.DataFrame, windows: Windows, settings: ProgrammeSettings
) -> Objects:
    """Say of each package why it cannot be placed; blank where it can, or is finished."""
    size = len(packages)
    why: Objects = fill([""] * size)
    is_done = _find_done(packages).to_numpy(dtype=bool)
    lost = packages["mid"].isna().to_numpy()
    shut = ~find_starts(problem.is_open, problem.days).any(axis=1) & ~is_done
    why[shut] = fill([_say_shut(one, windows, settings) for one in np.flatnonzero(shut).tolist()])
    why[lost] = fill([say("the days of a run in it are not known")] * int(lost.sum()))
    names = name_packages(size)
    while True:
        blocked = np.flatnonzero(why != "")
        waits = np.isin(problem.before[:, 0], blocked) & ~np.isin(problem.before[:, 1], blocked)
        for first, second in problem.before[waits].tolist():
            why[second] = say("waits for {package}, which has no place", package=names[first])
        free = np.flatnonzero((why == "") & ~is_done)
        unplaced = free[place_greedily(keep(problem, free)) < 0]
        why[unplaced] = fill([_say_shut(one, windows, settings) for one in unplaced.tolist()])
        if not waits.any() and not len(unplaced):
            return why


def _say_shut(package: int, windows: Windows, settings: ProgrammeSettings) -> str:
    """Name the windows that leave a package no place."""
    names = _list_windows(package, windows, settings, ("must",))
    return say("no time is long enough between: {windows}", windows=join(names, ", "))


def _list_windows(
    package: int, windows: Windows, settings: ProgrammeSettings, forces: tuple[str, ...]
) -> list[str]:
    """Name the windows that concern a package, with some force."""
    return [
        word(SEASONS[name])
        for name in SEASONS
        if _may_concern(windows.concerns[name].iloc[package])
        and (getattr(settings, name, "must") in forces)
    ]


def _may_concern(told: object) -> bool:
    """Tell whether a window may concern a package: it does, or that is not known."""
    return told is pd.NA or bool(told)


def name_packages(size: int) -> list[str]:
    """Name packages by their row, WP001 first: P0001 is a pit."""
    width = max(3, len(str(size)))
    return [f"WP{number:0{width}}" for number in range(1, size + 1)]


@dataclass(frozen=True, kw_only=True)
class _Days:
    """First days by level, latest first days, gang; all shape (n,), NaN for no place."""

    low: Floats
    mid: Floats
    high: Floats
    latest: Floats
    gang: Floats


def _place(problem: Problem, free: Ints, packages: pd.DataFrame, effort: float) -> _Days:
    """Place the packages that have a place, and pass along their order."""
    part = keep(problem, free)
    plan = solve(part, effort=effort)
    order: Order = settle_order(part, plan.start)
    mid = pass_forward(part, order, part.days)
    low, high = (
        pass_forward(part, order, packages[level].to_numpy(float)[free])
        for level in ("low", "high")
    )
    end = int(np.max(mid + part.days, initial=0))
    found = {
        "low": low,
        "mid": mid,
        "high": high,
        "latest": pass_backward(part, order, end),
        "gang": order.gang + 1.0,
    }
    whole = {name: np.full(len(packages), np.nan) for name in found}
    for name, values in found.items():
        whole[name][free] = values
    return _Days(**whole)


def _write(
    packages: pd.DataFrame,
    problem: Problem,
    hindrance: Objects,
    circle: NDArray[np.bool_],
    windows: Windows,
    dates: Dates | None,
    tables: Works,
    settings: ProgrammeSettings,
) -> pd.DataFrame:
    """Write the table of the programme."""
    is_done = _find_done(packages).to_numpy(dtype=bool)
    free = np.flatnonzero((hindrance == "") & ~is_done)
    effort = min(settings.effort_each * len(free), settings.effort_most)
    days = _place(problem, free, packages, effort)
    ends = {
        "early_finish": days.low + packages["low"].to_numpy(float),
        "finish": days.mid + packages["mid"].to_numpy(float),
        "late_finish": days.high + packages["high"].to_numpy(float),
    }
    kept = _keeps_season(problem, days.mid)
    room = tables.strings.set_index("string_id")["laydown_has_room"]
    doubts = [
        []
        if is_done[one]
        else _list_doubts(
            one, packages, windows, room, settings, bool(circle[one]), bool(kept[one])
        )
        for one in range(len(packages))
    ]
    status = np.select(
        [is_done, hindrance != "", np.array([bool(d) for d in doubts], dtype=bool)],
        [FINISHED, NO_PLACE, TO_CONFIRM],
        PLACED,
    )
    concerned = [
        [] if is_done[one] else _list_windows(one, windows, settings, ("must", "prefer"))
        for one in range(len(packages))
    ]
    table = pd.DataFrame(
        {
            "package_id": np.array(name_packages(len(packages)), dtype=object),
            "street": packages["street"],
            "string_id": packages["string_id"],
            "run_ids": packages["run_ids"],
            "n_runs": packages["n_runs"],
            "length_m": packages["length_m"],
            "done_run_ids": packages["done_run_ids"],
            "n_done": packages["n_done"],
            "done_on": packages["done_on"],
            "work": packages["kind"],
            "gang": days.gang,
            "priority": packages["priority"],
            "closes_street": packages["kind"].isin(["pits", "trench"]),
            "days_low": packages["low"],
            "days": packages["mid"],
            "days_high": packages["high"],
            "start_day": days.mid + 1,
            **{f"{name}_day": day for name, day in ends.items()},
            "float_days": days.latest - days.mid,
            "start_date": write_dates(dates, days.mid + 1),
            **{f"{name}_date": write_dates(dates, day) for name, day in ends.items()},
            **both("windows", fill([join(names, ", ") for names in concerned])),
            "status": status.astype(object),
            **both("to_confirm", fill([join(parts, "; ") for parts in doubts])),
            **both("hindrance", hindrance),
        }
    )
    return table.sort_values(["start_day", "package_id"], ignore_index=True)


def _keeps_season(problem: Problem, start: Floats) -> NDArray[np.bool_]:
    """Tell which packages lie in the days that they prefer; one without a place does."""
    liked = find_starts(problem.is_preferred, problem.days)
    day = np.where(np.isnan(start), 0, start).astype(int)
    return np.asarray(liked[np.arange(len(day)), day] | np.isnan(start))


def _list_doubts(
    one: int,
    packages: pd.DataFrame,
    windows: Windows,
    room: pd.Series,
    settings: ProgrammeSettings,
    is_circle: bool,
    is_kept: bool,
) -> list[str]:
    """List what is to be confirmed of a package before its days hold."""
    said: list[str] = []
    told = windows.concerns.iloc[one]
    lost = [word(SEASONS[n]) for n in windows.lost if _may_concern(told[n])]
    if lost:
        said.append(say("days not known: {windows}", windows=join(lost, ", ")))
    asked = [word(SEASONS[n]) for n in SEASONS if told[n] is pd.NA and n not in windows.lost]
    if asked:
        said.append(
            say("kept to, not known whether it concerns: {windows}", windows=join(asked, ", "))
        )
    if not is_kept:
        names = _list_windows(one, windows, settings, ("prefer",))
        said.append(say("outside: {windows}", windows=join(names, ", ")))
    if not packages["is_named"].iloc[one]:
        said.append(say("street of a run not known"))
    if is_circle:
        said.append(say("downstream first cannot be kept between packages: order it run by run"))
    string = packages["string_id"].iloc[one]
    if string:
        has_room = room.get(string, pd.NA)
        if has_room is pd.NA or not bool(has_room):
            said.append(say("room for the string to lie"))
    return said
