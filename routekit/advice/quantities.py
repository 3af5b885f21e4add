"""Quantities, programme, cost and CO2e of a technique, run by run.

Work items (`routekit.advice.work_items`) times rates (`routekit.advice.settings`), each low, mid
and high. Low takes the low of every rate at once and high the high of every rate, so the span is
wider than the likely one. Left out: design fees, land, services diverted, dewatering, delay to
traffic, and carbon of tying in to old manholes and of the crew's travel.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.advice.earthworks import Items, Site, read_site
from routekit.advice.rates import LEVELS, FloatArray, RateGroup
from routekit.advice.settings import AdviceSettings, WorkSettings
from routekit.advice.surfaces import KINDS
from routekit.advice.whole_life import add_up_life
from routekit.advice.work_items import RECIPES
from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import spoil

QUANTITIES: Final = (
    "excavation_m3",
    "spoil_m3",
    "spoil_trips",
    *(f"reinstated_{kind}_m2" for kind in KINDS),
    "pipe_kg",
    "connection_digs",
    "days",
    "cost",
    "whole_life_cost",
    "co2e_embodied_kg",
    "co2e_transport_kg",
    "co2e_plant_kg",
    "co2e_kg",
)
"""Quantities of `run_quantities`; each has a column `_low`, `_mid` and `_high`."""

KG_PER_T: Final = 1000.0
PER_DAY: Final = "/day"
DAY_ITEMS: Final = ("pump_day", "site_day")
"""Priced items that follow from the days, not from the work list."""


def run_quantities(
    technique: str | ArrayLike,
    runs: pd.DataFrame,
    plan: pd.DataFrame,
    shares: pd.DataFrame,
    *,
    trench: TrenchSettings,
    settings: AdviceSettings,
) -> pd.DataFrame:
    """Find quantities, days, cost and CO2e of a technique on each run.

    Parameters
    ----------
    technique : str or array_like of str, shape (n,)
        Technique of all runs, or of each.
    runs : pandas.DataFrame, n rows
        run_id, length_m, diameter_mm (width of the old bore), girth_mm (its perimeter over pi),
        depth_up_m and depth_down_m (to invert), bottom_width_m and outside_diameter_mm (of the
        trench table), n_connections.
    plan : pandas.DataFrame, n rows in the order of `runs`
        new_outside_mm, pipe_kg_m, liner_wall_mm, n_repairs, setup_share (set-ups of this run; a
        string of four equal runs has 0.25 each), pit_m3 and pit_m2 (this run's share of what is dug
        by machine of the pits and of their surface), and the small digs with what else is dug of
        the pits (see `routekit.advice.earthworks.sum_digs`). A
        technique reads only the columns that it needs; the others may be NaN.
    shares : pandas.DataFrame, n rows in the order of `runs`
        From `surface_shares`.
    trench : TrenchSettings
        How trenches are dug.
    settings : AdviceSettings
        Rates.

    Returns
    -------
    pandas.DataFrame
        run_id, technique, and for each name of `QUANTITIES` the columns `_low`, `_mid` and
        `_high`; index of `runs`. NaN where an input that the technique needs is not known.
        spoil_m3 is loose, on the lorry; days are those of one crew, pumped over and supervised
        throughout; cost and whole_life_cost are in the study's currency.

    Raises
    ------
    ValueError
        If a technique is not known, a column is missing or a number is below zero.
    """
    names = np.broadcast_to(np.asarray(technique, dtype=object), (len(runs),))
    unknown = sorted(set(names.tolist()) - set(RECIPES))
    if unknown:
        raise ValueError(f"unknown technique {unknown[0]!r}; known are {', '.join(RECIPES)}")
    columns = [f"{quantity}_{level}" for quantity in QUANTITIES for level in LEVELS]
    values = np.full((len(runs), len(columns)), np.nan)
    for name in RECIPES:
        here = np.flatnonzero(names == name)
        if len(here):
            site = read_site(
                runs.iloc[here],
                plan.iloc[here],
                shares.iloc[here],
                trench=trench,
                work=settings.work,
            )
            parts = technique_quantities(name, site, settings, plan.iloc[here])
            values[here] = np.hstack([parts[quantity] for quantity in QUANTITIES])
    table = pd.DataFrame(values, columns=columns, index=runs.index)
    table.insert(0, "technique", names)
    table.insert(0, "run_id", runs["run_id"].to_numpy())
    return table


def technique_quantities(
    name: str, site: Site, settings: AdviceSettings, plan: pd.DataFrame
) -> Items:
    """Find the quantities of one technique.

    Parameters
    ----------
    name : str
        Technique.
    site : Site
        Runs and plan.
    settings : AdviceSettings
        Rates.
    plan : DataFrame, n rows
        What follows and returns, for the whole-life cost; see `routekit.advice.whole_life`.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n, 3)
        Low, mid and high by name of `QUANTITIES`.
    """
    work = RECIPES[name](site)
    return add_up_work(name, work, site.run["length_m"], plan, settings, site.trench)


def add_up_work(
    name: str,
    work: Items,
    length_m: FloatArray,
    plan: pd.DataFrame,
    settings: AdviceSettings,
    trench: TrenchSettings,
) -> Items:
    """Add up the work of one technique.

    Parameters
    ----------
    name : str
        Technique.
    work : dict of str to numpy.ndarray of float, shape (n,)
        Work items.
    length_m : numpy.ndarray of float, shape (n,)
    plan : DataFrame, n rows
        What follows and returns; see `routekit.advice.whole_life`.
    settings : AdviceSettings
    trench : TrenchSettings
        How much spoil bulks and weighs.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n, 3)
        Low, mid and high by name of `QUANTITIES`.
    """
    size = len(length_m)
    zero = np.zeros(size)
    dug = work.get("excavation_m3", zero)
    loose, mass = spoil(dug, trench)
    days = work_days(work, settings.production, size)
    cost = work_cost(work, days, settings.rates, size)
    carbon = work_carbon(work, mass, days, settings.carbon, size)
    liner_kg = _scale(work.get("liner_m3", zero), settings.carbon.triple("liner_t_m3") * KG_PER_T)
    return {
        "excavation_m3": _level(dug),
        "spoil_m3": loose,
        "spoil_trips": _trips(loose, mass, settings.work),
        **{
            f"reinstated_{kind}_m2": _level(work.get(f"reinstate_{kind}_m2", zero))
            for kind in KINDS
        },
        "pipe_kg": _level(work.get("pe_kg", zero)) + liner_kg,
        "connection_digs": _level(work.get("digs", zero)),
        "days": days,
        "cost": cost,
        "whole_life_cost": add_up_life(
            name, cost, length_m, plan, settings, settings.appraisal_rule
        ),
        **carbon,
    }


def list_work(
    name: str,
    runs: pd.DataFrame,
    plan: pd.DataFrame,
    shares: pd.DataFrame,
    *,
    trench: TrenchSettings,
    settings: AdviceSettings,
) -> Items:
    """List the work of one technique on each run, before anything is priced.

    Parameters
    ----------
    name : str
        Technique.
    runs, plan, shares, trench, settings
        See `run_quantities`.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n,)
        Amount of each item.
    """
    site = read_site(runs, plan, shares, trench=trench, work=settings.work)
    return RECIPES[name](site)


def _level(values: FloatArray) -> FloatArray:
    """Give values without a spread as low, mid and high."""
    return np.repeat(values[:, np.newaxis], len(LEVELS), axis=1)


def _scale(values: FloatArray, rate: FloatArray) -> FloatArray:
    """Values times a low, mid, high rate, shape (n, 3)."""
    return np.asarray(values[:, np.newaxis] * rate)


def _trips(loose_m3: FloatArray, mass_t: FloatArray, work: WorkSettings) -> FloatArray:
    """Lorry loads by volume or by mass, whichever is more; parts of a load are kept."""
    return np.maximum(loose_m3 / work.lorry_volume_m3, mass_t / work.lorry_payload_t)


def work_days(work: Items, production: RateGroup, size: int) -> FloatArray:
    """Find the working days of one crew.

    Parameters
    ----------
    work : dict of str to numpy.ndarray of float, shape (n,)
        Work items; those that production does not name take no time of their own.
    production : RateGroup
        Output for each day, or days each.
    size : int
        Number of runs n.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Low, mid and high days: an amount over the output of a day, or times days each.

    Raises
    ------
    ValueError
        If an output of a day is zero.
    """
    days = np.zeros((size, len(LEVELS)))
    for each in time_items(work, production).values():
        days += each
    return days


def time_items(work: Items, production: RateGroup) -> Items:
    """Find the working days of one crew, item by item.

    Parameters
    ----------
    work : dict of str to numpy.ndarray of float, shape (n,)
        Work items; those that production does not name take no time of their own.
    production : RateGroup
        Output for each day, or days each.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n, 3)
        Low, mid and high days by item of production, in its order.

    Raises
    ------
    ValueError
        If an output of a day is zero.
    """
    days: Items = {}
    for item in [name for name in type(production).model_fields if name in work]:
        rate = production.triple(item)
        if production.unit(item).endswith(PER_DAY):
            if (rate <= 0).any():
                raise ValueError(f"production {item} must be more than zero, got {rate.tolist()}")
            rate = 1 / rate[::-1]
        days[item] = _scale(work[item], rate)
    return days


def work_cost(work: Items, days: FloatArray, rates: RateGroup, size: int) -> FloatArray:
    """Find the cost of work.

    Parameters
    ----------
    work : dict of str to numpy.ndarray of float, shape (n,)
        Work items; those that the rates do not name cost nothing of their own.
    days : numpy.ndarray of float, shape (n, 3)
        Working days, in which flow is pumped over and the site is held.
    rates : RateGroup
        Unit rates.
    size : int
        Number of runs n.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Low, mid and high, currency.
    """
    cost = days * rates.matrix(list(DAY_ITEMS)).sum(axis=0)
    priced = [name for name in type(rates).model_fields if name in work]
    amounts = np.array([work[name] for name in priced]).reshape(len(priced), size)
    # Item by item: a product of matrices rounds by how many runs there are.
    priced_sum = np.zeros_like(cost)
    for amount, rate in zip(amounts, rates.matrix(priced), strict=True):
        priced_sum += amount[:, np.newaxis] * rate
    return np.asarray(cost + priced_sum)


def work_carbon(
    work: Items, spoil_t: FloatArray, days: FloatArray, carbon: RateGroup, size: int
) -> Items:
    """Find the CO2e of materials, transport and plant.

    Parameters
    ----------
    work : dict of str to numpy.ndarray of float, shape (n,)
        Work items.
    spoil_t : numpy.ndarray of float, shape (n, 3)
        Mass carted away.
    days : numpy.ndarray of float, shape (n, 3)
        Working days.
    carbon : RateGroup
        Factors, densities, thicknesses, distances and fuel.
    size : int
        Number of runs n.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n, 3)
        co2e_embodied_kg, co2e_transport_kg, co2e_plant_kg and their sum co2e_kg.

    Notes
    -----
    Embodied: mass times factor. Transport: mass times road (both legs) times the factor for
    each t km. Plant: litres times the factor of diesel. Surfaces of verges and planting carry
    no bound material.
    """
    zero = np.zeros(size)

    def amount(item: str) -> FloatArray:
        return work.get(item, zero)

    rate = carbon.triple
    pipe_t = _level(amount("pe_kg")) / KG_PER_T
    liner_t = _scale(amount("liner_m3"), rate("liner_t_m3"))
    fill_t = _scale(amount("imported_m3"), rate("aggregate_t_m3"))
    grout_t = _scale(amount("grout_m3"), rate("grout_t_m3"))
    concrete_t = _scale(amount("new_manhole_each"), rate("manhole_t"))
    asphalt_t, paving_t = (
        _surface_mass(work, carbon, kind, zero) for kind in ("asphalt", "paving")
    )
    masses = {
        "pe_kg": pipe_t,
        "liner_kg": liner_t,
        "aggregate_kg": fill_t,
        "asphalt_kg": asphalt_t,
        "paving_kg": paving_t,
        "grout_kg": grout_t,
        "concrete_kg": concrete_t,
    }
    embodied = sum((mass * KG_PER_T * rate(item) for item, mass in masses.items()), days * 0)
    tonne_km = (
        spoil_t * rate("spoil_km")
        + (fill_t + asphalt_t + paving_t + grout_t) * rate("fill_km")
        + (pipe_t + liner_t + concrete_t) * rate("pipe_km")
    )
    litres = days * rate("pump_l_day") + sum(
        (_scale(amount(item), rate(fuel)) for item, fuel in FUEL.items()), days * 0
    )
    transport = tonne_km * rate("lorry_tkm")
    plant = litres * rate("diesel_l")
    return {
        "co2e_embodied_kg": embodied,
        "co2e_transport_kg": transport,
        "co2e_plant_kg": plant,
        "co2e_kg": embodied + transport + plant,
    }


FUEL: Final = {
    "machine_m3": "dig_l_m3",
    "hand_dig_m3": "hand_l_m3",
    "suction_dig_m3": "suction_l_m3",
    "compacted_m3": "fill_l_m3",
    "burst_m": "burst_l_m",
    "slip_m": "slip_l_m",
    "cured_m": "cure_l_m",
    "jetted_m": "jet_l_m",
}
"""Work item to its rate of fuel."""


def _surface_mass(work: Items, carbon: RateGroup, material: str, zero: FloatArray) -> FloatArray:
    """Mass of asphalt or paving in t, shape (n, 3): area times thickness times density."""
    mass = _level(zero)
    for kind in KINDS:
        layer = f"{material}_{kind}_m"
        if layer in type(carbon).model_fields:
            mass = mass + _scale(work.get(f"reinstate_{kind}_m2", zero), carbon.triple(layer))
    return np.asarray(mass * carbon.triple(f"{material}_t_m3"))
