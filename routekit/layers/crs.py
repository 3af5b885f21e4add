"""One metric working CRS for all layers, and what bringing a layer into it costs in accuracy.

The working CRS is the declared one, else the sewers' own if it is projected in metres and true
to scale, else the UTM zone of their place on their own datum. Heights of a compound or
three-dimensional system are dropped: levels come from columns. Each transformed layer leaves a
finding with the accuracy of the operation used, because transformations stay silent when a
better grid is missing.
"""

from __future__ import annotations

import warnings
from functools import cache
from typing import TYPE_CHECKING, Final, cast

import geopandas as gpd
import numpy as np
import pyproj
import pyproj.aoi
import shapely
from numpy.typing import NDArray
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import UTMConversion
from pyproj.database import query_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError, ProjError
from pyproj.transformer import AreaOfInterest, TransformerGroup

from routekit.errors import CrsError
from routekit.words.texts import say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings
    from routekit.layers.raw_layers import RawLayer

GEOGRAPHIC: Final = "EPSG:4326"

_NO_DATUM: Final = "Undefined geographic SRS"
"""Degrees on no datum: system 0 of a GeoPackage, where nobody said one (OGC 12-128r15, 1.1.2.1.2,
from memory)."""

PLANE_AXES: Final = 2
"""Axes of a CRS without heights."""

UNIT_FACTOR_TOLERANCE: Final = 1e-9
"""Conversion factors of a unit that differ by no more than this are the same: rounding in the
database of EPSG; the two feet differ by 6e-7 m (arithmetic)."""

_LARGEST_LONGITUDE_DEG, _LARGEST_LATITUDE_DEG = 180, 90
"""Places beyond these are nowhere on the globe, degrees."""

MAX_SCALE_ERROR: Final = 0.005
"""A CRS whose scale is further than this from one is no grid to measure in (house choice: national
grids keep within 0.1 to 0.2 %, web mercator is off by 30 % and more in Europe)."""

GOOD_ACCURACY_M: Final = 1.0
"""Accuracy up to which a transformation is only mentioned (house choice: a trench's width)."""


def parse_crs(text: str, where: str) -> pyproj.CRS:
    """Read a CRS as the study file names it.

    Parameters
    ----------
    text : str
        Such as `"EPSG:28992"`.
    where : str
        Setting that holds the text, for the message.

    Returns
    -------
    pyproj.CRS
        The system, without heights.

    Raises
    ------
    CrsError
        If PROJ does not know it.
    """
    try:
        return drop_heights(pyproj.CRS.from_user_input(text))
    except CRSError as error:
        msg = f'{where}: unknown reference system "{text}"; write it as "EPSG:" and its number'
        raise CrsError(msg) from error


def drop_heights(crs: pyproj.CRS) -> pyproj.CRS:
    """Give the horizontal part of a compound or three-dimensional CRS.

    Parameters
    ----------
    crs : pyproj.CRS
        Any system.

    Returns
    -------
    pyproj.CRS
        Two-dimensional.
    """
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    return crs.to_2d() if len(crs.axis_info) > PLANE_AXES else crs


def _is_on_globe(longitude_deg: float, latitude_deg: float) -> bool:
    """Tell whether a place is one on the globe."""
    return (
        abs(longitude_deg) <= _LARGEST_LONGITUDE_DEG and abs(latitude_deg) <= _LARGEST_LATITUDE_DEG
    )


def own_crs(raw: RawLayer, declared: str | None, findings: Findings) -> pyproj.CRS:
    """Find the CRS of a layer: the declared one, else what its file says.

    Parameters
    ----------
    raw : RawLayer
        Layer with geometry.
    declared : str or None
        Text of `crs.<layer>` in the study file.
    findings : Findings
        Takes a declaration against the file, and dropped heights.

    Returns
    -------
    pyproj.CRS
        Two-dimensional.

    Raises
    ------
    CrsError
        If neither says it, or PROJ does not know what is said.
    """
    frame = cast("gpd.GeoDataFrame", raw.frame)
    held: pyproj.CRS | None = frame.crs
    if declared is not None:
        crs = parse_crs(declared, f"crs.{raw.layer}")
        _refuse_unplaced(crs, raw)
        if held is not None and drop_heights(held) != crs:
            seen = say(
                "{file} says {own}, the study file {declared}",
                file=raw.path.name,
                own=name_crs(held),
                declared=name_crs(crs),
            )
            findings.note("warning", raw.layer, "crs", seen, say("the study file is followed"))
        return crs
    if held is None:
        bounds = np.asarray(frame.total_bounds)
        is_degrees = bool(np.all(np.abs(bounds) <= (180, 90, 180, 90)))
        hint = (
            "its coordinates look like degrees, perhaps EPSG:4326" if is_degrees else "ask for it"
        )
        msg = (
            f'{raw.path}, layer "{raw.layer_name}" names no reference system ({hint}); '
            f'say crs.{raw.layer} = "EPSG:..." in the study file'
        )
        raise CrsError(msg)
    crs = drop_heights(held)
    _refuse_unplaced(crs, raw)
    if crs != held:
        seen = say("{system} has heights", system=name_crs(held))
        done = say("heights dropped; levels come from columns")
        findings.note("info", raw.layer, "crs", seen, done)
    return crs


@cache
def _to_degrees(crs: pyproj.CRS) -> pyproj.Transformer:
    """Give the transformer to longitude and latitude; to find one takes a while."""
    return pyproj.Transformer.from_crs(crs, GEOGRAPHIC, always_xy=True)


def _is_placed(crs: pyproj.CRS) -> bool:
    """Tell whether an operation brings a system to the earth."""
    if crs.name == _NO_DATUM:
        return False
    try:
        _to_degrees(crs)
    except ProjError:
        return False
    return True


def _refuse_unplaced(crs: pyproj.CRS, raw: RawLayer) -> None:
    """Refuse a system that no operation brings to the earth: of a site, a building, a plan."""
    if not _is_placed(crs):
        msg = (
            f"{raw.layer}: nothing ties its reference system {name_crs(crs)} to the earth; move "
            f'the layer into a national or UTM grid, or say crs.{raw.layer} = "EPSG:..." if its '
            "coordinates are in one"
        )
        raise CrsError(msg)


def choose_working_crs(
    declared: str | None, own: pyproj.CRS, lines: NDArray[np.object_], findings: Findings
) -> pyproj.CRS:
    """Choose the system that everything is measured in.

    Parameters
    ----------
    declared : str or None
        `study.working_crs`.
    own : pyproj.CRS
        The sewers' system.
    lines : numpy.ndarray of object, shape (n,)
        The sewers in that system.
    findings : Findings
        Takes the choice where none is declared.

    Returns
    -------
    pyproj.CRS
        Projected, in metres, true to scale at the sewers.

    Raises
    ------
    CrsError
        If the declared one is unfit: the message names a fit one.
    """
    place = _centre(own, lines)
    if declared is not None:
        crs = parse_crs(declared, "study.working_crs")
        fault = find_fault(crs, place)
        if fault:
            msg = (
                f"study.working_crs: {name_crs(crs)} {fault}; leave it out, or use "
                f"{name_crs(_fit_crs(own, place))}"
            )
            raise CrsError(msg)
        return crs
    fault = find_fault(own, place)
    if not fault:
        return own
    utm = _fit_crs(own, place)
    seen = say(
        "the reference system of the sewers, {system}, {fault}", system=name_crs(own), fault=fault
    )
    findings.note("info", "sewers", "crs", seen, say("worked in {system}", system=name_crs(utm)))
    return utm


def find_fault(crs: pyproj.CRS, place: tuple[float, float]) -> str:
    """Say why a CRS is unfit for measuring at a place.

    Parameters
    ----------
    crs : pyproj.CRS
        Two-dimensional system.
    place : tuple of float
        Longitude and latitude in degrees.

    Returns
    -------
    str
        Empty if it is fit: projected, in metres, scale within `MAX_SCALE_ERROR` of one.
    """
    if not crs.is_projected:
        return say("is not projected")
    if any(
        abs(axis.unit_conversion_factor - 1.0) > UNIT_FACTOR_TOLERANCE for axis in crs.axis_info
    ):
        return say("is in {unit}, not metres", unit=crs.axis_info[0].unit_name)
    factors = pyproj.Proj(crs).get_factors(*place)
    worst = max(abs(factors.meridional_scale - 1.0), abs(factors.parallel_scale - 1.0))
    if not worst <= MAX_SCALE_ERROR:
        return say("is off scale by {share:.0f} % at the sewers", share=100 * worst)
    return ""


def transform_layer(
    geometry: NDArray[np.object_],
    source: pyproj.CRS,
    target: pyproj.CRS,
    *,
    layer: str,
    findings: Findings,
) -> NDArray[np.object_]:
    """Bring geometry into the working CRS and say how accurately.

    Parameters
    ----------
    geometry : numpy.ndarray of object, shape (n,)
        Null and empty geometry stays.
    source : pyproj.CRS
        System of the geometry.
    target : pyproj.CRS
        Working CRS.
    layer : str
        Canonical layer, for the finding.
    findings : Findings
        Takes the accuracy in metres and the missing grids.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Two-dimensional geometry; what falls outside the operation has infinite coordinates.
    """
    has_z = bool(shapely.has_z(geometry).any())
    flat = np.asarray(shapely.force_2d(geometry)) if has_z else geometry
    if source == target or not len(flat):
        return flat
    group = _find_operations(flat, source, target)
    if not group.transformers:
        way = f"from {name_crs(source)} to {name_crs(target)}"
        msg = f"{layer}: no way {way}; check crs.{layer}"
        raise CrsError(msg)
    _report_accuracy(group, source, target, layer, findings)
    used = group.transformers[0]

    def move(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(used.transform(points[:, 0], points[:, 1]))

    return np.asarray(shapely.transform(flat, move))


def _find_operations(
    geometry: NDArray[np.object_], source: pyproj.CRS, target: pyproj.CRS
) -> TransformerGroup:
    """List the operations between two systems that are best where the layer lies."""
    bounds = _finite_bounds(geometry)
    area = None
    if np.all(np.isfinite(bounds)):
        degrees = np.asarray(_to_degrees(source).transform_bounds(*bounds))
        area = AreaOfInterest(*degrees) if np.all(np.isfinite(degrees)) else None
    with warnings.catch_warnings():
        # The group warns when grids are missing; that becomes a finding.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(source, target, always_xy=True, area_of_interest=area)


def _report_accuracy(
    group: TransformerGroup,
    source: pyproj.CRS,
    target: pyproj.CRS,
    layer: str,
    findings: Findings,
) -> None:
    """Make a finding of the accuracy of the operation used."""
    accuracy, is_best = group.transformers[0].accuracy, group.best_available
    grids = sorted({grid.short_name for op in group.unavailable_operations for grid in op.grids})
    is_good = is_best and 0 <= accuracy <= GOOD_ACCURACY_M
    known = (
        say("accuracy {accuracy:g} m", accuracy=accuracy)
        if accuracy >= 0
        else say("accuracy not stated")
    )
    if not is_best and grids:
        known = say(
            "{accuracy}, not the best operation; a better one needs {grids}",
            accuracy=known,
            grids=", ".join(grids),
        )
    elif not is_best:
        known = say("{accuracy}, not the best operation", accuracy=known)
    seen = say(
        "transformed from {source} to {target}: {accuracy}",
        source=name_crs(source),
        target=name_crs(target),
        accuracy=known,
    )
    done = say("used") if is_good else say("used; positions may be off by that much")
    findings.note("info" if is_good else "warning", layer, "crs", seen, done)


def name_crs(crs: pyproj.CRS) -> str:
    """Name a CRS for a reader: its code and name where it has a code."""
    code = crs.to_authority()
    return f"{code[0]}:{code[1]} ({crs.name})" if code else str(crs.name)


def _centre(own: pyproj.CRS, lines: NDArray[np.object_]) -> tuple[float, float]:
    """Longitude and latitude of the middle of the sewers."""
    bounds = _finite_bounds(lines)
    if not np.all(np.isfinite(bounds)):
        msg = (
            "sewers: no geometry to tell the place from; check the layer, or set study.working_crs"
        )
        raise CrsError(msg)
    x, y = (bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2
    to_degrees = _to_degrees(own)
    place = to_degrees.transform(x, y)
    if not _is_on_globe(*place):
        turned = to_degrees.transform(y, x)
        hint = ""
        if _is_on_globe(*turned):
            hint = "; its two axes may be swapped"
        msg = (
            f"sewers: coordinates near ({x:.0f}, {y:.0f}) do not lie in {name_crs(own)}{hint}; "
            'say crs.sewers = "EPSG:..." in the study file'
        )
        raise CrsError(msg)
    return float(place[0]), float(place[1])


def _finite_bounds(geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Bounds of the geometry that has an end: one endless row says nothing about the others."""
    boxes = np.asarray(shapely.bounds(geometry)).reshape(-1, 4)
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return np.full(4, np.nan)
    return np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)])


def _fit_crs(own: pyproj.CRS, place: tuple[float, float]) -> pyproj.CRS:
    """Name a fit system: the own one, else the zone of a place on the own datum.

    A zone on another datum would move every point by an operation of some metres' doubt.
    """
    if not find_fault(own, place):
        return own
    base = own.source_crs if own.is_bound and own.source_crs is not None else own
    datum = base.geodetic_crs
    points = gpd.GeoSeries([shapely.Point(place)], crs=GEOGRAPHIC)
    plain: pyproj.CRS = points.estimate_utm_crs()
    zone = str(plain.utm_zone)
    # A system written out in full has no name for its datum; the datum itself tells.
    if datum is None or datum.equals(plain.geodetic_crs, ignore_axis_order=True):
        return plain
    wanted = {f"{datum.name} / UTM zone {zone}", f"{datum.name} / MGA zone {zone[:-1]}"}
    listed = query_crs_info(
        pj_types=PJType.PROJECTED_CRS, area_of_interest=pyproj.aoi.AreaOfInterest(*place, *place)
    )
    codes = [f"{each.auth_name}:{each.code}" for each in listed if each.name in wanted]
    if codes:
        return pyproj.CRS.from_user_input(min(codes))
    conversion = UTMConversion(zone[:-1], "N" if zone.endswith("N") else "S")
    return ProjectedCRS(
        conversion, name=f"{datum.name} / UTM zone {zone}", geodetic_crs=datum.to_2d()
    )
