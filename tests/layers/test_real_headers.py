"""Proposals on headers and sample values of real layers: right, asked, wrong, missed.

`column_headers.csv` holds what was read from public files: sewer mains of King County (Washington),
drainage lines of Cambridge (Massachusetts), street trees of Pasadena (California), tree register of
Graz (Austria). Of each column the name, up to four values, how many distinct ones and which share
of rows has one; the names of sponsors are left out. `wanted` is what a person who reads them would
map. Values between the samples are filled up by rule, numbers spread and texts lettered, so that
the counts are those of the file. A real district is scored against its own study file.
"""

import os
import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from routekit.layers.propose import propose_mapping
from routekit.layers.relations import split_source
from routekit.layers.unknown import propose_for_sources

HERE = Path(__file__).parent
HEADERS = pd.read_csv(HERE / "column_headers.csv", keep_default_na=False)
DATA = Path(os.environ.get("ROUTEKIT_OPEN_SEWERS", HERE.parents[2] / "shared/data/open_sewers"))
SAME_BORE = ("WIDTH", "PipeDiamet")
"""Two columns of the mains with the same 50 values: either is right, and only one is taken."""

ALSO_RIGHT = {
    ("sewers", "diameter_mm"): "width",
    ("sewers", "height_mm"): "height",
    ("sewers", "shape"): "shape",
    ("sewers", "street"): "STRAATNAAM",
}
"""Columns of the district that its study leaves out: the size apart, as the joint code says it."""


def fill(row: pd.Series, rng: np.random.Generator) -> pd.Series:
    """Make a column with the counts of the file from its samples."""
    samples = [part.strip() for part in str(row["values"]).split(";") if part.strip()]
    kind = {"int": int, "float": float}.get(str(row["kind"]), str)
    held: list[object] = [kind(each) for each in samples]
    n_more = int(row["distinct"]) - len(held)
    is_number = bool(samples) and all(re.fullmatch(r"-?[\d.]+", each) for each in samples)
    if not is_number:
        ends = [chr(97 + k // 26) + chr(97 + k % 26) for k in range(n_more)] if samples else []
        held += [f"{samples[k % len(samples)]} {end}" for k, end in enumerate(ends)]
    elif kind is str:
        held += [str(1970 + k) for k in range(n_more)]
    else:
        numbers = np.array([float(each) for each in samples])
        span = np.linspace(numbers.min(), numbers.max() + len(numbers), n_more + 2)[1:-1]
        held += [kind(each) for each in (np.unique(span.astype(kind)) if kind is int else span)]
    n_filled = round(float(row["filled"]) * int(row["rows"]))
    cells = np.full(int(row["rows"]), None, dtype=object)
    if held:
        cells[:n_filled] = [held[k % len(held)] for k in range(n_filled)]
    return pd.Series(rng.permutation(cells))


def make_frame(rows: pd.DataFrame) -> pd.DataFrame:
    """Make the layer of a place."""
    rng = np.random.default_rng(5)
    table = {row["header"]: fill(row, rng) for _, row in rows.iterrows()}
    if "PipeDiamet" in table:  # The same sizes as in WIDTH, «No Data» for 0, up to 144 inches.
        sizes = rng.choice(np.arange(0, 100, 2), len(table["WIDTH"]))
        table["WIDTH"] = pd.Series(sizes)
        table["PipeDiamet"] = table["WIDTH"].astype("str").mask(sizes == 0, "No Data")
    return pd.DataFrame(table).infer_objects()


def score_place(place: str) -> dict[str, set[tuple[str, str]]]:
    """Pairs of canonical column and header that are right, asked, wrong and missed."""
    rows = HEADERS[HEADERS["place"].eq(place)]
    table = propose_mapping(make_frame(rows), rows["layer"].iloc[0])
    table = table.assign(part=table["source"].map(split_source)).explode("part")
    pairs = set(zip(table["canonical"], table["part"], strict=True))
    held = table[table["is_sure"].astype(bool)]
    sure = set(zip(held["canonical"], held["part"], strict=True))
    wanted = set(rows.loc[rows["wanted"] != "", ["wanted", "header"]].itertuples(index=False))
    wanted = {(name, header) for name, header in wanted}
    if place == "mains":
        twins = {("diameter_mm", name) for name in SAME_BORE}
        wanted = wanted - twins | ((sure or pairs or twins) & twins)
    return {
        "right": sure & wanted,
        "asked": (pairs & wanted) - sure,
        "wrong": sure - wanted,
        "missed": wanted - pairs,
    }


def test_columns_of_real_layers_are_understood_and_none_is_silently_wrong():
    scores = {place: score_place(place) for place in HEADERS["place"].unique()}
    print(scores)
    wrong = {place: each["wrong"] for place, each in scores.items() if each["wrong"]}
    assert wrong == {}
    missed = {place: each["missed"] for place, each in scores.items() if each["missed"]}
    assert missed == {}
    asked = set().union(*(each["asked"] for each in scores.values()))
    assert asked == {("tree_id", "OBJECTID")}, "only a row number is left to ask about"
    assert sum(len(each["right"]) for each in scores.values()) >= 7


@pytest.mark.skipif(
    not (DATA / "sewers.gpkg").exists(),
    reason="the open sewer data is not at hand (ROUTEKIT_OPEN_SEWERS)",
)
def test_columns_of_a_real_district_are_those_that_its_study_maps():
    fields = tomllib.loads((HERE / "open_sewers.toml").read_text(encoding="utf-8"))["fields"]
    sources = ("sewers.gpkg:sewer_lines", "sewers.gpkg:manholes", "trees.gpkg:bomen")
    right, asked, wrong, missed = set(), set(), set(), set()
    for found in propose_for_sources([f"{DATA}/{source}" for source in sources]):
        mapped = {k: [v] if isinstance(v, str) else v for k, v in fields[found.layer].items()}
        for name, source, is_sure in found.table[["canonical", "source", "is_sure"]].to_numpy():
            fitting = {*mapped.get(name, ()), ALSO_RIGHT.get((found.layer, name))}
            is_right = set(split_source(source)) <= fitting
            key = (found.layer, name)
            (right if is_right and is_sure else wrong if is_sure else asked).add((key, source))
        names = set(found.table["canonical"])
        missed |= {(found.layer, name) for name in mapped if name not in names}
    print(f"{len(right)} right, {sorted(asked)} asked, {sorted(wrong)} wrong, {sorted(missed)}")
    assert not missed
    assert sorted(wrong) == []
    doubted = {key for key, _ in asked}
    assert len(right) + len(doubted) == sum(map(len, fields.values())) + len(ALSO_RIGHT)
    assert doubted == {("sewers", name) for name in ("material", "run_id", "shape_size", "use")}
