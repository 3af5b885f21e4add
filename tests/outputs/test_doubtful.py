"""Sheets name the pits and digs that may reach a zone only by the doubt about positions."""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
import shapely
from encroach import change, no_breaches
from synthetic import make_empty_result, make_result

from routekit.outputs.arborist.doubtful import DOUBTFUL_COLUMNS, list_doubtful
from routekit.outputs.arborist.tree_facts import rank_trees
from routekit.outputs.arborist.writer import ReportSettings, render_parts

RUN_SD_M, TREE_SD_M = 0.10, 0.10
DOUBT_M = 2 * np.hypot(RUN_SD_M, TREE_SD_M)
"""Twice the standard deviation of both positions together: 0.28 m (arithmetic)."""


def put_pit_beside(result, tree, away_m, *, sd_m=(RUN_SD_M, TREE_SD_M)):
    """The only pit `away_m` east of the zone of a tree, and positions known so well."""
    zone = result.zones.iloc[tree]
    x, y = shapely.get_coordinates(zone.geometry)[0]
    edge = x + zone["radius_m"] + away_m
    pits = result.pits.iloc[:1].assign(run_id="R000")
    pits.geometry = [shapely.box(edge, y - 0.5, edge + 2, y + 0.5)]
    zones = result.zones.copy()
    zones["radius_m"] = np.where(np.arange(len(zones)) == tree, zones["radius_m"], 0.01)
    zones["structural_radius_m"] = zones["radius_m"] / 2
    zones["zone"] = pd.Series([None] * len(zones), dtype=object)
    return change(
        result,
        pits=pits,
        zones=zones,
        digs=result.digs.iloc[:0],
        runs=result.runs.assign(position_sd_m=sd_m[0]),
        trees=result.trees.assign(position_sd_m=sd_m[1]),
    )


@pytest.fixture(scope="module")
def result():
    return make_result()


def render(result):
    return "".join(
        page for _, page in render_parts(result, rank_trees(result), settings=ReportSettings())
    )


@pytest.mark.parametrize(("away_m", "n"), [(-0.1, 0), (0.2, 1), (0.27, 1), (0.29, 0)])
def test_only_what_the_doubt_could_bring_there_is_listed(result, away_m, n):
    found = list_doubtful(put_pit_beside(result, 3, away_m))
    assert len(found) == n
    assert found["tree_id"].tolist() == ["T003"] * n


def test_the_sheet_of_the_tree_says_so_and_asks_for_a_survey(result):
    page = render(put_pit_beside(result, 3, 0.2))
    words = (
        f"Pit P0 may reach the zone: drawn 0.20 m outside it, position accuracy ± {DOUBT_M:.2f} m"
    )
    assert page.count(words) == 1
    assert words not in render(put_pit_beside(result, 3, 0.4))


def test_a_tree_that_no_works_touch_is_told_of_among_those(result):
    """It has no sheet: its name stands in the list of trees that are left alone."""
    changed = put_pit_beside(result, 3, 0.2)
    quiet = dataclasses.replace(
        no_breaches(changed),
        tree_loss=changed.tree_loss.iloc[:0],
        tree_balance=changed.tree_balance.iloc[:0],
        pits=changed.pits.assign(worst_tree=""),
    )
    assert "T003" not in set(rank_trees(quiet)["tree_id"])
    page = render(quiet)
    assert "within the error of positions" in page
    assert "tree T003 (Pit P0 may reach the zone" in re.sub("<[^>]*>", "", page)


def test_one_accuracy_that_is_not_known_makes_the_doubt_a_least_one(result):
    found = list_doubtful(put_pit_beside(result, 3, 0.15, sd_m=(np.nan, TREE_SD_M)))
    assert found["text"].tolist() == [
        "Pit P0 may reach the zone: drawn 0.15 m outside it, position accuracy ± 0.20 m at best"
    ]


def test_nothing_dug_is_nothing_listed():
    found = list_doubtful(make_empty_result())
    assert list(found.columns) == list(DOUBTFUL_COLUMNS)
    assert found.empty
