"""All techniques against all runs, each checked by the function that its record names."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from importlib import import_module
from typing import Final, Protocol, cast

import numpy as np
import pandas as pd

from routekit.methods.checks import CAUTION, FAIL, UNKNOWN, Check, worst_verdict
from routekit.methods.settings import MethodSettings
from routekit.methods.weighing import weigh_assumed
from routekit.settings.declare import Settings
from routekit.techniques import RECORDS, TECHNIQUES, Technique
from routekit.vocabulary import VERDICTS
from routekit.words.texts import Objects, both, take_texts

_SHOWN = (
    "new_outside_mm",
    "new_bore_mm",
    "capacity_l_s",
    "velocity_m_s",
    "filling",
    "running_velocity_m_s",
)
"""Columns of the plans that the options show."""


class Lister(Protocol):
    """Lists the checks of one technique; its settings are the group that the record names."""

    def __call__(
        self, cases: pd.DataFrame, plan: pd.DataFrame, settings: Settings, /
    ) -> list[Check]:
        """List the checks, one verdict for each case."""
        ...


def find_lister(technique: Technique) -> Lister:
    """Find the function that lists the checks of a technique.

    Parameters
    ----------
    technique : Technique
        Its checks and limits are looked up by name.

    Returns
    -------
    Lister

    Raises
    ------
    ImportError, AttributeError
        If `routekit.methods` has no such module or function.
    ValueError
        If the settings have no such group of limits.
    """
    module, _, function = technique.checks.partition(".")
    if technique.limits not in MethodSettings.model_fields:
        raise ValueError(f"{technique.code}: `methods` has no group of limits {technique.limits!r}")
    return cast(Lister, getattr(import_module(f"routekit.methods.{module}"), function))


_LISTERS: Final = {one.code: find_lister(one) for one in RECORDS}


def evaluate_techniques(
    cases: pd.DataFrame,
    plans: Mapping[str, pd.DataFrame],
    settings: MethodSettings,
    *,
    codes: Collection[str] = tuple(TECHNIQUES),
) -> dict[str, list[Check]]:
    """Check every technique, or some, on every run.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    plans : mapping of str to DataFrame
        What each technique would put in, per run; see the technique's module.
    settings : MethodSettings
    codes : collection of str, optional
        The techniques to check.

    Returns
    -------
    dict of str to list of Check
        Checks by technique, in the order of `routekit.techniques.TECHNIQUES`.
    """
    listed = {
        one.code: _LISTERS[one.code](cases, plans[one.code], getattr(settings, one.limits))
        for one in RECORDS
        if one.code in codes
    }
    return weigh_assumed(listed, cases["assumed"])


def tabulate_options(
    run_id: pd.Series, checks: Mapping[str, list[Check]], plans: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Sum the checks of each run and technique.

    Parameters
    ----------
    run_id : Series of str, shape (n,)
    checks : mapping
        From `evaluate_techniques`.
    plans : mapping of str to DataFrame
        Columns new_outside_mm, new_bore_mm, capacity_l_s, velocity_m_s, filling,
        running_velocity_m_s, new_pipe (text) where they apply.

    Returns
    -------
    pandas.DataFrame
        One row per technique and run (technique by technique, runs in their order): run_id, run,
        technique, verdict, n_fail, n_caution, n_unknown, and the columns of the plans.
    """
    tables = []
    for technique, group in checks.items():
        verdicts = np.stack([check.verdict for check in group])
        plan = plans[technique]
        tables.append(
            pd.DataFrame(
                {
                    "run_id": run_id.to_numpy(),
                    "run": np.arange(len(run_id), dtype=np.int32),
                    "technique": technique,
                    "verdict": worst_verdict(group),
                    "n_fail": np.sum(verdicts == FAIL, axis=0, dtype=np.int16),
                    "n_caution": np.sum(verdicts == CAUTION, axis=0, dtype=np.int16),
                    "n_unknown": np.sum(verdicts == UNKNOWN, axis=0, dtype=np.int16),
                    **{name: plan[name].to_numpy() if name in plan else np.nan for name in _SHOWN},
                    **_take_new_pipe(plan),
                }
            )
        )
    table = pd.concat(tables, ignore_index=True)
    table["technique"] = pd.Categorical(table["technique"], categories=list(TECHNIQUES))
    table["verdict"] = pd.Categorical.from_codes(
        table["verdict"].to_numpy(dtype=np.int8), pd.Index(VERDICTS), ordered=True
    )
    return table


def _take_new_pipe(plan: pd.DataFrame) -> dict[str, Objects]:
    """Take what a technique would lay on each run; blank where it lays nothing."""
    blank = np.full(len(plan), "", dtype=object)
    return both("new_pipe", take_texts(plan, "new_pipe") if "new_pipe" in plan else blank)
