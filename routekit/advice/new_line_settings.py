"""Settings of a new line round the trees: where it is sought, and what it is held to."""

from __future__ import annotations

from typing import Literal

from routekit.settings.declare import Settings, setting


class NewLineSettings(Settings):
    """Where a new line is sought, and what it is held to."""

    seek: Literal["off", "needed", "named", "all"] = setting(
        "off",
        unit="-",
        source="house",
        text="Runs for which a new line is sought: none (off), those for which nothing feasible is "
        "left (needed), those and the ones that `runs` names (named), or every run that needs work "
        "(all).",
    )
    runs: tuple[str, ...] = setting(
        (),
        unit="-",
        source="house",
        text="Runs for which a new line is sought; see `seek`.",
    )
    joint_runs: int = setting(
        3,
        unit="-",
        source="house",
        ge=1,
        le=6,
        text="Most runs in a row for which one line is sought, so that they are moved together and "
        "the manholes between them move as well; 1 seeks each alone.",
    )
    is_recommended: bool = setting(
        True,
        unit="-",
        source="house",
        text="Whether a new line that passes every check and scores best is recommended; if not, it"
        " is only offered.",
    )
    margin_m: float = setting(
        15.0,
        unit="m",
        source="house",
        gt=0,
        le=100,
        text="How far beside the straight line between its manholes a new line may go.",
    )
    longest_share: float = setting(
        1.5,
        unit="-",
        source="house",
        ge=1,
        text="Greatest length of a new line, as a share of the straight distance.",
    )
    manhole_distance_m: float = setting(
        80.0,
        unit="m",
        source="practice",
        gt=0,
        text="Greatest distance between two manholes of a new line.",
    )
    bend_inside_deg: float = setting(
        90.0,
        unit="deg",
        source="practice",
        ge=0,
        le=180,
        text="Least angle inside a bend at a new manhole: 90 lets the line turn by a right angle.",
    )
    crossing_deg: float = setting(
        45.0,
        unit="deg",
        source="practice",
        ge=0,
        le=90,
        text="Least angle at which a new line crosses a service or another sewer.",
    )
    crossing_cost: float = setting(
        500.0,
        unit="currency each",
        source="unit_rates_house",
        ge=0,
        text="Weight of a crossing in the search; what it costs stands in the rates.",
    )
    manhole_pit_m: float = setting(
        2.2,
        unit="m",
        source="practice",
        gt=0,
        text="Width of the round dig for a new manhole: 1.2 m over its walls and 0.5 m to work in "
        "on each side.",
    )
    least_cover_m: float = setting(
        0.80,
        unit="m",
        source="practice",
        ge=0,
        text="Least ground over the top of a new pipe.",
    )
    sewer_clearance_m: float = setting(
        0.20,
        unit="m",
        source="practice",
        ge=0,
        text="Least clear height between a new pipe and a sewer that it crosses.",
    )
    connection_fall: float = setting(
        0.01,
        unit="m/m",
        source="practice",
        ge=0,
        le=1,
        text="Least gradient of a connection that is re-laid to a new line.",
    )
    connection_mm: float = setting(
        200.0,
        unit="mm",
        source="house",
        gt=0,
        text="Largest bore that a connection of unknown size may have: its trench is taken for it.",
    )
