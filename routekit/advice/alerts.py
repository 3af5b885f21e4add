"""Alerts: what a reader must know before he relies on a recommendation, thing by thing.

Each is decided here, once; terminal, summary, GeoPackage and map show the same table.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple, TypeAlias

import pandas as pd

from routekit.advice.open_runs import CONTRADICTED, NO_TECHNIQUE, find_works
from routekit.advice.standing import LINE_OPEN, OWNERS, PROVISIONAL
from routekit.arrays import Flags, list_ids, split_ids
from routekit.layers.decisions import NO_TREE, STEM, TREE_GONE
from routekit.site.encroachments import TRENCH
from routekit.techniques import OWN_PIT
from routekit.vocabulary import NO_PLACE, TO_CONFIRM
from routekit.words.texts import both, fill, message, word

LIMIT: Final = message("a rule or limit is not kept")
UNKNOWN: Final = message("not known")
DECIDED: Final = message("decided by people")
ALERT_COLUMNS: Final = (
    "alert",
    "kind",
    "kind_words",
    "about",
    "item_id",
    "run_id",
    "text",
    "text_words",
)
"""Columns of `find_alerts`."""

Tables: TypeAlias = dict[str, pd.DataFrame]


class Alert(NamedTuple):
    """One kind of alert.

    Attributes
    ----------
    code : str
    kind : str
        `LIMIT`, `UNKNOWN` or `DECIDED`.
    about : str
        Table of the things it is about: runs, strings, pits, digs or trees.
    text : str
        What is the matter with each.
    holds : callable
        Tells from the tables of `find_alerts` which rows of `about` it is raised for.
    """

    code: str
    kind: str
    about: str
    text: str
    holds: Callable[[Tables], Flags]


def find_alerts(
    advice: pd.DataFrame,
    runs: pd.DataFrame,
    strings: pd.DataFrame,
    pits: pd.DataFrame,
    digs: pd.DataFrame,
    decisions: pd.DataFrame,
    root_zones: pd.DataFrame,
    encroachments: pd.DataFrame,
    programme: pd.DataFrame,
) -> pd.DataFrame:
    """Find what has to be told of runs, strings, pits, digs and trees.

    Parameters
    ----------
    advice : DataFrame
        run_id, technique, standing, open_because, is_feasible, is_forced, decision, is_near_stem;
        rows as in `runs`.
    runs : DataFrame
        n_trees, n_connections: missing where not known.
    strings : DataFrame
        string_id, run_ids, is_over_limit, laydown_has_room.
    pits, digs : DataFrame
        pit_id or dig_id, run_id, is_near_stem; of pits also is_free and geometry.
    decisions : DataFrame
        tree_id, decision.
    root_zones : DataFrame
        tree_id: outlines that were taken over.
    encroachments : DataFrame
        kind, run_id, tree_id: the runs whose trench would enter the zone of a tree.
    programme : DataFrame
        run_ids, done_run_ids, status.

    Returns
    -------
    DataFrame
        `ALERT_COLUMNS`: one row per alert, thing and run that it concerns (run_id is missing where
        a tree is met by none), in the order of `ALERTS` and of the things.

    Notes
    -----
    A flag that is missing raises the alert of what is not known, never none.

    Examples
    --------
    A pit of which it is not known whether it meets anything, as no services were given:

    >>> none = pd.DataFrame(dtype="str")
    >>> advice = pd.DataFrame({"run_id": ["A"], "technique": ["cipp"], "standing": ["recommended"],
    ...     "open_because": [""], "is_feasible": [True], "is_forced": [False], "decision": [""],
    ...     "is_near_stem": [False]})
    >>> runs = pd.DataFrame({"n_trees": [1], "n_connections": [0]})
    >>> pits = pd.DataFrame({"pit_id": ["P1"], "run_id": ["A"], "is_near_stem": [False],
    ...     "is_free": pd.array([None], "boolean"), "geometry": ["POINT (1 2)"]})
    >>> found = find_alerts(
    ...     advice,
    ...     runs,
    ...     none.reindex(columns=["string_id", "run_ids", "is_over_limit", "laydown_has_room"]),
    ...     pits,
    ...     none.reindex(columns=["dig_id", "run_id", "is_near_stem"]),
    ...     none.reindex(columns=["tree_id", "decision"]),
    ...     none.reindex(columns=["tree_id"]),
    ...     none.reindex(columns=["kind", "run_id", "tree_id"]),
    ...     none.reindex(columns=["run_ids", "done_run_ids", "status"]),
    ... )
    >>> found[["alert", "item_id", "text"]].to_numpy().tolist()
    [['pit_clear_unknown', 'P1', 'not known whether it meets anything']]
    """
    things: Tables = {
        "runs": advice.assign(
            item_id=advice["run_id"],
            n_trees=runs["n_trees"].to_numpy(),
            n_connections=runs["n_connections"].to_numpy(),
            has_no_days=advice["run_id"].isin(_list_planned(programme, NO_PLACE)),
            has_open_days=advice["run_id"].isin(_list_planned(programme, TO_CONFIRM)),
        ),
        "strings": strings.assign(
            item_id=strings["string_id"], run_id=split_ids(strings["run_ids"])
        ),
        "pits": pits.assign(item_id=pits["pit_id"]),
        "digs": digs.assign(item_id=digs["dig_id"]),
        "trees": _list_trees(decisions, root_zones, encroachments),
    }
    held = [(alert, alert.holds(things)) for alert in ALERTS]
    kept = [_raise(alert, things[alert.about], holds) for alert, holds in held if holds.any()]
    if not kept:
        return pd.DataFrame({name: pd.Series(dtype="str") for name in ALERT_COLUMNS})
    return pd.concat(kept, ignore_index=True)[list(ALERT_COLUMNS)]


def _list_planned(programme: pd.DataFrame, status: str) -> list[str]:
    """List the runs of packages of the programme of some status, those that are finished aside."""
    held = programme[programme["status"].eq(status).to_numpy(dtype=bool)]
    return sorted(set(list_ids(held["run_ids"])) - set(list_ids(held["done_run_ids"])))


def _raise(alert: Alert, table: pd.DataFrame, holds: Flags) -> pd.DataFrame:
    """List the things that an alert is raised for, and the runs that it concerns."""
    hit = table.loc[holds, ["item_id", "run_id"]].explode("run_id")
    hit = hit.drop_duplicates().reset_index(drop=True)
    blank = hit["run_id"].isna() | hit["run_id"].eq("")
    return pd.DataFrame(
        {
            "alert": alert.code,
            "about": alert.about,
            "item_id": hit["item_id"].astype("str"),
            "run_id": hit["run_id"].astype("str").mask(blank),
            **both("kind", fill([word(alert.kind)] * len(hit))),
            **both("text", fill([word(alert.text)] * len(hit))),
        }
    )


def _list_trees(
    decisions: pd.DataFrame, root_zones: pd.DataFrame, encroachments: pd.DataFrame
) -> pd.DataFrame:
    """List what people decided about trees, with the runs whose trench would enter their zones."""
    told = decisions.loc[decisions["tree_id"].notna().to_numpy(), ["tree_id", "decision"]]
    drawn = root_zones[["tree_id"]].assign(decision="own_zone")
    trees = pd.concat([told, drawn], ignore_index=True).astype({"tree_id": "str"})
    trees = trees[(trees["tree_id"] != "").to_numpy(dtype=bool, na_value=False)]
    cut = encroachments[(encroachments["kind"] == TRENCH).to_numpy(dtype=bool)]
    met = cut[["tree_id", "run_id"]].astype("str").drop_duplicates()
    return trees.merge(met, on="tree_id", how="left").assign(item_id=lambda one: one["tree_id"])


def _is(about: str, name: str, value: Any) -> Callable[[Tables], Flags]:
    """Tell rows in which a column holds a value; a missing one is none of them."""
    return lambda tables: _equals(tables[about][name], value)


def _is_missing(about: str, name: str) -> Callable[[Tables], Flags]:
    """Tell rows in which a column is missing."""
    return lambda tables: _lacks(tables[about][name])


def _lacks(column: pd.Series) -> Flags:
    """Tell where a column is missing."""
    missing: Flags = column.isna().to_numpy(dtype=bool)
    return missing


def _equals(column: pd.Series, value: Any) -> Flags:
    """Compare a column with a value."""
    same: Flags = column.eq(value).to_numpy(dtype=bool, na_value=False)
    return same


def _is_work(tables: Tables) -> Flags:
    """Tell runs that are worked on."""
    return find_works(tables["runs"]["technique"])


def _works_on(standing: str) -> Callable[[Tables], Flags]:
    """Tell runs worked on whose recommendation stands on a word of `STANDINGS`."""
    return lambda tables: _is_work(tables) & _equals(tables["runs"]["standing"], standing)


def _is_left_unseen(tables: Tables) -> Flags:
    """Tell runs that are left alone and were never inspected."""
    unseen = tables["runs"]["standing"].isin([PROVISIONAL, OWNERS]).to_numpy(dtype=bool)
    return unseen & ~_is_work(tables)


def _works_unknown(tables: Tables) -> Flags:
    """Tell runs worked on of which the connections are not known."""
    return _is_work(tables) & _lacks(tables["runs"]["n_connections"])


def _fails_by_decision(tables: Tables) -> Flags:
    """Tell runs that keep a technique that fails a check."""
    runs = tables["runs"]
    return _equals(runs["is_feasible"], False) & _equals(runs["open_because"], "")


def _unmet(tables: Tables) -> Flags:
    """Tell placed pits that meet something."""
    return _equals(tables["pits"]["is_free"], False) & ~_lacks(tables["pits"]["geometry"])


def _unknown_free(tables: Tables) -> Flags:
    """Tell placed pits of which it is not known whether they meet anything."""
    pits = tables["pits"]
    return _lacks(pits["is_free"]) & ~_lacks(pits["geometry"])


def _excluded(tables: Tables) -> Flags:
    """Tell runs on which techniques are ruled out, and none is forced."""
    runs = tables["runs"]
    return ~_equals(runs["decision"], "") & _equals(runs["is_forced"], False)


_NEAR: Final = message("so close to a stem that nothing may be dug there")
_NEAR_UNKNOWN: Final = message("not known whether it is too close to a stem")


def _digs_own_pit(tables: Tables) -> Flags:
    """Tell the runs that get their pipe from a pit of their own, which is not set out."""
    found: Flags = tables["runs"]["technique"].isin(OWN_PIT).to_numpy(dtype=bool)
    return found


ALERTS: Final = (
    Alert(
        "contradicted",
        LIMIT,
        "runs",
        message("a decision and a ban on pits exclude each other: nothing is recommended"),
        _is("runs", "open_because", CONTRADICTED),
    ),
    Alert(
        "no_technique",
        LIMIT,
        "runs",
        message("no technique is feasible: nothing is recommended"),
        _is("runs", "open_because", NO_TECHNIQUE),
    ),
    Alert(
        "fails_by_decision",
        LIMIT,
        "runs",
        message("fails a check and stands by decision"),
        _fails_by_decision,
    ),
    Alert(
        "line_passes_less",
        LIMIT,
        "runs",
        message(
            "made larger, though pipes further down the line carry too little or are not known: "
            "the owner decides on the whole line"
        ),
        _works_on(LINE_OPEN),
    ),
    Alert(
        "string_over_limit",
        LIMIT,
        "strings",
        message("longer than the reach, or over what pipe or machine can take, by an estimate"),
        _is("strings", "is_over_limit", True),
    ),
    Alert(
        "string_without_room",
        LIMIT,
        "strings",
        message("no room to lay out even one pipe length"),
        _is("strings", "laydown_has_room", False),
    ),
    Alert("pit_not_clear", LIMIT, "pits", message("without a clear position"), _unmet),
    Alert(
        "pit_not_placed",
        LIMIT,
        "pits",
        message("not placed: what it would meet is not counted"),
        _is_missing("pits", "geometry"),
    ),
    Alert(
        "own_pit_not_placed",
        LIMIT,
        "runs",
        message("slipped in from a pit that is not placed: what it would meet is not counted"),
        _digs_own_pit,
    ),
    Alert(
        "no_days",
        LIMIT,
        "runs",
        message("has no place in the programme of works"),
        _is("runs", "has_no_days", True),
    ),
    Alert("trench_near_stem", LIMIT, "runs", _NEAR, _is("runs", "is_near_stem", True)),
    Alert("pit_near_stem", LIMIT, "pits", _NEAR, _is("pits", "is_near_stem", True)),
    Alert("dig_near_stem", LIMIT, "digs", _NEAR, _is("digs", "is_near_stem", True)),
    Alert(
        "days_open",
        UNKNOWN,
        "runs",
        message("days in the programme of works still to be confirmed"),
        _is("runs", "has_open_days", True),
    ),
    Alert(
        "inspect_first",
        UNKNOWN,
        "runs",
        message("not inspected: the technique is provisional"),
        _works_on(PROVISIONAL),
    ),
    Alert(
        "decided_uninspected",
        UNKNOWN,
        "runs",
        message("worked on by decision of the owner, and not inspected"),
        _works_on(OWNERS),
    ),
    Alert(
        "left_uninspected",
        UNKNOWN,
        "runs",
        message("left alone although nobody has looked inside"),
        _is_left_unseen,
    ),
    Alert(
        "size_unknown",
        UNKNOWN,
        "runs",
        message("size not known: not counted in what a trench would do to trees"),
        _is_missing("runs", "n_trees"),
    ),
    Alert(
        "connections_unknown",
        UNKNOWN,
        "runs",
        message("connections not known: digs at them and what these do are not counted"),
        _works_unknown,
    ),
    Alert(
        "string_limit_unknown",
        UNKNOWN,
        "strings",
        message("not known whether the pull is over what pipe or machine can take"),
        _is_missing("strings", "is_over_limit"),
    ),
    Alert(
        "string_room_unknown",
        UNKNOWN,
        "strings",
        message("not known whether there is room to lay it out"),
        _is_missing("strings", "laydown_has_room"),
    ),
    Alert(
        "pit_clear_unknown",
        UNKNOWN,
        "pits",
        message("not known whether it meets anything"),
        _unknown_free,
    ),
    Alert(
        "trench_near_stem_unknown",
        UNKNOWN,
        "runs",
        _NEAR_UNKNOWN,
        _is_missing("runs", "is_near_stem"),
    ),
    Alert(
        "pit_near_stem_unknown",
        UNKNOWN,
        "pits",
        _NEAR_UNKNOWN,
        _is_missing("pits", "is_near_stem"),
    ),
    Alert(
        "dig_near_stem_unknown",
        UNKNOWN,
        "digs",
        _NEAR_UNKNOWN,
        _is_missing("digs", "is_near_stem"),
    ),
    Alert(
        "forced",
        DECIDED,
        "runs",
        message("technique forced by decision"),
        _is("runs", "is_forced", True),
    ),
    Alert("excluded", DECIDED, "runs", message("techniques ruled out by decision"), _excluded),
    Alert(
        "no_pit",
        DECIDED,
        "trees",
        message("no pit may stand in the root zone, by decision"),
        _is("trees", "decision", "no_pit"),
    ),
    Alert(
        "own_zone",
        DECIDED,
        "trees",
        message("root zone drawn by hand"),
        _is("trees", "decision", "own_zone"),
    ),
    Alert(
        "no_tree",
        DECIDED,
        "trees",
        message("struck out: no tree stands there, by decision"),
        _is("trees", "decision", NO_TREE),
    ),
    Alert(
        "tree_gone",
        DECIDED,
        "trees",
        message("left out: the tree is gone, by decision"),
        _is("trees", "decision", TREE_GONE),
    ),
    Alert(
        "stem_corrected",
        DECIDED,
        "trees",
        message("stem diameter corrected, by decision"),
        _is("trees", "decision", STEM),
    ),
)
"""Every alert, gravest first."""
