"""Totals of a study: open cut everywhere against what is recommended.

Low and high are plain sums of every run's low and high. That all runs turn out low, or all
high, at once is unlikely, so the span is the cautious one. Both sides are summed over the same
runs: those whose amount is known on both. The row after a sum says how many runs are left out of
it; a sum that counts no run of those to be worked on is not known.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.advice.currency import Money
from routekit.advice.open_runs import find_works
from routekit.advice.rates import LEVELS, FloatArray
from routekit.advice.surfaces import KINDS
from routekit.arrays import Flags
from routekit.techniques import MONITOR, OPEN_CUT, OWN_PIT, ROOTED_AGAIN
from routekit.words.texts import Text, both, fill, message, say, word

SIDES: Final = ("open_cut", "recommended")
CURRENCY: Final = "currency"
JOINING: Final = message(
    "Runs worked on with connections not known (digs, reopening, impact and cost left out)"
)
"""Name of the line that counts runs whose connections are not known."""
WORKED_ON: Final = message("Runs worked on")
"""Name of the line that counts the runs of each side."""
WHOLE_LIFE: Final = message("Cost over the whole life")
"""Name of the line of whole-life costs; the appraisal rule stands behind it."""
UNSEEN_ROOTS: Final = message(
    "Runs lined or repaired of which it is not known whether roots choke them (cutting those that "
    "return stands in the high cost over the whole life alone)"
)
"""Name of the line that counts runs whose roots nobody has looked for."""
OPEN: Final = message("Runs without a recommendation (counted on neither side)")
"""Name of the line that counts runs for which a person must decide first."""
UNPLACED: Final = message("Pits not placed: root zone not counted")
"""Name of the line that counts pits whose place or size is not known."""
OWN_PITS: Final = message("Runs slipped in from a pit that is not placed: root zone not counted")
"""Name of the line that counts runs whose own pit is not set out."""


class Line(NamedTuple):
    """One line of the totals."""

    quantity: str
    unit: str
    open_cut: FloatArray
    recommended: FloatArray
    source: str


SUMS: Final[dict[str, tuple[str, str, str]]] = {
    "excavation_m3": (message("Excavation (bank volume)"), "m3", "geometry"),
    "spoil_m3": (message("Spoil (bulked)"), "m3", "spoil_range"),
    "spoil_trips": (message("Lorry loads of spoil"), "loads", "practice"),
    **{
        f"reinstated_{kind}_m2": (
            say(
                "Surface reinstated: {kind}",
                kind=word("not known" if kind == "unknown" else kind),
            ),
            "m2",
            "geometry",
        )
        for kind in KINDS
    },
    "pipe_kg": (message("New pipe and liner"), "kg", "arithmetic"),
    "days": (message("Working days of one crew"), "days", "production_practice"),
    "cost": (message("Cost"), CURRENCY, "unit_rates_house"),
    "whole_life_cost": (WHOLE_LIFE, CURRENCY, "appraisal"),
    "co2e_embodied_kg": (message("CO2e of materials"), "kg CO2e", "ice_v2"),
    "co2e_transport_kg": (message("CO2e of transport"), "kg CO2e", "carbon_memory"),
    "co2e_plant_kg": (message("CO2e of plant"), "kg CO2e", "carbon_memory"),
    "co2e_kg": (message("CO2e"), "kg CO2e", "arithmetic"),
}
"""Summed quantity of a run to its name, unit and source in the totals."""


def build_totals(
    open_cut: pd.DataFrame,
    recommended: pd.DataFrame,
    *,
    length_m: ArrayLike,
    loss_open_cut: pd.DataFrame,
    loss_recommended: pd.DataFrame,
    pits: pd.DataFrame,
    digs: pd.DataFrame,
    money: Money,
    is_joined: ArrayLike = True,
    is_sized: ArrayLike = True,
) -> pd.DataFrame:
    """Set open cut everywhere against the recommendation.

    Parameters
    ----------
    open_cut, recommended : pandas.DataFrame, n rows
        From `run_quantities`, for the same runs in the same order; may_be_choked (bool): whether it
        is not known if roots choke the run, nowhere without the column.
    length_m : array_like of float, shape (n,)
        Length of each run in m.
    loss_open_cut, loss_recommended : pandas.DataFrame
        One row for each tree that is touched: severity, footprint_m2, severed_m2, both with
        shared ground counted once.
    pits : pandas.DataFrame
        Pits of the recommendation, with geometry (None: not placed); open cut has none.
    digs : pandas.DataFrame
        Small digs of the recommendation, with `opens_ground`; what opens none is not a dig, and
        connections of open cut lie in its trench.
    money : Money
        The currency, and the rule by which whole-life costs were worked out.
    is_joined : array_like of bool, shape (n,), optional
        Whether the number of connections of each run is known; all where not given.
    is_sized : array_like of bool, shape (n,), optional
        Whether the width of each run's trench is known; all where not given.

    Returns
    -------
    pandas.DataFrame
        quantity, unit, open_cut_low, open_cut_mid, open_cut_high, recommended_low,
        recommended_mid, recommended_high, source (a key of the sources); rows in the order of
        works, trees, ground, surfaces, programme, cost and carbon, each followed by the count of
        runs that it leaves out, if any. Amounts that are known without a spread are equal in all
        three; NaN where no run to be worked on is counted.

    Raises
    ------
    ValueError
        If the tables do not hold the same runs in the same order.
    """
    if open_cut["run_id"].tolist() != recommended["run_id"].tolist():
        raise ValueError("open cut and recommended must hold the same runs in the same order")
    tables = (open_cut, recommended)
    lengths = np.asarray(length_m, dtype=np.float64)
    joined = np.broadcast_to(np.asarray(is_joined, dtype=bool), lengths.shape)
    sized = np.broadcast_to(np.asarray(is_sized, dtype=bool), lengths.shape)
    at_work = _work_on(recommended)
    lines = [
        *_work_lines(tables, lengths),
        *_joining_lines(tables, joined),
        *_tree_lines((loss_open_cut, loss_recommended), tables, sized),
        _count(message("Pits"), "pits", 0, len(pits), "geometry"),
        *_unplaced_lines(pits),
        *_own_pit_lines(tables),
        *_left_out(
            message("Pits, where the size of the pipe is not known"),
            [np.zeros_like(at_work), at_work & ~sized],
        ),
        *_dig_lines(digs, at_work, joined),
        *_sum_lines(tables, money),
        *_root_lines(tables),
    ]
    columns = {
        f"{side}_{level}": [float(getattr(line, side)[place]) for line in lines]
        for side in SIDES
        for place, level in enumerate(LEVELS)
    }
    return pd.DataFrame(
        {
            **both("quantity", fill([_say(line.quantity) for line in lines])),
            "unit": [line.unit for line in lines],
            **columns,
            "source": [line.source for line in lines],
        }
    )


def _say(name: str) -> Text:
    """Say the name of a line: a sentence already, or words of a list."""
    return name if isinstance(name, Text) else word(name)


def _count(name: str, unit: str, open_cut: float, recommended: float, source: str) -> Line:
    """Make a line of two amounts without a spread."""
    size = len(LEVELS)
    return Line(name, unit, np.full(size, open_cut), np.full(size, recommended), source)


def _pair(name: str, unit: str, amounts: list[float], source: str) -> Line:
    """Make a line of one amount for each side."""
    return _count(name, unit, amounts[0], amounts[1], source)


def _work_lines(tables: tuple[pd.DataFrame, ...], length_m: FloatArray) -> list[Line]:
    """Count runs that are worked on and runs that are left."""
    works = [_work_on(table) for table in tables]
    is_left = [(table["technique"] == MONITOR).to_numpy(dtype=bool) for table in tables]
    is_open = [(table["technique"] == "").to_numpy(dtype=bool) for table in tables]
    lines = [
        _pair(WORKED_ON, "runs", [float(work.sum()) for work in works], "study"),
        _pair(
            message("Runs left and monitored"),
            "runs",
            [float(left.sum()) for left in is_left],
            "study",
        ),
        *_open_lines([float(which.sum()) for which in is_open]),
        _pair(
            message("Length worked on"),
            "m",
            [float(np.nansum(length_m[work])) for work in works],
            "study",
        ),
    ]
    return [*lines, *_left_out("Length worked on", [np.isnan(length_m) & work for work in works])]


def _open_lines(counts: list[float]) -> list[Line]:
    """Say how many runs have no recommendation, so that neither side counts them, if any."""
    return [_pair(OPEN, "runs", counts, "study")] if any(counts) else []


def _work_on(table: pd.DataFrame) -> Flags:
    """Tell which runs are worked on; one without a recommendation is not."""
    return find_works(table["technique"])


def count_asked(totals: pd.DataFrame) -> int:
    """Count the runs that are to be worked on, those that wait for a person's decision among them.

    Parameters
    ----------
    totals : DataFrame
        From `build_totals`: quantity and open_cut_mid.

    Returns
    -------
    int

    Examples
    --------
    >>> lines = {"quantity": ["Runs worked on", OPEN, "Pits"], "open_cut_mid": [5.0, 2.0, 4.0]}
    >>> count_asked(pd.DataFrame(lines))
    7
    """
    is_asked = totals["quantity"].astype(str).isin([WORKED_ON, OPEN])
    return int(totals.loc[is_asked, "open_cut_mid"].sum())


def name_lost(name: str) -> Text:
    """Name the line that counts the runs which another line of the totals leaves out.

    Parameters
    ----------
    name : str
        Name of that other line.

    Returns
    -------
    Text

    Examples
    --------
    >>> str(name_lost("Cost"))
    'Runs not counted: Cost'
    """
    return say("Runs not counted: {name}", name=_say(name))


def _left_out(name: str, masks: list[Flags]) -> list[Line]:
    """Say how many runs a line leaves out, where it leaves out any."""
    counts = [float(mask.sum()) for mask in masks]
    if not any(counts):
        return []
    return [_pair(name_lost(name), "runs", counts, "arithmetic")]


def _unplaced_lines(pits: pd.DataFrame) -> list[Line]:
    """Say how many pits are not placed, so that the trees count nothing of them, if any."""
    number = float(pits["geometry"].isna().sum())
    return [_count(UNPLACED, "pits", 0, number, "arithmetic")] if number else []


def _own_pit_lines(tables: tuple[pd.DataFrame, ...]) -> list[Line]:
    """Say how many runs get their pipe from a pit that is set out nowhere, if any."""
    counts = [float(table["technique"].isin(OWN_PIT).sum()) for table in tables]
    return [_pair(OWN_PITS, "runs", counts, "arithmetic")] if any(counts) else []


def _root_lines(tables: tuple[pd.DataFrame, ...]) -> list[Line]:
    """Say how many runs are lined or repaired whose roots nobody has looked for, if any."""
    unseen = (
        table["technique"].isin(ROOTED_AGAIN) & table.get("may_be_choked", False)
        for table in tables
    )
    counts = [float(which.sum()) for which in unseen]
    return [_pair(UNSEEN_ROOTS, "runs", counts, "arithmetic")] if any(counts) else []


def _joining_lines(tables: tuple[pd.DataFrame, ...], joined: Flags) -> list[Line]:
    """Say on how many runs to be worked on connections are not known, where there are any."""
    counts = [float((_work_on(table) & ~joined).sum()) for table in tables]
    if not any(counts):
        return []
    return [_pair(JOINING, "runs", counts, "arithmetic")]


def _dig_lines(digs: pd.DataFrame, at_work: Flags, joined: Flags) -> list[Line]:
    """Count small digs; not known where no run to be worked on has known connections."""
    name, lost = message("Small digs outside trenches"), at_work & ~joined
    number = float(digs["opens_ground"].sum())
    if lost.any() and not (at_work & joined).any():
        number = np.nan
    lines = [_count(name, "digs", 0, number, "geometry")]
    return [*lines, *_left_out(name, [np.zeros_like(lost), lost])]


def _tree_lines(
    losses: tuple[pd.DataFrame, ...], tables: tuple[pd.DataFrame, ...], sized: Flags
) -> list[Line]:
    """Count trees by harm and sum the root zone that is lost.

    Trenches of unknown width are left out and counted; a side of nothing else is not known.
    """
    lost = [(table["technique"] == OPEN_CUT).to_numpy() & ~sized for table in tables]
    empty = [
        bool(mask.any() and not (_work_on(table) & ~mask).any())
        for mask, table in zip(lost, tables, strict=True)
    ]

    def known_pair(name: str, unit: str, amounts: list[float], source: str) -> Line:
        told = [np.nan if no else one for one, no in zip(amounts, empty, strict=True)]
        return _pair(name, unit, told, source)

    severity = [loss["severity"].astype("object") for loss in losses]
    known = ("none", "minor", "major", "structural")

    def trees(name: str, *which: str) -> Line:
        return known_pair(name, "trees", [float(s.isin(which).sum()) for s in severity], "geometry")

    unsettled = [
        float((~s.isin(known) | loss[["footprint_m2", "severed_m2"]].isna().any(axis=1)).sum())
        for s, loss in zip(severity, losses, strict=True)
    ]
    return [
        trees(message("Trees with a major or structural breach"), "major", "structural"),
        trees(message("Trees with structural roots cut"), "structural"),
        trees(message("Trees with a minor breach only"), "minor"),
        known_pair(
            message("Trees with careful digs in a structural root zone"),
            "trees",
            [_count_careful(loss) for loss in losses],
            "geometry",
        ),
        known_pair(
            message("Root zone dug"),
            "m2",
            [float(x["footprint_m2"].sum()) for x in losses],
            "geometry",
        ),
        known_pair(
            message("Root zone dug or severed"),
            "m2",
            [float(x["severed_m2"].sum()) for x in losses],
            "severed_cautious",
        ),
        _pair(message("Trees not counted above: loss not known"), "trees", unsettled, "arithmetic"),
        *_left_out(message("trees and root zones, where the size of the pipe is not known"), lost),
    ]


def _count_careful(loss: pd.DataFrame) -> float:
    """Count trees whose structural zone only hand or suction digs enter; trenches never do so."""
    if "is_careful_structural" not in loss:
        return 0.0
    return float(loss["is_careful_structural"].sum())


def _sum_lines(tables: tuple[pd.DataFrame, ...], money: Money) -> list[Line]:
    """Sum each quantity over the runs where it is known on both sides."""
    at_work = _work_on(tables[0]) | _work_on(tables[1])
    names = [f"{quantity}_{level}" for quantity in SUMS for level in LEVELS]
    shape = (-1, len(SUMS), len(LEVELS))
    stacks = [table[names].to_numpy(dtype=np.float64).reshape(shape) for table in tables]
    lines = []
    for place, (plain, unit, origin) in enumerate(SUMS.values()):
        is_life = plain == WHOLE_LIFE
        name = (
            say("{quantity} ({rule})", quantity=word(plain), rule=money.appraisal)
            if is_life
            else plain
        )
        source = money.source if is_life else origin
        amounts = [stack[:, place] for stack in stacks]
        known = ~np.any([np.isnan(amount).any(axis=1) for amount in amounts], axis=0)
        is_told = not at_work.any() or bool((known & at_work).any())
        first, second = (
            amount[known].sum(axis=0) if is_told else np.full(len(LEVELS), np.nan)
            for amount in amounts
        )
        shown = money.currency if unit == CURRENCY else unit
        lines += [Line(name, shown, first, second, source), *_left_out(name, [~known, ~known])]
    return lines
