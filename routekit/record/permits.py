"""Permits and notices of each package of work: which are needed, and which are still open.

A package is a pull string, or a run that is in none. Whether a permit is needed follows from what
the works meet; where that is not known the permit stands there all the same, and is open. One that
nobody gave a reference and a day is open, and a package with an open one is not ready. Where there
is a programme, its packages are the ones that are ready or not: runs of a street that are done
together wait for each other's permits.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.arrays import ID_MARK, Flags, Floats, Ints, Texts, join_ids, split_ids, take_numbers
from routekit.layers.findings import Findings
from routekit.layers.houses import is_house
from routekit.layers.site_return import PERMITS
from routekit.record.as_built import BLIND_M
from routekit.schema import load_tables
from routekit.site.zone_layer import ZoneLayer
from routekit.techniques import MONITOR, OPEN_CUT
from routekit.vocabulary import PLACED
from routekit.words.columns import say_each
from routekit.words.texts import both, fill, join, message, say, word

KINDS: Final = {
    "trees": message("consent for works at trees"),
    "services": message("location of services"),
    "road": message("occupation of the road"),
    "dewatering": message("lowering of groundwater"),
    "neighbours": message("notice to neighbours"),
}
"""Kinds of permits and notices, by the word in their names."""


@dataclass(frozen=True, kw_only=True)
class Asked:
    """What the need for permits follows from, as the tables of the result hold it.

    Attributes
    ----------
    runs, advice, pits, digs, encroachments, trees, connections : DataFrame
    zones : ZoneLayer
    groundwater_depth_m : float or None
        Highest groundwater below ground level; None not known.
    """

    runs: gpd.GeoDataFrame
    advice: pd.DataFrame
    pits: pd.DataFrame
    digs: pd.DataFrame
    encroachments: pd.DataFrame
    trees: pd.DataFrame
    connections: pd.DataFrame
    zones: ZoneLayer
    groundwater_depth_m: float | None


def list_permits(asked: Asked) -> pd.DataFrame:
    """List the permits and notices of each package of work.

    Parameters
    ----------
    asked : Asked

    Returns
    -------
    pandas.DataFrame
        Columns as `permits` in the schema, package by package in the order of the runs, all open.
        Nothing stands there that is known not to be needed.
    """
    technique = asked.advice["technique"].astype(object).fillna("").to_numpy(dtype=object)
    works = np.flatnonzero(~np.isin(technique, ["", MONITOR]))
    run_id = asked.runs["run_id"].astype("str").to_numpy(dtype=object)
    string = asked.advice["string_id"].astype(object).fillna("").to_numpy(dtype=object)
    package = np.where(string == "", run_id, string)
    needs = _judge_runs(asked, technique == OPEN_CUT)
    parts = [
        pd.DataFrame(
            {
                "work_id": package[works],
                "run_id": run_id[works],
                "street": asked.runs["street"].astype(object).fillna("").to_numpy()[works],
                "word": word,
                "need": need[works],
                "subject": subject[works],
                "order": order,
            }
        )
        for order, (word, (need, subject)) in enumerate(needs.items())
    ]
    return _sum_up(pd.concat(parts, ignore_index=True), package[works])


def _sum_up(rows: pd.DataFrame, package: Texts) -> pd.DataFrame:
    """Make one row of the runs of a package: needed if one needs it, else not known if for one."""
    place = pd.Series(np.arange(len(package)), index=package).groupby(level=0, sort=False).min()
    names = [name for name in load_tables()["permits"].fields if name != "package_id"]
    if not len(rows):
        empty = pd.DataFrame({name: pd.Series(dtype="str") for name in names})
        return empty.astype({"is_needed": "boolean", "is_open": "bool", "is_ready": "bool"})
    rows = rows.assign(is_lost=np.isnan(rows["need"].to_numpy(dtype=float)))
    by = ["work_id", "word"]
    grouped = rows.groupby(by, sort=False)
    group: Ints = grouped.ngroup().to_numpy().astype(np.int64)
    size = grouped.ngroups
    several: Ints = np.repeat(group, [cell.count(ID_MARK) + 1 for cell in rows["subject"]])
    subjects = chain.from_iterable(cell.split(ID_MARK) for cell in rows["subject"])
    found = rows.drop_duplicates(by)[[*by, "order"]].reset_index(drop=True)
    found = found.assign(
        run_ids=join_ids(rows["run_id"], group, size),
        street=join_ids(rows["street"], group, size),
        subject=join_ids(subjects, several, size),
        need=grouped["need"].max().to_numpy(dtype=float),
        is_lost=grouped["is_lost"].any().to_numpy(dtype=bool),
    )
    is_needed = found["need"].eq(1).to_numpy(dtype=bool)
    found = found.assign(
        permit_id=found["work_id"] + " " + found["word"],
        kind=found["word"].map(KINDS),
        is_needed=pd.arrays.BooleanArray(is_needed, ~is_needed & found["is_lost"].to_numpy()),
        place=place.reindex(found["work_id"]).to_numpy(),
    )
    found = found[(is_needed | found["is_lost"].to_numpy(dtype=bool))]
    found = found.sort_values(["place", "order"], kind="stable").reset_index(drop=True)
    found = found.assign(reference="", granted_on="", is_open=True, is_ready=False)
    texts = [name for name in names if name not in ("is_needed", "is_open", "is_ready")]
    whole: pd.DataFrame = found[names].astype(dict.fromkeys(texts, "str"))
    return whole


def hold_to_works(filled: pd.DataFrame, permits: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Hold each permit that came back to the works that it was given for.

    A name may come to mean other works: strings are numbered anew in each result, and a consent
    for one tree says nothing of a second one that the works enter since.

    Parameters
    ----------
    filled : DataFrame
        `permits` of what came back, of this study alone: permit_id, what, reference, granted_on,
        row.
    permits : DataFrame
        From `list_permits`.
    findings : Findings
        Takes each permit that was granted, but not for all that the works are at now.

    Returns
    -------
    pandas.DataFrame
        The same rows with `is_short`: whether it lacks a run, tree or house of now. A run that is
        no string names itself; of such a one a blank `what` is held to lack only trees.
    """
    now = permits.set_index("permit_id").reindex(filled["permit_id"])
    told = filled["what"].fillna("").astype("str").map(_split_names)
    lacks = [
        _list_lacking(names, str(work), str(runs), str(subject), kind == KINDS["trees"])
        for names, work, runs, subject, kind in zip(
            told, now["work_id"], now["run_ids"], now["subject"], now["kind"], strict=True
        )
    ]
    is_short = np.array([bool(each) for each in lacks], dtype=bool)
    granted = filled[["reference", "granted_on"]].notna().all(axis=1).to_numpy(dtype=bool)
    asked: Flags = is_short & granted
    seen = say_each(
        "not among what it was granted for: {what}",
        what=[", ".join(each) for each, is_here in zip(lacks, asked, strict=True) if is_here],
    )
    done = say(
        "the permit stays open: have it cover these as well, then write their names in what, "
        "joined by ;"
    )
    findings.add("error", PERMITS, filled["row"][asked], field="what", seen=seen, done=done)
    return filled.assign(is_short=is_short)


def _split_names(cell: str) -> set[str]:
    """Split names that people may have joined with blanks as well."""
    return {name.strip() for name in cell.split(ID_MARK)} - {""}


def _list_lacking(
    told: set[str], work: str, runs: str, subject: str, is_about_trees: bool
) -> list[str]:
    """List what the works are at now and the permit does not name."""
    names = dict.fromkeys(name for name in runs.split(ID_MARK) if name != work)
    if told or is_about_trees:
        names |= dict.fromkeys(name for name in subject.split(ID_MARK) if name)
    return [name for name in names if name not in told]


def name_works(permits: pd.DataFrame) -> pd.Series:
    """Name what each permit is for: runs, then trees or connections.

    Parameters
    ----------
    permits : DataFrame
        run_ids, subject.

    Returns
    -------
    pandas.Series of str

    Examples
    --------
    >>> name_works(pd.DataFrame({"run_ids": ["A;B", "C"], "subject": ["T1", ""]})).tolist()
    ['A;B;T1', 'C']
    """
    subject = permits["subject"].fillna("").astype("str")
    runs = permits["run_ids"].astype("str")
    return runs.where(subject.eq(""), runs + ID_MARK + subject)


def fill_in(permits: pd.DataFrame, filled: pd.DataFrame) -> pd.DataFrame:
    """Fill in what came back: a permit is open until it has both a reference and a day.

    Parameters
    ----------
    permits : DataFrame
        From `list_permits`.
    filled : DataFrame
        `permits` of what came back: permit_id (unique), reference, granted_on, is_short (from
        `hold_to_works`).

    Returns
    -------
    pandas.DataFrame
        The same rows; a package is ready where none of its permits is open.
    """
    told = filled.set_index("permit_id").reindex(permits["permit_id"])
    texts = {
        name: told[name].fillna("").astype("str").to_numpy() for name in ("reference", "granted_on")
    }
    is_open = (texts["reference"] == "") | (texts["granted_on"] == "")
    is_open |= told["is_short"].eq(True).to_numpy(dtype=bool)
    waits = pd.Series(is_open).groupby(permits["work_id"].to_numpy()).transform("any")
    return permits.assign(
        **{name: pd.Series(cells, dtype="str") for name, cells in texts.items()},
        is_open=np.asarray(is_open, dtype=bool),
        is_ready=~waits.to_numpy(dtype=bool),
    )


def match_packages(
    permits: pd.DataFrame, programme: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Bring permits and the packages of the programme together: what is ready, and what waits.

    Parameters
    ----------
    permits : DataFrame
        From `fill_in`.
    programme : DataFrame
        From `routekit.programme.programme.make_programme`: package_id, run_ids, status; start_date
        (YYYY-MM-DD, or missing), where it has one.

    Returns
    -------
    permits : DataFrame
        With package_id (blank without a programme); is_ready is that of the package there.
    programme : DataFrame
        With n_permits, n_open_permits, open_permits (kinds of what is open, with its words) and
        is_ready: it has permits, none of them open, a place, and nothing left to confirm. A permit
        of a later day than the package begins is open there.

    Examples
    --------
    Two runs that are done together: the permit of one is open, so neither is ready.

    >>> permits = pd.DataFrame({"run_ids": ["A", "B"], "kind": ["occupation of the road"] * 2,
    ...     "is_open": [False, True], "is_ready": [True, False]})
    >>> programme = pd.DataFrame({"package_id": ["P001"], "run_ids": ["A;B"],
    ...     "status": ["placed"]})
    >>> told, plan = match_packages(permits, programme)
    >>> told["is_ready"].tolist(), plan["n_open_permits"].tolist()
    ([False, False], [1])
    """
    members = programme[["package_id"]].assign(run_id=split_ids(programme["run_ids"]))
    of = members.explode("run_id").set_index("run_id")["package_id"].astype(object)
    first = split_ids(permits["run_ids"]).str[0]
    package = first.astype(object).map(of.to_dict()).astype(object).fillna("")
    ids = programme["package_id"].astype(object).to_numpy()
    is_late = _find_late(permits, package, programme)
    opened = permits[permits["is_open"].to_numpy(dtype=bool) | is_late]
    kinds = opened["kind"].groupby(package[opened.index]).agg(list).reindex(ids)
    count, n_open = (
        one.value_counts().reindex(ids).fillna(0).to_numpy(dtype=np.int64)
        for one in (package, package[opened.index])
    )
    is_ready = programme["status"].eq(PLACED).to_numpy(dtype=bool) & (count > 0) & (n_open == 0)
    texts = fill(
        [
            join([word(kind) for kind in dict.fromkeys(told)], ", ")
            if isinstance(told, list)
            else ""
            for told in kinds
        ]
    )
    by_package = pd.Series(is_ready, index=ids).reindex(package).to_numpy(dtype=object)
    own = permits["is_ready"].to_numpy(dtype=bool)
    matched = permits.assign(
        package_id=package.to_numpy(),
        is_ready=np.where(package == "", own, by_package).astype(bool),
    ).astype({"package_id": "str"})
    return matched, programme.assign(
        n_permits=count, n_open_permits=n_open, **both("open_permits", texts), is_ready=is_ready
    )


def _find_late(permits: pd.DataFrame, package: pd.Series, programme: pd.DataFrame) -> Flags:
    """Find the permits not known to be granted by the day on which their package begins.

    Of a package without a place in the programme that is no question yet.
    """
    if "start_date" not in programme or "granted_on" not in permits:
        return np.zeros(len(permits), dtype=bool)
    placed = programme[programme["status"].eq(PLACED).to_numpy(dtype=bool)]
    starts = dict(zip(placed["package_id"], placed["start_date"], strict=True))
    begins = pd.to_datetime(package.map(starts), errors="coerce")
    granted = pd.to_datetime(permits["granted_on"], errors="coerce")
    is_asked = package.isin(list(starts)).to_numpy(dtype=bool)
    return np.asarray(is_asked & ~(granted <= begins).to_numpy(dtype=bool))


def _judge_runs(asked: Asked, is_cut: Flags) -> dict[str, tuple[Floats, Texts]]:
    """Judge for each run what is needed: 1 yes, 0 no, NaN not known; and what it is about."""
    run_id = pd.Index(asked.runs["run_id"].astype("str"))
    nothing = np.full(len(run_id), "", dtype=object)
    opens, depth = _find_opened(asked, run_id, is_cut)
    water = np.nan if asked.groundwater_depth_m is None else asked.groundwater_depth_m
    wet = np.where(np.isnan(depth) | np.isnan(water), np.nan, (depth > water).astype(float))
    houses, homes = _find_houses(asked, run_id)
    return {
        "trees": _judge_trees(asked, run_id, opens),
        "services": (opens, nothing),
        "road": (np.ones(len(run_id)), nothing),
        "dewatering": (np.where(opens == 0, 0.0, wet), nothing),
        "neighbours": (houses, homes),
    }


def _find_opened(asked: Asked, run_id: pd.Index, is_cut: Flags) -> tuple[Floats, Floats]:
    """Tell at which runs the ground is opened (NaN not known), and how deep."""
    dug = asked.digs[asked.digs["opens_ground"].to_numpy(dtype=bool)]
    depth = pd.concat(
        [
            pd.Series(take_numbers(table, "depth_m"), index=table["run_id"].astype("str"))
            for table in (asked.pits, dug)
        ]
    )
    # The deepest of a run is not known where one of its depths is not.
    deepest = depth.fillna(np.inf).groupby(level=0).max().reindex(run_id)
    deep = np.where(np.isinf(deepest), np.nan, deepest)
    trench = take_numbers(asked.runs, "depth_max_m")
    deep = np.where(is_cut, np.fmax(deep, trench), deep)
    deep[is_cut & np.isnan(trench)] = np.nan
    opened = deepest.notna().to_numpy(dtype=bool) | is_cut
    open_works = asked.advice["has_open_works"].to_numpy(dtype=bool)
    return np.where(opened, 1.0, np.where(open_works, np.nan, 0.0)), deep


def _judge_trees(asked: Asked, run_id: pd.Index, opens: Floats) -> tuple[Floats, Texts]:
    """Judge consents: needed at a tree that is protected, not known where that is not known."""
    met = asked.encroachments[asked.encroachments["is_recommended"].to_numpy(dtype=bool)]
    protected = asked.trees["is_protected"].astype("boolean")
    by_tree = protected.set_axis(asked.trees["tree_id"].astype("str"))
    asks = (
        by_tree.reindex(met["tree_id"].astype("str"))
        .astype("Float64")
        .to_numpy(dtype=float, na_value=np.nan)
    )
    rows = pd.DataFrame({"run": met["run_id"].astype("str").to_numpy(), "asks": asks})
    rows["tree"] = met["tree_id"].astype("str").to_numpy()
    rows = rows[rows["asks"].ne(0)]
    by_run = rows.assign(lost=rows["asks"].isna()).groupby("run")
    need = by_run["asks"].max().reindex(run_id).to_numpy(dtype=float)
    lost = by_run["lost"].any().reindex(run_id).eq(True).to_numpy(dtype=bool)
    near, _ = asked.zones.unknown_index.query(
        np.asarray(asked.runs.geometry), predicate="dwithin", distance=BLIND_M
    )
    blind = np.isin(np.arange(len(run_id)), near) & (opens != 0)
    found = np.where(need == 1, 1.0, np.where(lost | blind | np.isnan(opens), np.nan, 0.0))
    return found, _join_by_run(rows["tree"], rows["run"], run_id)


def _find_houses(asked: Asked, run_id: pd.Index) -> tuple[Floats, Texts]:
    """Tell at which runs houses are connected; not known where connections are not."""
    house = asked.connections[is_house(asked.connections)]
    count = house["run_id"].astype("str").value_counts().reindex(run_id).fillna(0).to_numpy()
    known = ~np.isnan(take_numbers(asked.runs, "n_connections"))
    names = _join_by_run(house["connection_id"].astype("str"), house["run_id"], run_id)
    found = np.where(count > 0, 1.0, np.where(known, 0.0, np.nan))
    return found, names


def _join_by_run(ids: pd.Series, runs: pd.Series, run_id: pd.Index) -> Texts:
    """Join the ids that name each run; what names none of them is left out."""
    place = run_id.get_indexer(pd.Index(runs.astype("str"))).astype(np.int64)
    return join_ids(ids[place >= 0], place[place >= 0], len(run_id))
