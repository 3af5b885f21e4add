"""The content of one page: everything that is packed into it, ready to encode."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final
from urllib.parse import urlsplit

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.advice.rates import LEVELS
from routekit.advice.totals import count_asked
from routekit.errors import CrsError, LayerError
from routekit.layers.columns import load_columns
from routekit.outputs.check_words import list_rests, word_checks
from routekit.outputs.map import tables
from routekit.outputs.map.open_points import link_alerts, link_open_checks
from routekit.outputs.map.packing import pack_table
from routekit.outputs.map.palette import load_palette
from routekit.outputs.map.photo import Photo, read_photo
from routekit.outputs.map.projection import cells_per_metre, pack_geometry
from routekit.outputs.map.street_lines import join_streets
from routekit.outputs.map.words import WORDS_END, state_text
from routekit.outputs.touched_trees import list_zone_areas
from routekit.result import Result
from routekit.settings.outputs import MapSettings
from routekit.settings.sources import load_sources
from routekit.techniques import RECORDS, TECHNIQUES
from routekit.vocabulary import SEVERITIES, VERDICTS
from routekit.words.texts import both
from routekit.words.units import write_unit

CHUNK_RUNS: Final = 2000
"""Runs whose checks are packed together: one click unpacks one such chunk."""
_KINDS: Final = {
    "checks": ("technique", "check", "unit", "source"),
    "options": ("technique",),
    "new_line_checks": ("check", "unit", "source"),
}
"""Columns that tell the rows of a run apart: each has its own column of the packed table."""

_PLAIN_LAYERS: Final = {
    "manholes": (
        "manhole_id",
        "cover_level_m",
        "invert_level_m",
        "depth_m",
        "chamber_length_mm",
        "chamber_width_mm",
        "material",
    ),
    "strings": (
        "string_id",
        "run_ids",
        "from_manhole",
        "to_manhole",
        "pulled",
        "length_m",
        "launch_pit",
        "reception_pit",
        "new_outside_mm",
        "sdr",
        "pull_low_kn",
        "pull_mid_kn",
        "pull_high_kn",
        "machine_low_kn",
        "machine_mid_kn",
        "machine_high_kn",
        "allowable_kn",
        "machine_limit_kn",
        "utilisation",
        "utilisation_high",
        "weld_count",
        "overlap_m",
        "difficulty",
        "is_too_short",
        "over_limit",
        "is_over_limit",
        "over_reason",
        "start_reason",
        "end_reason",
        "to_confirm",
        "laydown_available_m",
        "laydown_fits",
        "laydown_stages",
        "laydown_has_room",
        "laydown_text",
    ),
    "pits": (
        "pit_id",
        "manhole_id",
        "run_id",
        "role",
        "length_m",
        "width_m",
        "depth_m",
        "volume_m3",
        "zone_overlap_m2",
        "structural_m2",
        "worst_tree",
        "worst_share",
        "is_structural",
        "position_sd_m",
        "is_unsure",
        "may_be_structural",
        "is_within_least",
        "is_near_stem",
        "services",
        "obstacles",
        "carriageway_m2",
        "parking_m2",
        "footway_m2",
        "is_clear",
        "is_free",
        "method",
        "why",
        "would_free",
    ),
    "digs": (
        "dig_id",
        "connection_id",
        "run_id",
        "kind",
        "method",
        "opens_ground",
        "footprint_m2",
        "zone_overlap_m2",
        "structural_m2",
        "worst_tree",
        "worst_share",
        "position_sd_m",
        "is_unsure",
        "may_be_structural",
        "position_doubt",
        "is_within_least",
        "is_near_stem",
    ),
    "connections": ("connection_id", "run_id", "kind", "diameter_mm", "chainage_m"),
    "services": ("service_id", "kind", "depth_m", "diameter_mm"),
    "obstacles": ("kind",),
    "surfaces": ("kind",),
    "study_area": (),
    "laydown": ("string_id", "wanted_m", "available_m", "fits", "text"),
    "new_lines": (
        "run_id",
        "standing",
        "is_recommended",
        "has_new_end",
        "verdict",
        "n_unknown",
        "new_bore_mm",
        "capacity_l_s",
        "root_m2",
        "co2e_kg",
        *(f"{name}_{level}" for name in ("cost", "whole_life_cost", "days") for level in LEVELS),
    ),
    "new_line_connections": ("run_id", "connection_id"),
}

ALERT_IDS: Final = {
    "runs": "run_id",
    "strings": "string_id",
    "pits": "pit_id",
    "digs": "dig_id",
    "trees": "tree_id",
}
"""Table that an alert is about, to the column of its ids."""

_SHEETS: Final = (
    "totals",
    "ways",
    "programme",
    "stages",
    "findings",
    "rules",
    "provenance",
    "decisions",
)
_DECIMALS: Final = ((100, 0), (1, 1), (0, 3))
"""Decimals with which the page shows figures of a size and above, the largest first."""
_FIGURES: Final = (
    "co2e_kg",
    *(
        f"{name}{end}"
        for name in ("cost", "whole_life_cost", "days")
        for end in ("", "_low", "_high")
    ),
)
_BREACH_FACTS: Final = (
    "run",
    "tree",
    "footprint_share",
    "severed_share",
    "stem_edge_m",
    "from_m",
    "to_m",
    "is_within_least",
    "severity",
    "position_sd_m",
    "is_unsure",
)
_BALANCE_FACTS: Final = (
    "tree",
    "footprint_m2",
    "footprint_share",
    "is_within_least",
    "open_cut_footprint_m2",
    "open_cut_footprint_share",
    "open_cut_severed_share",
    "open_cut_severity",
    "is_open_cut_serious",
    "takes_more",
    "loss_m2",
    "loss_share",
    "severity",
    "is_touched",
    "is_careful_structural",
    "is_provisional",
    "touched_by",
    "working_method",
)
_NEAR_TREES: Final = {
    "tree": (
        "trees.area_m2",
        "trees.stem_edge_m",
        "trees.footprint_m2",
        "trees.footprint_share",
        "trees.severed_share",
    )
}
"""Columns of trees that tell much of those of their breaches and balance, by row of the tree."""
_OPTION_FACTS: Final = (
    "run",
    "technique",
    "verdict",
    "n_unknown",
    "new_bore_mm",
    "new_height_mm",
    "capacity_l_s",
    "root_m2",
    "share_best",
    *_FIGURES,
)
"""What cards show of options; `_FIGURES` with as many digits as they have there."""
_CHECK_FACTS: Final = (
    "run",
    "technique",
    "check",
    "verdict",
    "value",
    "value_text",
    "limit",
    "limit_text",
    "unit",
    "source",
    "assumed",
    "next_step",
)
"""What cards show of checks."""


def plan_box(result: Result) -> NDArray[np.float64]:
    """Give the extent of what a page is about: its runs, or failing these its trees.

    Parameters
    ----------
    result : Result
        The tables of a study.

    Returns
    -------
    numpy.ndarray of float, shape (4,)
        West, south, east, north in the working CRS; zeros where there is nothing at all.
    """
    for layer in (result.runs, result.trees, result.manholes):
        box = np.asarray(layer.total_bounds, dtype=float) if len(layer) else np.full(4, np.nan)
        if np.isfinite(box).all():
            return box
    return np.zeros(4)


def page_content(result: Result) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Gather what a page shows.

    Parameters
    ----------
    result : Result
        The tables of a study, or of one area of it; its settings say what to draw.

    Returns
    -------
    content : dict
        What the page unpacks at once.
    details : list of dict
        Checks, options and texts of `CHUNK_RUNS` runs each, unpacked when such a run is opened.
    """
    settings, box = result.settings.outputs.map, plan_box(result)
    runs = tables.order_by_place(gpd.GeoDataFrame(tables.run_table(result)), box)
    layers = _order_layers(result, box)
    trees = tables.order_by_place(gpd.GeoDataFrame(tables.tree_table(result)), box)
    content = {
        "meta": _meta(result, settings, box),
        "palette": load_palette(),
        "words": {"techniques": TECHNIQUES, "severities": SEVERITIES, "verdicts": VERDICTS},
        "techniques": {one.code: {"lies": one.lies} for one in RECORDS},
        "runs": _pack(
            runs,
            (
                *tables.RUN_FACTS,
                *tables.TRENCH_FACTS,
                *tables.CONDITION_FACTS,
                *tables.ADVICE_FACTS,
                "severity",
                "n_trees",
            ),
        )
        | _outline(runs, result.crs, settings),
        "trees": _pack_trees(trees, result, settings),
        "streets": _pack_streets(runs, result.crs, settings),
        **_pack_layers(layers, result.crs, settings),
        **_pack_links(result, runs, trees, layers),
        **_pack_open_points(result, {"runs": runs, "trees": trees, **layers}),
        **{name: _pack(pd.DataFrame(getattr(result, name))) for name in _SHEETS},
        "sources": pack_table(load_sources().reset_index()),
    }
    return content, _details(result, runs)


def study_photo(result: Result) -> tuple[Photo | None, str]:
    """Read the background photo of a page, and say how finely it is shown.

    Parameters
    ----------
    result : Result
        The tables of a study, or of one area of it; its settings say whether a photo is wanted,
        and how large it may be.

    Returns
    -------
    photo : Photo or None
        None where there is no photo, none is wanted, it shows nothing of the study, or cannot be
        read: a picture behind the plan holds up no result.
    words : str
        What a reader should know of it; blank where none is wanted.
    """
    settings, also_open = result.settings.outputs.map, result.settings.study.also_open
    if result.photo is None or not settings.has_photo or not len(result.runs):
        return None, ""
    reach = np.array([-1.0, -1.0, 1.0, 1.0]) * settings.nearby_m
    box = plan_box(result) + reach
    try:
        photo = read_photo(
            result.photo, result.crs, box, settings.photo_max_mb, also_open=also_open
        )
    except (LayerError, CrsError) as error:
        return None, f"No aerial photo: {error}"
    if photo is None:
        return None, f"No aerial photo: {result.photo.name} shows nothing of this place."
    words = f"Aerial photo: shown at {photo.cell_m:.2f} m per pixel"
    if photo.cell_m > 1.01 * photo.own_cell_m:
        words += f"; {result.photo.name} has {photo.own_cell_m:.2f} m (outputs.map.photo_max_mb)"
    return photo, f"{words}."


def _pack(table: pd.DataFrame, columns: Iterable[str] | None = None) -> dict[str, Any]:
    """Pack a table; a text goes as its statement where there is one, a unit as readers see it."""
    wanted = table.columns if columns is None else columns
    if "unit" in table:
        table = table.assign(unit=table["unit"].map(write_unit, na_action="ignore"))
    return pack_table(table, tables.leave_english(table, wanted))


def _outline(layer: gpd.GeoDataFrame, crs: str, settings: MapSettings) -> dict[str, Any]:
    """Pack the geometry column of a layer."""
    shapes = np.asarray(layer.geometry, dtype=object) if len(layer) else np.empty(0, object)
    return {"g": pack_geometry(shapes, crs, thin_m=settings.simplify_m)}


def _meta(result: Result, settings: MapSettings, box: NDArray[np.float64]) -> dict[str, Any]:
    """Give the particulars of the sheet."""
    stem = load_columns("decisions")["stem_diameter_mm"]
    return {
        "name": result.name,
        "crs": result.crs,
        "date": result.study_date,
        "cells_per_m": cells_per_metre((box[:2] + box[2:]) / 2, result.crs).tolist(),
        "cautions": [state_text(caution) for caution in result.cautions],
        "runs_asked": count_asked(result.totals),
        "root_band_m": settings.root_band_m,
        "stem_mm": [stem.low, stem.high],
        "decimals": _DECIMALS,
        "print_scale": settings.print_scale,
        "tiles_credit": settings.online_tiles_credit if settings.online_tiles_url else "",
        "tiles_host": urlsplit(settings.online_tiles_url.replace("{s}.", "")).netloc,
        "chunk_runs": CHUNK_RUNS,
    }


def _pack_trees(trees: gpd.GeoDataFrame, result: Result, settings: MapSettings) -> dict[str, Any]:
    """Pack the trees with the outlines of those crowns and zones that are not circles."""
    names = (*tables.TREE_FACTS, *tables.ZONE_FACTS, *tables.LOSS_FACTS)
    packed = _pack(trees, names) | _outline(trees, result.crs, settings)
    for name in ("crown", "zone"):
        shapes = trees[name].to_numpy(object, copy=True)
        shapes[~shapely.is_geometry(shapes)] = None
        thin_m = max(settings.simplify_m, 0.1)
        packed[name] = pack_geometry(shapes, result.crs, thin_m=thin_m)
    return packed


def _pack_streets(runs: gpd.GeoDataFrame, crs: str, settings: MapSettings) -> dict[str, Any]:
    """Pack the lines along which the names of streets stand."""
    streets = join_streets(runs)
    return _pack(streets, ("street",)) | _outline(streets, crs, settings)


def _order_layers(result: Result, box: NDArray[np.float64]) -> dict[str, gpd.GeoDataFrame]:
    """Order the layers that are shown as they are."""
    return {
        name: tables.order_by_place(gpd.GeoDataFrame(getattr(result, name)), box)
        for name in _PLAIN_LAYERS
    }


def _pack_layers(
    layers: dict[str, gpd.GeoDataFrame], crs: str, settings: MapSettings
) -> dict[str, Any]:
    """Pack the layers that are shown as they are."""
    return {
        name: _pack(layers[name], columns) | _outline(layers[name], crs, settings)
        for name, columns in _PLAIN_LAYERS.items()
    }


def _pack_open_points(result: Result, layers: dict[str, gpd.GeoDataFrame]) -> dict[str, Any]:
    """Pack the alerts, and the checks that the recommended techniques do not pass."""
    ids = {about: layers[about][name] for about, name in ALERT_IDS.items()}
    return {
        "alerts": pack_table(link_alerts(result, ids)),
        "open_checks": pack_table(link_open_checks(result, ids["runs"])),
    }


def _pack_links(
    result: Result, runs: pd.DataFrame, trees: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> dict[str, Any]:
    """Pack the tables that link runs, trees, pits and services by row position."""
    run_ids, tree_ids = runs["run_id"], trees["tree_id"]
    both = {"run": ("run_id", run_ids), "tree": ("tree_id", tree_ids)}
    services = tables.order_by_place(gpd.GeoDataFrame(result.services), plan_box(result))
    crossing = {"run": both["run"], "service": ("service_id", services["service_id"])}
    along = _order_by(result.breaches, "from_m")
    return {
        "breaches": pack_table(tables.linked(result.breaches.iloc[along], both), _BREACH_FACTS)
        | {"near": _NEAR_TREES},
        "dug": pack_table(list_zone_areas(result)),
        "root_links": pack_table(tables.linked(result.root_links, both)),
        "tree_balance": _pack(
            tables.linked(result.tree_balance, {"tree": both["tree"]}), _BALANCE_FACTS
        )
        | {"near": _NEAR_TREES},
        "crossings": pack_table(tables.linked(result.service_crossings, crossing)),
        "pit_stems": pack_table(tables.link_pit_stems(layers["pits"], tree_ids)),
    }


def _order_by(table: pd.DataFrame, name: str) -> NDArray[np.int64]:
    """Give row positions in ascending order of a column, as they stand where it is missing."""
    values = pd.to_numeric(table[name]).to_numpy(float)
    return np.argsort(values, kind="stable").astype(np.int64)


def _details(result: Result, runs: pd.DataFrame) -> list[dict[str, Any]]:
    """Pack checks, options, observations and texts in chunks of runs."""
    keys = {"run": ("run_id", runs["run_id"])}
    named = ("checks", "options", "inspections", "new_line_checks")
    long = {name: tables.linked(getattr(result, name), keys) for name in named}
    for name in ("checks", "new_line_checks"):
        checks = long[name].join(word_checks(long[name]))
        checks = checks.assign(**both("assumed", list_rests(checks["assumed"])))
        shown = [each for each in checks if str(each).removesuffix(WORDS_END) in _CHECK_FACTS]
        long[name] = checks[shown]
    options = long["options"][[fact for fact in _OPTION_FACTS if fact in long["options"]]]
    figures = [name for name in _FIGURES if name in options]
    rounded = {name: _round_as_shown(options[name].to_numpy(float)) for name in figures}
    long["options"] = options.assign(**rounded)
    texts = runs[[*tables.add_words(runs, tables.ADVICE_TEXTS), *tables.NEW_LINE_TEXTS.values()]]
    firsts = range(0, len(runs), CHUNK_RUNS)
    return [_pack_chunk(texts, long, first) for first in firsts]


def _pack_chunk(
    texts: pd.DataFrame, long: dict[str, pd.DataFrame], first: int
) -> dict[str, dict[str, Any]]:
    """Pack the details of the runs of one chunk; the numbers of texts come from those before."""
    mine = texts.iloc[first : first + CHUNK_RUNS]
    packed = {name: _pack(_between(table, first)) for name, table in long.items()}
    for name, kinds in _KINDS.items():
        packed[name]["by"] = ("run", len(mine), kinds)
    return {**packed, "texts": _pack(mine) | {"by": ("", len(mine), ())}}


def _round_as_shown(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round figures to the decimals that the page shows."""
    size = np.abs(values)
    step = np.select([size >= least for least, _ in _DECIMALS], [10.0**n for _, n in _DECIMALS], 1)
    rounded: NDArray[np.float64] = np.round(values * step) / step
    return rounded


def _between(table: pd.DataFrame, first: int) -> pd.DataFrame:
    """Take the rows of one chunk from a table sorted by run, counting runs from its start."""
    start, stop = np.searchsorted(table["run"], [first, first + CHUNK_RUNS])
    part = table.iloc[start:stop]
    return part.assign(run=part["run"] - first)
