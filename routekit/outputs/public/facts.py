"""What the page knows of each run, tree, pit and dig, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.outputs.public.reduce import PublicTables
from routekit.outputs.public.settings import PublicSettings
from routekit.outputs.public.streets import (
    clean_text,
    list_members,
    name_streets,
    pair_trees,
    place_works,
)
from routekit.vocabulary import SEVERITIES, SURFACE_KINDS, TECHNIQUES

PIT_TECHNIQUES: Final = ("slip_lining", "burst_same", "burst_upsized")
"""Techniques that pull or push a pipe in from a pit."""


@dataclass(frozen=True, kw_only=True)
class Facts:
    """Tables with whole answers; `street`, `run`, `tree` are row positions.

    Attributes
    ----------
    streets : pandas.DataFrame
        label, is_named.
    runs : geopandas.GeoDataFrame
        run_id, technique (empty where not decided), street, length_m, geometry.
    trees : geopandas.GeoDataFrame
        tree_id, species, crown_diameter_m, protection, veteran (yes, no, unknown),
        trench (severity, unknown, or idle where only sewers that stay cross its zone),
        plan (clear, touched, trench, unknown), geometry.
    tree_streets : pandas.DataFrame
        tree, street, trench (as above): what a trench in that street would do.
    pits : geopandas.GeoDataFrame
        pit_id, street, technique, surface (kind or empty), parking_m2 (NaN where the surface is
        not known), length_m, width_m, geometry.
    digs : geopandas.GeoDataFrame
        street, geometry; small excavations only, work by robot left out.
    strings : pandas.DataFrame
        street, length_m.
    trenches : pandas.DataFrame
        street, parking_m2 (NaN where the surface is not known); runs that are dug up only.
    """

    streets: pd.DataFrame
    runs: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    tree_streets: pd.DataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    strings: pd.DataFrame
    trenches: pd.DataFrame


def collect_facts(tables: PublicTables, settings: PublicSettings) -> Facts:
    """Bring the reduced tables together, street by street.

    Parameters
    ----------
    tables : PublicTables
        Reduced tables.
    settings : PublicSettings
        Reaches and sizes.

    Returns
    -------
    Facts
        See the class.
    """
    streets, street = name_streets(
        tables.runs,
        tables.surfaces,
        tables.strings,
        street_reach_m=settings.street_reach_m,
        area_size_m=settings.area_size_m,
    )
    runs = tables.runs[["run_id", "geometry"]].assign(
        technique=_techniques(tables.runs, tables.advice),
        street=street,
        length_m=tables.runs.geometry.length,
    )
    digs = _dig_facts(tables.digs, runs)
    pits = _pit_facts(tables, runs)
    trees, tree_streets = _tree_facts(tables, runs, pits, digs, settings.tree_reach_m)
    return Facts(
        streets=streets,
        runs=runs,
        trees=trees,
        tree_streets=tree_streets,
        pits=pits,
        digs=digs,
        strings=_string_facts(tables.strings, runs),
        trenches=_trench_facts(tables.trenches, runs, tables.surfaces),
    )


def _techniques(runs: gpd.GeoDataFrame, advice: pd.DataFrame) -> NDArray[np.object_]:
    """Give the technique of each run; empty text where none is known."""
    known = advice[advice["technique"].isin(list(TECHNIQUES)).to_numpy()].drop_duplicates("run_id")
    chosen = pd.Series(known["technique"].astype(str).to_numpy(object), index=known["run_id"])
    return np.asarray(runs["run_id"].map(chosen).fillna("").to_numpy(object))


def _string_facts(strings: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give street and length of each string; a string counts in the street of its first run."""
    first = list_members(strings).drop_duplicates("string_id")
    street = pd.Series(runs["street"].to_numpy(), index=runs["run_id"])
    length = pd.Series(strings["length_m"].to_numpy(), index=strings["string_id"])
    return pd.DataFrame(
        {
            "street": first["run_id"].map(street),
            "length_m": pd.to_numeric(first["string_id"].map(length)),
        }
    ).dropna()


def _dig_facts(digs: gpd.GeoDataFrame, runs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the digs that open the ground, each in the street of its run or of the nearest."""
    opened = digs[(digs["method"].astype(object) != "robot").to_numpy()].reset_index(drop=True)
    if runs.empty:
        return opened.iloc[:0][["geometry"]].assign(street=pd.Series(dtype=np.int64))
    street = runs["street"].to_numpy()[place_works(opened, runs)]
    return opened[["geometry"]].assign(street=street)


def _pit_facts(tables: PublicTables, runs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give each pit its street, technique, surface and share of parking."""
    pits = tables.pits
    if runs.empty:
        pits = pits.iloc[:0]
        run = np.zeros(0, dtype=np.int64)
    else:
        run = place_works(pits, runs)
    surface, parking_m2 = _surface_under(pits, tables.surfaces)
    return pits[["geometry"]].assign(
        pit_id=clean_text(pits["pit_id"]),
        length_m=pd.to_numeric(pits["length_m"]),
        width_m=pd.to_numeric(pits["width_m"]),
        street=runs["street"].to_numpy()[run],
        technique=runs["technique"].to_numpy(object)[run],
        surface=surface,
        parking_m2=parking_m2,
    )


def _area_by_kind(shapes: gpd.GeoSeries, surfaces: gpd.GeoDataFrame) -> pd.DataFrame:
    """Measure how much of each kind of surface lies under each shape, in m2.

    Parameters
    ----------
    shapes : geopandas.GeoSeries
        Polygons, n of them.
    surfaces : geopandas.GeoDataFrame
        kind, geometry.

    Returns
    -------
    pandas.DataFrame
        One column per kind; index the positions of the shapes that lie on a known surface.
        Surfaces of one kind that overlap count once.
    """
    known = surfaces[surfaces["kind"].astype(object).isin(SURFACE_KINDS).to_numpy()]
    if shapes.empty or known.empty:
        return pd.DataFrame()
    shape, surface = known.sindex.query(shapes.to_numpy(), predicate="intersects")
    part = shapely.intersection(
        shapes.to_numpy()[shape], shapely.make_valid(known.geometry.to_numpy()[surface])
    )
    kind = known["kind"].astype(str).to_numpy(object)[surface]
    pieces = gpd.GeoDataFrame({"shape": shape, "kind": kind}, geometry=part)
    union = pieces.groupby(["shape", "kind"], sort=True)["geometry"].agg(
        lambda parts: shapely.area(shapely.union_all(parts.to_numpy()))
    )
    table: pd.DataFrame = union.astype(float).unstack(fill_value=0.0)
    return table


def _surface_under(
    pits: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame
) -> tuple[NDArray[np.object_], NDArray[np.float64]]:
    """Give the kind of surface with the largest part of each pit, and the parking it takes."""
    kind = np.full(len(pits), "", dtype=object)
    area = _area_by_kind(pits.geometry, surfaces)
    if len(area):
        kind[area.index] = area.idxmax(axis=1).to_numpy(object)
    return kind, _parking(area, len(pits))


def _parking(area: pd.DataFrame, count: int) -> NDArray[np.float64]:
    """Give the parking under each shape, in m2; NaN where no surface is known."""
    parking_m2 = np.full(count, np.nan)
    if len(area):
        none = pd.Series(0.0, index=area.index)
        parking_m2[area.index] = area.get("parking", none).to_numpy(float)
    return parking_m2


def _trench_facts(
    trenches: pd.DataFrame, runs: gpd.GeoDataFrame, surfaces: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Give the parking under the trenches that the plan digs, run by run."""
    dug = runs.loc[(runs["technique"] == "open_cut").to_numpy(), ["run_id", "street"]]
    corridor = trenches.drop_duplicates("run_id").set_index("run_id")["corridor"]
    shapes = gpd.GeoSeries(dug["run_id"].map(corridor).to_numpy(object))
    parking_m2 = _parking(_area_by_kind(shapes, surfaces), len(dug))
    return pd.DataFrame({"street": dug["street"].to_numpy(np.int64), "parking_m2": parking_m2})


def _tree_facts(
    tables: PublicTables,
    runs: gpd.GeoDataFrame,
    pits: gpd.GeoDataFrame,
    digs: gpd.GeoDataFrame,
    reach_m: float,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Say of each tree what a trench would do and what the plan does; keep those in a street."""
    trees = tables.trees
    pairs = pair_trees(
        trees, runs, runs["street"].to_numpy(np.int64), tables.breaches, reach_m=reach_m
    )
    cuts = _list_cuts(tables.breaches, runs, trees)
    assessed = _has_zone(trees, tables.zones)
    known = pairs[["tree", "street"]]
    pair_rank = cuts.groupby(["tree", "street"])["rank"].max()
    pair_rank = pair_rank.reindex(pd.MultiIndex.from_frame(known)).reset_index(drop=True)
    known = known.assign(trench=_trench_words(pair_rank, assessed[known["tree"].to_numpy()]))
    worst = cuts.groupby("tree")["rank"].max().reindex(np.arange(len(trees)))
    table = trees[["geometry"]].assign(
        tree_id=clean_text(trees["tree_id"]),
        species=clean_text(trees["species"]),
        crown_diameter_m=pd.to_numeric(trees["crown_diameter_m"]),
        protection=_yes_no(trees["is_protected"]),
        veteran=_yes_no(trees["is_veteran"]),
        trench=_trench_words(worst, assessed),
        plan=_plan_words(
            assessed,
            _is_touched(trees, tables.zones, pits, digs),
            cuts.loc[(cuts["technique"] == "open_cut").to_numpy(), "tree"].to_numpy(np.int64),
            known.loc[known["street"].isin(_open_streets(runs, pits)), "tree"].to_numpy(np.int64),
        ),
    )
    kept = np.unique(known["tree"].to_numpy(np.int64))
    place = np.full(len(trees), -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    known = known.assign(tree=place[known["tree"].to_numpy(np.int64)])
    return table.iloc[kept].reset_index(drop=True), known.reset_index(drop=True)


def _plan_words(
    assessed: NDArray[np.bool_],
    touched: NDArray[np.bool_],
    in_trench: NDArray[np.int64],
    open_question: NDArray[np.int64],
) -> NDArray[np.object_]:
    """Say what the plan does to each tree: the worst that is known, and clear only if all is."""
    is_open = ~assessed
    is_open[open_question] = True
    plan = np.where(is_open, "unknown", "clear").astype(object)
    plan[touched] = "touched"
    plan[in_trench] = "trench"
    return plan


def _open_streets(runs: gpd.GeoDataFrame, pits: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """List the streets with an undecided run, or with a need for pits but no pit yet."""
    undecided = runs.loc[(runs["technique"] == "").to_numpy(), "street"]
    needing = runs.loc[runs["technique"].isin(PIT_TECHNIQUES), "street"]
    unplaced = needing[~needing.isin(pits["street"])]
    return np.unique(np.concatenate([undecided.to_numpy(), unplaced.to_numpy()])).astype(np.int64)


def _list_cuts(
    breaches: pd.DataFrame, runs: gpd.GeoDataFrame, trees: gpd.GeoDataFrame
) -> pd.DataFrame:
    """List the breaches: tree, street, technique, rank.

    The rank is 0 where the run stays as it is, so that no trench would be dug, and 1 minor, 2
    major, 3 structural elsewhere. Breaches of severity none are left out.
    """
    rank = pd.Series(np.arange(len(SEVERITIES)), index=list(SEVERITIES))
    tree_row = pd.Series(np.arange(len(trees)), index=trees["tree_id"].to_numpy(object))
    run = runs.drop(columns="geometry").set_index("run_id")
    cuts = pd.DataFrame(
        {
            "tree": breaches["tree_id"].map(tree_row),
            "street": breaches["run_id"].map(run["street"]),
            "technique": breaches["run_id"].map(run["technique"]),
            "rank": breaches["severity"].astype(object).map(rank),
        }
    ).dropna()
    cuts = cuts.astype({"tree": np.int64, "street": np.int64, "rank": np.int64})
    cuts = cuts[(cuts["rank"] > 0).to_numpy()]
    idle = (cuts["technique"] == "monitor").to_numpy()
    return cuts.assign(rank=np.where(idle, 0, cuts["rank"]))


def _trench_words(rank: pd.Series, assessed: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Write ranks as severities; without a rank a tree is clear only if it has a zone."""
    words = np.array(["idle", *SEVERITIES[1:]], dtype=object)
    missing = np.where(assessed, "none", "unknown").astype(object)
    found = words[rank.fillna(0).to_numpy().astype(np.int64)]
    return np.asarray(np.where(rank.isna().to_numpy(), missing, found))


def _has_zone(trees: gpd.GeoDataFrame, zones: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which trees have a root protection zone of known size."""
    radius = pd.to_numeric(zones["radius_m"]).notna() | zones["zone"].notna()
    return np.asarray(trees["tree_id"].isin(zones.loc[radius.to_numpy(), "tree_id"]), dtype=bool)


def _is_touched(
    trees: gpd.GeoDataFrame,
    zones: pd.DataFrame,
    pits: gpd.GeoDataFrame,
    digs: gpd.GeoDataFrame,
) -> NDArray[np.bool_]:
    """Tell which trees have a pit or small dig in their root protection zone."""
    touched = np.zeros(len(trees), dtype=bool)
    holes = gpd.GeoSeries(np.concatenate([pits.geometry.to_numpy(), digs.geometry.to_numpy()]))
    one = zones.drop_duplicates("tree_id").set_index("tree_id")
    if holes.empty or one.empty or trees.empty:
        return touched
    stems = trees.geometry.to_numpy()
    radius = pd.to_numeric(trees["tree_id"].map(one["radius_m"])).to_numpy(float, na_value=np.nan)
    outline = trees["tree_id"].map(one["zone"]).to_numpy(object)
    drawn = np.array([isinstance(shape, shapely.Geometry) for shape in outline], dtype=bool)
    round_ = np.flatnonzero(~np.isnan(radius) & ~drawn)
    hit, _ = holes.sindex.query(stems[round_], predicate="dwithin", distance=radius[round_])
    touched[round_[hit]] = True
    outlined = np.flatnonzero(drawn)
    hit, _ = holes.sindex.query(outline[outlined], predicate="intersects")
    touched[outlined[hit]] = True
    return touched


def _yes_no(values: pd.Series) -> NDArray[np.object_]:
    """Write truth values as yes, no and unknown; anything else is unknown."""
    flags = values.astype(object)
    truth = flags.map({True: "yes", False: "no"})
    return np.asarray(truth.astype(object).where(truth.notna(), "unknown").to_numpy(object))
