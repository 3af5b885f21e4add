"""A whole study file, proposed from layers that nobody has described yet.

What is sure stands as a line; what is in doubt stands as a commented choice, with the reason.
The file can be run as it is: what it lacks is then asked for in one list.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pandas as pd

from routekit.layers.columns import RASTER_LAYERS, find_lacking, load_columns
from routekit.layers.parsing import read_numbers, read_text
from routekit.layers.propose import propose_unit
from routekit.layers.relations import FALLBACK, split_source
from routekit.layers.settings import LayerSource
from routekit.layers.value_words import understand_words
from routekit.vocabulary import write_count

if TYPE_CHECKING:
    from routekit.layers.columns import Column
    from routekit.layers.coordinates import Placed
    from routekit.layers.filters import Filter

MOST_CODES: Final = 60
"""Distinct codes of a column that are listed (house choice)."""

FEW_CHOICES: Final = 2
"""Choices that stand one to a line for a code that is not known (house choice)."""

ZERO_MEANS_NONE: Final = (
    "invert_up_m",
    "invert_down_m",
    "cover_level_m",
    "invert_level_m",
    "year",
    "diameter_mm",
    "stem_diameter_mm",
    "stem_circumference_mm",
    "crown_diameter_m",
    "height_m",
    "chamber_length_mm",
    "chamber_width_mm",
)
"""Columns in which a 0 among other numbers means «not known» (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class LayerDraft:
    """One layer to be named in a study file, and what is proposed for it."""

    layer: str
    source: str
    frame: pd.DataFrame
    table: pd.DataFrame
    """As `propose_mapping` gives it."""
    crs: Placed | None = None
    """For a layer that names no reference system of its own."""
    place: tuple[str, str] | None = None
    """Columns of coordinates, of a layer without geometry."""
    where: Filter | None = None
    """Condition that rows must meet."""


def write_study(drafts: list[LayerDraft], *, name: str) -> str:
    """Write a study file for layers.

    Parameters
    ----------
    drafts : list of LayerDraft
        At most one per canonical layer.
    name : str
        Name of the study.

    Returns
    -------
    str
        TOML; every commented line is a choice to make.
    """
    lines = [
        "# Proposed by routekit from the layers. A line with # before it is a choice to make.",
        "",
        "[study]",
        f"name = {_quote(name)}",
        "",
        "[layers]",
    ]
    for draft in drafts:
        lines += _write_place(draft)
    held = {draft.layer for draft in drafts}
    lines += [f'# {each} = "..."  # required' for each in ("sewers", "trees") if each not in held]
    systems = [
        f"{'' if crs.is_sure else '# '}{draft.layer} = {_quote(crs.crs)}"
        f"  # {'' if crs.is_sure else '? '}{crs.why}"
        for draft in drafts
        if (crs := draft.crs)
    ]
    lines += ["", "[crs]", *systems] if systems else []
    for draft in drafts:
        if draft.layer not in RASTER_LAYERS:
            lines += _write_layer(draft)
    return "\n".join(lines) + "\n"


def _write_place(draft: LayerDraft) -> list[str]:
    """Write where a layer is, and a condition in doubt as a choice."""
    where = draft.where
    if where is None or where.is_sure:
        why = f"  # {where.why}" if where else ""
        return [f"{draft.layer} = {_write_source(draft, where)}{why}"]
    note = f"# instead of the line above, if it is true that it {where.why}:"
    return [
        f"{draft.layer} = {_write_source(draft, None)}",
        note,
        f"# {draft.layer} = {_write_source(draft, where)}",
    ]


def _write_source(draft: LayerDraft, where: Filter | None) -> str:
    """Write a layer's source as a text, or as a table where it takes more."""
    if draft.place is None and where is None:
        return _quote(draft.source)
    source = LayerSource.model_validate(draft.source)
    parts = {"path": source.path, "layer": source.layer}
    if draft.place:
        parts |= dict(zip(("x", "y"), draft.place, strict=True))
    if where:
        parts["where"] = where.where
    return f"{{ {', '.join(f'{name} = {_quote(part)}' for name, part in parts.items() if part)} }}"


def _write_layer(draft: LayerDraft) -> list[str]:
    """Write the sections of one layer: fields, units, missing, values."""
    lines = ["", f"[fields.{draft.layer}]"]
    if draft.frame.empty:
        return [*lines, "# the layer has no rows, by which its columns are told"]
    is_sure = draft.table["is_sure"].to_numpy(dtype=bool)
    for canonical, source in draft.table.loc[is_sure, ["canonical", "source"]].to_numpy():
        lines.append(f"{canonical} = {_write_field(source)}")
    lines += [
        f"# {row['canonical']} = {_write_field(row['source'])}  # ? {row['why']}"
        for row in draft.table[~is_sure].to_dict("records")
    ]
    lacking = find_lacking(draft.layer, set(draft.table["canonical"]))
    texts = {name: load_columns(draft.layer)[name].text for name in lacking}
    lines += [f'# {name} = "..."  # required: {text}' for name, text in texts.items()]
    used = {part for source in draft.table["source"] for part in split_source(source)}
    used |= {"geometry", *(draft.place or ())}
    left = [str(name) for name in draft.frame.columns if str(name) not in used]
    if left:
        lines.append(f"# not used: {', '.join(left)}")
    units, missing, values = _write_readings(draft)
    lines += ["", f"[units.{draft.layer}]", *units] if units else []
    lines += ["", f"[missing.{draft.layer}]", *missing] if missing else []
    for canonical, codes in values.items():
        lines += ["", f"[values.{draft.layer}.{canonical}]", *codes.values()]
    return lines


def _write_readings(
    draft: LayerDraft,
) -> tuple[list[str], list[str], dict[str, dict[str, str]]]:
    """Write how columns are read: units, missing values, and the codes of each choice.

    Each code of a choice stands once, whichever of its rival columns is taken.
    """
    units, missing = [], []
    values: dict[str, dict[str, str]] = {}
    is_feet = _is_in_feet(draft.frame)
    for canonical, source, is_sure in draft.table[["canonical", "source", "is_sure"]].to_numpy():
        mark = "" if is_sure else "# "
        column = load_columns(draft.layer)[canonical]
        held = [part for part in split_source(source) if part in draft.frame]
        if not held:
            continue
        units += _write_unit(column, held[0], draft.frame[held[0]], mark, is_feet=is_feet)
        n_zeros = sum(_has_zeros(draft.frame[part]) for part in held)
        if canonical in ZERO_MEANS_NONE and n_zeros:
            cells = "row holds" if n_zeros == 1 else "rows hold"
            missing.append(f"{mark}{canonical} = [0]  # {n_zeros:,} {cells} 0")
        for code, line in _write_codes(column, draft.frame[held[0]], mark).items():
            values.setdefault(canonical, {}).setdefault(code, line)
    return list(dict.fromkeys(units)), missing, values


def _write_field(source: str) -> str:
    """Write the source of a column: a text, or a list of which the first known counts."""
    parts = source.split(FALLBACK)
    if len(parts) == 1:
        return _quote(source)
    return f"[{', '.join(_quote(part) for part in parts)}]"


def _is_in_feet(frame: pd.DataFrame) -> bool:
    """Tell whether a layer lies in a system of feet."""
    crs = getattr(frame, "crs", None)
    return bool(crs and crs.is_projected and "foot" in crs.axis_info[0].unit_name.casefold())


def _write_unit(
    column: Column, source: str, cells: pd.Series, mark: str, *, is_feet: bool
) -> list[str]:
    """Write the unit of a column: a line if it is sure, choices if not."""
    judged = propose_unit(column.layer, column.name, source, cells)
    if judged is None:
        return []
    if judged.is_sure:
        return [f"{mark}{column.name} = {_quote(str(judged.unit))}  # {judged.why}"]
    if column.kind == "level":
        if not is_feet:
            return []
        why = "the layer lies in a system of feet, and nothing says the unit of its heights"
        return [f"# {column.name} = {_quote(unit)}  # ? {why}" for unit in ("ft", "m")]
    units = judged.candidates or ("mm", "cm", "m", "in", "ft")
    why = f"  # ? {judged.why}" + (f'; likely "{judged.unit}"' if judged.unit else "")
    return [f"# {column.name} = {_quote(unit)}{why}" for unit in units]


def _has_zeros(cells: pd.Series) -> int:
    """Count the zeros of a column that holds other numbers too."""
    numbers = read_numbers(cells).values
    n_zeros = int((numbers == 0).sum())
    return n_zeros if n_zeros < len(numbers) else 0


def _write_codes(column: Column, cells: pd.Series, mark: str) -> dict[str, str]:
    """Write each distinct code of a choice with its count and what it means, if that is known.

    Any one line may be freed of its mark, and the file stays one that can be read.
    """
    if not column.choices or column.kind != "choice":
        return {}
    counts = read_text(cells).value_counts()
    spoken = {choice.replace("_", " ") for choice in column.choices} | set(column.choices)
    codes = [str(code) for code in counts.index if str(code).casefold() not in spoken]
    known = understand_words(column.layer, column.name, codes)
    maybe = understand_words(column.layer, column.name, codes, is_sure=False)
    lines = {}
    for code in codes[:MOST_CODES]:
        rows = write_count(counts[code], "row")
        if code in known:
            lines[code] = f"{mark}{_quote(code)} = {_quote(known[code])}  # {rows}"
        elif code in maybe:
            lines[code] = f"# {_quote(code)} = {_quote(maybe[code])}  # ? {rows}"
        elif len(column.choices) <= FEW_CHOICES:
            each = [f"# {_quote(code)} = {_quote(choice)}  # ? {rows}" for choice in column.choices]
            lines[code] = "\n".join(each)
        else:
            among = ", ".join(column.choices)
            lines[code] = f'# {_quote(code)} = "..."  # ? {rows}; one of {among}'
    if len(codes) > MOST_CODES:
        lines[""] = f"# and {len(codes) - MOST_CODES} more codes"
    return lines


def _quote(text: str) -> str:
    """Write a text in TOML; JSON's strings are TOML's."""
    return json.dumps(text, ensure_ascii=False)
