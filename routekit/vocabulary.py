"""The trade's words that tables share, in the order in which they rank."""

from __future__ import annotations

from typing import Final

SEVERITIES: Final = ("none", "minor", "major", "structural")
"""Severity of a breach, mildest first."""

VERDICTS: Final = ("pass", "caution", "unknown", "fail")
"""Verdict of a check, best first: the worst check is a technique's verdict."""

TECHNIQUES: Final = {
    "monitor": "Leave and monitor",
    "local_repair": "Local repair",
    "cipp": "Cured-in-place pipe (CIPP)",
    "close_fit": "Close-fit lining",
    "slip_lining": "Slip lining (loose-fit)",
    "burst_same": "Pipe bursting, size for size",
    "burst_upsized": "Pipe bursting, upsized",
    "open_cut": "Open cut",
}
"""Technique code to its name, least digging first."""

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

CONNECTION_KINDS: Final = ("gully", "house")

MM_PER_M: Final = 1000.0
