"""The summary's line about how sure the recommendations are, and the survey that settles most."""

from __future__ import annotations

from routekit.result import Result
from routekit.sureness.judge import DECIDED, LIKELY, OPEN, SURE
from routekit.words.texts import Text, say, word


def write_sureness(result: Result) -> list[Text]:
    """Say how many recommendations are sure, likely and open, and which survey to begin with.

    Parameters
    ----------
    result : Result

    Returns
    -------
    list of Text
        Empty where the study does not ask how sure they are.
    """
    told = result.advice["sureness"].astype(str)
    sure, likely, not_settled = (int((told == one).sum()) for one in (SURE, LIKELY, OPEN))
    total = sure + likely + not_settled
    if not total:
        return []
    lines = [
        say(
            "How sure: {sure:,.0f} of {n:,.0f} recommendation is sure, {likely:,.0f} likely, "
            "{open:,.0f} open; the card of each run says what would turn it.",
            "How sure: {sure:,.0f} of {n:,.0f} recommendations are sure, {likely:,.0f} likely, "
            "{open:,.0f} open; the card of each run says what would turn it.",
            n=total,
            sure=sure,
            likely=likely,
            open=not_settled,
        )
    ]
    if n_forced := int((told == DECIDED).sum()):
        lines.append(
            say(
                "{n:,.0f} run more is decided by a person: how sure is not asked there.",
                "{n:,.0f} runs more are decided by a person: how sure is not asked there.",
                n=n_forced,
            )
        )
    useful = result.surveys[(result.surveys["n_settled"] > 0).to_numpy(dtype=bool)]
    if len(useful):
        best = useful.iloc[0]
        lines.append(
            say(
                "What settles most for its cost: {survey} It would make {n:,.0f} recommendation "
                "sure, for about {cost:,.0f} {currency}.",
                "What settles most for its cost: {survey} It would make {n:,.0f} recommendations "
                "sure, for about {cost:,.0f} {currency}.",
                n=int(best["n_settled"]),
                survey=word(str(best["what"])),
                cost=float(best["cost_mid"]),
                currency=result.settings.study.currency,
            )
        )
    return lines
