"""The page that lists the areas of a result, with the totals of the whole study."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from routekit.outputs.arborist.words import write_number
from routekit.outputs.templates import load_templates
from routekit.parts.area_files import GEOPACKAGE, TABLES, Written
from routekit.result import Result
from routekit.schema import load_tables
from routekit.vocabulary import M_PER_KM
from routekit.words.catalogue import render, render_column, translate_words
from routekit.words.texts import say, word
from routekit.words.units import write_unit

INDEX: Final = "index.html"

_NUMBERS: Final = (
    "open_cut_low",
    "open_cut_mid",
    "open_cut_high",
    "recommended_low",
    "recommended_mid",
    "recommended_high",
)


def write_index(result: Result, areas: Sequence[Written], path: Path) -> None:
    """Write the page that lists the areas.

    Parameters
    ----------
    result : Result
        Of the whole study: totals, cautions, name.
    areas : sequence of Written
    path : Path
    """
    language = result.settings.outputs.language
    totals = result.totals
    heads = ["Quantity", "Unit", *(load_tables()["totals"].fields[one].title for one in _NUMBERS)]

    def put(text: str, **values: str) -> str:
        """Put a text of the template into the language."""
        return render(say(text, **values), language)

    def figure(value: float, digits: int) -> str:
        """Write a number in the language, or say that it is not known."""
        return render(write_number(value, digits), language)

    page = load_templates("routekit.parts").get_template("index.html.j2")
    text = page.render(
        _=put,
        number=figure,
        language=language,
        result_id=result.result_id,
        title=result.name,
        date=result.study_date,
        areas=areas,
        geopackage=GEOPACKAGE,
        tables=TABLES,
        n_runs=len(result.runs),
        n_trees=len(result.trees),
        sewer_km=float(result.runs["length_m"].sum()) / M_PER_KM,
        heads=translate_words(heads, language),
        totals=[
            {"quantity": quantity, "unit": unit, "numbers": numbers}
            for quantity, unit, numbers in zip(
                render_column(totals["quantity_words"], language),
                translate_words(totals["unit"].astype(object).map(write_unit), language),
                totals[list(_NUMBERS)].to_numpy(dtype=float).tolist(),
                strict=True,
            )
        ],
        cautions=[render(word(one), language) for one in result.cautions],
    )
    path.write_text(text, encoding="utf-8", newline="\n")
