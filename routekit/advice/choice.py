"""The second half of the method: from facts about each run to one recommendation with its works.

Techniques are checked first. Strings, pits and digs are then set out three times: for no run (which
runs gain from bursting while set-up and pits cost nothing), for all the runs wished for (what
set-up and pits add, and do to trees), and for the strings that are chosen. Where somebody has
decided about techniques they are set out once more as if nobody had, to say what would hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.bore_steps import find_narrowing, narrowing_text
from routekit.advice.options import (
    Comparison,
    burst_and_other_scores,
    choose_strings,
    compare_techniques,
    itemise_works,
    may_widen,
    pick_burst_size,
)
from routekit.advice.recommend import recommend
from routekit.advice.settings import ChoiceSettings
from routekit.advice.surfaces import surface_shares
from routekit.advice.totals import build_totals
from routekit.arrays import Flags, Texts
from routekit.layers.decisions import BURSTING, Decided
from routekit.layers.read import Layers
from routekit.methods.checks import tabulate_checks
from routekit.methods.evaluate import tabulate_options
from routekit.methods.run_facts import find_crossings, prepare_place
from routekit.pipes.capacity import build_flow
from routekit.pipes.new_pipes import PlanSettings, build_plans, resize_bursting
from routekit.pipes.pull import LEVELS
from routekit.pipes.settings import LinerSettings, PipeSettings
from routekit.site.laydown import NO_ROOM, NOT_KNOWN, plan_laydown
from routekit.site.layout import (
    Place,
    Works,
    balance_trees,
    set_out_digs,
    set_out_works,
)
from routekit.trees.breach import sum_tree_loss
from routekit.trees.exposure import Exposure
from routekit.trees.unsized import add_unknown_losses
from routekit.vocabulary import TECHNIQUES

Tell = Callable[[str], None]

FIND_CONNECTIONS = (
    "Find the connections: they are not in the data, and no dig or reopening is counted."
)
"""Said of each run to be worked on whose number of connections is not known."""


@dataclass(frozen=True, kw_only=True)
class Renewal:
    """What the second half yields; see `routekit.result.Result` for the tables."""

    runs: gpd.GeoDataFrame
    checks: pd.DataFrame
    options: pd.DataFrame
    advice: pd.DataFrame
    works: Works
    laydown: gpd.GeoDataFrame
    tree_balance: pd.DataFrame
    totals: pd.DataFrame
    quantities: pd.DataFrame


def choose_renewal(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    decided: Decided,
    settings: ChoiceSettings,
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
    settings : ChoiceSettings
    tell : callable
        Is called with the name of each step.

    Returns
    -------
    Renewal
    """
    tell("Checking techniques")
    flow = build_flow(runs, condition, settings.flow)
    place = prepare_place(
        layers,
        runs,
        zones,
        exposure,
        condition,
        flow,
        decided,
        methods=settings.methods,
        level_error_m=settings.flow.level_error_m,
        layout=settings.layout,
    )
    pipes = PlanSettings(
        flow=settings.flow,
        pipe=settings.pipe,
        pull=settings.pull,
        liner=_wet_liner(settings),
        slip_outside_share=settings.methods.lining.slip_outside_share,
        max_steps_up=settings.methods.bursting.max_steps_up,
    )
    plans = build_plans(place.cases, pipes)
    crossings = find_crossings(place, layers.services, plans, settings.methods)
    place = replace(place, crossings=crossings)
    shares = surface_shares(
        runs.geometry.to_numpy(), exposure.trenches["width_m"].to_numpy(), layers.surfaces
    )
    tell("Setting out strings and pits")
    has_decisions = bool(np.any(decided.forced >= 0) or np.any(decided.excluded))
    decisions = (decided, _undecided(decided)) if has_decisions else (decided,)
    wishes, none = _wish_burst(place, plans, shares, decisions, settings)
    burst, possible = _choose_burst(place, plans, shares, wishes[0], settings, before=none)
    tell("Setting out the recommended works")
    works = _set_out(place, plans, wishes[0], burst, possible)
    plans = resize_bursting(plans, place.cases, works.outside_of_run, pipes)
    plans = _carry_string_pull(plans, works)
    final = compare_techniques(place, plans, works, shares, settings)
    tell("Writing recommendations")
    free = _pull_without_decisions(place, plans, shares, wishes, works, possible, settings)
    advice = _advise(place, plans, final, works, decided, free, settings)
    chosen = advice["technique"].astype(str).to_numpy(dtype=object)
    works = replace(works, digs=set_out_digs(place, chosen))
    laydown = plan_laydown(
        works.strings,
        works.pits,
        place.around,
        trees=layers.trees,
        connections=place.connections,
        bar_length_m=settings.pipe.bar_length_m,
        settings=settings.site.laydown,
    )
    advice = _warn_of_laydown(_warn_of_bores(advice, runs, plans), laydown)
    advice = _warn_of_no_room(_warn_of_collapses(advice, place), laydown)
    items = itemise_works(place, plans, works, shares, chosen, settings)
    balance, totals = _sum_up(
        place, zones, exposure, works, chosen, final.quantities, settings.currency
    )
    return Renewal(
        runs=_attach_facts(runs, place.cases, flow),
        checks=tabulate_checks(runs["run_id"], final.checks),
        options=_tabulate_options(runs["run_id"], final),
        advice=advice,
        works=replace(works, strings=_attach_laydown(works.strings, laydown, settings.pipe)),
        laydown=laydown,
        tree_balance=balance,
        totals=totals,
        quantities=items,
    )


def _wet_liner(settings: ChoiceSettings) -> LinerSettings:
    """Take the ground's water level for the liner where the study gives the liner none itself."""
    water = settings.methods.subsoil.groundwater_depth_m
    if water is None or "groundwater_depth_m" in settings.liner.model_fields_set:
        return settings.liner
    return settings.liner.model_copy(update={"groundwater_depth_m": water})


def _advise(
    place: Place,
    plans: dict[str, pd.DataFrame],
    final: Comparison,
    works: Works,
    decided: Decided,
    free_technique: NDArray[np.int64],
    settings: ChoiceSettings,
) -> pd.DataFrame:
    """Recommend a technique for every run, with the pits that its string would need."""
    advice = recommend(
        place.cases,
        final.checks,
        plans,
        final.scores,
        decided,
        strings=_pulled_together(works, plans).assign(free_technique=free_technique),
        currency=settings.currency,
        horizon_years=settings.advice.work.horizon_years,
    )
    advice = _ask_for_connections(advice, place.cases)
    return _warn_of_pits(advice.assign(string_id=works.string_of_run), works)


def _ask_for_connections(advice: pd.DataFrame, cases: pd.DataFrame) -> pd.DataFrame:
    """Add connections that are not known to what each run to be worked on must confirm."""
    is_work = (advice["technique"].astype(str) != "monitor").to_numpy()
    lost = is_work & cases["n_connections"].isna().to_numpy()
    text = advice["to_confirm"].astype(str)
    asked = (text + " " + FIND_CONNECTIONS).str.strip()
    return advice.assign(to_confirm=text.mask(lost, asked).to_numpy(dtype=object))


_OF_STRING = {
    **{
        f"{side}_{level}_kn": f"{side}_{level}_kn"
        for side in ("pull", "machine")
        for level in LEVELS
    },
    "pull_allowable_kn": "allowable_kn",
}
"""Columns of a plan that a string settles, and those of the string."""


def _carry_string_pull(plans: dict[str, pd.DataFrame], works: Works) -> dict[str, pd.DataFrame]:
    """Give runs in a string the pull and the limits of the whole string: that is what they feel.

    Only in the size in which the string is pulled; in the other one a run stands by itself.
    """
    number = pd.Index(works.strings["string_id"]).get_indexer(pd.Index(works.string_of_run))
    technique = _pulled_together(works, plans)["technique"].to_numpy()

    def carry(code: str) -> pd.DataFrame:
        """Replace the run's own values by its string's."""
        plan = plans[code]
        inside, pick = technique == list(TECHNIQUES).index(code), np.maximum(number, 0)
        values = {
            name: np.append(works.strings[theirs].to_numpy(dtype=float), np.nan)[pick]
            for name, theirs in _OF_STRING.items()
        }
        return plan.assign(
            **{name: np.where(inside, value, plan[name]) for name, value in values.items()}
        )

    return plans | {code: carry(code) for code in BURSTING}


def _undecided(decided: Decided) -> Decided:
    """Take the decisions about techniques away; those about trees stay."""
    return replace(
        decided,
        forced=np.full_like(decided.forced, -1),
        excluded=np.zeros_like(decided.excluded),
    )


def _set_out(
    place: Place,
    plans: dict[str, pd.DataFrame],
    wish: _Wish,
    burst: Flags,
    before: Works,
    *,
    has_texts: bool = True,
) -> Works:
    """Set out the works of runs that are burst, in the sizes that are wished for."""
    return set_out_works(
        place,
        plans,
        burst=burst,
        upsized=wish.upsized,
        widened=wish.widened,
        before=before,
        has_texts=has_texts,
    )


def _pull_without_decisions(
    place: Place,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    wishes: list[_Wish],
    works: Works,
    before: Works,
    settings: ChoiceSettings,
) -> NDArray[np.int64]:
    """Find by which bursting technique each run would be pulled had nobody decided; -1 by none."""
    if len(wishes) > 1:
        burst, possible = _choose_burst(place, plans, shares, wishes[1], settings, before=before)
        works = _set_out(place, plans, wishes[1], burst, possible, has_texts=False)
    return _pulled_together(works, plans)["technique"].to_numpy(dtype=np.int64)


def _warn_of_pits(advice: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Add each pit for which no permitted place was found to what its runs must confirm."""
    pits = works.pits[works.pits["forbidding_trees"].to_numpy() > 0]
    if not len(pits):
        return advice
    warning = "Pit " + pits["pit_id"].astype(str) + " stands where a decision or protection "
    warning += "forbids it (tree " + pits["forbidden_by"].astype(str)
    warning += "): no other place was found."
    text = pd.Series(warning.to_numpy(), index=pits["pit_id"].to_numpy())
    ends = works.strings[["launch_pit", "reception_pit"]].to_numpy(dtype=object)
    found = [" ".join(text[pit] for pit in dict.fromkeys(pair) if pit in text) for pair in ends]
    by_string = pd.Series(found, index=works.strings["string_id"].to_numpy())
    return _warn(advice, _texts_of_runs(advice, by_string))


def _texts_of_runs(advice: pd.DataFrame, by_string: pd.Series) -> Texts:
    """Give each run the text of its string; blank where there is none."""
    texts = by_string.astype(object).reindex(advice["string_id"].astype(str))
    return texts.fillna("").to_numpy(dtype=object)


def _warn(advice: pd.DataFrame, more: Texts) -> pd.DataFrame:
    """Set a text before what each run must confirm; blank adds nothing."""
    texts = [
        f"{one} {other}".strip() for one, other in zip(more, advice["to_confirm"], strict=True)
    ]
    return advice.assign(to_confirm=np.array(texts, dtype=object))


def _warn_of_bores(
    advice: pd.DataFrame, runs: gpd.GeoDataFrame, plans: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Add where the new bores narrow downstream to what both runs must confirm."""
    old = runs["diameter_mm"].to_numpy(dtype=float)
    technique = advice["technique"].astype(str).to_numpy()
    new = old.copy()
    for code, plan in plans.items():
        bore = plan["new_bore_mm"].to_numpy(dtype=float) if "new_bore_mm" in plan else old
        new = np.where((technique == code) & ~np.isnan(bore), bore, new)
    found = find_narrowing(runs, old, new)
    return _warn(advice, narrowing_text(advice["run_id"], new, found))


def _warn_of_collapses(advice: pd.DataFrame, place: Place) -> pd.DataFrame:
    """Add collapses that nobody placed to what burst runs must confirm: each needs a dig."""
    places = place.collapses
    sure = places["is_sure"].to_numpy(dtype=bool)
    is_burst = advice["technique"].astype(str).isin(BURSTING)

    def mark(which: Flags) -> Flags:
        """Mark the burst runs that have any of these places."""
        runs = places.loc[which, "run_id"].astype(str)
        return (is_burst & advice["run_id"].isin(runs)).to_numpy(dtype=bool)

    lost = mark(sure & places["chainage_m"].isna().to_numpy())
    doubtful = mark(~sure)
    text = np.select(
        [lost, doubtful],
        [
            "Find out where it is collapsed: the dig there is not set out, counted or priced.",
            "Find out whether it is collapsed: no dig for that is set out, counted or priced.",
        ],
        "",
    )
    return _warn(advice, text.astype(object))


def _warn_of_laydown(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie in one piece before it is pulled to what its runs confirm."""
    short = laydown[laydown["stages"].to_numpy(dtype=float) > 1]
    texts = [
        f"Room for the string {name} to lie: {free:.0f} m free, {wanted:.0f} m wanted; it would be "
        f"welded in {stages:.0f} stages, with the pull stopped at each (in the days until it is "
        "tied in, not in crew days and cost)."
        for name, free, wanted, stages in zip(
            short["string_id"],
            short["available_m"],
            short["wanted_m"],
            short["stages"],
            strict=True,
        )
    ]
    by_string = pd.Series(texts, index=short["string_id"].to_numpy(), dtype=object)
    return _warn(advice, _texts_of_runs(advice, by_string))


def _warn_of_no_room(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie at all, or that it is not known, to what its runs confirm."""
    room = laydown["room"].astype(str).to_numpy()
    name = "string " + laydown["string_id"].astype(str)
    none = "NO ROOM to lay out even one pipe length behind the launch pit of " + name
    none += ": it cannot be pulled as set out here. Choose the other end or another technique."
    open_text = "Room for the " + name + " to lie is not known: its launch pit is not placed."
    texts = pd.Series(np.select([room == NO_ROOM, room == NOT_KNOWN], [none, open_text], ""))
    by_string = texts.set_axis(laydown["string_id"].astype(str).to_numpy())
    return _warn(advice, _texts_of_runs(advice, by_string))


def _attach_laydown(
    strings: gpd.GeoDataFrame, laydown: gpd.GeoDataFrame, pipe: PipeSettings
) -> gpd.GeoDataFrame:
    """Put beside each string the room behind its launch pit, and the days that stages add."""
    names = {
        "available_m": "laydown_available_m",
        "fits": "laydown_fits",
        "stages": "laydown_stages",
        "room": "laydown_room",
        "text": "laydown_text",
    }
    facts = laydown[list(names)].rename(columns=names).reset_index(drop=True)
    joined = pd.concat([strings.reset_index(drop=True), facts], axis=1)
    stages = joined["laydown_stages"].to_numpy(dtype=float, na_value=np.nan)
    # A string that has no room, or not known whether, is ready nobody knows when.
    stops = (stages - 1) * pipe.stage_hours / pipe.shift_hours
    weld = joined["weld_hours"] / pipe.shift_hours
    # Its later lengths are welded while the pull waits, and the houses with it.
    waits = stops + np.where(stages > 1, weld * (1 - 1 / stages), 0 * stages)
    joined["ready_days"] += stops
    joined["tie_days"] += waits
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=strings.crs)


@dataclass(frozen=True, kw_only=True)
class _Wish:
    """What bursting would be wished for if set-up and pits cost nothing, and who decided."""

    decided: Decided
    burst: Flags
    upsized: Flags
    widened: Flags


def _wish_burst(
    place: Place,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    decisions: tuple[Decided, ...],
    settings: ChoiceSettings,
) -> tuple[list[_Wish], Works]:
    """Find the runs for which bursting is the better choice while set-up and pits cost nothing.

    One wish for each of the decisions; the works are those without any string.
    """
    size = len(place.runs)
    nobody = np.zeros(size, dtype=bool)
    none = set_out_works(
        place, plans, burst=nobody, upsized=nobody, widened=nobody, has_texts=False
    )
    free = replace(none, setup_share=np.zeros(size))
    compared = compare_techniques(place, plans, free, shares, settings)
    needs = place.cases["needs_work"].to_numpy() > 0
    bursting = [list(TECHNIQUES).index(code) for code in BURSTING]
    wishes = []
    for decided in decisions:
        may, upsized = pick_burst_size(compared.checks, decided)
        burst, other = burst_and_other_scores(compared.scores, decided, upsized)
        is_forced = np.isin(decided.forced, bursting)
        wishes.append(
            _Wish(
                decided=decided,
                burst=may & ((needs & (burst <= other)) | is_forced),
                upsized=upsized,
                widened=may_widen(compared.checks, decided),
            )
        )
    return wishes, none


def _choose_burst(
    place: Place,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    wish: _Wish,
    settings: ChoiceSettings,
    *,
    before: Works,
) -> tuple[Flags, Works]:
    """Set out the strings that are wished for, and of these the ones that are worth their pits.

    A string is burst as a whole or not at all. Returns the runs of the chosen strings, and the
    works of all that were wished for. Digs, and places of pits that works `before` hold, are not
    sought again.
    """
    possible = _set_out(place, plans, wish, wish.burst, before, has_texts=False)
    compared = compare_techniques(place, plans, possible, shares, settings)
    burst, other = burst_and_other_scores(compared.scores, wish.decided, wish.upsized)
    return choose_strings(possible, burst, other), possible


def _pulled_together(works: Works, plans: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Say what each run is burst to and with how many others.

    Columns technique (-1 outside strings), string_id, n_runs and length_m of the string.
    """
    number = pd.Index(works.strings["string_id"]).get_indexer(pd.Index(works.string_of_run))
    inside = number >= 0
    same = plans["burst_same"]["new_outside_mm"].to_numpy(dtype=float)
    larger = works.outside_of_run > same
    codes = np.array([list(TECHNIQUES).index(code) for code in BURSTING])
    members = works.strings["run_ids"].astype(str).str.count(";").to_numpy(dtype=int) + 1
    length = works.strings["length_m"].to_numpy(dtype=float)
    pick = np.maximum(number, 0)
    return pd.DataFrame(
        {
            "technique": np.where(inside, codes[larger.astype(int)], -1),
            "string_id": works.string_of_run,
            "n_runs": np.where(inside, np.append(members, 0)[pick], 0),
            "length_m": np.where(inside, np.append(length, 0.0)[pick], 0.0),
        }
    )


def _sum_up(
    place: Place,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    works: Works,
    chosen: NDArray[np.object_],
    quantities: dict[str, pd.DataFrame],
    currency: str,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Balance each tree, and set open cut wherever work is needed against the recommendation."""
    needs = place.cases["needs_work"].to_numpy() > 0
    unsized = np.isnan(place.trenches["width_m"].to_numpy(dtype=float))
    # A trench of unknown width that is decided on for a sound run counts on both sides.
    before = _loss_of(needs | (unsized & (chosen == "open_cut")), exposure, zones)
    is_cut = chosen == "open_cut"
    stays = _loss_of(is_cut, exposure, zones)
    balance = balance_trees(place, works, chosen, loss_before=before, loss_open_cut=stays)
    dug = np.where(needs, "open_cut", "monitor")
    after = balance[balance["is_touched"]].assign(severed_m2=lambda table: table["loss_m2"])
    totals = build_totals(
        _take_quantities(quantities, dug),
        _take_quantities(quantities, chosen),
        length_m=place.runs["length_m"].to_numpy(dtype=float),
        loss_open_cut=before,
        loss_recommended=after,
        pits=works.pits,
        digs=works.digs,
        currency=currency,
        is_joined=place.cases["n_connections"].notna().to_numpy(),
        is_sized=~unsized,
    )
    return balance, totals


def _loss_of(which: Flags, exposure: Exposure, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Loss per tree by the trenches of some runs."""
    breaches = exposure.breaches[which[exposure.breaches["run"].to_numpy()]]
    losses = sum_tree_loss(
        breaches.reset_index(drop=True), exposure.trenches, zones, tiers=exposure.tiers
    )
    doubt = exposure.doubt[which[exposure.doubt["run"].to_numpy()]]
    return add_unknown_losses(losses, doubt, zones)


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


def _attach_facts(
    runs: gpd.GeoDataFrame, cases: pd.DataFrame, flow: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Put what was found about each run beside its layer columns."""
    names = [
        "n_trees",
        "n_major",
        "n_structural",
        "footprint_m2",
        "severed_m2",
        "severity",
        "worst_tree",
        "nearest_stem_m",
        "n_axis_zones",
        "axis_stem_m",
        "service_clearance_m",
        "nearest_service",
        "n_crossings",
        "n_connections",
        "chain_length_m",
        "cover_m",
        "building_distance_m",
    ]
    facts = cases[names].assign(bend_within_deg=cases["bend_deg"])
    known = runs.reset_index(drop=True).assign(assumed=cases["assumed"].to_numpy())
    joined = pd.concat([known, facts, flow], axis=1)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=runs.crs)


def _tabulate_options(run_id: pd.Series, final: Comparison) -> pd.DataFrame:
    """Write the options with what they score."""
    table = tabulate_options(run_id, final.checks, final.plans)
    names = (
        "n_surveys",
        "n_structural",
        "n_careful",
        "n_major",
        "root_m2",
        "shortfall",
        "cost",
        "whole_life_cost",
        "co2e_kg",
    )
    facts = {name: final.scores.facts[name].T.ravel() for name in names}
    return table.assign(**facts, score=final.scores.total.T.ravel())
