"""What the work of a new line costs and emits, how long it takes, and what it scores."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.choice import Recommended
from routekit.advice.earthworks import DIG_PLAN, Items, read_site, trench_items
from routekit.advice.full_plans import measure_sites
from routekit.advice.new_line_proof import Proof
from routekit.advice.quantities import QUANTITIES, add_up_work
from routekit.advice.rates import LEVELS
from routekit.advice.score import count_cautions, find_shortfall, weigh
from routekit.advice.settings import ChoiceSettings
from routekit.advice.surfaces import surface_shares
from routekit.advice.work_items import RECIPES
from routekit.arrays import Floats, take_numbers
from routekit.methods.checks import FAIL, UNKNOWN, needed_surveys, worst_verdict
from routekit.pipes.pe import choose_outside_diameter, pipe_mass
from routekit.site.tree_impact import HARM
from routekit.techniques import OPEN_CUT
from routekit.vocabulary import MM_PER_M

NUMBERS: Final = (
    *(f"{name}_{level}" for name in ("cost", "whole_life_cost", "days") for level in LEVELS),
    "co2e_kg",
    "score",
    "n_fail",
    "n_caution",
    "n_unknown",
    "n_trees",
    "n_structural",
    "n_major",
    "root_m2",
    "new_bore_mm",
    "capacity_l_s",
)
"""Columns of the table that only a line has which was found."""
_MID: Final = LEVELS.index("mid")
_SURFACE: Final = "reinstate_"
_LEAST_M2: Final = 1e-6


@dataclass(frozen=True, kw_only=True)
class Weighed:
    """What new lines come to, k of them.

    Attributes
    ----------
    table : DataFrame
        `NUMBERS` and verdict.
    work : dict of str to numpy.ndarray of float, shape (k,)
        Work items.
    quantities : DataFrame
        Columns of `routekit.advice.quantities.run_quantities`.
    facts : dict of str to numpy.ndarray of float, shape (k,)
        What the parts of the score are made of, as `routekit.advice.score.Scores` has them.
    parts : numpy.ndarray of float, shape (k, c)
        Score by criterion.
    """

    table: pd.DataFrame
    work: Items
    quantities: pd.DataFrame
    facts: dict[str, Floats]
    parts: Floats


def weigh_lines(proof: Proof, renewal: Recommended, settings: ChoiceSettings) -> Weighed:
    """Find cost, days, carbon and score of new lines, each as those of a technique are found.

    Parameters
    ----------
    proof : Proof
    renewal : Recommended
        What is recommended without new lines.
    settings : ChoiceSettings

    Returns
    -------
    Weighed
    """
    advice = settings.advice
    work = _sum_work(proof, renewal, settings)
    length = proof.lines["length_m"].to_numpy(dtype=float)
    found = add_up_work(OPEN_CUT, work, length, proof.plan, advice, settings.trench)
    quantities = pd.DataFrame(
        {
            f"{name}_{level}": found[name][:, place]
            for name in QUANTITIES
            for place, level in enumerate(LEVELS)
        }
    )
    quantities.insert(0, "technique", OPEN_CUT)
    quantities.insert(0, "run_id", proof.lines["run_id"].to_numpy())
    least = take_numbers(proof.place.cases, "required_l_s") * (
        1 - take_numbers(proof.place.cases, "capacity_tolerance_share")
    )
    verdicts = np.stack([check.verdict for check in proof.checks])
    facts = {
        "n_fail": np.sum(verdicts == FAIL, axis=0).astype(float),
        "n_caution": count_cautions(proof.checks),
        "n_surveys": np.sum(list(needed_surveys(proof.checks).values()), axis=0).astype(float),
        **{name: proof.harm[name].to_numpy(dtype=float) for name in HARM},
        "shortfall": find_shortfall(take_numbers(proof.plan, "capacity_l_s"), least),
        "cost": found["cost"][:, _MID],
        "whole_life_cost": found["whole_life_cost"][:, _MID],
        "co2e_kg": found["co2e_kg"][:, _MID],
    }
    is_known = ~np.isnan(np.stack([facts["whole_life_cost"], facts["co2e_kg"]])).any(axis=0)
    weights = {name: getattr(advice.weights, name) for name in type(advice.weights).model_fields}
    whole = {name: value[:, np.newaxis] for name, value in facts.items()}
    parts = np.stack([part[:, 0] for part in weigh(whole, weights)], axis=1)
    levels = [f"{name}_{each}" for name in ("cost", "whole_life_cost", "days") for each in LEVELS]
    table = quantities[levels].assign(
        co2e_kg=facts["co2e_kg"],
        # A cost that is not known is not taken for nothing.
        score=np.where(is_known, parts.sum(axis=1), np.nan),
        verdict=worst_verdict(proof.checks),
        n_fail=facts["n_fail"],
        n_caution=facts["n_caution"],
        n_unknown=np.sum(verdicts == UNKNOWN, axis=0).astype(float),
        **{name: proof.harm[name] for name in ("n_trees", "n_structural", "n_major", "root_m2")},
        **{name: take_numbers(proof.plan, name) for name in ("new_bore_mm", "capacity_l_s")},
    )
    return Weighed(table=table, work=work, quantities=quantities, facts=facts, parts=parts)


def _sum_work(proof: Proof, renewal: Recommended, settings: ChoiceSettings) -> Items:
    """List the work of new lines: trench, connections re-laid, the old line filled."""
    advice, size = settings.advice, len(proof.own)
    site = read_site(
        measure_sites(proof.place),
        _blank_digs(proof.plan.assign(liner_wall_mm=proof.plan["wall_mm"])),
        _shares(proof.lines.geometry, proof.place.trenches["width_m"], renewal),
        trench=settings.trench,
        work=advice.work,
    )
    work = {name: np.array(value, dtype=float) for name, value in RECIPES[OPEN_CUT](site).items()}
    small = proof.relaid
    if len(small):
        outside = choose_outside_diameter(small["diameter_mm"].to_numpy(dtype=float))
        kg = pipe_mass(outside, settings.pipe.sdr, settings.pipe)
        laid = read_site(
            pd.DataFrame(small.drop(columns=["corridor", "line"])),
            _blank_digs(
                pd.DataFrame(
                    {"new_outside_mm": outside, "pipe_kg_m": kg, "liner_wall_mm": np.nan},
                    index=small.index,
                )
            ),
            _shares(small["line"], small["width_m"], renewal),
            trench=settings.trench,
            work=advice.work,
        )
        length = laid.run["length_m"]
        mass = length * laid.plan["pipe_kg_m"]
        more = trench_items(laid) | {"pipe_pe_kg": mass, "pe_kg": mass, "lay_pipe_m": length}
        for name, value in more.items():
            work[name] = work.get(name, np.zeros(size)) + np.bincount(
                small["run"], value, minlength=size
            )
    for name in [one for one in work if one.startswith(_SURFACE)]:
        # Less than this is the rounding of where a strip meets a surface.
        work[name] = np.where(work[name] < _LEAST_M2, 0.0, work[name])
    old = renewal.runs.iloc[proof.own]
    bore = old["diameter_mm"].to_numpy(dtype=float) / MM_PER_M
    number = proof.n_manholes.astype(float)
    pit = _dig_beside(proof, settings)
    for name in ("excavation_m3", "machine_m3"):
        work[name] = work[name] + pit
    return work | {
        "grout_m3": np.pi * bore**2 / 4 * old["length_m"].to_numpy(dtype=float),
        "new_manhole_each": number,
        "new_manhole": number,
    }


def _dig_beside(proof: Proof, settings: ChoiceSettings) -> Floats:
    """Volume that new manholes dig beside the trench, each as deep as its line at its deepest, m3.

    The price of a manhole holds its dig; this is for spoil and plant.
    """
    across = settings.advice.new_lines.manhole_pit_m
    trench = proof.place.trenches["width_m"].to_numpy(dtype=float)
    area = np.fmax(np.pi / 4 * across**2 - trench * across, 0.0)
    depth = proof.lines["depth_max_m"].to_numpy(dtype=float)
    # A line without a new manhole needs no depth for one.
    return np.where(proof.n_manholes > 0, proof.n_manholes * area * depth, 0.0)


def _blank_digs(plan: pd.DataFrame) -> pd.DataFrame:
    """Leave pits, small digs and repairs out of a plan: a new line has none but its own."""
    none = dict.fromkeys(("n_repairs", "wait_days", "pit_m3", "pit_m2", *DIG_PLAN), 0.0)
    return plan.assign(setup_share=1.0, **none)


def _shares(lines: object, width_m: pd.Series, renewal: Recommended) -> pd.DataFrame:
    """Shares of the surfaces over trenches; see `surface_shares`."""
    around = renewal.place.around.surfaces
    table = gpd.GeoDataFrame({"kind": around.kind}, geometry=around.shape)
    return surface_shares(np.asarray(lines, dtype=object), width_m.to_numpy(dtype=float), table)
