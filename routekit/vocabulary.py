"""The trade's words that tables share, in the order in which they rank."""

from __future__ import annotations

from typing import Final

from routekit.words.texts import message


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


SEVERITIES: Final = (message("none"), message("minor"), message("major"), message("structural"))
"""Severity of a breach, mildest first."""

VERDICTS: Final = (message("pass"), message("caution"), message("unknown"), message("fail"))
"""Verdict of a check, best first: the worst check is a technique's verdict."""

SURVEYS: Final = {
    "camera": message("Inspect the run by CCTV."),
    "levels": message("Survey cover and invert levels at both manholes."),
    "services": message("Locate the services and their depths."),
    "ground": message("Find out ground and groundwater (boreholes, records, concrete surround)."),
    "trees": message("Have an arborist survey stems and roots."),
    "layout": message("Set out the pits that this technique needs."),
}
"""What would settle an unknown check, and how that is said."""

SHAPES: Final = (message("circular"), message("egg"), message("rectangular"), message("other"))

USES: Final = (message("storm"), message("foul"), message("combined"), message("unknown"))

MATERIALS: Final = (
    message("concrete"),
    message("reinforced_concrete"),
    message("clay"),
    message("brick"),
    message("fibre_cement"),
    message("cast_iron"),
    message("ductile_iron"),
    message("steel"),
    message("pvc"),
    message("pe"),
    message("pp"),
    message("grp"),
    message("lined"),
    message("unknown"),
)
"""Host materials; `fibre_cement` includes asbestos cement, `lined` any earlier liner."""

HOST_CLASSES: Final = (
    message("bursts well"),
    message("bursts with special tools"),
    message("does not burst"),
)
"""How a host material bursts, by its class 0, 1 or 2 in the table of host materials."""

SERVICE_KINDS: Final = (
    message("gas"),
    message("water"),
    message("electricity"),
    message("telecom"),
    message("heat"),
    message("sewer"),
    message("other"),
)

SURFACE_KINDS: Final = (
    message("carriageway"),
    message("footway"),
    message("cycleway"),
    message("parking"),
    message("verge"),
    message("planting"),
)

OBSTACLE_KINDS: Final = (
    message("building"),
    message("wall"),
    message("basement"),
    message("rail"),
    message("water"),
)

DIG_METHODS: Final = (message("hand"), message("suction"), message("machine"), message("robot"))
"""How pits and digs are dug, and connections reopened."""

CONNECTION_KINDS: Final = (message("gully"), message("house"), message("unknown"))

MM_PER_M: Final = 1000.0

GRAVITY_M_S2: Final = 9.81
"""Gravity, m/s2."""
