"""The pages for residents as HTML files that ask the network for nothing.

The sentences in the page's first language stand in the HTML itself, so that it reads without
scripts. The map, the other languages and the search come from packed data and one script.
Text of the study enters the HTML through an escaping template only, and reaches the screen
from the script as text only.
"""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.map.builder import content_policy, read_part
from routekit.outputs.map.encoding import encode
from routekit.outputs.map.palette import seen_strokes
from routekit.outputs.public.content import FOLD_OVER, index_content, page_content
from routekit.outputs.public.district import District, describe_district
from routekit.outputs.public.facts import Facts
from routekit.outputs.public.languages import LANGUAGES, Statement, load_words, render, write_date
from routekit.outputs.public.phrases import CLASSES
from routekit.outputs.public.species import find_genera, name_genera
from routekit.outputs.public.statements import QUESTIONS, TOPICS
from routekit.outputs.templates import load_templates, read_file
from routekit.result import Result
from routekit.settings.public_page import PublicSettings

MAX_NUMBERS = 4
"""Sewer numbers that one message names; a longer street is named by its first and last one."""

_PACKAGE = "routekit.outputs.public"

SHARED_SCRIPTS = ("inflate.js", "unpack.js", "shelves.js", "canvas.js")
"""Scripts of the working map that this page uses too."""

OWN_SCRIPTS = ("words.js", "questions.js", "choosing.js", "plan.js", "strokes.js", "start.js")
"""Scripts of this page, in the order in which they are joined."""

PART_SCRIPTS = (*OWN_SCRIPTS, "carry.js", "part.js")
"""Scripts of a page that shows some of the streets only."""

INDEX_SCRIPTS = ("words.js", "carry.js", "index.js")
"""Scripts of the index of such pages."""

"""File of the page, or of the index where the streets stand on several pages."""

OPEN_UP_TO = 200
"""With more streets than this, the lists of the index are folded by first letter."""


def build_public_page(result: Result) -> str:
    """Write one page for residents, however many streets there are.

    Parameters
    ----------
    result : Result
        The tables of a study; any may be empty or lack optional columns. Only the columns of
        `allow_list.toml`, and the one that names the street, are read.

    Returns
    -------
    str
        A whole HTML page; equal input gives an equal page.

    Raises
    ------
    routekit.errors.FieldError
        If a run or tree has no number, or shares it with another.
    """
    return build_page(describe_district(result), result.settings.outputs.public)


def build_page(district: District, settings: PublicSettings, *, index: str = "") -> str:
    """Write the page of a district, or of some of its streets.

    Parameters
    ----------
    district : District
        What the page says and draws.
    settings : PublicSettings
        Language, words and reaches.
    index : str, optional
        Page that leads to all, where other streets stand on other pages; this one leads back to it.

    Returns
    -------
    str
        A whole HTML page; equal input gives an equal page.
    """
    is_part = bool(index)
    words = load_words(settings.language, is_divided=is_part)
    colours = seen_strokes()
    library = read_part("vendor/leaflet.js")
    own = _join_scripts(SHARED_SCRIPTS, PART_SCRIPTS if is_part else OWN_SCRIPTS)
    style = read_part("vendor/leaflet.css") + read_file(_PACKAGE, "style.css")
    if is_part:
        style += read_file(_PACKAGE, "division.css")
    return (
        load_templates(_PACKAGE)
        .get_template("template.html")
        .render(
            **_frame(district, words, settings),
            index=index,
            contact=contact_kind(settings.contact),
            streets=_describe_streets(district.facts, district.said, settings),
            colours=colours,
            fold_over=FOLD_OVER,
            policy=content_policy([library, own], [style]),
            style=style,
            scripts=[library, own],
            licence=read_part("vendor/leaflet-LICENSE.txt"),
            payload=encode(page_content(district, settings, colours, is_part=is_part)),
        )
    )


def build_index(
    district: District, names: list[str], page: NDArray[np.int64], settings: PublicSettings
) -> str:
    """Write the page that leads each reader to the page of a street.

    Parameters
    ----------
    district : District
        The whole.
    names : list of str
        Files of the pages.
    page : numpy.ndarray of int, shape (n,)
        Position in `names` for each street.
    settings : PublicSettings
        Language, title, contact.

    Returns
    -------
    str
        A whole HTML page; equal input gives an equal page.
    """
    words = load_words(settings.language, is_divided=True)
    script = _join_scripts(("inflate.js",), INDEX_SCRIPTS)
    style = read_file(_PACKAGE, "style.css") + read_file(_PACKAGE, "division.css")
    about = words["ui"]["heading"]
    return (
        load_templates(_PACKAGE)
        .get_template("index.html")
        .render(
            **_frame(district, words, settings),
            contact=contact_kind(settings.contact),
            address=contact_address(settings.contact, "", about) if settings.contact else "",
            groups=_list_streets(district, names, page, words),
            is_open=len(page) <= OPEN_UP_TO,
            policy=content_policy([script], [style]),
            style=style,
            script=script,
            payload=encode(index_content(settings, district.name)),
        )
    )


def _frame(district: District, words: dict[str, Any], settings: PublicSettings) -> dict[str, Any]:
    """Gather what stands at the head and the foot of every page."""
    return {
        "language": settings.language,
        "languages": [(code, load_words(code)["name"]) for code in LANGUAGES],
        "words": words,
        "say": lambda statement: render(statement, words),
        "title": settings.titles.get(settings.language) or settings.title or district.name,
        "intro": settings.intros.get(settings.language) or settings.intro,
        "has_intro": bool(settings.intro or settings.intros),
        "result_id": district.result_id,
        "date": settings.data_date,
        "written_date": write_date(settings.data_date, words) if settings.data_date else "",
        "cautions": [key for key in words["cautions"] if key != "taught" or district.is_taught],
    }


def _list_streets(
    district: District, names: list[str], page: NDArray[np.int64], words: dict[str, Any]
) -> list[dict[str, Any]]:
    """Gather links to the streets by first letter; places without a name come last."""
    streets = district.facts.streets
    letter = find_letters(streets["label"]).where(streets["is_named"], "")
    table = pd.DataFrame(
        {"label": streets["label"].astype(object), "file": np.array(names, dtype=object)[page]}
    )
    groups = []
    for head, rows in table.groupby(letter.to_numpy(object)):
        links = [
            {
                "title": label if head else render(["ui", "area", {"id": label}], words),
                "square": "" if head else label,
                "address": f"{file}#street={quote(label, safe='')}",
            }
            for label, file in rows.itertuples(index=False, name=None)
        ]
        groups.append({"head": head, "links": links})
    return sorted(groups, key=lambda group: not group["head"])


def find_letters(labels: pd.Series) -> pd.Series:
    """Give the letter under which each name stands in a list.

    Parameters
    ----------
    labels : pandas.Series of str
        Names.

    Returns
    -------
    pandas.Series of str
        The first letter, large and without accents; `0–9` for a digit and `#` where there is
        neither.

    Examples
    --------
    >>> find_letters(pd.Series(["Élan", "'t Hof", "3rd Row", "—"])).tolist()
    ['E', 'T', '0–9', '#']
    """
    plain = labels.astype(object).astype(str).str.normalize("NFD")
    first = plain.str.extract(r"([^\W_])", expand=False).fillna("#").str.upper().str[:1]
    return first.mask(first.str.isdigit(), "0–9")


def contact_kind(contact: str) -> str:
    """Tell how a reader reaches the council: `mail`, `web` or `none`."""
    if not contact:
        return "none"
    return "web" if contact.startswith("https://") else "mail"


def contact_address(contact: str, number: str, subject: str) -> str:
    """Write the address behind a question.

    Parameters
    ----------
    contact : str
        A mail address, or an https address in which `{number}` stands for the number.
    number : str
        The run or tree number, or the words that name several.
    subject : str
        Subject of the message.

    Returns
    -------
    str
        A `mailto:` or `https:` address.
    """
    if contact_kind(contact) == "web":
        return contact.replace("{number}", quote(number, safe=""))
    words = quote(subject, safe="")
    return f"mailto:{quote(contact, safe='@')}?subject={words}&body={words}"


def _join_scripts(shared: tuple[str, ...], own: tuple[str, ...]) -> str:
    """Join scripts of the working map and scripts of this page into one."""
    parts = [read_part(f"script/{name}") for name in shared]
    body = "\n".join([*parts, *(read_file(_PACKAGE, f"script/{name}") for name in own)])
    return f'(() => {{\n"use strict";\n{body}\n}})();\n'


def _describe_streets(
    facts: Facts, said: list[list[Statement]], settings: PublicSettings
) -> list[dict[str, Any]]:
    """Gather what the template writes of each street."""
    words = load_words(settings.language)
    runs = facts.runs.drop(columns="geometry")
    numbers = runs["run_id"].astype(str).groupby(runs["street"]).agg(list).to_dict()
    classes = runs["technique"].map(CLASSES).groupby(runs["street"]).agg(set).to_dict()
    trees = _protected_trees(facts, settings.language)
    answer = []
    for row, street in enumerate(facts.streets.itertuples(index=False)):
        label = str(street.label)
        title = label if street.is_named else render(["ui", "area", {"id": label}], words)
        named = name_numbers(numbers[row])
        subject = render(["ui", "subject", {"id": f"{title} ({named})"}], words)
        address = contact_address(settings.contact, named, subject) if settings.contact else ""
        answer.append(
            {
                "title": title,
                "questions": [
                    (topic, [one for one in said[row] if one[0] == topic]) for topic in QUESTIONS
                ],
                "topics": [
                    (topic, [one for one in said[row] if one[0] == topic]) for topic in TOPICS
                ],
                "classes": [name for name in seen_strokes() if name in classes[row]],
                "numbers": named,
                "address": address,
                "trees": trees.get(row, []),
            }
        )
    return answer


def name_numbers(numbers: list[str]) -> str:
    """Name the sewers of a street: each, or the first, the last and how many there are.

    Parameters
    ----------
    numbers : list of str
        Sewer numbers, at least one.

    Returns
    -------
    str
        Numbers in their order, parts of digits by their value.

    Examples
    --------
    >>> name_numbers(["K-10", "K-9"])
    'K-9, K-10'
    >>> name_numbers([f"K-{number}" for number in range(1, 13)])
    'K-1 – K-12 (12)'
    """
    ordered = sorted(numbers, key=_number_key)
    if len(ordered) <= MAX_NUMBERS:
        return ", ".join(ordered)
    return f"{ordered[0]} – {ordered[-1]} ({len(ordered)})"


def _number_key(number: str) -> tuple[list[tuple[int, str]], str]:
    """Order `K-9` before `K-10`: by the words, and by the value of each part of digits."""
    parts = re.split(r"([0-9]+)", number)
    worth = [part.lstrip("0") if at % 2 else part for at, part in enumerate(parts)]
    return [(len(part) if at % 2 else 0, part) for at, part in enumerate(worth)], number


def _protected_trees(facts: Facts, language: str) -> dict[int, list[dict[str, str]]]:
    """List number, genus, common name and species of the protected trees of each street."""
    pairs = facts.tree_streets
    shown = facts.trees.drop(columns="geometry").iloc[pairs["tree"].to_numpy()]
    genus = find_genera(shown["species"])
    names = name_genera(genus, language)
    table = pd.DataFrame(
        {
            "id": shown["tree_id"].to_numpy(object),
            "genus": genus.to_numpy(object),
            "name": genus.map(lambda one: names.get(one, "")).to_numpy(object),
            "species": shown["species"].to_numpy(object),
        }
    )
    is_kept = (shown["protection"] == "yes").to_numpy()
    kept = table[is_kept].groupby(pairs["street"].to_numpy()[is_kept])
    return {int(street): rows.to_dict("records") for street, rows in kept}
