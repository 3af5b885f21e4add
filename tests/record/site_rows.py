"""A return file filled in by hand: what came back from a site."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio

from routekit.layers.site_return import SHAPES, load_return_columns


def put_rows(path, crs, **layers):
    """Write layers of a return file, each a list of dicts; columns that no row fills are blank."""
    for name, rows in layers.items():
        columns = load_return_columns(name)
        blank = {
            column: np.nan if each.kind == "number" else None for column, each in columns.items()
        }
        filled = [blank | row for row in rows]
        shapes = [row.pop("geometry", None) for row in filled]
        table = pd.DataFrame(filled)
        for column, each in columns.items():
            if each.kind != "number":
                table[column] = table[column].astype("str")
        if name in SHAPES:
            table = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes, crs=crs))
            pyogrio.write_dataframe(
                table,
                path,
                layer=name,
                geometry_type=SHAPES[name],
                promote_to_multi=SHAPES[name].startswith("Multi"),
            )
        else:
            pyogrio.write_dataframe(table, path, layer=name)
    return path
