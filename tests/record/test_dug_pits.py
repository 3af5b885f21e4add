"""A pit is the planned one of its name only where it shares ground with it."""

from dataclasses import replace

import geopandas as gpd
import pandas as pd
from shapely.geometry import box

from routekit.layers.findings import Findings
from routekit.layers.site_return import empty_return
from routekit.record.dug_pits import hold_pits

PITS = gpd.GeoDataFrame(
    {"pit_id": ["P1", "P2"]}, geometry=[box(0, 0, 3, 2), box(50, 0, 53, 2)], crs=25832
)


def test_a_name_that_means_another_pit_by_now_names_none():
    dug = pd.DataFrame(
        {
            "pit_id": ["P1", "P2", None, "P9"],
            "row": [f"row {n}" for n in range(1, 5)],
            "geometry": [box(2, 1, 5, 3), box(0, 0, 3, 2), box(50, 0, 53, 2), box(9, 9, 10, 10)],
        }
    )
    findings = Findings()
    returned = hold_pits(replace(empty_return(), pits_dug=dug), PITS, findings).pits_dug
    assert returned["pit_id"].fillna("").tolist() == ["P1", "", "", "P9"]
    assert findings.table()[["row", "field", "seen"]].to_numpy().tolist() == [
        ["row 2", "pit_id", "dug apart from the planned pit P2"]
    ]
