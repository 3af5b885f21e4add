"""What pipe each run of a chain can be pulled in, and what pulling it takes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints
from routekit.pipes.pe import allowable_pull, bend_radius
from routekit.pipes.pull import PullRuns, drag_per_metre, estimate_pull
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site.pipe_offers import PermittedSizes, PipeOffers, align_sizes
from routekit.techniques import BURSTING
from routekit.vocabulary import MM_PER_M


def offer_pipes(
    chains: pd.DataFrame,
    cases: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    upsized: Flags,
    permitted: PermittedSizes,
    *,
    pipe: PipeSettings,
    pull: PullSettings,
) -> PipeOffers:
    """Offer each run its own new pipe and every larger one that it permits.

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
    permitted : PermittedSizes
        Sizes that each run may be pulled in though it needs less.
    pipe : PipeSettings
    pull : PullSettings

    Returns
    -------
    PipeOffers
        One row for each link.
    """
    run = chains["run"].to_numpy()
    same, larger = (plans[code]["new_outside_mm"].to_numpy(dtype=float)[run] for code in BURSTING)
    own = np.where(upsized[run], larger, same)
    outside, own_size = align_sizes(
        chains["chain"].to_numpy(),
        np.where(own > 0, own, np.nan),
        permitted.made_mm,
        permitted.may_take[run],
    )
    sdr = np.full(outside.shape, pipe.sdr)
    length = chains["length_m"].to_numpy(dtype=float)
    drag = drag_per_metre(outside, sdr, pipe, pull) * length[:, None, None]
    return PipeOffers(
        own_size=own_size,
        outside_mm=outside,
        sdr=sdr,
        bend_radius_m=bend_radius(outside, sdr, pipe.cold_temperature_c, pipe),
        drag_kn=drag,
        head_kn=_head_forces(cases, run, outside, pipe, pull),
        allowable_kn=allowable_pull(outside, sdr, pipe),
        bend_deg=cases["bend_sum_deg"].to_numpy(dtype=float)[run],
        known_bend_deg=cases["known_bend_sum_deg"].to_numpy(dtype=float)[run],
        friction=pull.friction,
        machine_limit_kn=pull.machine_limit_kn,
    )


def _head_forces(
    cases: pd.DataFrame, run: Ints, outside: Floats, pipe: PipeSettings, pull: PullSettings
) -> Floats:
    """Burst and expansion at the head in each run by size, low, mid and high, kN."""
    size_n = outside.shape[1]
    here = cases.iloc[np.repeat(run, size_n)]
    host = here["diameter_mm"].to_numpy(dtype=float)
    wall = (here["outside_mm"].to_numpy(dtype=float) - host) / 2
    estimate = estimate_pull(
        PullRuns(
            length_m=np.zeros(len(here)),
            host_bore_mm=np.where(host > 0, host, np.nan),
            host_wall_mm=np.where(wall > 0, wall, np.nan),
            host_material=here["material"].astype(str).to_numpy(dtype=object),
            outside_mm=outside.ravel(),
            sdr=np.full(len(here), pipe.sdr),
            axis_depth_m=here["depth_max_m"].to_numpy(dtype=float) - host / MM_PER_M / 2,
        ),
        pipe,
        pull,
    )
    return np.asarray(estimate.expand_kn + estimate.burst_kn).reshape(*outside.shape, 3)
