"""Writing all outputs: complete, or the earlier results as they were."""

import os
import pickle
import re
import shutil
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import geopandas as gpd
import openpyxl
import pyogrio
import pypdf
import pytest
from shapely import box
from whole_result import set_outputs

from routekit.errors import OutputError
from routekit.outputs import write
from routekit.outputs.arborist.writer import write_tree_report
from routekit.outputs.map.encoding import decode
from routekit.outputs.output_files import OUTPUTS, RESULT_FILES, find_mixed, read_name
from routekit.outputs.steps import Step
from routekit.outputs.summary import summarise
from routekit.outputs.write import refuse_unwritable, write_outputs
from routekit.study import StudySettings

NAMES = sorted(RESULT_FILES)


def content(folder):
    """Name and bytes of every file that a reader sees."""
    seen = [path for path in folder.iterdir() if path.is_file() and not path.name.startswith(".")]
    return {path.name: path.read_bytes() for path in seen}


def leave_slow_outputs_out(monkeypatch):
    """Write only the two GeoPackages; what is tested is not in the other files."""
    for name in ("map", "public", "schedule", "arborist", "works"):
        replace_writer(monkeypatch, name, lambda *_, **__: None)


def replace_writer(monkeypatch, name, function):
    """Let another function write the output whose writer stands in a module or room."""
    (writer,) = (output.write for output in OUTPUTS if output.write.startswith(f"{name}."))
    monkeypatch.setattr(f"routekit.outputs.{writer}", function)


@pytest.fixture(scope="module")
def written(sample_written):
    """A folder with results, what was told, and what was answered."""
    return sample_written


UNREAD_IN_THE_SAMPLE = {
    "zones": ("species_tolerance", "default_tolerance", "age_words", "default_age"),
    "trench": ("slope_angle_deg",),
    "flow.rainfall": (
        "duration_min",
        "frequency_per_year",
        "reinhold_r15_l_s_ha",
        "talbot_a_mm",
        "talbot_b_min",
        "table_duration_min",
        "table_mm_h",
    ),
    "site.pits": ("reception_length_m",),
    "site.digs": ("hand_side_m",),
    "outputs.map": ("nearby_m", "has_photo", "photo_max_mb", "online_tiles_credit"),
    "outputs.public": ("area_size_m", "parking_space_m2"),
}
"""Settings that act only where the sample has no case.

zones: the regime is not one by species and age. trench: sides are supported. flow.rainfall: the
intensity is a constant. site.pits: the machine stands at the far end. site.digs: roots are bared by
suction. outputs.map: the map is on one page, without a photo or tiles. outputs.public: every
run lies in a named street, and no pit on parking.
"""


@pytest.mark.usefixtures("written")
def test_every_setting_is_read_somewhere(setting_reads):
    """A setting that is printed with unit and source and then changes nothing misleads."""
    listed = {f"{group}.{name}" for group, names in UNREAD_IN_THE_SAMPLE.items() for name in names}
    assert setting_reads.unread(StudySettings) == listed


PACKED = re.compile(r'<script type="application/octet-stream" id="[^"]+">([^<]+)')
FROM_RASTER = "the canopy raster: the point is the top of the crown, not the stem"


def unpack(page):
    """What is packed in a page of the map or of the residents, the data first."""
    text = page.read_text(encoding="utf-8")
    return [decode(block) for block in PACKED.findall(text)]


def test_the_origin_of_trees_from_the_raster_is_seen_in_every_output(written, sample_result):
    # The sample's Oster Path has trees in no inventory, 16 of them in its canopy raster.
    folder = written[0]
    trees = sample_result.trees
    is_made = trees["origin"] == "canopy raster"
    made = set(trees.loc[is_made, "tree_id"])
    table = pyogrio.read_dataframe(folder / "result.gpkg", layer="trees", read_geometry=False)
    touched = made & set(table.loc[table["n_runs"] > 0, "tree_id"])
    assert (len(made), len(touched)) == (16, 13)
    lines = summarise(sample_result)["lines"]
    assert any(line.startswith("16 of 428 trees come from the canopy raster") for line in lines)
    for layer in ("trees", "crowns"):
        table = pyogrio.read_dataframe(folder / "result.gpkg", layer=layer)
        assert set(table.loc[table["origin"] == "canopy raster", "tree_id"]) == made
    shown = unpack(folder / "map.html")[0]["trees"]["c"]["is_from_raster"]
    assert sum(shown["v"]) == 16
    residents = str(unpack(folder / "public.html")[0]["streets"])
    assert "['trees', 'from_raster', {'n': 16}]" in residents
    sheets = (folder / "trees.html").read_text(encoding="utf-8").split("<article")
    assert {sheet.split("<h2>Tree ")[1][:17] for sheet in sheets if FROM_RASTER in sheet} == touched
    pages = pypdf.PdfReader(folder / "trees.pdf").pages
    assert any(FROM_RASTER in " ".join(page.extract_text().split()) for page in pages)
    book = openpyxl.load_workbook(folder / "schedule.xlsx", read_only=True)
    rows = book["Trees"].iter_rows(values_only=True)
    assert {row[0] for row in rows if "canopy raster" in row} == touched
    book.close()


def test_every_file_is_written_and_named(written):
    folder, told, files, notes = written
    assert notes == []
    assert sorted(path.name for path in files.values()) == NAMES
    assert all(path.is_file() and path.parent == folder for path in files.values())
    assert sorted(path.name for path in folder.iterdir()) == NAMES
    assert len(told) == len(set(told)) >= 5
    assert (folder / "trees.pdf").read_bytes().startswith(b"%PDF")
    assert len(pyogrio.read_dataframe(folder / "result.gpkg", layer="runs")) == 172


def test_outputs_that_are_asked_for_are_written_alone_and_others_stay(
    sample_result, tmp_path, monkeypatch
):
    earlier = {"works.html": b"earlier", "public-01.html": b"earlier"}
    for name, data in {**earlier, "trees-77.html": b"of a larger result"}.items():
        (tmp_path / name).write_bytes(data)
    leave_slow_outputs_out(monkeypatch)
    written, notes = write_outputs(sample_result, tmp_path, only=["trees", "gpkg"])
    assert sorted(content(tmp_path)) == sorted([*earlier, "result.gpkg"])
    assert {name: content(tmp_path)[name] for name in earlier} == earlier
    assert list(written) == ["GeoPackage", "arborist's report", "the same, to print"]
    assert notes == [
        "Of an earlier result, as only gpkg, trees was asked for: public-01.html, works.html. "
        "Screen without a choice for a whole set."
    ]


def test_an_output_that_there_is_not_is_refused_with_those_that_there_are(sample_result, tmp_path):
    with pytest.raises(OutputError, match=r"'', 'maps'; choose among gpkg, map, .*, return,"):
        write_outputs(sample_result, tmp_path / "out", only=["maps", "", "gpkg"])
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "stage",
    [output.write.partition(".")[0] for output in OUTPUTS],
)
def test_a_failure_at_any_output_keeps_the_earlier_results(
    stage, written, sample_result, tmp_path, monkeypatch
):
    for name, data in content(written[0]).items():
        (tmp_path / name).write_bytes(data)
    before = content(tmp_path)

    def fail(*_, **__):
        raise OSError(28, "No space left on device")

    leave_slow_outputs_out(monkeypatch)
    replace_writer(monkeypatch, stage, fail)
    with pytest.raises(OutputError, match=r"cannot be written; folder .*No space left.*are kept"):
        write_outputs(sample_result, tmp_path, tell=lambda _: None)
    assert content(tmp_path) == before
    assert sorted(path.name for path in tmp_path.iterdir()) == NAMES


def test_pages_of_an_earlier_larger_result_go_once_the_new_one_is_complete(
    sample_result, tmp_path, monkeypatch
):
    leave_slow_outputs_out(monkeypatch)
    old = ["map-01.html", "map-12.html", "public-01.html", "public-02.html", "public-100.html"]
    kept = ["public-notes.html", "public-01.html.txt"]
    for name in [*old, *kept]:
        (tmp_path / name).write_text("earlier")

    def write_two(_, path, **_more):
        path.with_name("public-01.html").write_text("new")

    replace_writer(monkeypatch, "schedule", lambda *_, **__: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        write_outputs(sample_result, tmp_path, tell=lambda _: None)
    assert sorted(content(tmp_path)) == sorted([*old, *kept])
    leave_slow_outputs_out(monkeypatch)
    replace_writer(monkeypatch, "public", write_two)
    write_outputs(sample_result, tmp_path, tell=lambda _: None)
    left = {name for name in content(tmp_path) if name.endswith((".html", ".txt"))}
    assert left == {"public-01.html", *kept}
    assert (tmp_path / "public-01.html").read_text() == "new"


def test_pages_are_printed_beside_the_other_outputs_and_the_files_are_the_same(
    written, sample_result, tmp_path, monkeypatch
):
    """Tables are read by one thread: pandas builds the index of a table as it is first asked."""
    both = threading.Barrier(2, timeout=300)
    printing, writing, order = [], [], []

    def meet(page, _layout):
        both.wait()
        printing.append(threading.get_ident())
        page.with_suffix(".pdf").write_bytes(b"printed")

    def write_map(_, path, **_more):
        both.wait()
        writing.append(threading.get_ident())
        path.write_bytes(b"map")

    def write_page(_, path, *, with_pdf, **_more):
        writing.append(threading.get_ident())
        path.write_bytes(b"page")
        assert not with_pdf

    replace_writer(monkeypatch, "works", write_page)
    replace_writer(monkeypatch, "map", write_map)
    monkeypatch.setattr(write, "print_beside", meet)
    told = {"tell": order.append, "only": ["map", "works"]}
    write_outputs(sample_result, tmp_path, workers=2, **told)
    assert order == [
        "Drawing the works plans",
        "Drawing the working map",
        "Printing reports and plans: 0 of 1 files",
    ]
    there = {"map.html": b"map", "works.html": b"page", "works.pdf": b"printed"}
    assert content(tmp_path) == there
    assert set(writing) == {threading.get_ident()}
    assert set(printing).isdisjoint(writing)
    monkeypatch.undo()
    write_outputs(sample_result, tmp_path, workers=1, **told)
    assert content(tmp_path).items() <= content(written[0]).items()


def test_a_print_that_fails_keeps_the_earlier_results(sample_result, tmp_path, monkeypatch):
    (tmp_path / "works.html").write_bytes(b"earlier")

    def fail(*_):
        raise OutputError("the report cannot be printed")

    monkeypatch.setattr(write, "print_beside", fail)
    with pytest.raises(OutputError, match="cannot be printed"):
        write_outputs(sample_result, tmp_path, only=["works"])
    assert content(tmp_path) == {"works.html": b"earlier"}


KILLED = """
import os, pickle, signal, sys
from pathlib import Path
from routekit import write_outputs

def tell(stage):
    print(stage, flush=True)
    if stage == "Writing the calendars":
        os.kill(os.getpid(), signal.SIGKILL)

result = pickle.loads(Path(sys.argv[1]).read_bytes())
write_outputs(result, Path(sys.argv[2]), tell=tell)
"""


def test_a_killed_run_leaves_the_earlier_results_readable(
    written, sample_result, tmp_path_factory, tmp_path
):
    for name, data in content(written[0]).items():
        (tmp_path / name).write_bytes(data)
    before = content(tmp_path)
    kept = tmp_path_factory.mktemp("kept") / "result.pickle"
    kept.write_bytes(pickle.dumps(sample_result))
    done = subprocess.run(
        [sys.executable, "-c", KILLED, str(kept), str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(write.__file__).parents[2],
    )
    assert done.returncode == -9, done.stderr
    assert "Writing the schedule" in done.stdout
    unfinished = [path for path in tmp_path.iterdir() if path.is_dir()]
    assert len(unfinished) == 1
    assert (unfinished[0] / "new/result.gpkg").exists(), "it was killed while it wrote"
    assert content(tmp_path) == before
    for layer in pyogrio.list_layers(tmp_path / "result.gpkg")[:, 0]:
        pyogrio.read_dataframe(tmp_path / "result.gpkg", layer=layer)


def test_what_an_arborist_drew_is_kept_by_the_next_run(
    written, sample_result, tmp_path, monkeypatch
):
    leave_slow_outputs_out(monkeypatch)
    path = tmp_path / "return.gpkg"
    path.write_bytes((written[0] / "return.gpkg").read_bytes())
    tree = sample_result.trees.iloc[0]
    drawn = gpd.GeoDataFrame(
        {"tree_id": [tree["tree_id"]], "by": ["arborist"], "reason": ["trial pit"]},
        geometry=[box(*tree.geometry.buffer(2).bounds)],
        crs=sample_result.crs,
    )
    pyogrio.write_dataframe(drawn, path, layer="root_zones", append=True, promote_to_multi=True)
    write_outputs(sample_result, tmp_path, tell=lambda _: None)
    kept = pyogrio.read_dataframe(path, layer="root_zones")
    before = sample_result.root_zones["tree_id"].tolist()
    assert kept["tree_id"].tolist() == [*before, tree["tree_id"]]
    assert kept["reason"].iloc[-1] == "trial pit"


def test_an_earlier_return_file_in_another_system_stops_before_anything_is_swapped(
    written, sample_result, tmp_path, monkeypatch
):
    leave_slow_outputs_out(monkeypatch)
    drawn = gpd.GeoDataFrame(
        {"tree_id": ["T1"], "by": ["x"], "reason": ["y"]},
        geometry=[box(0, 0, 1, 1)],
        crs="EPSG:28992",
    )
    pyogrio.write_dataframe(
        drawn, tmp_path / "return.gpkg", layer="root_zones", promote_to_multi=True
    )
    (tmp_path / "result.gpkg").write_bytes((written[0] / "result.gpkg").read_bytes())
    before = content(tmp_path)
    with pytest.raises(OutputError, match=r"return\.gpkg"):
        write_outputs(sample_result, tmp_path, tell=lambda _: None)
    assert content(tmp_path) == before


def test_many_tree_sheets_stand_in_volumes_and_a_note_says_so(sample_result, tmp_path, monkeypatch):
    leave_slow_outputs_out(monkeypatch)
    replace_writer(monkeypatch, "arborist", write_tree_report)
    (tmp_path / "trees-77.pdf").write_bytes(b"of an earlier, larger result")
    report = sample_result.settings.outputs.report.model_copy(update={"volume_trees": 40})
    told = []
    _, notes = write_outputs(set_outputs(sample_result, report=report), tmp_path, tell=told.append)
    volumes = sorted(path.name for path in tmp_path.glob("trees*.pdf"))
    assert volumes[:2] == ["trees-01.pdf", "trees-02.pdf"]
    assert "trees.pdf" in volumes
    assert "trees-77.pdf" not in volumes
    n_volumes = len(volumes) - 1
    steps = [one for one in told if isinstance(one, Step)]
    laid, printed = "Writing the arborist's report", "Printing reports and plans"
    assert {one.stage for one in steps} == {laid, printed}
    last = max(at for at, step in enumerate(steps) if step.stage == laid)
    assert steps[last] == f"{laid}: {n_volumes} of {n_volumes} volumes"
    assert steps[-1] == f"{printed}: {n_volumes} of {n_volumes + 1} files"
    assert notes == [
        f"The tree sheets stand in {n_volumes} volumes beside their index: trees-01, trees-02, ..."
    ]


def test_a_folder_that_cannot_be_is_refused_before_the_work(tmp_path):
    refuse_unwritable(tmp_path / "new" / "deep")
    assert not (tmp_path / "new").exists()
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match=r"folder .*out \(.*file is a file\); name another"):
        refuse_unwritable(tmp_path / "file" / "out")


def test_a_folder_without_the_right_to_write_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(OutputError, match=r"no permission to write to .*; choose another"):
        refuse_unwritable(tmp_path)


def test_every_file_names_the_result_that_it_is_of(written, sample_result):
    folder = written[0]
    names = {name: read_name(folder / name) for name in NAMES}
    assert set(names.values()) == {sample_result.result_id}
    assert len(sample_result.result_id) == 16
    assert find_mixed(folder) == ""


@pytest.mark.parametrize("name", NAMES)
def test_a_file_swapped_by_hand_is_named_by_the_next_run(
    name, written, sample_result, tmp_path, monkeypatch
):
    folder = tmp_path / "result"
    shutil.copytree(written[0], folder)
    other = bytes(sample_result.result_id, "ascii")
    if name == "schedule.xlsx":
        with zipfile.ZipFile(folder / name, "w") as book:
            book.writestr("docProps/app.xml", "")
    else:
        swapped = (folder / name).read_bytes().replace(other, b"0123456789abcdef")
        (folder / name).write_bytes(swapped)
    leave_slow_outputs_out(monkeypatch)
    _, notes = write_outputs(sample_result, folder)
    of = "without the name" if name == "schedule.xlsx" else "of result 0123456789abcdef"
    assert "not of one run" in notes[0]
    assert f"; {name} {of}" in notes[0]
    assert notes[0].endswith("A whole set is in their place now.")
