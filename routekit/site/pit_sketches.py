"""Plan sketch of each pit for its card, as JSON."""

from __future__ import annotations

import json
from typing import Final

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Floats, Ints, Objects
from routekit.site.placement import PitRequests
from routekit.site.sentences import join_groups
from routekit.site.surroundings import Surroundings

SKETCH_STEMS: Final = 5
"""Nearest stems drawn in a plan sketch."""


def sketch_pits(
    polygon: Objects,
    requests: PitRequests,
    turn_deg: Floats,
    around: Surroundings,
    distance_m: float,
) -> Objects:
    """Write a plan sketch of each pit as JSON text.

    Parameters
    ----------
    polygon : numpy.ndarray of object, shape (n,)
        Pits.
    requests : PitRequests
    turn_deg : numpy.ndarray of float, shape (n,)
        Turn about the manhole.
    around : Surroundings
    distance_m : float
        How far stems are looked for, m.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        An object with length_m, width_m, depth_m, manhole ([dx, dy]) and stems, a list of
        tree_id, dx, dy, zone_m, structural_m (null where not known), nearest first. dx runs along
        the pit out of the run, dy to its left, both from the pit's centre, m.
    """
    zones, size = around.zones, len(polygon)
    turn = np.radians(turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    axis = np.stack(
        [
            requests.axis[:, 0] * cos - requests.axis[:, 1] * sin,
            requests.axis[:, 0] * sin + requests.axis[:, 1] * cos,
        ],
        axis=1,
    )
    centroid = shapely.centroid(polygon)
    middle = np.stack([shapely.get_x(centroid), shapely.get_y(centroid)], axis=1)
    stems = zones.stem_index
    pit, tree = stems.query(polygon, predicate="dwithin", distance=distance_m)
    away = shapely.distance(polygon[pit], stems.geometries[tree])
    order = np.lexsort((tree, away, pit))
    pit, tree = pit[order], tree[order]
    rank = np.arange(len(pit)) - np.searchsorted(pit, pit)
    pit, tree = pit[rank < SKETCH_STEMS], tree[rank < SKETCH_STEMS]

    def place(points: Floats, rows: Ints) -> tuple[Objects, Objects]:
        way = points - middle[rows]
        along = np.sum(way * axis[rows], axis=1)
        across = way[:, 1] * axis[rows, 0] - way[:, 0] * axis[rows, 1]
        return _json_number(along), _json_number(across)

    dx, dy = place(zones.centre[tree], pit)
    ids = pd.Series(zones.tree_id[tree]).map(json.dumps).to_numpy(dtype=object)
    stem = '{"tree_id": ' + ids + ', "dx": ' + dx + ', "dy": ' + dy
    stem += ', "zone_m": ' + _json_number(zones.radius_m[tree])
    stem += ', "structural_m": ' + _json_number(zones.structural_radius_m[tree]) + "}"
    every = join_groups(stem, pit, size, ", ")
    at = place(requests.origin, np.arange(size))
    text = '{"length_m": ' + _json_number(requests.size.length_m)
    text += ', "width_m": ' + _json_number(requests.size.width_m)
    text += ', "depth_m": ' + _json_number(requests.size.depth_m)
    text += ', "manhole": [' + at[0] + ", " + at[1] + '], "stems": [' + every + "]}"
    return np.asarray(text, dtype=object)


def _json_number(values: Floats) -> Objects:
    """Write numbers for JSON, centimetres kept; NaN as null."""
    text = np.char.mod("%.2f", np.nan_to_num(values) + 0.0).astype(object)
    return np.asarray(np.where(np.isnan(values), "null", text), dtype=object)
