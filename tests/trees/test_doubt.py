"""Zones as large as they may be: what is worse or not recorded never makes one smaller."""

import geopandas as gpd
import pandas as pd
import pytest

from routekit.trees.doubt import draw_largest
from routekit.trees.regimes import regime_names
from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import build_zones

WIDTHS = ["radius_m", "structural_radius_m", "area_m2"]


def enlarge(regime, **columns):
    """Zones of four trees without a stem, as large as they may be."""
    crowns = {"crown_diameter_m": [3.0, 8.6, 14.0, 22.0], "age_class": "mature"}
    table = pd.DataFrame({"tree_id": list("ABCD")} | crowns | columns)
    stems = gpd.points_from_xy([0, 50, 100, 150], [0] * 4, crs="EPSG:25832")
    trees = gpd.GeoDataFrame(table, geometry=stems)
    settings = ZoneSettings(regime=regime)
    zones, _ = build_zones(trees, None, settings=settings)
    assert zones["is_estimated"].all()
    return draw_largest(trees, zones, None, settings)[WIDTHS]


@pytest.mark.parametrize("regime", [name for name in regime_names() if name != "custom"])
@pytest.mark.parametrize("kind", ["is_veteran", "is_columnar"])
def test_no_zone_round_an_estimated_stem_is_smaller_for_a_veteran_or_for_what_is_not_recorded(
    kind, regime
):
    """A veteran's zone is larger as drawn: its root plate was enlarged less for it."""
    flags = pd.array([False] * 4, dtype="boolean")
    no, yes = (enlarge(regime, **{kind: flag}) for flag in (flags, ~flags))
    blank = enlarge(regime, **{kind: pd.array([None] * 4, dtype="boolean")})
    assert (blank >= no - 1e-9).all(axis=None)
    assert (blank >= yes - 1e-9).all(axis=None)
    assert kind == "is_columnar" or (yes >= no - 1e-9).all(axis=None)
