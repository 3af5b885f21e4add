"""How two techniques compare in a criterion, in one sentence with its numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from routekit.advice.currency import Money
from routekit.advice.score import CRITERIA
from routekit.arrays import Floats, Ints, Texts
from routekit.words.apart import write_apart
from routekit.words.texts import Text, Values, fill, say, word

Pair = Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Side:
    """How a comparison is said: of one that has less than the other, or of one that has more."""

    is_less: bool
    money: Money


def compare_text(
    facts: Mapping[str, Floats], one: Ints, other: Ints, criterion: Ints, side: Side
) -> Texts:
    """Say in numbers how one technique compares with another in a criterion.

    Parameters
    ----------
    facts : mapping of str to numpy.ndarray of float, shape (n, t)
        What the scores rest on, by run and technique.
    one, other : numpy.ndarray of int, shape (n,)
        Places of the two techniques.
    criterion : numpy.ndarray of int, shape (n,)
        Position in `routekit.advice.score.CRITERIA`; -1 where they score the same.
    side : Side
        Which of the two has less.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    row = np.arange(len(one))
    alike = say("the two score the same, and it excavates less")
    text = fill([alike] * len(one))
    for place, name in enumerate(CRITERIA):
        mine = row[criterion == place]
        pairs = [(facts[key][mine, one[mine]], facts[key][mine, other[mine]]) for key in facts]
        for at, values in enumerate(zip(*(zip(*pair, strict=True) for pair in pairs), strict=True)):
            text[mine[at]] = _WRITERS[name](dict(zip(facts, values, strict=True)), side)
    return text


def _doubt_text(pair: Pair, side: Side) -> Text:
    """Compare checks that are not passed."""
    one, other = (pair["n_fail"][k] + pair["n_caution"][k] for k in (0, 1))
    if side.is_less:
        return say(
            "fewer of its checks fail or call for caution ({one:.0f} against {other:.0f})",
            one=one,
            other=other,
        )
    return say(
        "more of its checks fail or call for caution ({one:.0f} against {other:.0f})",
        one=one,
        other=other,
    )


def _tree_text(pair: Pair, side: Side) -> Text:
    """Compare harm to trees: structural zones where they differ, else areas."""
    one, other = pair["root_m2"]
    if np.isnan(one):
        return say(
            "what its pits take of root zones is not known (they are not placed) and counts as the "
            "worst of all techniques"
        )
    if np.isnan(other):
        return say(
            "what the pits of the other take of root zones is not known (they are not placed) and "
            "counts as the worst of all techniques"
        )
    one, other = pair["n_structural"]
    if round(one, 1) != round(other, 1):
        return _structural_text(one, other, is_less=side.is_less)
    first, second = write_apart(*pair["root_m2"], 1)
    if side.is_less:
        return say(
            "less root zone is dug or severed ({one} m² against {other} m²)",
            one=first,
            other=second,
        )
    return say(
        "more root zone is dug or severed ({one} m² against {other} m²)",
        one=first,
        other=second,
    )


def _structural_text(one: float, other: float, *, is_less: bool) -> Text:
    """Compare how many structural root zones are cut."""
    if is_less:
        return say(
            "fewer structural root zones are cut ({one:.3g} against {other:.3g}, counting its "
            "share of the pits)",
            one=one,
            other=other,
        )
    return say(
        "more structural root zones are cut ({one:.3g} against {other:.3g}, counting its share of "
        "the pits)",
        one=one,
        other=other,
    )


def _flow_text(pair: Pair, side: Side) -> Text:
    """Compare how much of the required flow is missing."""
    share, others = (100 * share for share in pair["shortfall"])
    one, other = write_apart(share, others, 0)
    if side.is_less:
        return say(
            "less of the required flow is missing ({one} % against {other} %)",
            one=one,
            other=other,
        )
    return say(
        "more of the required flow is missing ({one} % against {other} %)",
        one=one,
        other=other,
    )


def _survey_text(pair: Pair, side: Side) -> Text:
    """Compare what remains to be found out."""
    one, other = pair["n_surveys"]
    if side.is_less:
        return say(
            "fewer surveys are still needed ({one:.0f} against {other:.0f})", one=one, other=other
        )
    return say(
        "more surveys are still needed ({one:.0f} against {other:.0f})", one=one, other=other
    )


def _cost_text(pair: Pair, side: Side) -> Text:
    """Compare costs over the whole life, and first costs beside them."""
    one, other = pair["whole_life_cost"]
    if np.isnan(one) or np.isnan(other):
        if side.is_less:
            return say("it costs less over its life, as far as costs are known")
        return say("it costs more over its life, as far as costs are known")
    money = side.money
    costs: Values = {
        "one": one,
        "other": other,
        "unit": word(money.currency),
        "rule": money.appraisal,
    }
    if abs(one - other) <= 0.01 * max(one, other):
        return _same_cost_text(pair, costs)
    build = _build_text(pair, money, said_less=one < other)
    if side.is_less:
        said = say(
            "it costs less over its life ({one:,.0f} against {other:,.0f} {unit}; {rule})", **costs
        )
    else:
        said = say(
            "it costs more over its life ({one:,.0f} against {other:,.0f} {unit}; {rule})", **costs
        )
    return say("{costs}, {build}", costs=said, build=build) if build else said


def _same_cost_text(pair: Pair, costs: Values) -> Text:
    """Say that the two cost about the same over their lives, and what each costs to build."""
    first, second = pair["cost"]
    if np.isnan(first) or np.isnan(second):
        return say(
            "the two cost about the same over their lives ({one:,.0f} against {other:,.0f} {unit}; "
            "{rule})",
            **costs,
        )
    return say(
        "the two cost about the same over their lives ({one:,.0f} against {other:,.0f} {unit}; "
        "{rule}; to build {first:,.0f} against {second:,.0f} {unit})",
        first=first,
        second=second,
        **costs,
    )


def _build_text(pair: Pair, money: Money, *, said_less: bool) -> Text | str:
    """Say what the two cost to build, in brackets, and where that is the other way round."""
    one, other = pair["cost"]
    if np.isnan(one) or np.isnan(other):
        return ""
    costs: Values = {"one": one, "other": other, "unit": word(money.currency)}
    if (one < other) != said_less:
        return say(
            "though not to build ({one:,.0f} against {other:,.0f} {unit})",
            **costs,
        )
    return say("and to build ({one:,.0f} against {other:,.0f} {unit})", **costs)


def _carbon_text(pair: Pair, side: Side) -> Text:
    """Compare emissions."""
    one, other = (_amount(value) for value in pair["co2e_kg"])
    if side.is_less:
        return say("less CO2e is emitted ({one} against {other})", one=one, other=other)
    return say("more CO2e is emitted ({one} against {other})", one=one, other=other)


def _amount(value_kg: float) -> Text:
    """Write a large mass, or that it is not known."""
    if np.isnan(value_kg):
        return say("an unknown amount")
    return say("{mass:,.0f} kg", mass=value_kg)


_WRITERS: Mapping[str, Callable[[Pair, Side], Text]] = {
    "safety": _doubt_text,
    "trees": _tree_text,
    "flow": _flow_text,
    "certainty": _survey_text,
    "cost": _cost_text,
    "carbon": _carbon_text,
}
