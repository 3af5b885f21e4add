"""What pipe each run of a chain can be pulled in, and what pulling it takes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints
from routekit.pipes.pe import allowable_pull, bend_radius
from routekit.pipes.pull import PullRuns, drag_per_metre, estimate_pull
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site.string_limits import PipeOffers, larger_outside
from routekit.techniques import BURSTING
from routekit.vocabulary import MM_PER_M


def offer_pipes(
    chains: pd.DataFrame,
    cases: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    upsized: Flags,
    widened: Flags,
    *,
    pipe: PipeSettings,
    pull: PullSettings,
) -> PipeOffers:
    """Offer each run its own new pipe and, where it may be widened, the larger one of its chain.

    Parameters
    ----------
    chains : DataFrame
        From `routekit.site.chains.build_chains`: run, chain and length_m of each link.
    cases : DataFrame
        diameter_mm, outside_mm, material, depth_max_m, bend_sum_deg and known_bend_sum_deg per
        run.
    plans : dict of str to DataFrame
        new_outside_mm per run of both bursting techniques.
    upsized : numpy.ndarray of bool, shape (n,)
        Runs that are burst to a larger size.
    widened : numpy.ndarray of bool, shape (n,)
        Runs that may be pulled in a larger size than they need.
    pipe : PipeSettings
    pull : PullSettings

    Returns
    -------
    PipeOffers
        Two pipes for each link, the second never smaller than the first.
    """
    run = chains["run"].to_numpy()
    same, larger = (plans[code]["new_outside_mm"].to_numpy(dtype=float)[run] for code in BURSTING)
    own = np.where(upsized[run], larger, same)
    allowed = np.where(widened[run], np.fmax(larger, own), own)
    most = larger_outside(chains["chain"].to_numpy(), own, allowed)
    outside = np.column_stack([own, most])
    sdr = np.full(outside.shape, pipe.sdr)
    length = chains["length_m"].to_numpy(dtype=float)
    known = np.where(outside > 0, outside, np.nan)
    drag = drag_per_metre(known, sdr, pipe, pull) * length[:, None, None]
    return PipeOffers(
        outside_mm=outside,
        sdr=sdr,
        bend_radius_m=bend_radius(known, sdr, pipe.cold_temperature_c, pipe),
        drag_kn=drag,
        head_kn=np.stack([_head_force(cases, run, known[:, k], pipe, pull) for k in (0, 1)], 1),
        allowable_kn=allowable_pull(known, sdr, pipe),
        bend_deg=cases["bend_sum_deg"].to_numpy(dtype=float)[run],
        known_bend_deg=cases["known_bend_sum_deg"].to_numpy(dtype=float)[run],
        friction=pull.friction,
        machine_limit_kn=pull.machine_limit_kn,
    )


def _head_force(
    cases: pd.DataFrame, run: Ints, outside: Floats, pipe: PipeSettings, pull: PullSettings
) -> Floats:
    """Burst and expansion at the head in each run, low, mid and high, kN."""
    here = cases.iloc[run]
    host = here["diameter_mm"].to_numpy(dtype=float)
    wall = (here["outside_mm"].to_numpy(dtype=float) - host) / 2
    estimate = estimate_pull(
        PullRuns(
            length_m=np.zeros(len(run)),
            host_bore_mm=np.where(host > 0, host, np.nan),
            host_wall_mm=np.where(wall > 0, wall, np.nan),
            host_material=here["material"].astype(str).to_numpy(dtype=object),
            outside_mm=outside,
            sdr=np.full(len(run), pipe.sdr),
            axis_depth_m=here["depth_max_m"].to_numpy(dtype=float) - host / MM_PER_M / 2,
        ),
        pipe,
        pull,
    )
    return np.asarray(estimate.expand_kn + estimate.burst_kn)
