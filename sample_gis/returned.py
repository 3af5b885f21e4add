"""What came back from the first works of the sample: a return file, filled in. All is invented.

A string of five runs of Tessel Avenue was burst. Its launch pit was dug three metres nearer to a
tree than planned, a thick root was cut there, one run was laid too high, of one nobody wrote down
the test, and the pull was read every ten metres. One run of Bleek Street was lined.
"""

from __future__ import annotations

from pathlib import Path as FilePath

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from plan import CRS

CREW = "crew 2"
LEVELS_M = {
    "TL-S13": (35.979, 35.815),
    "TL-S14": (35.815, 35.650),
    "TL-S15": (35.704, 35.485),
    "TL-S16": (35.485, 35.321),
    "TL-S17": (35.321, 35.157),
}
UNTESTED = "TL-S17"
BURST = ";".join(LEVELS_M)
LENGTHS_M = np.arange(10.0, 121.0, 10.0)
LAUNCH = [
    (412328.07, 5733573.14),
    (412338.69, 5733571.08),
    (412338.98, 5733572.56),
    (412328.36, 5733574.63),
]
MACHINE = [
    (412213.56, 5733597.19),
    (412210.27, 5733597.83),
    (412209.89, 5733595.87),
    (412213.17, 5733595.23),
]


def done_runs() -> list[dict[str, object]]:
    """Return the runs that were worked on."""
    burst = [
        {
            "run_id": run,
            "technique": "burst_upsized",
            "material": "pe",
            "nominal_size_mm": 315.0,
            "bore_mm": 277.6,
            "invert_up_m": up,
            "invert_down_m": down,
            "done_on": "2026-10-16",
            "working_days": 1.5,
            "test_passed": None if run == UNTESTED else "yes",
            "test_made": None if run == UNTESTED else "air",
            "photos": None,
            "by": CREW,
        }
        for run, (up, down) in LEVELS_M.items()
    ]
    lined = {
        "run_id": "BL-03",
        "technique": "cipp",
        "material": "lined",
        "nominal_size_mm": 200.0,
        "bore_mm": 193.0,
        "done_on": "2026-10-20",
        "working_days": 0.8,
        "test_passed": "yes",
        "test_made": "water",
        "by": "crew 1",
    }
    return [*burst, lined]


def pulls() -> list[dict[str, object]]:
    """Return the pulls that were read, on the pipe and at the machine."""
    rows = []
    for length in LENGTHS_M:
        drag = round(0.8 * length + 3.0 * np.sin(length), 1)
        for where, pull in (("pipe", drag), ("machine", round(drag + 150.0, 1))):
            rows.append(
                {
                    "string_id": "S0001",
                    "chainage_m": length,
                    "pull_kn": pull,
                    "read_at": where,
                    "photos": None,
                    "by": CREW,
                }
            )
    return rows


def pits() -> list[dict[str, object]]:
    """Return the pits as they were dug."""
    return [
        {
            "pit_id": name,
            "run_id": run,
            "dug_on": "2026-10-14",
            "depth_m": depth,
            "method": "machine",
            "roots_met": met,
            "photos": photo,
            "by": CREW,
            "geometry": shapely.MultiPolygon([shapely.Polygon(corners)]),
        }
        for name, run, depth, met, photo, corners in (
            ("P0001", "TL-S13", 2.1, "no", None, MACHINE),
            ("P0002", "TL-S17", 2.1, "yes", "pit-P0002.jpg", LAUNCH),
        )
    ]


def roots() -> list[dict[str, object]]:
    """Return the roots that were met."""
    return [
        {
            "run_id": "TL-S17",
            "chainage_m": 22.0,
            "tree_id": tree,
            "diameter_mm": thick,
            "is_cut": cut,
            "photos": photo,
            "by": CREW,
            "geometry": shapely.Point(412330.0, y),
        }
        for tree, thick, cut, photo, y in (
            ("T0051", 40.0, "yes", "root-40.jpg", 5733573.6),
            (None, 18.0, "no", None, 5733573.2),
        )
    ]


def permits() -> list[dict[str, object]]:
    """Return the permits that were granted: one package has all of its own, others do not."""
    return [
        {
            "permit_id": name,
            "kind": None,
            "what": what,
            "reference": reference,
            "granted_on": day,
            "by": "office",
        }
        for name, what, reference, day in (
            ("BL-03 road", None, "R-26-118", "2026-09-21"),
            ("PZ-15 road", None, "R-26-121", "2026-08-24"),
            ("PZ-15 services", None, "L-26-90", "2026-08-24"),
            ("PZ-15 dewatering", None, "W-26-12", "2026-08-31"),
            ("PZ-15 neighbours", None, "N-26-31", "2026-08-31"),
            ("S0001 road", BURST, "R-26-104", "2026-09-14"),
            ("S0001 services", BURST, "L-26-77", None),
        )
    ]


def write_returned(path: FilePath) -> None:
    """Write the return file."""
    path.unlink(missing_ok=True)
    for name, rows in (
        ("done_runs", done_runs()),
        ("pull_readings", pulls()),
        ("pits_dug", pits()),
        ("roots_met", roots()),
        ("permits", permits()),
    ):
        table = pd.DataFrame(rows)
        if "geometry" in table:
            shapes = gpd.GeoSeries(table.pop("geometry"), crs=CRS)
            table = gpd.GeoDataFrame(table, geometry=shapes)
        pyogrio.write_dataframe(table, path, layer=name)
