"""What the criteria weigh, in units of the study's currency.

A technique that fails a check is not weighed: it is not feasible. The order of the criteria lies in
the sizes of the weights: harm to trees, then flow, then certainty, then cost and CO2e. All are
settings.
"""

from __future__ import annotations

from routekit.settings.declare import Settings, setting


class WeightSettings(Settings):
    """Cost equivalents by which techniques are compared."""

    fail: float = setting(
        1e7,
        unit="currency per check",
        source="house",
        ge=0,
        text="A failed check: orders those techniques that are not feasible among themselves. None "
        "of them is recommended, whatever this weight.",
    )
    caution: float = setting(
        500.0,
        unit="currency per check",
        source="house",
        ge=0,
        text="A check that passes with caution: extra preparation and supervision.",
    )
    structural_tree: float = setting(
        100_000.0,
        unit="currency per tree",
        source="house",
        ge=0,
        text="Cutting into a structural root zone: the tree may fall or die.",
    )
    careful_dig: float = setting(
        3_000.0,
        unit="currency per dig",
        source="house",
        ge=0,
        text="A hand or suction dig inside a structural root zone: the roots are kept, an arborist "
        "stands by.",
    )
    major_tree: float = setting(
        20_000.0,
        unit="currency per tree",
        source="house",
        ge=0,
        text="A major encroachment: the tree may decline.",
    )
    root_area: float = setting(
        150.0, unit="currency per m2", source="house", ge=0, text="Root zone dug or severed."
    )
    flow_shortfall: float = setting(
        50_000.0,
        unit="currency per share",
        source="house",
        ge=0,
        text="Missing capacity, as a share of the required flow.",
    )
    survey: float = setting(
        800.0,
        unit="currency per survey",
        source="house",
        ge=0,
        text="A survey that is still needed to settle unknown checks, about what it costs.",
    )
    co2e: float = setting(
        0.10, unit="currency per kg", source="house", ge=0, text="Carbon, kg CO2e."
    )
