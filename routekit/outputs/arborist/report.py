"""Lay out the arborist's report as one page file and as a PDF.

The page is self-contained: its policy allows the one inlined style and nothing else, so it can make
no request and run no script, whatever the attributes of a tree hold.
"""

from __future__ import annotations

import base64
import hashlib
import math
from contextlib import ExitStack
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import geopandas as gpd
import jinja2
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup
from numpy.typing import NDArray

from routekit.errors import OutputError
from routekit.outputs.arborist.advised import list_confirmations
from routekit.outputs.arborist.cases import (
    list_decisions,
    list_excavations,
    list_methods,
    list_runs,
    name_technique,
    numbers,
    rank_trees,
    reaches_beyond,
    untouched_ids,
    zone_shapes,
)
from routekit.outputs.arborist.grazed import is_grazed_run, list_grazed, mark_grazed
from routekit.outputs.arborist.plan import (
    SHEET,
    cut_to_plans,
    draw_path,
    place_label,
    plan_boxes,
    plan_reach,
    scale_bar,
    to_sheet,
)
from routekit.outputs.atomic import replacing_file
from routekit.outputs.pit_bans import find_broken_bans
from routekit.outputs.stem_words import describe_stems
from routekit.outputs.tree_cases import is_open
from routekit.result import Result
from routekit.settings import Settings, setting

_LONGEST_TEXT = 400


class ReportSettings(Settings):
    """Size of the arborist's report."""

    page_trees: int = setting(
        1_000,
        unit="trees",
        source="house",
        text="Sheets in the page file, worst first, about 15 kB each; trees that the recommended "
        "works touch always have one, the limit leaves out trees that only open cut would reach",
        ge=0,
    )
    pdf_trees: int = setting(
        30,
        unit="trees",
        source="house",
        text="Sheets in the PDF, worst first; trees that the recommended works touch always have "
        "one to sign, the limit leaves out trees that only open cut would reach; a sheet takes "
        "about a quarter of a second to print",
        ge=0,
    )
    most_page_sheets: int = setting(
        1_000,
        unit="trees",
        source="house",
        text="Most sheets in the page file in all, worst first: 15 MB still opens and prints",
        ge=1,
    )
    most_pdf_sheets: int = setting(
        200,
        unit="trees",
        source="house",
        text="Most sheets in the PDF in all, worst first: a larger district is printed by parts, "
        "from study areas; about a minute and 1 GB of memory",
        ge=1,
    )
    grazed_m2: float = setting(
        0.05,
        unit="m2",
        source="house",
        text="A tree of whose zone less than this is dug or cut off, outside its structural zone, "
        "is grazed: it stands in a short table and has no sheet to sign; a spade is wider",
        ge=0,
        le=10,
    )
    listed_trees: int = setting(
        2_000,
        unit="trees",
        source="house",
        text="Most ids in the list of trees that no works touch",
        ge=0,
    )


def write_tree_report(
    result: Result,
    html_path: str | Path,
    pdf_path: str | Path | None = None,
    *,
    settings: ReportSettings | None = None,
) -> None:
    """Write the arborist's report, in place of earlier files only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study.
    html_path : str or Path
        Page file to write.
    pdf_path : str or Path, optional
        PDF to write; none if not given.
    settings : ReportSettings, optional
        The defaults where not given.

    Raises
    ------
    OutputError
        If a file cannot be written or replaced; earlier files are kept.
    """
    chosen = settings or ReportSettings()
    trees = rank_trees(result)
    page = render_report(
        result, trees, max_trees=chosen.page_trees, most=chosen.most_page_sheets, settings=chosen
    )
    with ExitStack() as stack:
        fresh = stack.enter_context(replacing_file(html_path))
        fresh.write_text(page, encoding="utf-8", newline="\n")
        if pdf_path is not None:
            sheets = render_report(
                result, trees, max_trees=chosen.pdf_trees, most=chosen.most_pdf_sheets,
                settings=chosen,
            )  # fmt: skip
            _print_pdf(sheets, stack.enter_context(replacing_file(pdf_path)))


def render_report(
    result: Result,
    trees: gpd.GeoDataFrame,
    *,
    max_trees: int,
    settings: ReportSettings,
    most: int | None = None,
) -> str:
    """Write the report as one self-contained page.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`.
    max_trees : int
        Most sheets; trees that the recommended works touch have one beyond it as well.
    settings : ReportSettings
        The other limits.
    most : int, optional
        Most sheets in all, touched trees included; no such limit if not given.

    Returns
    -------
    str
        HTML. The same tables give the same text.
    """
    style = _read("report.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    spared = untouched_ids(result, trees["tree_id"].astype("str")) if len(trees) else []
    if not len(trees) and len(result.trees):
        spared = [str(name) for name in result.trees["tree_id"]]
    touched = numbers(trees, "is_touched") == 1
    bans = find_broken_bans(result)
    grazed = mark_grazed(trees, grazed_m2=settings.grazed_m2, kept=bans["tree_id"])
    sheets, signed = trees[~grazed], touched[~grazed]
    n_sheets = max(max_trees, int(signed.sum()))
    n_sheets = n_sheets if most is None else min(n_sheets, most)
    cases = build_cases(result, sheets.iloc[:n_sheets], settings)
    methods = [method["source"] for case in cases for method in case["methods"]]
    return _template().render(
        name=result.name,
        crs=result.crs,
        date=_find_date(result.provenance),
        cautions=result.cautions,
        style=style,
        policy=f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'",
        sheet=SHEET,
        cases=cases,
        method_sources=list(dict.fromkeys(methods)),
        n_listed=len(trees),
        n_touched=int(touched.sum()),
        n_unsigned=int(signed.iloc[n_sheets:].sum()),
        n_signed=int(signed.sum()),
        n_spared_sheets=int((~signed).sum()),
        n_banned=len(bans),
        n_unsure=_count_unsure(result, trees),
        grazed=list_grazed(trees[grazed]),
        grazed_m2=settings.grazed_m2,
        n_open_cut=int((~trees["severity"].astype("str").isin(["none", "nan"])).sum())
        if "severity" in trees
        else 0,
        rest=sheets.iloc[n_sheets:].to_dict("records") if n_sheets < len(sheets) else [],
        n_trees=len(result.trees),
        n_flagged={
            flag: int((numbers(trees, flag) == 1).sum())
            for flag in ("is_protected", "is_veteran", "is_estimated")
        },
        n_protection_unknown=int(numbers(trees, "is_protected").isna().sum()),
        spared=spared[: settings.listed_trees],
        n_spared=len(spared),
        n_most=settings.listed_trees,
    )


def _count_unsure(result: Result, trees: gpd.GeoDataFrame) -> int:
    """Count the trees whose grade the doubt about positions could change."""
    runs = list_runs(result, trees)
    return int(runs["place"][runs["is_unsure"]].nunique()) if len(runs) else 0


def build_cases(
    result: Result, trees: gpd.GeoDataFrame, settings: ReportSettings
) -> list[dict[str, Any]]:
    """Gather what the sheet of each tree shows.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, as many rows as sheets.
    settings : ReportSettings
        From what area on a tree is more than grazed.

    Returns
    -------
    list of dict
        One per tree: tree (its columns), runs, excavations, decisions, broken (pits against a ban,
        in words), methods, plan.
    """
    if not len(trees):
        return []
    runs = list_runs(result, trees)
    runs = runs.assign(
        technique_name=runs["technique"].map(name_technique),
        is_grazed=is_grazed_run(runs, settings.grazed_m2),
    )
    confirm = list_confirmations(result, runs)
    runs_at = _records_by_place(runs)
    excavations_at = _records_by_place(list_excavations(result, trees))
    trees = trees.join(describe_stems(trees, result.rules))
    trees = trees.assign(is_beyond=reaches_beyond(trees, settings.grazed_m2))
    bans = find_broken_bans(result).set_index("tree_id")["text"].to_dict()
    facts = _list_facts(trees)
    plans = _draw_plans(result, trees)
    decisions = list_decisions(result, trees)
    return [
        {
            "tree": tree,
            "runs": runs_at.get(place, []),
            "excavations": excavations_at.get(place, []),
            "decisions": decisions.get(place, []),
            "broken": bans.get(str(tree["tree_id"]), ""),
            "methods": [
                *list_methods(tree, runs_at.get(place, []), excavations_at.get(place, [])),
                *confirm.get(place, []),
            ],
            "plan": plan,
        }
        for place, (tree, plan) in enumerate(zip(facts, plans, strict=True))
    ]


def _list_facts(trees: gpd.GeoDataFrame) -> list[dict[Any, Any]]:
    """Give the columns of each tree; flags that are not known are NaN."""
    table = pd.DataFrame(trees.drop(columns=["geometry", "zone", "crown"], errors="ignore"))
    flags = table.columns[table.dtypes == "boolean"]
    plain = {name: table[name].astype(object).where(table[name].notna(), np.nan) for name in flags}
    return table.assign(**plain).to_dict("records")


def _records_by_place(table: pd.DataFrame) -> dict[int, list[dict[str, Any]]]:
    """Gather the rows of each tree, in order."""
    found: dict[int, list[dict[str, Any]]] = {}
    for row in table.to_dict("records"):
        found.setdefault(int(row["place"]), []).append({str(k): v for k, v in row.items()})
    return found


def _draw_plans(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Draw the plan of each tree: shapes of all layers that its square shows."""
    stems = np.array(trees.geometry, dtype=object)
    polygons = zone_shapes(trees)
    reach = plan_reach(trees, polygons)
    boxes = plan_boxes(stems, reach)
    centres = shapely.get_coordinates(stems)
    advised = _advised_runs(result, "open_cut")
    layers = {
        "buildings": (result.obstacles, "geometry", ""),
        "trenches": (result.trenches, "corridor", "run_id"),
        "runs": (result.runs, "geometry", "run_id"),
        "pits": (result.pits, "geometry", "pit_id"),
        "digs": (result.digs[is_open(result.digs)], "geometry", "dig_id"),
    }
    plans: list[dict[str, Any]] = [
        {
            "zone": draw_path(polygons[place], tuple(centres[place]), reach[place]),
            "crown": draw_path(_crown(trees, place), tuple(centres[place]), reach[place]),
            "per_m": SHEET / (2 * reach[place]),
            "bar": scale_bar(reach[place]),
            "others": _other_stems(result, boxes[place], centres[place], reach[place]),
            **{name: [] for name in layers},
        }
        for place in range(len(trees))
    ]
    for name, (table, column, label) in layers.items():
        cut = cut_to_plans(boxes, table, _layer_shapes(table, column), label)
        for place, shape, text in zip(cut["plan"], cut["shape"], cut["label"], strict=True):
            spot = tuple(centres[place])
            plans[place][name].append(
                {
                    "path": draw_path(shape, spot, reach[place]),
                    "label": place_label(shape, text, spot, reach[place]),
                    "is_advised": name != "trenches" or text in advised,
                }
            )
    return plans


def _other_stems(
    result: Result, box: Any, centre: NDArray[np.float64], reach_m: float
) -> list[list[float]]:
    """Give the stems of the neighbours on a plan, as points of the sheet."""
    found = result.trees.sindex.query(box, predicate="contains", sort=True)
    points = shapely.get_coordinates(np.array(result.trees.geometry, dtype=object)[found])
    others = points[np.hypot(*(points - centre).T) > 1e-6]
    return to_sheet(others, (centre[0], centre[1]), reach_m).round(1).tolist()  # type: ignore[no-any-return]


def _advised_runs(result: Result, technique: str) -> set[str]:
    """Give the ids of the runs for which a technique is recommended."""
    advice = result.advice
    if not {"run_id", "technique"} <= set(advice.columns):
        return set()
    return set(advice["run_id"].astype("str")[(advice["technique"] == technique).to_numpy()])


def _layer_shapes(table: pd.DataFrame, column: str) -> NDArray[np.object_]:
    """Give the shapes of a layer; None where a row has none."""
    name = column if column in table.columns else "geometry"
    if name not in table.columns:
        return np.full(len(table), None, dtype=object)
    shapes = np.array(table[name], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _crown(trees: gpd.GeoDataFrame, place: int) -> Any:
    """Give the drawn crown of a tree, or None."""
    crown = trees["crown"].iloc[place] if "crown" in trees.columns else None
    is_drawn = isinstance(crown, shapely.Polygon | shapely.MultiPolygon)
    return crown if is_drawn else None


def _find_date(provenance: pd.DataFrame) -> str:
    """Give the date that the study states; empty where it states none."""
    if not {"kind", "name", "value"} <= set(provenance.columns):
        return ""
    rows = provenance[(provenance["kind"] == "study") & (provenance["name"] == "date")]
    return str(rows["value"].iloc[0]) if len(rows) else ""


def _print_pdf(page: str, path: Path) -> None:
    """Print a page as PDF, with equal bytes for equal pages and no request."""
    from weasyprint import HTML  # noqa: PLC0415 - slow to load, and only this function needs it

    HTML(string=page, url_fetcher=_refuse).write_pdf(
        path, pdf_identifier=hashlib.sha256(page.encode()).digest()[:16]
    )


def _refuse(url: str, *_: Any, **__: Any) -> Any:
    """Refuse to fetch anything for a PDF."""
    message = f"the report asks for {url[:100]}; it must not fetch anything; report this"
    raise OutputError(message)


@cache
def _template() -> jinja2.Template:
    """Read the page template; every value is escaped."""
    space = jinja2.Environment(
        loader=jinja2.FunctionLoader(_read),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    space.filters |= {
        "number": write_number, "percent": write_percent, "words": write_words,
        "kept_apart": keep_apart,
    }  # fmt: skip
    return space.get_template("report.html.j2")


def _read(name: str) -> str:
    """Read a file of this folder."""
    return (files("routekit.outputs.arborist") / name).read_text(encoding="utf-8")


def write_number(value: Any, digits: int = 1) -> str:
    """Write a number with fixed digits, or say that it is not known."""
    if value is None or pd.isna(value) or not math.isfinite(float(value)):
        return "not known"
    return f"{float(value):,.{digits}f}"


def write_percent(value: Any, digits: int = 1) -> str:
    """Write a share as percent, or say that it is not known."""
    if value is None or pd.isna(value):
        return "not known"
    return f"{100 * float(value):.{digits}f} %"


def keep_apart(text: str) -> Markup:
    """Escape a text, and keep its writing direction to itself unless it is plain."""
    safe = Markup.escape(text)
    return safe if text.isascii() else Markup("<bdi>{}</bdi>").format(text)


def write_words(value: Any, most: int = _LONGEST_TEXT) -> str:
    """Write any value as text: yes, no, not known; long text is cut with a mark."""
    if value is None or pd.isna(value):
        return "not known"
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    text = str(value)
    if len(text) <= most:
        return text
    return f"{text[:most]}… [cut: longer text in result.gpkg]"
