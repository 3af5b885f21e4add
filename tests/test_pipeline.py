"""The whole method on the sample district: what the tables say agrees from one to the next."""

from dataclasses import fields, replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from laid_runs import list_laid
from pandas.testing import assert_frame_equal
from sample_copy import SAMPLE, copy_sample

from routekit import Study, run_study, summarise
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.map.writer import write_map
from routekit.outputs.public.builder import build_public_page
from routekit.pipeline import prepare_study
from routekit.settings.sources import STANDINGS, load_sources
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import SEVERITIES, VERDICTS

N_RUNS = 172
BURST = ("burst_same", "burst_upsized")


def tables_of(result):
    """Name and table of every table of a result."""
    values = {field.name: getattr(result, field.name) for field in fields(result)}
    return {name: table for name, table in values.items() if isinstance(table, pd.DataFrame)}


def text(column):
    """A column as text, blank where missing."""
    return column.astype(object).where(column.notna(), "").astype(str)


def split_ids(column):
    """All ids of a column of ids joined by semicolons."""
    return [each for joined in text(column) for each in joined.split(";") if each]


@pytest.fixture(scope="module")
def raw():
    """Ids of the sample's own layers, read without routekit."""
    names = {"sewers": "run_id", "manholes": "manhole_id", "trees": "tree_id"}
    path = SAMPLE / "district.gpkg"
    return {
        layer: set(pyogrio.read_dataframe(path, layer=layer, read_geometry=False)[key].astype(str))
        for layer, key in names.items()
    }


# Every row in, every row out.


def test_every_run_manhole_and_tree_is_in_the_result_once(sample_result, raw):
    r = sample_result
    assert len(raw["sewers"]) == N_RUNS
    from_raster = set(r.trees.loc[r.trees["origin"] == "canopy raster", "tree_id"])
    trees = raw["trees"] | from_raster
    assert (len(from_raster), len(trees)) == (16, 428)
    for ids, wanted in [
        (r.runs["run_id"], raw["sewers"]),
        (r.advice["run_id"], raw["sewers"]),
        (r.condition["run_id"], raw["sewers"]),
        (r.trenches["run_id"], raw["sewers"]),
        (r.manholes["manhole_id"], raw["manholes"]),
        (r.trees["tree_id"], trees),
        (r.zones["tree_id"], trees),
    ]:
        assert ids.is_unique
        assert set(ids) == wanted


def test_tables_of_runs_stand_in_one_order(sample_result):
    r = sample_result
    order = r.runs["run_id"].tolist()
    for table in (r.advice, r.condition, r.trenches):
        assert table["run_id"].tolist() == order
    assert r.zones["tree_id"].tolist() == r.trees["tree_id"].tolist()


@pytest.mark.parametrize(
    ("table", "column", "home", "key"),
    [
        ("runs", "from_manhole", "manholes", "manhole_id"),
        ("runs", "to_manhole", "manholes", "manhole_id"),
        ("runs", "worst_tree", "trees", "tree_id"),
        ("encroachments", "run_id", "runs", "run_id"),
        ("encroachments", "tree_id", "trees", "tree_id"),
        ("tree_loss", "tree_id", "trees", "tree_id"),
        ("tree_balance", "tree_id", "trees", "tree_id"),
        ("inspections", "run_id", "runs", "run_id"),
        ("root_links", "run_id", "runs", "run_id"),
        ("root_links", "tree_id", "trees", "tree_id"),
        ("checks", "run_id", "runs", "run_id"),
        ("options", "run_id", "runs", "run_id"),
        ("advice", "string_id", "strings", "string_id"),
        ("strings", "run_ids", "runs", "run_id"),
        ("strings", "from_manhole", "manholes", "manhole_id"),
        ("strings", "to_manhole", "manholes", "manhole_id"),
        ("strings", "launch_pit", "pits", "pit_id"),
        ("strings", "reception_pit", "pits", "pit_id"),
        ("laydown", "string_id", "strings", "string_id"),
        ("pits", "manhole_id", "manholes", "manhole_id"),
        ("pits", "run_id", "runs", "run_id"),
        ("pits", "worst_tree", "trees", "tree_id"),
        ("digs", "run_id", "runs", "run_id"),
        ("digs", "worst_tree", "trees", "tree_id"),
        ("connections", "run_id", "runs", "run_id"),
        ("decisions", "run_id", "runs", "run_id"),
        ("decisions", "tree_id", "trees", "tree_id"),
    ],
)
def test_what_is_referred_to_exists(sample_result, table, column, home, key):
    named = set(split_ids(getattr(sample_result, table)[column]))
    assert named, "the sample must try this reference"
    assert named <= set(getattr(sample_result, home)[key].astype(str))


def test_digs_name_what_they_lay_bare(sample_result):
    r = sample_result
    named = r.digs.groupby(r.digs["kind"].astype(str))["connection_id"].agg(set)
    assert named["connection"] <= set(r.connections["connection_id"])
    # Which services are laid bare hangs on what is burst: under some rules nothing near one is.
    assert named.get("service", set()) <= set(r.services["service_id"])
    rest = named.drop(["connection", "service"], errors="ignore")
    assert set().union(*rest) <= {""}


@pytest.mark.parametrize(
    ("table", "keys"),
    [
        ("encroachments", ["kind", "work_id", "tree_id"]),
        ("tree_loss", ["tree_id"]),
        ("tree_balance", ["tree_id"]),
        ("checks", ["run_id", "technique", "check"]),
        ("options", ["run_id", "technique"]),
        ("strings", ["string_id"]),
        ("laydown", ["string_id"]),
        ("pits", ["pit_id"]),
        ("digs", ["dig_id"]),
        ("totals", ["quantity"]),
        ("rules", ["kind", "name", "value"]),
    ],
)
def test_keys_are_unique(sample_result, table, keys):
    assert not getattr(sample_result, table).duplicated(keys).any()


def test_everything_lies_in_the_system_of_the_study(sample_result):
    assert sample_result.crs == "EPSG:25832"
    for name, table in tables_of(sample_result).items():
        if isinstance(table, gpd.GeoDataFrame):
            assert table.crs == sample_result.crs, name


def test_nothing_is_drawn_far_from_the_runs(sample_result):
    west, south, east, north = sample_result.runs.total_bounds
    for name, table in tables_of(sample_result).items():
        if isinstance(table, gpd.GeoDataFrame) and len(table):
            bounds = table.total_bounds
            assert (bounds[:2] > [west - 200, south - 200]).all(), name
            assert (bounds[2:] < [east + 200, north + 200]).all(), name


# Sums.


def test_loss_of_a_tree_is_a_union_never_more_than_the_sum(sample_result):
    _, moved = list_laid(sample_result)
    parts = sample_result.breaches
    parts = parts[~parts["tree_id"].isin(moved)].groupby("tree_id")
    loss = sample_result.tree_loss.set_index("tree_id")
    assert moved <= set(loss.index)
    loss = loss.drop(index=list(moved))
    assert set(loss.index) == set(parts.groups)
    for column in ("footprint_m2", "severed_m2"):
        union = loss[column]
        assert (union <= parts[column].sum().reindex(loss.index) + 1e-6).all()
        assert (union >= parts[column].max().reindex(loss.index) - 1e-6).all()
    assert (loss["n_runs"] == parts.size().reindex(loss.index)).all()
    one = loss.index[loss["n_runs"] == 1]
    assert len(one) < len(loss), "some tree must be met by two runs"
    np.testing.assert_allclose(
        loss.loc[one, "severed_m2"], parts["severed_m2"].sum().reindex(one), atol=1e-6
    )
    nearest = parts["stem_edge_m"].min().reindex(loss.index)
    np.testing.assert_allclose(loss["stem_edge_m"], nearest, atol=1e-9)


def test_a_share_is_its_area_over_the_zone(sample_result):
    area = sample_result.zones.set_index("tree_id")["area_m2"]
    for table in (sample_result.breaches, sample_result.tree_loss):
        whole = area.reindex(table["tree_id"]).to_numpy()
        for name in ("footprint", "severed"):
            np.testing.assert_allclose(table[f"{name}_share"], table[f"{name}_m2"] / whole)
            assert table[f"{name}_share"].between(0, 1 + 1e-9).all()
        assert (table["severed_m2"] >= table["footprint_m2"] - 1e-9).all()


def test_what_a_run_does_is_the_sum_of_its_breaches(sample_result):
    laid, _ = list_laid(sample_result)
    runs = sample_result.runs.set_index("run_id").drop(index=list(laid))
    breaches = sample_result.breaches
    breaches = breaches[~breaches["run_id"].isin(laid)]
    by_run = breaches.groupby("run_id")
    for column in ("footprint_m2", "severed_m2"):
        expected = by_run[column].sum().reindex(runs.index, fill_value=0.0)
        np.testing.assert_allclose(runs[column], expected)
    counts = breaches.groupby(["run_id", "severity"], observed=True).size().unstack(fill_value=0)
    counts = counts.reindex(runs.index, fill_value=0)
    assert (runs["n_trees"] == counts.sum(axis=1)).all()
    assert (runs["n_major"] == counts["major"] + counts["structural"]).all()
    assert (runs["n_structural"] == counts["structural"]).all()
    worst = breaches["severity"].astype(str).map(SEVERITIES.index).groupby(breaches["run_id"]).max()
    expected = worst.reindex(runs.index, fill_value=0)
    assert (runs["severity"].astype(str).map(SEVERITIES.index) == expected).all()


def test_breaches_lie_along_their_runs(sample_result):
    length = sample_result.runs.set_index("run_id")["length_m"]
    breaches = sample_result.breaches
    assert (breaches["from_m"] >= -1e-9).all()
    assert (breaches["from_m"] < breaches["to_m"]).all()
    assert (breaches["to_m"] <= length.reindex(breaches["run_id"]).to_numpy() + 1e-6).all()
    ids = sample_result.runs["run_id"].to_numpy()
    assert (ids[breaches["run"]] == breaches["run_id"]).all()


def test_totals_agree_with_the_tables_they_sum(sample_result):
    r = sample_result
    totals = r.totals.set_index("quantity")
    mid = totals["recommended_mid"]
    is_worked_on = r.advice["technique"].astype(str).ne("monitor").to_numpy()
    length = r.runs["length_m"].to_numpy()
    touched = r.tree_balance[r.tree_balance["is_touched"].astype(bool)]
    severity = touched["severity"].astype(str)
    assert mid["Runs worked on"] == is_worked_on.sum()
    assert mid["Runs worked on"] + mid["Runs left and monitored"] == N_RUNS
    assert mid["Length worked on"] == pytest.approx(length[is_worked_on].sum())
    assert mid["Pits"] == len(r.pits)
    assert mid["Root zone dug or severed"] == pytest.approx(touched["loss_m2"].sum())
    assert (
        mid["Trees with a major or structural breach"]
        == severity.isin(["major", "structural"]).sum()
    )
    co2e = ["CO2e of materials", "CO2e of transport", "CO2e of plant"]
    for side in ("open_cut", "recommended"):
        low, mid, high = (totals[f"{side}_{end}"] for end in ("low", "mid", "high"))
        assert (low <= mid * (1 + 1e-12)).all()
        assert (mid <= high * (1 + 1e-12)).all()
        for level in (low, mid, high):
            if level.get("Runs not counted: CO2e", 0.0) == 0:
                assert level["CO2e"] == pytest.approx(level[co2e].sum())
            else:
                assert level["CO2e"] < level[co2e].sum()


def test_open_cut_in_the_totals_is_the_loss_from_the_runs_worked_on(sample_result):
    r = sample_result
    at_work = r.advice["run_id"][r.advice["technique"].astype(str) != "monitor"]
    met = r.breaches[r.breaches["run_id"].isin(at_work)]
    # Open cut everywhere follows the runs as they are, new lines or not.
    _, moved = list_laid(r)
    met = met[~met["tree_id"].isin(moved)]
    old = r.tree_loss[r.tree_loss["tree_id"].isin(moved)]
    assert (old["n_runs"] == 1).all()
    met = pd.concat([met[["tree_id", "severed_m2"]], old[["tree_id", "severed_m2"]]])
    parts = met.groupby("tree_id")["severed_m2"]
    cut = r.totals.set_index("quantity")["open_cut_mid"]
    union = cut["Root zone dug or severed"]
    assert parts.max().sum() - 1e-6 <= union <= parts.sum().sum() + 1e-6
    trees = cut["Trees with a major or structural breach"] + cut["Trees with a minor breach only"]
    assert trees == parts.ngroups
    assert summarise(r)["counts"]["trees_open_cut"] == parts.ngroups


# Strings, pits and advice.


def test_each_burst_run_is_pulled_in_exactly_one_string(sample_result):
    advice, strings = sample_result.advice, sample_result.strings
    burst = advice[advice["technique"].astype(str).isin(BURST)].set_index("run_id")
    pulled = [
        (string, run)
        for string, joined in zip(strings["string_id"], strings["run_ids"], strict=True)
        for run in joined.split(";")
    ]
    runs = [run for _, run in pulled]
    assert len(runs) == len(set(runs))
    assert set(runs) == set(burst.index)
    assert [burst.loc[run, "string_id"] for _, run in pulled] == [string for string, _ in pulled]
    others = advice[~advice["technique"].astype(str).isin(BURST)]
    assert (text(others["string_id"]) == "").all()


def test_runs_of_a_string_follow_each_other(sample_result):
    runs = sample_result.runs.set_index("run_id")
    for string in sample_result.strings.itertuples():
        ids = string.run_ids.split(";")
        assert runs.loc[ids, "length_m"].sum() == pytest.approx(string.length_m, rel=1e-6)
        assert runs.loc[ids[0], "from_manhole"] == string.from_manhole
        assert runs.loc[ids[-1], "to_manhole"] == string.to_manhole
        assert runs.loc[ids[1:], "from_manhole"].tolist() == (
            runs.loc[ids[:-1], "to_manhole"].tolist()
        )


def test_every_pit_serves_a_string_and_stands_at_its_end(sample_result):
    strings, pits = sample_result.strings, sample_result.pits.set_index("pit_id")
    used = pd.concat([strings["launch_pit"], strings["reception_pit"]])
    assert set(used) == set(pits.index)
    for string in strings.itertuples():
        ends = {
            pits.loc[string.launch_pit, "manhole_id"],
            pits.loc[string.reception_pit, "manhole_id"],
        }
        assert ends == {string.from_manhole, string.to_manhole}


def test_options_stand_by_their_checks(sample_result):
    checks, options = sample_result.checks, sample_result.options
    assert len(options) == N_RUNS * len(TECHNIQUES)
    rank = checks["verdict"].astype(str).map(VERDICTS.index)
    keys = [checks["run_id"].astype(str), checks["technique"].astype(str)]
    worst = rank.groupby(keys).max()
    keyed = options.set_index([options["run_id"].astype(str), options["technique"].astype(str)])
    assert (keyed["verdict"].astype(str).map(VERDICTS.index) == worst.reindex(keyed.index)).all()
    unknown = (checks["verdict"].astype(str) == "unknown").groupby(keys).sum()
    assert (keyed["n_unknown"] == unknown.reindex(keyed.index)).all()


def test_a_check_on_missing_data_is_unknown(sample_result):
    checks = sample_result.checks
    missing = checks["value"].isna().to_numpy()
    verdict = checks["verdict"].astype(str).to_numpy()
    assert missing.any()
    assert not np.isin(verdict[missing], ["pass"]).any()


def test_each_run_is_advised_something_that_can_be_done(sample_result):
    advice, options = sample_result.advice, sample_result.options
    verdict = options.set_index(["run_id", "technique"])["verdict"].astype(str)
    verdict.index = verdict.index.map(lambda pair: (str(pair[0]), str(pair[1])))
    chosen = [
        verdict[(run, technique)]
        for run, technique in zip(advice["run_id"], advice["technique"].astype(str), strict=True)
    ]
    is_free = advice["is_feasible"].to_numpy() & ~advice["is_forced"].to_numpy()
    assert "fail" not in np.array(chosen)[is_free]
    assert (advice["reason"].str.len() > 20).all()
    assert set(advice["technique"].astype(str)) <= set(TECHNIQUES)
    unknown = np.array(chosen) == "unknown"
    assert (text(advice["to_confirm"])[unknown] != "").all()


def test_decisions_are_obeyed(sample_result):
    decisions, advice = sample_result.decisions, sample_result.advice.set_index("run_id")
    kinds = decisions["decision"].astype(str)
    assert {"force", "exclude", "no_pit"} & set(kinds)
    for row in decisions[kinds == "force"].itertuples():
        assert advice.loc[row.run_id, "technique"] == row.technique
        assert row.by in advice.loc[row.run_id, "decision"]
    for row in decisions[kinds == "exclude"].itertuples():
        assert advice.loc[row.run_id, "technique"] != row.technique


# Sources and missing values.


def test_every_source_is_known(sample_result):
    known = load_sources()
    assert known.index.is_unique
    assert known["standing"].isin(STANDINGS).all()
    keyed = [n for n, table in tables_of(sample_result).items() if "source" in table]
    assert {"checks", "totals", "rules"} <= set(keyed)
    for name in ("checks", "totals", "rules"):
        used = set(split_ids(getattr(sample_result, name)["source"]))
        assert used <= set(known.index), name
        assert not (text(getattr(sample_result, name)["source"]) == "").any(), name


NOT_GIVEN = {
    "runs": {"depth_input_m", "catchment_m2", "runoff_share"},
    "manholes": {"depth_m"},
    "trees": {"photo"},
    "root_zones": {"tree_x_m", "tree_y_m"},
    "decisions": {"stem_diameter_mm", "tree_x_m", "tree_y_m"},
    "new_line_connections": {"service_clear_m"},
}
"""Columns that the sample says nothing about: levels stand in for depths."""


def test_no_column_is_empty_but_what_the_sample_does_not_give(sample_result):
    empty = {
        name: {column for column in table if table[column].isna().all()}
        for name, table in tables_of(sample_result).items()
        if len(table)
    }
    assert {name: columns for name, columns in empty.items() if columns} == NOT_GIVEN


def test_lengths_and_areas_are_never_below_zero(sample_result):
    # Works outside a trench may take more from a tree than a trench would, and so spare less
    # than nothing.
    units = ("_m2", "_m3", "length_m", "width_m", "_mm", "_kn")
    for name, table in tables_of(sample_result).items():
        numbers = table.select_dtypes("number")
        for column in numbers.columns:
            if column.endswith(units) and column != "spared_m2":
                assert not (numbers[column].dropna() < 0).any(), (name, column)


# The same again.


def sort_rows(table, keys):
    """A table in the order of its keys, on a plain index."""
    return pd.DataFrame(table).sort_values(keys).reset_index(drop=True)


def test_two_runs_give_equal_tables_and_files(
    sample_study, sample_result, sample_written, tmp_path
):
    told = []
    again = run_study(Study.load(sample_study.path), tell=told.append)
    assert told[:2] == ["Reading layers", "Drawing root zones"]
    assert len(told) == len(set(told)) >= 7
    for name, table in tables_of(sample_result).items():
        assert_frame_equal(pd.DataFrame(table), pd.DataFrame(getattr(again, name)), obj=name)
    write_geopackage(again, tmp_path / "result.gpkg")
    write_map(again, tmp_path / "map.html")
    (tmp_path / "public.html").write_text(build_public_page(again), encoding="utf-8")
    for name in ("result.gpkg", "map.html", "public.html"):
        assert (tmp_path / name).read_bytes() == (sample_written[0] / name).read_bytes(), name


def test_the_order_of_the_rows_does_not_matter(sample_result, tmp_path):
    study = copy_sample(tmp_path)
    path = tmp_path / "district.gpkg"
    random = np.random.default_rng(7)
    for layer in pyogrio.list_layers(path)[:, 0]:
        table = pyogrio.read_dataframe(path, layer=layer)
        mixed = table.iloc[random.permutation(len(table))].reset_index(drop=True)
        pyogrio.write_dataframe(mixed, tmp_path / "mixed.gpkg", layer=layer, append=True)
    path.unlink()
    (tmp_path / "mixed.gpkg").rename(path)
    mixed = run_study(Study.load(study))
    keys = {
        "runs": ["run_id"],
        "zones": ["tree_id"],
        "breaches": ["run_id", "tree_id"],
        "tree_loss": ["tree_id"],
        "tree_balance": ["tree_id"],
        "condition": ["run_id"],
        "options": ["run_id", "technique"],
        "advice": ["run_id"],
        "strings": ["run_ids"],
        "totals": ["quantity"],
        "findings": ["severity", "layer", "field", "row"],
    }
    for name, key in keys.items():
        one, two = (sort_rows(getattr(r, name), key) for r in (sample_result, mixed))
        assert_frame_equal(one, two, obj=name, rtol=1e-9, atol=1e-9)


def test_what_was_read_is_not_changed_on_the_way(sample_study, sample_result):
    prepared = prepare_study(sample_study)
    for name in (
        "manholes",
        "trees",
        "inspections",
        "connections",
        "services",
        "obstacles",
        "surfaces",
        "study_area",
        "decisions",
    ):
        read = getattr(prepared.layers, name)
        kept = pd.DataFrame(getattr(sample_result, name))[list(read.columns)]
        if name == "connections":
            # One that names no run is given to the nearest, and says so from then on.
            lacking = read["run_id"].isna()
            assert lacking.any()
            assert kept["run_id"].notna().sum() > read["run_id"].notna().sum()
            kept["run_id"] = kept["run_id"].mask(lacking)
        assert_frame_equal(pd.DataFrame(read), kept)
    zones = pd.DataFrame(sample_result.zones)[list(prepared.zones.columns)]
    assert_frame_equal(pd.DataFrame(prepared.zones), zones)
    runs = sample_result.runs[prepared.runs.columns]
    assert_frame_equal(
        pd.DataFrame(prepared.runs.drop(columns="assumed")),
        pd.DataFrame(runs.drop(columns="assumed")),
    )
    # What is assumed only grows: later stages assume more, and take nothing back.
    for before, after in zip(prepared.runs["assumed"], runs["assumed"], strict=True):
        assert set(before.split(";")) - {""} <= set(after.split(";"))


def test_the_regime_decides_the_zones(sample_study, sample_result):
    zones = sample_study.settings.zones.model_copy(update={"regime": "din18920"})
    settings = sample_study.settings.model_copy(update={"zones": zones})
    other = prepare_study(replace(sample_study, settings=settings)).zones
    assert set(other["regime"]) != set(sample_result.zones["regime"])
    assert not np.allclose(other["area_m2"], sample_result.zones["area_m2"])
