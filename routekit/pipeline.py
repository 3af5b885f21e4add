"""The whole method on one screen: each stage is one call, tables in, table out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol, TypeVar

import geopandas as gpd
import pandas as pd

from routekit.advice.alerts import find_alerts
from routekit.advice.choice import (
    Chosen,
    Renewal,
    balance_works,
    choose_renewal,
    keep_names,
    set_out_renewal,
)
from routekit.advice.currency import find_neutral_rates
from routekit.advice.new_lines import NewLines, draw_new_lines, lay_lines, review_named_runs
from routekit.advice.recommended import mark_trenches
from routekit.advice.tree_needs import find_needs
from routekit.advice.tree_outcomes import judge_outcomes
from routekit.advice.ways import compare_ways
from routekit.arrays import at_work
from routekit.errors import DecisionError, LayerError
from routekit.layers.aside import Aside, InMemory
from routekit.layers.crowns import mark_origin
from routekit.layers.decisions import STEM, Decided, find_tree_decisions, read_decisions
from routekit.layers.ground import add_ground
from routekit.layers.photo_review import review_photo
from routekit.layers.public_ground import find_public_trees
from routekit.layers.public_places import name_places
from routekit.layers.raster_place import report_elsewhere
from routekit.layers.read import Layers, read_layers
from routekit.layers.streets import find_nearest_runs
from routekit.layers.tree_photos import review_tree_photos
from routekit.methods.condition import assess_condition
from routekit.methods.neighbours import list_crossings
from routekit.methods.observations import describe_observations, review_codes
from routekit.methods.roots import link_roots
from routekit.methods.run_facts import (
    find_connections,
    measure_chainages,
    report_loose,
)
from routekit.outputs.notebook import ShownResult
from routekit.programme.diversion import Flows, find_diversions
from routekit.programme.programme import Works, make_programme, report_unplaced
from routekit.programme.stages import list_stages
from routekit.programme.windows import refuse_unknown_streets
from routekit.record.after_care import plan_care
from routekit.record.lessons import caution_lessons
from routekit.record.permits import match_packages
from routekit.record.returned import Record, keep_record
from routekit.schema import hold_tables
from routekit.settings.provenance import build_provenance, used_sources, write_basis
from routekit.site.grazed import mark_beyond
from routekit.site.ground_taken import measure_parking
from routekit.site.layout import Works as SetOutWorks
from routekit.site.manhole_plant import tell_manhole_plant
from routekit.site.protection import GroundWorks, set_out_protection
from routekit.site.relaid import draw_dug
from routekit.study import (
    Study,
    StudySettings,
    choice_settings,
    list_inputs,
    list_rules_in_force,
    require_study,
)
from routekit.sureness.report import list_surveys, tell_sureness
from routekit.trees.exposure import Trenched, lose_everywhere
from routekit.trees.open_lines import lay_open_lines
from routekit.trees.own_zones import find_own
from routekit.trees.stem_table import tabulate_stems
from routekit.trees.stem_words import describe_stems
from routekit.trees.zones import build_zones
from routekit.vocabulary import CAUTIONS

Tell = Callable[[str], None]
Table = TypeVar("Table", bound=pd.DataFrame)


class Keep(Protocol):
    """Holds a table in another way: on disk, say."""

    def __call__(self, table: Table, /) -> Table:
        """Give the same table back, as it is to be held."""


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """What the study says, before anything is decided.

    Attributes
    ----------
    layers : Layers
    runs : GeoDataFrame
        With ground levels, depths and gradient.
    zones : GeoDataFrame
        One root zone per tree.
    stems : DataFrame
        Every stem of every tree.
    decided : Decided
        Decisions of the designer and the arborist.
    findings : DataFrame
        What was found in the data, and what was done about it.
    """

    layers: Layers
    runs: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    stems: pd.DataFrame
    decided: Decided
    findings: pd.DataFrame
    pictures: tuple[Path, ...] = ()
    """Photos of trees."""


@dataclass(frozen=True, kw_only=True)
class Judged:
    """What is found run by run, with all that the works do to trees one by one.

    Attributes
    ----------
    exposure : Trenched
        Of open cut on the lines as they are.
    dug : Trenched
        The same, but on new lines where these are recommended.
    chosen : Chosen
    settled : DataFrame
        By run and survey; see `routekit.sureness.report.tell_sureness`.
    new_lines : NewLines
    """

    exposure: Trenched
    dug: Trenched
    chosen: Chosen
    settled: pd.DataFrame
    new_lines: NewLines


@dataclass(frozen=True, kw_only=True)
class Concluded:
    """What holds for the study as a whole, as the stages of `conclude` find it.

    Attributes
    ----------
    root_links, tree_balance, totals, near_misses, tree_needs, permits, programme, stages, alerts,
    flow_diversion, after_care, tree_protection, surveys : DataFrame
        As in the schema.
    record : Record
        What was built and what it teaches.
    connections : GeoDataFrame
        Those of the layer, with the runs that they were given to.
    """

    root_links: pd.DataFrame
    record: Record
    connections: gpd.GeoDataFrame
    tree_balance: pd.DataFrame
    totals: pd.DataFrame
    near_misses: pd.DataFrame
    tree_needs: pd.DataFrame
    permits: pd.DataFrame
    programme: pd.DataFrame
    stages: pd.DataFrame
    alerts: pd.DataFrame
    flow_diversion: pd.DataFrame
    after_care: pd.DataFrame
    tree_protection: gpd.GeoDataFrame
    surveys: pd.DataFrame


@dataclass(frozen=True, kw_only=True)
class JudgedRuns(Judged):
    """The same with what the choice rests on."""

    chosen: Renewal


_IN_MEMORY = InMemory()


def _silent(_: str) -> None:
    """Tell nobody."""


@at_work()
def run_study(study: Study, *, tell: Tell = _silent) -> ShownResult:
    """Run the whole job.

    Parameters
    ----------
    study : Study
        The study file and its settings.
    tell : callable, optional
        Is called with the name of each stage as it begins.

    Returns
    -------
    Result

    Raises
    ------
    RoutekitError
        If a layer, field, reference system, setting or decision cannot be used; the message
        names it. Also if a table is not as its schema declares it (`ResultError`), which is a
        defect of this program.

    Examples
    --------
    A study is loaded first; its path is no study:

    >>> run_study("study.toml")
    Traceback (most recent call last):
    routekit.errors.StudyError: run_study takes a Study, not a value of type str; pass
    Study.load("study.toml"), as in run_study(Study.load("study.toml"))
    """
    require_study(study, "run_study")
    prepared = prepare_study(study, tell=tell)
    condition = rate_runs(study, prepared, tell=tell)
    judged = judge_runs(study.settings, prepared, condition, tell=tell)
    return conclude(study, prepared, condition, judged)


@at_work()
def rate_runs(study: Study, prepared: Prepared, *, tell: Tell = _silent) -> pd.DataFrame:
    """Rate the condition of all runs, which are ranked among each other.

    Parameters
    ----------
    study : Study
    prepared : Prepared
    tell : callable, optional

    Returns
    -------
    DataFrame
        As `condition` in the schema.
    """
    tell("Reading inspections")
    condition = study.settings.methods.condition
    return assess_condition(prepared.runs, prepared.layers.inspections, settings=condition)


@at_work()
def judge_runs(
    settings: StudySettings,
    prepared: Prepared,
    condition: pd.DataFrame,
    *,
    tell: Tell = _silent,
    name_works: Callable[[SetOutWorks], SetOutWorks] = keep_names,
) -> JudgedRuns:
    """Choose how each run is renewed, from what lies near it and down its line.

    Parameters
    ----------
    settings : StudySettings
    prepared : Prepared
        Of a whole study, or of a part with all that its runs hang together with; see
        `routekit.parts`.
    condition : DataFrame
        From `rate_runs`, of the runs of `prepared`.
    tell : callable, optional
        Is called with the name of each stage as it begins.
    name_works : callable, optional
        Gives strings and pits other ids before any text names them.

    Returns
    -------
    JudgedRuns
    """
    layers, runs, zones = prepared.layers, prepared.runs, prepared.zones
    tell("Measuring breaches")
    laid = lay_open_lines(
        runs,
        layers,
        zones,
        condition,
        flow=settings.flow,
        pipe=settings.pipe,
        trench=settings.trench,
        rules=settings.zones,
    )
    exposure = laid.exposure
    recommended = choose_renewal(
        layers,
        runs,
        zones,
        exposure,
        condition,
        laid.flow,
        prepared.decided,
        choice_settings(settings),
        tell=tell,
        name_works=name_works,
    )
    new_lines, lines = draw_new_lines(
        layers,
        zones,
        condition,
        recommended,
        prepared.decided,
        settings,
        choice_settings(settings),
    )
    recommended, new_lines = lay_lines(recommended, new_lines, lines)
    renewal = set_out_renewal(recommended)
    renewal, settled = tell_sureness(renewal, renewal.dug.near_misses, choice_settings(settings))
    return JudgedRuns(
        exposure=exposure, dug=renewal.dug, chosen=renewal, settled=settled, new_lines=new_lines
    )


@at_work()
def conclude(
    study: Study, prepared: Prepared, condition: pd.DataFrame, judged: Judged
) -> ShownResult:
    """Draw what holds for the study as a whole: trees, sums, programme, record.

    Parameters
    ----------
    study : Study
    prepared : Prepared
    condition : DataFrame
        From `rate_runs`.
    judged : Judged
        Of all runs.

    Returns
    -------
    Result
    """
    result = draw_conclusions(study, prepared, condition, judged)
    hold_tables(result.tables)
    return result


def hold(table: Table) -> Table:
    """Hold a table as it is."""
    return table


def draw_conclusions(
    study: Study,
    prepared: Prepared,
    condition: pd.DataFrame,
    judged: Judged,
    *,
    keep: Keep = hold,
) -> ShownResult:
    """Conclude without holding the tables to their schema.

    Parameters
    ----------
    study : Study
    prepared : Prepared
    condition : DataFrame
        From `rate_runs`.
    judged : Judged
        Of all runs; checks, options, advice and quantities may hold no more than what is read here
        (`routekit.parts.gather.list_concluded`), and stand in the result as they are.
    keep : callable, optional
        Is given each table that grows with the study once it is made, and gives it back as it is
        to be held.

    Returns
    -------
    Result
    """
    layers, settings, renewal = prepared.layers, study.settings, judged.chosen
    root_links = keep(
        link_roots(
            prepared.runs,
            layers.inspections,
            layers.trees,
            prepared.zones,
            radius_m=settings.methods.condition.association_radius_m,
        )
    )
    connections = keep(
        find_connections(
            layers.connections,
            layers.inspections,
            renewal.runs,
            reach_m=settings.site.digs.connection_reach_m,
        )
    )
    record = keep_record(
        layers,
        renewal,
        connections,
        settings.record,
        study.path.parent,
        drag_factor=settings.pull.drag_factor[1],
        groundwater_depth_m=settings.methods.subsoil.groundwater_depth_m,
    )
    record = replace(record, permits=keep(record.permits))
    balance, totals = balance_works(
        renewal, judged.exposure, judged.dug, prepared.zones, choice_settings(settings)
    )
    balance = keep(balance)
    near_misses = keep(mark_trenches(judged.dug.near_misses, renewal.advice))
    needs = keep(
        find_needs(
            layers.trees,
            prepared.zones,
            renewal.encroachments,
            near_misses,
            balance,
            renewal.advice,
        )
    )
    plan = _plan_works(study, condition, renewal, record.finished)
    permits, programme = match_packages(record.permits, plan)
    permits = keep(permits)
    stages = list_stages(
        programme,
        renewal.times,
        renewal.advice,
        renewal.works.strings,
        settings.programme,
        renewal.place.cases["n_connections"],
    )
    alerts = keep(
        find_alerts(
            renewal.advice,
            renewal.runs,
            renewal.works.strings,
            renewal.works.pits,
            renewal.works.digs,
            layers.decisions,
            layers.root_zones[layers.root_zones["tree_id"].isin(find_own(prepared.zones))],
            renewal.encroachments,
            programme,
        )
    )
    concluded = Concluded(
        root_links=root_links,
        record=record,
        connections=keep(_name_runs(layers.connections, connections, renewal.runs)),
        tree_balance=balance,
        totals=totals,
        near_misses=near_misses,
        tree_needs=needs,
        permits=permits,
        programme=programme,
        stages=stages,
        alerts=alerts,
        flow_diversion=keep(_divert_flow(study, layers, renewal, programme, connections)),
        after_care=keep(
            plan_care(
                needs,
                balance,
                renewal.encroachments,
                record.done_runs,
                programme,
                settings.record,
                visits=settings.advice.site_items.watering_visits,
            )
        ),
        tree_protection=keep(_protect_trees(study, prepared, judged.dug, renewal)),
        surveys=list_surveys(judged.settled, renewal.advice["survey"], settings.advice),
    )
    return _collect(study, prepared, condition, judged, concluded, keep)


@at_work()
def prepare_study(study: Study, *, tell: Tell = _silent, aside: Aside = _IN_MEMORY) -> Prepared:
    """Read the layers, find the depth along each run, and draw the root zones.

    Parameters
    ----------
    study : Study
    tell : callable, optional
        Is called with the name of each stage as it begins.
    aside : Aside, optional
        Where layers stand while others are worked on.

    Returns
    -------
    Prepared

    Raises
    ------
    RoutekitError
        If a layer, field, reference system or decision cannot be used; the message names it.

    Examples
    --------
    >>> prepare_study(None)
    Traceback (most recent call last):
    routekit.errors.StudyError: prepare_study takes a Study, not None; pass
    Study.load("study.toml"), as in prepare_study(Study.load("study.toml"))
    """
    require_study(study, "prepare_study")
    tell("Reading layers")
    layers = read_layers(study.settings, study.path.parent, aside=aside)
    runs, depth_findings = add_ground(
        layers.runs, layers.manholes, terrain=layers.terrain, inputs=study.settings
    )
    refuse_unknown_streets(study.settings.programme, runs["street"])
    decided = _read_decisions(layers, runs)
    lines = study.settings.advice.new_lines
    named = review_named_runs(lines, runs["run_id"], layers.left_out)
    code_findings = _review_codes(layers)
    tell("Drawing root zones")
    rules, stems = study.settings.zones, layers.stems
    stated = find_tree_decisions(layers.decisions, STEM)["tree_id"]
    zones, zone_findings = build_zones(
        layers.trees, layers.root_zones, settings=rules, lists=stems, stated=stated
    )
    neutral = find_neutral_rates(study.settings.study, study.settings.advice.rates)
    placed, photo = _review_rasters(layers, runs, study)
    reach_m = study.settings.site.digs.connection_reach_m
    beyond = report_loose(layers.connections, runs, reach_m=reach_m)
    told, trees, pictures = review_tree_photos(layers.trees, study.path.parent)
    layers = replace(layers, photo=photo, trees=trees)
    found = [layers.findings, placed, told, beyond, depth_findings, code_findings]
    found += [zone_findings, neutral, named]
    listed = tabulate_stems(layers.trees, zones, stems, settings=rules)
    return Prepared(
        layers=layers,
        runs=runs,
        zones=zones.assign(**describe_stems(layers.trees, zones, listed)),
        stems=listed,
        decided=decided,
        pictures=pictures,
        findings=pd.concat(found, ignore_index=True),
    )


def _review_rasters(
    layers: Layers, runs: gpd.GeoDataFrame, study: Study
) -> tuple[pd.DataFrame, Path | None]:
    """Tell which of terrain and photo lie nowhere near the sewers, and whether a photo is one."""
    lines, also_open = runs.geometry.to_numpy(), study.settings.study.also_open
    told, photo = review_photo(layers.photo, also_open=also_open)
    found = [
        report_elsewhere(name, path, lines, layers.crs, also_open=also_open)
        for name, path in {"terrain": layers.terrain, "photo": photo}.items()
    ]
    return pd.concat([told, *found], ignore_index=True), photo


def _read_decisions(layers: Layers, runs: gpd.GeoDataFrame) -> Decided:
    """Read the decisions; what is wrong with them is told with the name of their file."""
    try:
        gone = layers.left_out
        return read_decisions(
            layers.decisions,
            runs["run_id"],
            layers.trees["tree_id"],
            gone_runs=frozenset(gone.loc[gone["layer"].eq("sewers"), "row"]),
            gone_trees=frozenset(gone.loc[gone["layer"].eq("trees"), "row"]),
            places=layers.decision_places,
        )
    except DecisionError as error:
        refusal = DecisionError(f"{_place_of(layers, 'decisions')}: {error}")
        refusal.findings = layers.findings
        raise refusal from None


def _review_codes(layers: Layers) -> pd.DataFrame:
    """Tell what of the inspections is not understood; a refusal brings what was found before."""
    try:
        return review_codes(layers.inspections, where=_place_of(layers, "inspections"))
    except LayerError as error:
        error.findings = layers.findings
        raise


def _place_of(layers: Layers, layer: str) -> str:
    """Name the files and the layers in them that a layer was read from; blank where none is."""
    named = layers.sources.loc[layers.sources["layer"] == layer, ["path", "layer_name"]]
    return " and ".join(":".join(filter(None, one)) for one in named.itertuples(index=False))


def _collect(
    study: Study,
    prepared: Prepared,
    condition: pd.DataFrame,
    judged: Judged,
    found: Concluded,
    keep: Keep,
) -> ShownResult:
    """Put the tables of all stages together."""
    layers, renewal, new_lines = prepared.layers, judged.chosen, judged.new_lines
    cautions = (*CAUTIONS, *caution_lessons(found.record.lessons))
    rules = list_rules_in_force(study.settings)
    return ShownResult(
        name=study.settings.study.name,
        crs=layers.crs.to_string(),
        settings=study.settings,
        runs=keep(_tell_places(study, judged)),
        manholes=layers.manholes,
        trees=keep(_tell_outcomes(study, prepared, renewal, found.tree_balance)),
        zones=keep(mark_beyond(prepared.zones, study.settings.advice.grazed_m2)),
        stems=prepared.stems,
        trenches=keep(_mark_trenches(judged.dug.trenches, layers, renewal)),
        near_misses=found.near_misses,
        tree_loss=keep(lose_everywhere(judged.exposure, prepared.zones)),
        tree_balance=found.tree_balance,
        inspections=keep(describe_observations(layers.inspections)),
        root_links=found.root_links,
        condition=condition,
        checks=renewal.checks,
        options=renewal.options,
        advice=renewal.advice,
        strings=renewal.works.strings,
        pits=renewal.works.pits,
        digs=renewal.works.digs,
        encroachments=renewal.encroachments,
        connections=found.connections,
        services=layers.services,
        service_crossings=list_crossings(renewal.runs, layers.services),
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        study_area=layers.study_area,
        decisions=layers.decisions,
        totals=found.totals,
        findings=pd.concat(
            [prepared.findings, found.record.findings, report_unplaced(found.programme)],
            ignore_index=True,
        ),
        rules=rules,
        provenance=_provenance(study, prepared, rules, renewal.checks, found.totals, cautions),
        laydown=renewal.laydown,
        quantities=renewal.quantities,
        ways=compare_ways(renewal.options, renewal.advice["technique"]),
        alerts=found.alerts,
        surveys=found.surveys,
        new_lines=new_lines.lines,
        new_line_checks=new_lines.checks,
        new_line_connections=new_lines.connections,
        as_built=found.record.as_built,
        programme=found.programme,
        stages=found.stages,
        flow_diversion=found.flow_diversion,
        lessons=found.record.lessons,
        permits=found.permits,
        cautions=cautions,
        tree_needs=found.tree_needs,
        after_care=found.after_care,
        tree_protection=found.tree_protection,
        root_zones=layers.root_zones,
        photo=layers.photo,
        folder=study.path.parent,
        inputs=(*list_inputs(study), *(("photo of a tree", path) for path in prepared.pictures)),
    )


def _mark_trenches(trenches: gpd.GeoDataFrame, layers: Layers, renewal: Chosen) -> gpd.GeoDataFrame:
    """Mark the trenches that are recommended, with the parking that these take."""
    marked = mark_trenches(trenches, renewal.advice)
    is_dug = marked["is_recommended"].to_numpy(dtype=bool)
    corridors = marked["corridor"].to_numpy(dtype=object)
    return marked.assign(parking_m2=measure_parking(corridors, layers.surfaces, is_dug))


def _name_runs(
    read: gpd.GeoDataFrame, placed: gpd.GeoDataFrame, runs: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Give connections of the layer the runs that they were given to, and their places on them."""
    own = placed.iloc[: len(read)]
    is_placed = (own["run"] >= 0).to_numpy(dtype=bool)
    named = read.assign(run_id=read["run_id"].where(~is_placed, own["run_id"].to_numpy()))
    return named.assign(chainage_m=measure_chainages(named, runs))


def _plan_works(
    study: Study, condition: pd.DataFrame, renewal: Chosen, finished: pd.Series
) -> pd.DataFrame:
    """Make the programme of the recommended works that are still to do."""
    works = Works(
        runs=renewal.runs,
        advice=renewal.advice,
        options=renewal.options,
        condition=condition,
        strings=renewal.works.strings,
        pits=renewal.works.pits,
        digs=renewal.works.digs,
        laydown=renewal.laydown,
        encroachments=renewal.encroachments,
    )
    return make_programme(works, study.settings.programme, finished)


def _divert_flow(
    study: Study,
    layers: Layers,
    renewal: Chosen,
    programme: pd.DataFrame,
    connections: gpd.GeoDataFrame,
) -> pd.DataFrame:
    """Find what is carried past what is out of use."""
    flows = Flows(
        runs=renewal.runs,
        manholes=layers.manholes,
        connections=connections,
        advice=renewal.advice,
        options=renewal.options,
        strings=renewal.works.strings,
        programme=programme,
    )
    settings = study.settings
    return find_diversions(
        flows,
        settings.diversion,
        settings.flow,
        settings.advice.production,
        connections_a_day=settings.string_days.connections_a_day,
    )


def _protect_trees(
    study: Study, prepared: Prepared, exposure: Trenched, renewal: Chosen
) -> gpd.GeoDataFrame:
    """Set out what protects trees while the recommended works go on."""
    layers, technique = prepared.layers, renewal.advice["technique"]
    works = GroundWorks(
        runs=renewal.runs,
        technique=technique.astype(object).fillna("").to_numpy(dtype=object),
        is_laid=renewal.advice["is_new_line"].to_numpy(dtype=bool),
        trenches=exposure.trenches,
        pits=renewal.works.pits,
        digs=renewal.works.digs,
        strings=renewal.works.strings,
        laydown=renewal.laydown,
    )
    return set_out_protection(
        works,
        mark_origin(layers.trees),
        prepared.zones,
        renewal.encroachments,
        layers.surfaces,
        layers.obstacles,
        strip_m=study.settings.advice.site_items.working_strip_m,
    )


def _tell_places(study: Study, judged: Judged) -> gpd.GeoDataFrame:
    """Put beside each run where residents find it, by the place where it is dug."""
    runs, works = judged.chosen.runs, judged.chosen.works
    drawn = runs.assign(geometry=draw_dug(runs, judged.new_lines.lines))
    public = study.settings.outputs.public
    return runs.assign(**name_places(drawn, works.strings, public))


def _tell_outcomes(
    study: Study, prepared: Prepared, renewal: Chosen, balance: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Put beside each tree its origin, its street, what happens to it, and if residents see it."""
    trees = mark_origin(prepared.layers.trees)
    found = judge_outcomes(trees, prepared.zones, renewal.encroachments, balance, renewal.advice)
    shown = find_public_trees(
        trees, renewal.runs, prepared.layers.surfaces, study.settings.outputs.public
    )
    near = find_nearest_runs(trees, renewal.runs)
    plant = tell_manhole_plant(
        renewal.runs,
        renewal.advice["technique"].astype(object).fillna("").to_numpy(dtype=object),
        prepared.layers.manholes,
        prepared.zones,
        strip_m=study.settings.advice.site_items.working_strip_m,
        unknown_m=study.settings.site.placement.unknown_tree_distance_m,
    )
    return trees.assign(**near, **found, **plant, is_shown_to_residents=shown)


def _provenance(
    study: Study,
    prepared: Prepared,
    rules: pd.DataFrame,
    checks: pd.DataFrame,
    totals: pd.DataFrame,
    cautions: tuple[str, ...],
) -> pd.DataFrame:
    """Write what the result rests on."""
    layers = prepared.layers
    inputs = layers.sources.rename(columns={"path": "file"})
    return build_provenance(
        name=study.settings.study.name,
        crs=layers.crs.to_string(),
        inputs=inputs,
        rules=rules[rules["kind"] == "setting"],
        source_keys=used_sources(rules, checks, totals),
        cautions=cautions,
        date=study.settings.outputs.map.sheet_date,
        basis=[
            study.settings.model_dump_json(exclude={"layers"}),
            *write_basis([layers.root_zones, layers.decisions]),
            *(f"{path.name} {path.stat().st_size}" for path in prepared.pictures),
        ],
    )
