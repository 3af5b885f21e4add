"""New lines held to the checks of open cut and to their own.

A new line is open cut on another line: it goes through the same stages as the runs, with trench,
new manholes and the re-laid trench of every connection as one excavation.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.choice import Recommended, plan_settings
from routekit.advice.line_drafts import Drafts, lay_drafts
from routekit.advice.settings import ChoiceSettings
from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.geometry.plane import polygon_edges
from routekit.layers.assumed import SERVICES, add_assumed
from routekit.layers.decisions import Decided
from routekit.layers.ground import add_ground
from routekit.layers.read import Layers
from routekit.layers.settings import InputSettings
from routekit.methods.checks import Check
from routekit.methods.new_line import list_checks
from routekit.methods.relaid_services import clear_relaid, sum_clearances
from routekit.methods.run_facts import prepare_place
from routekit.methods.weighing import weigh_assumed
from routekit.pipes.new_pipes import build_plans
from routekit.site.layout import Place
from routekit.site.line_search import outside_street
from routekit.site.relaid import (
    clear_heights,
    connection_falls,
    dig_manholes,
    relay_connections,
    unite_works,
)
from routekit.site.zone_layer import find_unknown_near, zone_overlaps
from routekit.techniques import OPEN_CUT, TECHNIQUES
from routekit.trees.all_dug import count_harm, measure_all_dug
from routekit.trees.exposure import Exposure
from routekit.trees.open_lines import lay_open_lines
from routekit.trees.regimes import choose_regime
from routekit.vocabulary import MM_PER_M

_NEEDS: Final = ["required_l_s", "required_basis", "capacity_tolerance_share"]
"""What of the flow is asked of a run, whatever its line."""


@dataclass(frozen=True, kw_only=True)
class Proof:
    """New lines as far as they are found, with what was found about each."""

    lines: gpd.GeoDataFrame
    place: Place
    checks: list[Check]
    plan: pd.DataFrame
    exposure: Exposure
    """What all that is dug does to trees."""
    harm: pd.DataFrame
    relaid: gpd.GeoDataFrame
    drafts: Drafts
    n_manholes: Ints

    @property
    def own(self) -> Ints:
        """Positions of the runs that the lines would replace."""
        return self.drafts.own


def prove_lines(
    drafts: Drafts,
    layers: Layers,
    zones: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    renewal: Recommended,
    decided: Decided,
    inputs: InputSettings,
    settings: ChoiceSettings,
) -> Proof:
    """Hold new lines to the checks of open cut and to their own.

    Parameters
    ----------
    drafts : Drafts
        The lines, k of them.
    layers : Layers
    zones : GeoDataFrame
        One zone per tree.
    condition : DataFrame
        One row per run.
    renewal : Recommended
        What is recommended without new lines.
    decided : Decided
    inputs : InputSettings
        Plausible depths.
    settings : ChoiceSettings

    Returns
    -------
    Proof
    """
    wanted = settings.advice.new_lines
    own, shapes, size = drafts.own, drafts.shapes, len(drafts.own)
    laid = lay_drafts(layers.runs, drafts)
    lines, _ = add_ground(laid, layers.manholes, terrain=layers.terrain, inputs=inputs)
    seen = condition.iloc[own].reset_index(drop=True)
    laid_open = lay_open_lines(
        lines,
        layers,
        zones,
        seen,
        flow=settings.flow,
        pipe=settings.pipe,
        trench=settings.trench,
        rules=settings.zones,
        # What a run must carry does not change with its line: without a design flow it is what the
        # old line carries, not the new one with less fall.
        needs=renewal.place.cases[_NEEDS].iloc[own],
    )
    pipes, trench_only = laid_open.pipes, laid_open.exposure
    joined = _take_connections(renewal.place.connections, own)
    tear_back_m = choose_regime(settings.zones).tear_back_m
    relaid = relay_connections(
        joined,
        renewal.runs.geometry.to_numpy()[own],
        lines,
        settings.trench,
        tear_back_m=tear_back_m,
        unsized_mm=wanted.connection_mm,
    )
    pits, of = dig_manholes(
        shapes, wanted.manhole_pit_m + 2 * tear_back_m, has_new_end=drafts.has_new_end
    )
    parts = np.concatenate([np.asarray(relaid["corridor"], dtype=object), pits])
    owner = np.concatenate([relaid["run"].to_numpy(dtype=np.int64), of])
    dug = unite_works(np.asarray(trench_only.trenches["corridor"], dtype=object), parts, owner)
    exposure = measure_all_dug(trench_only, dug, lines, layers, zones, settings.zones)
    place = prepare_place(
        replace(layers, runs=laid, connections=joined.drop(columns="run")),
        lines,
        zones,
        exposure,
        seen,
        laid_open.flow,
        decided,
        methods=settings.methods,
        layout=settings.layout,
        level_error_m=settings.flow.level_error_m,
    )
    banned, may_be_barred = _meets_banned(pits, of, size, renewal.place)
    excluded = decided.excluded[own, list(TECHNIQUES).index(OPEN_CUT)]
    old = renewal.place.cases.iloc[own].reset_index(drop=True)
    cases = place.cases
    height = np.fmax(cases["outside_mm"].to_numpy(float), pipes["outside_mm"].to_numpy(float))
    joins = old["n_connections"].to_numpy(dtype=float)
    at_invert, at_crown = connection_falls(relaid, renewal.runs.iloc[own], lines)
    clear = clear_relaid(
        relaid,
        renewal.runs.iloc[own],
        lines.assign(height_mm=height),
        layers.services,
        largest_service_mm=settings.methods.subsoil.largest_service_mm,
    )
    relaid = relaid.assign(**{name: clear[name].to_numpy() for name in clear.columns})
    sums = sum_clearances(clear, relaid["run"].to_numpy(dtype=np.int64), size)
    for name in SERVICES:
        cases["assumed"] = add_assumed(cases["assumed"], sums[name].to_numpy(), name)
    cases = cases.assign(
        relaid_service_m=sums["relaid_service_m"].to_numpy(),
        n_relaid_assumed=sums["n_relaid_assumed"].to_numpy(),
        relaid_invert_fall=at_invert,
        relaid_crown_fall=at_crown,
        # Both are of the line as a whole, whose other runs are not moved.
        fall_m=np.where(
            drafts.is_plain,
            old["fall_m"],
            lines["invert_up_m"].to_numpy(dtype=float)
            - lines["invert_down_m"].to_numpy(dtype=float),
        ),
        chain_length_m=old["chain_length_m"],
        n_connections=joins,
        has_connections=old["has_connections"],
        n_loose=old["n_loose"],
        n_relaid_unknown=np.where(joins <= np.bincount(joined["run"], minlength=size), 0.0, np.nan),
        outside_m2=outside_street(dug, layers.surfaces),
        line_cover_m=cases["depth_min_m"].to_numpy(dtype=float) - height / MM_PER_M,
        sewer_clear_m=clear_heights(
            lines.assign(outside_mm=height),
            dug,
            renewal.runs.assign(outside_mm=renewal.place.cases["outside_mm"].to_numpy()),
            drafts.list_given_up(),
        ),
        is_barred=np.where(excluded, 1.0, banned),
        may_be_barred=may_be_barred,
    )
    plan = build_plans(cases, plan_settings(settings))[OPEN_CUT]
    checks = list_checks(
        cases,
        plan,
        settings.methods.open_cut,
        least_cover_m=wanted.least_cover_m,
        sewer_clearance_m=wanted.sewer_clearance_m,
        connection_fall=wanted.connection_fall,
    )
    checks = weigh_assumed({OPEN_CUT: checks}, cases["assumed"])[OPEN_CUT]
    return Proof(
        lines=lines,
        place=replace(place, cases=cases),
        checks=checks,
        plan=plan,
        exposure=exposure,
        harm=count_harm(exposure),
        relaid=relaid,
        drafts=drafts,
        n_manholes=np.bincount(of, minlength=size).astype(np.int64),
    )


def _take_connections(connections: gpd.GeoDataFrame, own: Ints) -> gpd.GeoDataFrame:
    """Take the connections of some runs, `run` being the position among these."""
    place = pd.Index(own).get_indexer(pd.Index(connections["run"]))
    return connections.assign(run=place)[place >= 0].reset_index(drop=True)


def _meets_banned(pits: Objects, of: Ints, size: int, place: Place) -> tuple[Floats, Floats]:
    """Tell which lines want a new manhole where a tree bars pits: 1, 0, NaN not known.

    And which want one where a tree may: nobody says whether it does. The zones are those that
    other pits are held against, circles exact.
    """
    zones = place.around.zones
    reach = place.settings.site.placement.unknown_tree_distance_m
    met, tree, _, _ = zone_overlaps(pits, polygon_edges(pits), zones)
    # What the zone of a tree takes in that has none is not known: as far as any may reach.
    near, blind = find_unknown_near(pits, zones, reach)

    def meet(trees: Iterable[str]) -> tuple[Flags, Flags]:
        """Tell which lines meet the zones of trees, and which lie near such of unknown zone."""
        asked = np.isin(zones.tree_id.astype(str), list(trees))
        inside, close = of[met[asked[tree]]], of[near[asked[blind]]]
        return np.isin(np.arange(size), inside), np.isin(np.arange(size), close)

    is_in, is_near = meet(place.pit_bans)
    doubts = meet(place.pit_doubts)
    barred = np.where(is_in, 1.0, np.where(is_near, np.nan, 0.0))
    return barred, (doubts[0] | doubts[1]).astype(float)
