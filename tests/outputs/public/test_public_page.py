"""The page as a file: no request, only text from the study, equal bytes, whole without scripts."""

from __future__ import annotations

import base64
import hashlib
import re
import time
from html import unescape
from importlib.resources import files

import pandas as pd
import pytest
from public_study import _frame, make_district, make_result
from whole_result import blank_table, set_outputs

from routekit.outputs.public.builder import (
    OWN_SCRIPTS,
    build_public_page,
    contact_address,
    name_numbers,
)
from routekit.outputs.public.languages import LANGUAGES, load_words
from routekit.outputs.public.species import name_genera
from routekit.settings.public_page import PublicSettings

HOSTILE = [
    "</script><script>window.hurt=1</script>",
    '"><img src=x onerror="window.hurt=1">',
    "`${window.hurt=1}` {{ 7*7 }} {% raw %}",
    "\u202eright to left\u202c",
    "=HYPERLINK(1)",
    "long " * 2000,
]


def _build(**settings) -> str:
    return build_public_page(set_outputs(make_result(), public=PublicSettings(**settings)))


def test_equal_input_gives_equal_bytes():
    assert _build(language="fr") == _build(language="fr")


def test_no_address_but_the_contact_and_no_inner_html():
    page = _build()
    folder = files("routekit.outputs.public") / "script"
    own = "".join((folder / name).read_text(encoding="utf-8") for name in OWN_SCRIPTS)
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(", own)
    assert not re.search(r"https?://\w|fetch\(|XMLHttpRequest|Date\(|Math\.random", own)
    html = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    assert not re.findall(r'(?:src|href|action)\s*=\s*"(?:https?:)?//', html)
    assert not re.findall(r"@import|url\((?!images/|#)", html)


def test_the_policy_names_each_script_and_style_by_its_hash():
    page = _build()
    policy = unescape(re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1))
    assert policy.startswith("default-src 'none'")
    texts = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    texts += re.findall(r"<style>(.*?)</style>", page, re.DOTALL)
    assert len(texts) == 3
    for text in texts:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy
    assert "unsafe" not in policy
    assert not re.search(r'\sstyle="', page)
    assert not re.search(r"\son\w+=", re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL))


@pytest.mark.parametrize("code", LANGUAGES)
def test_the_sentences_stand_in_the_html_of_the_first_language(code):
    page = unescape(_build(language=code))
    words = load_words(code)
    html = re.sub(r"<script.*", "", page, flags=re.DOTALL)
    assert f'<html lang="{code}">' in html
    time = words["works"]["time_least"]["other"].format(n=3)
    assert words["works"]["burst_same"].format(m=120, time=time) in html
    assert words["trees"]["trench"]["other"].format(n=3) in html
    assert words["ui"]["no_script"] in html
    shown = {key: key != "taught" for key in words["cautions"]}
    assert {key: text in html for key, text in words["cautions"].items()} == shown
    name = name_genera(pd.Series(["Quercus"]), code)["Quercus"]
    oak = f'<span data-genus="Quercus">{name}</span> <bdi class="species">Quercus robur</bdi>'
    assert f"<bdi>T5</bdi> {oak}" in html


def test_hostile_text_is_escaped():
    runs = make_result().runs
    runs["street"] = HOSTILE
    trees = make_result().trees.iloc[:7].copy()
    trees["species"] = [*HOSTILE, HOSTILE[0]]
    trees["is_protected"] = True
    result = make_result(runs=runs, trees=trees, name=HOSTILE[0])
    page = build_public_page(
        set_outputs(result, public=PublicSettings(intro=HOSTILE[1], title=HOSTILE[1]))
    )
    assert "<script>window.hurt" not in page
    assert "<img src=x" not in page
    assert "{{ 7*7 }}" in unescape(page)
    assert page.count("<script") == 3


def test_the_contact_carries_the_number():
    page = unescape(_build(contact="drains@council.example"))
    assert 'href="mailto:drains@council.example?subject=Question%20about%20Alder%20Row' in page
    web = _build(contact="https://council.example/ask?about={number}")
    assert 'href="https://council.example/ask?about=R1%2C%20R2"' in unescape(web)
    none = _build()
    assert "mailto:" not in re.sub(r"<script.*", "", none, flags=re.DOTALL)
    assert load_words("en")["ui"]["ask_none"] in unescape(none)


def test_a_long_street_is_named_by_its_first_and_last_sewer():
    assert name_numbers(["K-10", "K-9", "K-2"]) == "K-2, K-9, K-10"
    assert name_numbers([f"K-{n}" for n in range(20, 0, -1)]) == "K-1 – K-20 (20)"
    assert name_numbers(["007", "7", "x", "²"]) == "007, 7, x, ²"
    runs = make_result().runs.assign(street="Alder Row")
    page = unescape(build_public_page(make_result(runs=runs)))
    assert "R1 – R6 (6)" in page
    assert "…" not in re.sub(r"<script.*", "", page, flags=re.DOTALL)


def test_a_number_cannot_add_to_the_address():
    address = contact_address("a@b.example", "R1&bcc=x@y.example", "R1&bcc=x@y.example\r\nBcc: z")
    assert address.count("&") == 1
    assert "\n" not in address


def test_the_date_comes_from_the_study():
    assert "Data as of 1 May 2026" in _build(data_date="2026-05-01")
    assert load_words("en")["ui"]["no_date"] in _build()


def test_title_and_words_follow_the_language():
    titles = {"de": "Kanäle von Fenwick", "fr": "Égouts de Fenwick"}
    page = unescape(_build(language="de", titles=titles, intros={"de": "Hört."}, title="Drains"))
    assert '<h1 dir="auto" data-title>Kanäle von Fenwick</h1>' in page
    assert "data-intro>Hört.</p>" in page
    plain = unescape(_build(language="nl", titles=titles, intros={"de": "Hört."}, title="Drains"))
    assert '<h1 dir="auto" data-title>Drains</h1>' in plain
    assert "data-intro hidden></p>" in plain
    assert "data-intro" not in re.sub(r"<script.*", "", _build(), flags=re.DOTALL)


def test_a_street_begins_with_four_questions_and_the_rest_is_folded():
    html = re.sub(r"<script.*", "", _build(contact="a@b.example"), flags=re.DOTALL)
    streets = re.findall(r'<ul class="short">(.*?)</ul>', html, re.DOTALL)
    assert [re.findall(r'data-topic="(\w+)"', text) for text in streets] == [
        ["short", "when", "felled", "ask"]
    ] * 4
    assert html.count('<details class="topic">') == html.count('<h4 data-topic="') - 4 * 4
    assert html.count(">Ask about this street</a>") == 4
    assert "R1%2C%20R2" in html


def test_a_study_without_runs_says_so():
    result = make_result()
    blank = pd.DataFrame()
    empty = _frame([])
    tables = dict.fromkeys(("runs", "trees", "zones", "pits", "digs", "strings", "surfaces"), empty)
    page = build_public_page(
        make_result(
            **tables, obstacles=empty, advice=blank, encroachments=blank_table("encroachments")
        )
    )
    assert load_words("en")["ui"]["no_streets"] in page
    assert load_words("en")["ui"]["no_streets"] not in build_public_page(result)


def test_work_grows_no_faster_than_themake_district():
    build_public_page(make_district(100, 300))
    times = []
    for n_runs in (500, 2000):
        result = make_district(n_runs, 3 * n_runs)
        begin = time.process_time()
        page = build_public_page(result)
        times.append(time.process_time() - begin)
    assert times[1] < 12 * times[0]
    assert len(page) < 2_000_000
