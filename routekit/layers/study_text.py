"""A whole study file, proposed from layers that nobody has described yet.

What is sure stands as a line; what is in doubt stands as a commented choice, with the reason.
The file can be run as it is: what it lacks is then asked for in one list.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import pandas as pd

from routekit.layers.columns import RASTER_LAYERS, load_columns
from routekit.layers.parsing import read_numbers, read_text
from routekit.layers.propose import propose_unit
from routekit.layers.value_words import understand_words

if TYPE_CHECKING:
    from routekit.layers.columns import Column

MOST_CODES: Final = 60
"""Distinct codes of a column that are listed (house choice)."""

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
    crs: str | None
    """Line for `crs`, if the layer names no reference system of its own."""
    place: tuple[str, str] | None = None
    """Columns of coordinates, of a layer without geometry."""


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
    lines += [f"{draft.layer} = {_write_source(draft)}" for draft in drafts]
    held = {draft.layer for draft in drafts}
    lines += [f'# {each} = "..."  # required' for each in ("sewers", "trees") if each not in held]
    systems = [f"{draft.layer} = {_quote(draft.crs)}" for draft in drafts if draft.crs]
    for title, body in (("crs", systems),):
        lines += ["", f"[{title}]", *body] if body else []
    for draft in drafts:
        if draft.layer not in RASTER_LAYERS:
            lines += _write_layer(draft)
    return "\n".join(lines) + "\n"


def _write_source(draft: LayerDraft) -> str:
    """Write where a layer is."""
    if draft.place is None:
        return _quote(draft.source)
    x, y = draft.place
    return f"{{ path = {_quote(draft.source)}, x = {_quote(x)}, y = {_quote(y)} }}"


def _write_layer(draft: LayerDraft) -> list[str]:
    """Write the sections of one layer: fields, units, missing, values."""
    sure = draft.table[draft.table["is_sure"].to_numpy(dtype=bool)]
    lines = ["", f"[fields.{draft.layer}]"]
    for canonical, source in zip(sure["canonical"], sure["source"], strict=True):
        lines.append(f"{canonical} = {_quote(source)}")
    doubtful = draft.table[~draft.table["is_sure"].to_numpy(dtype=bool)]
    lines += [
        f"# {row['canonical']} = {_quote(row['source'])}  # ? {row['why']}"
        for row in doubtful.to_dict("records")
    ]
    used = {part for source in draft.table["source"] for part in str(source).split(" + ")}
    left = [str(n) for n in draft.frame.columns if n != "geometry" and str(n) not in used]
    if left:
        lines.append(f"# not used: {', '.join(left)}")
    pairs = list(
        zip(draft.table["canonical"], draft.table["source"], draft.table["is_sure"], strict=True)
    )
    units, missing, values = [], [], []
    for canonical, source, is_sure in pairs:
        if source not in draft.frame:
            continue
        mark = "" if is_sure else "# "
        column, cells = load_columns(draft.layer)[canonical], draft.frame[source]
        units += _write_unit(column, source, cells, mark)
        if canonical in ZERO_MEANS_NONE and _has_zeros(cells):
            missing.append(f"{mark}{canonical} = [0]  # {_has_zeros(cells):,} rows hold 0")
        codes = _write_codes(column, cells, mark)
        if codes:
            values += ["", f"{mark}[values.{draft.layer}.{canonical}]", *codes]
    lines += ["", f"[units.{draft.layer}]", *units] if units else []
    lines += ["", f"[missing.{draft.layer}]", *missing] if missing else []
    return [*lines, *values]


def _write_unit(column: Column, source: str, cells: pd.Series, mark: str) -> list[str]:
    """Write the unit of a column: a line if it is sure, choices if not."""
    judged = propose_unit(column.layer, column.name, source, cells)
    if judged is None:
        return []
    if judged.is_sure:
        return [f"{mark}{column.name} = {_quote(str(judged.unit))}  # {judged.why}"]
    if column.kind == "level":
        return []
    units = judged.candidates or ("mm", "cm", "m", "in", "ft")
    why = f"  # ? {judged.why}" + (f'; likely "{judged.unit}"' if judged.unit else "")
    return [f"# {column.name} = {_quote(unit)}{why}" for unit in units]


def _has_zeros(cells: pd.Series) -> int:
    """Count the zeros of a column that holds other numbers too."""
    numbers = read_numbers(cells).values
    n_zeros = int((numbers == 0).sum())
    return n_zeros if n_zeros < len(numbers) else 0


def _write_codes(column: Column, cells: pd.Series, mark: str) -> list[str]:
    """Write each distinct code of a choice with its count and what it means, if that is known."""
    if not column.choices or column.kind != "choice":
        return []
    counts = read_text(cells).value_counts()
    spoken = {choice.replace("_", " ") for choice in column.choices} | set(column.choices)
    codes = [str(code) for code in counts.index if str(code).casefold() not in spoken]
    known = understand_words(column.layer, column.name, codes)
    maybe = understand_words(column.layer, column.name, codes, is_sure=False)
    lines = []
    for code in codes[:MOST_CODES]:
        rows = f"{counts[code]:,} {'row' if counts[code] == 1 else 'rows'}"
        if code in known:
            lines.append(f"{mark}{_quote(code)} = {_quote(known[code])}  # {rows}")
            continue
        guess = maybe.get(code)
        choice = _quote(guess) if guess else " | ".join(_quote(each) for each in column.choices)
        lines.append(f"# {_quote(code)} = {choice}  # ? {rows}")
    if len(codes) > MOST_CODES:
        lines.append(f"# and {len(codes) - MOST_CODES} more codes")
    return lines


def _quote(text: str) -> str:
    """Write a text in TOML; JSON's strings are TOML's."""
    return json.dumps(text, ensure_ascii=False)
