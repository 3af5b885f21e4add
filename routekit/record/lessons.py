"""What finished works teach the next study: pulls, working days, and roots met in zones.

One ratio of measured over estimated for each string or run, and no more: readings along one string
are not independent of each other. The lessons are a small file that holds the ratios themselves, so
that what later works teach is added to them, and the names of the works: a study that takes over
what its own return file taught before counts it once.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.arrays import ID_MARK, Flags, Floats, split_ids, take_numbers
from routekit.errors import StudyError
from routekit.layers.findings import Findings
from routekit.layers.site_return import SiteReturn
from routekit.record.as_built import (
    Plan,
    find_runs_dug,
    find_trees_of_roots,
    measure_dug,
    name_dug,
)
from routekit.record.posterior import LEAST_RATIOS, Factor, Share, find_factor, find_share
from routekit.schema import load_tables
from routekit.vocabulary import TAUGHT, TAUGHT_DAYS, TAUGHT_PULLS
from routekit.words.texts import message, say

PULL, DAYS, ROOTS = message("pull"), message("working days"), message("zones with roots")
"""What is taught: factor on the drag, factor on working days, share of zones dug in which roots
were met."""

RESTS: Final = {
    PULL: message("pull of every string, and the limits of pipe and machine held against it"),
    DAYS: message("working days of every technique, and what is counted by them"),
}
NOTHING: Final = message("nothing in this study")
"""Which figures of the study that takes a lesson over rest on it."""

_KEYS: Final = {PULL: "pull", DAYS: "days", ROOTS: "roots"}
_FILE_MARK: Final = "routekit lessons"


@dataclass(frozen=True, kw_only=True)
class Lessons:
    """What was measured, as it is kept in the file.

    Attributes
    ----------
    pull, days : numpy.ndarray of float, shape (n,)
        Measured over estimated: drag of each string, working days of each run.
    met, dug : int
        Zones that were dug and of which it is known whether roots were met: with roots, in all.
    works : mapping of str to tuple of str
        By lesson the names of the works at which it was measured: runs with the day on which they
        were finished, joined by ; for a string; for a zone the run, the day and the tree.
    """

    pull: Floats
    days: Floats
    met: int
    dug: int
    works: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def pull_factor(self) -> Factor:
        """Factor on the estimated drag."""
        return find_factor(self.pull)

    @property
    def days_factor(self) -> Factor:
        """Factor on the estimated working days."""
        return find_factor(self.days)

    @property
    def roots_share(self) -> Share:
        """Share of the zones dug in which roots were met."""
        return find_share(self.met, self.dug)


def empty_lessons() -> Lessons:
    """Give what stands for nothing learnt.

    Returns
    -------
    Lessons
    """
    return Lessons(pull=np.empty(0), days=np.empty(0), met=0, dug=0)


def draw_lessons(
    returned: SiteReturn,
    plan: Plan,
    options: pd.DataFrame,
    before: Lessons,
    *,
    drag_factor: float,
    days_factor: float,
    findings: Findings,
) -> Lessons:
    """Draw lessons from what came back, and add them to those that the study began with.

    Parameters
    ----------
    returned : SiteReturn
    plan : Plan
    options : DataFrame
        run_id, technique, days: working days of one crew by technique.
    before : Lessons
        What the study took over.
    drag_factor, days_factor : float
        Factors that the estimates of this study hold already; the ratios are kept without them.
    findings : Findings
        Takes how many works the study took over already: each is counted once.

    Returns
    -------
    Lessons
    """
    named = _name_runs(returned.done_runs)
    pull = _compare_pulls(returned.pull_readings, plan.strings) * drag_factor
    days = _compare_days(returned.done_runs, options) * days_factor
    zones = _find_zones(returned, plan)
    names = {
        PULL: _name_strings(pull.index, plan.strings, named),
        DAYS: named.reindex(days.index).tolist(),
        ROOTS: zones["name"].tolist(),
    }
    fresh = {name: _find_fresh(works, before.works.get(name, ())) for name, works in names.items()}
    for name, kept in fresh.items():
        if not kept.all():
            n = int((~kept).sum())
            seen = say(
                "{n:,} of these works is in the file of lessons",
                "{n:,} of these works are in the file of lessons",
                n=n,
            )
            findings.note("info", "lessons", name, seen, say("counted once"))
    new = {name: tuple(np.array(names[name], dtype=object)[kept]) for name, kept in fresh.items()}
    mine = zones[fresh[ROOTS]]
    return Lessons(
        pull=np.concatenate([before.pull, pull.to_numpy(dtype=float)[fresh[PULL]]]),
        days=np.concatenate([before.days, days.to_numpy(dtype=float)[fresh[DAYS]]]),
        met=before.met + int(mine["is_met"].sum()),
        dug=before.dug + len(mine),
        works={name: (*before.works.get(name, ()), *works) for name, works in new.items()},
    )


def count_unnamed(lessons: Lessons) -> dict[str, int]:
    """Count what was measured at works that a file of lessons does not name.

    Parameters
    ----------
    lessons : Lessons

    Returns
    -------
    dict of str to int
        By lesson; none where all are named.

    Examples
    --------
    >>> count_unnamed(Lessons(pull=np.array([1.2]), days=np.array([0.8]), met=0, dug=0,
    ...     works={DAYS: ("A 2026-05-04",)}))
    {'pull': 1}
    """
    counts = {PULL: len(lessons.pull), DAYS: len(lessons.days), ROOTS: lessons.dug}
    rest = {name: n - len(lessons.works.get(name, ())) for name, n in counts.items()}
    return {name: n for name, n in rest.items() if n > 0}


def _find_fresh(names: Iterable[str], told: Iterable[str]) -> Flags:
    """Find the works none of whose parts is told of already, on that day or on no day."""
    known = {part for name in told for part in name.split(ID_MARK)}
    return np.array(
        [
            known.isdisjoint({*parts, *(part.rpartition(" ")[0] for part in parts)})
            for parts in (name.split(ID_MARK) for name in names)
        ],
        dtype=bool,
    )


def _name_runs(done: pd.DataFrame) -> pd.Series:
    """Name the works at each run: the run, and the day on which it was finished if that is told."""
    run_id = done["run_id"].astype("str")
    names = (run_id + " " + done["done_on"].fillna("").astype("str")).str.strip()
    return pd.Series(names.to_numpy(dtype=object), index=run_id.to_numpy(dtype=object))


def _name_strings(ids: pd.Index[Any], strings: pd.DataFrame, named: pd.Series) -> list[str]:
    """Name the works at each string by those at its runs."""
    members = split_ids(strings["run_ids"]).set_axis(strings["string_id"].astype("str"))
    return [
        ID_MARK.join(named[run] for run in members[string] if run in named.index) for string in ids
    ]


def _compare_pulls(readings: pd.DataFrame, strings: pd.DataFrame) -> pd.Series:
    """Hold the last pull read on the pipe of each string against the estimate for that length.

    The estimate grows with the length pulled in (`burst_statics`); bends are spread along it. By
    string_id.
    """
    mine = readings[(readings["read_at"] == "pipe").to_numpy(dtype=bool, na_value=False)]
    last = mine.sort_values("chainage_m", kind="stable").groupby("string_id").tail(1)
    known = strings.set_index(strings["string_id"].astype("str"))
    chosen = known.reindex(pd.Index(last["string_id"]))
    part = take_numbers(last, "chainage_m") / take_numbers(chosen, "length_m")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = take_numbers(last, "pull_kn") / (take_numbers(chosen, "pull_mid_kn") * part)
    return _keep_known(ratio, last["string_id"])


def _keep_known(ratio: Floats, ids: pd.Series) -> pd.Series:
    """Keep the ratios that are known and above zero, by id."""
    kept = np.isfinite(ratio) & (ratio > 0)
    names = ids.astype("str").to_numpy(dtype=object)
    return pd.Series(ratio[kept], index=names[kept], dtype="float64")


def _compare_days(done: pd.DataFrame, options: pd.DataFrame) -> pd.Series:
    """Hold the working days of each run against those of the technique used. By run_id."""
    asked = options[options["run_id"].isin(done["run_id"])]
    keys = pd.MultiIndex.from_frame(asked[["run_id", "technique"]].astype("str"))
    wanted = pd.MultiIndex.from_frame(done[["run_id", "technique"]].astype("str"))
    place = keys.get_indexer(wanted)
    estimate = np.append(take_numbers(asked, "days"), np.nan)[place]
    return _keep_known(take_numbers(done, "working_days") / estimate, done["run_id"])


def _find_zones(returned: SiteReturn, plan: Plan) -> pd.DataFrame:
    """Find the zones that pits entered and of which it is known whether roots were met there.

    Where roots were met in a pit that enters several zones, a zone counts as met only if a root was
    told of its tree; for the others of that pit it is not known. Where none were met, none was in
    any of them.

    Returns
    -------
    pandas.DataFrame
        name (of run, day and tree) and is_met.
    """
    dug = returned.pits_dug
    known = dug[dug["roots_met"].notna().to_numpy(dtype=bool)]
    if not len(known):
        return pd.DataFrame({"name": pd.Series(dtype="str"), "is_met": pd.Series(dtype="bool")})
    entered = measure_dug(known, plan)
    entered = entered[entered["is_inside"].to_numpy(dtype=bool)]
    pit = pd.Index(name_dug(known)).get_indexer(pd.Index(entered["work_id"]))
    tree_id = entered["tree_id"].astype("str").to_numpy(dtype=object)
    says = known["roots_met"].eq(True).to_numpy(dtype=bool, na_value=False)[pit]
    trees, _ = find_trees_of_roots(returned.roots_met, plan)
    alone = pd.Series(pit).groupby(pit).transform("size").eq(1).to_numpy(dtype=bool)
    is_told = np.isin(tree_id, trees[trees != ""]) | alone
    place = (
        pd.Series(find_runs_dug(known, plan)) + " " + known["dug_on"].fillna("").to_numpy(object)
    )
    names = place.to_numpy(dtype=object)[pit] + " " + tree_id
    zones = pd.DataFrame({"name": names, "is_met": says & is_told})
    return zones[(says & is_told) | ~says].astype({"name": "str"})


def tabulate_lessons(lessons: Lessons, before: Lessons) -> pd.DataFrame:
    """List the lessons, with their spread and count, and which figures of the study rest on them.

    Parameters
    ----------
    lessons : Lessons
    before : Lessons
        What the study took over: of that alone its figures know.

    Returns
    -------
    pandas.DataFrame
        Columns as `lessons` in the schema, one row each; none where nothing was measured.
    """
    pull, days, share = lessons.pull_factor, lessons.days_factor, lessons.roots_share
    rows: list[tuple[object, ...]] = [
        (
            name,
            factor.n,
            factor.low,
            factor.mid,
            factor.high,
            factor.next_low,
            factor.next_high,
            factor.spread,
            ID_MARK.join(f"{one:.6g}" for one in ratios),
            "",
            _write_works(lessons, name),
        )
        for name, factor, ratios in ((PULL, pull, lessons.pull), (DAYS, days, lessons.days))
    ]
    rows.append(
        (
            ROOTS,
            share.n,
            share.low,
            share.mid,
            share.high,
            np.nan,
            np.nan,
            np.nan,
            "",
            f"{lessons.met}{ID_MARK}{lessons.dug}",
            _write_works(lessons, ROOTS),
        )
    )
    earlier = {PULL: len(before.pull), DAYS: len(before.days), ROOTS: before.dug}
    names = [name for name in load_tables()["lessons"].fields if name not in ("n_before", "rests")]
    table = pd.DataFrame(rows, columns=names)
    numbers = dict.fromkeys(names[1:8], "float64")
    kept = table[(table["n"].astype(float) > 0).to_numpy(dtype=bool)].reset_index(drop=True)
    number = kept["lesson"].map(earlier)
    is_taken = number.ge(LEAST_RATIOS) & kept["lesson"].isin(RESTS)
    rests = kept["lesson"].map(RESTS).where(is_taken, NOTHING)
    whole = kept.assign(n_before=number.astype("float64"), rests=rests)
    return whole.astype(
        {**numbers, "ratios": "str", "counts": "str", "works": "str", "rests": "str"}
    )


def _write_works(lessons: Lessons, name: str) -> str:
    """Write the names of the works of a lesson as a list in JSON; blank for none."""
    works = list(lessons.works.get(name, ()))
    return json.dumps(works, ensure_ascii=False) if works else ""


def caution_lessons(table: pd.DataFrame) -> tuple[str, ...]:
    """Give the caution that goes with every output of a study whose figures rest on lessons.

    Parameters
    ----------
    table : DataFrame
        From `tabulate_lessons`.

    Returns
    -------
    tuple of str
        One of `routekit.vocabulary.ALL_TAUGHT`, by what was learnt; none where nothing was.

    Examples
    --------
    >>> table = pd.DataFrame({"lesson": [PULL, DAYS], "rests": [RESTS[PULL], NOTHING]})
    >>> caution_lessons(table)[0].split(":")[0]
    'Pulls rest on what earlier works measured'
    """
    taken = set(table.loc[table["rests"].ne(NOTHING).to_numpy(dtype=bool), "lesson"])
    if {PULL, DAYS} <= taken:
        return (TAUGHT,)
    return tuple(
        text for name, text in ((PULL, TAUGHT_PULLS), (DAYS, TAUGHT_DAYS)) if name in taken
    )


def write_lessons(table: pd.DataFrame, *, result: str, name: str) -> str:
    """Write lessons as a text file that the next study may name.

    Parameters
    ----------
    table : DataFrame
        `lessons` of a result.
    result, name : str
        Name of the result and of its study, for whoever reads the file.

    Returns
    -------
    str
        TOML.
    """
    lines = [
        f"# {_FILE_MARK}: what finished works measured, over what was estimated.",
        '# The next study takes it over with lessons = "..." under [record].',
        f"study = {_quote(name)}",
        f"result = {_quote(result)}",
    ]
    for row in table.astype(object).to_dict("records"):
        lines += ["", f"[{_KEYS[row['lesson']]}]"]
        if isinstance(row["ratios"], str) and row["ratios"]:
            lines.append(f"ratios = [{', '.join(row['ratios'].split(ID_MARK))}]")
        if isinstance(row["counts"], str) and row["counts"]:
            met, dug = row["counts"].split(ID_MARK)
            lines += [f"met = {met}", f"dug = {dug}"]
        if isinstance(row.get("works"), str) and row["works"]:
            # A list of texts reads the same in JSON and TOML.
            lines.append(f"works = {row['works']}")
        if row["mid"] > 0:
            band = f"{row['low']:.3g} to {row['high']:.3g}"
            lines.append(f"# {row['n']:g} measured; middle {row['mid']:.3g}, 90 % within {band}")
    return "\n".join(lines) + "\n"


def _quote(text: str) -> str:
    """Write a text as TOML does."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def read_lessons(path: Path) -> Lessons:
    """Read a file of lessons.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Lessons

    Raises
    ------
    StudyError
        If it cannot be read, or a value in it is impossible; the message names it.
    """
    where = f"record.lessons: {path}"
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        msg = f"{where}: cannot be read ({error.strerror or error}); name the file of lessons"
        raise StudyError(msg) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise StudyError(f"{where}: invalid TOML ({error}); write it anew") from None
    ratios = {name: _take_ratios(table, name, where) for name in ("pull", "days")}
    roots = table.get("roots", {})
    met, dug = (
        (roots.get(name, 0) for name in ("met", "dug")) if isinstance(roots, dict) else (-1, 0)
    )
    if not all(_is_count(one) for one in (met, dug)) or met > dug:
        raise StudyError(f"{where}: roots.met and roots.dug must be counts, met no more than dug")
    works = {name: _take_works(table, key, where) for name, key in _KEYS.items()}
    return Lessons(pull=ratios["pull"], days=ratios["days"], met=met, dug=dug, works=works)


def _take_works(table: dict[str, Any], name: str, where: str) -> tuple[str, ...]:
    """Take the names of the works of one lesson."""
    part = table.get(name, {})
    given = part.get("works", []) if isinstance(part, dict) else None
    if not isinstance(given, list) or not all(isinstance(one, str) for one in given):
        raise StudyError(f"{where}: {name}.works must be a list of texts")
    return tuple(given)


def _take_ratios(table: dict[str, Any], name: str, where: str) -> Floats:
    """Take the ratios of one lesson."""
    part = table.get(name, {})
    given = part.get("ratios", []) if isinstance(part, dict) else None
    if not isinstance(given, list) or not all(_is_ratio(one) for one in given):
        raise StudyError(f"{where}: {name}.ratios must be a list of numbers above zero")
    return np.array(given, dtype=np.float64)


def _is_ratio(value: Any) -> bool:
    """Tell whether a value is a number above zero."""
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < np.inf


def _is_count(value: Any) -> bool:
    """Tell whether a value is a whole number, not below zero."""
    return isinstance(value, int) and not isinstance(value, bool) and value >= 0
