"""Zones that an arborist drew: they win, and what looks wrong in them is asked about."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import Flags, Floats
from routekit.layers.findings import Findings
from routekit.trees.drawing import Drawing
from routekit.trees.settings import ZoneSettings
from routekit.trees.sizes import Geometries, read_polygons
from routekit.vocabulary import MM_PER_M
from routekit.words.apart import write_rows_apart
from routekit.words.columns import say_each
from routekit.words.texts import join, say

OWN_BASIS: Final = "arborist's polygon"
"""How the basis of a zone begins in English that a person drew."""

_SAME_AREA: Final = 1e-6
_LEFT_OUT_M2: Final = 0.05
"""Less than this of a structural root zone outside an outline is its drawing (house choice)."""

_MEETS_RULE: Final = 2.0
"""Twice as wide as the rule draws it, a zone is never too wide (house choice)."""


def limit_reach(stem_mm: Floats, drawing: Drawing, settings: ZoneSettings) -> Floats:
    """Give how far from the stem a zone drawn by a person may plausibly reach.

    Parameters
    ----------
    stem_mm : numpy.ndarray of float, shape (n,)
        Stem diameters; NaN is taken as the thickest that a stem of unknown size may be.
    drawing : Drawing
        The zones that the regime draws.
    settings : ZoneSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Metres: the spread of roots by the stem, but never less than twice the circle of the
        regime's own area.
    """
    stem = np.where(np.isnan(stem_mm), settings.unknown_stem_mm, stem_mm)
    circle_m = np.sqrt(_formula_areas(drawing) / np.pi)
    by_rule = np.fmax(_MEETS_RULE * circle_m, settings.own_zone_least_m)
    return np.fmax(settings.own_zone_stems * stem / MM_PER_M, by_rule)


def take_own_zones(
    drawing: Drawing,
    trees: gpd.GeoDataFrame,
    root_zones: gpd.GeoDataFrame | None,
    reach_m: Floats,
    findings: Findings,
) -> Drawing:
    """Put an arborist's polygons in place of the computed zones.

    Parameters
    ----------
    drawing : Drawing
        The zones that the regime draws, n trees.
    trees : geopandas.GeoDataFrame, n rows
        tree_id and stem points.
    root_zones : geopandas.GeoDataFrame or None
        Polygons with tree_id; by and reason if stated.
    reach_m : numpy.ndarray of float, shape (n,)
        From `limit_reach`.
    findings : Findings
        Takes what was left out, and what has to be asked about.

    Returns
    -------
    Drawing
    """
    if root_zones is None or root_zones.empty:
        return drawing
    own_id = root_zones["tree_id"].astype("str").fillna("").reset_index(drop=True)
    shapes = read_polygons(root_zones.geometry, len(root_zones))
    is_bad = shapely.is_missing(shapes) | ~shapely.is_valid(shapes)
    row = pd.Index(trees["tree_id"].astype("str")).get_indexer(own_id)
    is_used = ~is_bad & (row >= 0)
    is_doubled = own_id[is_used].duplicated(keep=False)
    united = gpd.GeoSeries(shapes[is_used]).groupby(row[is_used]).agg(shapely.union_all)
    rows = united.index.to_numpy(dtype=np.intp)
    own = united.to_numpy()
    stated = _join_statements(root_zones.reset_index(drop=True)[is_used], row[is_used])
    formula_m2 = _formula_areas(drawing)[rows]
    kinds = (
        (own_id[row < 0], "warning", say("no tree with this id"), say("polygon left out")),
        (
            own_id[is_bad],
            "warning",
            say("not a valid polygon"),
            say("left out; the computed zone stays"),
        ),
        (
            own_id[is_used][is_doubled].drop_duplicates(),
            "info",
            say("several polygons"),
            say("their union is used"),
        ),
    )
    for ids, severity, seen, done in kinds:
        findings.add(severity, "root_zones", ids, field="tree_id", seen=seen, done=done)
    _ask_about_place(findings, trees, rows, own)
    _ask_about_size(findings, trees.iloc[rows], own, reach_m[rows])
    _add_own_findings(findings, trees["tree_id"].iloc[rows], own, stated, formula_m2)
    return _put_own(drawing, rows, own, _write_own_basis(own, stated, formula_m2))


def find_own(zones: pd.DataFrame) -> pd.Series:
    """Name the trees whose zone is as a person drew it.

    Parameters
    ----------
    zones : DataFrame
        tree_id, basis.

    Returns
    -------
    pandas.Series of str

    Raises
    ------
    KeyError
        If a column is missing.

    Examples
    --------
    >>> rows = pd.DataFrame({"tree_id": ["A", "B"], "basis": ["arborist's polygon, 9 m²", ""]})
    >>> find_own(rows).tolist()
    ['A']
    """
    is_own = zones["basis"].astype("str").fillna("").str.startswith(OWN_BASIS)
    own: pd.Series = zones["tree_id"].astype("str")[is_own.to_numpy(dtype=bool)]
    return own


def _put_own(
    drawing: Drawing, rows: NDArray[np.intp], own: Geometries, basis: list[str]
) -> Drawing:
    """Give some rows their own polygon and its basis."""
    new = Drawing(
        radius_m=drawing.radius_m.copy(),
        polygon=drawing.polygon.copy(),
        basis=drawing.basis.copy(),
        is_capped=drawing.is_capped.copy(),
        is_crown_used=drawing.is_crown_used.copy(),
    )
    new.polygon[rows], new.basis[rows] = own, basis
    new.radius_m[rows], new.is_capped[rows], new.is_crown_used[rows] = np.nan, False, False
    return new


def _formula_areas(drawing: Drawing) -> Floats:
    """Area of each zone that the regime draws, m2; NaN where it draws none."""
    drawn = ~shapely.is_missing(drawing.polygon)
    return np.where(drawn, shapely.area(drawing.polygon), np.pi * drawing.radius_m**2)


def _join_statements(used: pd.DataFrame, row: NDArray[np.intp]) -> pd.DataFrame:
    """Say who drew the polygons of each tree and why: by, reason; blank where not stated."""
    blank = pd.Series("", index=used.index, dtype=object)
    stated = pd.DataFrame(
        {
            name: used[name].astype(object).where(used[name].notna(), "").astype("str").str.strip()
            if name in used
            else blank
            for name in ("by", "reason")
        }
    )
    return stated.groupby(row).agg(_join_texts)


def _join_texts(texts: pd.Series) -> str:
    """Join the texts that are not blank, each once."""
    return "; ".join(dict.fromkeys(filter(None, texts)))


def _write_own_basis(own: Geometries, stated: pd.DataFrame, formula_m2: Floats) -> list[str]:
    """Write who drew each polygon, why, and what the regime would have drawn."""
    rows = zip(shapely.area(own), stated["by"], stated["reason"], formula_m2, strict=True)
    return [
        join(
            [
                join(
                    [
                        say("arborist's polygon, {area:.1f} m²", area=area),
                        say("by {by}", by=by) if by else say("by whom is not stated"),
                        say("because: {reason}", reason=reason)
                        if reason
                        else say("why is not stated"),
                    ],
                    ", ",
                ),
                say("the formula would give {area:.1f} m²", area=formula)
                if formula > 0
                else say("the formula gives none"),
            ],
            "; ",
        )
        for area, by, reason, formula in rows
    ]


def _add_own_findings(
    findings: Findings,
    tree_id: pd.Series,
    own: Geometries,
    stated: pd.DataFrame,
    formula_m2: Floats,
) -> None:
    """Report polygons smaller than the computed zone, and those that say not who or why."""
    area = shapely.area(own)
    small = area < formula_m2 * (1.0 - _SAME_AREA)
    findings.add(
        "warning",
        "root_zones",
        tree_id[small],
        field="geometry",
        seen=say_each(
            "{area:.1f} m², smaller than the {formula:.1f} m² of the formula",
            area=area[small],
            formula=formula_m2[small],
        ),
        done=say("used as drawn: less ground is protected than the regime asks for"),
    )
    gaps = {"by": say("who drew it is not stated"), "reason": say("why is not stated")}
    for name, seen in gaps.items():
        unsaid, done = (stated[name] == "").to_numpy(), say("used as drawn")
        findings.add("warning", "root_zones", tree_id[unsaid], field=name, seen=seen, done=done)


def _ask_about_place(
    findings: Findings, trees: gpd.GeoDataFrame, rows: NDArray[np.intp], own: Geometries
) -> None:
    """Ask about polygons that do not hold the stem of their tree; name a tree that stands there."""
    stems = np.asarray(trees.geometry)
    away_m = shapely.distance(own, stems[rows])
    is_away = away_m > 0
    place, inside = shapely.STRtree(stems).query(own[is_away], predicate="contains")
    first = pd.Series(inside).groupby(place).min().reindex(range(int(is_away.sum())))
    names = trees["tree_id"].astype("str").to_numpy(dtype=object)
    done = say(
        "used as drawn, and the ground round the stem is not protected: check that the outline was "
        "drawn for this tree; if not, write the right name in tree_id; if so, draw it round the "
        "stem"
    )
    asked, off_m = names[rows[is_away]], away_m[is_away]
    other = first.notna().to_numpy()
    alone = say_each(
        "the stem of the tree stands {away:.1f} m outside the outline", away=off_m[~other]
    )
    taken = say_each(
        "the stem of the tree stands {away:.1f} m outside the outline, in which tree {other} "
        "stands",
        away=off_m[other],
        other=names[first[other].to_numpy(dtype=np.intp)],
    )
    for which, seen in ((other, taken), (~other, alone)):
        findings.add("warning", "root_zones", asked[which], field="geometry", seen=seen, done=done)


def ask_about_structural(findings: Findings, zones: gpd.GeoDataFrame) -> None:
    """Ask about outlines round a stem that leave out ground of its structural root zone.

    An outline stands for the protection zone; the structural one follows from the stem and stays.

    Parameters
    ----------
    findings : Findings
        Takes each such outline.
    zones : geopandas.GeoDataFrame
        tree_id, basis, zone, structural_radius_m (m) and stem points.
    """
    rows = zones["tree_id"].astype("str").isin(find_own(zones)).to_numpy(dtype=bool)
    own, stems = np.asarray(zones["zone"])[rows], np.asarray(zones.geometry)[rows]
    radius_m = zones["structural_radius_m"].to_numpy(dtype=float)[rows]
    inner = shapely.buffer(stems, np.where(radius_m > 0, radius_m, 0.0))
    left_m2 = shapely.area(shapely.difference(inner, own))
    is_cut: Flags = (left_m2 > _LEFT_OUT_M2) & shapely.intersects(own, stems)
    seen = say_each(
        "{left:.1f} m² of the structural root zone, {radius:.1f} m round the stem, lie outside the "
        "outline",
        left=left_m2[is_cut],
        radius=radius_m[is_cut],
    )
    done = say(
        "used as drawn for the protection zone; the structural root zone follows from the stem and "
        "stays: what is dug there counts as cutting the roots that hold the tree; have an arborist "
        "look at them first"
    )
    ids = zones["tree_id"][rows][is_cut]
    findings.add("warning", "root_zones", ids, field="geometry", seen=seen, done=done)


def _ask_about_size(
    findings: Findings, trees: gpd.GeoDataFrame, own: Geometries, limit_m: Floats
) -> None:
    """Ask about polygons round a stem that reach farther from it than roots plausibly spread."""
    stems = np.asarray(trees.geometry)
    reach_m = shapely.hausdorff_distance(own, stems)
    is_wide: Flags = (reach_m > limit_m) & shapely.intersects(own, stems)
    said, limit = write_rows_apart(reach_m[is_wide], limit_m[is_wide], 1)
    seen = say_each(
        "{area:,.0f} m², and it reaches {reach} m from the stem: more than {limit} m is "
        "not plausible for this tree",
        area=shapely.area(own)[is_wide],
        reach=said,
        limit=limit,
    )
    done = say(
        "used as drawn: check the outline, its units and its coordinates, and the stem of the "
        "tree; draw it again if it is wrong, or raise zones.own_zone_stems if it is right"
    )
    findings.add(
        "warning",
        "root_zones",
        trees["tree_id"][is_wide],
        field="geometry",
        seen=seen,
        done=done,
    )
