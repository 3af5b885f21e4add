"""Root protection zones: one per tree, by the rules of one regime.

A zone is a circle round the stem, the crown with a margin, or the polygon of an arborist, which
wins. All zones of a table come from one regime: shares of zones of different regimes must not
be compared. What is left out: soil, lean, hard surfaces; only an arborist may re-shape a zone.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags
from routekit.errors import CrsError, FieldError
from routekit.layers.assumed import is_assumed
from routekit.layers.findings import Findings
from routekit.layers.stem_columns import NO_LISTS, StemLists
from routekit.trees.drawing import Drawing, draw_by_kind, draw_palms, draw_veterans
from routekit.trees.estimates import narrowest_crown
from routekit.trees.own_zones import ask_about_structural, limit_reach, take_own_zones
from routekit.trees.radii import least_trench_distance, structural_radius, zone_radius
from routekit.trees.regimes import Regime, choose_regime, read_table
from routekit.trees.settings import ZoneSettings
from routekit.trees.sizes import TreeSizes, gather_sizes, read_crowns
from routekit.trees.stems import resolve_stems
from routekit.words.columns import say_each
from routekit.words.texts import Objects, Text, both, fill, say

__all__ = ["build_zones", "structural_radius", "zone_radius"]

ZONE_COLUMNS = (
    "tree_id",
    "shape",
    "radius_m",
    "area_m2",
    "structural_radius_m",
    "min_distance_m",
    "regime",
    "basis",
    "basis_words",
    "structural_basis",
    "structural_basis_words",
    "is_capped",
    "is_estimated",
    "estimated",
    "stem_source",
    "is_stem_estimated",
    "stem_low_mm",
    "stem_mid_mm",
    "stem_high_mm",
    "zone",
    "geometry",
)
"""Columns of the table of zones, in order."""

SHAPE_TYPE = pd.CategoricalDtype(["circle", "polygon"])

_WHOLE_ZONE = say("not known: as large as the zone, so that any breach counts as structural")
_ESTIMATED = pd.CategoricalDtype(["", "stem", "crown", "stem; crown"])
_PALM, _WHOLE = 1, 2
"""What a structural radius rests on in place of the regime's rule."""


def build_zones(
    trees: gpd.GeoDataFrame,
    root_zones: gpd.GeoDataFrame | None,
    *,
    settings: ZoneSettings,
    lists: StemLists = NO_LISTS,
    stated: ArrayLike = (),
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Draw the root protection zone of every tree.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        Trees in a metric CRS: tree_id (unique) and geometry (stem points); any of
        stem_diameter_mm, stem_height_m, crown_diameter_m, crown (polygon
        or None), species, age_class, is_columnar, is_veteran.
    root_zones : geopandas.GeoDataFrame or None
        Polygons of an arborist with tree_id, in the CRS of the trees; by and reason (text) if
        stated. They win; the basis says who drew them, why, and what the regime would give.
    settings : ZoneSettings
        The regime and how gaps are filled.
    lists : StemLists, optional
        The stems of the trees that have several.
    stated : array_like of str, optional
        Ids of trees whose stem a person decided on: it stands, however thin for its crown.

    Returns
    -------
    zones : geopandas.GeoDataFrame
        One row per tree, index and order of `trees`: tree_id, shape (circle, polygon), radius_m
        (NaN for polygons and unknown zones), area_m2, structural_radius_m, min_distance_m (least
        distance of digging from the stem, 0 where the regime has none), regime, basis,
        structural_basis and their statements, is_capped, is_estimated (the stem, or a crown that
        shapes the zone, is an estimate, or no one says whether it is columnar), estimated (which of
        them: stem, crown), stem_source,
        is_stem_estimated (missing where the source is not known), stem_low_mm, stem_mid_mm,
        stem_high_mm, zone (polygon, None for circles), geometry (stem point). Empty trees give an
        empty table.
    findings : pandas.DataFrame
        Columns severity, layer, row, field, seen, done.

    Raises
    ------
    StudyError
        If the regime cannot be used.
    FieldError
        If `trees` or `root_zones` has no tree_id, or an id of a tree is not unique.
    CrsError
        If the two tables are not in one CRS.

    Examples
    --------
    >>> stem = gpd.points_from_xy([0.0], [0.0], crs="EPSG:25832")
    >>> trees = gpd.GeoDataFrame({"tree_id": ["T1"], "stem_diameter_mm": [400.0]}, geometry=stem)
    >>> zones, findings = build_zones(trees, None, settings=ZoneSettings())
    >>> zones[["radius_m", "regime"]].values.tolist()
    [[4.8, 'bs5837_2012']]
    """
    _check_tables(trees, root_zones)
    regime = choose_regime(settings)
    findings = Findings()
    crowns = read_crowns(trees, findings)
    stems = resolve_stems(
        trees,
        crowns.diameter_m,
        regime=regime,
        settings=settings,
        findings=findings,
        lists=lists,
        stated=stated,
    )
    sizes = gather_sizes(trees, stems, crowns, regime=regime, settings=settings, findings=findings)
    drawing = draw_by_kind(sizes, regime)
    drawing = draw_palms(drawing, sizes, regime)
    drawing = draw_veterans(drawing, sizes, regime)
    drawing = take_own_zones(
        drawing, trees, root_zones, limit_reach(sizes.stem_mm, drawing, settings), findings
    )
    zones = _name_columns(trees, drawing, sizes, regime, settings)
    ask_about_structural(findings, zones)
    _add_rule_gaps(findings, zones, drawing, sizes, regime)
    _add_narrow_crowns(findings, trees["tree_id"], drawing, sizes, settings)
    return zones, findings.table()


def _check_tables(trees: gpd.GeoDataFrame, root_zones: gpd.GeoDataFrame | None) -> None:
    """Refuse tables without ids, with duplicate tree ids, or in two CRS."""
    for name, table in (("trees", trees), ("root_zones", root_zones)):
        if table is not None and "tree_id" not in table:
            raise FieldError(f"tree_id is missing; layer {name}; map the field in the study file")
    doubled = trees["tree_id"][trees["tree_id"].duplicated()].astype("str")
    if len(doubled):
        raise FieldError(
            f"{len(doubled)} duplicate tree ids; layer trees, field tree_id, first "
            f"{', '.join(doubled[:5])}; give each tree a unique id"
        )
    if root_zones is not None and len(root_zones) and root_zones.crs != trees.crs:
        raise CrsError(
            f"root_zones are in {root_zones.crs}, trees in {trees.crs}; layer root_zones; "
            "bring both to the working CRS"
        )


def _name_columns(
    trees: gpd.GeoDataFrame,
    drawing: Drawing,
    sizes: TreeSizes,
    regime: Regime,
    settings: ZoneSettings,
) -> gpd.GeoDataFrame:
    """Put the drawn zones into the table of zones."""
    stem, stems = sizes.stem_mm, sizes.stems
    has_polygon = ~shapely.is_missing(drawing.polygon)
    area = np.where(has_polygon, shapely.area(drawing.polygon), np.pi * drawing.radius_m**2)
    structural = structural_radius(stem, regime, is_one_sided=settings.is_one_sided)
    if regime.structural_is_indicator:
        structural = np.fmin(structural, np.where(np.isnan(stem), np.nan, drawing.radius_m))
    basis = np.zeros(len(trees), dtype=np.intp)
    if regime.palm_margin_m is not None:
        structural[sizes.is_palm] = np.nan
        basis[sizes.is_palm] = _PALM
    whole_m = np.fmax(
        drawing.radius_m, shapely.hausdorff_distance(np.asarray(trees.geometry), drawing.polygon)
    )
    lacking = np.isnan(structural) & np.isfinite(stem) & np.isfinite(whole_m)
    lacking &= basis != _PALM
    if lacking.any():
        # Beyond the last class of the table: the whole zone, and no less than that class.
        last_mm = read_table(str(regime.stem_table))["stem_diameter_mm"].max()
        last_m = structural_radius(last_mm, regime, is_one_sided=settings.is_one_sided)
        structural[lacking] = np.fmax(whole_m, last_m)[lacking]
    basis[lacking] = _WHOLE
    by_stem = stems["is_stem_estimated"].to_numpy(dtype=bool)
    by_crown = drawing.is_crown_used & (sizes.is_crown_estimated | _lacks_form(trees, regime))
    guessed: NDArray[np.int8] = by_stem.astype(np.int8) + 2 * by_crown.astype(np.int8)
    return gpd.GeoDataFrame(
        {
            "tree_id": trees["tree_id"],
            "shape": pd.Series(np.where(has_polygon, "polygon", "circle"), trees.index).astype(
                SHAPE_TYPE
            ),
            "radius_m": drawing.radius_m,
            "area_m2": area,
            "structural_radius_m": structural,
            "min_distance_m": least_trench_distance(
                stem, regime, is_one_sided=settings.is_one_sided
            ),
            "regime": pd.Series(regime.name, trees.index, dtype=pd.CategoricalDtype([regime.name])),
            **_write_basis(drawing.basis, basis, regime, trees.index),
            "is_capped": drawing.is_capped,
            "is_estimated": by_stem | by_crown,
            "estimated": pd.Categorical.from_codes(guessed, dtype=_ESTIMATED),
            "stem_source": stems["stem_source"],
            "is_stem_estimated": _tell_estimated(stems),
            "stem_low_mm": stems["stem_low_mm"],
            "stem_mid_mm": stems["stem_mid_mm"],
            "stem_high_mm": stems["stem_high_mm"],
            "zone": gpd.GeoSeries(drawing.polygon, index=trees.index, crs=trees.crs),
            "geometry": trees.geometry,
        },
        index=trees.index,
        geometry="geometry",
        crs=trees.crs,
    )


def _lacks_form(trees: gpd.GeoDataFrame, regime: Regime) -> Flags:
    """Tell which trees are not known to be columnar or not, where that widens the zone."""
    if "is_columnar" not in trees or regime.columnar_margin_m == regime.margin_m:
        return np.zeros(len(trees), dtype=bool)
    names = trees.get("assumed", pd.Series("", trees.index))
    return np.asarray(trees["is_columnar"].isna() | is_assumed(names, ("is_columnar",)), dtype=bool)


def _tell_estimated(stems: pd.DataFrame) -> pd.arrays.BooleanArray:
    """Tell of each tree whether its stem was estimated; missing where nothing is known of it."""
    return pd.arrays.BooleanArray(
        stems["is_stem_estimated"].to_numpy(dtype=bool),
        (stems["stem_source"] == "unknown").to_numpy(dtype=bool),
    )


def _write_basis(
    drawn: Objects, structural: NDArray[np.intp], regime: Regime, index: pd.Index
) -> dict[str, Any]:
    """Write how zone and structural zone were worked out: English and statements."""
    inner = (_describe_structural(regime), _no_structural(regime), _WHOLE_ZONE)
    named = both("structural_basis", fill(inner)[structural])
    words = both("basis", drawn)
    return {name: pd.Series(column, index, dtype="str") for name, column in words.items()} | {
        name: pd.Categorical(column) for name, column in named.items()
    }


def _no_structural(regime: Regime) -> Text:
    """Say that palms have no structural zone."""
    return say("none for palms and the like, {rule}", rule=regime.short)


def _describe_structural(regime: Regime) -> Text:
    """Say where the structural radius comes from."""
    rule = {
        "mattheck": say("from the stem radius (Mattheck & Breloer 1994)"),
        "stem_table": say("stem-class table"),
    }[regime.structural_rule]
    if regime.structural_is_indicator:
        return say(
            "indicator only, {from_where}; {rule} names no structural zone",
            from_where=rule,
            rule=regime.short,
        )
    return say("{from_where}, {rule}", from_where=rule, rule=regime.short)


def _add_narrow_crowns(
    findings: Findings,
    tree_id: pd.Series,
    drawing: Drawing,
    sizes: TreeSizes,
    settings: ZoneSettings,
) -> None:
    """Report zones drawn from a crown that is far too narrow for its stem."""
    is_measured = ~sizes.is_crown_estimated & ~sizes.stems["is_stem_estimated"].to_numpy(dtype=bool)
    is_narrow = sizes.crown_m < narrowest_crown(sizes.stem_mm, settings)
    is_told = is_narrow & is_measured
    is_told &= drawing.is_crown_used & ~sizes.is_columnar & ~sizes.is_palm
    findings.add(
        "warning",
        "trees",
        tree_id[is_told],
        field="crown_diameter_m",
        seen=say_each(
            "a crown {crown:.1f} m wide on a stem of {stem:.0f} mm",
            crown=sizes.crown_m[is_told],
            stem=sizes.stem_mm[is_told],
        ),
        done=say(
            "zone drawn from it as it is: a tree that was cut back keeps its roots; let an "
            "arborist draw the zone"
        ),
    )


def _add_rule_gaps(
    findings: Findings,
    zones: gpd.GeoDataFrame,
    drawing: Drawing,
    sizes: TreeSizes,
    regime: Regime,
) -> None:
    """Report where the regime had no answer for a tree, or an estimated crown shaped the zone."""
    tree_id = zones["tree_id"]
    has_stem = np.isfinite(sizes.stem_mm)
    is_drawn = np.isfinite(zones["area_m2"].to_numpy())
    is_palm = sizes.is_palm & (regime.palm_margin_m is not None)
    has_structural = np.isfinite(zones["structural_radius_m"].to_numpy())
    no_veteran_rule = sizes.is_veteran & (regime.veteran_factor is None)
    by_estimate = drawing.is_crown_used & sizes.is_crown_estimated
    by_estimate &= np.isnan(sizes.crown_reach_m)
    kinds = (
        (
            by_estimate,
            "info",
            "crown_diameter_m",
            say("no crown"),
            say("estimated from the stem, high value"),
        ),
        (
            no_veteran_rule,
            "info",
            "is_veteran",
            say("no veteran rule in the regime"),
            say("ordinary zone"),
        ),
        (
            is_palm,
            "info",
            "species",
            say("palm or the like"),
            say("no structural radius in the regime"),
        ),
        (
            (zones["structural_basis"] == str(_WHOLE_ZONE)).to_numpy()
            | (has_stem & ~has_structural & ~is_palm),
            "warning",
            "stem_diameter_mm",
            say("stem beyond the stem-class table, or no zone"),
            say("any breach counts as structural; ask an arborist"),
        ),
        (
            has_stem & ~is_drawn,
            "warning",
            "stem_diameter_mm",
            say("the regime gives no zone for this tree"),
            say("zone left unknown; ask an arborist"),
        ),
    )
    for mask, severity, field, seen, done in kinds:
        findings.add(severity, "trees", tree_id[mask], field=field, seen=seen, done=done)
