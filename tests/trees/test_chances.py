"""How likely a trench enters a zone, against draws through the grading of breaches itself."""

from functools import partial

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.stats import norm

from routekit.trees.breach import MAJOR, STRUCTURAL, Tiers, grade_pairs
from routekit.trees.chances import (
    CHANCES,
    CLASSES,
    Pairs,
    Spread,
    footprint_share,
    severed_share,
    spread_radii,
    trench_chances,
    work_out_chances,
)
from routekit.trees.settings import ZoneSettings

TIERS = Tiers(share="severed", major_from_share=0.2, least_m2=0.01)
SETTINGS = ZoneSettings()


def make_trees(stems, **changes):
    """Zones by the regime's own rule round measured stems of 500 mm: 6 m, structural 2.7 m."""
    columns = {
        "radius_m": 6.0,
        "area_m2": np.pi * 36,
        "structural_radius_m": 2.47,
        "is_estimated": False,
        "is_stem_estimated": False,
        "is_capped": False,
        "stem_low_mm": 500.0,
        "stem_mid_mm": 500.0,
        "stem_high_mm": 500.0,
        "zone": None,
    }
    points = shapely.points(np.asarray(stems, dtype=float))
    return gpd.GeoDataFrame(columns | changes, index=range(len(points)), geometry=points)


def make_runs(lines, sd, width=1.0):
    runs = gpd.GeoDataFrame({"position_sd_m": sd}, geometry=lines)
    corridors = shapely.buffer(lines, width / 2, cap_style="flat")
    return runs, pd.DataFrame({"corridor": corridors})


def test_classes_agree_with_draws_beside_trenches_and_at_their_ends():
    rng = np.random.default_rng(4)
    size, draws = 30, 4000
    lines = shapely.linestrings([[[0, 0], [length, 0]] for length in rng.uniform(4, 40, size)])
    away = np.concatenate([rng.uniform(1.5, 7.5, 20), rng.uniform(0.0, 6.0, 10)])
    along = np.concatenate([rng.uniform(2, 12, 20), rng.uniform(-7.0, 0.0, 10)])
    stems = np.stack([along, away], axis=1)
    sd, tree_sd = rng.uniform(0.1, 1.0, size), np.full(size, 0.3)
    runs, trenches = make_runs(lines, sd)
    zones, own = make_trees(stems), np.arange(size)
    pairs = pd.DataFrame({"run": own, "tree": own})
    found = trench_chances(pairs, runs, trenches, zones, tree_sd, TIERS, SETTINGS)
    row = np.repeat(own, draws)
    step = rng.normal(0, 1, (len(row), 2)) * np.hypot(sd, tree_sd)[row][:, None]
    moved = zones.iloc[row].set_geometry(shapely.points(stems[row] + step))
    codes = grade_pairs(
        np.asarray(trenches["corridor"])[row],
        moved,
        np.arange(len(row)),
        np.arange(len(row)),
        TIERS,
    ).reshape(size, draws)
    drawn = [(codes >= least).mean(axis=1) for least in (1, MAJOR, STRUCTURAL)]
    limit = 4 * np.sqrt(0.25 / draws)
    assert [((one > 0.1) & (one < 0.9)).sum() >= 5 for one in drawn] == [True, True, True]
    for name, one, slack in zip(CHANCES, drawn, (0.01, 0.03, 0.01), strict=True):
        assert np.abs(found[name] - one).max() < limit + slack, name


def test_an_estimated_stem_scatters_its_zone():
    """British Standard 5837: twelve times the stem; the middle of the band is half of its high."""
    band = {"is_estimated": True, "is_stem_estimated": True, "stem_mid_mm": 250.0}
    zones = make_trees([[50, 5.0]], **band)
    spread = spread_radii(zones, SETTINGS)
    deviation = np.log(2) / SETTINGS.estimates.band_deviations
    rng = np.random.default_rng(8)
    radius = 12 * 0.25 * np.exp(deviation * rng.normal(0, 1, 100_000))
    assert spread.radius_m.shape == (1, CLASSES)
    assert np.median(spread.radius_m) == pytest.approx(3.0, rel=0.1)
    lines = [shapely.LineString([(0, 0), (100, 0)])]
    runs, trenches = make_runs(lines, [0.3])
    pairs = pd.DataFrame({"run": [0], "tree": [0]})
    found = trench_chances(pairs, runs, trenches, zones, [0.4], TIERS, SETTINGS)
    gap = 5.0 - 0.5 + 0.5 * rng.normal(0, 1, 100_000)
    assert found["chance_breach"][0] == pytest.approx((gap < radius).mean(), abs=0.015)
    sure = trench_chances(pairs, runs, trenches, make_trees([[50, 5.0]]), [0.4], TIERS, SETTINGS)
    assert sure["chance_breach"][0] > 0.99


@pytest.mark.parametrize("lost", ["run", "tree", "stem", "outline"])
def test_what_is_not_known_gives_no_chance(lost):
    changes = {"is_estimated": True, "stem_mid_mm": np.nan} if lost == "stem" else {}
    if lost == "outline":
        circle = shapely.buffer(shapely.Point(50, 5), 4)
        changes = {"radius_m": np.nan, "zone": np.array([circle], dtype=object)}
    zones = make_trees([[50, 5.0]], **changes)
    lines = [shapely.LineString([(0, 0), (100, 0)])]
    runs, trenches = make_runs(lines, [np.nan if lost == "run" else 0.3])
    tree_sd = [np.nan if lost == "tree" else 0.4]
    pairs = pd.DataFrame({"run": [0], "tree": [0]})
    found = trench_chances(pairs, runs, trenches, zones, tree_sd, TIERS, SETTINGS)
    assert found["chance_breach"].isna().all()
    assert found["chance_major"].isna().all()
    assert found["chance_structural"].isna().all() == (lost != "outline")


PLACES = norm.ppf((np.arange(16) + 0.5) / 16)
"""Middles of sixteen classes of equal probability, in standard deviations."""
BAND = {"is_estimated": True, "is_stem_estimated": True, "stem_mid_mm": 250.0}


def rule_of(stem_mm):
    """12 x stem, 15 m at most; 0.64 x r^0.42 with r in cm, within the zone (see test_zones)."""
    radius = np.minimum(12 * stem_mm / 1000, 15.0)
    return radius, np.minimum(0.64 * (stem_mm / 20) ** 0.42, radius)


@pytest.mark.parametrize(("mid", "high"), [(250.0, 500.0), (1.0, 2.0), (400.0, 400.0)])
def test_radii_go_with_the_stem_class_by_class(mid, high):
    radius, inner = rule_of(np.array([high]))
    zones = make_trees(
        [[0, 0]],
        **BAND | {"stem_mid_mm": mid, "stem_high_mm": high},
        radius_m=radius,
        structural_radius_m=inner,
    )
    spread = spread_radii(zones, SETTINGS)
    stem = mid * np.exp(np.log(high / mid) / 1.645 * PLACES)
    wanted = rule_of(stem)
    assert spread.is_spread.tolist() == [True]
    np.testing.assert_allclose(spread.radius_m[0], wanted[0], rtol=1e-3)
    np.testing.assert_allclose(spread.structural_m[0], wanted[1], rtol=1e-3)
    assert SETTINGS.estimates.band_deviations == pytest.approx(1.645, abs=1e-3)


def test_where_the_middle_of_the_band_draws_zones_they_spread_about_it():
    radius, inner = rule_of(np.array([250.0]))
    zones = make_trees([[0, 0]], **BAND, radius_m=radius, structural_radius_m=inner)
    spread = spread_radii(zones, ZoneSettings(use_high_stem=False))
    assert np.median(spread.radius_m) == pytest.approx(3.0, rel=0.03)


def test_a_capped_zone_spreads_below_its_cap_and_a_veteran_beyond_it():
    """1500 mm: 18 m by the rule, held at 15 m; the veteran's zone is 15 times the stem."""
    zones = make_trees(
        [[0, 0], [0, 0]],
        **BAND | {"stem_mid_mm": 1000.0, "stem_high_mm": 1500.0},
        radius_m=[15.0, 22.5],
        is_capped=[True, False],
        structural_radius_m=[2.0, 2.0],
    )
    spread = spread_radii(zones, SETTINGS)
    stem = 1000 * np.exp(np.log(1.5) / 1.645 * PLACES)
    np.testing.assert_allclose(spread.radius_m[0], rule_of(stem)[0], rtol=1e-3)
    assert spread.radius_m[0].max() == 15.0
    np.testing.assert_allclose(spread.radius_m[1], 15 * stem / 1000, rtol=1e-3)
    # A structural radius by no rule of the regime goes in proportion.
    np.testing.assert_allclose(spread.structural_m[0], 2.0 * stem / 1500, rtol=1e-3)


@pytest.mark.parametrize(
    "changes",
    [
        {"is_stem_estimated": False},  # on an estimated crown
        {"is_stem_estimated": pd.array([pd.NA], dtype="boolean")},
        {"stem_mid_mm": np.nan},
        {"stem_mid_mm": 0.0, "stem_high_mm": 0.0},
        {"stem_mid_mm": 501.0},  # above the high end
    ],
)
def test_a_band_that_is_not_known_gives_no_radii(changes):
    spread = spread_radii(make_trees([[0, 0]], **BAND | changes), SETTINGS)
    assert np.isnan(spread.radius_m).all()
    assert np.isnan(spread.structural_m).all()


def test_a_zone_by_the_crown_does_not_go_with_the_stem():
    spread = spread_radii(make_trees([[0, 0]], **BAND), ZoneSettings(regime="din18920"))
    assert np.isnan(spread.radius_m).all()


def test_a_measured_stem_spreads_nothing():
    zones = make_trees([[0, 0], [9, 9]], **BAND | {"is_estimated": [False, True]})
    spread = spread_radii(zones, SETTINGS)
    assert spread.is_spread.tolist() == [False, True]
    assert spread.radius_m[0].tolist() == [6.0] * 16
    assert spread.structural_m[0].tolist() == [2.47] * 16
    alone = spread_radii(zones.drop(columns="is_estimated"), SETTINGS)
    assert alone.radius_m.tolist() == [[6.0] * 16] * 2


def pairs_of(shapes, stems, sd, keeps=False):
    size = len(shapes)
    return Pairs(
        shapes=np.array(shapes, dtype=object),
        stems=np.asarray(stems, dtype=float),
        zone=np.full(size, None),
        sd_m=np.broadcast_to(np.asarray(sd, dtype=float), (size,)),
        tree=np.arange(size),
        keeps_roots=np.full(size, keeps),
    )


def circles(radius, inner=0.1, size=1):
    return Spread(np.full((size, 16), radius), np.full((size, 16), inner), np.zeros(size, bool))


TRENCH = shapely.box(-99, 0, 99, 1)


@pytest.mark.parametrize(
    ("depth", "radius", "least_m2", "expected"),
    [
        # 4/3 d sqrt(2 R d) = 0.01 m2 at d = 0.016735 m of R = 6 m.
        (0.01665, 6.0, 0.01, 0.0),
        (0.01685, 6.0, 0.01, 1.0),
        (0.001, 6.0, 0.0, 1.0),
        (-0.001, 6.0, 0.0, 0.0),
        (0.001, 0.8, 0.0, 1.0),
        (-0.001, 0.8, 0.0, 0.0),
    ],
)
def test_what_only_grazes_does_not_enter(depth, radius, least_m2, expected):
    """Without any doubt it is as drawn."""
    pairs = pairs_of([TRENCH], [[0, -(radius - depth)]], 0.0)
    given = {"least_m2": least_m2} if least_m2 else {}
    found = work_out_chances(pairs, circles(radius), severed_share, 0.9, **given)
    assert found["chance_breach"].tolist() == [expected]


def test_a_major_share_is_never_likelier_than_entering():
    """What grazes up to 30 m2 is taken as nothing, while 2 m2 are a major share."""
    pairs = pairs_of([TRENCH], [[0, -5.0]], 0.5)
    found = work_out_chances(pairs, circles(6.0), severed_share, 0.02, least_m2=30.0)
    assert 0.5 < found["chance_major"][0] == found["chance_breach"][0]


def test_the_structural_zone_is_a_major_matter_unless_the_roots_are_kept():
    for keeps, expected in ((False, 1.0), (True, 0.0)):
        pairs = pairs_of([TRENCH], [[0, -2.0]], 0.1, keeps)
        found = work_out_chances(pairs, circles(6.0, inner=4.0), severed_share, 0.99)
        assert found["chance_major"][0] == pytest.approx(expected, abs=1e-6)
        assert found["chance_structural"][0] == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("reach_sd", "expected"), [(1.70, 0.5 * 4 / 6), (1.76, 0.5), (0.01, 0.5 * 4 / 6)]
)
def test_a_share_is_followed_on_three_lines(reach_sd, expected):
    """Gauss-Hermite with three points: 0 and 1.732 deviations, weights 4/6 and 1/6 each.

    A share that is taken north of the stem's place as far as `reach_sd` to both sides.
    """
    place = np.array([7.0, -3.0])

    def share(_shapes, stems, _radius):
        moved = stems - place
        return np.where((moved[:, 1] >= -1e-9) & (np.abs(moved[:, 0]) <= reach_sd), 1.0, -1.0)

    shape = shapely.box(-99, -6, 99, -5)
    found = work_out_chances(pairs_of([shape], [place], 1.0, keeps=True), circles(0.5), share, 0.0)
    # Between two steps of half a deviation the share is straight: it is lost half-way.
    gone = norm.cdf(0.25) - 0.5
    assert found["chance_major"][0] == pytest.approx(expected + gone * expected / 0.5, abs=1e-6)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("slope", [0.1, 1.0, 5.0])
def test_chances_of_a_share_that_grows_evenly_are_those_of_the_normal_error(way, slope):
    """As the stem moves away, or nearer; short of the limit by c: P = Phi(-c / sd)."""

    def share(_shapes, stems, _radius):
        return way * slope * stems[:, 1]

    sd = np.array([0.3, 1.0, 2.0])
    for short in (1.0, -1.0, 0.25):
        pairs = pairs_of(
            [shapely.box(-99, -9, 99, -8)] * 3, [[0, -way * short]] * 3, sd, keeps=True
        )
        found = work_out_chances(pairs, circles(0.5, size=3), share, 0.0)
        np.testing.assert_allclose(found["chance_major"], norm.cdf(-short / sd), atol=1e-4)
    pairs = pairs_of([shapely.box(-99, -9, 99, -8)] * 3, [[0, -way * 1.0]] * 3, sd, keeps=True)
    found = work_out_chances(pairs, circles(0.5, size=3), share, 0.0)
    np.testing.assert_allclose(found["chance_major"], norm.cdf(-1 / sd), atol=1e-6)


def chance_major(share, limit=0.0):
    """Of a share that is taken of the zone round a stem at (0, 1), one deviation of 1 m."""
    pairs = pairs_of([shapely.box(-99, -9, 99, -8)], [[0.0, 1.0]], 1.0, keeps=True)
    return work_out_chances(pairs, circles(0.5), share, limit)["chance_major"][0]


@pytest.mark.parametrize(
    ("shares", "expected"),
    [
        ((0.3, 0.3), 1.0),
        ((0.3, 0.2), 0.5),  # equal to the limit from the stem's place on, away from the trench
        ((0.2, 0.3), norm.cdf(-0.5)),  # nearer: from half a deviation on
        ((0.2, 0.2), 0.0),
        ((0.7, 0.7), 1.0),
    ],
)
def test_a_share_equal_to_the_limit_is_major_wherever_the_stem_is(shares, expected):
    away, nearer = shares

    def share(_shapes, stems, _radius):
        return np.where(stems[:, 1] >= 1 - 1e-9, away, nearer)

    assert chance_major(share, 0.3) == pytest.approx(expected, abs=1e-9)


def test_where_the_middle_line_leaves_no_doubt_those_beside_are_not_asked():
    for inside, outside, expected in ((-1.0, 1.0, 0.0), (1.0, -1.0, 1.0)):

        def share(_shapes, stems, _radius, inside=inside, outside=outside):
            return np.where(np.abs(stems[:, 0]) < 1, inside, outside)

        assert chance_major(share) == pytest.approx(expected, abs=1e-9)


def test_a_zone_of_no_radius_has_no_chance_that_is_known():
    found = work_out_chances(pairs_of([TRENCH], [[0, -1.0]], 0.5), circles(0.0), severed_share, 0.1)
    assert found["chance_breach"].isna().all()
    assert found["chance_major"].isna().all()


@pytest.mark.parametrize("share", [severed_share, footprint_share])
def test_turning_moving_and_numbering_change_no_chance(share):
    """A pit, a bent trench and a trench through the stem, each alone and all together."""
    bent = shapely.LineString([(-12, -2), (2, 1.5), (9, -6)]).buffer(0.5, cap_style="flat")
    shapes = np.array([shapely.box(1.5, -1, 4.5, 0.5), bent, shapely.box(-9, -0.3, 9, 0.7)])
    stems, sd = np.array([[0.5, 2.0], [4.0, 3.5], [0.2, 0.1]]), np.array([0.8, 0.6, 0.4])
    spread = circles(4.0, inner=1.2, size=3)
    first = work_out_chances(pairs_of(shapes, stems, sd), spread, share, 0.12, least_m2=0.01)
    assert first["chance_breach"].between(0.5, 1).all()
    cos, sin = np.cos(0.7), np.sin(0.7)
    turned = shapely.transform(shapes, lambda xy: xy @ [[cos, sin], [-sin, cos]] + [100, -40])
    moved = stems @ [[cos, sin], [-sin, cos]] + [100, -40]
    again = work_out_chances(pairs_of(turned, moved, sd), spread, share, 0.12, least_m2=0.01)
    np.testing.assert_allclose(again, first, atol=2e-3)
    for n in range(3):
        alone = work_out_chances(
            pairs_of(shapes[n : n + 1], stems[n : n + 1], sd[n]),
            circles(4.0, inner=1.2),
            share,
            0.12,
            least_m2=0.01,
        )
        np.testing.assert_allclose(alone.iloc[0], first.iloc[n], atol=1e-12)


def test_chances_beside_pits_and_bends_agree_with_draws_of_the_stem():
    """Against 20,000 draws and shapely's own distances and areas of polygons."""
    rng = np.random.default_rng(1)
    bent = shapely.LineString([(-12, -2), (2, 1.5), (9, -6)]).buffer(0.5, cap_style="flat")
    shapes = np.array([shapely.box(1.5, -1, 4.5, 0.5), bent])
    stems, sd = np.array([[0.5, 2.6], [4.0, 3.5]]), np.array([0.8, 0.6])
    found = work_out_chances(
        pairs_of(shapes, stems, sd, keeps=True), circles(3.0, 1.5, 2), footprint_share, 0.08
    )
    for n in range(2):
        drawn = shapely.points(stems[n] + rng.normal(0, sd[n], (20_000, 2)))
        away = shapely.distance(shapes[n], drawn)
        circle = shapely.buffer(drawn[:4000], 3.0, quad_segs=24)
        taken = shapely.area(shapely.intersection(circle, shapes[n])) / (np.pi * 9)
        assert found["chance_breach"][n] == pytest.approx((away < 3.0).mean(), abs=0.012)
        assert found["chance_structural"][n] == pytest.approx((away < 1.5).mean(), abs=0.012)
        assert found["chance_major"][n] == pytest.approx((taken >= 0.08).mean(), abs=0.03)


def test_shares_by_hand_where_the_stem_is_in_the_trench_beside_it_and_far_off():
    """f(x) = (acos x - x sqrt(1 - x2)) / pi beyond the near wall, f(x) - f(x + 1 m) dug."""
    shapes = np.array([TRENCH] * 5)
    stems = np.array([[0, 0.5], [0, -3.0], [0, -6.5], [0, 4.0], [0, -0.25]])
    radius = np.array([6.0, 6.0, 6.0, 0.0, 0.5])
    near, far = 3 / 6, 4 / 6
    segment, beyond = ((np.arccos(v) - v * np.sqrt(1 - v**2)) / np.pi for v in (near, far))
    inside = 1 - 2 * (np.arccos(0.5 / 6) - 0.5 / 6 * np.sqrt(1 - (0.5 / 6) ** 2)) / np.pi
    np.testing.assert_allclose(
        severed_share(shapes, stems, radius), [1.0, segment, 0.0, np.nan, segment], atol=1e-9
    )
    np.testing.assert_allclose(
        footprint_share(shapes, stems, radius),
        [inside, segment - beyond, 0.0, np.nan, segment],
        atol=1e-9,
    )


@pytest.mark.parametrize("angle", [0.0, 0.5, np.pi / 2, 2.5])
@pytest.mark.parametrize(
    ("stem", "away"),
    [
        ((3.0, 4.0), (0, 1)),  # beside the long side
        ((3.0, -4.0), (0, -1)),
        ((11.0, 0.25), (1, 0)),  # off the end
        ((12.0, 4.5), (0.6, 0.8)),  # off a corner, 3 and 4 m
        ((2.0, 0.3), (0, 1)),  # in the trench, on either side of its middle
        ((-2.0, -0.3), (0, -1)),
        ((2.0, 0.0), (0, 1)),  # on its middle: either way
        ((0.0, 0.5), (0, 1)),  # on its edge
    ],
)
def test_a_share_is_followed_straight_away_from_what_is_dug(stem, away, angle):
    """A trench 18 m by 1 m; a share that lessens by 1 for each metre away: P = Phi(0.5)."""
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    shape = shapely.transform(shapely.box(-9, -0.5, 9, 0.5), lambda xy: xy @ turn + [50, 80])
    place, way = np.array(stem) @ turn + [50, 80], np.array(away) @ turn

    def share(_shapes, stems, _radius):
        return 0.5 - (stems - place) @ way

    pairs = pairs_of([shape], [place], 1.0, keeps=True)
    found = work_out_chances(pairs, circles(0.5), share, 0.0)
    assert found["chance_major"][0] == pytest.approx(norm.cdf(0.5), abs=1e-6)


@pytest.mark.parametrize("way", [1, -1])
def test_the_tails_of_the_error_count_too(way):
    """Half-way between three and a half deviations and four on, to one side."""

    def share(_shapes, stems, _radius):
        return np.where(way * (stems[:, 1] - 1) > 3.9, 1.0, -1.0)

    assert chance_major(share) == pytest.approx(norm.cdf(-3.75), abs=1e-9)


@pytest.mark.parametrize("share", [severed_share, footprint_share])
def test_places_that_a_bound_shows_to_be_clear_change_no_chance(share):
    """Plane geometry: what lies beyond a straight line takes no more than the segment there."""
    rng = np.random.default_rng(11)
    size = 150
    bends = rng.uniform(-9, 9, (size, 3, 2)).cumsum(axis=1)
    shapes = shapely.buffer(shapely.linestrings(bends), 0.6, cap_style="flat", join_style="mitre")
    pairs = pairs_of(shapes, rng.uniform(-12, 12, (size, 2)), 0.8)
    spread = Spread(
        *(np.full((size, CLASSES), radius) for radius in (5.0, 1.5)), np.zeros(size, dtype=bool)
    )
    bounded = work_out_chances(pairs, spread, share, 0.15)
    # A share that is not known to lie in the plane is measured at every place.
    exact = work_out_chances(pairs, spread, partial(share), 0.15)
    assert bounded["chance_major"].between(0.01, 0.99).sum() > 20
    pd.testing.assert_frame_equal(bounded, exact, check_exact=True)
