"""A new line round what stands in the way: the layers of a study as the search wants them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.alignment.search import find_line
from routekit.alignment.terms import Crossed, FoundLine, LineRules, NoLine, Priced
from routekit.arrays import Floats, Objects
from routekit.geometry.plane import AREA_DIMENSION
from routekit.site.protection import draw_zones
from routekit.words.texts import Text, say, word

GAP_M: Final = 0.05
"""Gaps between mapped surfaces narrower than twice this are slips of the drawing (house choice)."""
_THIN_M: Final = 0.05
"""Obstacles drawn as lines are taken this wide on each side, m (house choice)."""
_QUARTER: Final = 4
"""Chords to a quarter of a structural root zone in the search (house choice)."""
_KEPT_M: Final = 1.0
"""Nothing is dug so near to a run that is passed by and keeps working, m (house choice)."""
_JOINS_M: Final = 3.0
"""But for this distance from the manhole where both end, m (house choice)."""
_COARSE_M: Final = 0.3
"""Priced areas are drawn no finer than this for the search, m (house choice)."""
_REACH_M: Final = 30.0
"""Trees farther than this from where a line may lie are not looked for, m (house choice)."""
_BESIDE_M: Final = 0.30
"""Within this distance of a service a trench is dug by hand, m; common practice, no source."""


class Prices(NamedTuple):
    """What the search weighs, in currency.

    Attributes
    ----------
    metre, manhole, crossing : float
        Of a metre of line, a new manhole, a crossing.
    zone_m : float
        Of a metre of line in a root zone, above `metre`.
    surface_m : mapping of str to float
        Of a metre under each kind of surface, above `metre`.
    """

    metre: float
    manhole: float
    crossing: float
    zone_m: float
    surface_m: Mapping[str, float]


class Bounds(NamedTuple):
    """What bounds a line: see `routekit.alignment.terms.LineRules`.

    Attributes
    ----------
    half_width_m, margin_m, longest_share, reach_m, bend_deg, crossing_deg : float
    """

    half_width_m: float
    margin_m: float
    longest_share: float
    reach_m: float
    bend_deg: float
    crossing_deg: float


@dataclass(frozen=True, kw_only=True)
class Street:
    """Layers round new lines.

    Attributes
    ----------
    obstacles, surfaces, services : GeoDataFrame
        kind and geometry; obstacle_id, service_id.
    zones : GeoDataFrame
        Root zones: tree_id, structural_radius_m, zone, and the stem as geometry.
    sewers : GeoDataFrame
        run_id and geometry of every run.
    """

    obstacles: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    services: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    sewers: gpd.GeoDataFrame


class Sought(NamedTuple):
    """What a search gave, with the names of what may not be dug, in the order of the search."""

    found: FoundLine | NoLine
    names: tuple[Text, ...]


def seek_line(
    run: int,
    street: Street,
    prices: Prices,
    bounds: Bounds,
    last: int | None = None,
    *,
    given_up: Sequence[int] = (),
) -> Sought:
    """Seek the cheapest new line between the two ends of a run, or to the end of another.

    Parameters
    ----------
    run : int
        Position in `street.sewers`.
    last : int or None
        Position of the run at whose lower end the line ends, where that is not its own.
    given_up : sequence of int, optional
        Runs that are given up besides it, so that nothing has to keep clear of them.
    street : Street
    prices : Prices
    bounds : Bounds

    Returns
    -------
    Sought

    Notes
    -----
    Buildings, walls, basements, rails and water, structural root zones, and, where surfaces are
    given, ground that no surface covers are forbidden. A tree whose structural zone is not known
    forbids nothing here: what its line does to it is measured afterwards.
    """
    last = run if last is None else last
    lines_of = np.asarray(street.sewers.geometry)
    both = (lines_of[run], lines_of[last])
    ends = np.stack(
        [shapely.get_coordinates(each)[at] for each, at in zip(both, (0, -1), strict=True)]
    )
    reach = bounds.margin_m + bounds.half_width_m + 1
    area = shapely.buffer(shapely.LineString(ends), reach, cap_style="square")
    shapes, names = _forbid(area, street)
    if last != run and last not in given_up:
        # What is passed by keeps working: nothing is dug along it but where both lines end.
        kept = shapely.difference(
            shapely.buffer(lines_of[last], _KEPT_M),
            shapely.Point(ends[1]).buffer(_JOINS_M),
        )
        shapes = np.append(shapes, _polygons(np.array([kept], dtype=object)))
        named = street.sewers["run_id"].iloc[last]
        names = (*names, say("{kind} {name}", kind=word("sewer"), name=str(named)))
    services, sewers = _near(street.services, area), _near(street.sewers, area)
    gone = street.sewers["run_id"].iloc[[run, *given_up]]
    others = sewers[~sewers["run_id"].isin(gone).to_numpy(dtype=bool)]
    lines = np.concatenate([_lines(services, area), _lines(others, area)])
    zones = _cut(pd.Series(draw_zones(_near_trees(street.zones, area))), area)
    kind, ground = _unite_kinds(_near(street.surfaces, area), area)
    beside = shapely.buffer(
        _lines(services, area),
        bounds.half_width_m + _BESIDE_M,
        quad_segs=1,
        cap_style="flat",
        join_style="bevel",
    )
    rules = LineRules(
        cost_per_m=prices.metre,
        cost_per_bend=prices.manhole,
        longest_reach_m=bounds.reach_m,
        least_angle_deg=bounds.bend_deg,
        half_width_m=bounds.half_width_m,
        margin_m=bounds.margin_m,
        longest_share=bounds.longest_share,
    )
    found = find_line(
        ends[0],
        ends[1],
        forbidden=shapes,
        priced=Priced(
            _polygons(np.concatenate([zones, beside])),
            np.repeat([prices.zone_m, prices.metre], [len(zones), len(beside)]),
        ),
        crossed=Crossed(
            lines,
            np.full(len(lines), prices.crossing),
            np.full(len(lines), bounds.crossing_deg),
        ),
        surfaces=Priced(
            ground,
            np.array([prices.surface_m.get(each, 0.0) for each in kind], dtype=float),
        ),
        rules=rules,
    )
    return Sought(found, names)


def outside_street(shapes: Objects, surfaces: gpd.GeoDataFrame) -> Floats:
    """Measure how much of each shape lies on ground that no surface covers.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,)
        None where not known.
    surfaces : GeoDataFrame

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m2; NaN where no surfaces are given or the shape is not known.

    Examples
    --------
    >>> street = gpd.GeoDataFrame({"kind": ["verge"]}, geometry=[shapely.box(0, 0, 10, 4)])
    >>> outside_street(np.array([shapely.box(2, 1, 4, 3), shapely.box(8, 0, 12, 1)]), street)
    array([0.  , 1.95])
    """
    found = np.full(len(shapes), np.nan)
    if not len(surfaces):
        return found
    for place in np.flatnonzero(~shapely.is_missing(shapes)):
        street = _cover(shapes[place], surfaces)
        found[place] = shapely.area(shapely.difference(shapes[place], street))
    return found


def _forbid(area: shapely.Geometry, street: Street) -> tuple[Objects, tuple[Text, ...]]:
    """List what may not be dug within an area, with its names."""
    walls = _near(street.obstacles, area)
    solid = np.array(walls["geometry"], dtype=object)
    flat = shapely.get_dimensions(solid) < AREA_DIMENSION
    solid[flat] = shapely.buffer(solid[flat], _THIN_M)
    names: list[Text] = [
        say("{kind} {name}", kind=word(kind), name=name)
        for kind, name in walls[["kind", "obstacle_id"]].astype(str).itertuples(index=False)
    ]
    trees = _near_trees(street.zones, area)
    radius = trees["structural_radius_m"].to_numpy(dtype=float)
    trees, radius = trees[radius > 0], radius[radius > 0]
    # Chords lie within the arc: grown until they touch it from outside.
    discs = shapely.buffer(
        np.asarray(trees["geometry"]), radius / np.cos(np.pi / 4 / _QUARTER), quad_segs=_QUARTER
    )
    names += [say("structural root zone of {tree}", tree=tree) for tree in trees["tree_id"]]
    shapes = np.concatenate([solid, discs])
    if len(street.surfaces):
        private = shapely.difference(area, _cover(area, street.surfaces))
        parts = shapely.get_parts(shapely.buffer(shapely.buffer(private, -GAP_M), GAP_M))
        parts = parts[~shapely.is_empty(parts)]
        shapes = np.concatenate([shapes, parts])
        names += [say("ground outside the street")] * len(parts)
    return _polygons(shapely.intersection(shapes, area)), tuple(names)


def _cover(shape: shapely.Geometry, surfaces: gpd.GeoDataFrame) -> shapely.Geometry:
    """Unite the surfaces over a shape, the slips between them closed."""
    box = shapely.box(*shapely.bounds(shape)).buffer(1)
    near = shapely.intersection(np.asarray(_near(surfaces, box)["geometry"]), box)
    return shapely.union_all(shapely.buffer(near, GAP_M))


def _cut(shapes: pd.Series, area: shapely.Geometry) -> Objects:
    """Cut shapes to an area, with no more detail than a price needs."""
    coarse = shapely.simplify(np.asarray(shapes, dtype=object), _COARSE_M)
    return np.asarray(shapely.intersection(shapely.buffer(coarse, 0), area), dtype=object)


def _unite_kinds(surfaces: pd.DataFrame, area: shapely.Geometry) -> tuple[list[str], Objects]:
    """Unite the surfaces of each kind within an area."""
    cut = _cut(surfaces["geometry"], area)
    kind = surfaces["kind"].astype(str).to_numpy()
    kinds = sorted(set(kind))
    united = [shapely.union_all(cut[kind == one]) for one in kinds]
    return kinds, _polygons(np.array(united, dtype=object))


def _near(table: pd.DataFrame, area: shapely.Geometry) -> pd.DataFrame:
    """Take the rows whose shape meets an area, in their order."""
    shapes = np.asarray(table["geometry"], dtype=object)
    rows = np.sort(shapely.STRtree(shapes).query(area, predicate="intersects"))
    return pd.DataFrame(table).iloc[rows]


def _near_trees(zones: gpd.GeoDataFrame, area: shapely.Geometry) -> gpd.GeoDataFrame:
    """Take the trees whose stem is so near to an area that its zone may reach it."""
    near = shapely.dwithin(np.asarray(zones.geometry), area, _REACH_M)
    return zones[near]


def _lines(table: pd.DataFrame, area: shapely.Geometry) -> Objects:
    """Take the lines of a table within an area; those that are points there are none."""
    whole = np.asarray(table["geometry"], dtype=object)
    cut = np.array(shapely.intersection(whole, area), dtype=object)
    cut[shapely.get_dimensions(cut) != 1] = None
    return np.array([_only(each, ("LineString", "MultiLineString")) for each in cut], dtype=object)


def _polygons(shapes: Objects) -> Objects:
    """Keep the areas of shapes; None where there is none."""
    return np.array([_only(each, ("Polygon", "MultiPolygon")) for each in shapes], dtype=object)


def _only(shape: Any, kinds: tuple[str, str]) -> Any:
    """Keep the parts of one kind."""
    if shape is None or shapely.is_empty(shape) or shape.geom_type in kinds:
        return shape if shape is None or shapely.is_valid(shape) else shapely.make_valid(shape)
    parts = [one for one in shapely.get_parts(shape) if one.geom_type in kinds]
    return shapely.union_all(parts) if parts else None
