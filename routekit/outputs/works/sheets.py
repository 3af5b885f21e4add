"""What the works plan of each street lists: works, protection of trees, and what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import ID_MARK, Ints, Objects, split_ids
from routekit.layers.identity import is_among
from routekit.outputs.arborist.words import NOT_KNOWN, write_quantity
from routekit.outputs.works.drawing import LETTERS, Atlas
from routekit.outputs.works.frames import frame_street
from routekit.result import Result
from routekit.site.protection import FENCE, GROUND, HAND_DIG, NO_STORE
from routekit.site.protection import NOT_KNOWN as NOT_SET_OUT
from routekit.site.work_names import METHOD_NAMES, name_digs, name_pits
from routekit.techniques import TECHNIQUES, list_codes
from routekit.words.texts import begin, join, name_some, say, take_texts, word

_WATCHED: Final = list_codes(lambda one: one.work == "inspection")
_MOST_NAMED: Final = 30
_RECOMMENDED: Final = "recommended"


def list_streets(result: Result) -> tuple[list[str], list[str]]:
    """List the streets.

    Parameters
    ----------
    result : Result

    Returns
    -------
    worked : list of str
        Streets in which some run is worked on, or has no recommendation yet, by name; blank, for
        runs whose street is not known, comes last.
    still : list of str
        The others.
    """
    street, technique = _streets(result.runs), _techniques(result)
    names = np.unique(street.astype(str))
    has_works = ~np.isin(technique, _WATCHED)
    worked = set(street[has_works].tolist())
    order = sorted(names.tolist(), key=lambda name: (name == "", name))
    return [name for name in order if name in worked], [n for n in order if n not in worked]


class Plans:
    """The plans of the streets of a result.

    Parameters
    ----------
    result : Result
    """

    def __init__(self, result: Result) -> None:
        self._atlas, self._lists = Atlas(result), _Lists(result)

    def build(self, street: str) -> dict[str, Any]:
        """Gather what the plan of a street shows.

        Parameters
        ----------
        street : str
            From `list_streets`.

        Returns
        -------
        dict
            Name, counts (runs, pits, digs and fence_m), trench (length, blank for none), overview
            and parts (drawings), works (what, size, note), permits (package, kind, about, needed,
            reference, day, is_open, is_ready), watched and undecided (ids of runs), fences, ground,
            hand (rows of the tables), notes and unknown; all in words, with their statements.
        """
        overview, parts = frame_street(*self._lists.take_shapes(street))
        return self._lists.describe(street) | {
            "name": street or say("Street not known"),
            "overview": self._atlas.draw(overview, street, parts),
            "parts": [self._atlas.draw(part, street) for part in parts],
        }


def list_unset(result: Result, streets: Sequence[str]) -> list[str]:
    """Say what cannot be set out in streets that have no plan.

    Parameters
    ----------
    result : Result
    streets : sequence of str
        Those that have one.

    Returns
    -------
    list of Text
    """
    table = result.tree_protection
    lost = (table["kind"] == NOT_SET_OUT).to_numpy(dtype=bool)
    told = np.isin(_streets(table), list(streets))
    return _note(table[lost & ~told])


def _streets(table: pd.DataFrame) -> Objects:
    """Give the street of each row; blank where it is not known."""
    return np.asarray(table["street"].astype(object).fillna("").to_numpy(dtype=object))


def _techniques(result: Result) -> Objects:
    """Give the technique of each run; blank where none is recommended."""
    column = result.advice["technique"].astype(object)
    return np.asarray(column.fillna("").to_numpy(dtype=object))


def _find_rows(street: Objects, rows: Ints | None = None) -> dict[str, Ints]:
    """List the rows of each street, ascending, each once."""
    places = np.arange(len(street)) if rows is None else rows
    return {
        str(name): np.unique(mine)
        for name, mine in pd.Series(places).groupby(street).agg(list).items()
    }


def _split(trees: object) -> str:
    """Write the ids of trees of one row."""
    return ", ".join(str(trees).split(ID_MARK))


class _Lists:
    """The tables of a result, with the rows of each street."""

    def __init__(self, result: Result) -> None:
        self.result = result
        street = _streets(result.runs)
        self.technique = _techniques(result)
        self.ids = result.runs["run_id"].astype(str).to_numpy(dtype=object)
        self.dug_m = result.dug_length_m
        of = pd.Series(street, self.ids)
        dig_street = self._look_up(of, result.digs["run_id"])
        first = result.strings["run_ids"].astype(str).str.split(ID_MARK).str[0]
        by_string = pd.Series(
            self._look_up(of, first), result.strings["string_id"].astype(str), dtype=object
        )
        self.pits, self.digs, self.runs, self.laydown, self.guard = (
            pd.DataFrame(table.drop(columns="geometry"))
            for table in (
                result.pits,
                result.digs,
                result.runs,
                result.laydown,
                result.tree_protection,
            )
        )
        opens = result.digs["opens_ground"].to_numpy(dtype=bool)
        self.trenched = result.trenches["is_recommended"].to_numpy(dtype=bool)
        self.is_unset = (self.guard["kind"] == NOT_SET_OUT).to_numpy(dtype=bool)
        nowhere = ((self.guard["tree_ids"] == "") & (self.guard["run_id"] == "")).to_numpy(bool)
        self.unset_nowhere = np.flatnonzero(self.is_unset & nowhere)
        members = split_ids(result.permits["run_ids"]).reset_index(drop=True).explode()
        members = members[is_among(members, result.runs["run_id"])]
        self._rows = {
            "runs": _find_rows(street),
            "pits": _find_rows(self._look_up(of, result.pits["run_id"])),
            "digs": _find_rows(dig_street[opens], np.flatnonzero(opens)),
            "robots": _find_rows(dig_street[~opens], np.flatnonzero(~opens)),
            "laydown": _find_rows(self._look_up(by_string, result.laydown["string_id"])),
            "guard": _find_rows(_streets(result.tree_protection)),
            "permits": _find_rows(self._look_up(of, members), members.index.to_numpy()),
        }
        self.shapes = {
            "runs": np.array(result.runs.geometry, dtype=object),
            "pits": np.array(result.pits.geometry, dtype=object),
            "digs": np.array(result.digs.geometry, dtype=object),
            "laydown": np.array(result.laydown.geometry, dtype=object),
            "guard": np.array(result.tree_protection.geometry, dtype=object),
        }

    @staticmethod
    def _look_up(of: pd.Series, ids: pd.Series) -> Objects:
        found = of.reindex(ids.astype(str)).astype(object)
        return np.asarray(found.fillna("").to_numpy(dtype=object))

    def find(self, table: str, street: str) -> Ints:
        """Find the rows of a table that belong to a street, ascending."""
        return self._rows[table].get(street, np.empty(0, dtype=np.int64))

    def take_shapes(self, street: str) -> tuple[Objects, Objects]:
        """Give the lines of a street, and what is to be seen at a large scale there."""
        rows = {name: self.find(name, street) for name in self.shapes}
        lines = self.shapes["runs"][rows["runs"]]
        rows["runs"] = rows["runs"][self.trenched[rows["runs"]]]
        rows["guard"] = rows["guard"][~self.is_unset[rows["guard"]]]
        order = ("pits", "digs", "laydown", "runs", "guard")
        features = np.concatenate([self.shapes[name][rows[name]] for name in order])
        keep = shapely.is_geometry(features) & ~shapely.is_empty(features)
        return lines, features[keep]

    def describe(self, street: str) -> dict[str, Any]:
        """List the works of a street, and what protects its trees."""
        mine, guard = self.find("runs", street), self.find("guard", street)
        technique = self.technique[mine]
        watched, undecided = np.isin(technique, _WATCHED), technique == ""
        works = mine[~watched & ~undecided]
        here = self.guard.iloc[guard]
        kind = here["kind"].astype(str)
        fences = here[(kind == FENCE).to_numpy(dtype=bool)]
        unset = np.union1d(guard[self.is_unset[guard]], self.unset_nowhere)
        notes = here[(kind != NOT_SET_OUT).to_numpy(dtype=bool)]
        pits, digs = self.find("pits", street), self.find("digs", street)
        trench_m = float(self.dug_m[mine[self.trenched[mine]]].sum())
        return {
            "n_runs": len(works),
            "n_pits": len(pits),
            "n_digs": len(digs),
            "trench": write_quantity(trench_m, "m", 0) if trench_m else "",
            "fence_m": float(fences["length_m"].sum()),
            "works": [
                *self._list_runs(works),
                *self._list_pits(pits),
                *self._list_digs(digs),
                *self._list_laydown(self.find("laydown", street)),
                *self._count_robots(len(self.find("robots", street))),
            ],
            "watched": self.ids[mine[watched]].tolist(),
            "undecided": self.ids[mine[undecided]].tolist(),
            "fences": _list_fences(fences, here[(kind == NO_STORE).to_numpy(dtype=bool)]),
            "ground": _list_areas(here[(kind == GROUND).to_numpy(dtype=bool)]),
            "hand": _list_areas(here[(kind == HAND_DIG).to_numpy(dtype=bool)]),
            "notes": _note(notes),
            "unknown": _note(self.guard.iloc[unset]),
            "permits": self._list_permits(self.find("permits", street)),
        }

    def _list_permits(self, rows: Ints) -> list[dict[str, Any]]:
        """List permits and notices of the packages that work in a street, and which are open."""
        mine = self.result.permits.iloc[rows]
        return [
            {
                "package": " ".join(filter(None, (row["package_id"], row["work_id"]))),
                "kind": word(row["kind"]),
                "about": _split(row["subject"]),
                "needed": "" if row["is_needed"] is True else say("not known whether needed"),
                "reference": row["reference"],
                "day": row["granted_on"],
                "is_open": row["is_open"],
                "is_ready": row["is_ready"],
            }
            for row in mine.astype(object).to_dict("records")
        ]

    def _list_runs(self, rows: Ints) -> list[dict[str, Any]]:
        """List runs with their technique, new pipe and standing."""
        runs, advice = self.runs.iloc[rows], self.result.advice.iloc[rows]
        pipes, standing = take_texts(advice, "new_pipe"), advice["standing"].astype(str)
        runs = runs.assign(length_m=self.dug_m[rows])
        facts = runs[["run_id", "length_m", "from_manhole", "to_manhole"]].to_numpy(dtype=object)
        found = []
        laid = advice["is_new_line"].to_numpy(dtype=bool)
        for (run, length_m, start, end), code, pipe, stands, is_laid in zip(
            facts, self.technique[rows], pipes, standing, laid, strict=True
        ):
            technique = join([word(TECHNIQUES[code]), say("on a new line") if is_laid else ""])
            name = say("{run}: {technique}", run=run, technique=technique)
            between = say("{start} to {end}", start=_named(start), end=_named(end))
            found.append(
                {
                    "sign": LETTERS[code],
                    "what": name,
                    "size": join([write_quantity(length_m, "m", 0), between], ", "),
                    "note": join(
                        filter(None, [pipe, word(stands) if stands != _RECOMMENDED else ""]), "; "
                    ),
                }
            )
        return found

    def _list_pits(self, rows: Ints) -> list[dict[str, Any]]:
        """List pits with their sizes."""
        pits = self.pits.iloc[rows]
        names = name_pits(pits["role"], pits["pit_id"])
        sizes = pits[["length_m", "width_m", "depth_m"]].to_numpy(dtype=float)
        drawn = shapely.is_geometry(self.shapes["pits"][rows])
        facts = zip(
            names, sizes, drawn, pits["manhole_id"].astype(object), pits["method"], strict=True
        )
        return [
            {
                "sign": "",
                "what": begin(say("{pit} at manhole {manhole}", pit=name, manhole=_named(at))),
                "size": _write_box(size),
                "note": word(METHOD_NAMES.get(str(method), str(method)))
                if is_drawn
                else say("place not known"),
            }
            for name, size, is_drawn, at, method in facts
        ]

    def _list_digs(self, rows: Ints) -> list[dict[str, Any]]:
        """List small digs that open the ground."""
        digs = self.digs.iloc[rows]
        names = name_digs(digs["kind"], digs["dig_id"], digs["connection_id"])
        drawn = shapely.is_geometry(self.shapes["digs"][rows])
        area = digs["footprint_m2"].to_numpy(dtype=float)
        depth = digs["depth_m"].to_numpy(dtype=float)
        return [
            {
                "sign": "",
                "what": begin(name),
                "size": join(
                    [
                        write_quantity(area_m2, "m²"),
                        say("{depth} deep", depth=write_quantity(depth_m, "m")),
                    ],
                    ", ",
                ),
                "note": word(METHOD_NAMES.get(str(method), str(method)))
                if is_drawn
                else say("place not known"),
            }
            for name, area_m2, depth_m, is_drawn, method in zip(
                names, area, depth, drawn, digs["method"], strict=True
            )
        ]

    def _list_laydown(self, rows: Ints) -> list[dict[str, Any]]:
        """List the strips on which strings lie."""
        laydown = self.laydown.iloc[rows]
        texts = take_texts(laydown, "text")
        return [
            {"sign": "", "what": say("String {name} laid out", name=name), "size": "", "note": text}
            for name, text in zip(laydown["string_id"].astype(str), texts, strict=True)
        ]

    def _count_robots(self, n: int) -> list[dict[str, Any]]:
        """Count what is reopened from inside."""
        what = say(
            "{n} connection reopened from inside the pipe: nothing is dug",
            "{n} connections reopened from inside the pipe: nothing is dug",
            n=n,
        )
        return [{"sign": "", "what": what, "size": "", "note": ""}] if n else []


def _named(value: Any) -> str:
    """Write an id, or say that there is none."""
    return NOT_KNOWN if pd.isna(value) or value == "" else str(value)


def _write_box(size: Any) -> str:
    """Write length, width and depth of a pit, or say that they are not known."""
    if not np.isfinite(size).any():
        return say("size not known")
    length, width, depth = (write_quantity(one, "m") for one in size)
    return say("{length} × {width}, {depth} deep", length=length, width=width, depth=depth)


def _list_fences(fences: pd.DataFrame, stores: pd.DataFrame) -> list[dict[str, Any]]:
    """List the fence of each tree, with the area in which nothing is stored."""
    area = stores.set_index(stores["tree_ids"].astype(str))["area_m2"]
    trees = fences["tree_ids"].astype(str)
    rows = zip(
        trees,
        fences["length_m"],
        fences["carriageway_m"],
        area.reindex(trees),
        strict=True,
    )
    return [
        {
            "tree": tree,
            "length": write_quantity(length, "m", 0),
            "road": write_quantity(road, "m", 0),
            "area": write_quantity(area_m2, "m²", 0),
        }
        for tree, length, road, area_m2 in rows
    ]


def _list_areas(table: pd.DataFrame) -> list[dict[str, Any]]:
    """List areas with the works that they belong to and the trees that they protect."""
    columns = ["protection_id", "work_id", "run_id", "tree_ids", "area_m2", "method"]
    return [
        {
            "name": name,
            "work": work or run,
            "trees": _split(trees),
            "area": write_quantity(area_m2, "m²"),
            "method": word(METHOD_NAMES.get(method, method)) if method else "",
        }
        for name, work, run, trees, area_m2, method in table[columns]
        .astype(object)
        .itertuples(index=False, name=None)
    ]


def _note(table: pd.DataFrame) -> list[str]:
    """Say each doubt once, behind the names of all that it concerns."""
    doubts = take_texts(table, "doubt")
    columns = table[["tree_ids", "work_id", "run_id"]].astype(object).to_numpy(dtype=object)
    at_works = np.isin(table["kind"].astype(str), (GROUND, HAND_DIG))
    found: dict[str, tuple[str, list[str]]] = {}
    for doubt, (trees, work, run), of_works in zip(doubts, columns, at_works, strict=True):
        if doubt:
            name = work or (run if of_works else _split(trees)) or run
            names = found.setdefault(str(doubt), (doubt, []))[1]
            if name and name not in names:
                names.append(name)
    return [
        say("{names}: {doubt}.", names=name_some(names, _MOST_NAMED), doubt=doubt)
        if names
        else say("{doubt}.", doubt=begin(doubt))
        for doubt, names in found.values()
    ]
