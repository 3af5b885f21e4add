"""New lines in place of open cut on the lines as they are, where they are the better way.

A run that is laid on a new line is open cut: its row of every table of open cut is that of the new
line, so whatever is decided or shown of open cut holds of it. Nothing of the other techniques
changes: they stay on the line as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.burst_choice import BurstChoice
from routekit.advice.earthworks import IS_LAID, LAID, Items
from routekit.advice.options import Comparison, passes
from routekit.advice.rates import LEVELS
from routekit.advice.score import CRITERIA
from routekit.advice.settings import AdviceSettings
from routekit.advice.whole_life import RENEWALS, add_up_life, follow_up, is_followed
from routekit.arrays import Floats, Ints, Objects
from routekit.methods.checks import Check
from routekit.site.layout import Place
from routekit.techniques import OPEN_CUT, TECHNIQUES
from routekit.trees.exposure import Exposure, Trenched

_Table = TypeVar("_Table", bound=pd.DataFrame)
_Array = TypeVar("_Array", bound=np.ndarray)
_PLACE = list(TECHNIQUES).index(OPEN_CUT)


@dataclass(frozen=True, kw_only=True)
class LaidLines:
    """New lines that are recommended, k of them.

    Attributes
    ----------
    own : numpy.ndarray of int, shape (k,)
        Positions of their runs, ascending.
    shapes : numpy.ndarray of LineString, shape (k,)
    exposure : Exposure
        What all that is dug for them does to trees.
    near_stem : numpy.ndarray of float, shape (k,)
        1 where they are dug too near a stem, 0 where not, NaN not known.
    plan, quantities : DataFrame, k rows
    checks : list of Check
        Of k lines; those of open cut first, in its order. The others stay with the new line.
    work : dict of str to numpy.ndarray of float, shape (k,)
    facts : dict of str to numpy.ndarray of float, shape (k,)
    parts : numpy.ndarray of float, shape (k, c)
    open_cut : DataFrame, n rows
        Quantities of open cut on the lines as they are.
    said : numpy.ndarray of object, shape (k,)
        What is said of each beside the reason of its recommendation.
    to_confirm : numpy.ndarray of object, shape (k,)
        What its own checks ask for on site.
    """

    own: Ints
    shapes: Objects
    exposure: Exposure
    near_stem: Floats
    plan: pd.DataFrame
    checks: list[Check]
    work: Items
    quantities: pd.DataFrame
    facts: dict[str, Floats]
    parts: Floats
    open_cut: pd.DataFrame
    said: Objects
    to_confirm: Objects


def take_lines(laid: LaidLines, rows: Ints) -> LaidLines:
    """Take some of the new lines.

    Parameters
    ----------
    laid : LaidLines
    rows : numpy.ndarray of int, shape (m,)
        Ascending.

    Returns
    -------
    LaidLines
    """
    found = laid.exposure
    return LaidLines(
        own=laid.own[rows],
        shapes=laid.shapes[rows],
        exposure=replace(
            found,
            trenches=found.trenches.iloc[rows].reset_index(drop=True),
            breaches=_take_pairs(found.breaches, rows),
            near_misses=_take_pairs(found.near_misses, rows),
            doubt=_take_pairs(found.doubt, rows),
        ),
        near_stem=laid.near_stem[rows],
        plan=laid.plan.iloc[rows].reset_index(drop=True),
        checks=[_take_check(one, rows) for one in laid.checks],
        work={name: each[rows] for name, each in laid.work.items()},
        quantities=laid.quantities.iloc[rows].reset_index(drop=True),
        facts={name: each[rows] for name, each in laid.facts.items()},
        parts=laid.parts[rows],
        open_cut=laid.open_cut,
        said=laid.said[rows],
        to_confirm=laid.to_confirm[rows],
    )


def _take_pairs(table: pd.DataFrame, rows: Ints) -> pd.DataFrame:
    """Take the pairs of some lines, numbered anew."""
    place = pd.Index(rows).get_indexer(pd.Index(table["run"].to_numpy(dtype=np.int64)))
    return table.assign(run=place)[place >= 0].reset_index(drop=True)


def _take_check(one: Check, rows: Ints) -> Check:
    """Take what a check found of some lines."""
    told = one.note
    return replace(
        one,
        value=one.value[rows],
        limit=one.limit[rows],
        verdict=one.verdict[rows],
        assumed=None if one.assumed is None else one.assumed[rows],
        is_raised=None if one.is_raised is None else one.is_raised[rows],
        note=None if told is None else lambda row: told(int(rows[row])),
    )


def put_rows(table: _Table, own: Ints, rows: pd.DataFrame) -> _Table:
    """Put other rows in a table, in place of those at some positions.

    Parameters
    ----------
    table : DataFrame, n rows
    own : numpy.ndarray of int, shape (k,)
    rows : DataFrame, k rows
        With the columns of the table.

    Returns
    -------
    DataFrame, n rows

    Examples
    --------
    >>> table = pd.DataFrame({"a": [1.0, 2.0, 3.0]}, index=["x", "y", "z"])
    >>> put_rows(table, np.array([1]), pd.DataFrame({"a": [9.0]}))["a"].to_dict()
    {'x': 1.0, 'y': 9.0, 'z': 3.0}
    """
    kept = table.reset_index(drop=True).drop(index=own.tolist())
    put = rows[list(table.columns)].set_axis(own, axis=0)
    joined: _Table = pd.concat([kept, put]).sort_index().set_axis(table.index, axis=0)
    return joined


def put_pairs(table: pd.DataFrame, own: Ints, pairs: pd.DataFrame) -> pd.DataFrame:
    """Put the pairs of new lines and trees in place of those of their runs.

    Parameters
    ----------
    table : DataFrame
        run and tree, as positions.
    own : numpy.ndarray of int, shape (k,)
    pairs : DataFrame
        The same columns; run is the position in `own`.

    Returns
    -------
    DataFrame
        By run and tree.

    Examples
    --------
    >>> table = pd.DataFrame({"run": [0, 1, 2], "tree": [5, 5, 6]})
    >>> put_pairs(table, np.array([1]), pd.DataFrame({"run": [0], "tree": [7]})).to_numpy().tolist()
    [[0, 5], [1, 7], [2, 6]]
    """
    kept = table[~np.isin(table["run"].to_numpy(dtype=np.int64), own)]
    mine = pairs[list(table.columns)].assign(run=own[pairs["run"].to_numpy(dtype=np.int64)])
    parts = [part for part in (kept, mine) if len(part)] or [kept]
    return pd.concat(parts).sort_values(["run", "tree"], kind="stable").reset_index(drop=True)


def expose_laid(exposure: Trenched, laid: LaidLines) -> Trenched:
    """Let trenches, breaches and near misses of laid runs be those of their new lines.

    Parameters
    ----------
    exposure : Trenched
        Of open cut on the lines as they are; its sums and bounds stay so.
    laid : LaidLines

    Returns
    -------
    Trenched

    Raises
    ------
    KeyError
        If a table of the new lines lacks a column.

    Examples
    --------
    It is a step of `routekit.pipeline.run_study`, where new lines are recommended:

    >>> expose_laid.__name__
    'expose_laid'
    """
    own, found = laid.own, laid.exposure
    return replace(
        exposure,
        trenches=put_rows(exposure.trenches, own, found.trenches),
        breaches=put_pairs(exposure.breaches, own, found.breaches),
        near_misses=put_pairs(exposure.near_misses, own, found.near_misses),
        doubt=put_pairs(exposure.doubt, own, found.doubt),
    )


def place_laid(place: Place, laid: LaidLines) -> Place:
    """Draw laid runs where they are dug, with the trenches of their new lines.

    Parameters
    ----------
    place : Place
    laid : LaidLines

    Returns
    -------
    Place
    """
    shapes = place.runs.geometry.to_numpy(copy=True)
    shapes[laid.own] = laid.shapes
    return replace(
        place,
        runs=place.runs.set_geometry(gpd.GeoSeries(shapes, crs=place.runs.crs)),
        trenches=put_rows(place.trenches, laid.own, laid.exposure.trenches),
    )


def take_work(laid: LaidLines, size: int) -> pd.DataFrame:
    """Give the work of new lines as columns of the plan of open cut; see `IS_LAID`.

    Parameters
    ----------
    laid : LaidLines
    size : int
        Number of runs n.

    Returns
    -------
    DataFrame, n rows
    """
    found = {name: np.zeros(size) for name in (IS_LAID, *(LAID + name for name in laid.work))}
    found[IS_LAID][laid.own] = 1.0
    for name, amount in laid.work.items():
        found[LAID + name][laid.own] = amount
    return pd.DataFrame(found)


def choose_laid(
    strings: BurstChoice, laid: LaidLines, work: pd.DataFrame, settings: AdviceSettings
) -> BurstChoice:
    """Let open cut of laid runs be their new lines, in what techniques are compared by.

    Parameters
    ----------
    strings : BurstChoice
    laid : LaidLines
    work : DataFrame, n rows
        From `take_work`.
    settings : AdviceSettings

    Returns
    -------
    BurstChoice
    """
    own, final = laid.own, strings.final
    plans = strings.plans | {OPEN_CUT: put_rows(strings.plans[OPEN_CUT], own, laid.plan)}
    compared = _compare_laid(final, laid, plans, work)
    return replace(strings, plans=plans, final=_follow_laid(compared, own, settings))


def _compare_laid(
    final: Comparison, laid: LaidLines, plans: dict[str, pd.DataFrame], work: pd.DataFrame
) -> Comparison:
    """Put what was found of new lines in place of open cut."""
    own, scores = laid.own, final.scores
    before = final.in_full[OPEN_CUT]
    full = before.copy()
    for name in plans[OPEN_CUT].columns:
        full[name] = plans[OPEN_CUT][name].to_numpy()
    full = pd.concat([full, work.set_axis(full.index, axis=0)], axis=1)
    parts = scores.parts.copy()
    parts[own, _PLACE] = laid.parts
    return replace(
        final,
        plans=final.plans | {OPEN_CUT: plans[OPEN_CUT]},
        in_full=final.in_full | {OPEN_CUT: full},
        checks=final.checks | {OPEN_CUT: _put_checks(final.checks[OPEN_CUT], own, laid.checks)},
        quantities=final.quantities
        | {OPEN_CUT: put_rows(final.quantities[OPEN_CUT], own, laid.quantities)},
        scores=replace(
            scores,
            parts=parts,
            facts={name: _put(each, own, laid.facts[name]) for name, each in scores.facts.items()},
            taken={name: _put(each, own, laid.facts[name]) for name, each in scores.taken.items()},
        ),
    )


def _follow_laid(final: Comparison, own: Ints, settings: AdviceSettings) -> Comparison:
    """Let new lines be what follows repairs and liners of their runs, where nothing is cheaper."""
    rows = {code: table.iloc[own] for code, table in final.quantities.items()}
    allowed = {code: passes(final.checks[code])[own] for code in RENEWALS}
    then = follow_up(rows, allowed, settings)
    quantities, full = dict(final.quantities), dict(final.in_full)
    facts, parts = dict(final.scores.facts), final.scores.parts.copy()
    life_facts = facts["whole_life_cost"].copy()
    for code in filter(is_followed, quantities):
        plan = full[code].copy()
        for name in then.columns:
            values = plan[name].to_numpy(copy=True)
            values[own] = then[name].to_numpy()
            plan[name] = values
        full[code] = plan
        cost = rows[code][[f"cost_{level}" for level in LEVELS]].to_numpy(dtype=float)
        life = add_up_life(
            code, cost, final.length_m[own], plan.iloc[own], settings, settings.appraisal_rule
        )
        names = [f"whole_life_cost_{level}" for level in LEVELS]
        given = {name: life[:, place] for place, name in enumerate(names)}
        quantities[code] = put_rows(quantities[code], own, rows[code].assign(**given))
        place, middle = list(TECHNIQUES).index(code), life[:, LEVELS.index("mid")]
        life_facts[own, place] = middle
        known = ~np.isnan(middle)
        parts[own[known], place, CRITERIA.index("cost")] = middle[known]
    scores = replace(final.scores, parts=parts, facts=facts | {"whole_life_cost": life_facts})
    return replace(final, quantities=quantities, in_full=full, scores=scores)


def _put(table: Floats, own: Ints, values: Floats) -> Floats:
    """Put values of new lines in the column of open cut."""
    put = table.copy()
    put[own, _PLACE] = values
    return put


def _put_checks(checks: list[Check], own: Ints, laid: list[Check]) -> list[Check]:
    """Put what checks of open cut found on new lines in place of what they found on the old."""
    names = [one.name for one in checks]
    found = laid[: len(names)]
    if [one.name for one in found] != names:
        raise ValueError("checks of a new line must begin with those of open cut, in their order")
    return [_put_check(*pair, own) for pair in zip(checks, found, strict=True)]


def _put_check(one: Check, laid: Check, own: Ints) -> Check:
    """Put rows of one check in place of others; what is said of them goes along."""
    return replace(
        one,
        value=_put_values(one.value, own, laid.value),
        limit=_put_values(one.limit, own, laid.limit),
        verdict=_put_values(one.verdict, own, laid.verdict),
        assumed=_put_marks(one.assumed, own, laid.assumed, np.full(len(one.value), "", object)),
        is_raised=_put_marks(one.is_raised, own, laid.is_raised, np.zeros(len(one.value), bool)),
        note=_join_notes(one, laid, own),
    )


def _put_values(values: _Array, own: Ints, laid: _Array) -> _Array:
    """Put values at some positions."""
    put = values.copy()
    put[own] = laid
    return put


def _put_marks(marks: Any, own: Ints, laid: Any, blank: Any) -> Any:
    """Put marks at some positions; where neither has any there are none."""
    if marks is None and laid is None:
        return None
    return _put_values(blank if marks is None else marks, own, blank[own] if laid is None else laid)


def _join_notes(one: Check, laid: Check, own: Ints) -> Callable[[int], str] | None:
    """Ask whichever check a run is held to how its limit comes about."""
    if one.note is None and laid.note is None:
        return None
    at = {int(run): place for place, run in enumerate(own)}

    def note(run: int) -> str:
        """Say of a run how its limit comes about."""
        mine, row = (laid, at[run]) if run in at else (one, run)
        return "" if mine.note is None else mine.note(row)

    return note
