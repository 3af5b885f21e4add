"""What the parts found, put together in the order of the whole study."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, reduce
from itertools import chain
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa

from routekit.advice.choice import Chosen
from routekit.advice.new_lines import NewLines
from routekit.advice.ways import SUMS
from routekit.arrays import Ints, Objects
from routekit.errors import PartError
from routekit.parts.judged import ORDER
from routekit.parts.numbering import BEGIN, END, number_texts
from routekit.parts.shelf import Shelf
from routekit.parts.store import list_tables, read_table
from routekit.pipeline import Judged, Keep, Prepared, hold
from routekit.schema import load_tables
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


CONCLUDED: Final[dict[str, tuple[str, ...]]] = {
    "checks": ("run_id", "source"),
    "options": (
        "run_id",
        "run",
        "technique",
        "verdict",
        "score",
        "new_bore_mm",
        "days_low",
        "days_high",
        *SUMS,
    ),
    "quantities": ("run_id",),
}
"""Columns that what is concluded over all runs reads of the tables that are long."""
_SAID: Final = ("chosen_by", "decision")
"""Sentences of the advice that are read there, too; of its other columns all are taken along."""


def list_concluded(name: str) -> tuple[str, ...] | None:
    """List the columns of a table that what is concluded over all runs reads.

    Parameters
    ----------
    name : str
        Of the table.

    Returns
    -------
    tuple of str or None
        None for whatever there is.
    """
    if name != "advice":
        return CONCLUDED.get(name)
    fields = load_tables()[name].fields
    said = [one for one in fields if f"{one}_words" in fields and one not in _SAID]
    return tuple(one for one in fields if one.removesuffix("_words") not in said)


@dataclass(frozen=True, kw_only=True)
class Numbered:
    """Strings, pits or digs of a part, as few bytes: they are looked up in `Names`.

    Attributes
    ----------
    old, new : pyarrow.StringArray, shape (n,)
        Id in the part, and in the whole study.
    place : numpy.ndarray of int, shape (n,)
        In the whole study.
    """

    old: pa.StringArray
    new: pa.StringArray
    place: Ints


class Names(Mapping[str, str]):
    """Ids of the whole study by those of a part, made once one is looked up.

    Parameters
    ----------
    works : dict of str to Numbered
        By kind.
    """

    def __init__(self, works: dict[str, Numbered]) -> None:
        self._works = works

    @cached_property
    def _ids(self) -> dict[str, str]:
        """Id in the whole by id in the part."""
        every = self._works.values()
        pairs = (zip(one.old.to_pylist(), one.new.to_pylist(), strict=True) for one in every)
        return dict(chain.from_iterable(pairs))

    def __getitem__(self, name: str) -> str:
        """Give the id in the whole."""
        return self._ids[name]

    def __iter__(self) -> Iterator[str]:
        """List the ids in the part."""
        return iter(self._ids)

    def __len__(self) -> int:
        """Count the works."""
        return len(self._ids)

    def order(self, kind: str) -> dict[str, int]:
        """Give the place of each work of a kind by its id in the whole."""
        works = self._works[kind]
        return dict(zip(works.new.to_pylist(), works.place.tolist(), strict=True))


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What the parts found, on disk, with the ids of the whole study.

    Attributes
    ----------
    files : sequence of Path
        Of each part.
    works : list of dict of str to Numbered
        Strings, pits and digs by part and kind.
    """

    files: Sequence[Path]
    works: list[dict[str, Numbered]]

    def only(self, number: int) -> Kept:
        """Leave one part, which is then part 0."""
        return Kept(files=[self.files[number]], works=[self.works[number]])

    def take(self, number: int, name: str, columns: Sequence[str] | None = None) -> pd.DataFrame:
        """Take a table of a part, with the keys of its order.

        Parameters
        ----------
        number : int
            Of the part.
        name : str
            Of the table.
        columns : sequence of str, optional
            Only these; all of them by default.

        Returns
        -------
        DataFrame
            Own runs of the part; `run` and `tree` are positions in the whole study.
        """
        table = _read(self.files[number], name)
        if columns is not None:
            table = table[[*dict.fromkeys(columns), *_keys(table)]]
        if name == "checks" and columns is not None:
            table = table.drop_duplicates("source")
        return _number_table(name, table, Names(self.works[number]))

    def take_ordered(self, number: int, name: str) -> pd.DataFrame:
        """Take a table of a part in the order of the whole study."""
        return _put_in_order([self.take(number, name)])

    def gather(
        self, name: str, columns: Sequence[str] | None = None, shelf: Shelf | None = None
    ) -> pd.DataFrame:
        """Put a table of all parts together, in the order of the whole study; on a shelf if any."""
        tables = [self.take(n, name, columns) for n in range(len(self.files))]
        return _put_in_order(tables) if shelf is None else _put_by_column(tables, shelf)


def open_parts(files: Sequence[Path]) -> Kept:
    """Give strings, pits and digs of all parts numbers along the whole study.

    Parameters
    ----------
    files : sequence of Path
        What `routekit.parts.judged.judge_part` found for each part, as `store.write_tables` keeps
        it; the own runs of all parts are all runs.

    Returns
    -------
    Kept

    Raises
    ------
    PartError
        If a part is not there.
    """
    works: list[dict[str, Numbered]] = [{} for _ in files]
    for kind, column in _WORKS.items():
        listed = []
        for number, file in enumerate(files):
            table = _read(file, kind)
            more = ["kind"] if kind == "digs" else []
            part = pd.DataFrame(table[[column, *more, *_keys(table)]])
            listed.append(part.assign(**{_PART: number}))
        whole = _put_in_order(listed)
        ids = _name_works(kind, whole)
        of_part = whole[_PART].to_numpy(dtype=np.int64)
        old = whole[column].to_numpy(dtype=object)
        for number in range(len(files)):
            mine = np.flatnonzero(of_part == number)
            plain = [str(one).strip(BEGIN + END) for one in old[mine]]
            works[number][kind] = Numbered(
                old=pa.array(plain, type=pa.string()),
                new=pa.array(ids[mine].tolist(), type=pa.string()),
                place=mine,
            )
    return Kept(files=files, works=works)


def _read(file: Path, name: str) -> pd.DataFrame:
    """Read a table of a part."""
    table = read_table(file, name)
    if table is None:
        message = (
            f"a part is not there; folder {file.parent}, {file.name}; run the same command again "
            "(workers of a cluster must reach this folder under the same path)"
        )
        raise PartError(message)
    return table


def gather_parts(
    settings: StudySettings,
    prepared: Prepared,
    kept: Kept,
    *,
    is_narrow: bool = False,
    shelf: Shelf | None = None,
) -> Judged:
    """Put together what the parts found, one table after the other.

    Parameters
    ----------
    settings : StudySettings
    prepared : Prepared
        Of the whole study.
    kept : Kept
        From `open_parts`.
    is_narrow : bool, optional
        Whether only the columns of `list_concluded` are put together, of checks one row per
        source: enough for `routekit.pipeline.draw_conclusions`, and a fraction of the whole.
    shelf : Shelf, optional
        Holds each table once it is together.

    Returns
    -------
    Judged
        As `routekit.pipeline.judge_runs` finds it for the study in one piece.
    """
    listed = list_tables(kept.files[0])
    keep: Keep = hold if shelf is None else shelf.put_aside
    table: dict[str, pd.DataFrame] = {}
    for name in listed:
        table[name] = kept.gather(name, list_concluded(name) if is_narrow else None, shelf)
        if shelf is not None:
            shelf.rest()
    run_ids = pd.Index(prepared.runs["run_id"], dtype=str)
    checks = table["checks"]
    if not is_narrow:
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
            runs=keep(
                prepared.runs.set_geometry(
                    draw_dug(prepared.runs, table["new_lines"]), crs=prepared.runs.crs
                )
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


def _name_works(kind: str, whole: pd.DataFrame) -> Objects:
    """Name works in the order of the whole study."""
    if kind == "strings":
        return name_strings(len(whole))
    if kind == "pits":
        return number_pits(np.arange(len(whole)))
    return number_digs(whole["kind"].to_numpy(dtype=object))


def _number_table(name: str, table: pd.DataFrame, names: Names) -> pd.DataFrame:
    """Put the ids of the whole study into a table of a part."""
    found = number_texts(table, names)
    if name == "digs":
        return found.assign(dig_id=_rename(found["dig_id"], names))
    if name != "encroachments":
        return found
    work = found["work_id"].astype(object)
    is_dig = (found["kind"] == DIG).to_numpy(dtype=bool)
    renamed = np.where(is_dig, _rename(work, names), work)
    work = pd.Series(renamed, index=found.index, dtype=found["work_id"].dtype)
    kind = np.select([found["kind"] == TRENCH, found["kind"] == PIT], [0, 1], 2)
    place = np.select(
        [kind == 0, kind == 1],
        [found["run"].to_numpy(dtype=np.int64), _look_up(work, names.order("pits"))],
        _look_up(work, names.order("digs")),
    )
    keys = dict(zip(ORDER, (kind, place, found["tree"].to_numpy(dtype=np.int64)), strict=False))
    return found.assign(work_id=work, **keys)


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


def _put_by_column(tables: Sequence[pd.DataFrame], shelf: Shelf) -> pd.DataFrame:
    """Join the rows of all parts in the order of the whole study, one column after the other."""
    filled = _leave_empty(tables)
    first, keys = filled[0], _keys(filled[0])
    rows = np.lexsort(
        [
            np.concatenate([one[name].to_numpy(dtype=np.int64) for one in filled])
            for name in reversed(keys)
        ]
    )
    if not shelf.takes(len(rows)):
        return _put_in_order(tables)
    names = [name for name in dict.fromkeys(chain(*filled)) if name not in keys]
    joined = (
        _concat([pd.DataFrame(one[[name]]) for one in filled])[name]
        .iloc[rows]
        .reset_index(drop=True)
        for name in names
    )
    whole = pd.DataFrame(dict(zip(names, shelf.put_columns(joined), strict=True)), copy=False)
    whole.columns = first.columns.drop(keys)
    if isinstance(first, gpd.GeoDataFrame):
        drawn = gpd.GeoDataFrame(whole)
        shown = first.active_geometry_name
        whole = drawn if shown is None else drawn.set_geometry(shown)
    return whole


def _leave_empty(tables: Sequence[pd.DataFrame]) -> list[pd.DataFrame]:
    """Leave out tables without rows, if any other has some."""
    return [table for table in tables if len(table)] or list(tables[:1])


def _concat(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join tables; categories are those of all of them."""
    filled = _leave_empty(tables)
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


def _rename(ids: pd.Series, names: Mapping[str, str]) -> Objects:
    """Give other ids; None where there is none."""
    renamed = np.empty(len(ids), dtype=object)
    renamed[:] = [names.get(str(one)) for one in ids]
    return renamed
