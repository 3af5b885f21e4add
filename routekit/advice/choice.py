"""The choice: from facts about each run to one recommendation with its works."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.appraised import find_turns
from routekit.advice.asbestos_items import add_asbestos
from routekit.advice.burst_choice import (
    BurstChoice,
    choose_burst_runs,
    list_string_pulls,
)
from routekit.advice.confirmations import ask_on_site, find_root_cutting
from routekit.advice.currency import Money
from routekit.advice.laid_lines import (
    LaidLines,
    choose_laid,
    expose_laid,
    place_laid,
    take_work,
)
from routekit.advice.line_capacity import find_held, judge_line
from routekit.advice.line_sizes import renew_at_own_size, size_line
from routekit.advice.new_bores import find_heights, size_new_pipes
from routekit.advice.open_runs import name_techniques
from routekit.advice.options import Comparison, itemise_works
from routekit.advice.recommend import find_idle, recommend
from routekit.advice.recommended import mark_checks
from routekit.advice.root_cutting import tell_cutting
from routekit.advice.settings import ChoiceSettings
from routekit.advice.standing import set_standing
from routekit.advice.surfaces import surface_shares
from routekit.advice.totals_apart import sum_up, take_sides
from routekit.advice.tree_outcomes import mark_open_works
from routekit.arrays import Floats, Texts
from routekit.layers.decisions import Decided
from routekit.layers.read import Layers
from routekit.methods.checks import tabulate_checks
from routekit.methods.evaluate import tabulate_options
from routekit.methods.run_facts import find_crossings, prepare_place
from routekit.pipes.new_pipes import PlanSettings, build_plans
from routekit.pipes.settings import LinerSettings, PipeSettings
from routekit.site.grazed import mark_grazed
from routekit.site.ground_taken import list_surfaces
from routekit.site.laydown import attach_laydown, plan_laydown
from routekit.site.layout import (
    Ground,
    Place,
    SetOut,
    Works,
    encroach,
    set_out_digs,
)
from routekit.techniques import OPEN_CUT, TECHNIQUES
from routekit.trees.exposure import Exposure, Trenched
from routekit.words.texts import both, fill, join, take_texts

Tell = Callable[[str], None]


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """What is chosen for every run; see `routekit.result.Result` for the tables.

    `times` are the working days of each run item by item (`priced_items.time_runs`), `sides` the
    quantities of each run by open cut and as recommended, `place` what trees are balanced on.
    """

    runs: gpd.GeoDataFrame
    checks: pd.DataFrame
    options: pd.DataFrame
    advice: pd.DataFrame
    works: SetOut
    encroachments: pd.DataFrame
    laydown: gpd.GeoDataFrame
    quantities: pd.DataFrame
    times: pd.DataFrame
    sides: tuple[pd.DataFrame, pd.DataFrame]
    place: Ground


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known before the choice; see `choose_renewal`."""

    layers: Layers
    runs: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    exposure: Exposure
    condition: pd.DataFrame
    flow: pd.DataFrame
    decided: Decided
    settings: ChoiceSettings


@dataclass(frozen=True, kw_only=True)
class Recommended:
    """What is recommended for every run, before its works are set out.

    `runs` have what was found about each beside their layer columns, `shares` are the kinds of
    surface along each run, `laid` the new lines on which some of them are laid.
    """

    runs: gpd.GeoDataFrame
    advice: pd.DataFrame
    place: Place
    choice: BurstChoice
    shares: pd.DataFrame
    known: Known
    laid: LaidLines | None


@dataclass(frozen=True, kw_only=True)
class Renewal(Chosen):
    """The choice with what it rests on.

    `shares` are the kinds of surface along each run, `dug` what open cut meets as it would be dug:
    on new lines where these are recommended.
    """

    works: Works
    place: Place
    choice: BurstChoice
    shares: pd.DataFrame
    known: Known
    dug: Trenched


def keep_names(works: Works) -> Works:
    """Leave works their ids."""
    return works


def choose_renewal(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    flow: pd.DataFrame,
    decided: Decided,
    settings: ChoiceSettings,
    *,
    tell: Tell,
    name_works: Callable[[Works], Works] = keep_names,
) -> Recommended:
    """Choose how to renew every run.

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
    flow : DataFrame
        From `routekit.pipes.capacity.build_flow`.
    decided : Decided
    settings : ChoiceSettings
    tell : callable
        Is called with the name of each step.
    name_works : callable, optional
        Gives strings and pits other ids before any text names them.

    Returns
    -------
    Recommended
        Works are set out by `set_out_renewal`.
    """
    tell("Checking techniques")
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
    pipes = plan_settings(settings)
    plans = build_plans(place.cases, pipes)
    crossings = find_crossings(place, layers.services, plans, settings.methods)
    place = replace(place, crossings=crossings)
    shares = surface_shares(
        runs.geometry.to_numpy(), exposure.trenches["width_m"].to_numpy(), layers.surfaces
    )
    tell("Setting out strings and pits")
    strings = choose_burst_runs(place, plans, shares, decided, pipes, settings)
    strings = replace(strings, works=name_works(strings.works))
    tell("Writing recommendations")
    known = Known(
        layers=layers,
        runs=runs,
        zones=zones,
        exposure=exposure,
        condition=condition,
        flow=flow,
        decided=decided,
        settings=settings,
    )
    return _recommend(place, strings, shares, known, None)


def lay_renewal(renewal: Recommended, laid: LaidLines) -> Recommended:
    """Recommend anew where runs are laid on new lines.

    Parameters
    ----------
    renewal : Recommended
        What is recommended without new lines; strings of other runs stay.
    laid : LaidLines
        Lines that score better than what is recommended for their runs.

    Returns
    -------
    Recommended
        Open cut of these runs is their new line.

    Raises
    ------
    ValueError
        If the checks of new lines do not begin with those of open cut.

    Examples
    --------
    It is a stage of `routekit.pipeline.run_study`, where new lines are recommended:

    >>> lay_renewal.__name__
    'lay_renewal'
    """
    known = renewal.known
    work = take_work(laid, len(known.runs))
    place = replace(renewal.place, laid=work)
    strings = choose_laid(renewal.choice, laid, work, known.settings.advice)
    return _recommend(place, strings, renewal.shares, known, laid)


def _recommend(
    place: Place,
    strings: BurstChoice,
    shares: pd.DataFrame,
    known: Known,
    laid: LaidLines | None,
) -> Recommended:
    """Recommend, on new lines where some are laid."""
    works, plans, final = strings.works, strings.plans, strings.final
    advice = _advise(place, plans, final, works, known.decided, strings, known.settings)
    is_zoned = len(known.zones) > 0
    return Recommended(
        runs=_attach_facts(known.runs, place.cases, known.flow, is_zoned=is_zoned),
        advice=_tell_laid(advice, laid),
        place=place,
        choice=strings,
        shares=shares,
        known=known,
        laid=laid,
    )


def set_out_renewal(recommended: Recommended) -> Renewal:
    """Set out the works that are recommended.

    Parameters
    ----------
    recommended : Recommended
        On new lines where these are laid in the end.

    Returns
    -------
    Renewal
        Open cut everywhere, among the `sides`, is that of the lines as they are.
    """
    place, strings, shares = recommended.place, recommended.choice, recommended.shares
    advice, known, laid = recommended.advice, recommended.known, recommended.laid
    layers, runs, zones, decided = known.layers, known.runs, known.zones, known.decided
    settings, exposure = known.settings, known.exposure
    works, plans, final = strings.works, strings.plans, strings.final
    chosen = name_techniques(advice["technique"])
    works = replace(works, digs=set_out_digs(place, chosen))
    dug = exposure if laid is None else expose_laid(exposure, laid)
    ground, near_stem = _find_dug(place, laid)
    grazed_m2 = settings.advice.grazed_m2
    encroachments = encroach(ground, works, chosen, dug.breaches, zones, grazed_m2=grazed_m2)
    laydown = plan_laydown(
        works.strings,
        works.pits,
        place.around,
        trees=layers.trees,
        connections=place.connections,
        bar_length_m=settings.pipe.bar_length_m,
        settings=settings.site.laydown,
    )
    pipes = plan_settings(settings)
    advice = _judge_lines(advice, place, strings, shares, decided, pipes, settings)
    advice = ask_on_site(advice, place, works.strings, laydown)
    advice = advice.assign(
        root_cutting=find_root_cutting(advice, known.condition),
        is_near_stem=_judge_trenches(near_stem, chosen),
        has_open_works=mark_open_works(advice, works.strings, works.pits),
        **both("chosen_by", _name_choosers(advice, decided)),
    )
    connections = place.cases["n_connections"].to_numpy(dtype=float)
    items, times = itemise_works(place, plans, works, shares, chosen, settings)
    items = add_asbestos(items, place.runs, chosen, works, connections)
    needs = place.cases["needs_work"].to_numpy() > 0
    open_cut = final.quantities[OPEN_CUT] if laid is None else laid.open_cut
    return Renewal(
        runs=recommended.runs,
        checks=mark_checks(_list_checks(runs["run_id"], final, laid), advice),
        options=_tabulate_options(runs, final, laid),
        advice=advice,
        works=_attach_facts_of_works(works, laydown, layers.surfaces, settings.pipe),
        encroachments=encroachments,
        laydown=laydown,
        quantities=items,
        times=times,
        sides=take_sides(needs, chosen, final.quantities, open_cut),
        place=ground,
        choice=strings,
        shares=shares,
        known=known,
        dug=dug,
    )


def balance_works(
    chosen: Chosen,
    exposure: Trenched,
    dug: Trenched,
    zones: gpd.GeoDataFrame,
    settings: ChoiceSettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Balance each tree, and set open cut wherever work is done against what is recommended.

    Parameters
    ----------
    chosen : Chosen
    exposure : Trenched
        Of open cut on the lines as they are.
    dug : Trenched
        Of open cut as it would be dug: on new lines where these are recommended.
    zones : GeoDataFrame
        One zone per tree.
    settings : ChoiceSettings

    Returns
    -------
    tree_balance, totals : DataFrame
    """
    balance, totals = sum_up(
        chosen.place,
        zones,
        exposure,
        dug,
        chosen.works,
        chosen.encroachments,
        name_techniques(chosen.advice["technique"]),
        chosen.sides,
        _say_money(settings),
    )
    return balance.assign(is_grazed=mark_grazed(balance, settings.advice.grazed_m2)), totals


def _name_choosers(advice: pd.DataFrame, decided: Decided) -> Texts:
    """Name who forced the technique of each run, or left no other; blank where nobody did."""
    is_forced = advice["is_forced"].to_numpy(dtype=bool)
    return fill(by if forced else "" for by, forced in zip(decided.by, is_forced, strict=True))


def _attach_facts_of_works(
    works: Works, laydown: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame, pipe: PipeSettings
) -> Works:
    """Put beside the works what is laid out for them, and the surfaces that they lie on."""
    under = list_surfaces(works.digs.geometry, surfaces)["surfaces"]
    return replace(
        works,
        strings=attach_laydown(works.strings, laydown, pipe),
        pits=works.pits.assign(**list_surfaces(works.pits.geometry, surfaces)),
        digs=works.digs.assign(surfaces=under),
    )


def _judge_lines(
    advice: pd.DataFrame,
    place: Place,
    strings: BurstChoice,
    shares: pd.DataFrame,
    decided: Decided,
    pipes: PlanSettings,
    settings: ChoiceSettings,
) -> pd.DataFrame:
    """Let the owner decide on lines that hold larger pipes back, with what each would take."""
    held = find_held(advice, place.cases, strings.plans)
    works, final = strings.works, strings.final
    return judge_line(
        advice,
        held,
        size_line(held, place, works, final, shares, decided, pipes, settings),
        renew_at_own_size(final, decided, works.string_of_run != ""),
        place.cases["required_l_s"].to_numpy(dtype=float),
        settings.currency,
    )


def _tell_laid(advice: pd.DataFrame, laid: LaidLines | None) -> pd.DataFrame:
    """Mark the runs that are laid on a new line, and say so in their reason."""
    is_laid = np.zeros(len(advice), dtype=bool)
    if laid is None:
        return advice.assign(is_new_line=is_laid)
    # A way that the new line itself would follow may come out ahead of it by that.
    wins = (name_techniques(advice["technique"]) == OPEN_CUT)[laid.own]
    own = laid.own[wins]
    is_laid[own] = True
    texts = {name: take_texts(advice, name).copy() for name in ("reason", "to_confirm")}
    for name, more in (("reason", laid.said), ("to_confirm", laid.to_confirm)):
        texts[name][own] = fill(
            join(pair) for pair in zip(texts[name][own], more[wins], strict=True)
        )
    said = {name: each for key, text in texts.items() for name, each in both(key, text).items()}
    return advice.assign(is_new_line=is_laid, **said)


def _find_dug(place: Place, laid: LaidLines | None) -> tuple[Place, Floats]:
    """Give the place as it is dug, and what comes too near a stem (NaN not known)."""
    near = place.cases["is_near_stem"].to_numpy(dtype=float)
    if laid is None:
        return place, near
    near = near.copy()
    near[laid.own] = laid.near_stem
    return place_laid(place, laid), near


def _judge_trenches(near: Floats, chosen: Texts) -> pd.arrays.BooleanArray:
    """Tell of each run whether a recommended trench is too near a stem; missing not known."""
    is_cut = chosen == OPEN_CUT
    return pd.arrays.BooleanArray(is_cut & (near == 1), is_cut & np.isnan(near))


def plan_settings(settings: ChoiceSettings) -> PlanSettings:
    """Take what the plans of new pipes rest on.

    Parameters
    ----------
    settings : ChoiceSettings

    Returns
    -------
    PlanSettings
    """
    return PlanSettings(
        flow=settings.flow,
        pipe=settings.pipe,
        pull=settings.pull,
        liner=_wet_liner(settings),
        slip_outside_share=settings.methods.lining.slip_outside_share,
        max_steps_up=settings.methods.bursting.max_steps_up,
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
    strings: BurstChoice,
    settings: ChoiceSettings,
) -> pd.DataFrame:
    """Recommend a technique for every run, with the pits that its string would need."""
    advice = recommend(
        place.cases,
        final.checks,
        plans,
        final.scores,
        decided,
        strings=list_string_pulls(works, plans).assign(
            free_technique=strings.free_technique, **both("bans", _take_bans(place, works))
        ),
        money=_say_money(settings),
    )
    cutting = tell_cutting(
        final, works.string_of_run, decided.excluded, settings.advice, _say_money(settings)
    )
    advice = advice.assign(**cutting)
    advice = set_standing(advice, place.cases, final.checks, final.scores, decided.excluded)
    technique = name_techniques(advice["technique"])
    barred = decided.excluded | find_idle(place.cases)
    turns = find_turns(advice, final, works, strings, barred, settings.advice)
    return advice.assign(
        string_id=works.string_of_run,
        **both("appraisal_turns", turns),
        **size_new_pipes(place.runs, plans, technique),
    )


def _take_bans(place: Place, works: Works) -> Texts:
    """Say which bans on pits keep each run out of all strings; blank where none does."""
    return fill(join([place.pit_bans[tree] for tree in trees], "; ") for trees in works.barred_by)


def _say_money(settings: ChoiceSettings) -> Money:
    """Name the currency and the appraisal rule in force."""
    advice = settings.advice
    return Money(settings.currency, advice.appraisal_label, advice.appraisal_rule.source)


def _attach_facts(
    runs: gpd.GeoDataFrame, cases: pd.DataFrame, flow: pd.DataFrame, *, is_zoned: bool
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
    clear = cases["service_clearance_m"].to_numpy(dtype=float)
    blind = ~cases["has_services"].to_numpy(dtype=bool) | (cases["n_services_unknown"] > 0)
    facts = cases[names].assign(
        bend_within_deg=cases["bend_deg"],
        # Where no zone is known at all, nothing is known of what a trench would meet.
        severity=cases["severity"] if is_zoned else None,
        # None near is known only where services were given, each near one with its depth.
        service_clearance_m=np.where(blind & np.isinf(clear), np.nan, clear),
    )
    known = runs.reset_index(drop=True).assign(assumed=cases["assumed"].to_numpy())
    joined = pd.concat([known, facts, flow], axis=1)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=runs.crs)


_BANDS: Final = (
    "cost_low",
    "cost_high",
    "whole_life_cost_low",
    "whole_life_cost_high",
    "days_low",
    "days_mid",
    "days_high",
)
"""Quantities of each technique that stand beside its cost in the options."""


def _list_checks(run_id: pd.Series, final: Comparison, laid: LaidLines | None) -> pd.DataFrame:
    """List the checks of all techniques; with those that only new lines are held to, at the end."""
    table = tabulate_checks(run_id, final.checks)
    if laid is None:
        return table
    own = {OPEN_CUT: laid.checks[len(final.checks[OPEN_CUT]) :]}
    more = tabulate_checks(run_id.iloc[laid.own], own)
    more["run"] = laid.own[more["run"].to_numpy()].astype(np.int32)
    joined = pd.concat([table, more], ignore_index=True)
    for name in table.columns[table.dtypes == "category"]:
        both_kinds = [table[name].cat.categories, more[name].cat.categories]
        words = both_kinds[0].append(both_kinds[1].difference(both_kinds[0], sort=False))
        dtype = pd.CategoricalDtype(words, ordered=table[name].cat.ordered)
        joined[name] = joined[name].astype(dtype)
    return joined.sort_values("run", kind="stable", ignore_index=True)


def _tabulate_options(
    runs: pd.DataFrame, final: Comparison, laid: LaidLines | None
) -> pd.DataFrame:
    """Write the options with what they score; of new lines with all their own checks."""
    table = tabulate_options(runs["run_id"], final.checks, final.plans)
    if laid is not None:
        counted = tabulate_options(
            runs["run_id"].iloc[laid.own], {OPEN_CUT: laid.checks}, {OPEN_CUT: laid.plan}
        )
        place = list(TECHNIQUES).index(OPEN_CUT) * len(runs) + laid.own
        for name in ("verdict", "n_fail", "n_caution", "n_unknown"):
            table.loc[place, name] = counted[name].to_numpy()
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
    facts |= {
        name.removesuffix("_mid"): np.concatenate(
            [final.quantities[code][name].to_numpy(dtype=float) for code in TECHNIQUES]
        )
        for name in _BANDS
    }
    bore = table["new_bore_mm"].to_numpy(dtype=float)
    technique = table["technique"].to_numpy(dtype=object)
    heights = find_heights(runs.iloc[table["run"].to_numpy()], technique, bore)
    return table.assign(new_height_mm=heights, **facts, score=final.scores.total.T.ravel())
