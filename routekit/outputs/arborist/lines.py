"""What a sheet says of one tree, line by line: the page's template only sets it out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.advice.standing import RECOMMENDED, UNDECIDED
from routekit.outputs.arborist.words import (
    NOT_KNOWN,
    write_number,
    write_percent,
    write_quantity,
)
from routekit.site.encroachments import PIT
from routekit.site.work_names import METHOD_NAMES
from routekit.trees.certainty import spread_of
from routekit.vocabulary import SEVERITIES
from routekit.words.texts import Text, join, say, take_texts, word

_SIGNS: Final = dict(zip(SEVERITIES, "○◔◑●", strict=True))
_FROM_RASTER: Final = say(
    "the canopy raster: the point is the top of the crown, not the stem; survey it first. It may "
    "be a hedge or a mast, and trees below its crown are not seen."
)


class Mark(NamedTuple):
    """A short text and how it looks.

    Attributes
    ----------
    look : str
        Class of the page's style; blank for the ordinary look.
    text : str
        With its statement.
    sign : str
        Stands before the text; blank for none.
    """

    look: str
    text: str
    sign: str = ""


def take_records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Give the rows of a table, flags that are not known as NaN, texts with their statements.

    Parameters
    ----------
    table : pandas.DataFrame, n rows

    Returns
    -------
    list of dict
    """
    columns = {}
    for name in table.columns:
        column = table[name]
        if f"{name}_words" in table.columns:
            columns[str(name)] = list(take_texts(table, str(name)))
        elif column.dtype == "boolean":
            columns[str(name)] = [float("nan") if pd.isna(one) else bool(one) for one in column]
        else:
            columns[str(name)] = column.astype(object).tolist()
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def is_known(value: object) -> bool:
    """Tell whether a value is there."""
    return value is not None and not pd.isna(value)  # type: ignore[call-overload]


def holds(value: object) -> bool:
    """Tell whether a flag is set; what is not known is not."""
    return is_known(value) and bool(value)


def grade(value: object) -> Mark:
    """Write a severity with its sign."""
    if not is_known(value) or value == "":
        return Mark("s-unknown", NOT_KNOWN, "?")
    name = str(value)
    known = name in _SIGNS
    return Mark(f"s-{name}" if known else "s-unknown", word(name), _SIGNS.get(name, "?"))


def hold_least(within: object) -> Mark | None:
    """Say that the least distance is broken, or not known to be kept; nothing where it is kept."""
    if not is_known(within):
        return Mark("", say("not known whether nearer than the least distance"))
    return Mark("broken", say("nearer than the least distance")) if within else None


def list_flags(tree: Mapping[str, Any]) -> str:
    """Write in short what a tree is, for the tables of the front."""
    protected = tree["is_protected"]
    flags = [
        (holds(protected), say("protected")),
        (not is_known(protected), say("protection not known")),
        (holds(tree["is_veteran"]), say("veteran")),
        (holds(tree["is_stem_estimated"]), say("stem estimated")),
    ]
    return join([text for is_set, text in flags if is_set], ", ")


def list_badges(tree: Mapping[str, Any]) -> list[Mark]:
    """List what stands beside the name of a tree on its sheet."""
    texts = (
        (
            "is_protected",
            say("Protected: consent needed"),
            say("Not listed as protected"),
            say("Protected? not known"),
        ),
        ("is_veteran", say("Veteran tree"), "", say("Veteran tree? not known")),
    )
    badges = [_badge(tree[name], *words) for name, *words in texts]
    if is_known(tree["category"]) and tree["category"] != "":
        badges.append(Mark("", say("Category {category}", category=str(tree["category"]))))
    stem = (say("Stem estimated"), say("Stem measured"), say("Stem: not known if measured"))
    badges.append(_badge(tree["is_stem_estimated"], *stem))
    if holds(tree["is_provisional"]):
        badges.append(Mark("unknown", say("Works here are provisional: a run is not inspected")))
    return [badge for badge in badges if badge.text]


def _badge(flag: object, yes: str, no: str, lost: str) -> Mark:
    """Choose the badge of a flag."""
    if not is_known(flag):
        return Mark("unknown", lost)
    return Mark("strong", yes) if flag else Mark("", no)


def list_tree(tree: Mapping[str, Any], crs: str) -> list[tuple[str, str]]:
    """List what is known of a tree itself: name and text of each.

    Parameters
    ----------
    tree : mapping
        One row of `rank_trees`.
    crs : str
        Coordinate system of its place.

    Returns
    -------
    list of tuple of str
    """
    name, run = tree["street"], tree["nearest_run"]
    where = say("{street} (street of the nearest run, {run})", street=name, run=run)
    crown = write_quantity(tree["crown_diameter_m"], "m")
    return [
        (say("Street"), where if name else NOT_KNOWN),
        (say("Coordinates"), _write_place(tree, crs)),
        (say("Species"), tree["species_name"] or NOT_KNOWN),
        (say("Stem"), tree["stem_text"]),
        *([(say("Known from"), _FROM_RASTER)] if tree["is_from_raster"] else []),
        (say("Crown"), say("{size} wide", size=crown) if crown is not NOT_KNOWN else NOT_KNOWN),
        (say("Height"), write_quantity(tree["height_m"], "m")),
        *(
            (text, str(tree[field]) if is_known(tree[field]) and tree[field] else NOT_KNOWN)
            for text, field in ((say("Age class"), "age_class"), (say("Category"), "category"))
        ),
    ]


def _write_place(tree: Mapping[str, Any], crs: str) -> Text:
    """Write where the stem stands, and how sure that is."""
    place = {"x": tree["x_m"], "y": tree["y_m"], "crs": crs}
    if not is_known(tree["position_sd_m"]):
        return say("{x:.1f}, {y:.1f} ({crs}), accuracy not known", **place)
    doubt = float(spread_of(tree["position_sd_m"]))
    return say("{x:.1f}, {y:.1f} ({crs}), ± {doubt:.2f} m", **place, doubt=doubt)


def list_zone(tree: Mapping[str, Any]) -> list[tuple[str, str]]:
    """List the facts of the zone of a tree: name and text of each."""
    area = write_quantity(tree["area_m2"], "m²")
    if tree["is_drawn"]:
        zone = say("drawn outline, {area}", area=area)
    else:
        radius = write_quantity(tree["radius_m"], "m", 2)
        is_capped = holds(tree["is_capped"])
        zone = (
            say("radius {radius}, {area}, capped", radius=radius, area=area)
            if is_capped
            else say("radius {radius}, {area}", radius=radius, area=area)
        )
    facts: list[tuple[str, str]] = [
        (say("Zone"), zone),
        (say("Zone rule"), tree["basis"] if is_known(tree["basis"]) else NOT_KNOWN),
        (say("Structural zone"), _describe_inner(tree)),
    ]
    if tree["min_distance_m"] != 0:
        facts.append((say("Least distance for digging"), _describe_least(tree["min_distance_m"])))
    if tree["manhole_plant"]:
        rule = say(
            "It stands on paving, or on ground protection agreed with the arborist (BS 5837:2012, "
            "6.2)."
        )
        facts.append((say("Plant at manholes"), join([tree["manhole_plant"], rule], ". ")))
    return facts


def _describe_inner(tree: Mapping[str, Any]) -> str:
    """Write the radius of the structural zone, and what it rests on."""
    radius, basis = tree["structural_radius_m"], tree["structural_basis"]
    size = (
        say("radius {radius}", radius=write_quantity(radius, "m", 2))
        if is_known(radius)
        else NOT_KNOWN
    )
    return join([size, basis if is_known(basis) else ""], ": ")


def _describe_least(distance_m: object) -> Text:
    """Write the least distance of digging."""
    if not is_known(distance_m):
        return say(
            "not known, since the stem is not. Nearer needs an exception; it is a rule of its own, "
            "not a severity."
        )
    return say(
        "{distance} from the stem centre. Nearer needs an exception; it is a rule of its own, not "
        "a severity.",
        distance=write_quantity(distance_m, "m", 2),
    )


def describe_open_cut(tree: Mapping[str, Any]) -> dict[str, Any]:
    """Say what open cut would take of a zone: grade, details, and the least distance."""
    taken = say(
        "{trench} of trench, {severed} or {share} severed",
        trench=write_quantity(tree["footprint_m2"], "m²"),
        severed=write_quantity(tree["severed_m2"], "m²"),
        share=write_percent(tree["severed_share"]),
    )
    return {
        "grade": grade(tree["severity"]),
        "note": "",
        "taken": _keep_figures(
            taken,
            tree["severity"],
            [tree[name] for name in ("footprint_m2", "severed_m2", "severed_share")],
        )
        if is_open_cut_reached(tree)
        else "",
        "least": hold_least(tree["is_within_least"]),
        "share": _as_part(tree["severed_share"]),
        "short": write_percent(tree["severed_share"]),
    }


def _keep_figures(said: Text, severity: object, figures: Sequence[object]) -> str:
    """Say once that figures are not known; a grade that is not known says so for them."""
    if any(map(is_known, figures)):
        return said
    return say("an unknown area") if severity in SEVERITIES else ""


def is_untold(tree: Mapping[str, Any]) -> bool:
    """Tell whether it is not known what open cut, or what the recommended works, take of a zone."""
    works = holds(tree["is_touched"]) and not is_known(tree["recommended_loss_m2"])
    return works or not is_known(tree["footprint_m2"])


def is_open_cut_reached(tree: Mapping[str, Any]) -> bool:
    """Tell whether open cut of the runs to be worked on enters a zone, as far as it is known."""
    reached = tree["is_open_cut_reached"]
    return not is_known(reached) or bool(reached)


def describe_works(tree: Mapping[str, Any]) -> dict[str, Any] | None:
    """Say what the recommended works take of a zone, as `describe_open_cut`; None for nothing."""
    if not holds(tree["is_touched"]):
        return None
    taken = say(
        "{loss} or {share} dug or severed",
        loss=write_quantity(tree["recommended_loss_m2"], "m²"),
        share=write_percent(tree["recommended_loss_share"]),
    )
    return {
        "grade": grade(tree["recommended_severity"]),
        "note": tree["recommended_note"],
        "taken": _keep_figures(
            taken,
            tree["recommended_severity"],
            [tree["recommended_loss_m2"], tree["recommended_loss_share"]],
        ),
        "least": hold_least(tree["recommended_is_within_least"]),
        "share": _as_part(tree["recommended_loss_share"]),
        "short": write_percent(tree["recommended_loss_share"]),
        "warning": say(
            "The recommended works dig more here than a trench would: {area} more of the zone.",
            area=write_quantity(-tree["spared_m2"], "m²"),
        )
        if holds(tree["takes_more"])
        else "",
    }


def _as_part(share: Any) -> float | None:
    """Give a share as part of a bar; None where it is not known."""
    return min(float(share), 1.0) if is_known(share) else None


def describe_run(run: Mapping[str, Any]) -> dict[str, Any]:
    """Say what a sheet shows of one run: its cells, and the decision about it."""
    chosen = (
        say("{technique}, chosen by {by}", technique=run["technique_name"], by=run["chosen_by"])
        if run["chosen_by"]
        else run["technique_name"]
    )
    if run["standing"] not in ("", RECOMMENDED, UNDECIDED):
        chosen = say("{technique} ({standing})", technique=chosen, standing=word(run["standing"]))
    idle = "" if run["is_counted"] else say("(run not to be worked on: not counted above)")
    return {
        "run_id": run["run_id"],
        "technique": join([chosen, idle]),
        "chainage": join([write_number(run["from_m"]), word("–"), write_number(run["to_m"])]),
        "edge": _write_edge(run["stem_edge_m"], run["spread_m"]),
        "footprint": write_number(run["footprint_m2"], 2),
        "severed": write_percent(run["severed_share"]),
        "grade": Mark("s-unknown", say("marginal")) if run["is_grazed"] else grade(run["severity"]),
        "doubt": say("could change") if run["is_unsure"] else "",
        "least": hold_least(run["is_within_least"]),
        "decision": run["decision"],
    }


def _write_edge(edge_m: Any, spread_m: Any) -> str:
    """Write a distance from the stem, and the doubt about it."""
    return join([write_number(edge_m, 2), word("±"), write_number(spread_m, 2)])


def describe_dig(item: Mapping[str, Any]) -> dict[str, str]:
    """Say what a sheet shows of one pit or dig."""
    method = item["method"]
    return {
        "name": item["name"],
        "method": word(METHOD_NAMES.get(str(method), str(method)))
        if is_known(method) and method
        else "",
        "footprint": write_number(item["footprint_m2"], 2),
        "edge": _write_edge(item["stem_edge_m"], item["spread_m"]),
        "doubt": say("could change") if holds(item["is_unsure"]) else "",
        "inner": join(
            [
                _place_inner(item),
                say("outside the drawn outline") if item["is_outside"] else "",
            ],
            "; ",
        ),
    }


def _place_inner(item: Mapping[str, Any]) -> str:
    """Say where a pit or dig lies to the structural zone, and what it does to roots there."""
    if not item["has_circle"]:
        return NOT_KNOWN
    if not item["is_structural"]:
        doubt = item["position_doubt"]
        return say("outside as drawn, {doubt}", doubt=doubt) if doubt else say("outside")
    if item["is_careful"]:
        return say("inside: careful dig, roots kept")
    return say("inside: cuts roots")


def describe_grazed(tree: Mapping[str, Any]) -> dict[str, str]:
    """Say what the table of trees that are only marginally affected shows of one."""
    by = tree["touched_by"] if is_known(tree["touched_by"]) else ""
    is_touched = holds(tree["is_touched"])
    return {
        "tree_id": tree["tree_id"],
        "species": tree["species_name"] or NOT_KNOWN,
        "flags": list_flags(tree),
        "by": by if is_touched else say("open cut only"),
        "works": write_number(tree["recommended_loss_m2"] if is_touched else 0.0, 3),
        "trench": write_number(np.fmax(tree["footprint_m2"], tree["severed_m2"]), 2),
    }


def has_pit(excavations: Sequence[Mapping[str, Any]]) -> bool:
    """Tell whether any of the excavations is a pit."""
    return any(item["kind"] == PIT for item in excavations)
