"""What the parts found, put together in the order of the whole study."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.choice import Chosen
from routekit.advice.new_lines import NewLines
from routekit.arrays import Ints, Objects
from routekit.parts.judged import ORDER, Tables
from routekit.parts.numbering import BEGIN, END, number_texts
from routekit.pipeline import Judged, Prepared
from routekit.site.dig_tables import number_digs
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.site.layout import Ground, SetOut
from routekit.site.relaid import draw_dug
from routekit.site.strings import name_pits as number_pits
from routekit.site.strings import name_strings
from routekit.site.surroundings import prepare_surroundings
from routekit.study import StudySettings, choice_settings
from routekit.trees.exposure import Trenched, set_tiers
from routekit.trees.near_misses import Bounds

_PART: Final = "_part"
_WORKS: Final = {"strings": "string_id", "pits": "pit_id", "digs": "dig_id"}


def gather_parts(settings: StudySettings, prepared: Prepared, parts: Sequence[Tables]) -> Judged:
    """Put together what the parts found.

    Parameters
    ----------
    settings : StudySettings
    prepared : Prepared
        Of the whole study.
    parts : sequence of dict of str to DataFrame
        From `routekit.parts.judged.judge_part`; the own runs of all of them are all runs.

    Returns
    -------
    Judged
        As `routekit.pipeline.judge_runs` finds it for the study in one piece.
    """
    numbered = _number_parts(parts)
    table = {name: _put_in_order([part[name] for part in numbered]) for name in numbered[0]}
    run_ids = pd.Index(prepared.runs["run_id"], dtype=str)
    checks = table["checks"]
    checks = checks.assign(run_id=checks["run_id"].cat.set_categories(run_ids))
    tiers = set_tiers(settings.zones)
    chosen = Chosen(
        runs=table["runs"],
        checks=checks,
        options=table["options"],
        advice=table["advice"],
        works=SetOut(strings=table["strings"], pits=table["pits"], digs=table["digs"]),
        encroachments=table["encroachments"],
        laydown=table["laydown"],
        quantities=table["quantities"],
        times=table["times"],
        sides=(table["side_0"], table["side_1"]),
        place=Ground(
            runs=prepared.runs.set_geometry(
                draw_dug(prepared.runs, table["new_lines"]), crs=prepared.runs.crs
            ),
            trenches=table["dug_trenches"],
            cases=table["cases"],
            around=prepare_surroundings(
                prepared.zones,
                tree_sd_m=prepared.layers.trees["position_sd_m"].to_numpy(dtype=float),
                zone_settings=settings.zones,
            ),
            major_from_share=tiers.major_from_share,
            settings=choice_settings(settings).layout,
        ),
    )
    bounds = Bounds(**{name: table["bounds"][name].to_numpy() for name in Bounds.__annotations__})
    exposure, dug = (
        Trenched(
            trenches=table[f"{side}trenches"],
            breaches=table[f"{side}breaches"],
            doubt=table[f"{side}doubt"],
            tiers=tiers,
            near_misses=table[f"{side}near_misses"],
            bounds=bounds,
        )
        for side in ("", "dug_")
    )
    return Judged(
        exposure=exposure,
        dug=dug,
        chosen=chosen,
        settled=table["settled"].fillna(value=False),
        new_lines=NewLines(
            table["new_lines"], table["new_line_checks"], table["new_line_connections"]
        ),
    )


def _number_parts(parts: Sequence[Tables]) -> list[Tables]:
    """Give strings, pits and digs numbers along the whole study, wherever they are named."""
    names: list[dict[str, str]] = [{} for _ in parts]
    order: list[dict[str, dict[str, int]]] = [{} for _ in parts]
    for kind, column in _WORKS.items():
        whole = _put_in_order(
            [
                part[kind][[column, *([] if kind != "digs" else ["kind"]), *_keys(part[kind])]]
                .assign(**{_PART: number})
                .pipe(pd.DataFrame)
                for number, part in enumerate(parts)
            ]
        )
        ids = _name_works(kind, whole)
        of_part = whole[_PART].to_numpy(dtype=np.int64)
        old = whole[column].to_numpy(dtype=object)
        for number in range(len(parts)):
            mine = np.flatnonzero(of_part == number)
            plain = [str(one).strip(BEGIN + END) for one in old[mine]]
            names[number] |= dict(zip(plain, ids[mine], strict=True))
            order[number][kind] = dict(zip(ids[mine], mine.tolist(), strict=True))
    return [_number_part(part, names[number], order[number]) for number, part in enumerate(parts)]


def _name_works(kind: str, whole: pd.DataFrame) -> Objects:
    """Name works in the order of the whole study."""
    if kind == "strings":
        return name_strings(len(whole))
    if kind == "pits":
        return number_pits(np.arange(len(whole)))
    return number_digs(whole["kind"].to_numpy(dtype=object))


def _number_part(part: Tables, names: dict[str, str], order: dict[str, dict[str, int]]) -> Tables:
    """Put the ids of the whole study into the tables of a part."""
    found = {name: number_texts(table, names) for name, table in part.items()}
    digs, met = found["digs"], found["encroachments"]
    found["digs"] = digs.assign(dig_id=_rename(digs["dig_id"], names))
    work = met["work_id"].astype(object)
    is_dig = (met["kind"] == DIG).to_numpy(dtype=bool)
    renamed = np.where(is_dig, _rename(work, names), work)
    work = pd.Series(renamed, index=met.index, dtype=met["work_id"].dtype)
    kind = np.select([met["kind"] == TRENCH, met["kind"] == PIT], [0, 1], 2)
    place = np.select(
        [kind == 0, kind == 1],
        [met["run"].to_numpy(dtype=np.int64), _look_up(work, order["pits"])],
        _look_up(work, order["digs"]),
    )
    keys = dict(zip(ORDER, (kind, place, met["tree"].to_numpy(dtype=np.int64)), strict=False))
    found["encroachments"] = met.assign(work_id=work, **keys)
    return found


def _look_up(names: pd.Series, order: dict[str, int]) -> Ints:
    """Look up places by id; -1 where there is none."""
    return np.array([order.get(str(one), -1) for one in names], dtype=np.int64)


def _keys(table: pd.DataFrame) -> list[str]:
    """List the columns by which rows are put in order."""
    return [name for name in ORDER if name in table]


def _put_in_order(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join the rows of all parts in the order of the whole study."""
    joined = _concat(tables)
    keys = _keys(joined)
    rows = np.lexsort([joined[name].to_numpy(dtype=np.int64) for name in reversed(keys)])
    return joined.drop(columns=keys).iloc[rows].reset_index(drop=True)


def _concat(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join tables; categories are those of all of them."""
    filled = [table for table in tables if len(table)] or list(tables[:1])
    words = {
        name: reduce(
            lambda known, more: known.union(more, sort=False),
            [one[name].cat.categories for one in filled],
        )
        for name in filled[0].columns
        if isinstance(filled[0][name].dtype, pd.CategoricalDtype)
    }
    alike = [
        one.assign(**{name: one[name].cat.set_categories(all_) for name, all_ in words.items()})
        for one in filled
    ]
    return pd.concat(alike, ignore_index=True) if len(alike) > 1 else alike[0]


def _rename(ids: pd.Series, names: dict[str, str]) -> Objects:
    """Give other ids; None where there is none."""
    renamed = np.empty(len(ids), dtype=object)
    renamed[:] = [names.get(str(one)) for one in ids]
    return renamed
