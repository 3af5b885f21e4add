"""What a tenderer prices beside the works themselves: traffic, flow, trial holes, trees, tests.

No cost of this project holds these items: it has no rates for them. Each quantity follows from
what is settled already, by the rule that stands beside the item in `tables/site_items.csv` with
its standing. What cannot be counted is a row without a quantity.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.advice.settings import SiteItemSettings
from routekit.techniques import list_codes

COLUMNS: Final = ("run_id", "item", "place", "quantity")
TREE_ITEMS: Final = (
    "tree_fence_m",
    "ground_protection_m2",
    "arborist_day",
    "root_care_each",
    "watering_each",
)
"""Items that follow from trees near the works."""

INSPECTION: Final = "inspect_m"
"""Priced item of camera inspections before and after the works."""

_SITE_WORK: Final = list_codes(lambda one: one.work != "inspection")
_DIVERTS: Final = list_codes(lambda one: one.work not in ("inspection", "root cutting"))
_WHOLE: Final = list_codes(lambda one: one.new_pipe not in ("old pipe", "kept clear", "mended"))
_CURED: Final = list_codes(lambda one: one.new_pipe == "cured liner")
_TRENCHED: Final = list_codes(lambda one: one.digs == "trench")
_JOINED: Final = list_codes(lambda one: one.digs in ("string works", "connections and own pit"))
_PROBED: Final = (*_TRENCHED, *_JOINED)
_QUADRANT: Final = 24


@dataclass(frozen=True, kw_only=True)
class Works:
    """What is settled, from which quantities follow.

    Attributes
    ----------
    runs : GeoDataFrame
        run_id, length_m, n_crossings, n_connections.
    technique, string_id : numpy.ndarray of str, shape (n,)
        Of each run; blank for none.
    trenches : GeoDataFrame
        width_m, in the order of `runs`.
    pits, digs : GeoDataFrame
        Those of the recommended works; digs also opens_ground.
    zones : GeoDataFrame
        tree_id, radius_m, zone.
    encroachments : DataFrame
        kind, work_id, tree_id, run_id, is_recommended.
    """

    runs: gpd.GeoDataFrame
    technique: NDArray[np.object_]
    string_id: NDArray[np.object_]
    trenches: gpd.GeoDataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    encroachments: pd.DataFrame


@cache
def load_site_items() -> pd.DataFrame:
    """Read the items.

    Returns
    -------
    pandas.DataFrame
        unit, source (a key of `routekit/settings/sources.csv`), text, rule; index item.
    """
    with (files("routekit.advice") / "tables" / "site_items.csv").open(encoding="utf-8") as stream:
        return pd.read_csv(stream, dtype=str, keep_default_na=False).set_index("item")


def split_inspections(
    technique: ArrayLike, quantity_m: ArrayLike, length_m: ArrayLike
) -> NDArray[np.float64]:
    """Find how much of the camera inspections of runs comes after the works.

    Parameters
    ----------
    technique : array_like of str, shape (n,)
    quantity_m, length_m : array_like of float, shape (n,)
        Inspected in all, and the length of the run.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        The run's length, at most all; 0 where a camera is all there is; NaN where not known.
    """
    last = np.minimum(np.asarray(quantity_m, dtype=float), np.asarray(length_m, dtype=float))
    return np.where(np.isin(np.asarray(technique, dtype=object), _SITE_WORK), last, 0.0)


def list_site_items(works: Works, settings: SiteItemSettings) -> pd.DataFrame:
    """Count the items beside the works.

    Parameters
    ----------
    works : Works
    settings : SiteItemSettings

    Returns
    -------
    pandas.DataFrame
        Columns `COLUMNS`: run (blank where it belongs to none), item, place (pit, string or tree;
        blank for the run itself), quantity (NaN: cannot be counted).
    """
    rows = [_count_sites(works), *_count_tests(works), _count_holes(works)]
    table = pd.concat([*rows, _count_for_trees(works, settings)], ignore_index=True)
    return table[(table["quantity"] != 0).to_numpy()].reset_index(drop=True)[list(COLUMNS)]


def _rows(item: str, run_id: ArrayLike, quantity: ArrayLike, place: ArrayLike = "") -> pd.DataFrame:
    """Make rows of one item."""
    runs = np.asarray(run_id, dtype=object)
    size = (len(runs),)
    return pd.DataFrame(
        {
            "run_id": runs,
            "item": np.full(size, item, dtype=object),
            "place": np.broadcast_to(np.asarray(place, dtype=object), size),
            "quantity": np.broadcast_to(np.asarray(quantity, dtype=float), size),
        }
    )


def _count_sites(works: Works) -> pd.DataFrame:
    """Count traffic set-ups and flow diversions: by run, by pit, by string."""
    ids = works.runs["run_id"].to_numpy(dtype=object)
    worked, string = np.isin(works.technique, _SITE_WORK), works.string_id
    diverted = np.isin(works.technique, _DIVERTS)
    first = ~pd.Series(string).duplicated().to_numpy() & (string != "")
    pits = works.pits
    return pd.concat(
        [
            _rows("traffic_setup_each", ids[worked], 1.0),
            _rows("traffic_setup_each", pits["run_id"], 1.0, pits["pit_id"].to_numpy(dtype=object)),
            _rows("pump_setup_each", ids[diverted & (string == "")], 1.0),
            _rows("pump_setup_each", ids[first], 1.0, string[first]),
        ]
    )


def _count_tests(works: Works) -> list[pd.DataFrame]:
    """Count tests of new pipes and liners."""
    ids = works.runs["run_id"].to_numpy(dtype=object)
    return [
        _rows(item, ids[np.isin(works.technique, codes)], 1.0)
        for item, codes in (("leak_test_each", _WHOLE), ("liner_sample_each", _CURED))
    ]


def _count_holes(works: Works) -> pd.DataFrame:
    """Count trial holes: at services that cross what is dug or burst, and at pits."""
    probed, pits = np.isin(works.technique, _PROBED), works.pits
    runs = works.runs[probed]
    return pd.concat(
        [
            _rows("trial_hole_each", runs["run_id"], runs["n_crossings"].astype(float)),
            _rows("trial_hole_each", pits["run_id"], 1.0, pits["pit_id"].to_numpy(dtype=object)),
        ]
    )


def _list_dug(works: Works) -> gpd.GeoDataFrame:
    """List what opens the ground: kind, work_id, run_id, outline (None: not known)."""
    open_runs = np.isin(works.technique, _TRENCHED)
    runs, digs = works.runs[open_runs], works.digs[works.digs["opens_ground"].to_numpy(dtype=bool)]
    half_m = works.trenches["width_m"].to_numpy(dtype=float)[open_runs] / 2
    strips = shapely.buffer(runs.geometry.to_numpy(), half_m, cap_style="flat", join_style="mitre")
    strips[np.isnan(half_m)] = None
    parts = [
        (kind, ids, table["run_id"], shapes)
        for kind, table, ids, shapes in (
            ("trench", runs, runs["run_id"], strips),
            ("pit", works.pits, works.pits["pit_id"], works.pits.geometry.to_numpy()),
            ("dig", digs, digs["dig_id"], digs.geometry.to_numpy()),
        )
    ]
    table = pd.concat(
        [
            pd.DataFrame({"kind": kind, "work_id": np.asarray(ids), "run_id": np.asarray(of)})
            for kind, ids, of, _ in parts
        ],
        ignore_index=True,
    )
    shapes = np.concatenate([np.asarray(shapes, dtype=object) for *_, shapes in parts])
    return gpd.GeoDataFrame(table.astype(object), geometry=shapes, crs=works.runs.crs)


def _draw_zones(zones: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Draw each zone, shape (trees,): its outline, or a circle; None where it is not known."""
    radius = zones["radius_m"].to_numpy(dtype=float)
    own = zones["zone"].to_numpy(dtype=object)
    circles = shapely.buffer(zones.geometry.to_numpy(), np.nan_to_num(radius), quad_segs=_QUADRANT)
    circles[~(radius > 0)] = None
    return np.asarray(np.where(shapely.is_geometry(own), own, circles), dtype=object)


def _count_for_trees(works: Works, settings: SiteItemSettings) -> pd.DataFrame:
    """Count what protects trees, and say where it cannot be counted."""
    dug, shapes = _list_dug(works), _draw_zones(works.zones)
    outlines = dug.geometry.to_numpy()
    strips = shapely.buffer(outlines, settings.working_strip_m, join_style="mitre")
    work, tree = shapely.STRtree(shapes).query(strips, predicate="intersects")
    ids = works.zones["tree_id"].to_numpy(dtype=object)
    pairs = gpd.GeoDataFrame(
        {
            "run_id": dug["run_id"].to_numpy()[work],
            "tree_id": ids[tree],
            "taken_m2": shapely.area(shapely.intersection(strips[work], shapes[tree])),
            "fence_m": shapely.length(shapes[tree]),
            "work": work,
        },
        geometry=shapes[tree],
        crs=dug.crs,
    )
    reached = _list_reached(works, dug)
    return pd.concat(
        [
            _fence(pairs),
            _protect_ground(pairs, dug, strips),
            _attend(reached, works, shapes, settings),
            _water(reached, settings),
            _tell_unknown(works, dug, shapes),
        ]
    )


def _fence(pairs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Fence each tree once, at the run that takes most of its zone."""
    ranked = pairs.sort_values("taken_m2", ascending=False, kind="stable")
    own = ranked.drop_duplicates("tree_id").sort_index()
    return _rows("tree_fence_m", own["run_id"], own["fence_m"], own["tree_id"].to_numpy())


def _protect_ground(
    pairs: gpd.GeoDataFrame, dug: gpd.GeoDataFrame, strips: NDArray[np.object_]
) -> pd.DataFrame:
    """Protect the strip beside the works in zones; where zones overlap it counts once."""
    if not len(pairs):
        return _rows("ground_protection_m2", [], 0.0)
    zones = pairs[["run_id", "geometry"]].dissolve("run_id").geometry
    mine = np.unique(pairs["work"])
    near = dug.iloc[mine].set_geometry(strips[mine], crs=dug.crs)
    near = near[["run_id", "geometry"]].dissolve("run_id").geometry.reindex(zones.index)
    holes = dug.iloc[mine][["run_id", "geometry"]].dissolve("run_id").geometry.reindex(zones.index)
    area = near.difference(holes).intersection(zones).area
    return _rows("ground_protection_m2", area.index, area)


def _list_reached(works: Works, dug: gpd.GeoDataFrame) -> pd.DataFrame:
    """List recommended works and the trees whose zone each reaches."""
    pairs = works.encroachments[works.encroachments["is_recommended"].to_numpy(dtype=bool)]
    names = ["kind", "work_id", "tree_id", "run_id"]
    pairs = pairs[names].astype(object)
    return pairs[pairs["work_id"].isin(dug["work_id"]).to_numpy()].reset_index(drop=True)


def _attend(
    reached: pd.DataFrame,
    works: Works,
    shapes: NDArray[np.object_],
    settings: SiteItemSettings,
) -> pd.DataFrame:
    """Count days of an arborist, and the care of roots, by run."""
    each = {"pit": settings.attend_pit_days, "dig": settings.attend_dig_days}
    once = reached.drop_duplicates(["kind", "work_id"])
    days = once["kind"].map(each).fillna(0.0).astype(float).groupby(once["run_id"]).sum()
    trench_m = _measure_trenches(reached[(reached["kind"] == "trench").to_numpy()], works, shapes)
    days = days.add(trench_m / settings.attend_trench_m_day, fill_value=0.0)
    care = reached.groupby("run_id").size()
    return pd.concat(
        [
            _rows("arborist_day", days.index, days),
            _rows("root_care_each", care.index, care),
        ]
    )


def _measure_trenches(
    trenched: pd.DataFrame, works: Works, shapes: NDArray[np.object_]
) -> pd.Series:
    """Measure each trench in zones, m; where zones overlap it counts once."""
    if not len(trenched):
        return pd.Series(dtype=float)
    tree = pd.Index(works.zones["tree_id"].astype(object)).get_indexer(trenched["tree_id"])
    pairs = gpd.GeoDataFrame(
        {"run_id": trenched["run_id"].to_numpy()}, geometry=shapes[tree], crs=works.runs.crs
    )
    zones = pairs.dissolve("run_id").geometry
    lines = works.runs.set_index(works.runs["run_id"].astype(object)).geometry.reindex(zones.index)
    length_m: pd.Series = lines.intersection(zones).length
    return length_m


def _water(reached: pd.DataFrame, settings: SiteItemSettings) -> pd.DataFrame:
    """Water each tree that is dug at, at the first run that does so."""
    own = reached.drop_duplicates("tree_id")
    visits = settings.watering_visits
    return _rows("watering_each", own["run_id"], visits, own["tree_id"].to_numpy())


def _tell_unknown(works: Works, dug: gpd.GeoDataFrame, shapes: NDArray[np.object_]) -> pd.DataFrame:
    """List what cannot be counted: works of no known place, trees without a zone, no trees."""
    lost = dug["run_id"][dug.geometry.isna().to_numpy()]
    runs = works.runs[np.isin(works.technique, _JOINED)]
    undug = runs["run_id"].astype(object)[runs["n_connections"].isna().to_numpy()]
    unsized = pd.unique(pd.concat([lost, undug]).to_numpy(dtype=object))
    zoneless = works.zones["tree_id"].to_numpy(dtype=object)[~shapely.is_geometry(shapes)]
    is_treeless = len(works.zones) == 0 and len(dug) + len(undug) > 0
    blank = np.full(len(zoneless) + int(is_treeless), "", dtype=object)
    names = zoneless if len(zoneless) else blank
    return pd.concat(
        [
            part
            for item in TREE_ITEMS
            for part in (_rows(item, unsized, np.nan), _rows(item, blank, np.nan, names))
        ]
    )
