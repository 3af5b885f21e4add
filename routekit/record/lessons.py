"""What finished works teach the next study: pulls, working days, and roots met in zones.

One ratio of measured over estimated for each string or run, and no more: readings along one string
are not independent of each other. The lessons are a small file that holds the ratios themselves, so
that what later works teach is added to them.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.arrays import ID_MARK, Floats, take_numbers
from routekit.errors import StudyError
from routekit.layers.site_return import SiteReturn
from routekit.record.as_built import Plan, find_trees_of_roots, measure_dug, name_dug
from routekit.record.posterior import LEAST_RATIOS, Factor, Share, find_factor, find_share
from routekit.schema import load_tables
from routekit.vocabulary import TAUGHT, TAUGHT_DAYS, TAUGHT_PULLS
from routekit.words.texts import message

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
    """

    pull: Floats
    days: Floats
    met: int
    dug: int

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

    Returns
    -------
    Lessons
    """
    pull = _compare_pulls(returned.pull_readings, plan.strings) * drag_factor
    days = _compare_days(returned.done_runs, options) * days_factor
    met, dug = _count_roots(returned, plan)
    return Lessons(
        pull=np.concatenate([before.pull, pull]),
        days=np.concatenate([before.days, days]),
        met=before.met + met,
        dug=before.dug + dug,
    )


def _compare_pulls(readings: pd.DataFrame, strings: pd.DataFrame) -> Floats:
    """Hold the last pull read on the pipe of each string against the estimate for that length.

    The estimate grows with the length pulled in (`burst_statics`); bends are spread along it.
    """
    mine = readings[(readings["read_at"] == "pipe").to_numpy(dtype=bool, na_value=False)]
    last = mine.sort_values("chainage_m", kind="stable").groupby("string_id").tail(1)
    known = strings.set_index(strings["string_id"].astype("str"))
    chosen = known.reindex(pd.Index(last["string_id"]))
    part = take_numbers(last, "chainage_m") / take_numbers(chosen, "length_m")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = take_numbers(last, "pull_kn") / (take_numbers(chosen, "pull_mid_kn") * part)
    return _keep_known(ratio)


def _keep_known(ratio: Floats) -> Floats:
    """Keep the ratios that are known and above zero."""
    return np.asarray(ratio[np.isfinite(ratio) & (ratio > 0)], dtype=np.float64)


def _compare_days(done: pd.DataFrame, options: pd.DataFrame) -> Floats:
    """Hold the working days of each run against those estimated for the technique used."""
    keys = pd.MultiIndex.from_frame(options[["run_id", "technique"]].astype("str"))
    wanted = pd.MultiIndex.from_frame(done[["run_id", "technique"]].astype("str"))
    place = keys.get_indexer(wanted)
    estimate = np.append(take_numbers(options, "days"), np.nan)[place]
    ratio = take_numbers(done, "working_days") / estimate
    return _keep_known(ratio)


def _count_roots(returned: SiteReturn, plan: Plan) -> tuple[int, int]:
    """Count the zones that pits entered: with roots met, and all of which that is known.

    Where roots were met in a pit that enters several zones, a zone counts as met only if a root was
    told of its tree; for the others of that pit it is not known. Where none were met, none was in
    any of them.
    """
    dug = returned.pits_dug
    known = dug[dug["roots_met"].notna().to_numpy(dtype=bool)]
    if not len(known):
        return 0, 0
    entered = measure_dug(known, plan)
    entered = entered[entered["is_inside"].to_numpy(dtype=bool)]
    says = known["roots_met"].eq(True).to_numpy(dtype=bool, na_value=False)
    is_met = pd.Series(says, index=pd.Index(name_dug(known)))
    pairs = pd.DataFrame(
        {
            "tree_id": entered["tree_id"].astype("str").to_numpy(),
            "with_roots": is_met.reindex(entered["work_id"]).to_numpy(dtype=bool),
        }
    )
    trees, _ = find_trees_of_roots(returned.roots_met, plan)
    told = pairs["tree_id"].isin(trees[trees != ""]).to_numpy(dtype=bool)
    alone = pairs.groupby(entered["work_id"].to_numpy())["tree_id"].transform("size").eq(1)
    met = pairs["with_roots"].to_numpy(dtype=bool) & (told | alone.to_numpy(dtype=bool))
    clear = ~pairs["with_roots"].to_numpy(dtype=bool)
    return int(met.sum()), int((met | clear).sum())


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
    return whole.astype({**numbers, "ratios": "str", "counts": "str", "rests": "str"})


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
    return Lessons(pull=ratios["pull"], days=ratios["days"], met=met, dug=dug)


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
