"""Runs in a row that are moved together onto one new line, where that is better for each of them.

The manhole between two runs may be what stands in the way: a line that need not pass it is sought
from the upper end of the first run to the lower end of the last. It is cut where new manholes take
the place of those between, and each part is its run's new line: proved, weighed and shown as any
other. Together they are taken only where all parts are proved, the sum of their scores is lower
than that of the best way of each run by itself, and no run is worse off than with what is
recommended for it: nothing is moved for another run's sake.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
import shapely

from routekit.advice.line_drafts import Drafts, draft_together, take_drafts
from routekit.advice.new_line_texts import say_dear, say_joint, say_side_sewer
from routekit.arrays import Floats, Ints
from routekit.methods.checks import FAIL, UNKNOWN, Check, worst_verdict
from routekit.site.line_search import Sought
from routekit.words.texts import Text, list_words, word

_SNAP_M: Final = 15.0
"""A bend of the line so near to where an old manhole would stand takes its place, m (house)."""
_LEAST_M: Final = 1.0
"""Parts shorter than this are none, m (house choice)."""


class Tried(NamedTuple):
    """What came of moving some runs together.

    Attributes
    ----------
    runs : numpy.ndarray of int
        In the order of the flow.
    is_taken : bool
        Whether the lines may be recommended.
    more : float
        Score of the lines in all, less that of the best way of each run by itself; infinite where
        they are not proved.
    drafts : Drafts
    said : Text
        How they would stand, for runs that they are not taken for.
    """

    runs: Ints
    is_taken: bool
    more: float
    drafts: Drafts
    said: Text


def find_rows(asked: Ints, runs: pd.DataFrame, most: int) -> tuple[list[Ints], dict[int, Text]]:
    """Find the runs that may be moved together: in a row, with no other sewer between them.

    Parameters
    ----------
    asked : numpy.ndarray of int
        Positions of the runs that may be moved.
    runs : DataFrame, n rows
        run_id, from_manhole, to_manhole.
    most : int
        Most runs in a row.

    Returns
    -------
    rows : list of numpy.ndarray of int
        Positions in the order of the flow; two to `most` in each.
    barred : dict of int to Text
        By run, why it is not moved with the next: which sewers join between them.

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["A", "B", "C", "S"],
    ...     "from_manhole": ["1", "2", "3", "9"], "to_manhole": ["2", "3", "4", "3"]})
    >>> rows, barred = find_rows(np.array([0, 1, 2]), runs, 3)
    >>> [row.tolist() for row in rows], list(barred)
    ([[0, 1]], [1])
    """
    starts, ends = (runs[name].astype(object) for name in ("from_manhole", "to_manhole"))
    leaving = starts.groupby(starts).indices
    entering = ends.groupby(ends).indices
    may, below, barred = set(asked.tolist()), {}, {}
    for run in asked.tolist():
        out = leaving.get(ends.iloc[run], [])
        if len(out) != 1 or int(out[0]) not in may or int(out[0]) == run:
            continue
        others = [int(one) for one in entering[ends.iloc[run]] if one != run]
        if others:
            named = [str(runs["run_id"].iloc[one]) for one in others]
            barred[run] = say_side_sewer(str(runs["run_id"].iloc[int(out[0])]), named)
        else:
            below[run] = int(out[0])
    rows = []
    for run in below:
        row = [run]
        while len(row) < most and row[-1] in below and below[row[-1]] not in row:
            row.append(below[row[-1]])
            rows.append(np.array(row, dtype=np.int64))
    return rows, barred


def leave_out_dear(
    rows: list[Ints], runs: pd.DataFrame, floor_m: Floats, beside: Floats
) -> tuple[list[Ints], dict[int, Text]]:
    """Leave out the runs that no line could serve better together: the trench alone costs more.

    Parameters
    ----------
    rows : list of numpy.ndarray of int
    runs : GeoDataFrame, n rows
    floor_m : numpy.ndarray of float, shape (n,)
        What a metre of trench costs at least; NaN not known.
    beside : numpy.ndarray of float, shape (n,)
        Score of what is recommended for each run, infinite where nothing is.

    Returns
    -------
    rows : list of numpy.ndarray of int
        Those left.
    dear : dict of int to Text
        By run, what is said of the others.
    """
    shapes = np.asarray(runs["geometry"], dtype=object)
    left: list[Ints] = []
    dear: dict[int, Text] = {}
    for row in rows:
        straight = shapely.distance(
            shapely.get_point(shapes[row[0]], 0), shapely.get_point(shapes[row[-1]], -1)
        )
        least, best = float(straight * floor_m[row].min()), float(beside[row].sum())
        if not least >= best:  # nor where it is not known
            left.append(row)
            continue
        told = say_dear([str(one) for one in runs["run_id"].iloc[row]], least, best)
        for run in row.tolist():
            dear.setdefault(run, told)
    return left, dear


def cut_line(line: Any, manholes: Any) -> Floats | None:
    """Find where new manholes on a line take the place of old ones.

    Parameters
    ----------
    line : LineString
    manholes : numpy.ndarray of Point, shape (k,)
        In the order of the flow.

    Returns
    -------
    numpy.ndarray of float, shape (k,), or None
        Shares of the length: at a bend within 15 m along the line of the foot of the old manhole,
        since a manhole stands there anyway, else at that foot. None where they would not be in
        order, or nearer than 1 m to each other or an end.

    Examples
    --------
    >>> line = shapely.LineString([(0, 0), (40, 30), (80, 0)])
    >>> cut_line(line, shapely.points([[42, 20]]))
    array([0.5])
    """
    total = shapely.length(line)
    bends = shapely.line_locate_point(line, shapely.points(shapely.get_coordinates(line)[1:-1]))
    free, found = bends.tolist(), []
    for foot in shapely.line_locate_point(line, manholes):
        away = np.abs(np.array(free) - foot)
        is_near = len(free) > 0 and away.min() <= _SNAP_M
        found.append(free.pop(int(away.argmin())) if is_near else float(foot))
    steps = np.diff([0.0, *found, total])
    return np.array(found) / total if (steps >= _LEAST_M).all() else None


def pack_rounds(rows: list[Ints]) -> list[list[int]]:
    """Pack rows of runs into rounds in which no run stands twice.

    Parameters
    ----------
    rows : list of numpy.ndarray of int

    Returns
    -------
    list of list of int
        Positions in `rows`.

    Examples
    --------
    >>> pack_rounds([np.array([0, 1]), np.array([1, 2]), np.array([2, 3])])
    [[0, 2], [1]]
    """
    rounds: list[tuple[list[int], set[int]]] = []
    for at, row in enumerate(rows):
        for held, taken in rounds:
            if taken.isdisjoint(row.tolist()):
                held.append(at)
                taken.update(row.tolist())
                break
        else:
            rounds.append(([at], set(row.tolist())))
    return [held for held, _ in rounds]


def draft_rows(
    rows: list[Ints], runs: pd.DataFrame, seek: Callable[[Ints], Sought]
) -> dict[int, tuple[Drafts, Sought]]:
    """Seek one line for each row of runs, and cut it into their parts.

    Parameters
    ----------
    rows : list of numpy.ndarray of int
    runs : GeoDataFrame, n rows
    seek : callable
        Seeks one line for runs in a row.

    Returns
    -------
    dict of int to tuple of (Drafts, Sought)
        By position in `rows`: those for which there is a line.
    """
    shapes = np.asarray(runs["geometry"], dtype=object)
    found: dict[int, tuple[Drafts, Sought]] = {}
    for at, row in enumerate(rows):
        sought = seek(row)
        vertices = getattr(sought.found, "vertices", None)
        if vertices is None:
            continue
        line = shapely.LineString(vertices)
        cuts = cut_line(line, shapely.get_point(shapes[row[:-1]], -1))
        if cuts is not None:
            found[at] = draft_together(row, cuts, line), sought
    return found


def judge_rows(
    drafts: Drafts,
    rows: list[Ints],
    checks: list[Check],
    score: Floats,
    beside: Floats,
    alone: Floats,
    run_ids: pd.Series,
) -> list[Tried]:
    """Judge rows of runs that were proved together.

    Parameters
    ----------
    drafts : Drafts, k lines
        Numbered by group as `rows` are.
    rows : list of numpy.ndarray of int
    checks : list of Check, of k lines
    score : numpy.ndarray of float, shape (k,)
        NaN not known.
    beside, alone : numpy.ndarray of float, shape (n,)
        Score of what is recommended for each run (infinite where nothing is), and of its best way
        by itself, a new line of its own included.
    run_ids : Series of str, shape (n,)

    Returns
    -------
    list of Tried
    """
    verdict = worst_verdict(checks)
    tried = []
    for group, row in enumerate(rows):
        mine = np.flatnonzero(drafts.group == group)
        own = drafts.own[mine]
        total, best = float(score[mine].sum()), float(alone[own].sum())
        is_proved = not np.isin(verdict[mine], (FAIL, UNKNOWN)).any() and np.isfinite(total)
        is_worse = score[mine] >= beside[own]
        is_taken = bool(is_proved and total < best and not is_worse.any())
        told = [str(one) for one in run_ids.iloc[row]]
        level = FAIL if (verdict[mine] == FAIL).any() else UNKNOWN
        why = [word(one.name) for one in checks if (one.verdict[mine] == level).any()]
        said = say_joint(
            told,
            total,
            best,
            failing=None if is_proved else (level == FAIL, list_words(why) if why else None),
            worse=[str(one) for one in run_ids.iloc[own[is_worse]]],
        )
        more = total - best if is_proved else np.inf
        tried.append(Tried(row, is_taken, more, take_drafts(drafts, mine), said))
    return tried


def choose_rows(tried: list[Tried]) -> list[Tried]:
    """Choose those that are taken: the greatest gain first, no run twice.

    Parameters
    ----------
    tried : list of Tried

    Returns
    -------
    list of Tried
    """
    chosen: list[Tried] = []
    taken: set[int] = set()
    for one in sorted(tried, key=lambda each: each.more):
        if one.is_taken and taken.isdisjoint(one.runs.tolist()):
            chosen.append(one)
            taken.update(one.runs.tolist())
    return chosen
