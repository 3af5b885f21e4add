"""Nothing but the listed columns reaches the page, neither its bytes nor its packed data."""

from __future__ import annotations

import dataclasses
import json
import re

import geopandas as gpd
import pandas as pd
import pytest
from public_study import make_result
from whole_result import set_outputs

from routekit.outputs.map.encoding import decode
from routekit.outputs.public.builder import build_public_page
from routekit.outputs.public.reduce import load_allow_list
from routekit.outputs.public.writer import build_public_pages
from routekit.result import Result
from routekit.schema import load_tables
from routekit.settings.public_page import PublicSettings

EXTRA = ("by", "reason", "owner", "cost", "cost_low", "note", "position_sd_m", "touched_by")
TABLES = [field.name for field in dataclasses.fields(Result) if "Frame" in str(field.type)]


def _contract_columns() -> dict[str, set[str]]:
    """Read the columns of each table out of the schema of a result."""
    return {name: set(table.fields) for name, table in load_tables().items()}


def _seed(name: str, table: pd.DataFrame | None) -> tuple[pd.DataFrame, list[str]]:
    """Put a marker into every column of a table that is not listed."""
    table = pd.DataFrame() if table is None else table
    listed = {*load_allow_list().get(name, ()), "geometry"}
    if name == "runs":
        listed.add("street")
    private = (_contract_columns().get(name, set()) | set(table.columns) | set(EXTRA)) - listed
    seeded = table.copy() if len(table) else gpd.GeoDataFrame(index=[0, 1])
    markers = []
    for column in sorted(private):
        marker = f"leak-{name}-{column}-"
        seeded[column] = [f"{marker}{row}" for row in range(len(seeded))]
        markers.append(marker)
    return seeded, markers


def _whole(page: str) -> str:
    packed = re.search(r'id="payload">([^<]+)<', page)
    return page + json.dumps(decode(packed.group(1)), ensure_ascii=False)


def test_contracts_are_read():
    columns = _contract_columns()
    assert {"run_id", "diameter_mm", "position_sd_m"} <= columns["runs"]
    assert {"utilisation", "pull_mid_kn"} <= columns["strings"]
    assert set(load_allow_list()) <= set(TABLES)


def test_no_unlisted_column_of_any_table_reaches_the_page():
    result = make_result()
    seeded = {name: _seed(name, getattr(result, name)) for name in TABLES}
    spoilt = dataclasses.replace(result, **{name: table for name, (table, _) in seeded.items()})
    settings = PublicSettings(contact="drains@council.example")
    markers = [marker for _, found in seeded.values() for marker in found]
    assert len(markers) > 200
    assert "leak-" not in _whole(build_public_page(set_outputs(spoilt, public=settings)))
    divided = build_public_pages(
        set_outputs(spoilt, public=settings.model_copy(update={"max_page_mb": 0.001}))
    )
    assert len(divided) == 5
    for page in divided.values():
        assert "leak-" not in _whole(page)


@pytest.mark.parametrize(("table", "column"), [("trees", "species"), ("runs", "public_place")])
def test_listed_columns_do_reach_the_page(table, column):
    result = make_result()
    changed = getattr(result, table).assign(**{column: f"leak-{table}"})
    page = build_public_page(dataclasses.replace(result, **{table: changed}))
    assert f"leak-{table}" in _whole(page)


def test_places_out_of_reach_are_left_out():
    whole = _whole(build_public_page(make_result()))
    assert '"T7"' in whole
    assert '"T8"' not in whole


def test_places_out_of_reach_are_left_out_of_parts_and_index_too():
    pages = build_public_pages(set_outputs(make_result(), public=PublicSettings(max_page_mb=0.001)))
    assert not any('"T8"' in _whole(page) for page in pages.values())
    index = pages["public.html"]
    packed = decode(re.search(r'id="payload">([^<]+)<', index).group(1))
    # The index holds names of streets and the words of the languages, and nothing else.
    assert set(packed) == {"first", "languages", "titles", "intros", "streets"}
    assert not any(packed["streets"].values())
    html = re.sub(r"<script.*?</script>", "", index, flags=re.DOTALL)
    # Hashes of the policy may hold any two letters.
    html = re.sub(r"<meta http-equiv[^>]*>", "", html)
    assert not any(name in html for name in ("T5", "R1", "P1", "Quercus"))
