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
from numpy.typing import ArrayLike, NDArray

from routekit.advice.settings import SiteItemSettings
from routekit.site.protection import FENCE, GROUND, HAND_DIG, NOT_KNOWN, draw_zones
from routekit.techniques import OWN_PIT, list_codes

COLUMNS: Final = ("run_id", "item", "place", "quantity")
TREE_ITEMS: Final = (
    "tree_fence_m",
    "ground_protection_m2",
    "arborist_day",
    "root_care_each",
    "watering_each",
)
"""Items that follow from trees near the works."""

CAREFUL_TRENCH: Final = "careful_trench_m2"
"""Item of trenches in root zones: they are priced as dug by machine, while pits and small digs are
priced in the way that they are dug."""

INSPECTION: Final = "inspect_m"
"""Priced item of camera inspections before and after the works."""

_SITE_WORK: Final = list_codes(lambda one: one.work != "inspection")
DIVERTS: Final = list_codes(lambda one: one.work not in ("inspection", "root cutting"))
"""Techniques during which the flow is carried past the run."""
_WHOLE: Final = list_codes(lambda one: one.is_whole)
_CURED: Final = list_codes(lambda one: one.new_pipe == "cured liner")
_TRENCHED: Final = list_codes(lambda one: one.digs == "trench")
_JOINED: Final = list_codes(lambda one: one.digs in ("string works", "connections and own pit"))
_PROBED: Final = (*_TRENCHED, *_JOINED)


@dataclass(frozen=True, kw_only=True)
class Works:
    """What is settled, from which quantities follow.

    Attributes
    ----------
    runs : GeoDataFrame
        run_id, length_m, n_crossings, n_connections.
    technique, string_id : numpy.ndarray of str, shape (n,)
        Of each run; blank for none.
    pits, digs : GeoDataFrame
        Those of the recommended works; digs also opens_ground.
    zones : GeoDataFrame
        tree_id, radius_m, zone.
    encroachments : DataFrame
        kind, work_id, tree_id, run_id, is_recommended.
    protection : GeoDataFrame
        From `routekit.site.protection.set_out_protection`.
    """

    runs: gpd.GeoDataFrame
    technique: NDArray[np.object_]
    string_id: NDArray[np.object_]
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    encroachments: pd.DataFrame
    protection: gpd.GeoDataFrame


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
    diverted = np.isin(works.technique, DIVERTS)
    first = ~pd.Series(string).duplicated().to_numpy() & (string != "")
    pits, sites = works.pits, 1.0 + _count_own_pits(works)
    return pd.concat(
        [
            _rows("traffic_setup_each", ids[worked], sites[worked]),
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
    holes = runs["n_crossings"].to_numpy(dtype=float) + _count_own_pits(works)[probed]
    return pd.concat(
        [
            _rows("trial_hole_each", runs["run_id"], holes),
            _rows("trial_hole_each", pits["run_id"], 1.0, pits["pit_id"].to_numpy(dtype=object)),
        ]
    )


def _count_own_pits(works: Works) -> NDArray[np.float64]:
    """Count the pits of each run that have no place yet, and so are none of `works.pits`."""
    return np.isin(works.technique, OWN_PIT).astype(float)


def _count_for_trees(works: Works, settings: SiteItemSettings) -> pd.DataFrame:
    """Count what protects trees, and say where it cannot be counted."""
    shapes, set_out = draw_zones(works.zones), works.protection
    reached = _list_reached(works)
    return pd.concat(
        [
            _fence(set_out[(set_out["kind"] == FENCE).to_numpy(dtype=bool)]),
            _protect_ground(set_out[(set_out["kind"] == GROUND).to_numpy(dtype=bool)]),
            _open_carefully(set_out[(set_out["kind"] == HAND_DIG).to_numpy(dtype=bool)], works),
            _attend(reached, works, shapes, settings),
            _water(reached, settings),
            _tell_unknown(set_out[(set_out["kind"] == NOT_KNOWN).to_numpy(dtype=bool)], works),
        ]
    )


def _fence(fences: pd.DataFrame) -> pd.DataFrame:
    """Count the fence of each tree, as it is set out."""
    trees = fences["tree_ids"].to_numpy(dtype=object)
    return _rows("tree_fence_m", fences["run_id"], fences["length_m"], trees)


def _protect_ground(areas: pd.DataFrame) -> pd.DataFrame:
    """Count the ground protected for each run, as it is set out."""
    area = areas["area_m2"].groupby(areas["run_id"].astype(object)).sum()
    return _rows("ground_protection_m2", area.index, area)


def _open_carefully(boxes: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Measure what of trenches is dug by hand or vacuum excavation, as it is set out."""
    trenched = works.runs["run_id"][np.isin(works.technique, _TRENCHED)]
    mine = boxes[boxes["work_id"].astype(object).isin(trenched.astype(object))]
    area = mine["area_m2"].groupby(mine["run_id"].astype(object)).sum()
    return _rows(CAREFUL_TRENCH, area.index, area)


def _list_reached(works: Works) -> pd.DataFrame:
    """List recommended works that open the ground, and the trees whose zone each reaches."""
    pairs = works.encroachments[works.encroachments["is_recommended"].to_numpy(dtype=bool)]
    names = ["kind", "work_id", "tree_id", "run_id"]
    opens = works.digs["opens_ground"].to_numpy(dtype=bool)
    closed = works.digs["dig_id"][~opens].astype(object)
    is_closed = (pairs["kind"] == "dig") & pairs["work_id"].astype(object).isin(closed)
    return pairs.loc[~is_closed.to_numpy(dtype=bool), names].astype(object).reset_index(drop=True)


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


def _tell_unknown(unknown: pd.DataFrame, works: Works) -> pd.DataFrame:
    """List what cannot be counted because it cannot be set out: each run and each tree once."""
    keys = unknown[["run_id", "tree_ids"]].astype(object).drop_duplicates()
    trees = keys["tree_ids"].to_numpy(dtype=object)
    is_trenched = np.isin(works.technique, _TRENCHED).any()
    items = (*TREE_ITEMS, CAREFUL_TRENCH) if is_trenched else TREE_ITEMS
    return pd.concat([_rows(item, keys["run_id"], np.nan, trees) for item in items])
