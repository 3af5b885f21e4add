"""The second half of the method: from facts about each run to one recommendation with its works.

Techniques are checked first. Strings, pits and digs are then set out for every run that may be burst, so
that their harm to trees is known when techniques are compared; after the choice they are set out again for the
runs that are really burst.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.advice.decisions import Decided
from routekit.advice.quantities import run_quantities
from routekit.advice.recommend import recommend
from routekit.advice.score import Scores, score_options
from routekit.advice.surfaces import surface_shares
from routekit.advice.totals import build_totals
from routekit.exposure import Exposure
from routekit.geometry import Floats
from routekit.layers.read import Layers
from routekit.methods.bursting import needed_clearance
from routekit.methods.cases import build_cases
from routekit.methods.checks import FAIL, Check, tabulate_checks
from routekit.methods.condition import match_codes
from routekit.methods.evaluate import evaluate_techniques, tabulate_options
from routekit.methods.neighbours import find_neighbours
from routekit.methods.repair import count_faults
from routekit.pipes.capacity import build_flow
from routekit.pipes.plans import PlanSettings, build_plans
from routekit.site.chains import build_chains
from routekit.site.surroundings import Surroundings, prepare_surroundings
from routekit.study import StudySettings
from routekit.trees.breach import sum_tree_loss
from routekit.vocabulary import TECHNIQUES
from routekit.works import Works, balance_trees, set_out_works

Flags = NDArray[np.bool_]
Tell = Callable[[str], None]

_BURSTING = ("burst_same", "burst_upsized")
_ROOTED_AGAIN = ("local_repair", "cipp", "close_fit", "slip_lining")
"""Techniques that leave ends and connections through which roots come back."""

_FAR_M = 15.0
"""Buildings farther than this from a trench are not looked for: deeper than any trench of the tables."""


@dataclass(frozen=True, kw_only=True)
class Renewal:
    """What the second half yields; see `routekit.result.Result` for the tables."""

    runs: gpd.GeoDataFrame
    checks: pd.DataFrame
    options: pd.DataFrame
    advice: pd.DataFrame
    works: Works
    tree_balance: pd.DataFrame
    totals: pd.DataFrame


def choose_renewal(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    decided: Decided,
    settings: StudySettings,
    *,
    tell: Tell,
) -> Renewal:
    """Choose how to renew every run, and set out the works.

    Parameters
    ----------
    layers : Layers
    runs : GeoDataFrame
        After the ground stage.
    zones : GeoDataFrame
        One zone per tree.
    exposure : Exposure
        What open cut would do.
    condition : DataFrame
        One row per run.
    decided : Decided
    settings : StudySettings
    tell : callable
        Is called with the name of each step.

    Returns
    -------
    Renewal
    """
    tell("Checking techniques")
    flow = build_flow(runs, condition, settings.flow)
    connections = assign_connections(layers.connections, runs)
    cases = _lay_out_cases(layers, runs, exposure, condition, flow, connections, settings)
    plans = build_plans(
        cases,
        PlanSettings(
            flow=settings.flow, pipe=settings.pipe, pull=settings.pull, liner=settings.liner
        ),
    )
    checks = evaluate_techniques(cases, plans, settings.methods)
    tell("Setting out strings and pits")
    collapses = find_collapses(layers.inspections)
    crossings = find_crossings(layers, runs, exposure, plans, settings)
    around = prepare_surroundings(
        zones, services=layers.services, obstacles=layers.obstacles, surfaces=layers.surfaces,
        study_area=layers.study_area, no_pit_trees=sorted(decided.no_pit_trees),
    )  # fmt: skip
    wanted = (cases["needs_work"].to_numpy() > 0) & _may_burst(checks, decided)
    upsized = _pick_upsized(checks, decided)
    possible = set_out_works(
        runs, layers.manholes, connections, collapses, crossings, cases, plans, exposure.trenches, around,
        burst=wanted, upsized=upsized, settings=settings,
        major_from_share=exposure.tiers.major_from_share,
    )  # fmt: skip
    tell("Comparing techniques")
    shares = surface_shares(
        runs.geometry.to_numpy(), exposure.trenches["width_m"].to_numpy(), layers.surfaces
    )
    quantities = _count_quantities(cases, plans, shares, exposure, possible, settings)
    scores = _score(checks, plans, cases, exposure, possible, quantities, settings)
    advice = recommend(
        cases, checks, plans, scores, decided, currency=settings.study.currency
    )
    tell("Setting out the recommended works")
    chosen = advice["technique"].astype(str).to_numpy()
    works = set_out_works(
        runs, layers.manholes, connections, collapses, crossings, cases, plans, exposure.trenches, around,
        burst=np.isin(chosen, _BURSTING), upsized=chosen == "burst_upsized",
        settings=settings, technique=chosen,
        major_from_share=exposure.tiers.major_from_share,
    )  # fmt: skip
    final = _count_quantities(cases, plans, shares, exposure, works, settings)
    balance, totals = _sum_up(
        cases, runs, zones, exposure, works, around, chosen, final, settings
    )
    return Renewal(
        runs=_attach_facts(runs, cases, flow),
        checks=tabulate_checks(runs["run_id"], checks),
        options=_tabulate_options(runs["run_id"], checks, plans, scores),
        advice=advice.assign(string_id=works.string_of_run),
        works=works,
        tree_balance=balance,
        totals=totals,
    )


def _sum_up(
    cases: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    works: Works,
    around: Surroundings,
    chosen: NDArray[np.object_],
    quantities: dict[str, pd.DataFrame],
    settings: StudySettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Balance each tree, and set open cut of every run that needs work against the recommendation."""
    needs = cases["needs_work"].to_numpy() > 0
    before = _loss_of(needs, exposure, zones)
    stays = _loss_of(chosen == "open_cut", exposure, zones)
    balance = balance_trees(
        works, around, exposure.trenches, chosen, loss_before=before, loss_open_cut=stays,
        major_from_share=exposure.tiers.major_from_share, settings=settings,
    )  # fmt: skip
    dug = np.where(needs, "open_cut", "monitor")
    after = balance[balance["is_touched"]].assign(severed_m2=lambda table: table["loss_m2"])
    totals = build_totals(
        _take_quantities(quantities, dug), _take_quantities(quantities, chosen),
        length_m=runs["length_m"].to_numpy(dtype=float), loss_open_cut=before,
        loss_recommended=after, pits=works.pits, digs=works.digs,
        currency=settings.study.currency,
    )  # fmt: skip
    return balance, totals


def _loss_of(which: Flags, exposure: Exposure, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Loss per tree by the trenches of some runs."""
    breaches = exposure.breaches[which[exposure.breaches["run"].to_numpy()]]
    return sum_tree_loss(
        breaches.reset_index(drop=True), exposure.trenches, zones, tiers=exposure.tiers
    )


def _take_quantities(
    quantities: dict[str, pd.DataFrame], technique: NDArray[np.object_]
) -> pd.DataFrame:
    """Take the quantities of each run's own technique."""
    codes = list(quantities)
    place = pd.Index(codes).get_indexer(pd.Index(technique.astype(str)))
    first = quantities[codes[0]]
    numbers = [name for name in first.columns if name not in ("run_id", "technique")]
    stack = np.stack([quantities[code][numbers].to_numpy(dtype=float) for code in codes])
    table = pd.DataFrame(stack[place, np.arange(len(first))], columns=numbers)
    table.insert(0, "technique", technique)
    table.insert(0, "run_id", first["run_id"].to_numpy())
    return table


def find_crossings(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    exposure: Exposure,
    plans: dict[str, pd.DataFrame],
    settings: StudySettings,
) -> pd.DataFrame:
    """List the crossing services that bursting would have to bare: run, chainage_m, service_id."""
    outside = exposure.trenches["outside_diameter_mm"].to_numpy(dtype=float)
    _, pairs = find_neighbours(runs, layers.services, outside_mm=outside)
    limits = settings.methods.bursting
    needed = np.fmax(
        needed_clearance(plans["burst_upsized"], limits), limits.exposed_clearance_m
    )[pairs["run"].to_numpy()]
    clearance = pairs["clearance_m"].to_numpy(dtype=float)
    near = pairs["is_crossing"].to_numpy(dtype=bool) & ~(clearance >= needed)
    return pairs.loc[near, ["run", "chainage_m", "service_id"]]


def find_collapses(inspections: pd.DataFrame) -> pd.DataFrame:
    """List the collapsed places: run_id, chainage_m."""
    matched = match_codes(inspections)
    return matched.loc[matched["feature"] == "collapses", ["run_id", "chainage_m"]]


def assign_connections(
    connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, *, reach_m: float = 15.0
) -> gpd.GeoDataFrame:
    """Give each connection the position of its run: the one named, else the nearest within reach.

    Parameters
    ----------
    connections : GeoDataFrame
        With run_id (may be missing) and point geometry.
    runs : GeoDataFrame
    reach_m : float, optional
        Farthest run that a connection without a run is given to, m; a gully branch is rarely longer.

    Returns
    -------
    GeoDataFrame
        The connections with `run` (position, -1 where none) and run_id filled in.
    """
    run = pd.Index(runs["run_id"]).get_indexer(pd.Index(connections["run_id"].fillna("").astype(str)))
    lost = np.flatnonzero(run < 0)
    if len(lost) and len(runs):
        index = shapely.STRtree(np.asarray(runs.geometry))
        points = np.asarray(connections.geometry)[lost]
        found, near = index.query_nearest(points, max_distance=reach_m, all_matches=False)
        run[lost[found]] = near
    names = np.append(runs["run_id"].to_numpy(dtype=object), "")
    return connections.assign(run=run, run_id=names[run])


def _lay_out_cases(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    flow: pd.DataFrame,
    connections: gpd.GeoDataFrame,
    settings: StudySettings,
) -> pd.DataFrame:
    """Bring together what the checks look at."""
    size = len(runs)
    outside = exposure.trenches["outside_diameter_mm"].to_numpy(dtype=float)
    neighbours, _ = find_neighbours(runs, layers.services, outside_mm=outside)
    placed = connections["run"].to_numpy()
    counted = np.bincount(placed[placed >= 0], minlength=size).astype(float)
    needs = condition["needs_work"].fillna(value=False).to_numpy(dtype=bool)
    cases = build_cases(
        runs, condition, exposure.per_run, neighbours,
        has_services=len(layers.services) > 0, outside_mm=outside,
        n_connections=counted if len(connections) else np.full(size, np.nan),
        chain_length_m=_chain_length(runs, needs, settings),
    )  # fmt: skip
    subsoil = settings.methods.subsoil
    depth = cases["depth_max_m"].to_numpy(dtype=float)
    water = subsoil.groundwater_depth_m
    hard = subsoil.is_hard_ground
    return pd.concat([cases, flow], axis=1).assign(
        is_below_groundwater=np.nan if water is None else (depth > water).astype(float),
        is_hard_ground=np.nan if hard is None else float(hard),
        building_distance_m=_building_distance(layers.obstacles, exposure.trenches),
        has_trees=len(layers.trees) > 0,
    )


def _chain_length(runs: gpd.GeoDataFrame, needs: Flags, settings: StudySettings) -> Floats:
    """Length of the stretch of runs to renew that could be pulled with each run, m."""
    chains = build_chains(runs, needs, settings=settings.site.strings)
    length = runs["length_m"].to_numpy(dtype=float).copy()
    starts = (chains["position"].to_numpy() == 0) | chains["is_break"].to_numpy(dtype=bool)
    stretch = np.cumsum(starts)
    total = chains["length_m"].astype(float).groupby(stretch).transform("sum")
    length[chains["run"].to_numpy()] = total.to_numpy()
    return length


def _building_distance(obstacles: gpd.GeoDataFrame, trenches: gpd.GeoDataFrame) -> Floats:
    """Distance from each corridor to the nearest building, wall or basement, m; infinite beyond reach."""
    if not len(obstacles):
        return np.full(len(trenches), np.nan)
    walls = np.asarray(
        obstacles.geometry[obstacles["kind"].isin(["building", "wall", "basement"])]
    )
    distance = np.full(len(trenches), np.inf)
    corridors = np.asarray(trenches["corridor"])
    (found, _), near = shapely.STRtree(walls).query_nearest(
        corridors, max_distance=_FAR_M, return_distance=True, all_matches=False
    )
    distance[found] = near
    return distance


def _passes(checks: list[Check]) -> Flags:
    """Tell where no check of a technique fails."""
    return ~np.any([check.verdict == FAIL for check in checks], axis=0)


def _may_burst(checks: dict[str, list[Check]], decided: Decided) -> Flags:
    """Runs that bursting may renew: one size passes and is not excluded, or it is forced."""
    names = list(TECHNIQUES)
    may = [
        (_passes(checks[code]) & ~decided.excluded[:, names.index(code)])
        | (decided.forced == names.index(code))
        for code in _BURSTING
    ]
    other = (decided.forced >= 0) & ~np.isin(decided.forced, [names.index(c) for c in _BURSTING])
    return np.asarray((may[0] | may[1]) & ~other)


def _pick_upsized(checks: dict[str, list[Check]], decided: Decided) -> Flags:
    """Runs that would be burst to a larger size: the same size fails, or is not wanted."""
    names = list(TECHNIQUES)
    same, larger = (names.index(code) for code in _BURSTING)
    fails = ~_passes(checks["burst_same"]) & _passes(checks["burst_upsized"])
    wanted = decided.excluded[:, same] | (decided.forced == larger)
    return np.asarray((fails | wanted) & ~(decided.forced == same))


def _count_quantities(
    cases: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    exposure: Exposure,
    works: Works,
    settings: StudySettings,
) -> dict[str, pd.DataFrame]:
    """Quantities of every technique on every run."""
    sites = cases.assign(
        bottom_width_m=exposure.trenches["bottom_width_m"].to_numpy(),
        outside_diameter_mm=exposure.trenches["outside_diameter_mm"].to_numpy(),
    )
    faults = count_faults(cases)
    lining = settings.methods.lining
    rooted = cases["root_count"].to_numpy(dtype=float) >= lining.rooted_joints
    tables = {}
    for technique, plan in plans.items():
        burst = technique in _BURSTING
        full = plan.assign(
            liner_wall_mm=plan["wall_mm"],
            n_repairs=faults,
            life_share=np.where(
                rooted & (technique in _ROOTED_AGAIN), lining.rooted_life_share, 1.0
            ),
            setup_share=works.setup_share if burst else 1.0,
            pit_m3=works.pit_m3 if burst else 0.0,
            pit_m2=works.pit_m2 if burst else 0.0,
        )
        tables[technique] = run_quantities(
            technique, sites, full, shares,
            trench=settings.trench, digs=settings.site.digs, settings=settings.advice,
        )  # fmt: skip
    return tables


def _score(
    checks: dict[str, list[Check]],
    plans: dict[str, pd.DataFrame],
    cases: pd.DataFrame,
    exposure: Exposure,
    works: Works,
    quantities: dict[str, pd.DataFrame],
    settings: StudySettings,
) -> Scores:
    """Score every technique by harm, flow, certainty, cost and carbon."""
    none = pd.DataFrame(
        0.0, index=cases.index, columns=["n_structural", "n_careful", "n_major", "root_m2"]
    )
    open_cut = pd.DataFrame(
        {
            "n_structural": cases["n_structural"],
            "n_careful": 0.0,
            "n_major": cases["n_major"] - cases["n_structural"],
            "root_m2": cases["severed_m2"],
        }
    ).astype(float)
    harm = dict.fromkeys(TECHNIQUES, none) | {
        "open_cut": open_cut,
        "slip_lining": works.dig_harm,
        "burst_same": works.dig_harm + works.pit_harm,
        "burst_upsized": works.dig_harm + works.pit_harm,
    }
    costs = {
        technique: table[["cost_mid", "whole_life_cost_mid", "co2e_kg_mid"]]
        for technique, table in quantities.items()
    }
    return score_options(
        checks, harm, costs, plans,
        cases["required_l_s"].to_numpy(dtype=float), settings.advice.weights,
    )  # fmt: skip


def _attach_facts(
    runs: gpd.GeoDataFrame, cases: pd.DataFrame, flow: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Put what was found about each run beside its layer columns."""
    names = [
        "n_trees", "n_major", "n_structural", "footprint_m2", "severed_m2", "severity", "worst_tree",
        "nearest_stem_m", "service_clearance_m", "nearest_service", "n_crossings", "n_connections",
        "chain_length_m", "cover_m", "building_distance_m",
    ]  # fmt: skip
    facts = cases[names].assign(bend_within_deg=cases["bend_deg"])
    joined = pd.concat([runs.reset_index(drop=True), facts, flow], axis=1)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=runs.crs)


def _tabulate_options(
    run_id: pd.Series,
    checks: dict[str, list[Check]],
    plans: dict[str, pd.DataFrame],
    scores: Scores,
) -> pd.DataFrame:
    """Write the options with what they score."""
    table = tabulate_options(run_id, checks, plans)
    names = (
        "n_surveys", "n_structural", "n_careful", "n_major", "root_m2", "shortfall", "cost", "whole_life_cost",
        "co2e_kg",
    )  # fmt: skip
    facts = {name: scores.facts[name].T.ravel() for name in names}
    return table.assign(**facts, score=scores.total.T.ravel())
