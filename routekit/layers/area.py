"""The part of the layers that a study is about: its area, and a margin round it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import shapely

from routekit.layers.mending import leave_out
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Mapping

    from routekit.layers.findings import Findings

STRICT: Final = ("sewers",)
"""Layers that must touch the area itself; the others count within the margin."""

OUTSIDE: Final = (
    "outside the study area",
    "more than {distance} m outside the study area",
)
"""What is said of rows that the study area leaves out, as `name_messages` names it."""

FAR_M: Final = 1000.0
"""Nothing of a layer within this of the sewers means a wrong place (house choice)."""


def clip_layers(
    layers: Mapping[str, gpd.GeoDataFrame],
    area: gpd.GeoDataFrame,
    *,
    margin_m: float,
    findings: Findings,
    tallies: Mapping[str, Counter[str]],
) -> dict[str, gpd.GeoDataFrame]:
    """Leave out what lies outside the study area.

    Parameters
    ----------
    layers : mapping of str to geopandas.GeoDataFrame
        Canonical layers in the working CRS, with row_key.
    area : geopandas.GeoDataFrame
        Study area; with no rows nothing is left out.
    margin_m : float
        How far outside a tree, service or surface still counts.
    findings : Findings
        Takes the rows left out, of each layer in one line.
    tallies : mapping of str to Counter
        Counts of each layer.

    Returns
    -------
    dict of str to geopandas.GeoDataFrame
        Runs that touch the area, other rows within the margin; nothing is cut.
    """
    if area.empty:
        return dict(layers)
    inner = shapely.union_all(np.asarray(area.geometry))
    shapely.prepare(inner)
    kept: dict[str, gpd.GeoDataFrame] = {}
    for layer, table in layers.items():
        reach = 0.0 if layer in STRICT or layer == "study_area" else margin_m
        outside = ~shapely.dwithin(np.asarray(table.geometry), inner, reach)
        if layer == "manholes":
            runs = kept.get("sewers", layers["sewers"])
            used = {*runs["from_manhole"].dropna(), *runs["to_manhole"].dropna()}
            outside &= ~table["manhole_id"].isin(used).to_numpy()
        seen = (
            say("more than {distance:g} m outside the study area", distance=reach)
            if reach
            else say("outside the study area")
        )
        kept[layer] = leave_out(
            *(table, outside, layer, seen, findings, tallies[layer]),
            severity="info",
            is_summed=True,
        )
    return kept


def report_far_layers(layers: Mapping[str, gpd.GeoDataFrame], *, findings: Findings) -> None:
    """Warn of layers that lie nowhere near the sewers: their reference system is likely wrong.

    Parameters
    ----------
    layers : mapping of str to geopandas.GeoDataFrame
        Canonical layers in the working CRS.
    findings : Findings
        Takes one finding per layer.
    """
    sewers = layers["sewers"]
    if sewers.empty:
        return
    place = shapely.box(*sewers.total_bounds)
    for layer, table in layers.items():
        if table.empty or layer == "sewers":
            continue
        gap = float(shapely.distance(place, shapely.box(*table.total_bounds)))
        if gap > FAR_M:
            seen = say(
                "nothing of this layer lies within {distance:,.0f} km of the sewers",
                distance=gap / 1000,
            )
            done = say(
                "read as it is; check its reference system, and {setting} in the study file",
                setting=f"crs.{layer}",
            )
            findings.note("error", layer, "crs", seen, done)
