"""Results that a test makes by hand: every declared column is there, blank where none is given."""

import dataclasses
import functools

import geopandas as gpd
import numpy as np
import pandas as pd
from encroach import GRAZED_M2, list_marks, measure

from routekit.advice.alerts import find_alerts
from routekit.advice.new_bores import find_heights, size_new_pipes
from routekit.advice.recommended import mark_checks, mark_trenches
from routekit.advice.tree_needs import find_needs
from routekit.advice.tree_outcomes import judge_outcomes, mark_open_works
from routekit.layers.crowns import mark_origin
from routekit.layers.parsing import parse_stems
from routekit.layers.public_ground import find_public_trees
from routekit.layers.public_places import name_places
from routekit.layers.stem_columns import StemLists
from routekit.layers.streets import find_nearest_runs
from routekit.methods.neighbours import list_crossings
from routekit.methods.run_facts import measure_chainages
from routekit.result import Result
from routekit.schema import load_tables
from routekit.site.encroachments import mark_runs
from routekit.site.grazed import mark_beyond, mark_grazed
from routekit.site.ground_taken import list_surfaces, measure_parking
from routekit.site.relaid import draw_dug
from routekit.study import parse_settings
from routekit.trees.settings import ZoneSettings
from routekit.trees.stem_table import tabulate_stems
from routekit.trees.stem_words import describe_stems
from routekit.vocabulary import SEVERITIES
from routekit.words.texts import both, fill, join, say

SETTINGS = parse_settings({"layers": {"sewers": "sewers.gpkg", "trees": "trees.gpkg"}})
"""Every setting at its default."""

_BLANK = {
    "text": ("str", ""),
    "number": ("float64", np.nan),
    "count": ("int64", 0),
    "flag": ("bool", False),
    "told": ("boolean", pd.NA),
    "shape": ("object", None),
}


def made_once(make):
    """Make each result once; whoever asks for it gets tables of his own, to change as he likes."""
    kept = functools.cache(make)

    @functools.wraps(make)
    def give(*words, **more):
        result = kept(*words, **more)
        own = {name: table.copy(deep=False) for name, table in result.tables.items()}
        return dataclasses.replace(result, **own)

    return give


def blank_table(name, size=0):
    """A table of which nothing is known: NaN, missing or blank, false, 0 where none is missing."""
    return _blank_table(name, size).copy(deep=False)


@functools.cache
def _blank_table(name, size):
    columns = {}
    for field in load_tables()[name].fields.values():
        dtype, value = _BLANK[field.kind]
        if field.kind == "count" and field.null:
            dtype, value = "float64", np.nan
        if field.kind == "text" and field.null:
            value = None
        columns[field.name] = pd.Series([value] * size, dtype=dtype)
    return pd.DataFrame(columns)


def fill_table(name, given, crs):
    """The table with every column of the schema, in any case those that were given."""
    blank = blank_table(name, len(given)).set_axis(given.index)
    shapes = [f.name for f in load_tables()[name].fields.values() if f.kind == "shape"]
    missing = [column for column in blank if column not in given.columns]
    for column in shapes:
        blank[column] = gpd.GeoSeries(blank[column], crs=crs)
    whole = pd.concat([given, blank[missing]], axis=1)
    if "geometry" in shapes:
        return gpd.GeoDataFrame(whole, geometry="geometry", crs=crs)
    return gpd.GeoDataFrame(whole, geometry=shapes[0], crs=crs) if shapes else pd.DataFrame(whole)


def make_whole(name, crs, **tables):
    """A result of these tables, filled; those that are not given have no rows."""
    breaches = tables.pop("breaches", pd.DataFrame())
    given = {each: tables.pop(each, pd.DataFrame()) for each in load_tables()}
    whole = {each: fill_table(each, table, crs) for each, table in given.items()}
    for each, table in whole.items():
        for row, home in (("run", "runs"), ("tree", "trees")):
            if row in load_tables()[each].fields and row not in given[each].columns:
                ids = pd.Index(whole[home][f"{row}_id"].astype("str"))
                table[row] = ids.get_indexer(pd.Index(table[f"{row}_id"].astype("str")))
    if not len(given["encroachments"]):
        whole["encroachments"] = measure(whole, _fill_breaches(breaches, whole))
    if not len(given["stems"]):
        whole["stems"] = list_stems(whole["trees"], whole["zones"])
    if "estimated" not in given["zones"]:
        is_estimated = whole["zones"]["is_estimated"].to_numpy(dtype=bool)
        whole["zones"]["estimated"] = np.where(is_estimated, "stem", "")
    if "stem_text" not in given["zones"]:
        whole["zones"] = word_stems(whole["trees"], whole["zones"], whole["stems"])
    decide_columns(whole, given)
    made = decide_again(Result(name=name, crs=crs, settings=SETTINGS, **whole, **tables))
    return advise_sizes(made) if len(whole["options"]) else made


def decide_again(result):
    """The result in which all that follows from what is recommended is decided anew."""
    chosen = name_choosers(result.advice, result.decisions)
    advice = result.advice.assign(**both("chosen_by", chosen))
    near = mark_trenches(result.near_misses, advice)
    marks = mark_runs(result.encroachments, list_marks(result.tables))
    works = result.encroachments.assign(**marks)
    trees, zones = mark_origin(result.trees), mark_beyond(result.zones, GRAZED_M2)
    decided = dataclasses.replace(
        result,
        advice=advice,
        near_misses=near,
        encroachments=works,
        trees=trees,
        zones=zones,
        checks=mark_checks(result.checks, advice),
        trenches=mark_trenches(result.trenches, advice),
        tree_needs=find_needs(trees, zones, works, near, result.tree_balance, advice),
    )
    return tell_outcomes(decided)


def name_choosers(advice, decisions):
    """Who forced the technique of each run, or left no other, told from the rows themselves."""
    named = decisions[decisions["run_id"].notna()]
    found = []
    for run, is_forced in zip(advice["run_id"].astype(str), advice["is_forced"], strict=True):
        mine = named[(named["run_id"].astype(str) == run).to_numpy()]
        rows = mine[(mine["decision"] == "force").to_numpy()]
        rows = rows if len(rows) else mine[(mine["decision"] == "exclude").to_numpy()]
        who = dict.fromkeys(rows["by"].astype(str).fillna("")) or [""]
        names = [name or say("a decision") for name in who]
        found.append(join(names, ", ") if is_forced else "")
    return fill(found)


def lay_on_surfaces(result):
    """The result with the surfaces that its works lie on."""
    advice, surfaces = (
        fill_table(name, getattr(result, name), result.crs) for name in ("advice", "surfaces")
    )
    trenches = mark_trenches(fill_table("trenches", result.trenches, None), advice)
    corridors, is_dug = trenches["corridor"].to_numpy(object), trenches["is_recommended"].to_numpy()
    under = {
        name: list_surfaces(getattr(result, name).geometry, surfaces) for name in ("pits", "digs")
    }
    return dataclasses.replace(
        result,
        trenches=trenches.assign(parking_m2=measure_parking(corridors, surfaces, is_dug)),
        pits=result.pits.assign(**under["pits"]),
        digs=result.digs.assign(surfaces=under["digs"]["surfaces"]),
    )


def tell_outcomes(result):
    """The result with what its tables say that happens to each tree."""
    names = ("advice", "strings", "pits", "trees", "zones", "encroachments", "tree_balance")
    known = {name: fill_table(name, getattr(result, name), result.crs) for name in names}
    advice, strings, pits, trees, *others = known.values()
    runs = fill_table("runs", result.runs, result.crs)
    is_open = mark_open_works(advice, strings, pits)
    told = judge_outcomes(trees, *others, advice)
    surfaces = fill_table("surfaces", result.surfaces, result.crs)
    told["is_shown_to_residents"] = find_public_trees(
        trees, runs, surfaces, result.settings.outputs.public
    )
    return dataclasses.replace(
        lay_on_surfaces(tell_places(result)),
        advice=result.advice.assign(has_open_works=is_open),
        trees=result.trees.assign(**told, **find_nearest_runs(result.trees, runs)),
    )


def tell_places(result, settings=None):
    """The result with where residents find each run."""
    strings, lines = (
        fill_table(name, getattr(result, name), result.crs) for name in ("strings", "new_lines")
    )
    runs = result.runs
    if not len(runs):
        return result
    found = name_places(
        runs.assign(geometry=draw_dug(runs, lines)),
        strings,
        settings or result.settings.outputs.public,
    )
    return dataclasses.replace(result, runs=runs.assign(**found))


def raise_again(result):
    """The result with the alerts that its tables raise."""
    names = (
        "advice",
        "runs",
        "strings",
        "pits",
        "digs",
        "decisions",
        "root_zones",
        "encroachments",
        "programme",
    )
    return dataclasses.replace(
        result, alerts=find_alerts(*(getattr(result, name) for name in names))
    )


def decide_columns(whole, given):
    """Fill the columns that follow from others, where a test does not give them."""
    if "opens_ground" not in given["digs"]:
        whole["digs"]["opens_ground"] = (
            whole["digs"]["method"].astype(object) != "robot"
        ).to_numpy()
    if "is_to_confirm" not in given["advice"]:
        text = whole["advice"]["to_confirm"].fillna("").astype(str)
        whole["advice"]["is_to_confirm"] = (text != "").to_numpy()
    if "laydown_has_room" not in given["strings"]:
        room = whole["strings"]["laydown_room"].fillna("not known").astype(str)
        told = pd.Series(room != "no room", dtype="boolean").mask(room.isin(["", "not known"]))
        whole["strings"]["laydown_has_room"] = told.set_axis(whole["strings"].index)
    if "takes_more" not in given["tree_balance"]:
        spared = whole["tree_balance"]["spared_m2"].astype(float)
        whole["tree_balance"]["takes_more"] = (spared < 0).astype("boolean").mask(spared.isna())
    if "chainage_m" not in given["connections"]:
        whole["connections"]["chainage_m"] = measure_chainages(whole["connections"], whole["runs"])
    if not len(given["service_crossings"]):
        whole["service_crossings"] = list_crossings(whole["runs"], whole["services"])
    _decide_limits(whole, given)
    _decide_harm(whole, given["runs"])


def _decide_limits(whole, given):
    """What is over a limit, free, near a stem or grazed, where a test does not give it."""
    strings, pits, balance = (whole[name] for name in ("strings", "pits", "tree_balance"))
    if "is_over_limit" not in given["strings"]:
        over = strings["over_limit"].fillna("").astype(str) != ""
        strings["is_over_limit"] = over.astype("boolean")
    if "is_free" not in given["pits"]:
        pits["is_free"] = pits["is_clear"].astype("boolean").mask(pits.geometry.isna())
    if "is_near_stem" not in given["advice"]:
        whole["advice"]["is_near_stem"] = pd.array([False] * len(whole["advice"]), dtype="boolean")
    if "is_open_cut_serious" not in given["tree_balance"]:
        severity = balance["open_cut_severity"].astype(object)
        serious = severity.isin(["major", "structural"]).astype("boolean")
        balance["is_open_cut_serious"] = serious.mask(severity == "unknown")
    if "is_open_cut_reached" not in given["tree_balance"]:
        reached = (balance["open_cut_severity"] != "none").astype("boolean")
        is_graded = balance["open_cut_severity"].isin(SEVERITIES)
        balance["is_open_cut_reached"] = reached.mask(~is_graded)
    if "is_grazed" not in given["tree_balance"]:
        balance["is_grazed"] = mark_grazed(balance, GRAZED_M2)


def _decide_harm(whole, given):
    """Trees that the trench of each run would meet, and the worst severity."""
    met = whole["encroachments"].query("kind == 'trench'").groupby("run_id")["severity"]
    ids = whole["runs"]["run_id"].astype(str)
    if "n_trees" not in given:
        whole["runs"]["n_trees"] = met.size().reindex(ids).fillna(0).to_numpy(float)
    if "severity" not in given:
        worst = met.agg(lambda seen: max(seen.astype(str), key=SEVERITIES.index))
        none = "none" if len(whole["zones"]) else None
        found = worst.astype(object).reindex(ids, fill_value=none).to_numpy()
        whole["runs"]["severity"] = pd.Series(found, whole["runs"].index, dtype="str")


def set_outputs(result, **changes):
    """The result whose settings of the outputs are changed: a group, or the language."""
    outputs = result.settings.outputs.model_copy(update=changes)
    return dataclasses.replace(
        result, settings=result.settings.model_copy(update={"outputs": outputs})
    )


def _fill_breaches(given, whole):
    """Breaches with every column, runs and trees as row positions."""
    fields = load_tables()["encroachments"].fields
    filled = fill_table("encroachments", given, None)
    for row, home in (("run", "runs"), ("tree", "trees")):
        if row not in given.columns:
            ids = pd.Index(whole[home][f"{row}_id"].astype("str"))
            filled[row] = ids.get_indexer(pd.Index(filled[f"{row}_id"].astype("str")))
    assert set(given.columns) <= set(fields)
    told = filled["is_structural"].astype("boolean")
    return filled.assign(is_structural=told.fillna(value=False).astype(bool))


def advise_sizes(result):
    """The result whose recommendations and options have the sizes that its options tell."""
    runs, options = result.runs, result.options.reset_index(drop=True)
    ids = runs["run_id"].astype(str)
    plans = {
        code: rows.set_index(rows["run_id"].astype(str)).reindex(ids)
        for code, rows in options.groupby(options["technique"].astype(str))
    }
    chosen = result.advice.set_index("run_id")["technique"].astype(str)
    sizes = pd.DataFrame(size_new_pipes(runs, plans, chosen.reindex(ids).to_numpy()), index=ids)
    row = pd.Index(ids).get_indexer(options["run_id"].astype(str))
    heights = find_heights(
        runs.iloc[row], options["technique"].astype(str).to_numpy(), options["new_bore_mm"]
    )
    mine = sizes.reindex(result.advice["run_id"].astype(str)).set_axis(result.advice.index)
    return dataclasses.replace(
        result,
        advice=result.advice.assign(**mine),
        options=options.assign(new_height_mm=heights),
    )


def word_stems(trees, zones, stems):
    """The zones, with the stem of each tree in words."""
    mine = trees.set_index("tree_id", drop=False).reindex(zones["tree_id"])
    return zones.assign(**describe_stems(mine, zones, stems))


def list_stems(trees, zones, **settings):
    """Every stem of the trees, as the package lists them."""
    ids = trees["tree_id"].astype(str)
    mine = zones.set_index(zones["tree_id"].astype(str)).reindex(ids)
    parts = parse_stems(trees["stems_mm"])
    parts = parts[parts["diameter_mm"].notna()]
    lists = StemLists(parts["diameter_mm"].to_numpy(), parts["row"].to_numpy())
    return tabulate_stems(trees, mine, lists, settings=ZoneSettings(**settings))
