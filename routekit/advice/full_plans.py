"""What the quantities of each technique rest on: plans of the pipes, sites, pits and small digs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.earthworks import DIG_PLAN, sum_digs
from routekit.arrays import Floats
from routekit.methods.repair import count_faults
from routekit.pipes.pe import bend_radius
from routekit.pipes.section import girth_diameter
from routekit.pipes.settings import TrenchSettings
from routekit.site.digs import AT_CONNECTION, AT_SPOT
from routekit.site.encroachments import KEEPS_ROOTS
from routekit.site.layout import Place, Works
from routekit.site.pit_sizes import PitSizes, launch_pits
from routekit.techniques import BY_CODE, ROOTED_AGAIN, Digging


def plan_in_full(
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    n_spots: Floats,
    trench: TrenchSettings,
) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Join runs and plans with what their quantities rest on.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
        From `routekit.pipes.new_pipes.build_plans`.
    works : Works
        Strings, pits and digs.
    n_spots : numpy.ndarray of float, shape (n,)
        Collapsed places of each run at which a dig is set out.
    trench : TrenchSettings

    Returns
    -------
    sites : DataFrame, n rows
        From `measure_sites`.
    plans : dict of str to DataFrame
        By technique, with the sizes and numbers that its quantities rest on.

    Notes
    -----
    Where the number of connections is not known, all techniques are counted without them, so that
    what is known still tells them apart; their number stays not known.
    """
    cases = place.cases
    sites = measure_sites(place)
    dug = _sum_planned_digs(place, works, trench)
    rooted, may = (cases[name].to_numpy(dtype=bool) for name in ("is_root_choked", "may_be_choked"))
    faults = count_faults(cases)
    full = {}
    for technique, plan in plans.items():
        digs = BY_CODE[technique].digs
        pit_m3, pit_m2 = _size_pits(place, plan, works, digs)
        rests_on = {
            "liner_wall_mm": plan["wall_mm"],
            "n_repairs": n_spots if digs == "spots" else faults,
            "is_choked": rooted,
            "may_be_choked": may,
            "is_visited": rooted & (technique in ROOTED_AGAIN),
            "may_be_visited": may & (technique in ROOTED_AGAIN),
            "setup_share": works.setup_share if digs == "string works" else 1.0,
            "wait_days": works.wait_days if digs == "string works" else 0.0,
            "pit_m3": pit_m3,
            "pit_m2": pit_m2,
        }
        parts = [plan, pd.DataFrame(rests_on | dug[digs], index=plan.index)]
        if digs == "trench":
            parts.append(place.laid.reindex(plan.index) if len(place.laid.columns) else place.laid)
        full[technique] = pd.concat(parts, axis=1)
    return sites, full


def measure_sites(place: Place) -> pd.DataFrame:
    """Join the cases with what their quantities rest on; unknown connections count as none.

    Parameters
    ----------
    place : Place

    Returns
    -------
    DataFrame
        The cases with bottom_width_m, outside_diameter_mm, girth_mm, and n_connections known.
    """
    cases = place.cases
    return cases.assign(
        bottom_width_m=place.trenches["bottom_width_m"].to_numpy(),
        outside_diameter_mm=place.trenches["outside_diameter_mm"].to_numpy(),
        girth_mm=_measure_girth(cases),
        n_connections=np.nan_to_num(cases["n_connections"].to_numpy(dtype=float)),
    )


def _size_pits(
    place: Place, plan: pd.DataFrame, works: Works, digs: Digging
) -> tuple[Floats | float, Floats | float]:
    """Volume dug by machine, m3, and area, m2, of each run's share of pits, or of its own pit."""
    if digs == "string works":
        return works.pit_m3["machine"], works.pit_m2
    if digs == "connections and own pit":
        pit = size_own_pits(place, plan)
        return pit.volume_m3, pit.length_m * pit.width_m
    return 0.0, 0.0


def size_own_pits(place: Place, plan: pd.DataFrame) -> PitSizes:
    """Size the pit through which each run would get its pipe by itself.

    Parameters
    ----------
    place : Place
    plan : DataFrame, n rows
        new_outside_mm.

    Returns
    -------
    PitSizes
        NaN where the pipe is not known.
    """
    pipe, outside = place.settings.pipe, plan["new_outside_mm"].to_numpy(dtype=float)
    outside = np.where(outside > 0, outside, np.nan)
    return launch_pits(
        outside,
        bend_radius(outside, np.full(outside.shape, pipe.liner_sdr), pipe.cold_temperature_c, pipe),
        np.maximum(place.cases["depth_max_m"].to_numpy(dtype=float), 0.0),
        place.trenches["bottom_width_m"].to_numpy(dtype=float),
        place.settings.site.pits,
    )


def _measure_girth(cases: pd.DataFrame) -> Floats:
    """Perimeter of each bore over pi, mm; NaN where it is not known."""
    width, height = (
        cases[name].where(cases[name] > 0).to_numpy(dtype=float, na_value=np.nan)
        for name in ("diameter_mm", "height_mm")
    )
    return girth_diameter(cases["shape"].astype(str).to_numpy(dtype=object), width, height)


def _sum_planned_digs(
    place: Place, works: Works, trench: TrenchSettings
) -> dict[Digging, dict[str, Floats]]:
    """Small digs of each run by what is dug; a string bares services, and may dig pits by hand."""
    kind = works.digs["kind"]
    joined, spots, every = (
        {name: table[name].to_numpy(dtype=float) for name in DIG_PLAN}
        for table in (
            sum_digs(digs, place.runs["run_id"], trench)
            for digs in (
                works.digs[kind == AT_CONNECTION],
                works.digs[kind == AT_SPOT],
                works.digs,
            )
        )
    )
    none = dict.fromkeys(DIG_PLAN, np.zeros(len(place.runs)))
    return {
        "nothing": none,
        "spots": spots,
        "connections": joined,
        "connections and own pit": joined,
        "string works": every
        | {
            f"dig_{method}_m3": every[f"dig_{method}_m3"] + works.pit_m3[method]
            for method in KEEPS_ROOTS
        },
        "trench": none,
    }
