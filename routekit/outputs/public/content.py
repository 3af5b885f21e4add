"""The packed data of the page for residents: what its script draws and says."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.outputs.map.packing import pack_table
from routekit.outputs.map.projection import cells_per_metre, pack_geometry
from routekit.outputs.public.facts import Facts
from routekit.outputs.public.reduce import PublicTables
from routekit.outputs.public.settings import PublicSettings
from routekit.outputs.public.statements import CLASSES, state_pit, state_run, state_trees
from routekit.outputs.public.wording import LANGUAGES, Statement, load_words
from routekit.vocabulary import SURFACE_KINDS

THIN_M = 0.05
"""Outlines of the backdrop lose vertices that lie no farther than this off the rest, in m."""

FOLD_OVER = 6
"""A list of more trees than this is folded."""

_DRAWN_FIRST = ("building", *SURFACE_KINDS)


def page_content(
    tables: PublicTables,
    facts: Facts,
    said: list[list[Statement]],
    settings: PublicSettings,
    colours: dict[str, dict[str, Any]],
) -> dict[str, Any]:
    """Gather all that the page's script needs.

    Parameters
    ----------
    tables : PublicTables
        Reduced tables, for the backdrop.
    facts : Facts
        Streets, runs, trees, pits and digs.
    said : list of list of statements
        What is said of each street.
    settings : PublicSettings
        Language, contact and reaches.
    colours : dict
        Colour, width and dash by class.

    Returns
    -------
    dict
        Lists, mappings, numbers and text.
    """
    kinds, kind = state_trees(facts.trees)
    return {
        "first": settings.language,
        "languages": {code: load_words(code) for code in LANGUAGES},
        "contact": settings.contact,
        "fold_over": FOLD_OVER,
        "colours": colours,
        "cells": _cells(facts.runs, tables.crs),
        "streets": {
            "label": facts.streets["label"].tolist(),
            "named": facts.streets["is_named"].tolist(),
            "said": said,
        },
        "runs": _pack_runs(facts.runs, tables.crs),
        "run_words": {
            name: state_run(name, 1.0, settings) for name in sorted(set(facts.runs["technique"]))
        },
        "trees": _pack_trees(facts.trees, kind, tables.crs),
        "tree_words": kinds,
        "tree_streets": {
            "tree": facts.tree_streets["tree"].tolist(),
            "street": facts.tree_streets["street"].tolist(),
        },
        "pits": _pack_pits(facts.pits, settings, tables.crs),
        "digs": pack_geometry(shapely.centroid(facts.digs.geometry.to_numpy()), tables.crs),
        "backdrop": _pack_backdrop(tables, facts.runs, settings.backdrop_reach_m),
    }


def _cells(runs: gpd.GeoDataFrame, crs: str) -> float:
    """Give grid cells per metre at the middle of the runs; 1 without runs, where none is drawn."""
    if runs.empty:
        return 1.0
    box = np.asarray(runs.total_bounds)
    return float(np.mean(cells_per_metre((box[:2] + box[2:]) / 2, crs)))


def _pack_runs(runs: gpd.GeoDataFrame, crs: str) -> dict[str, Any]:
    """Pack number, street, technique, class, length and line of each run."""
    table = pd.DataFrame(
        {
            "run_id": runs["run_id"].astype(str),
            "street": runs["street"],
            "technique": runs["technique"].astype(str),
            "class": runs["technique"].map(CLASSES).astype(str),
            "metres": np.maximum(1, runs["length_m"].round()).astype(int),
        }
    )
    return {"table": pack_table(table), "shape": pack_geometry(runs.geometry.to_numpy(), crs)}


def _pack_trees(trees: gpd.GeoDataFrame, kind: list[int], crs: str) -> dict[str, Any]:
    """Pack number, species, crown, answer and place of each tree."""
    table = pd.DataFrame(
        {
            "tree_id": trees["tree_id"].astype(str),
            "species": trees["species"].astype(str),
            "crown_m": trees["crown_diameter_m"].astype(float).round(1),
            "kind": kind,
            "protected": (trees["protection"] == "yes").astype(int),
        }
    )
    return {"table": pack_table(table), "shape": pack_geometry(trees.geometry.to_numpy(), crs)}


def _pack_pits(pits: gpd.GeoDataFrame, settings: PublicSettings, crs: str) -> dict[str, Any]:
    """Pack number, street, sentence and outline of each pit."""
    records = pits.drop(columns="geometry").to_dict("records")
    return {
        "pit_id": pits["pit_id"].tolist(),
        "street": pits["street"].tolist(),
        "said": [state_pit(pit, settings) for pit in records],
        "shape": pack_geometry(pits.geometry.to_numpy(), crs),
    }


def _pack_backdrop(tables: PublicTables, runs: gpd.GeoDataFrame, reach_m: float) -> dict[str, Any]:
    """Pack kind and outline of buildings and surfaces near the runs."""
    shapes = pd.concat(
        [tables.obstacles[["kind", "geometry"]], tables.surfaces[["kind", "geometry"]]]
    )
    shapes = shapes[shapes["kind"].astype(object).isin(_DRAWN_FIRST).to_numpy()]
    outlines = shapes.geometry.to_numpy()
    keep = np.zeros(len(shapes), dtype=bool)
    if len(runs) and len(shapes):
        keep[np.unique(runs.sindex.query(outlines, predicate="dwithin", distance=reach_m)[0])] = (
            True
        )
    return {
        "kind": shapes.loc[keep, "kind"].astype(str).tolist(),
        "shape": pack_geometry(outlines[keep], tables.crs, thin_m=THIN_M),
    }
