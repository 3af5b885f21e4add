"""Harm to trees by what each technique digs, run by run."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.full_plans import size_own_pits
from routekit.site.layout import Place, Works
from routekit.site.tree_impact import HARM
from routekit.techniques import Digging


def find_harm(digs: Digging, place: Place, plan: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Find the harm to trees by what a technique digs.

    Parameters
    ----------
    digs : str
        What it digs, a word of `routekit.techniques.Digging`.
    place : Place
    plan : DataFrame, n rows
        Its plan: new_outside_mm.
    works : Works
        Harm of the strings, pits and digs that are set out.

    Returns
    -------
    DataFrame, n rows
        `routekit.site.tree_impact.HARM` of each run.
    """
    cases = place.cases
    if digs == "spots":
        return works.spot_harm
    if digs == "connections":
        return works.joining_harm
    if digs == "connections and own pit":
        return _own_pit_harm(place, plan, works)
    if digs == "string works":
        return works.dig_harm + works.pit_harm
    if digs == "trench":
        # Of a trench of unknown width: what the least one would do.
        least = {
            "n_structural": cases["least_structural"],
            "n_careful": 0.0,
            "n_major": cases["least_major"] - cases["least_structural"],
            "root_m2": cases["least_severed_m2"],
        }
        return pd.DataFrame(least).astype(float)
    return pd.DataFrame(0.0, index=cases.index, columns=list(HARM))


def _own_pit_harm(place: Place, plan: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Harm of connection digs and of a pit of each run's own, as if it lay anywhere on the run.

    The pit is not set out, so it takes the share of root zone that a trench would on average; where
    its size is not known, all that the least trench would take.
    """
    pit = size_own_pits(place, plan)
    trench = place.runs["length_m"].to_numpy(dtype=float) * place.trenches[
        "corridor_width_m"
    ].to_numpy(dtype=float)
    share = np.clip(place.cases["footprint_m2"].to_numpy(dtype=float) / trench, 0, 1)
    taken = pit.length_m * pit.width_m * share
    least = place.cases["least_severed_m2"].to_numpy(dtype=float)
    taken = np.where(np.isnan(taken), least, taken)
    return works.joining_harm.assign(root_m2=works.joining_harm["root_m2"] + taken)
