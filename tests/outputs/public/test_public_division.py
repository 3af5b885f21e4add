"""Streets divided over several pages, and the index that leads to them."""

from __future__ import annotations

import base64
import hashlib
import re
from html import unescape
from urllib.parse import unquote

import numpy as np
import pytest
from public_study import make_district, make_result
from test_public_page import HOSTILE
from whole_result import set_outputs

from routekit.outputs.map.encoding import decode
from routekit.outputs.public import writer
from routekit.outputs.public.builder import OPEN_UP_TO, build_public_page
from routekit.outputs.public.district import (
    describe_district,
    find_street_middles,
    take_streets,
)
from routekit.outputs.public.languages import LANGUAGES, load_words
from routekit.outputs.public.writer import build_public_pages, write_public_pages
from routekit.settings.public_page import PublicSettings

TINY = PublicSettings(max_page_mb=0.001)
"""No page fits, so every street has its own."""


def _payload(page: str):
    return decode(re.search(r'id="payload">([^<]+)<', page).group(1))


def _links(index: str) -> list[tuple[str, str, str]]:
    """File, street and words of each link in the list."""
    found = re.findall(r'<li><a href="([^"#]+)#street=([^"]*)"[^>]*>([^<]*)</a>', index)
    return [(file, unquote(street), unescape(words)) for file, street, words in found]


def _size(page: str) -> int:
    return len(page.encode())


def test_a_page_within_the_limit_is_the_page_as_it_was():
    whole = build_public_page(make_result())
    assert build_public_pages(make_result()) == {"public.html": whole}
    assert "public-" not in whole
    assert load_words("en", is_divided=True)["ui"]["part"] not in unescape(whole)


def test_a_page_over_the_limit_is_divided_until_every_page_fits():
    result = make_district(400, 1200)
    whole = _size(build_public_page(result))
    fixed = _size(build_public_pages(set_outputs(make_result(), public=TINY))["public-01.html"])
    limit = (fixed + 0.6 * (whole - fixed)) / 1e6
    pages = build_public_pages(set_outputs(result, public=PublicSettings(max_page_mb=limit)))
    index = pages.pop("public.html")
    assert list(pages) == [f"public-{n + 1:02d}.html" for n in range(len(pages))]
    assert len(pages) >= 2
    assert all(_size(page) <= limit * 1e6 for page in pages.values())
    shown = {name: _payload(page)["streets"]["label"] for name, page in pages.items()}
    every = [street for streets in shown.values() for street in streets]
    assert sorted(every) == sorted({f"Street {n}" for n in range(40)})
    assert {(file, street) for file, street, _ in _links(index)} == {
        (name, street) for name, streets in shown.items() for street in streets
    }


def test_a_single_street_is_never_split():
    pages = build_public_pages(set_outputs(make_result(), public=TINY))
    assert len(pages) == 5
    assert [_payload(page)["streets"]["label"] for page in list(pages.values())[1:]] == [
        [street] for _, street, _ in sorted(_links(pages["public.html"]))
    ]
    one = make_result(runs=make_result().runs.assign(street="Alder Row"))
    assert list(build_public_pages(set_outputs(one, public=TINY))) == ["public.html"]


def test_a_study_without_streets_has_one_page():
    runs = make_result().runs.iloc[:0]
    assert list(build_public_pages(set_outputs(make_result(runs=runs), public=TINY))) == [
        "public.html"
    ]


def test_equal_input_gives_equal_pages():
    assert build_public_pages(set_outputs(make_result(), public=TINY)) == build_public_pages(
        set_outputs(make_result(), public=TINY)
    )


def test_what_is_said_of_a_street_stays_that_of_the_whole():
    whole = _payload(build_public_page(make_result()))["streets"]
    said = dict(zip(whole["label"], whole["said"], strict=True))
    pages = build_public_pages(set_outputs(make_result(), public=TINY))
    parts = [_payload(page)["streets"] for name, page in pages.items() if name != "public.html"]
    assert {part["label"][0]: part["said"][0] for part in parts} == said


def test_trees_of_other_streets_stay_drawn_where_they_lie_near():
    district = describe_district(make_result())
    # Mill Bank runs along x = 120. T4 (90, 4) stands 30 m off it, T3 (50, 3) 70 m.
    part = take_streets(district, np.array([1]), nearby_m=60.0)
    assert part.facts.trees["tree_id"].tolist() == ["T4", "T5", "T6"]
    own = part.facts.trees["tree_id"].iloc[part.facts.tree_streets["tree"]]
    assert own.tolist() == ["T5", "T6"]
    assert part.facts.tree_streets["street"].tolist() == [0, 0]
    assert part.facts.runs["run_id"].tolist() == ["R3", "R4"]
    assert part.facts.runs["street"].tolist() == [0, 0]
    whole = district.facts.trees.set_index("tree_id")
    kept = part.facts.trees.set_index("tree_id")
    assert kept.drop(columns="geometry").equals(whole.loc[kept.index].drop(columns="geometry"))


def test_the_works_of_a_street_go_with_it_and_the_others_do_not():
    district = describe_district(make_result())
    part = take_streets(district, np.array([0]), nearby_m=5.0)
    assert part.facts.pits["pit_id"].tolist() == ["P1", "P2"]
    assert len(part.facts.digs) == 1
    assert part.facts.strings["length_m"].tolist() == [120.0]
    other = take_streets(district, np.array([1]), nearby_m=5.0)
    assert other.facts.pits.empty
    assert other.facts.digs.empty
    assert len(other.facts.trenches) == 1
    # The building (130..150, 30..60) lies 10 m from Mill Bank.
    assert "building" not in set(other.backdrop["kind"])
    near = take_streets(district, np.array([1]), nearby_m=11.0)
    assert "building" in set(near.backdrop["kind"])


def test_street_middles_are_those_of_their_extents():
    middles = find_street_middles(describe_district(make_result()).facts)
    np.testing.assert_allclose(
        middles - [630_000.0, 5_810_000.0], [[60, 0], [120, 70], [40, 100], [0, 50]]
    )


@pytest.fixture
def built(monkeypatch):
    """How many streets each page had that was built, in turn; 5 streets are a sample."""
    counts = []
    build = writer.build_page

    def count(district, settings, **options):
        counts.append(len(district.facts.streets))
        return build(district, settings, **options)

    monkeypatch.setattr(writer, "_SAMPLE_STREETS", 5)
    monkeypatch.setattr(writer, "build_page", count)
    return counts


def test_no_page_is_built_twice_where_a_sample_tells_the_size(built):
    result = make_district(400, 1200)
    assert list(build_public_pages(result)) == ["public.html"]
    # A page without streets and one with a few tell the size of all.
    assert built == [0, 5, 40]
    built.clear()
    pages = build_public_pages(
        set_outputs(make_district(3000, 3000), public=PublicSettings(max_page_mb=0.5))
    )
    assert built[:2] == [0, 5]
    assert sum(built[2:]) == 300
    assert len(pages) - 1 == len(built) - 2 >= 3


@pytest.mark.usefixtures("built")
def test_a_page_that_may_just_fit_is_built_whole_to_be_sure():
    result = make_district(400, 1200)
    size = _size(build_public_page(result))
    fits = build_public_pages(
        set_outputs(result, public=PublicSettings(max_page_mb=(size + 0.5) / 1e6))
    )
    assert list(fits) == ["public.html"]
    over = build_public_pages(
        set_outputs(result, public=PublicSettings(max_page_mb=(size - 0.5) / 1e6))
    )
    assert len(over) == 3


def test_writing_removes_the_pages_of_an_earlier_larger_study(tmp_path):
    first = write_public_pages(set_outputs(make_result(), public=TINY), tmp_path / "public.html")
    assert [path.name for path in first] == ["public.html", *(f"public-0{n}.html" for n in "1234")]
    (tmp_path / "public-notes.html").write_text("mine")
    second = write_public_pages(make_result(), tmp_path / "public.html")
    assert second == [tmp_path / "public.html"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["public-notes.html", "public.html"]


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_index_reads_without_scripts(code):
    settings = PublicSettings(
        language=code,
        max_page_mb=0.001,
        data_date="2026-05-01",
        intro="Hear, hear.",
        contact="drains@council.example",
    )
    pages = build_public_pages(set_outputs(make_result(), public=settings))
    words = load_words(code, is_divided=True)
    html = unescape(re.sub(r"<script.*", "", pages["public.html"], flags=re.DOTALL))
    assert f'<html lang="{code}">' in html
    for key in ("index_lead", "index_no_script", "index_ask", "index_write", "no_name"):
        assert words["ui"][key] in html
    assert "Hear, hear." in html
    assert "2026-05-01" in html
    assert "mailto:drains@council.example?subject=" in html
    shown = {key: key != "taught" for key in words["cautions"]}
    assert {key: text in html for key, text in words["cautions"].items()} == shown
    assert [title for _, _, title in _links(pages["public.html"])] == [
        "Alder Row",
        "Mill Bank",
        "Quince Court",
        words["ui"]["area"].format(id="A1"),
    ]
    for name, page in pages.items():
        back = f'<a href="public.html" data-ui="all_streets">{words["ui"]["all_streets"]}</a>'
        assert (back in unescape(page)) is (name != "public.html")


def test_long_lists_of_the_index_are_folded():
    assert (
        len(
            re.findall(
                r'<details class="letter" open>',
                build_public_pages(set_outputs(make_result(), public=TINY))["public.html"],
            )
        )
        == 4
    )
    many = make_district(10 * (OPEN_UP_TO + 1), 10)
    index = build_public_pages(set_outputs(many, public=PublicSettings(max_page_mb=0.5)))[
        "public.html"
    ]
    assert '<details class="letter">' in index
    assert '<details class="letter" open>' not in index


def test_the_index_is_light():
    pages = build_public_pages(
        set_outputs(make_district(3000, 3000), public=PublicSettings(max_page_mb=0.8))
    )
    assert len(_links(pages["public.html"])) == 300
    assert _size(pages["public.html"]) < 105_000


def test_the_policies_name_each_script_and_style_by_its_hash():
    for page in build_public_pages(set_outputs(make_result(), public=TINY)).values():
        policy = unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1))
        assert policy.startswith("default-src 'none'")
        texts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
        texts += re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
        for text in texts:
            digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
            assert f"'sha256-{digest}'" in policy
        assert "unsafe" not in policy
        html = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
        assert not re.findall(r'(?:src|href|action)\s*=\s*"(?:https?:)?//', html)
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write", texts[-2])


def test_hostile_names_stay_text_in_the_index():
    runs = make_result().runs
    runs["street"] = HOSTILE
    settings = PublicSettings(max_page_mb=0.001, title=HOSTILE[1], intro=HOSTILE[0])
    index = build_public_pages(set_outputs(make_result(runs=runs), public=settings))["public.html"]
    assert "<script>window.hurt" not in index
    assert "<img src=x" not in index
    assert index.count("<script") == 2
    streets = {street for _, street, _ in _links(index)}
    assert streets == {" ".join(name.split()) for name in HOSTILE}
