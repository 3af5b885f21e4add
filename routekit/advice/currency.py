"""What the name of a currency says of the rates: nothing, until the study file gives its own."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from routekit.advice.rates import RateGroup
from routekit.layers.findings import Findings
from routekit.layers.settings import StudySection
from routekit.words.texts import Text, say


class Money(NamedTuple):
    """How costs are said: the currency, the rule of whole-life costs in words, and its source."""

    currency: str
    appraisal: Text
    source: str


def find_neutral_rates(study: StudySection, rates: RateGroup) -> pd.DataFrame:
    """Find costs that bear the name of a currency without being in it.

    Parameters
    ----------
    study : StudySection
        Section `study` of the study file.
    rates : RateGroup
        Unit rates in force.

    Returns
    -------
    pandas.DataFrame
        One warning where the study file names a currency and leaves unit rates unset, which would
        be added to those in it, else none; columns `routekit.layers.findings.FINDING_COLUMNS`.

    Examples
    --------
    >>> from routekit.layers.settings import StudySection
    >>> study = StudySection(name="Two streets", currency="EUR")
    >>> find_neutral_rates(study, RateGroup())["seen"].tolist()
    ['costs are to be in EUR, and no unit rate is set']
    """
    findings = Findings()
    known, own = type(rates).model_fields, rates.model_fields_set
    if "currency" in study.model_fields_set and (not own or len(own) < len(known)):
        findings.note(
            "warning",
            "study",
            "currency",
            say(
                "costs are to be in {currency}, and {n:,} of {whole:,} unit rates are not set",
                currency=study.currency,
                n=len(known) - len(own),
                whole=len(known),
            )
            if own
            else say(
                "costs are to be in {currency}, and no unit rate is set", currency=study.currency
            ),
            say(
                "unit rates are the tool's own neutral numbers; set [advice.rates] in {currency}",
                currency=study.currency,
            ),
        )
    return findings.table()
