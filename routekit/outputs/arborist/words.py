"""Values as a reader of the report sees them."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup

_LONGEST_TEXT: Final = 400


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
