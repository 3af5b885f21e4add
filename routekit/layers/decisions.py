"""Decisions by the designer and the arborist: checked, obeyed and shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.errors import DecisionError
from routekit.layers.columns import load_columns
from routekit.layers.features import is_feature
from routekit.techniques import BURSTING, TECHNIQUE_PHRASES, TECHNIQUES
from routekit.words.texts import Text, Values, join, say, word

NO_PIT, NO_TREE, TREE_GONE, STEM = "no_pit", "no_tree", "tree_gone", "stem"
"""Decisions on trees; `no_tree` says of one of the raster that it is none: a hedge, a mast."""

KINDS = ("force", "exclude", NO_PIT, NO_TREE, TREE_GONE, STEM)


@dataclass(frozen=True, kw_only=True)
class Decided:
    """Decisions as arrays over runs and techniques, and the trees without pits.

    Attributes
    ----------
    forced : numpy.ndarray of int, shape (n,)
        Position of the forced technique in `TECHNIQUES`; -1 where none is forced.
    excluded : numpy.ndarray of bool, shape (n, t)
        Techniques that must not be chosen.
    note : numpy.ndarray of str, shape (n,)
        Who decided what and why; blank where nobody did.
    by : numpy.ndarray of str, shape (n,)
        Who forced a technique, or left no other: each name once, «a decision» where it is not said
        who; blank where nobody did.
    no_pit_trees : frozenset of str
        Trees in whose zones no pit may stand.
    no_pit_notes : mapping of str to str
        Who decided so and why, by tree.
    """

    forced: NDArray[np.int8]
    excluded: NDArray[np.bool_]
    note: NDArray[np.object_]
    by: NDArray[np.object_]
    no_pit_trees: frozenset[str]
    no_pit_notes: Mapping[str, str] = field(default_factory=dict)


def spell_decisions(table: pd.DataFrame) -> pd.DataFrame:
    """Spell kinds and techniques of decisions as the program does, once for all later steps.

    Parameters
    ----------
    table : DataFrame
        Columns decision and technique, as mapped.

    Returns
    -------
    DataFrame
        Both in small letters; what is missing stays so.

    Examples
    --------
    >>> spell_decisions(pd.DataFrame({"decision": [" No_Pit"], "technique": ["CIPP"]}))
      decision technique
    0   no_pit      cipp
    """
    names = ("decision", "technique")
    return table.assign(
        **{name: table[name].astype("str").str.strip().str.lower() for name in names}
    )


def find_tree_decisions(decisions: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Take the decisions of one kind that name a tree.

    Parameters
    ----------
    decisions : DataFrame
        With tree_id and decision, spelt as `spell_decisions` leaves it.
    kind : str
        One of `KINDS`.

    Returns
    -------
    DataFrame
        Their rows.

    Examples
    --------
    >>> rows = pd.DataFrame({"tree_id": ["T1", "T2"], "decision": ["stem", "no_pit"]})
    >>> find_tree_decisions(rows, "stem")["tree_id"].tolist()
    ['T1']
    """
    is_here = decisions["decision"].eq(kind).to_numpy(dtype=bool, na_value=False)
    return decisions[is_here & decisions["tree_id"].notna().to_numpy(dtype=bool)]


def read_decisions(
    decisions: pd.DataFrame,
    run_ids: pd.Series,
    tree_ids: pd.Series,
    *,
    gone_runs: frozenset[str] = frozenset(),
    gone_trees: frozenset[str] = frozenset(),
    places: Sequence[str] | None = None,
) -> Decided:
    """Check decisions and lay them out over runs and techniques.

    Parameters
    ----------
    decisions : DataFrame
        Columns run_id, tree_id, decision (`force`, `exclude`, `no_pit`, `no_tree`, `tree_gone`,
        `stem`), technique, both spelt as `spell_decisions` leaves them, stem_diameter_mm, by,
        reason.
    run_ids, tree_ids : Series of str
        Ids of the study.
    gone_runs, gone_trees : frozenset of str, optional
        Ids of rows that were left out, each with a finding: a decision on one has no effect.
    places : sequence of str, optional
        Where each decision stands, such as "row 1" or, of the file of the map, "feature 1".

    Returns
    -------
    Decided

    Raises
    ------
    DecisionError
        If a decision names an unknown run, tree, technique or kind, lacks one that it needs, or
        contradicts another, or if no technique is left; each such row or run is named.

    Examples
    --------
    >>> table = pd.DataFrame({"run_id": ["S1"], "tree_id": [""], "decision": ["exclude"],
    ...     "technique": ["open_cut"], "by": ["arborist"], "reason": ["old lime"]})
    >>> read_decisions(table, pd.Series(["S1"]), pd.Series(["T1"])).note.tolist()
    ['arborist ruled out open cut (old lime)']
    >>> read_decisions(table, pd.Series(["S2"]), pd.Series(["T1"]))
    Traceback (most recent call last):
    routekit.errors.DecisionError: decisions: row 1: there is no run "S1"; did you mean "S2"?; mend
    the decisions table
    """
    table = decisions.reset_index(drop=True)
    names = list(TECHNIQUES)
    run = pd.Index(run_ids).get_indexer(pd.Index(_text(table, "run_id")))
    kind = _text(table, "decision")
    technique = pd.Index(names).get_indexer(pd.Index(_text(table, "technique")))
    is_gone = _text(table, "run_id").isin(gone_runs - set(run_ids))
    is_gone |= _text(table, "tree_id").isin(gone_trees - set(tree_ids))
    named = pd.Series(places or [f"row {n}" for n in range(1, len(table) + 1)], dtype=object)
    faults = _find_faults(table, run, kind, technique, run_ids, tree_ids, is_gone, named)
    forced = np.full(len(run_ids), -1, dtype=np.int8)
    excluded = np.zeros((len(run_ids), len(names)), dtype=bool)
    note, by = (np.full(len(run_ids), "", dtype=object) for _ in range(2))
    for row in np.flatnonzero(kind.isin(["force", "exclude"]) & (run >= 0) & (technique >= 0)):
        here, wanted = run[row], technique[row]
        if kind[row] == "exclude":
            excluded[here, wanted] = True
        elif forced[here] not in (-1, wanted):
            first = names[forced[here]]
            others = _name_places(named[(run == here) & kind.eq("force").to_numpy()])
            faults.append(
                f"{named[row]}: run {run_ids.iloc[here]} is forced to two techniques, {first} and "
                f"{names[wanted]} ({others})"
            )
        else:
            forced[here] = wanted
        note[here] = join([note[here], _describe(table.iloc[row], names[wanted])], "; ")
    faults += _find_clashes(forced, excluded, run_ids, _places_of_runs(run, kind, named))
    faults += _find_tree_clashes(table, kind, named)
    if faults:
        message = "decisions: " + "; ".join(faults) + "; mend the decisions table"
        if named.map(is_feature).any():
            message += ", or undo the decision on the map and save its file again"
        raise DecisionError(message)
    # Who forces a technique stands before who rules others out.
    for wanted_kind in ("exclude", "force"):
        rows = np.flatnonzero(kind.eq(wanted_kind) & (run >= 0))
        for here, who in _list_authors(table.iloc[rows], run[rows]).items():
            by[here] = join(who.values(), ", ")
    no_pit = table[kind.eq(NO_PIT) & ~is_gone]
    return Decided(
        forced=_force_last(forced, excluded),
        excluded=excluded,
        note=note,
        by=by,
        no_pit_trees=frozenset(_text(no_pit, "tree_id")) - {""},
        no_pit_notes={
            tree: _describe_ban(row, tree)
            for tree, (_, row) in zip(_text(no_pit, "tree_id"), no_pit.iterrows(), strict=True)
        },
    )


def _list_authors(table: pd.DataFrame, run: NDArray[np.int64]) -> dict[int, dict[str, str]]:
    """List by run who decided, each once: English to text."""
    found: dict[int, dict[str, str]] = {}
    for here, (_, row) in zip(run.tolist(), table.iterrows(), strict=True):
        who, _ = _read_author(row)
        found.setdefault(here, {})[str(who)] = who
    return found


def _describe_ban(row: pd.Series, tree: str) -> Text:
    """Say who ruled out pits near a tree and why."""
    by, reason = _read_author(row)
    text = say("{who} ruled out pits in the root zone of tree {tree}", who=by, tree=tree)
    return say("{decision} ({reason})", decision=text, reason=reason) if reason else text


def _read_author(row: pd.Series) -> tuple[str, str]:
    """Read who decided and why; the reason is blank where none is given."""
    by, reason = (
        "" if pd.isna(row.get(name)) else str(row.get(name)).strip() for name in ("by", "reason")
    )
    return by or say("a decision"), reason


def _name_places(places: pd.Series) -> str:
    """Name where decisions stand, each once."""
    return ", ".join(dict.fromkeys(places))


def _places_of_runs(run: np.ndarray, kind: pd.Series, named: pd.Series) -> Mapping[int, str]:
    """Name where the decisions on the technique of each run stand."""
    is_here = (run >= 0) & kind.isin(["force", "exclude"]).to_numpy()
    grouped: pd.Series = named[is_here].groupby(run[is_here]).agg(_name_places)
    return {int(str(key)): str(where) for key, where in grouped.items()}


def _find_tree_clashes(table: pd.DataFrame, kind: pd.Series, named: pd.Series) -> list[str]:
    """List trees that are said to be gone and yet decided on, or to have two stem diameters."""
    tree = _text(table, "tree_id")
    gone = kind.eq(TREE_GONE) & tree.ne("")
    stem = kind.eq(STEM) & tree.ne("")
    faults = []
    for one in dict.fromkeys(tree[gone]):
        other = tree.eq(one) & kind.isin([NO_PIT, STEM])
        if other.any():
            where = _name_places(named[tree.eq(one) & (gone | other)])
            what = " and ".join(dict.fromkeys(kind[other]))
            faults.append(f"tree {one}: it is said to be gone, and {what} is decided on ({where})")
    for one in dict.fromkeys(tree[stem]):
        here = stem & tree.eq(one)
        sizes = pd.to_numeric(table.loc[here, "stem_diameter_mm"]).dropna().unique()
        if len(sizes) > 1:
            told = " and ".join(f"{size:g} mm" for size in sizes)
            faults.append(f"tree {one}: two stem diameters, {told} ({_name_places(named[here])})")
    return faults


def _find_clashes(
    forced: NDArray[np.int8],
    excluded: NDArray[np.bool_],
    run_ids: pd.Series,
    places: Mapping[int, str],
) -> list[str]:
    """List runs whose decisions leave no technique, or none that one could choose."""
    names = list(TECHNIQUES)
    left = ~excluded
    both = (forced >= 0) & excluded[np.arange(len(forced)), np.maximum(forced, 0)]
    faults = [
        f"run {run_ids.iloc[here]}: {names[forced[here]]} is both forced and excluded "
        f"({places.get(int(here), '')})"
        for here in np.flatnonzero(both)
    ]
    faults += [
        f"run {run_ids.iloc[here]}: every technique is excluded ({places.get(int(here), '')})"
        for here in np.flatnonzero(~left.any(axis=1))
    ]
    bursting = np.isin(names, BURSTING)
    open_choice = (forced < 0) & left[:, bursting].all(axis=1) & ~left[:, ~bursting].any(axis=1)
    faults += [
        f"run {run_ids.iloc[here]}: only bursting is left; force {' or '.join(BURSTING)}"
        for here in np.flatnonzero(open_choice)
    ]
    return faults


def _force_last(forced: NDArray[np.int8], excluded: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Take a technique as forced where all others are excluded."""
    last = (forced < 0) & ((~excluded).sum(axis=1) == 1)
    return np.where(last, np.argmin(excluded, axis=1), forced).astype(np.int8)


def _text(table: pd.DataFrame, name: str) -> pd.Series:
    """Take a column as text, blank where missing."""
    if name not in table:
        return pd.Series("", index=table.index, dtype=str)
    return table[name].fillna("").astype(str).str.strip()


def _hint(given: str, known: pd.Series) -> str:
    """Offer the same id in other letters, else the nearest that is known."""
    names = known.astype(str)
    near = names[names.str.casefold().eq(given.casefold()).to_numpy(dtype=bool)].tolist()
    near += get_close_matches(given, names, n=1, cutoff=0.5)
    return f'; did you mean "{near[0]}"?' if near else ""


def _describe(row: pd.Series, technique: str) -> str:
    """Say who decided what and why."""
    by, reason = _read_author(row)
    values: Values = {
        "who": by,
        "technique": word(TECHNIQUE_PHRASES[technique]),
    }
    text = (
        say("{who} chose {technique}", **values)
        if row["decision"] == "force"
        else say("{who} ruled out {technique}", **values)
    )
    return say("{decision} ({reason})", decision=text, reason=reason) if reason else text


def _find_faults(
    table: pd.DataFrame,
    run: np.ndarray,
    kind: pd.Series,
    technique: np.ndarray,
    runs: pd.Series,
    trees: pd.Series,
    is_gone: pd.Series,
    named: pd.Series,
) -> list[str]:
    """List decisions that cannot apply, each with its row and what is wrong."""
    faults = []
    run_text, tree_text = _text(table, "run_id"), _text(table, "tree_id")
    known_trees = pd.Index(trees).get_indexer(pd.Index(tree_text)) >= 0
    for row in np.flatnonzero(~is_gone):
        place = named[row]
        if kind[row] not in KINDS:
            faults.append(f'{place}: decision "{kind[row]}" is none of {", ".join(KINDS)}')
        elif run_text[row] and run[row] < 0:
            faults.append(f'{place}: there is no run "{run_text[row]}"{_hint(run_text[row], runs)}')
        elif tree_text[row] and not known_trees[row]:
            hint = _hint(tree_text[row], trees)
            faults.append(f'{place}: there is no tree "{tree_text[row]}"{hint}')
        elif kind[row] == NO_TREE:
            faults.append(
                f"{place}: {NO_TREE} strikes out a tree of the canopy raster; "
                + (f'"{tree_text[row]}" is none' if tree_text[row] else "it needs a tree_id")
            )
        elif kind[row] in (TREE_GONE, STEM):
            faults += [
                f"{place}: {fault}" for fault in _find_tree_fault(table, kind, tree_text, int(row))
            ]
        elif kind[row] != NO_PIT and run[row] < 0:
            faults.append(f"{place}: {kind[row]} needs a run_id")
        elif kind[row] != NO_PIT and technique[row] < 0:
            given = _text(table, "technique")[row]
            near = get_close_matches(given, TECHNIQUES, n=1, cutoff=0.3)
            hint = f"; did you mean {near[0]}?" if near else f"; use one of {', '.join(TECHNIQUES)}"
            faults.append(f'{place}: there is no technique "{given}"{hint}')
        elif kind[row] == NO_PIT and not tree_text[row]:
            faults.append(f"{place}: no_pit needs a tree_id")
    return faults


def _find_tree_fault(
    table: pd.DataFrame, kind: pd.Series, tree_text: pd.Series, row: int
) -> list[str]:
    """Say what a decision on a tree itself lacks."""
    if not tree_text[row]:
        return [f"{kind[row]} needs a tree_id"]
    given = (
        table["stem_diameter_mm"] if "stem_diameter_mm" in table else pd.Series(np.nan, table.index)
    )
    if kind[row] == STEM and not np.isfinite(pd.to_numeric(given)[row]):
        held = load_columns("decisions")["stem_diameter_mm"]
        return [f"stem needs stem_diameter_mm, a number from {held.low:g} to {held.high:g}"]
    return []
