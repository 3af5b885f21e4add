"""How the sign of a unit is written for readers."""

from __future__ import annotations

import re
from typing import Final

_POWER: Final = re.compile(r"\bm([23])\b")
_SIGNS: Final = {"2": "²", "3": "³"}


def write_unit(unit: str) -> str:
    """Write a unit, as tables and settings keep it, for readers.

    Parameters
    ----------
    unit : str
        The code, in which areas and volumes are `m2` and `m3`.

    Returns
    -------
    str
        With raised figures; any other unit as it is.

    Examples
    --------
    >>> write_unit("points per m2"), write_unit("kg CO2e")
    ('points per m²', 'kg CO2e')
    """
    return _POWER.sub(lambda found: f"m{_SIGNS[found[1]]}", unit)
