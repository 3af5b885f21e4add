"""Totals of a study: open cut everywhere against what is recommended.

Low and high are plain sums of every run's low and high. That all runs turn out low, or all
high, at once is unlikely, so the span is the cautious one. Both sides are summed over the same
runs: those whose amount is known on both. The row after a sum says how many runs are left out of
it; a sum that counts no run of those to be worked on is not known.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.advice.currency import Money
from routekit.advice.rates import LEVELS, FloatArray
from routekit.advice.surfaces import KINDS
from routekit.advice.tree_bands import bound_trees, widen_trees
from routekit.arrays import Flags, Texts
from routekit.site.layout import Place, Works, balance_trees
from routekit.techniques import MONITOR, OPEN_CUT
from routekit.trees.breach import sum_tree_loss
from routekit.trees.exposure import Exposure
from routekit.trees.unsized import add_unknown_losses
from routekit.words.texts import Text, both, fill, message, say, word

SIDES: Final = ("open_cut", "recommended")
CURRENCY: Final = "currency"
JOINING: Final = message(
    "Runs worked on with connections not known (digs, reopening, impact and cost left out)"
)
"""Name of the line that counts runs whose connections are not known."""
WHOLE_LIFE: Final = message("Cost over the whole life")
"""Name of the line of whole-life costs; the appraisal rule stands behind it."""
OPEN: Final = message("Runs without a recommendation (counted on neither side)")
"""Name of the line that counts runs for which a person must decide first."""
UNPLACED: Final = message("Pits not placed: root zone not counted")
"""Name of the line that counts pits whose place or size is not known."""


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
        From `run_quantities`, for the same runs in the same order.
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
        *_left_out(
            message("Pits, where the size of the pipe is not known"),
            [np.zeros_like(at_work), at_work & ~sized],
        ),
        *_dig_lines(digs, at_work, joined),
        *_sum_lines(tables, money),
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
        _pair(message("Runs worked on"), "runs", [float(work.sum()) for work in works], "study"),
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
    return ~table["technique"].isin([MONITOR, ""]).to_numpy(dtype=bool)


def _left_out(name: str, masks: list[Flags]) -> list[Line]:
    """Say how many runs a line leaves out, where it leaves out any."""
    counts = [float(mask.sum()) for mask in masks]
    if not any(counts):
        return []
    said = say("Runs not counted: {name}", name=_say(name))
    return [_pair(said, "runs", counts, "arithmetic")]


def _unplaced_lines(pits: pd.DataFrame) -> list[Line]:
    """Say how many pits are not placed, so that the trees count nothing of them, if any."""
    number = float(pits["geometry"].isna().sum())
    return [_count(UNPLACED, "pits", 0, number, "arithmetic")] if number else []


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


def _amounts(table: pd.DataFrame, quantity: str) -> FloatArray:
    """Give a quantity as low, mid and high, shape (n, 3)."""
    columns = [f"{quantity}_{level}" for level in LEVELS]
    return table[columns].to_numpy(dtype=np.float64)


def _sum_lines(tables: tuple[pd.DataFrame, ...], money: Money) -> list[Line]:
    """Sum each quantity over the runs where it is known on both sides."""
    at_work = _work_on(tables[0]) | _work_on(tables[1])
    lines = []
    for quantity, (plain, unit, origin) in SUMS.items():
        is_life = plain == WHOLE_LIFE
        name = (
            say("{quantity} ({rule})", quantity=word(plain), rule=money.appraisal)
            if is_life
            else plain
        )
        source = money.source if is_life else origin
        amounts = [_amounts(table, quantity) for table in tables]
        known = ~np.any([np.isnan(amount).any(axis=1) for amount in amounts], axis=0)
        is_told = not at_work.any() or bool((known & at_work).any())
        first, second = (
            amount[known].sum(axis=0) if is_told else np.full(len(LEVELS), np.nan)
            for amount in amounts
        )
        shown = money.currency if unit == CURRENCY else unit
        lines += [Line(name, shown, first, second, source), *_left_out(name, [~known, ~known])]
    return lines


def sum_up(
    place: Place,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    works: Works,
    encroachments: pd.DataFrame,
    chosen: Texts,
    quantities: dict[str, pd.DataFrame],
    money: Money,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Balance each tree, and set open cut wherever work is needed against the recommendation.

    Parameters
    ----------
    place : Place
    zones : GeoDataFrame
        One zone per tree.
    exposure : Exposure
    works : Works
        The recommended works.
    encroachments : DataFrame
        What they do to trees; see `routekit.site.layout.encroach`.
    chosen : numpy.ndarray of str, shape (n,)
        Recommended technique of each run; blank where nothing is recommended.
    quantities : dict of str to DataFrame
        Of every technique on every run.
    money : Money

    Returns
    -------
    balance, totals : DataFrame
    """
    needs = place.cases["needs_work"].to_numpy() > 0
    unsized = np.isnan(place.trenches["width_m"].to_numpy(dtype=float))
    # A trench of unknown width that is decided on for a sound run counts on both sides.
    cut_runs = needs | (unsized & (chosen == OPEN_CUT))
    is_open = chosen == ""
    is_cut = chosen == OPEN_CUT
    balance = balance_trees(
        place,
        works,
        chosen,
        encroachments,
        loss_before=_loss_of(cut_runs | is_open, exposure, zones),
        loss_open_cut=_loss_of(is_cut, exposure, zones),
        undecided=_list_reached(is_open, exposure, zones),
    )
    cut_runs &= ~is_open
    before = _loss_of(cut_runs, exposure, zones)
    dug = np.where(is_open, "", np.where(needs, OPEN_CUT, MONITOR)).astype(object)
    after = balance[balance["is_touched"]].assign(severed_m2=lambda table: table["loss_m2"])
    totals = build_totals(
        _take_quantities(quantities, dug),
        _take_quantities(quantities, chosen),
        length_m=place.runs["length_m"].to_numpy(dtype=float),
        loss_open_cut=before,
        loss_recommended=after,
        pits=works.pits,
        digs=works.digs,
        money=money,
        is_joined=place.cases["n_connections"].notna().to_numpy(),
        is_sized=~unsized,
    )
    return balance, widen_trees(totals, bound_trees(cut_runs, exposure.bounds))


def _loss_of(which: Flags, exposure: Exposure, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Loss per tree by the trenches of some runs."""
    breaches = exposure.breaches[which[exposure.breaches["run"].to_numpy()]]
    losses = sum_tree_loss(
        breaches.reset_index(drop=True), exposure.trenches, zones, tiers=exposure.tiers
    )
    doubt = exposure.doubt[which[exposure.doubt["run"].to_numpy()]]
    return add_unknown_losses(losses, doubt, zones)


def _list_reached(which: Flags, exposure: Exposure, zones: gpd.GeoDataFrame) -> Texts:
    """List the trees that a trench of some runs enters, or could reach."""
    pairs = [
        table.loc[which[table["run"].to_numpy(dtype=np.int64)], "tree"]
        for table in (exposure.breaches, exposure.doubt)
    ]
    tree = np.unique(np.concatenate(pairs).astype(np.int64))
    return np.asarray(zones["tree_id"].to_numpy(dtype=object)[tree])


def _take_quantities(quantities: dict[str, pd.DataFrame], technique: Texts) -> pd.DataFrame:
    """Take the quantities of each run's own technique; not known where it has none."""
    codes = list(quantities)
    place = pd.Index(codes).get_indexer(pd.Index(technique.astype(str)))
    first = quantities[codes[0]]
    numbers = [name for name in first.columns if name not in ("run_id", "technique")]
    stack = np.stack([quantities[code][numbers].to_numpy(dtype=float) for code in codes])
    taken = stack[place, np.arange(len(first))]
    taken[place < 0] = np.nan
    table = pd.DataFrame(taken, columns=numbers)
    table.insert(0, "technique", technique)
    table.insert(0, "run_id", first["run_id"].to_numpy())
    return table
