"""New lines round the trees: sought where asked, proved as open cut is, and weighed."""

from dataclasses import replace
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from routekit.advice.new_line_proof import _meets_banned
from routekit.advice.new_line_texts import BETTER, FAILS, NONE, UNPROVED, WORSE, say_no_line
from routekit.advice.new_lines import _stand
from routekit.alignment.terms import FoundLine, NoLine
from routekit.methods.checks import FAIL, PASS, UNKNOWN
from routekit.methods.neighbours import list_crossings
from routekit.outputs.bill import list_rows
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site.layout import LayoutSettings
from routekit.site.line_search import Bounds, Prices, Street, outside_street, seek_line
from routekit.site.relaid import clear_heights, dig_manholes, unite_works
from routekit.site.settings import SiteSettings
from routekit.site.zone_layer import prepare_zones
from routekit.trees.settings import ZoneSettings

BOUNDS = Bounds(0.5, 15.0, 2.0, 80.0, 90.0, 45.0)
GROUND = box(-30, -8, 70, 8)
PRICES = Prices(500.0, 4000.0, 500.0, 2000.0, {})


def lay(kinds, shapes, **columns):
    return gpd.GeoDataFrame({"kind": kinds, **columns}, geometry=shapes, crs="EPSG:25832")


def a_street(*, walls=(), stems=(), radius=2.0, surfaces=(GROUND,)):
    """A run of 40 m along the middle of a street 16 m wide."""
    n = len(stems)
    zones = gpd.GeoDataFrame(
        {
            "tree_id": [f"T{i}" for i in range(n)],
            "radius_m": np.full(n, 4.0),
            "structural_radius_m": np.full(n, radius),
            "zone": np.full(n, None, dtype=object),
        },
        geometry=[Point(xy) for xy in stems],
        crs="EPSG:25832",
    )
    return Street(
        obstacles=lay(
            ["building"] * len(walls), list(walls), obstacle_id=list("ABCDEF"[: len(walls)])
        ),
        surfaces=lay(["carriageway"] * len(surfaces), list(surfaces)),
        services=lay([], []),
        zones=zones,
        sewers=lay(["-"], [LineString([(0, 0), (40, 0)])], run_id=["R1"]),
    )


def test_a_line_keeps_out_of_structural_zones_and_within_the_street():
    street = a_street(stems=[(20, 0.5), (12, -1)])
    found = seek_line(0, street, PRICES, BOUNDS).found
    assert isinstance(found, FoundLine)
    trench = LineString(found.vertices).buffer(BOUNDS.half_width_m, quad_segs=32)
    assert (trench.distance(np.asarray(street.zones.geometry)) > 2.0 - 1e-6).all()
    assert outside_street(np.array([trench]), street.surfaces)[0] < 1e-6


def test_where_no_line_is_it_says_what_parts_the_manholes():
    one = seek_line(0, a_street(walls=[box(18, -9, 20, 9)]), PRICES, BOUNDS)
    assert isinstance(one.found, NoLine)
    assert "building A" in [one.names[at] for at in one.found.wall]
    assert "building A" in say_no_line(one)


def test_what_parts_the_manholes_beyond_the_names_is_counted():
    stems = [(20, y) for y in range(-12, 13, 3)]
    one = seek_line(0, a_street(stems=stems), PRICES, BOUNDS)
    assert isinstance(one.found, NoLine)
    named = {one.names[at] for at in one.found.wall}
    assert len(named) > 3
    assert f"and {len(named) - 3} more" in say_no_line(one)


def test_ground_outside_the_street_is_not_known_without_surfaces():
    shape = np.array([box(0, 0, 1, 1), None], dtype=object)
    assert np.isnan(outside_street(shape, lay([], []))).all()
    street = lay(["verge"], [box(0, 0, 1, 0.5)])
    found = outside_street(shape, street)
    assert found[0] == pytest.approx(0.45, abs=1e-3)
    assert np.isnan(found[1])


def test_all_that_is_dug_is_unknown_where_a_part_is():
    known = unite_works(np.array([box(0, 0, 4, 1)]), np.array([box(4, 0, 5, 1)]), np.array([0]))
    assert shapely.area(known[0]) == pytest.approx(5.0)
    lost = unite_works(np.array([box(0, 0, 4, 1)]), np.array([None], dtype=object), np.array([0]))
    assert lost[0] is None


def test_new_manholes_stand_at_inner_points_alone():
    lines = np.array([LineString([(0, 0), (5, 1), (9, 1), (12, 0)]), LineString([(0, 5), (9, 5)])])
    shapes, line = dig_manholes(lines, 2.2)
    assert line.tolist() == [0, 0]
    np.testing.assert_allclose(shapely.get_x(shapely.centroid(shapes)), [5, 9], atol=1e-9)
    assert (shapely.area(shapes) >= np.pi * 1.1**2).all()


@pytest.mark.parametrize(
    ("down", "clear"),
    # At the middle the new line lies at 8.5; the pipe across at 10.0 less half of what it falls.
    [(10.0, 1.5 - 0.3), (8.0, 0.5 - 0.3), (np.nan, np.nan)],
)
def test_clear_height_to_a_sewer_that_is_crossed(down, clear):
    columns = {"outside_mm": 300.0}
    lines = lay(
        ["-"], [LineString([(0, 0), (40, 0)])], invert_up_m=9.0, invert_down_m=8.0, **columns
    )
    across = lay(
        ["-", "-"],
        [LineString([(0, 0), (40, 1)]), LineString([(20, -10), (20, 10)])],
        invert_up_m=10.0,
        invert_down_m=down,
        **columns,
    )
    dug = np.array([box(0, -0.5, 40, 0.5)])
    assert clear_heights(lines, dug, across, [np.array([0])])[0] == pytest.approx(
        clear, nan_ok=True
    )
    alone = clear_heights(lines, dug, across.iloc[:1], [np.array([0])])
    assert np.isinf(alone[0])


def test_what_is_unknown_or_fails_never_wins():
    verdict = np.array([PASS, PASS, UNKNOWN, FAIL, PASS, PASS, PASS])
    score = np.array([1.0, 9.0, 1.0, 1.0, np.nan, 1.0, 1.0])
    beside = np.array([5.0, 5.0, 5.0, 5.0, 5.0, np.nan, 5.0])
    codes = np.array([0, 0, 0, 0, 0, -1, 0])
    found = np.array([True] * 6 + [False])
    standing = _stand(found, verdict, score, beside, codes).tolist()
    assert standing == [BETTER, WORSE, UNPROVED, FAILS, UNPROVED, BETTER, NONE]


def test_the_sample_has_one_that_wins_and_one_that_loses(sample_result):
    lines = sample_result.new_lines.set_index("run_id")
    assert lines["standing"].to_dict() == {"KW-05": BETTER, "KW-12": WORSE}
    assert (lines["n_structural"] == 0).all()
    won = lines.loc["KW-05"]
    assert won["score"] < won["recommended_score"]
    assert "open cut" in won["reason"]
    runs = sample_result.runs.set_index("run_id")
    for run, line in lines.geometry.items():
        ends = shapely.get_coordinates(line)[[0, -1]]
        np.testing.assert_allclose(ends, shapely.get_coordinates(runs.geometry[run])[[0, -1]])
        assert line.length == pytest.approx(lines.loc[run, "length_m"])


def test_each_new_line_brings_its_checks_and_what_is_relaid(sample_result):
    lines = sample_result.new_lines.set_index("run_id")
    worst = {"pass": 0, "caution": 1, "unknown": 2, "fail": 3}
    checks = sample_result.new_line_checks
    level = checks["verdict"].astype(str).map(worst).groupby(checks["run_id"].astype(str)).max()
    assert level.to_dict() == lines["verdict"].map(worst).to_dict()
    for verdict, count in (("fail", "n_fail"), ("caution", "n_caution"), ("unknown", "n_unknown")):
        of = checks[checks["verdict"] == verdict].groupby("run_id", observed=False).size()
        assert of.reindex(lines.index).fillna(0).tolist() == lines[count].tolist()
    relaid = sample_result.new_line_connections
    assert relaid.groupby("run_id")["length_m"].sum().to_dict() == pytest.approx(
        lines["connections_m"].to_dict()
    )
    for run, line in zip(relaid["run_id"], relaid.geometry, strict=True):
        assert line.distance(lines.geometry[run]) < 1e-6
    assert (relaid["n_services"] >= 0).all()


def test_what_is_recommended_is_laid_on_the_line_that_wins(sample_result):
    """Open cut of the run is the new line in every table; the run that loses stays as it is."""
    result = sample_result
    line = result.new_lines.set_index("run_id").loc["KW-05"]
    advice = result.advice.set_index("run_id")
    assert result.new_lines.set_index("run_id")["is_recommended"].to_dict() == {
        "KW-05": True,
        "KW-12": False,
    }
    assert advice.index[advice["is_new_line"]].tolist() == ["KW-05"]
    assert advice.loc["KW-05", "technique"] == "open_cut"
    assert line["reason"] in advice.loc["KW-05", "reason"]
    option = result.options[result.options["technique"] == "open_cut"].set_index("run_id")
    for name, column in (("cost", "cost_mid"), ("whole_life_cost", "whole_life_cost_mid")):
        assert option.loc["KW-05", name] == pytest.approx(line[column])
    for name in ("co2e_kg", "score", "n_caution", "n_unknown", "n_fail", "root_m2"):
        assert option.loc["KW-05", name] == pytest.approx(line[name]), name
    trench = result.trenches.set_index("run_id")["corridor"]["KW-05"]
    assert line.geometry.within(trench.buffer(1e-6))
    joined = result.new_line_connections[result.new_line_connections["run_id"] == "KW-05"]
    assert joined.geometry.within(trench.buffer(1e-6)).all()
    met = result.encroachments.query("kind == 'trench' and run_id == 'KW-05'")
    assert met["is_recommended"].all()
    assert met["severed_m2"].sum() == pytest.approx(line["root_m2"])


def test_the_bill_of_a_new_line_adds_up_to_its_cost(sample_result):
    result = sample_result
    items = result.quantities[result.quantities["run_id"] == "KW-05"]
    line = result.new_lines.set_index("run_id").loc["KW-05"]
    assert (items["quantity"] * items["rate"]).sum() == pytest.approx(line["cost_mid"])
    number = items.set_index("item")["quantity"]
    assert number["new_manhole_each"] == line["n_manholes"] == 1
    # The old pipe, DN 300 over the length of the run, is filled.
    old = result.runs.set_index("run_id").loc["KW-05"]
    volume = np.pi / 4 * (old["diameter_mm"] / 1000) ** 2 * old["length_m"]
    assert number["grout_m3"] == pytest.approx(volume)


def test_totals_count_the_new_line_and_open_cut_everywhere_does_not(sample_result):
    """Whole-district totals: the plan by its options, open cut everywhere by the old lines."""
    result = sample_result
    total = result.totals.set_index("quantity").loc["Cost"]
    chosen = result.options.merge(
        result.advice[["run_id", "technique"]], on=["run_id", "technique"], how="inner"
    )
    assert total["recommended_mid"] == pytest.approx(chosen["cost"].sum())
    cut = result.options[result.options["technique"] == "open_cut"].set_index("run_id")["cost"]
    cut["KW-05"] = result.new_lines.set_index("run_id").loc["KW-05", "open_cut_cost_mid"]
    needs = result.condition["run_id"][result.condition["needs_work"].to_numpy(dtype=bool)]
    watched = result.options.query("technique == 'monitor' and run_id not in @needs.tolist()")
    assert total["open_cut_mid"] == pytest.approx(cut[needs].sum() + watched["cost"].sum())
    balance = result.tree_balance.set_index("tree_id")
    # The trench along the run is a major loss of this tree, the new line a minor one.
    assert balance.loc["T0123", "open_cut_severity"] == "major"
    assert balance.loc["T0123", "severity"] == "minor"


def test_trial_holes_of_a_new_line_are_at_what_it_and_its_connections_cross(sample_result):
    result = sample_result
    lines = result.new_lines
    crossed = list_crossings(lines, result.services).groupby("run_id", observed=True).size()
    small = result.new_line_connections
    met = shapely.intersects(
        np.asarray(small.geometry)[:, None], np.asarray(result.services.geometry)[None, :]
    ).sum(axis=1)
    assert small["n_services"].tolist() == met.tolist()
    number = crossed.add(pd.Series(met).groupby(small["run_id"]).sum(), fill_value=0)
    assert lines.set_index("run_id")["n_crossings"].to_dict() == number.to_dict()
    many = lines.assign(n_crossings=[7.0, 9.0])
    holes = list_rows(replace(result, new_lines=many)).query("item == 'trial_hole_each'")
    assert holes.groupby("run_id", observed=True)["quantity"].sum()["KW-05"] == 7


@pytest.mark.parametrize(
    ("bans", "doubts", "barred", "may_be"),
    [
        ({"T0": ""}, set(), [1.0, np.nan, 0.0], [0.0, 0.0, 0.0]),
        ({}, {"T0"}, [0.0, 0.0, 0.0], [1.0, 1.0, 0.0]),
        ({}, set(), [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]),
    ],
)
def test_a_new_manhole_near_a_tree_of_unknown_zone_is_not_known_to_be_allowed(
    bans, doubts, barred, may_be
):
    """Manholes of three lines: in a zone, 10 m from a stem without a zone, and far from both."""
    both = {**bans, **dict.fromkeys(["T1"] if bans else [], "")}
    place = put_place(both, frozenset({*doubts, *(["T1"] if doubts else [])}))
    pits = np.array([Point(x, 0).buffer(0.5) for x in (3, 110, 50)], dtype=object)
    found = _meets_banned(pits, np.arange(3), 3, place)
    np.testing.assert_array_equal(found[0], barred)
    np.testing.assert_array_equal(found[1], may_be)


def test_a_new_manhole_is_held_against_the_circle_itself_as_other_pits_are():
    """Between the corners of a polygon drawn in a circle of 5 m lies ground of the zone too."""
    turn = np.pi / 96
    out = np.array([np.cos(turn), np.sin(turn)])
    corner, side = out * (5 * np.cos(turn) + 0.0005), np.array([-out[1], out[0]])
    pits = np.array(
        [
            shapely.Polygon(
                [
                    corner + gap * out + 0.05 * side,
                    corner + gap * out - 0.05 * side,
                    9 * out - 0.05 * side,
                    9 * out + 0.05 * side,
                ]
            )
            for gap in (0.0, 0.01)
        ],
        dtype=object,
    )
    drawn = Point(0, 0).buffer(5, quad_segs=24)
    assert shapely.intersects(pits, drawn).tolist() == [False, False]
    found, _ = _meets_banned(pits, np.arange(2), 2, put_place({"T0": ""}, frozenset()))
    assert found.tolist() == [1.0, 0.0]


def put_place(pit_bans, pit_doubts):
    """A tree with a zone of 5 m, and one 100 m away whose zone is not known."""
    trees = gpd.GeoDataFrame(
        {
            "tree_id": ["T0", "T1"],
            "radius_m": [5.0, np.nan],
            "area_m2": [25 * np.pi, np.nan],
            "structural_radius_m": [1.0, np.nan],
            "min_distance_m": 0.0,
            "is_estimated": False,
            "stem_mm": [300.0, np.nan],
            "zone": np.full(2, None, dtype=object),
        },
        geometry=[Point(0, 0), Point(100, 0)],
    )
    return SimpleNamespace(
        pit_bans=pit_bans,
        pit_doubts=pit_doubts,
        around=SimpleNamespace(zones=prepare_zones(trees)),
        settings=LayoutSettings(
            zones=ZoneSettings(),
            site=SiteSettings(),
            pipe=PipeSettings(),
            pull=PullSettings(),
            connection_below_invert_m=0.2,
        ),
    )
