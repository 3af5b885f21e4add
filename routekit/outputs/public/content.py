"""The packed data of the page for residents: what its script draws and says."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.outputs.map.packing import pack_table
from routekit.outputs.map.projection import cells_per_metre, pack_geometry
from routekit.outputs.public.district import District
from routekit.outputs.public.languages import LANGUAGES, Statement, load_words
from routekit.outputs.public.phrases import CLASSES
from routekit.outputs.public.species import find_genera, name_genera
from routekit.outputs.public.statements import state_holes, state_pit, state_run, state_trees
from routekit.settings.public_page import PublicSettings

THIN_M = 0.05
"""Outlines of the backdrop lose vertices that lie no farther than this off the rest, in m."""

FOLD_OVER = 6
"""A list of more trees than this is folded."""


def page_content(
    district: District,
    settings: PublicSettings,
    colours: dict[str, dict[str, Any]],
    *,
    is_part: bool,
) -> dict[str, Any]:
    """Gather all that the page's script needs.

    Parameters
    ----------
    district : District
        Streets, runs, trees, pits and digs, what is said of them, and the backdrop.
    settings : PublicSettings
        Language, contact and reaches.
    colours : dict
        Colour, width and dash by class.
    is_part : bool
        Whether other pages show other streets.

    Returns
    -------
    dict
        Lists, mappings, numbers and text.
    """
    facts, crs = district.facts, district.crs
    genera = find_genera(facts.trees["species"])
    kinds, kind = state_trees(facts.trees)
    run_kinds, run_kind = _state_runs(facts.runs, settings)
    return {
        "first": settings.language,
        "languages": {code: load_words(code, is_divided=is_part) for code in LANGUAGES},
        **_titles(settings, district.name),
        "genera": {code: name_genera(genera, code) for code in LANGUAGES},
        "contact": settings.contact,
        "fold_over": FOLD_OVER,
        "colours": colours,
        "cells": _cells(facts.runs, crs),
        "streets": {
            "label": facts.streets["label"].tolist(),
            "named": facts.streets["is_named"].tolist(),
            "said": district.said,
        },
        "runs": _pack_runs(facts.runs, run_kind, crs),
        "run_words": run_kinds,
        "trees": _pack_trees(facts.trees, kind, crs),
        "tree_words": kinds,
        "tree_streets": {
            "tree": facts.tree_streets["tree"].tolist(),
            "street": facts.tree_streets["street"].tolist(),
        },
        "pits": _pack_pits(facts.pits, settings, crs),
        "digs": _pack_digs(facts.digs, settings, crs),
        "backdrop": {
            "kind": district.backdrop["kind"].astype(str).tolist(),
            "shape": pack_geometry(district.backdrop.geometry.to_numpy(), crs, thin_m=THIN_M),
        },
    }


def index_content(settings: PublicSettings, name: str) -> dict[str, Any]:
    """Gather what the script of the index needs: the streets themselves stand in its list.

    Parameters
    ----------
    settings : PublicSettings
        Language, titles.
    name : str
        Name of the study.

    Returns
    -------
    dict
        Lists, mappings and text.
    """
    return {
        "first": settings.language,
        "languages": {code: load_words(code, is_divided=True) for code in LANGUAGES},
        **_titles(settings, name),
        "streets": {"label": [], "named": [], "said": []},
    }


def _titles(settings: PublicSettings, name: str) -> dict[str, dict[str, str]]:
    """Give title and words of the council in each language."""
    title = settings.title or name
    return {
        "titles": {code: settings.titles.get(code) or title for code in LANGUAGES},
        "intros": {code: settings.intros.get(code) or settings.intro for code in LANGUAGES},
    }


def _cells(runs: gpd.GeoDataFrame, crs: str) -> float:
    """Give grid cells per metre at the middle of the runs; 1 without runs, where none is drawn."""
    if runs.empty:
        return 1.0
    box = np.asarray(runs.total_bounds)
    return float(np.mean(cells_per_metre((box[:2] + box[2:]) / 2, crs)))


def _state_runs(runs: pd.DataFrame, settings: PublicSettings) -> tuple[list[Statement], list[int]]:
    """Give the different answers for runs, for 1 m each, and the position of each run's answer."""
    columns = runs[["technique", "look", "low_days", "high_days"]]
    different = columns.drop_duplicates().reset_index(drop=True)
    said = [
        state_run(
            row["technique"], 1.0, row["low_days"], row["high_days"], settings, look=row["look"]
        )
        for row in different.to_dict("records")
    ]
    place = different.assign(place=np.arange(len(different)))
    kind = columns.merge(place, how="left", on=list(columns.columns))["place"]
    return said, [int(one) for one in kind]


def _pack_digs(digs: gpd.GeoDataFrame, settings: PublicSettings, crs: str) -> dict[str, Any]:
    """Pack number, street, answer and place of each small hole."""
    said, kind = state_holes(digs, settings)
    table = pd.DataFrame(
        {"dig_id": digs["dig_id"].astype(str), "street": digs["street"], "kind": kind}
    )
    return {
        "table": pack_table(table),
        "shape": pack_geometry(shapely.centroid(digs.geometry.to_numpy()), crs),
        "said": said,
    }


def _pack_runs(runs: gpd.GeoDataFrame, kind: list[int], crs: str) -> dict[str, Any]:
    """Pack number, street, answer, class, length and line of each run."""
    table = pd.DataFrame(
        {
            "run_id": runs["run_id"].astype(str),
            "street": runs["street"],
            "kind": kind,
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
            "genus": find_genera(trees["species"]).astype(str),
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
