"""Colours, marks and line patterns of the maps, for techniques from their records."""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from typing import Any

from routekit.techniques import RECORDS


@cache
def _read_palette() -> dict[str, Any]:
    """Read the palette as it is kept."""
    text = (files("routekit.outputs.map") / "palette.json").read_text(encoding="utf-8")
    palette: dict[str, Any] = json.loads(text)
    return palette


def load_palette() -> dict[str, Any]:
    """Give the palette as the working map gets it.

    Returns
    -------
    dict
        note, paper, least_contrast, least_distance; techniques and severities, each a mapping of
        code to mark, colour, width and dash, with a blank code for what is not decided.

    Examples
    --------
    >>> load_palette()["techniques"]["cipp"]
    {'mark': 'M0-5.4L5.4 0 0 5.4-5.4 0Z', 'colour': '#6d78fa', 'width': 5.0, 'dash': []}
    """
    kept = dict(_read_palette())
    tones, undecided, severities = (kept.pop(name) for name in ("tones", "undecided", "severities"))
    kept.pop("seen")
    signs = {
        one.code: {
            "mark": one.sign.mark,
            "colour": tones[one.sign.tone],
            "width": one.sign.width_px,
            "dash": list(one.sign.dash),
        }
        for one in RECORDS
    }
    return {**kept, "techniques": {**signs, "": undecided}, "severities": severities}


def seen_strokes() -> dict[str, dict[str, Any]]:
    """Give the strokes of what a resident sees.

    Returns
    -------
    dict
        Class to colour, width and dash, in the order of the legend; what is not decided comes last.
    """
    palette = _read_palette()
    strokes = {
        name: {"colour": palette["tones"][one["tone"]], "width": one["width"], "dash": one["dash"]}
        for name, one in palette["seen"].items()
    }
    undecided = {key: palette["undecided"][key] for key in ("colour", "width", "dash")}
    return {**strokes, "undecided": undecided}
