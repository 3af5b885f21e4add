"""Which runs may be burst, and in which sizes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from routekit.advice.options import passes
from routekit.arrays import Flags
from routekit.layers.decisions import Decided
from routekit.methods.checks import Check
from routekit.methods.evaluate import evaluate_techniques
from routekit.methods.settings import MethodSettings
from routekit.pipes.bursting_class import count_size_steps
from routekit.pipes.new_pipes import PlanSettings, resize_bursting
from routekit.pipes.pe import made_sizes
from routekit.site.layout import Place
from routekit.site.pipe_offers import PermittedSizes
from routekit.techniques import BURSTING, TECHNIQUES

_CODES = list(TECHNIQUES)
_BURST_PLACES = np.array([_CODES.index(code) for code in BURSTING])


def pick_burst_size(checks: dict[str, list[Check]], decided: Decided) -> tuple[Flags, Flags]:
    """Find the runs that bursting may renew, and those of them that need a larger pipe.

    Parameters
    ----------
    checks : dict of str to list of Check
    decided : Decided

    Returns
    -------
    may_burst, upsized : numpy.ndarray of bool, shape (n,)
        A size may be burst where it passes its checks and is not excluded, or is forced. The same
        size comes first.
    """
    same, larger = (
        (passes(checks[code]) & ~decided.excluded[:, place]) | (decided.forced == place)
        for code, place in zip(BURSTING, _BURST_PLACES, strict=True)
    )
    elsewhere = (decided.forced >= 0) & ~np.isin(decided.forced, _BURST_PLACES)
    upsized = (larger & ~same) | (decided.forced == _BURST_PLACES[1])
    return (same | larger) & ~elsewhere, upsized


def permit_sizes(
    place: Place,
    plans: dict[str, pd.DataFrame],
    wished: Flags,
    pipes: PlanSettings,
    methods: MethodSettings,
) -> PermittedSizes:
    """Find the larger sizes in which runs may be pulled for the sake of their string.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
    wished : numpy.ndarray of bool, shape (n,)
        Runs that are looked at.
    pipes : PlanSettings
    methods : MethodSettings

    Returns
    -------
    PermittedSizes
        A run may take every made size larger than the same in which no check of bursting to a
        larger size fails, up to the nominal sizes that are looked at.
    """
    made = made_sizes()
    own = plans[BURSTING[0]]["new_outside_mm"].to_numpy(dtype=float)
    host = place.cases["diameter_mm"].to_numpy(dtype=float)
    known = np.where(host > 0, host, np.nan)[:, np.newaxis]
    steps = count_size_steps(np.broadcast_to(known, (len(host), len(made))), made)
    asked = wished[:, np.newaxis] & (own[:, np.newaxis] < made) & (steps <= pipes.max_steps_up)
    run, size = np.nonzero(asked)
    may = np.zeros(asked.shape, dtype=bool)
    if len(run):
        cases, *held = (
            table.iloc[run].reset_index(drop=True)
            for table in (place.cases, *(plans[code] for code in BURSTING))
        )
        sized = resize_bursting(dict(zip(BURSTING, held, strict=True)), cases, made[size], pipes)
        checks = evaluate_techniques(cases, sized, methods, codes=(BURSTING[1],))
        may[run, size] = passes(checks[BURSTING[1]])
    taken = may.any(axis=0)
    return PermittedSizes(made_mm=made[taken], may_take=may[:, taken])


def agree_on_sizes(permitted: PermittedSizes, decided: Decided) -> PermittedSizes:
    """Take larger sizes from the runs for which a decision asks for the same or excludes them.

    Parameters
    ----------
    permitted : PermittedSizes
    decided : Decided

    Returns
    -------
    PermittedSizes
    """
    same, larger = _BURST_PLACES
    agreed = ~decided.excluded[:, larger] & (decided.forced != same)
    return replace(permitted, may_take=permitted.may_take & agreed[:, np.newaxis])
