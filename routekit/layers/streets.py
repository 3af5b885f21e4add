"""The street of each run: recorded, or taken from a layer of streets or the nearest named run.

A run without a street takes the one that lies nearest along most of its length. What is as near
to two streets, or runs beside two by halves, stays not known, as does what lies too far off.

Two streets of one name, a district apart, are two: runs of a name that lie far from all others of
it are a street of their own, and each place has its number behind the name, "Elm Row (2)". That is
done here alone, so that packages, pages and calendars go by the same names.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from routekit.arrays import count_within
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

_NUMBERED: Final = re.compile(r" \(\d+\)$")
"""The number of one of several streets of a name."""

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
        The runs with street filled where it can be, and street_basis, one of `STREET_BASES`. A name
        that stands in several places is numbered by `number_places`.
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
    numbered = number_places(name, lines, apart_m=settings.apart_m)
    _report_places(runs["row_key"].to_numpy(dtype=object), name, numbered, settings, findings)
    return runs.assign(
        street=_or_missing(numbered, runs.index),
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


def number_places(
    names: NDArray[np.object_], lines: NDArray[np.object_], *, apart_m: float
) -> NDArray[np.object_]:
    """Tell streets of one name apart that lie in several places.

    Parameters
    ----------
    names : numpy.ndarray of object, shape (n,)
        Street of each run; blank where not known.
    lines : numpy.ndarray of object, shape (n,)
        Runs; what has no line keeps its name.
    apart_m : float
        Runs of a name are one street if each is joined to each other by runs of that name with no
        gap wider than this, in m.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        The names; those of several places with a number from 1, from the west, and from the north
        where two begin as far west. A number that would make another street's name is left out.

    Examples
    --------
    >>> lines = np.array([shapely.LineString([(x, 0), (x + 50, 0)]) for x in (900, 0, 60)])
    >>> number_places(np.array(["Elm Row"] * 3, dtype=object), lines, apart_m=250.0).tolist()
    ['Elm Row (2)', 'Elm Row (1)', 'Elm Row (1)']
    """
    found = np.array(names, dtype=object)
    rows = np.flatnonzero((found != "") & shapely.is_geometry(lines) & ~shapely.is_empty(lines))
    # Nearly all streets hang together at a short reach, with few pairs of runs to look at.
    for reach_m in (apart_m / 10, apart_m):
        if not len(rows):
            return found
        code = pd.factorize(found[rows])[0]
        piece = _join_near(code, lines[rows], reach_m)
        several = pd.Series(piece).groupby(code).transform("nunique").to_numpy() > 1
        rows, piece = rows[several], piece[several]
    if not len(rows):
        return found
    bounds = pd.DataFrame(shapely.bounds(lines[rows]), columns=["west", "south", "east", "north"])
    places = bounds.assign(name=names[rows], piece=piece).groupby(["name", "piece"])
    order = places.agg(west=("west", "min"), north=("north", "max")).reset_index()
    order = order.sort_values(["name", "west", "north"], ascending=[True, True, False])
    taken: set[str] = set(names.tolist())
    label: dict[int, str] = {}
    for name, mine in order.groupby("name", sort=False)["piece"]:
        numbered = [f"{name} ({number})" for number in range(1, len(mine) + len(taken) + 1)]
        free = [one for one in numbered if one not in taken]
        label.update(zip(mine, free, strict=False))
    found[rows] = pd.Series(piece).map(label).to_numpy(dtype=object)
    return found


def _join_near(
    code: NDArray[np.int64], lines: NDArray[np.object_], reach_m: float
) -> NDArray[np.int64]:
    """Give each line the number of its piece: lines of one code, each within reach of another."""
    first, second = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=reach_m)
    alike = code[first] == code[second]
    pairs = (first[alike], second[alike])
    near = coo_array((np.ones(len(pairs[0]), dtype=bool), pairs), shape=(len(lines),) * 2)
    return np.asarray(connected_components(near, directed=False)[1], dtype=np.int64)


def take_name(street: pd.Series) -> pd.Series:
    """Give names of streets without the number of `number_places`.

    Parameters
    ----------
    street : pandas.Series of str

    Returns
    -------
    pandas.Series of str

    Examples
    --------
    >>> take_name(pd.Series(["Elm Row (2)", "Oak Row"])).tolist()
    ['Elm Row', 'Oak Row']
    """
    return street.astype(str).str.replace(_NUMBERED, "", regex=True)


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
    within = count_within(count)
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


def _report_places(
    keys: NDArray[np.object_],
    name: NDArray[np.object_],
    numbered: NDArray[np.object_],
    settings: StreetSettings,
    findings: Findings,
) -> None:
    """Name the streets that share their name with another."""
    is_told = name != numbered
    findings.add(
        "info",
        "sewers",
        keys[is_told],
        field="street",
        seen=say(
            "runs of one street name lie more than {apart:g} m from all others of it",
            apart=settings.apart_m,
        ),
        done=say("each place counts as a street of its own, with a number behind the name"),
    )
