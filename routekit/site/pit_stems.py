"""The stems nearest to each pit, for its card, as JSON."""

from __future__ import annotations

import json
from typing import Final

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Objects
from routekit.site.sentences import join_groups
from routekit.site.zone_layer import ZoneLayer

MOST_STEMS: Final = 3
"""Nearest stems that the card of a pit names and draws (house choice)."""
REACH_M: Final = 25.0
"""How far from a pit they are looked for, m (house choice)."""


def list_nearest_stems(polygon: Objects, zones: ZoneLayer) -> Objects:
    """List the stems nearest to each pit as JSON text.

    Parameters
    ----------
    polygon : numpy.ndarray of object, shape (n,)
        Pits; None has no stems.
    zones : ZoneLayer

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Lists of objects with tree_id and edge_m (from the pit to the stem centre, m, to the
        centimetre; 0 within the pit), nearest first.
    """
    stems = zones.stem_index
    pit, tree = stems.query(polygon, predicate="dwithin", distance=REACH_M)
    edge_m = shapely.distance(polygon[pit], stems.geometries[tree])
    order = np.lexsort((tree, edge_m, pit))
    order = order[np.arange(len(pit)) - np.searchsorted(pit[order], pit[order]) < MOST_STEMS]
    ids = pd.Series(zones.tree_id[tree[order]]).map(json.dumps).to_numpy(dtype=object)
    edges = np.char.mod("%.2f", edge_m[order]).astype(object)
    listed = join_groups(
        '{"tree_id": ' + ids + ', "edge_m": ' + edges + "}", pit[order], len(polygon), ", "
    )
    return np.asarray("[" + listed + "]", dtype=object)
