"""What `check study.toml` proposes: the layers of a study are looked at together."""

import json

import pandas as pd
import pytest
from sample_copy import call
from small_district import make_manholes, make_sewers

from routekit.layers.unknown import propose_for_sources


def plan(folder, **sections):
    """A study of sewers and manholes under names that say nothing, and of inspections."""
    sewers = make_sewers().rename(
        columns={"run_id": "streng", "from_manhole": "K1", "to_manhole": "K2"}
    )
    sewers.to_file(folder / "sewers.gpkg")
    make_manholes().rename(columns={"manhole_id": "NUM"}).to_file(folder / "manholes.gpkg")
    trees = make_manholes().rename(columns={"manhole_id": "tree_id"}).assign(stem_diameter_mm=300.0)
    trees.translate(5, 4).pipe(trees.set_geometry).to_file(folder / "trees.gpkg")
    seen = pd.DataFrame({"Q7": ["R1", "R2", "R3"], "chainage_m": [1.0, 2.0, 3.0], "code": "BBA"})
    seen.to_csv(folder / "seen.csv", index=False)
    names = ("sewers", "manholes", "trees")
    lines = ["[layers]", *(f'{name} = "{name}.gpkg"' for name in names)]
    for name, pairs in sections.items():
        lines += [f"[{name.replace('_', '.')}]", *(f"{k} = {json.dumps(v)}" for k, v in pairs)]
    path = folder / "study.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def proposals(path):
    answer = call("check", path, "--json")
    assert answer.exit_code == 0, answer.output
    return pd.DataFrame(json.loads(answer.stdout)["proposals"]).set_index(["layer", "canonical"])


def test_a_study_is_told_which_columns_name_the_points_at_the_ends(tmp_path):
    path = plan(tmp_path, fields_sewers=[("run_id", "streng"), ("diameter_mm", "diameter_mm")])
    found = proposals(path)
    assert found.loc[("sewers", "from_manhole"), "source"] == "K1"
    assert found.loc[("sewers", "to_manhole"), "source"] == "K2"
    assert found.loc[("manholes", "manhole_id"), "source"] == "NUM"
    assert ("sewers", "run_id") not in found.index, "what is mapped is not proposed"


def test_a_table_of_a_place_is_told_which_column_names_the_runs(tmp_path):
    plan(tmp_path)
    sources = [str(tmp_path / "sewers.gpkg"), str(tmp_path / "seen.csv")]
    found = {each.layer: each.table for each in propose_for_sources(sources)}
    held = found["inspections"].set_index("canonical")
    assert held.loc["run_id", "source"] == "Q7"
    assert held.loc["run_id", "is_sure"]


@pytest.mark.parametrize(
    ("condition", "kept"),
    [("\"material\" = 'clay'", 2), ("diameter_mm > 300 OR run_id IN ('R1')", 2), ("1 = 0", 0)],
)
def test_a_condition_is_kept_by_a_parquet_file_too(tmp_path, condition, kept):
    plan(tmp_path)
    make_sewers().to_parquet(tmp_path / "runs.parquet")
    path = tmp_path / "study.toml"
    text = path.read_text(encoding="utf-8").replace(
        'sewers = "sewers.gpkg"', f"sewers = {{ path = 'runs.parquet', where = '''{condition}''' }}"
    )
    path.write_text(text, encoding="utf-8")
    answer = call("check", path, "--json")
    if not kept:
        assert answer.exit_code == 4
        assert "holds no rows" in answer.stderr
        return
    assert answer.exit_code == 0, answer.output
    report = json.loads(answer.stdout)
    assert next(each["read"] for each in report["read"] if each["layer"] == "sewers") == kept
    assert any(f"keeps {kept} of 3 rows" in each["seen"] for each in report["findings"])


@pytest.mark.parametrize("condition", ["nowhere = 1", "diameter_mm >", "writefile('x', 'y')"])
def test_a_condition_that_cannot_be_is_refused(tmp_path, condition):
    plan(tmp_path)
    make_sewers().to_parquet(tmp_path / "runs.parquet")
    path = tmp_path / "study.toml"
    text = path.read_text(encoding="utf-8").replace(
        'sewers = "sewers.gpkg"', f"sewers = {{ path = 'runs.parquet', where = '''{condition}''' }}"
    )
    path.write_text(text, encoding="utf-8")
    answer = call("check", path)
    assert answer.exit_code == 4, answer.output
    assert "layers.sewers" in answer.stderr


def test_a_condition_is_proposed_for_a_parquet_file(tmp_path):
    sewers = make_sewers(REMARK_TYPE=["Abandoned", None, None])
    sewers.to_parquet(tmp_path / "sewers.parquet")
    proposed = propose_for_sources([str(tmp_path / "sewers.parquet")], "sewers")[0]
    held = proposed.table.loc[proposed.table["is_sure"], "source"].tolist()
    assert "REMARK_TYPE" in held or proposed.where is not None
    trees = make_manholes().assign(SOORT=["Tilia cordata", "Stobbe", None, "Acer rubrum"])
    trees.to_parquet(tmp_path / "bomen.parquet")
    filtered = propose_for_sources([str(tmp_path / "bomen.parquet")], "trees")[0].where
    assert filtered is not None
    assert "Stobbe" in filtered.where
