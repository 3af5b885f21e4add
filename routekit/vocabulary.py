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


PLACED: Final = message("placed")
TO_CONFIRM: Final = message("to confirm")
NO_PLACE: Final = message("cannot be placed")
FINISHED: Final = message("finished")
"""Status of a package of the programme."""

SEVERITIES: Final = (message("none"), message("minor"), message("major"), message("structural"))
"""Severity of a breach, mildest first."""

HARMFUL: Final = SEVERITIES[1:]
SERIOUS: Final = SEVERITIES[2:]
"""Severities that take something of a zone, and those that count as serious."""

VERDICTS: Final = (message("pass"), message("caution"), message("unknown"), message("fail"))
"""Verdict of a check, best first: the worst check is a technique's verdict."""

SURVEYS: Final = {
    "camera": message("Inspect the run by CCTV."),
    "levels": message("Survey cover and invert levels at both manholes."),
    "services": message("Locate the services and their depths."),
    "ground": message("Find out ground and groundwater (boreholes, records, concrete surround)."),
    "trees": message("Have an arborist survey stems and roots."),
    "layout": message("Set out the pits that this technique needs."),
    "chambers": message("Measure the chambers and the openings in their covers at both manholes."),
    "access": message("See on site how plant gets to both manholes, and over whose land."),
}
"""What would settle an unknown check, and how that is said."""

SHAPES: Final = (message("circular"), message("egg"), message("rectangular"), message("other"))

STREET_BASES: Final = (
    message("recorded"),
    message("layer of streets"),
    message("nearest named run"),
    message("unknown"),
)
"""Where the name of a run's street comes from, the surest first."""

USES: Final = (message("storm"), message("foul"), message("combined"), message("unknown"))

FIBRE_CEMENT: Final = message("fibre_cement")
"""The material that may hold asbestos."""

MATERIALS: Final = (
    message("concrete"),
    message("reinforced_concrete"),
    message("clay"),
    message("brick"),
    FIBRE_CEMENT,
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

CROWN_WINDOWS: Final = ("line", "mixed", "broadleaf", "pine")
"""Windows of a treetop by its height: the words of `crowns.window`."""

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
M_PER_KM: Final = 1000.0

GRAVITY_M_S2: Final = 9.81
"""Gravity, m/s2."""

TAUGHT: Final = message(
    "Pulls and working days rest on what earlier works measured: the factors stand among the "
    "settings, their counts among the lessons."
)
TAUGHT_PULLS: Final = message(
    "Pulls rest on what earlier works measured: the factor stands among the settings, its count "
    "among the lessons. Working days do not: too few were measured."
)
TAUGHT_DAYS: Final = message(
    "Working days rest on what earlier works measured: the factor stands among the settings, its "
    "count among the lessons. Pulls do not: too few were measured."
)
ALL_TAUGHT: Final = (TAUGHT, TAUGHT_PULLS, TAUGHT_DAYS)
"""One goes with every output of a study whose figures rest on lessons: of both, or of one."""

CAUTIONS: Final = (
    message(
        "Screening only: this is not a design, an arboricultural impact assessment, a method "
        "statement or a permit. Local codes, licensed engineers and qualified arborists "
        "decide."
    ),
    message(
        "Root zones are notional minimum areas, not root maps. Roots often reach further and "
        "follow trenches, kerbs and joints."
    ),
    message(
        "Protected and veteran trees need consent before any work. Nests in use and bat roosts "
        "are protected by law (EU: Birds and Habitats Directives; in Germany also no cutting back"
        " from March to September, BNatSchG § 39; UK: Wildlife and Countryside Act 1981; US: "
        "Migratory Bird Treaty Act): have them looked for first."
    ),
    message(
        "Trenchless is not root-free: pits, connection digs, manhole works and repairs are "
        "excavations and need the same check."
    ),
    message(
        "Locate and expose services before digging or bursting. Gas and water inside the "
        "clearance stay exposed while the pipe passes."
    ),
    message(
        "Never enter an unsupported excavation: support or slope it as the local code says, often"
        " from 1.25 m of depth in Europe and 5 ft (1.5 m) in the United States, and sooner in "
        "loose ground."
    ),
    message(
        "Sewers are confined spaces: test the air, ventilate, keep an attendant and a rescue plan."
    ),
    message("Groundwater lowering can settle ground and dry out trees; it needs a permit."),
    message(
        "A smell of gas: stop, no ignition, leave and call the gas operator. Sewer gas is toxic "
        "and can explode: no flame or engine at an open manhole."
    ),
    message(
        "Sewers carry flow: isolate, divert or over-pump the run and its connections before work,"
        " with a plan for rain and for a pump that fails."
    ),
    message(
        "Pits and manholes in a road or path need traffic management, barriers and lights, and a "
        "safe way round for people on foot."
    ),
    message(
        "A string, its rods and its winch are under load while it is pulled: nobody stands in the"
        " line of pull."
    ),
    message(
        "Old pipes may hold asbestos, and the ground beside them may be contaminated or hold "
        "unexploded ordnance: find out before cutting, bursting or digging."
    ),
    message(
        "Curing a liner can give off styrene, steam and hot condensate: ventilate, warn "
        "residents, have traps filled, and keep outlets away from trees and open water."
    ),
    message(
        "Survey buildings, walls and services beside bursting, deep pits and lowered groundwater "
        "before the works and after."
    ),
    message(
        "Clean tools and machines between trees. Canker stain of plane and Dutch elm disease "
        "spread with sawdust and soil, and may have to be reported."
    ),
    message("Root findings near a tree are an association, not proof of which tree."),
)
"""Cautions that travel with every output. Laws, depths and diseases are named from memory."""
