"""The trade's words that tables share, in the order in which they rank."""

from __future__ import annotations

from typing import Final


def write_count(number: float, noun: str, many: str | None = None) -> str:
    """Write a number of things, in the singular where it is one.

    Parameters
    ----------
    number : float
    noun : str
        Name of one.
    many : str, optional
        Name of several, where an s at the end does not make it.

    Returns
    -------
    str

    Examples
    --------
    >>> write_count(1, "run"), write_count(1200, "run"), write_count(2, "branch", "branches")
    ('1 run', '1,200 runs', '2 branches')
    """
    return f"{number:,.0f} {noun if number == 1 else many or f'{noun}s'}"


SEVERITIES: Final = ("none", "minor", "major", "structural")
"""Severity of a breach, mildest first."""

VERDICTS: Final = ("pass", "caution", "unknown", "fail")
"""Verdict of a check, best first: the worst check is a technique's verdict."""

SURVEYS: Final = {
    "camera": "Inspect the run by CCTV.",
    "levels": "Survey cover and invert levels at both manholes.",
    "services": "Locate the services and their depths.",
    "ground": "Find out ground and groundwater (boreholes, records, concrete surround).",
    "trees": "Have an arborist survey stems and roots.",
    "layout": "Set out the pits that this technique needs.",
}
"""What would settle an unknown check, and how that is said."""

SHAPES: Final = ("circular", "egg", "rectangular", "other")

USES: Final = ("storm", "foul", "combined", "unknown")

MATERIALS: Final = (
    "concrete",
    "reinforced_concrete",
    "clay",
    "brick",
    "fibre_cement",
    "cast_iron",
    "ductile_iron",
    "steel",
    "pvc",
    "pe",
    "pp",
    "grp",
    "lined",
    "unknown",
)
"""Host materials; `fibre_cement` includes asbestos cement, `lined` any earlier liner."""

HOST_CLASSES: Final = ("bursts well", "bursts with special tools", "does not burst")
"""How a host material bursts, by its class 0, 1 or 2 in the table of host materials."""

SERVICE_KINDS: Final = ("gas", "water", "electricity", "telecom", "heat", "sewer", "other")

SURFACE_KINDS: Final = (
    "carriageway",
    "footway",
    "cycleway",
    "parking",
    "verge",
    "planting",
)

OBSTACLE_KINDS: Final = ("building", "wall", "basement", "rail", "water")

CONNECTION_KINDS: Final = ("gully", "house", "unknown")

MM_PER_M: Final = 1000.0

GRAVITY_M_S2: Final = 9.81
"""Gravity, m/s2."""
