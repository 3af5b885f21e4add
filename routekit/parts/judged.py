"""What is found in a part, as tables of its own runs with positions of the whole study."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Ints
from routekit.parts.divide import Part
from routekit.parts.numbering import mark_works
from routekit.pipeline import JudgedRuns, Prepared, judge_runs
from routekit.site.digs import AT_CONNECTION, AT_SPOT
from routekit.study import StudySettings
from routekit.trees.near_misses import Bounds

Tables = dict[str, pd.DataFrame]

CASES: Final = ("needs_work", "is_inspected", "n_connections", "may_be_choked")
"""Facts of runs on which trees are balanced."""
ORDER: Final = ("_first", "_second", "_third", "_fourth")
"""Columns by which the rows of all parts are put in the order of the whole; see `gather`."""


def judge_part(
    settings: StudySettings, prepared: Prepared, condition: pd.DataFrame, part: Part
) -> Tables:
    """Judge the runs of a part.

    Parameters
    ----------
    settings : StudySettings
        Of the whole study.
    prepared : Prepared
        From `routekit.parts.take.take_part`.
    condition : DataFrame
        Of the runs of the part and around it.
    part : Part

    Returns
    -------
    dict of str to DataFrame
        Rows of the part's own runs, with `ORDER` where rows of parts lie between each other; `run`
        and `tree` are positions in the whole study, ids of works are marked.
    """
    judged = judge_runs(settings, prepared, condition, name_works=mark_works)
    own = np.isin(part.rows.runs, part.own)
    return _list_runs(judged, prepared, own, part) | _list_works(judged, prepared, own, part)


def _list_runs(judged: JudgedRuns, prepared: Prepared, own: Flags, part: Part) -> Tables:
    """List what is known of each run, and of each run and tree."""
    chosen, exposure, dug = judged.chosen, judged.exposure, judged.dug
    run_ids = chosen.runs["run_id"]
    index = pd.Index(run_ids)
    place = part.rows.runs

    def by_run(table: pd.DataFrame) -> pd.DataFrame:
        """Take the rows of own runs from a table of runs."""
        return _order(table[own], place[own])

    def by_name(table: pd.DataFrame) -> pd.DataFrame:
        """Take the rows of own runs, named in run_id."""
        row = index.get_indexer(pd.Index(table["run_id"].astype(str)))
        mine = own[row] & (row >= 0)
        return _order(table[mine], place[row[mine]])

    def by_pair(table: pd.DataFrame) -> pd.DataFrame:
        """Take the rows of own runs from a table of runs and trees, by position."""
        row = table["run"].to_numpy(dtype=np.int64)
        mine = table[own[row]]
        moved = _move(mine, part)
        return _order(moved, moved["run"].to_numpy(), moved["tree"].to_numpy())

    sides = {f"side_{n}": by_run(side) for n, side in enumerate(chosen.sides)}
    return {
        **{name: by_run(getattr(chosen, name)) for name in ("runs", "advice")},
        **{
            name: by_name(_move(getattr(chosen, name), part))
            for name in ("checks", "quantities", "times")
        },
        "options": _order_options(chosen.options, own, part),
        **sides,
        "cases": by_run(chosen.place.cases[list(CASES)]),
        "settled": by_run(judged.settled),
        "trenches": by_run(exposure.trenches),
        "breaches": by_pair(exposure.breaches),
        "doubt": by_pair(exposure.doubt),
        "near_misses": by_pair(exposure.near_misses),
        "dug_trenches": by_run(dug.trenches),
        "dug_breaches": by_pair(dug.breaches),
        "dug_doubt": by_pair(dug.doubt),
        "dug_near_misses": by_pair(dug.near_misses),
        "bounds": by_pair(_tabulate_bounds(exposure.bounds)),
        "new_lines": by_name(judged.new_lines.lines),
        "new_line_checks": by_name(judged.new_lines.checks),
        "new_line_connections": _order_connections(
            by_name(judged.new_lines.connections), prepared, part
        ),
    }


def _order_connections(table: pd.DataFrame, prepared: Prepared, part: Part) -> pd.DataFrame:
    """Put connections in the order of their layer; what only a camera saw follows, by run."""
    index = pd.Index(prepared.layers.connections["connection_id"])
    found = index.get_indexer(pd.Index(table["connection_id"].astype(object)))
    place = np.append(part.rows.connections, 0)[found] - _BEFORE
    first = ORDER[0]
    return table.assign(**{first: np.where(found >= 0, place, table[first])})


def _order_options(options: pd.DataFrame, own: Flags, part: Part) -> pd.DataFrame:
    """Take the options of own runs, technique by technique."""
    row = options["run"].to_numpy(dtype=np.int64)
    block = np.arange(len(row)) // max(len(own), 1)
    mine = own[row]
    moved = _move(options[mine], part)
    return _order(moved, block[mine], moved["run"].to_numpy())


def _tabulate_bounds(bounds: Bounds) -> pd.DataFrame:
    """Write the bounds of severity as a table."""
    return pd.DataFrame(vars(bounds))


def _list_works(judged: JudgedRuns, prepared: Prepared, own: Flags, part: Part) -> Tables:
    """List the works of own runs and what they do to trees."""
    chosen, place = judged.chosen, part.rows.runs
    works = chosen.works
    index = pd.Index(chosen.runs["run_id"])
    names = pd.Index(works.strings["string_id"])
    head = place[works.chain_of_string]
    string_of_run = names.get_indexer(pd.Index(works.string_of_run))

    def chain_of(run: Ints) -> Ints:
        """Give the first run of the chain in which some runs are pulled, or the run itself."""
        string = string_of_run[run]
        return np.where(string >= 0, np.append(head, 0)[string], place[run])

    pit_run = index.get_indexer(pd.Index(works.pits["run_id"]))
    dig_run = index.get_indexer(pd.Index(works.digs["run_id"].astype(str)))
    # A network is in one part as a whole: a string is where its chain begins.
    mine = np.isin(head, part.own)
    serial = np.arange(len(works.strings))[mine]
    pits = own[pit_run]
    digs = own[dig_run] & (dig_run >= 0)
    dig_order = _order_digs(works.digs, dig_run, prepared, part)
    return {
        "strings": _order(works.strings[mine], head[mine], serial),
        "laydown": _order(chosen.laydown[mine], head[mine], serial),
        "pits": _order(works.pits[pits], chain_of(pit_run[pits]), np.flatnonzero(pits)),
        "digs": _order(works.digs[digs], *(keys[digs] for keys in dig_order)),
        "encroachments": _order_encroachments(chosen.encroachments, own, part),
    }


def _order_digs(
    digs: pd.DataFrame, run: Ints, prepared: Prepared, part: Part
) -> tuple[Ints, Ints, Ints]:
    """Give the keys of the order of digs: kind, place among all of the kind, place in the part."""
    kind = digs["kind"].to_numpy(dtype=object)
    kinds = pd.factorize(np.concatenate([_KINDS, kind]))[0][len(_KINDS) :]
    named = pd.Index(digs["connection_id"].astype(object))
    key = part.rows.runs[np.maximum(run, 0)].astype(np.int64)
    for which, layer, column, rows in (
        (AT_CONNECTION, "connections", "connection_id", part.rows.connections),
        ("manhole", "manholes", "manhole_id", part.rows.manholes),
    ):
        found = pd.Index(getattr(prepared.layers, layer)[column]).get_indexer(named)
        is_here = (kind == which) & (found >= 0)
        # What only a camera saw follows, in the order of the runs.
        key = np.where(is_here, np.append(rows, 0)[found] - _BEFORE, key)
    return kinds.astype(np.int64), key, np.arange(len(digs))


_KINDS: Final = np.array([AT_CONNECTION, AT_SPOT, "service", "manhole"], dtype=object)
"""Kinds of digs in the order in which they are set out."""
_BEFORE: Final = 1 << 40
"""More than there are rows of any layer."""


def _order_encroachments(table: pd.DataFrame, own: Flags, part: Part) -> pd.DataFrame:
    """Take what works of own runs do to trees; pits and digs are put in order once numbered."""
    row = table["run"].to_numpy(dtype=np.int64)
    mine = own[row] & (row >= 0)
    moved = _move(table[mine], part)
    return moved.reset_index(drop=True)


def _move(table: pd.DataFrame, part: Part) -> pd.DataFrame:
    """Give positions in the whole study for those in the part."""
    moved = {
        name: rows[table[name].to_numpy(dtype=np.int64)].astype(table[name].dtype)
        for name, rows in (("run", part.rows.runs), ("tree", part.rows.trees))
        if name in table
    }
    return table.assign(**moved) if moved else table


def _order(table: pd.DataFrame, *keys: Ints) -> pd.DataFrame:
    """Put the keys of the order beside the rows."""
    added = dict(zip(ORDER, keys, strict=False))
    return table.reset_index(drop=True).assign(**added)
