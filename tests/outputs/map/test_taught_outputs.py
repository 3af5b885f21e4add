"""Every output of a study that rests on what earlier works taught says so."""

import sqlite3
import zipfile
from contextlib import closing
from dataclasses import replace

import pypdf
import pytest
from district import make_district

from routekit.outputs.output_files import OUTPUTS
from routekit.outputs.summary import summarise
from routekit.outputs.write import write_outputs
from routekit.vocabulary import CAUTIONS, TAUGHT

SAID = "rest on what earlier works measured"
RESIDENTS = "rest in part on what earlier works here took"


def read(path):
    """All words of a file, on one line."""
    if path.suffix == ".gpkg":
        with closing(sqlite3.connect(path)) as database:
            names = {name for (name,) in database.execute("SELECT name FROM sqlite_master")}
            table = "provenance" if "provenance" in names else "routekit_result"
            return str(database.execute(f"SELECT * FROM {table}").fetchall())
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as book:
            return "".join(book.read(name).decode() for name in book.namelist() if "xml" in name)
    if path.suffix == ".pdf":
        pages = [page.extract_text() for page in pypdf.PdfReader(path).pages]
        return " ".join(" ".join(pages).split())
    # A line of a calendar that is longer goes on behind a blank.
    return path.read_bytes().decode().replace("\r\n ", "")


@pytest.fixture(scope="module")
def taught(tmp_path_factory):
    """A small result that says so, and the folder of its files."""
    plain = make_district()
    provenance = plain.provenance.iloc[:1].assign(kind="caution", name="", value=TAUGHT)
    result = replace(plain, cautions=(*CAUTIONS, TAUGHT), provenance=provenance)
    folder = tmp_path_factory.mktemp("taught")
    write_outputs(result, folder)
    return folder


def test_every_file_says_that_it_rests_on_lessons_and_none_without(taught, sample_written):
    files = sorted(path.name for path in taught.iterdir() if path.is_file())
    assert {one.name for output in OUTPUTS for one in output.files} <= set(files)
    for name in files:
        phrase = RESIDENTS if name.startswith("public") else SAID
        assert phrase in read(taught / name), name
        assert phrase not in read(sample_written[0] / name), name


def test_terminal_and_notebook_say_so(sample_result):
    told = replace(sample_result, cautions=(*CAUTIONS, TAUGHT))
    assert SAID in summarise(told)["lines"][0]
    assert not any(SAID in line for line in summarise(sample_result)["lines"])
