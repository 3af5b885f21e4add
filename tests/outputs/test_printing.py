"""The printed tree sheets: text stays text, every sheet is there, tagged, equal bytes."""

import dataclasses
import io
import itertools
import json
import os
import random
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pypdf
import pytest
import typst
from synthetic import MARKUP, make_empty_result, make_result
from whole_result import set_outputs

from routekit.errors import OutputError
from routekit.outputs.arborist import printing
from routekit.outputs.arborist import volumes as volumes_module
from routekit.outputs.arborist.printing import print_page, read_page
from routekit.outputs.arborist.tree_facts import rank_trees
from routekit.outputs.arborist.writer import render_parts, write_tree_report
from routekit.settings.outputs import ReportSettings

TYPESETTING = [
    '#import "@preview/cetz:0.3.0"',
    '#read("/etc/hostname")',
    "#panic(1)",
    "] #pagebreak() [",
    "$x^2$",
    "*bold* _slanted_",
    "= heading",
    "a \\ b",
    "// gone",
    "/* gone */",
    "`raw`",
    "<script>alert(1)</script>",
    "@ref",
    "~",
    "---",
    "{}",
    "https://aldervoort.example",
]
"""What would be markup or code of the typesetter, or of a browser."""

SETTINGS = ReportSettings()


@pytest.fixture(scope="module")
def result():
    """Trees whose species try to be markup."""
    made = make_result()
    shown = dict(zip(rank_trees(made)["tree_id"], TYPESETTING * 2, strict=False))
    species = made.trees["tree_id"].map(shown).fillna("unseen")
    return dataclasses.replace(made, trees=made.trees.assign(species=species))


@pytest.fixture(scope="module")
def trees(result):
    return rank_trees(result)


@pytest.fixture(scope="module")
def page(result, trees):
    return dict(render_parts(result, trees, settings=SETTINGS))[""]


@pytest.fixture(scope="module")
def printed(page):
    return print_page(page)


@pytest.fixture(scope="module")
def reader(printed):
    return pypdf.PdfReader(io.BytesIO(printed), strict=True)


def words_of(pdf):
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages if isinstance(pdf, bytes) else pdf.pages
    text = " ".join(page.extract_text() for page in pages)
    return " ".join(re.sub("[\u200b\u2066-\u2069]", "", text).split())


@pytest.fixture(scope="module")
def words(reader):
    return words_of(reader)


def test_every_tree_has_its_sheet_with_room_to_sign(words, trees):
    for tree_id in trees["tree_id"]:
        assert f"Tree {tree_id}" in words
    for field in ("Arborist", "Signature"):
        assert len(re.findall(rf"\b{field}\b", words)) == len(trees)
    assert words.count("Working method required") == len(trees)
    assert words.count("not as shown, because:") == len(trees)


def test_every_text_of_the_page_is_in_print(page, words):
    """The tags taken off, the page and its print hold the same words, apart from the order."""
    bare = re.sub(r"<svg .*?</svg>", " ", page[page.index("<body") :], flags=re.DOTALL)
    kids = " ".join(_texts(read_page(f"{bare}")))
    asked = set(re.findall(r"[A-Za-z]{5,}", kids))
    shown = set(re.findall(r"[A-Za-z]{5,}", words))
    turned = set(re.findall("[a-z]+", MARKUP[3]))
    assert {word for word in asked - shown - turned if set(word) != {"x"}} == set()
    assert len(asked) > 150


def _texts(node):
    if isinstance(node, str):
        return [node]
    return [text for kid in node["kids"] for text in _texts(kid)]


@pytest.mark.parametrize("text", TYPESETTING)
def test_markup_in_the_data_is_printed_as_text(words, text):
    assert text in words


def test_footers_name_the_study_its_date_the_tree_and_the_page(result):
    dated = pd.DataFrame({"kind": ["study"], "name": ["date"], "value": ["2031-05-01"]})
    result = dataclasses.replace(result, name="Aldervoort", provenance=dated)
    parts = dict(render_parts(result, rank_trees(result), settings=SETTINGS))
    pages = pypdf.PdfReader(io.BytesIO(print_page(parts[""]))).pages
    for number, page in enumerate(pages, start=1):
        shown = " ".join(page.extract_text().split())
        assert "Aldervoort, 2031-05-01" in shown
        assert f"{number} / {len(pages)}" in shown
        assert "Screening only: a qualified arborist decides on site." in shown


def test_bookmarks_lead_to_every_sheet(reader, trees):
    found = []

    def walk(items):
        for item in items:
            if isinstance(item, list):
                walk(item)
            else:
                found.append((item.title, reader.get_destination_page_number(item)))

    walk(reader.outline)
    places = dict(found)
    pages = [places[f"Tree {tree_id}"] for tree_id in trees["tree_id"]]
    assert pages == sorted(set(pages))
    for tree_id in trees["tree_id"]:
        assert f"Tree {tree_id}" in reader.pages[places[f"Tree {tree_id}"]].extract_text()


def test_the_print_is_tagged_and_every_picture_has_its_text(reader, trees):
    """ISO 14289-1: marked, a language, a shown title, the identifier, Alt at each Figure."""
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert str(root["/Lang"]).startswith("en")
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert b"pdfuaid" in root["/Metadata"].get_data()
    figures, heads = [], []
    stack = [root["/StructTreeRoot"]]
    while stack:
        node = stack.pop().get_object()
        if isinstance(node, pypdf.generic.DictionaryObject):
            kind = node.get("/S")
            figures += [node.get("/Alt", "")] if kind == "/Figure" else []
            heads += [kind] if kind == "/TH" else []
            stack += [node["/K"]] if "/K" in node else []
        elif isinstance(node, pypdf.generic.ArrayObject):
            stack += list(node)
    assert len(figures) == 4 * len(trees)
    for told in ("Plan of tree {}, north up", "Where tree {} stands in its street, north up"):
        assert {told.format(tree_id) for tree_id in trees["tree_id"]} < set(figures)
    assert "" not in figures
    assert len(heads) > 5 * len(trees)


def test_heads_of_columns_say_that_they_are_and_tables_are_whole(reader):
    """ISO 14289-1 7.5: TH with a scope, TR of TH and TD alone; 7.1: headings skip no level."""
    levels, stack = [], [reader.trailer["/Root"]["/StructTreeRoot"]]
    while stack:
        node = stack.pop().get_object()
        if isinstance(node, pypdf.generic.ArrayObject):
            stack += list(node)[::-1]
        elif isinstance(node, pypdf.generic.DictionaryObject):
            kind, kids = node.get("/S"), node.get("/K", [])
            if kind == "/TH":
                told = node["/A"].get_object()
                told = told if isinstance(told, list) else [told]
                assert [one.get_object()["/Scope"] for one in told if "/Scope" in one.get_object()]
            if kind == "/TR":
                assert {kid.get_object()["/S"] for kid in kids} <= {"/TH", "/TD"}
            levels += [int(kind[2])] if re.fullmatch("/H[1-6]", kind or "") else []
            stack += list(kids)[::-1] if isinstance(kids, list) else [kids]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert levels.count(2) > 20


def test_the_checker_of_accessible_prints_finds_nothing(printed, tmp_path):
    """`pdfua`: 16 of the 106 machine rules of ISO 14289-1; it faults a print without tags."""
    place = tmp_path / "trees.pdf"
    place.write_bytes(printed)
    assert list_faults(place) == []
    place.write_bytes(typst.compile(b"= A", format="pdf", pdf_tags=False))
    assert {fault["pdfua_clause"] for fault in list_faults(place)} >= {"7.1"}


def list_faults(place):
    """Faults that the checker finds in a print."""
    told = subprocess.run(
        [sys.executable, "-m", "pdfua", "check", "--format", "json", str(place)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = json.loads(told.stdout)
    assert found["summary"]["rules_run"] > 10
    return found["findings"]


def test_equal_pages_give_equal_bytes_in_any_process_whatever_fonts_it_has(page, printed, tmp_path):
    source = tmp_path / "page.html"
    source.write_text(page, encoding="utf-8")
    command = (
        "import sys; from pathlib import Path\n"
        "from routekit.outputs.arborist.printing import print_page\n"
        "page = Path(sys.argv[1]).read_text(encoding='utf-8')\n"
        "Path(sys.argv[2]).write_bytes(print_page(page))"
    )
    bare = {**os.environ, "HOME": str(tmp_path), "FONTCONFIG_FILE": os.devnull, "TZ": "Etc/GMT-9"}
    target = tmp_path / "page.pdf"
    subprocess.run([sys.executable, "-c", command, source, target], check=True, env=bare)
    assert target.read_bytes() == printed == print_page(page)


def test_characters_that_the_typefaces_lack_stand_as_their_code(result):
    odd = "楓 \U0001f333 \ue000 \x07 é ő ż д α ش ע"
    trees = result.trees.assign(species=odd)
    changed = dataclasses.replace(result, trees=trees)
    page = dict(render_parts(changed, rank_trees(changed), settings=SETTINGS))[""]
    words = words_of(print_page(page))
    for text in ("[U+6953]", "[U+1F333]", "[U+E000]", "[U+0007]", "é", "ő", "ż", "д", "α"):
        assert text in words
    assert "The typefaces of this print lack 4 characters of the data" in words
    assert odd in page


def test_nothing_is_said_of_typefaces_where_they_have_all(words):
    assert "typefaces" not in words


@pytest.mark.parametrize("seed", range(3))
def test_any_mixture_of_characters_can_be_set(seed):
    chance = random.Random(seed)
    ranges = [(1, 0x17F), (0x300, 0x36F), (0x370, 0x7FF), (0x2000, 0x206F), (0x1, 0x10FFFF)]
    picked = (chance.randint(*chance.choice(ranges)) for _ in range(3000))
    text = "".join(chr(code) for code in picked if not 0xD800 <= code <= 0xDFFF)
    made = make_result()
    changed = dataclasses.replace(made, trees=made.trees.assign(species=text[:400]), name=text)
    page = dict(render_parts(changed, rank_trees(changed), settings=SETTINGS))[""]
    assert print_page(page).startswith(b"%PDF")


def test_volume_after_volume_takes_no_more_memory():
    """Each page is another, as volumes are; the first print loads what all share."""
    command = (
        "import sys, psutil\n"
        "from synthetic import make_result\n"
        "from routekit.outputs.arborist import printing, writer\n"
        "from routekit.outputs.arborist.tree_facts import rank_trees\n"
        "made = make_result()\n"
        "page = dict(writer.render_parts(made, rank_trees(made),"
        " settings=writer.ReportSettings()))['']\n"
        "used = []\n"
        "for volume in range(7):\n"
        "    printing.print_page(page.replace('Tree ', f'Tree {volume}-'))\n"
        "    printing.forget_prints()\n"
        "    used.append(psutil.Process().memory_info().rss / 1e6)\n"
        "print(used[-1] - used[2])"
    )
    here = Path(__file__).parent
    beside = {**os.environ, "PYTHONPATH": os.pathsep.join([str(here), str(here.parent)])}
    done = subprocess.run(
        [sys.executable, "-c", command], env=beside, check=True, capture_output=True, text=True
    )
    assert float(done.stdout) < 60


def test_empty_tables_are_printed_as_a_front_page():
    empty = make_empty_result()
    page = dict(render_parts(empty, rank_trees(empty), settings=SETTINGS))[""]
    assert "No works reach a root protection zone." in words_of(print_page(page))


VOLUMES = ReportSettings(volume_trees=4, page_trees=0)


@pytest.fixture(scope="module")
def volumes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("volumes")
    write_tree_report(set_outputs(make_result(), report=VOLUMES), folder / "trees.html")
    return folder


def test_no_touched_tree_is_left_out_of_the_volumes(volumes):
    made = rank_trees(make_result())
    touched = made["tree_id"][made["is_touched"]].tolist()
    n_volumes = -(-len(touched) // VOLUMES.volume_trees)
    names = [f"trees-{place:02d}.pdf" for place in range(1, n_volumes + 1)]
    assert n_volumes > 2
    assert sorted(path.name for path in volumes.glob("trees*.pdf")) == sorted([*names, "trees.pdf"])
    found = []
    for name in names:
        shown = words_of((volumes / name).read_bytes())
        found += [tree_id for tree_id in touched if f"Tree {tree_id}" in shown]
        assert f"of {len(touched)}, worst first" in shown
        assert "Screening only: this is not a design" in shown
    assert found == touched
    index = words_of((volumes / "trees.pdf").read_bytes())
    assert f"The {len(touched)} sheets are in {n_volumes} volumes" in index
    assert "Signature" not in index


def test_the_index_links_to_each_sheet_in_its_volume(volumes):
    index = (volumes / "trees.html").read_text(encoding="utf-8")
    links = re.findall(r'href="(trees-\d\d\.html)#(tree-\d+)"', index)
    assert [anchor for _, anchor in links] == [f"tree-{place + 1}" for place in range(len(links))]
    for name, anchor in links:
        assert f'id="{anchor}"' in (volumes / name).read_text(encoding="utf-8")


def test_volumes_of_an_earlier_larger_study_go(volumes, tmp_path):
    for name in ("trees-07.pdf", "trees-07.html", "trees-old.pdf"):
        (tmp_path / name).write_text("earlier")
    write_tree_report(set_outputs(make_result(), report=VOLUMES), tmp_path / "trees.html")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(
        [*(path.name for path in volumes.iterdir()), "trees-old.pdf"]
    )
    for path in volumes.iterdir():
        assert path.read_bytes() == (tmp_path / path.name).read_bytes()


def test_a_writer_that_dies_leaves_earlier_files(volumes, monkeypatch):
    before = {path.name: path.read_bytes() for path in volumes.iterdir()}

    def die(*_):
        message = "cut off"
        raise KeyboardInterrupt(message)

    monkeypatch.setattr(volumes_module, "print_page", die)
    with pytest.raises(KeyboardInterrupt, match="cut off"):
        write_tree_report(make_result(seed=2), volumes / "trees.html")
    assert {path.name: path.read_bytes() for path in volumes.iterdir()} == before


def test_memory_is_given_back_after_every_page(tmp_path, monkeypatch):
    done = []
    monkeypatch.setattr(volumes_module, "print_page", lambda *_: done.append("print") or b"%PDF")
    monkeypatch.setattr(volumes_module, "forget_prints", lambda: done.append("forget"))
    write_tree_report(make_result(), tmp_path / "trees.html", with_pdf=True)
    assert done == ["print", "forget"]
    divided = set_outputs(make_result(), report=VOLUMES)
    write_tree_report(divided, tmp_path / "trees.html", with_pdf=True)
    n_volumes = len(list(tmp_path.glob("trees-*.pdf")))
    assert n_volumes > 1
    assert done.count("forget") == done.count("print") > n_volumes


def test_a_page_that_cannot_be_set_is_told_in_one_sentence(monkeypatch):
    def fail(*_, **__):
        message = "no room"
        raise typst.TypstError(message)

    monkeypatch.setattr(printing.typst, "compile", fail)
    with pytest.raises(OutputError, match=r"report cannot be printed \(.*\); report this; earlier"):
        print_page("<body></body>")


def test_the_print_uses_the_typefaces_of_the_package_alone(reader):
    faces = {
        str(font.get_object()["/BaseFont"]).split("+")[-1]
        for page in reader.pages
        for font in page["/Resources"]["/Font"].values()
    }
    assert faces
    assert all(face.startswith(("SourceSansPro", "DejaVuSans")) for face in faces)
    folder = Path(printing.__file__).parent / "fonts"
    assert {path.suffix for path in folder.iterdir()} == {".otf", ".ttf", ".txt"}


def test_hostile_texts_of_all_columns_are_printed():
    made = make_result()
    page = dict(render_parts(made, rank_trees(made), settings=SETTINGS))[""]
    words = words_of(print_page(page))
    for text in MARKUP:
        if "\u202e" not in text:
            assert text in words


def test_a_page_that_the_typesetter_cannot_tag_is_printed_and_says_so(page, monkeypatch):
    """A fault of the typesetter's tagging had stopped the whole run, and nothing was written."""
    real = typst.compile

    def compile_untagged(*args, **options):
        if options.get("pdf_tags", True):
            raise typst.TypstError("internal error: parent group (occurred at build.rs)")
        return real(*args, **options)

    monkeypatch.setattr(typst, "compile", compile_untagged)
    read = pypdf.PdfReader(io.BytesIO(print_page(page)))
    assert "This print carries no tags for screen readers" in read.pages[0].extract_text()
    assert "/StructTreeRoot" not in read.trailer["/Root"]


def test_a_page_that_cannot_be_set_without_tags_either_is_refused(page, monkeypatch):
    def break_down(*_, **__):
        raise typst.TypstError("internal error: parent group (occurred at build.rs)")

    monkeypatch.setattr(typst, "compile", break_down)
    with pytest.raises(OutputError, match="cannot be printed"):
        print_page(page)
