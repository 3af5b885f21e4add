"""The street of each run: recorded, or taken from a layer of streets or the nearest named run.

A run without a street takes the one that lies nearest along most of its length. What is as near
to two streets, or runs beside two by halves, stays not known, as does what lies too far off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely

from routekit.vocabulary import STREET_BASES
from routekit.words.texts import say

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from routekit.layers.findings import Findings
    from routekit.layers.settings import StreetSettings

STATION_M: Final = 2.0
"""Distance between the places of a run at which the nearest street is looked for."""

TIE_M: Final = 0.01
"""Two streets whose distances differ by less are as near as each other: what plans resolve."""

LEAST_SHARE: Final = 0.5
"""Along less than half of a line two names could each be the nearest."""

RECORDED, FROM_LAYER, FROM_RUN, NOT_KNOWN = STREET_BASES


def name_streets(
    runs: gpd.GeoDataFrame,
    streets: gpd.GeoDataFrame,
    settings: StreetSettings,
    *,
    findings: Findings,
) -> gpd.GeoDataFrame:
    """Give each run its street, and say where the name comes from.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        Canonical layer `sewers` in the working CRS: row_key, street (missing where not recorded).
    streets : geopandas.GeoDataFrame
        Canonical layer `streets`: street, lines.
    settings : StreetSettings
        How near a street must lie, and along how much of a run.
    findings : Findings
        Takes which runs were given a street, and which stay without one.

    Returns
    -------
    geopandas.GeoDataFrame
        The runs with street filled where it can be, and street_basis, one of `STREET_BASES`.
    """
    lines = np.asarray(runs.geometry, dtype=object)
    name = clean_names(runs["street"])
    basis = np.where(name != "", str(RECORDED), str(NOT_KNOWN)).astype(object)
    layer_name, reach = clean_names(streets["street"]), (settings.within_m, settings.near_run_m)
    shapes = np.asarray(streets.geometry, dtype=object)
    _report_nameless(streets, layer_name, findings)
    if (name == "").all() and not (layer_name != "").any():
        _report_none(findings)
        return runs.assign(
            street=_or_missing(name, runs.index),
            street_basis=pd.Series(basis, index=runs.index, dtype="str"),
        )
    for source, within_m in zip((FROM_LAYER, FROM_RUN), reach, strict=True):
        lent, line = (layer_name, shapes) if source == FROM_LAYER else (name.copy(), lines)
        open_rows, named = np.flatnonzero(name == ""), lent != ""
        found = find_nearest_names(
            lines[open_rows],
            line[named],
            lent[named],
            within_m=within_m,
            least_share=settings.least_share,
        )
        name[open_rows] = found
        basis[open_rows[found != ""]] = source
    _report(runs["row_key"].to_numpy(dtype=object), basis, settings, findings)
    return runs.assign(
        street=_or_missing(name, runs.index),
        street_basis=pd.Series(basis, index=runs.index, dtype="str"),
    )


def find_nearest_names(
    lines: NDArray[np.object_],
    named_lines: NDArray[np.object_],
    names: NDArray[np.object_],
    *,
    within_m: float,
    least_share: float,
) -> NDArray[np.object_]:
    """Name lines after the named lines beside them.

    Parameters
    ----------
    lines : numpy.ndarray of object, shape (n,)
        Lines without a name.
    named_lines, names : numpy.ndarray of object, shape (m,)
        Lines that have one, and their names; several lines may share a name.
    within_m : float
        Farthest line that lends its name, in m.
    least_share : float
        A name counts if it is the nearest along more than this share of a line; 0.5 or more.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Names; blank where no name is nearest along enough of the line.

    Raises
    ------
    ValueError
        If the share is below one half: two names could then hold.
    """
    if least_share < LEAST_SHARE:
        msg = f"least_share must be {LEAST_SHARE} or more, not {least_share}"
        raise ValueError(msg)
    found = np.full(len(lines), "", dtype=object)
    if not len(lines) or not len(named_lines):
        return found
    place, owner, count = _set_stations(lines)
    code, word = pd.factorize(names)
    clear = _nearest_names(place, named_lines, code, within_m)
    votes = clear.assign(line=owner[clear["station"]]).groupby(["line", "name"]).size()
    share = votes.to_numpy() / count[votes.index.get_level_values("line")]
    won = votes[share > least_share].index
    found[won.get_level_values("line")] = np.asarray(word, dtype=object)[
        won.get_level_values("name")
    ]
    return found


def find_nearest_runs(trees: pd.DataFrame, runs: pd.DataFrame) -> dict[str, NDArray[np.object_]]:
    """Find the run that lies nearest to each tree, and its street.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        geometry (stems).
    runs : pandas.DataFrame
        run_id, street, geometry; a run without a line is near no tree.

    Returns
    -------
    dict of str to numpy.ndarray of object, shape (n,)
        street (blank where it is not known) and nearest_run (its id; blank where no run has a
        line).

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["R1"], "street": ["Alder Row"],
    ...     "geometry": [shapely.LineString([(0, 0), (9, 0)])]})
    >>> trees = pd.DataFrame({"geometry": [shapely.Point(3, 4)]})
    >>> {name: found.tolist() for name, found in find_nearest_runs(trees, runs).items()}
    {'street': ['Alder Row'], 'nearest_run': ['R1']}
    """
    lines, stems = (np.array(table["geometry"], dtype=object) for table in (runs, trees))
    lines[~shapely.is_geometry(lines)] = None
    tree, run = shapely.STRtree(lines).query_nearest(stems, all_matches=False)
    streets = runs["street"].astype("str").fillna("").str.strip().to_numpy(dtype=object)
    ids = runs["run_id"].astype("str").to_numpy(dtype=object)
    street, nearest = (np.full(len(stems), "", dtype=object) for _ in range(2))
    street[tree], nearest[tree] = streets[run], ids[run]
    return {"street": street, "nearest_run": nearest}


def _nearest_names(
    place: NDArray[np.object_],
    named_lines: NDArray[np.object_],
    name: NDArray[np.int64],
    within_m: float,
) -> pd.DataFrame:
    """Give station, name and away_m where one name lies nearest, and no other as near."""
    station, line = shapely.STRtree(named_lines).query(
        place, predicate="dwithin", distance=within_m
    )
    away_m = shapely.distance(place[station], named_lines[line])
    pairs = pd.DataFrame({"station": station, "name": name[line], "away_m": away_m})
    pairs = pairs.groupby(["station", "name"])["away_m"].min().reset_index()
    pairs = pairs.sort_values(["station", "away_m"], kind="stable")
    gap = pairs.groupby("station")["away_m"].shift(-1) - pairs["away_m"]
    is_clear = ~pairs["station"].duplicated() & ~(gap < TIE_M)
    return pairs.loc[is_clear]


def _set_stations(
    lines: NDArray[np.object_],
) -> tuple[NDArray[np.object_], NDArray[np.int64], NDArray[np.int64]]:
    """Place stations in the middle of equal steps: points, line of each, and how many each has."""
    length = shapely.length(lines)
    count = np.maximum(np.ceil(length / STATION_M), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(lines)), count)
    within = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    at = (within + 0.5) / count[owner]
    return shapely.line_interpolate_point(lines[owner], at, normalized=True), owner, count


def clean_names(names: pd.Series) -> NDArray[np.object_]:
    """Give names without outer and doubled blanks; blank where missing."""
    texts = names.astype(object).where(names.notna().to_numpy(), "").astype(str)
    return np.array(texts.str.split().str.join(" ").to_numpy(dtype=object), dtype=object)


def _or_missing(names: NDArray[np.object_], index: pd.Index) -> pd.Series:
    """Give names as a column of texts, missing where blank."""
    column = pd.Series(names, index=index, dtype=object)
    return column.where(column != "", None).astype("str")


def _report_nameless(
    streets: gpd.GeoDataFrame, names: NDArray[np.object_], findings: Findings
) -> None:
    """Name the streets of the layer that have no name."""
    findings.add(
        "warning",
        "streets",
        streets.loc[names == "", "row_key"],
        field="street",
        seen=say("no name"),
        done=say("the row lends no name to any run; write the name of the street"),
    )


def _report_none(findings: Findings) -> None:
    """Say once that nothing names a street."""
    findings.note(
        "info",
        "sewers",
        "street",
        say("no run names its street, and there is no layer of streets"),
        say("streets are not known; name a layer of named lines as layers.streets"),
    )


def _report(
    keys: NDArray[np.object_],
    basis: NDArray[np.object_],
    settings: StreetSettings,
    findings: Findings,
) -> None:
    """Say which runs were given a street, and which have none."""
    seen = say("no street recorded")
    told = {
        FROM_LAYER: say("street taken from the layer of streets, the nearest along most of it"),
        FROM_RUN: say("street taken from the nearest named run; write its own if it has another"),
        NOT_KNOWN: say(
            "street not known: no street lies nearest along most of it, within {street:g} m, and "
            "no named run within {run:g} m",
            street=settings.within_m,
            run=settings.near_run_m,
        ),
    }
    for source, done in told.items():
        findings.add("info", "sewers", keys[basis == source], field="street", seen=seen, done=done)
