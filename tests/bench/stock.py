"""The overlap alone, as a GIS user would script it with stock GeoPandas calls.

Run by hand: python tests/bench/stock.py folder. Reads district.gpkg, buffers trees by twelve stem
diameters and sewers by half a trench, overlays, sums area per run and tree, writes a GeoPackage.
"""

import sys
from pathlib import Path

import geopandas as gpd

folder = Path(sys.argv[1])
sewers = gpd.read_file(folder / "district.gpkg", layer="sewers")
trees = gpd.read_file(folder / "district.gpkg", layer="trees")

stem_m = trees["stem_diameter_mm"].fillna(300) / 1000
trees["geometry"] = trees.buffer(12 * stem_m)
sewers["geometry"] = sewers.buffer((sewers["diameter_mm"] / 1000 + 0.7) / 2, cap_style="flat")

overlap = gpd.overlay(
    sewers[["run_id", "geometry"]], trees[["tree_id", "geometry"]], how="intersection"
)
overlap["area_m2"] = overlap.area
total = overlap.groupby(["run_id", "tree_id"], as_index=False)["area_m2"].sum()
overlap = overlap.drop(columns="area_m2").merge(total, on=["run_id", "tree_id"])
overlap.to_file(folder / "stock.gpkg", layer="overlap")
print(f"pairs={len(total)} area_m2={total['area_m2'].sum():.1f}")
