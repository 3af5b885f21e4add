"""Sizes of trees as arrays: what the zone rules take, with every gap filled and marked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import Flags, Floats
from routekit.layers.assumed import CROWN, LEAST_CROWN, is_assumed
from routekit.layers.findings import Findings
from routekit.trees.estimates import crown_from_stem
from routekit.trees.radii import factor_by_tolerance
from routekit.trees.regimes import Regime, read_table
from routekit.trees.settings import ZoneSettings
from routekit.words.texts import fill, message, say, word

Geometries = NDArray[np.object_]

TOLERANCES: Final = {
    "good": message("good"),
    "moderate": message("moderate"),
    "poor": message("poor"),
}
"""Tolerances of the factor tables to their words."""

AGES: Final = {
    message("young"): "young",
    message("mature"): "mature",
    message("over-mature"): "over_mature",
}
"""Age classes of the factor tables, by their plain words."""


class Crowns(NamedTuple):
    """What is known of the crowns of n trees.

    Attributes
    ----------
    polygon : numpy.ndarray of object, shape (n,)
        Polygons, None where there is none.
    diameter_m : numpy.ndarray of float, shape (n,)
        Diameters in m, NaN where not known.
    is_stand_in, is_least : numpy.ndarray of bool, shape (n,)
        Whether the diameter is a constant or the lower end of a class, or that end alone.
    """

    polygon: Geometries
    diameter_m: Floats
    is_stand_in: Flags
    is_least: Flags


@dataclass(frozen=True, kw_only=True)
class TreeSizes:
    """Arrays of shape (n,), in the order of the trees."""

    stems: pd.DataFrame
    """As `routekit.trees.stems.resolve_stems` returns it."""
    crown_m: Floats
    """Crown diameters in m; estimated from the stem where not known."""
    is_crown_estimated: Flags
    crown: Geometries
    """Crown polygons, None where there is none."""
    crown_reach_m: Floats
    """Distances in m from the stem to the furthest edge of the crown; NaN where not known."""
    is_columnar: Flags
    is_veteran: Flags
    is_palm: Flags
    factor: Floats | None
    """Zone radius per stem diameter where it differs from tree to tree."""
    factor_note: NDArray[np.object_]
    """Words on tolerance and age for the basis; empty where the factor is the same for all."""

    @property
    def stem_mm(self) -> Floats:
        """Stem diameters in mm that draw the zones."""
        return self.stems["stem_mm"].to_numpy(dtype=np.float64)


def gather_sizes(
    trees: gpd.GeoDataFrame,
    stems: pd.DataFrame,
    crowns: Crowns,
    *,
    regime: Regime,
    settings: ZoneSettings,
    findings: Findings,
) -> TreeSizes:
    """Gather the sizes of all trees, and fill crowns that are not known.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        Columns tree_id and geometry (stem points); any of stem_height_m, species, age_class,
        is_columnar, is_veteran.
    stems : pandas.DataFrame
        From `routekit.trees.stems.resolve_stems`.
    crowns : Crowns
        From `read_crowns`.
    regime : Regime
        The rules in force.
    settings : ZoneSettings
        How gaps are filled.
    findings : Findings
        Takes what was left out.

    Returns
    -------
    TreeSizes
        Arrays in the order of `trees`.
    """
    crown, known_m = crowns.polygon, crowns.diameter_m
    estimate_m = crown_from_stem(stems["stem_mm"], settings)[2]
    is_estimated = (np.isnan(known_m) & np.isfinite(estimate_m)) | crowns.is_stand_in
    is_open = np.isnan(known_m) | crowns.is_least
    crown_m = np.where(is_open, np.fmax(estimate_m, known_m), known_m)
    is_veteran = _read_flags(trees, "is_veteran")
    factor, note = _choose_factors(trees, regime, settings, findings)
    _add_other_heights(findings, trees, regime, settings)
    return TreeSizes(
        stems=stems,
        crown_m=crown_m,
        is_crown_estimated=is_estimated,
        crown=crown,
        crown_reach_m=_measure_reach(trees, crown, known_m, is_veteran),
        is_columnar=_read_flags(trees, "is_columnar"),
        is_veteran=is_veteran,
        is_palm=_find_palms(trees),
        factor=factor,
        factor_note=note,
    )


def read_polygons(column: pd.Series | None, n: int) -> Geometries:
    """Take a column of polygons; whatever is not a filled polygon becomes None.

    Parameters
    ----------
    column : pandas.Series or None, shape (n,)
        Geometries or nulls; None where the table has no such column.
    n : int
        Number of rows.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Polygons and multi-polygons, None elsewhere.
    """
    polygons = np.full(n, None, dtype=object)
    if column is None:
        return polygons
    shapes = np.asarray(column, dtype=object)
    is_shape = shapely.is_geometry(shapes)
    polygons[is_shape] = shapes[is_shape]
    is_area = np.isin(shapely.get_type_id(polygons), (3, 6)) & ~shapely.is_empty(polygons)
    polygons[~is_area] = None
    return polygons


def read_crowns(trees: gpd.GeoDataFrame, findings: Findings) -> Crowns:
    """Read what is known of the crowns.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        Column tree_id; any of crown_diameter_m, crown (polygon or None), assumed.
    findings : Findings
        Takes diameters that are left out.

    Returns
    -------
    Crowns
        The diameter from the polygon's area where only that is given.
    """
    polygon = read_polygons(trees.get("crown", None), len(trees))
    diameter_m, is_bad = _read_diameters(trees, polygon)
    findings.add(
        "warning",
        "trees",
        trees["tree_id"][is_bad],
        field="crown_diameter_m",
        seen=say("a crown diameter that is not above 0"),
        done=say("left out"),
    )
    names = trees.get("assumed", pd.Series("", trees.index))
    is_stand_in, is_least = (
        is_assumed(names, fields) & shapely.is_missing(polygon) & ~np.isnan(diameter_m)
        for fields in (CROWN, (LEAST_CROWN,))
    )
    return Crowns(polygon, diameter_m, is_stand_in, is_least)


def _read_diameters(trees: gpd.GeoDataFrame, crown: Geometries) -> tuple[Floats, Flags]:
    """Read crown diameters in m, from the polygon's area where only that is given."""
    by_area = 2 * np.sqrt(shapely.area(crown) / np.pi)
    if "crown_diameter_m" not in trees:
        return by_area, np.zeros(len(trees), dtype=bool)
    given = trees["crown_diameter_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    is_bad = (given <= 0) | np.isinf(given)
    given = np.where(is_bad, np.nan, given)
    return np.where(np.isnan(given), by_area, given), is_bad


def _measure_reach(
    trees: gpd.GeoDataFrame, crown: Geometries, crown_m: Floats, is_wanted: Flags
) -> Floats:
    """Measure from stem to furthest crown edge: half the diameter, or to the polygon's corners."""
    reach = crown_m / 2
    rows = np.flatnonzero(is_wanted & ~shapely.is_missing(crown))
    if rows.size:
        points = np.asarray(trees.geometry)[rows]
        reach[rows] = shapely.hausdorff_distance(points, crown[rows])
    return reach


def _read_flags(trees: pd.DataFrame, column: str) -> Flags:
    """Read a column of flags; null and missing columns are False."""
    if column not in trees:
        return np.zeros(len(trees), dtype=bool)
    return trees[column].astype("boolean").fillna(False).to_numpy(dtype=bool)


def _map_words(
    trees: pd.DataFrame, column: str, meaning: Callable[[str], object]
) -> NDArray[np.object_]:
    """Give the meaning of each word of a column; null and missing columns count as empty text."""
    if column not in trees:
        return np.full(len(trees), meaning(""), dtype=object)
    codes, words = pd.factorize(trees[column])
    meanings = [meaning(str(word).strip().lower()) for word in words]
    return np.array([*meanings, meaning("")], dtype=object)[codes]


def _find_palms(trees: pd.DataFrame) -> Flags:
    """Tell palms, cycads and tree ferns by the first word of the species."""
    genera = set(read_table("palm_genera.csv")["genus"])
    return _map_words(trees, "species", lambda name: _genus(name) in genera).astype(bool)


def _choose_factors(
    trees: pd.DataFrame, regime: Regime, settings: ZoneSettings, findings: Findings
) -> tuple[Floats | None, NDArray[np.object_]]:
    """Choose the factor of each tree by tolerance and age, where the regime asks for it."""
    if regime.kind != "species_age":
        return None, np.full(len(trees), "", dtype=object)
    listed = {name.lower(): level for name, level in settings.species_tolerance.items()}
    words: dict[str, str] = {_plain(word): age for word, age in settings.age_words.items()}
    words |= AGES
    level = _map_words(trees, "species", lambda s: listed.get(s, listed.get(_genus(s))))
    age = _map_words(trees, "age_class", lambda word: words.get(_plain(word)))
    no_level, no_age = pd.isna(level), pd.isna(age)
    level[no_level], age[no_age] = settings.default_tolerance, settings.default_age
    gaps = (
        (
            no_level,
            "species",
            say("tolerance not known for this tree"),
            say("taken as {tolerance}", tolerance=word(TOLERANCES[settings.default_tolerance])),
        ),
        (
            no_age,
            "age_class",
            say("age not known for this tree"),
            say("taken as {age}", age=word(_plain(settings.default_age))),
        ),
    )
    for is_gap, field, seen, done in gaps:
        rows = trees["tree_id"][is_gap]
        findings.add("info", "trees", rows, field=field, seen=seen, done=done)
    plain = {each: plain for plain, each in AGES.items()}
    notes = {
        (by_level, by_age): say(
            "{tolerance} tolerance, {age}",
            tolerance=word(TOLERANCES[by_level]),
            age=word(plain[by_age]),
        )
        for by_level, by_age in set(zip(level, age, strict=True))
    }
    note = fill(notes[key] for key in zip(level, age, strict=True))
    return factor_by_tolerance(level, age, regime), note


def _genus(species: str) -> str:
    """Give the first word of a species."""
    return species.partition(" ")[0]


def _plain(word: str) -> str:
    """Write the parts of a word with a hyphen."""
    return word.replace("_", "-").strip().lower()


def _add_other_heights(
    findings: Findings, trees: pd.DataFrame, regime: Regime, settings: ZoneSettings
) -> None:
    """Report trees whose stem was measured at another height than the regime's."""
    if "stem_height_m" not in trees or regime.stem_height_m is None:
        return
    heights = trees["stem_height_m"].to_numpy(dtype=np.float64, na_value=np.nan)
    limit = settings.stem_height_tolerance_m + 1e-9
    findings.add(
        "info",
        "trees",
        trees["tree_id"][np.abs(heights - regime.stem_height_m) > limit],
        field="stem_height_m",
        seen=say(
            "stem measured at a height other than the {height:g} m of the regime",
            height=regime.stem_height_m,
        ),
        done=say("stem diameter used as measured"),
    )
