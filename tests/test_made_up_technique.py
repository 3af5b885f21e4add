"""A technique and an output that do not exist, added by the guide: the sample run with them."""

import json
import subprocess
import sys

import openpyxl
import pandas as pd
import pyogrio
import pytest
from made_up_output import LABEL
from made_up_output import NAME as FILE
from made_up_technique import CODE, FORCED, MARK, NAME, PHRASE, run_with_both
from test_maps import unpack

LIKE = "cipp"
"""The technique that it is made after, with other checks."""
TOUCHED = ["advice/tables/technique_life.csv", "methods/plaiting.py", "techniques.py"]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Files that technique and output touched, and the folder of the results."""
    folder = tmp_path_factory.mktemp("made_up")
    return run_with_both(folder), folder / "result"


def read(made, layer):
    return pyogrio.read_dataframe(made[1] / "result.gpkg", layer=layer, read_geometry=False)


def test_three_files_make_a_technique(made):
    assert made[0][0] == TOUCHED


ASKED = """
import json, sys
from pathlib import Path
from routekit.errors import OutputError
from routekit.outputs.output_files import find_mixed
from routekit.outputs.overlap import refuse_inputs
folder, name = Path(sys.argv[1]), sys.argv[2]
whole = find_mixed(folder)
file = folder / name
file.write_text(file.read_text().replace("routekit result ", "routekit result 0"))
try:
    refuse_inputs(folder, [("layers.trees", file)])
except OutputError as error:
    print(json.dumps([whole, find_mixed(folder), str(error)]))
"""
"""What a run asks of the files in its folder, before and after one of them is spoilt."""


def test_two_files_make_an_output_that_every_part_knows(made):
    (_, touched), folder = made
    assert touched == ["outputs/losses.py", "outputs/output_files.py"]
    head, *rows = (folder / FILE).read_text().splitlines()
    assert len(rows) == (read(made, "trees")["is_touched"] == 1).sum() > 0
    assert f"{LABEL}: {folder / FILE}" in (folder.parent / "said.txt").read_text()
    line = [sys.executable, "-c", ASKED, folder, FILE]
    done = subprocess.run(
        line, cwd=folder.parent / "code", capture_output=True, text=True, check=True
    )
    whole, mixed, refused = json.loads(done.stdout)
    assert whole == ""
    assert f"{FILE} of result 0{head.split()[-1]}" in mixed
    assert f"{FILE} would replace layers.trees, which the study reads" in refused


def test_it_is_checked_compared_and_chosen_like_any_other(made):
    checks, options = read(made, "checks"), read(made, "options")
    assert "Length of one plait" in set(checks.loc[checks["technique"] == CODE, "check"])
    mine, like = (
        options[options["technique"] == code].set_index("run_id") for code in (CODE, LIKE)
    )
    assert len(mine) == len(read(made, "runs"))
    # Roots come back through it as through the other: its life is as short where they are.
    counted = ["new_pipe", "capacity_l_s", "root_m2", "cost", "whole_life_cost", "co2e_kg"]
    pd.testing.assert_frame_equal(mine[counted], like[counted])
    runs = read(made, "runs").set_index("run_id")
    assert (runs.loc[list(FORCED), "technique"] == CODE).all()
    free = runs.index[(runs["technique"] == CODE) & ~runs.index.isin(FORCED)]
    assert len(free) > 0
    digs = read(made, "digs")
    assert (digs.loc[digs["run_id"].isin(free), "method"] == "robot").all()
    assert runs.loc[free, "reason"].str.contains(PHRASE, case=False).all()
    assert (
        runs.loc[list(FORCED), "decision"]
        .str.contains(f"chose {PHRASE} (a trial)", regex=False)
        .all()
    )


def test_nothing_is_blank_in_the_schedule(made):
    book = openpyxl.load_workbook(made[1] / "schedule.xlsx", read_only=True)
    head, *rows = book["Runs"].iter_rows(values_only=True)
    table = pd.DataFrame(rows, columns=head)
    mine = table[table["Recommended technique"] == NAME].set_index("Run")
    assert set(FORCED) <= set(mine.index)
    first = list(mine.columns).index("Recommended technique")
    # Bore, new pipe and its sizes, connections and how they are reopened, roots to cut, cost.
    told = mine.loc["VS-07"].iloc[first : first + 11]
    assert told.notna().all()
    assert "7 robot" in set(told)
    assert "needed" in set(told)
    priced = {cell for row in book["Quantities"].iter_rows(values_only=True) for cell in row}
    assert NAME in priced


def test_nothing_is_blank_on_the_pages(made):
    text, (content,) = unpack(made[1] / "public.html")
    told = [words for words in content["run_words"] if words[:2] == ["works", "inside"]]
    assert {"low": 7, "high": 8} in [one[2]["time"][2] for one in told]
    assert "of sewer is renewed from inside. No trench is dug for it." in text
    page, (content, *_) = unpack(made[1] / "map.html")
    assert content["palette"]["techniques"][CODE] == {
        "mark": MARK,
        "colour": content["palette"]["techniques"][LIKE]["colour"],
        "width": 5.0,
        "dash": [2, 2],
    }
    assert content["words"]["techniques"][CODE] == NAME
    assert content["techniques"][CODE] == {"lies": "wall"}
    assert CODE not in page
    assert NAME in (made[1] / "trees.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(("run", "bore"), [("KD-01", " × "), ("VS-07", "300 → ")])
@pytest.mark.needs_system
def test_nothing_is_blank_on_the_card(made, open_page, run, bore):
    page = open_page(made[1] / "map.html", address=f"#run={run}")
    page.wait_for_selector("#option-table")
    assert NAME in page.locator("#card-technique").inner_text()
    assert "P" in page.locator("#card-technique").inner_text()
    assert bore in page.locator("#card-bore").inner_text()
    assert NAME in page.locator("#option-table").inner_text()
    assert "along the old wall" in page.locator("#long-section").locator("xpath=..").inner_text()
