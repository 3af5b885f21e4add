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

TECHNIQUE_PHRASES: Final = {
    "monitor": "leaving it and looking again",
    "local_repair": "local repair",
    "cipp": "a cured-in-place liner (CIPP)",
    "close_fit": "close-fit lining",
    "slip_lining": "slip lining",
    "burst_same": "pipe bursting size for size",
    "burst_upsized": "pipe bursting to a larger size",
    "open_cut": "open cut",
}
"""Technique code to its name within a sentence."""

ROOTED_AGAIN: Final = ("local_repair", "cipp", "close_fit", "slip_lining")
"""Techniques that leave ends and connections through which roots come back."""

SURVEYS: Final = {
    "camera": "Inspect the run by camera.",
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
