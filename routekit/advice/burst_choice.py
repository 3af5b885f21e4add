"""Which runs are burst: string by string, as long as set-up and pits are worth it.

Strings, pits and digs are set out for no run (which runs gain from bursting while set-up and pits
cost nothing), for all the runs wished for (what set-up and pits add, and do to trees), where a pit
may not stand or harms roots once more with the neighbours through which a string could reach on,
and for the strings that are chosen, until all hold as they are pulled. A run that would fail a
check in its string, or that no string can pull without a pit where none may stand, drops out; a
decision alone holds a run that fails a check in its string, and nothing one that would break a ban.
Where somebody has decided about techniques they are set out once more as if nobody had, to say what
would hold.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.burst_sizes import agree_on_sizes, permit_sizes, pick_burst_size
from routekit.advice.options import Comparison, compare_techniques
from routekit.advice.settings import ChoiceSettings
from routekit.advice.string_gain import burst_and_other_scores, choose_strings
from routekit.arrays import Flags, Floats, split_ids
from routekit.layers.decisions import Decided
from routekit.pipes.new_pipes import PlanSettings, resize_bursting
from routekit.pipes.pull import LEVELS
from routekit.site.chains import KEEP_POINTS, LEAVE_POINTS, build_chains, label_networks
from routekit.site.layout import Place, Works, set_out_works
from routekit.site.pipe_offers import PermittedSizes
from routekit.techniques import BURSTING, TECHNIQUES

_OF_STRING = {
    **{
        f"{side}_{level}_kn": f"{side}_{level}_kn"
        for side in ("pull", "machine")
        for level in LEVELS
    },
    "pull_allowable_kn": "allowable_kn",
}
"""Columns of a plan that a string settles, and those of the string."""


@dataclass(frozen=True, kw_only=True)
class _Wish:
    """What bursting would be wished for if set-up and pits cost nothing, and who decided."""

    decided: Decided
    burst: Flags
    upsized: Flags
    permitted: PermittedSizes
    is_forced: Flags
    optional: Flags


@dataclass(frozen=True, kw_only=True)
class _Scene:
    """What techniques are compared on, and how they compare where no string is laid."""

    place: Place
    shares: pd.DataFrame
    settings: ChoiceSettings
    alone: Comparison

    def compare(self, plans: dict[str, pd.DataFrame], works: Works) -> Comparison:
        """Compare all techniques with works of the same small digs; strings work for bursting."""
        return compare_techniques(
            self.place, plans, works, self.shares, self.settings, before=self.alone
        )


@dataclass(frozen=True, kw_only=True)
class BurstChoice:
    """The strings that are worth their pits.

    Attributes
    ----------
    works : Works
        Works of the runs that are burst.
    plans : dict of str to DataFrame
        The plans, those of bursting as the strings are pulled.
    final : Comparison
        All techniques with these works and plans.
    free_technique : numpy.ndarray of int, shape (n,)
        By which bursting technique each run would be pulled had nobody decided; -1 by none.
    possible : Works
        Works of all the strings that were wished for, worth their pits or not.
    compared : Comparison
        All techniques with these works.
    upsized : numpy.ndarray of bool, shape (n,)
        Runs that would be burst to a larger size.
    """

    works: Works
    plans: dict[str, pd.DataFrame]
    final: Comparison
    free_technique: NDArray[np.int64]
    possible: Works
    compared: Comparison
    upsized: Flags


def choose_burst_runs(
    place: Place,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    decided: Decided,
    pipes: PlanSettings,
    settings: ChoiceSettings,
) -> BurstChoice:
    """Choose the runs that are burst, and set out their strings, pits and digs.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
        From `routekit.pipes.new_pipes.build_plans`.
    shares : DataFrame
        Surface kinds along each run, from `routekit.advice.surfaces.surface_shares`.
    decided : Decided
    pipes : PlanSettings
    settings : ChoiceSettings

    Returns
    -------
    BurstChoice
    """
    has_decisions = bool(np.any(decided.forced >= 0) or np.any(decided.excluded))
    decisions = (decided, _undecided(decided)) if has_decisions else (decided,)
    wishes, none, alone = _wish_burst(place, plans, shares, decisions, pipes, settings)
    scene = _Scene(place=place, shares=shares, settings=settings, alone=alone)
    burst, possible, compared, tried = _choose_burst(scene, plans, wishes[0], before=none)
    final = _lay_strings(scene, plans, wishes[0], burst, before=tried, pipes=pipes)
    free = _pull_without_decisions(scene, plans, wishes, final.works, tried, pipes)
    return BurstChoice(
        works=final.works,
        plans=final.plans,
        final=final.compared,
        free_technique=free,
        possible=possible,
        compared=compared,
        upsized=wishes[0].upsized,
    )


def _wish_burst(
    place: Place,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    decisions: tuple[Decided, ...],
    pipes: PlanSettings,
    settings: ChoiceSettings,
) -> tuple[list[_Wish], Works, Comparison]:
    """Find the runs for which bursting is the better choice while set-up and pits cost nothing.

    One wish for each of the decisions; works and comparison are those without any string.
    """
    size = len(place.runs)
    nobody = np.zeros(size, dtype=bool)
    none = set_out_works(
        place,
        plans,
        burst=nobody,
        upsized=nobody,
        permitted=PermittedSizes.none(size),
        has_texts=False,
    )
    free = replace(none, setup_share=np.zeros(size), is_barred=np.zeros(size))
    compared = compare_techniques(place, plans, free, shares, settings)
    needs = place.cases["needs_work"].to_numpy() > 0
    bursting = [list(TECHNIQUES).index(code) for code in BURSTING]
    wishes = []
    for decided in decisions:
        may, upsized = pick_burst_size(compared.checks, decided)
        burst, other = burst_and_other_scores(compared.scores, decided, upsized)
        is_forced = np.isin(decided.forced, bursting)
        wished = may & ((needs & np.isfinite(burst) & (burst <= other)) | is_forced)
        optional = may & needs & np.isfinite(burst)
        wishes.append(
            _Wish(
                decided=decided,
                burst=wished,
                upsized=upsized,
                is_forced=is_forced,
                optional=optional,
                permitted=PermittedSizes.none(size),
            )
        )
    wished = np.any([wish.burst | wish.optional for wish in wishes], axis=0)
    permitted = permit_sizes(place, plans, wished, pipes, settings.methods)
    wishes = [replace(wish, permitted=agree_on_sizes(permitted, wish.decided)) for wish in wishes]
    return wishes, none, compared


def _choose_burst(
    scene: _Scene,
    plans: dict[str, pd.DataFrame],
    wish: _Wish,
    *,
    before: Works,
) -> tuple[Flags, Works, Comparison, Works]:
    """Set out the strings that are wished for, and of these the ones that are worth their pits.

    A string is burst as a whole or not at all. Returns the runs of the chosen strings, the works of
    all that were wished for and how they compare, and the works of all that were tried. Digs, and
    places of pits that works `before` hold, are not sought again.
    """
    first = _lay_strings(scene, plans, wish, wish.burst, before=before)
    wide = _find_wider(scene.place, wish, first.works)
    if not (wide & ~wish.burst).any():
        return first.burst, first.works, first.compared, first.works
    second = _lay_strings(scene, plans, wish, wide, before=first.works)
    gain = first.worth - second.worth
    chain = _label_chains(scene.place, wide | wish.burst)
    inside = chain >= 0
    better = np.bincount(chain[inside], gain[inside], minlength=1) > _LEAST_GAIN
    burst = np.where(inside & better[chain], second.burst, first.burst)
    return burst, first.works, first.compared, _keep_bans(second.works, first.works)


_LEAST_GAIN = 1.0
"""A smaller gain in score is one of rounding; house."""
_HOPELESS = 1e12
"""What a run for which nothing is feasible counts, so that saving one outweighs every cost."""


@dataclass(frozen=True, kw_only=True)
class _Layout:
    """One way to lay strings.

    Works and plans, how techniques compare, the runs whose strings are worth their pits, and the
    score of each run so.
    """

    works: Works
    plans: dict[str, pd.DataFrame]
    compared: Comparison
    burst: Flags
    worth: Floats


def _lay_strings(
    scene: _Scene,
    plans: dict[str, pd.DataFrame],
    wish: _Wish,
    wished: Flags,
    *,
    before: Works,
    pipes: PlanSettings | None = None,
) -> _Layout:
    """Lay strings through some runs, and choose those that are worth their pits.

    Runs that fail a check drop out until all hold. A run that nobody wished for may be left out of
    all strings at no price. With `pipes` the strings are final: all are held as they are pulled, in
    their size and with their pull; what of them is not worth its pits drops out too, and no run may
    be left out at no price. What `before` knows of runs that are out stays known.
    """
    is_final, known = pipes is not None, before
    while True:
        optional = LEAVE_POINTS if is_final else 0.0
        works = _set_out(
            scene.place, plans, wish, wished, before, has_texts=is_final, optional=optional
        )
        pulled, larger = plans, wish.upsized
        if pipes is not None:
            works = _keep_bans(works, known)
            pulled, larger = _pull_strings(scene.place, plans, works, wish, pipes)
        compared = scene.compare(pulled, works)
        score, other = burst_and_other_scores(compared.scores, wish.decided, larger)
        inside = works.string_of_run != ""
        failing = inside & np.isinf(score) & ~wish.is_forced
        burst = inside & ~failing
        if not failing.any():
            burst = choose_strings(works, score, other, wish.is_forced)
            if not is_final or (burst == inside).all():
                worth = np.minimum(np.where(burst, score, other), _HOPELESS)
                return _Layout(
                    works=works, plans=pulled, compared=compared, burst=burst, worth=worth
                )
        # Where nothing drops out the strings stand, whatever drops out elsewhere.
        label = label_networks(scene.place.runs, wished)
        changed = np.isin(label, label[inside & ~burst])
        kept = np.where(changed, burst, wished)
        wished, before = kept if is_final else wished & ~failing, works


def _pull_strings(
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    wish: _Wish,
    pipes: PlanSettings,
) -> tuple[dict[str, pd.DataFrame], Flags]:
    """Give runs the plans of their strings, and mark those that are pulled in a larger size."""
    sized = resize_bursting(plans, place.cases, works.outside_of_run, pipes)
    sized = carry_string_pull(sized, works, place.runs["length_m"].to_numpy(dtype=float))
    technique = list_string_pulls(works, sized)["technique"].to_numpy()
    is_larger = technique == list(TECHNIQUES).index(BURSTING[1])
    return sized, np.where(works.string_of_run != "", is_larger, wish.upsized).astype(bool)


def _label_chains(place: Place, runs: Flags) -> NDArray[np.int64]:
    """Give each run the number of its chain among some runs; -1 outside."""
    chains = build_chains(place.runs, runs, settings=place.settings.site.strings)
    label = np.full(len(place.runs), -1, dtype=np.int64)
    label[chains["run"].to_numpy(dtype=np.int64)] = chains["chain"].to_numpy(dtype=np.int64)
    return label


def _find_wider(place: Place, wish: _Wish, works: Works) -> Flags:
    """Find the runs through which strings could reach on to pits that harm less.

    Those of the chains in which no pit may stand where a string would need one, or in which a pit
    takes ground from a root zone.
    """
    wide = wish.burst | wish.optional
    chain = _label_chains(place, wide)
    harmful = works.pits.loc[works.pits["zone_overlap_m2"].to_numpy(dtype=float) > 0, "pit_id"]
    ends = works.strings[["launch_pit", "reception_pit"]].isin(set(harmful)).any(axis=1)
    named = set(works.strings.loc[ends.to_numpy(dtype=bool), "string_id"])
    is_bad = (works.is_barred == 1) | np.isin(works.string_of_run.astype(str), list(named))
    return wish.burst | (wide & np.isin(chain, chain[is_bad & (chain >= 0)]))


def _set_out(
    place: Place,
    plans: dict[str, pd.DataFrame],
    wish: _Wish,
    burst: Flags,
    before: Works,
    *,
    has_texts: bool,
    optional: float,
) -> Works:
    """Set out the works of runs that are burst, in the sizes that are wished for."""
    return set_out_works(
        place,
        plans,
        burst=burst,
        upsized=wish.upsized,
        permitted=wish.permitted,
        before=before,
        has_texts=has_texts,
        leave_points=np.select(
            [wish.is_forced, wish.burst | ~wish.optional], [KEEP_POINTS, LEAVE_POINTS], optional
        ),
    )


def list_string_pulls(works: Works, plans: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Say what each run is burst to and with how many others.

    Parameters
    ----------
    works : Works
    plans : dict of str to DataFrame

    Returns
    -------
    pandas.DataFrame
        One row per run: technique (-1 outside strings), string_id, n_runs and length_m of the
        string.
    """
    number = pd.Index(works.strings["string_id"]).get_indexer(pd.Index(works.string_of_run))
    inside = number >= 0
    same = plans[BURSTING[0]]["new_outside_mm"].to_numpy(dtype=float)
    larger = works.outside_of_run > same
    codes = np.array([list(TECHNIQUES).index(code) for code in BURSTING])
    members = split_ids(works.strings["run_ids"]).str.len().to_numpy(dtype=int)
    length = works.strings["length_m"].to_numpy(dtype=float)
    pick = np.maximum(number, 0)
    return pd.DataFrame(
        {
            "technique": np.where(inside, codes[larger.astype(int)], -1),
            "string_id": works.string_of_run,
            "n_runs": np.where(inside, np.append(members, 0)[pick], 0),
            "length_m": np.where(inside, np.append(length, 0.0)[pick], 0.0),
        }
    )


def _keep_bans(works: Works, possible: Works) -> Works:
    """Keep what is known of runs that are not burst: that no pit may stand, or was not placed."""
    is_out = works.string_of_run == ""
    is_lost = is_out[:, np.newaxis] & possible.pit_harm.isna()
    is_known = is_out & np.isnan(works.is_barred)
    return replace(
        works,
        pit_harm=works.pit_harm.mask(is_lost),
        is_barred=np.where(is_known, possible.is_barred, works.is_barred),
        barred_by=np.where(is_known, possible.barred_by, works.barred_by),
    )


def _pull_without_decisions(
    scene: _Scene,
    plans: dict[str, pd.DataFrame],
    wishes: list[_Wish],
    works: Works,
    before: Works,
    pipes: PlanSettings,
) -> NDArray[np.int64]:
    """Find by which bursting technique each run would be pulled had nobody decided; -1 by none.

    Only chains in which somebody has decided about a technique are laid again.
    """
    pulled = list_string_pulls(works, plans)["technique"].to_numpy(dtype=np.int64)
    if len(wishes) == 1:
        return pulled
    changed = _find_changed(scene.place, *wishes)
    free = _restrict(wishes[1], changed)
    burst, _, _, tried = _choose_burst(scene, plans, free, before=before)
    laid = _lay_strings(scene, plans, free, burst, before=tried, pipes=pipes)
    unled = list_string_pulls(laid.works, laid.plans)["technique"].to_numpy(dtype=np.int64)
    return np.where(changed, unled, pulled)


def _find_changed(place: Place, wish: _Wish, free: _Wish) -> Flags:
    """Find the runs of the chains in which somebody has decided about a technique."""
    differs = (wish.decided.forced >= 0) | wish.decided.excluded.any(axis=1)
    chain = _label_chains(place, wish.burst | wish.optional | free.burst | free.optional)
    return np.asarray(differs | (np.isin(chain, chain[differs]) & (chain >= 0)))


def _restrict(wish: _Wish, runs: Flags) -> _Wish:
    """Wish for bursting among some runs alone."""
    return replace(
        wish,
        burst=wish.burst & runs,
        optional=wish.optional & runs,
        is_forced=wish.is_forced & runs,
    )


def _undecided(decided: Decided) -> Decided:
    """Take the decisions about techniques away; those about trees stay."""
    return replace(
        decided,
        forced=np.full_like(decided.forced, -1),
        excluded=np.zeros_like(decided.excluded),
    )


def carry_string_pull(
    plans: dict[str, pd.DataFrame], works: Works, length_m: Floats
) -> dict[str, pd.DataFrame]:
    """Give runs in a string its length, pull and limits: that is what they feel.

    Only in the size in which the string is pulled; in the other one a run stands by itself.

    Parameters
    ----------
    plans : dict of str to DataFrame
    works : Works
    length_m : numpy.ndarray of float, shape (n,)
        Lengths of the runs, that of a run by itself.

    Returns
    -------
    dict of str to DataFrame
        The plans, those of bursting with the pull and string_length_m of the strings.
    """
    number = pd.Index(works.strings["string_id"]).get_indexer(pd.Index(works.string_of_run))
    technique = list_string_pulls(works, plans)["technique"].to_numpy()

    def carry(code: str) -> pd.DataFrame:
        """Replace the run's own values by its string's."""
        plan = plans[code]
        inside, pick = technique == list(TECHNIQUES).index(code), np.maximum(number, 0)
        values = {
            name: np.append(works.strings[theirs].to_numpy(dtype=float), np.nan)[pick]
            for name, theirs in _OF_STRING.items()
        }
        length = np.append(works.strings["length_m"].to_numpy(dtype=float), np.nan)[pick]
        return plan.assign(
            **{name: np.where(inside, value, plan[name]) for name, value in values.items()},
            string_length_m=np.where(inside, length, length_m),
        )

    return plans | {code: carry(code) for code in BURSTING}
