"""An avenue made in code: a straight old drain under a row of trees, written to a GeoPackage.

Common practice, no source: DN 250 concrete drain, brick manholes every 25 m, trees 3.5 m off the
drain every 10 m with stems of 500 to 600 mm and gaps at some manholes, root masses at joints, few
gullies.
"""

import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point, box

from routekit.pipeline import run_study
from routekit.study import Study, parse_settings

CRS = "EPSG:25832"
E, N = 412_000.0, 5_731_000.0
SPACING_M = 25.0
FALL = 1 / 200
DEPTH_M = 2.0

STUDY = f"""
[study]
name = "An avenue"
working_crs = "{CRS}"
[layers]
"""


def at(x, y):
    """A point of the avenue: along the drain and beside it, m."""
    return E + x, N + y


class Avenue:
    """Layers of one straight stretch after another; each has its own y."""

    def __init__(self):
        self.runs, self.manholes, self.trees, self.finds, self.taps = [], [], [], [], []
        self.decisions = []
        self.services = [
            {
                "service_id": "W1",
                "kind": "water",
                "depth_m": 1.0,
                "diameter_mm": 100.0,
                "geometry": LineString([at(-50, 60), at(400, 60)]),
            }
        ]
        self.obstacles = [{"kind": "building", "geometry": box(*at(-50, 70), *at(400, 80))}]

    def drain(self, name, x, y, lengths, *, depth_m=DEPTH_M, fall=FALL, **columns):
        """Runs in a row, from x on, drawn downstream; manholes at all ends."""
        ends = x + np.concatenate([[0.0], np.cumsum(lengths)])
        levels = 20.0 - depth_m - fall * (ends - x)
        for i in range(len(ends)):
            self.manholes.append(
                {
                    "manhole_id": f"{name}-M{i}",
                    "cover_level_m": 20.0 - FALL * (ends[i] - x),
                    "material": "brick",
                    "geometry": Point(at(ends[i], y)),
                }
            )
        for i in range(len(lengths)):
            self.runs.append(
                {
                    "run_id": f"{name}{i + 1}",
                    "from_manhole": f"{name}-M{i}",
                    "to_manhole": f"{name}-M{i + 1}",
                    "diameter_mm": 250.0,
                    "material": "concrete",
                    "shape": "circular",
                    "invert_up_m": levels[i],
                    "invert_down_m": levels[i + 1],
                    "use": "storm",
                    "geometry": LineString([at(ends[i], y), at(ends[i + 1], y)]),
                }
                | columns
            )
        return self

    def row_of_trees(self, name, xs, y, stems=(500.0, 600.0)):
        """Trees beside a drain, stems in turn."""
        for i, x in enumerate(xs):
            self.trees.append(
                {
                    "tree_id": f"{name}{i}",
                    "species": "Tilia cordata",
                    "stem_diameter_mm": stems[i % len(stems)],
                    "geometry": Point(at(x, y)),
                }
            )
        return self

    def roots(self, run, places, letter="C", size=35.0):
        """Root findings at places of a run."""
        self.finds += [
            {
                "run_id": run,
                "chainage_m": place,
                "code": "BBA",
                "characterisation": letter,
                "quantification": size,
                "at_joint": True,
            }
            for place in places
        ]
        return self

    def tap(self, run, *points):
        """Gullies on a run, at points."""
        for point in points:
            self.taps.append(
                {
                    "connection_id": f"G{len(self.taps)}",
                    "run_id": run,
                    "kind": "gully",
                    "diameter_mm": 150.0,
                    "geometry": Point(at(*point)),
                }
            )
        return self

    def decide(self, **row):
        """A decision."""
        self.decisions.append(row)
        return self

    def write(self, folder, extra=""):
        """Write layers and study file; give the path of the study file."""
        folder = Path(folder)
        layers = {
            "sewers": self.runs,
            "manholes": self.manholes,
            "trees": self.trees,
            "connections": self.taps,
            "inspections": self.finds,
            "decisions": self.decisions,
            "services": self.services,
            "obstacles": self.obstacles,
        }
        text = STUDY
        for name, rows in layers.items():
            if not rows:
                continue
            if "geometry" in rows[0]:
                gpd.GeoDataFrame(rows, crs=CRS).to_file(folder / "avenue.gpkg", layer=name)
                text += f'{name} = "avenue.gpkg:{name}"\n'
            else:
                pd.DataFrame(rows).to_csv(folder / f"{name}.csv", index=False)
                text += f'{name} = "{name}.csv"\n'
        text += "[methods.subsoil]\ngroundwater_depth_m = 6.0\nis_hard_ground = false\n" + extra
        path = folder / "study.toml"
        path.write_text(text, encoding="utf-8")
        parse_settings(tomllib.loads(text))
        return path

    def run(self, folder, extra=""):
        """Run the whole study."""
        return run_study(Study.load(self.write(folder, extra)))


def classic():
    """The long stretch A, the stretch B with too much flow for it, the short run C by itself."""
    street = Avenue()
    street.drain("A", 0, 0, [SPACING_M] * 10)
    # Gaps at the manholes at both ends and in the middle leave room for pits.
    pits = np.array([0.0, 125.0, 250.0])
    xs = [x for x in np.arange(5.0, 250.0, 10.0) if np.abs(x - pits).min() > 10]
    street.row_of_trees("TA", xs, 3.5)
    for i in range(10):
        street.roots(f"A{i + 1}", [4.0, 11.0, 18.0])
    street.tap("A3", (60.0, 0.5)).tap("A7", (160.0, 0.5))
    street.drain("B", 0, -100, [SPACING_M] * 5, design_flow_l_s=50.0)
    street.row_of_trees("TB", np.arange(20.0, 110.0, 10.0), -96.5)
    for i in range(5):
        street.roots(f"B{i + 1}", [4.0, 11.0, 18.0])
    street.drain("C", 300, 0, [7.0])
    street.row_of_trees("TC", [303.0], 3.5)
    return street.roots("C1", [1.0, 3.0, 5.0])
