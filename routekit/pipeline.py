"""The whole method on one screen: each stage is one call, tables in, table out."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import pandas as pd

from routekit.advice.decisions import read_decisions
from routekit.exposure import Exposure, measure_exposure
from routekit.layers.ground import add_ground
from routekit.layers.read import Layers, read_layers
from routekit.methods.condition import assess_condition
from routekit.methods.roots import link_roots
from routekit.outputs.provenance import build_provenance, used_sources
from routekit.renewal import Renewal, choose_renewal
from routekit.result import Result
from routekit.rules import list_rules
from routekit.study import Study
from routekit.trees.zones import build_zones

Tell = Callable[[str], None]


def _silent(_: str) -> None:
    """Tell nobody."""


def run_study(study: Study, *, tell: Tell = _silent) -> Result:
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
        If a layer, field, reference system, setting or decision cannot be used; the message names it.
    """
    settings = study.settings
    tell("Reading layers")
    layers, runs, findings = read_study(study)
    decided = read_decisions(layers.decisions, runs["run_id"], layers.trees["tree_id"])
    tell("Drawing root zones")
    zones, zone_findings = build_zones(layers.trees, layers.root_zones, settings=settings.zones)
    tell("Measuring breaches")
    exposure = measure_exposure(runs, zones, settings)
    tell("Reading inspections")
    condition = assess_condition(runs, layers.inspections, settings=settings.methods.condition)
    root_links = link_roots(
        runs, layers.inspections, layers.trees, zones,
        radius_m=settings.methods.condition.association_radius_m,
    )  # fmt: skip
    renewal = choose_renewal(
        layers, runs, zones, exposure, condition, decided, settings, tell=tell
    )
    findings = pd.concat([findings, zone_findings], ignore_index=True)
    return _collect(study, layers, runs, zones, exposure, condition, root_links, renewal, findings)


def read_study(study: Study) -> tuple[Layers, gpd.GeoDataFrame, pd.DataFrame]:
    """Read the layers and find the depth along each run.

    Parameters
    ----------
    study : Study

    Returns
    -------
    layers : Layers
    runs : GeoDataFrame
        With ground levels, depths and gradient.
    findings : DataFrame
    """
    layers = read_layers(study.settings, study.path.parent)
    runs, findings = add_ground(
        layers.runs, layers.manholes, terrain=layers.terrain, inputs=study.settings
    )
    return layers, runs, pd.concat([layers.findings, findings], ignore_index=True)


def _collect(
    study: Study,
    layers: Layers,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    root_links: pd.DataFrame,
    renewal: Renewal,
    findings: pd.DataFrame,
) -> Result:
    """Put the tables of all stages together."""
    rules = list_rules(study.settings)
    return Result(
        name=study.settings.study.name,
        crs=layers.crs.to_string(),
        runs=renewal.runs,
        manholes=layers.manholes,
        trees=layers.trees,
        zones=zones,
        trenches=exposure.trenches,
        breaches=exposure.breaches,
        tree_loss=exposure.tree_loss,
        tree_balance=renewal.tree_balance,
        inspections=layers.inspections,
        root_links=root_links,
        condition=condition,
        checks=renewal.checks,
        options=renewal.options,
        advice=renewal.advice,
        strings=renewal.works.strings,
        pits=renewal.works.pits,
        digs=renewal.works.digs,
        connections=layers.connections,
        services=layers.services,
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        study_area=layers.study_area,
        decisions=layers.decisions,
        totals=renewal.totals,
        findings=findings,
        rules=rules,
        provenance=_provenance(study, layers, rules, renewal),
        laydown=renewal.laydown,
        photo=layers.photo,
    )


def _provenance(
    study: Study, layers: Layers, rules: pd.DataFrame, renewal: Renewal
) -> pd.DataFrame:
    """Write what the result rests on."""
    inputs = layers.sources.rename(columns={"path": "file"})
    return build_provenance(
        name=study.settings.study.name,
        crs=layers.crs.to_string(),
        inputs=inputs,
        rules=rules[rules["kind"] == "setting"],
        source_keys=used_sources(rules, renewal.checks, renewal.totals),
        date=study.settings.outputs.map.sheet_date,
    )
