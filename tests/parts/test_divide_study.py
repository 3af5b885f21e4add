"""Where a study is cut: networks whole, lines below larger pipes taken along, each run once."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.arrays import accumulate_each
from routekit.parts.divide import Ties, divide_study, find_sound, share_out
from routekit.parts.lookup import Groups, look_up_names
from routekit.parts.near import Ground, draw_cells, mark_cells
from routekit.parts.numbering import BEGIN, END, number_texts
from routekit.parts.store import (
    hash_part,
    hash_program,
    is_kept,
    name_file,
    read_table,
    write_tables,
)
from routekit.parts.take import take_part
from routekit.pipeline import prepare_study, rate_runs
from routekit.study import Study, parse_settings

sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import District


def lay_bounds(*places):
    """Bounds of runs of 10 m that begin at some eastings."""
    west = np.array(places, dtype=float)
    return np.stack([west, np.zeros(len(west)), west + 10, np.ones(len(west))], axis=1)


@pytest.mark.parametrize("n_parts", [1, 2, 3, 5, 99])
def test_every_run_is_in_one_part_and_no_network_is_cut(n_parts):
    random = np.random.default_rng(n_parts)
    network = random.integers(-1, 6, 60)
    owner = share_out(lay_bounds(*random.uniform(0, 5000, 60)), network, n_parts)
    assert len(owner) == 60
    n_groups = len(set(network[network >= 0])) + (network < 0).sum()
    n_found = len(set(owner))
    assert set(owner) == set(range(n_found))
    assert min(n_parts, 2) <= n_found <= min(n_parts, n_groups)
    assert all(len(set(owner[network == one])) == 1 for one in set(network) - {-1})


def test_parts_lie_side_by_side_and_are_about_as_large():
    owner = share_out(lay_bounds(*range(0, 4000, 10)), np.full(400, -1), 4)
    assert np.bincount(owner).tolist() == pytest.approx([100] * 4, abs=2)
    assert (np.diff(owner) >= 0).all()


def make_ties(ends, network, may_grow=()):
    grows = np.zeros(len(ends), dtype=bool)
    grows[list(may_grow)] = True
    return Ties(network=np.array(network), ends=np.array(ends), may_grow=grows)


def test_a_larger_pipe_takes_its_line_and_the_larger_pipes_above_that_line_along():
    # 0 -> 1 -> 2 -> 3 in line; 4 and 5 join above the third, 6 in the network of 5.
    ends = [[0, 1], [1, 2], [2, 3], [3, 4], [8, 2], [9, 2], [9, 10]]
    network = [0, -1, -1, -1, -1, 1, 1]
    assert find_sound(np.array([0]), make_ties(ends, network)).tolist() == [0]
    assert find_sound(np.array([0]), make_ties(ends, network, [0])).tolist() == [0, 1, 2, 3]
    both = make_ties(ends, network, [0, 5])
    assert find_sound(np.array([0]), both).tolist() == [0, 1, 2, 3, 5, 6]


def test_a_line_that_comes_back_to_itself_ends():
    ends = [[0, 1], [1, 2], [2, 0]]
    assert find_sound(np.array([0]), make_ties(ends, [-1] * 3, [0])).tolist() == [0, 1, 2]


def test_cells_hold_all_ground_within_reach():
    lines = shapely.linestrings([[[5, 5], [340, 90]], [[-900, 40], [-880, 40]]])
    cells = shapely.union_all(draw_cells(mark_cells(lines, 250.0)))
    assert shapely.contains(cells, shapely.union_all(lines).buffer(250.0))


@pytest.mark.parametrize("n_parts", [1, 3])
def test_what_lies_in_the_cells_of_a_part_is_found(n_parts):
    """As a query of each shape against each cell finds it; small ones may lie beside."""
    random = np.random.default_rng(n_parts)
    at = random.uniform(-2000, 2000, (400, 2)).round(-2 * (n_parts > 1))
    to = at + random.normal(0, 60, (400, 2)) * np.where(np.arange(400) % 20, 1, 30)[:, None]
    shapes = np.append(shapely.linestrings(np.stack([at, to], axis=1)), [None])
    cells = [mark_cells(shapes[random.integers(0, 400, 6)], 120.0) for _ in range(n_parts)]
    ground = Ground(cells)
    boxes = shapely.bounds(shapes)
    is_none = np.isnan(boxes[:, 0])
    drawn = np.where(is_none, None, shapely.box(*np.nan_to_num(boxes).T))
    found = ground.find_shapes(shapes)
    assert len(found) == n_parts
    n_spared = 0
    for part, cell in enumerate(cells):
        squares = draw_cells(cell)
        meets, lies = (
            np.flatnonzero(shapely.intersects(one[:, None], squares).any(axis=1))
            for one in (drawn, shapes)
        )
        assert len(lies) > 20
        assert ground.find_boxes(boxes)[part].tolist() == meets.tolist()
        assert set(lies) <= set(found[part]) <= set(meets)
        n_spared += len(meets) - len(found[part])
        assert (np.diff(found[part]) > 0).all()
    assert n_spared > 0


def test_a_study_without_runs_has_nothing_near():
    assert Ground([]).find_boxes(np.zeros((3, 4))) == []
    assert Ground([]).find_shapes(np.full(2, None)) == []
    none = np.empty((0, 2), dtype=np.int64)
    assert [len(one) for one in Ground([none, none]).find_boxes(np.zeros((3, 4)))] == [0, 0]


def test_rows_are_found_by_group_and_by_name():
    groups = Groups(np.array([2, -1, 0, 2, 5]))
    assert groups.find(np.array([5, 2, 1])).tolist() == [4, 0, 3]
    assert groups.find(np.array([], dtype=np.int64)).tolist() == []
    names = pd.Series(["b", None, "x", "a"], dtype="str")
    for known in (pd.Series(["a", "b", "b", None]), pd.Series(["a", "b", None], dtype="str")):
        assert look_up_names(names, known).tolist() == [1, -1, -1, 0]


def test_ids_of_a_part_are_put_right_in_columns_texts_and_statements_alone():
    marked = f"{BEGIN}S0001{END}"
    table = pd.DataFrame(
        {
            "id": [marked, "S0001", None],
            "words": ['["String {s}",{"s":"\\ue000S0001\\ue001"}]', "", "x"],
            "kind": pd.Categorical([f"near {marked}", "none", "none"]),
        }
    )
    found = number_texts(table, {"S0001": "S0042"})
    assert found["id"].tolist()[:2] == ["S0042", "S0001"]
    assert found["words"].tolist()[0] == '["String {s}",{"s":"S0042"}]'
    assert found["kind"].tolist() == ["near S0042", "none", "none"]
    assert table["id"].iloc[0] == marked


def test_a_file_that_is_not_whole_or_names_anything_but_tables_is_not_read(tmp_path):
    file = name_file(tmp_path, "a")
    assert not is_kept(file)
    assert read_table(file, "runs") is None
    pits = pd.DataFrame({"pit_id": ["P1"]})
    write_tables({"pits": pits, "runs": pd.DataFrame({"a": [1.5, None], "b": ["x", None]})}, file)
    assert is_kept(file)
    assert read_table(file, "runs")["a"].isna().tolist() == [False, True]
    assert read_table(file, "pits")["pit_id"].tolist() == ["P1"]
    assert read_table(file, "digs") is None
    assert [each.name for each in tmp_path.iterdir()] == [file.name]
    whole = file.read_bytes()
    for spoilt in (whole[:-1], whole[1:], b"", b"x" + whole[1:]):
        file.write_bytes(spoilt)
        assert not is_kept(file)
        assert read_table(file, "pits") is None
    write_tables({"runs": tmp_path}, file)
    assert read_table(file, "runs") is None


def test_the_program_is_part_of_what_a_part_was_made_from():
    assert len(hash_program()) == 64


def test_sums_of_a_group_do_not_depend_on_the_groups_before_it():
    values = np.random.default_rng(1).uniform(0, 50, 70)
    rank = np.concatenate([np.arange(60), np.arange(10)])
    far = accumulate_each(values, rank)
    assert far[:60] == pytest.approx(np.cumsum(values[:60]))
    assert far[60:].tolist() == accumulate_each(values[60:], rank[60:]).tolist()


def test_a_study_has_the_same_parts_however_its_path_is_written(tmp_path, monkeypatch):
    settings, keys = parse_settings(District(tmp_path).sections), set()
    monkeypatch.chdir(tmp_path)
    for path in (Path("study.toml"), tmp_path / "study.toml"):
        study = Study(path, settings)
        prepared = prepare_study(study)
        condition = rate_runs(study, prepared)
        (part,) = divide_study(prepared, condition, settings, 1)
        keys.add(hash_part(settings, take_part(prepared, part.rows), condition, part))
    assert len(keys) == 1
