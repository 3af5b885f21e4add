"""Open cut laid along lines: what the new pipe carries, its trench, and what that does to trees."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd

from routekit.layers.read import Layers
from routekit.pipes.capacity import build_flow
from routekit.pipes.new_pipes import lay_open_cut
from routekit.pipes.settings import FlowSettings, PipeSettings, TrenchSettings
from routekit.trees.exposure import Exposure, measure_exposure
from routekit.trees.settings import ZoneSettings


@dataclass(frozen=True, kw_only=True)
class OpenLines:
    """Open cut along lines.

    Attributes
    ----------
    flow : DataFrame
        From `routekit.pipes.capacity.build_flow`, with what is asked of each line.
    pipes : DataFrame
        From `routekit.pipes.new_pipes.lay_open_cut`.
    exposure : Exposure
        What its trenches do to trees.
    """

    flow: pd.DataFrame
    pipes: pd.DataFrame
    exposure: Exposure


def lay_open_lines(
    lines: gpd.GeoDataFrame,
    layers: Layers,
    zones: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    *,
    flow: FlowSettings,
    pipe: PipeSettings,
    trench: TrenchSettings,
    rules: ZoneSettings,
    needs: pd.DataFrame | None = None,
) -> OpenLines:
    """Lay open cut along lines.

    Parameters
    ----------
    lines : GeoDataFrame
        Runs after the ground stage, or new lines in their place.
    layers : Layers
        Trees, the stems of those that have several, and an arborist's root zones.
    zones : GeoDataFrame
        One zone per tree.
    condition : DataFrame
        One row per line.
    flow, pipe, trench : Settings
    rules : ZoneSettings
    needs : DataFrame, optional
        Columns of the flow that hold whatever the line: one row per line.

    Returns
    -------
    OpenLines

    Raises
    ------
    KeyError
        If a table lacks a column that a stage reads.
    """
    carried = build_flow(lines, condition, flow)
    if needs is not None:
        carried = carried.assign(**{str(name): needs[name].to_numpy() for name in needs})
    pipes = lay_open_cut(lines, carried, flow, pipe)
    exposure = measure_exposure(
        lines,
        layers.trees,
        zones,
        rules=rules,
        trench=trench,
        new_outside_mm=pipes["outside_mm"].to_numpy(),
        widest_outside_mm=pipes["widest_mm"].to_numpy(),
        root_zones=layers.root_zones,
    )
    return OpenLines(flow=carried, pipes=pipes, exposure=exposure)
