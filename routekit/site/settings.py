"""Settings of pits, pull strings, small digs and laydown."""

from __future__ import annotations

from typing import Literal

from routekit.settings.declare import Settings, setting


class PitSettings(Settings):
    """How large the pits are."""

    lead_in: Literal["one_arc", "two_arc", "handbook"] = setting(
        "two_arc",
        unit="-",
        source="house",
        text="Lead-in of the launch pit: two arcs where the string lies level on rollers, "
        "one arc where it comes off the ground already inclined; two arcs is the longer one. The "
        "handbook's shortcut knows no bend radius: 12 OD of level floor and a slope of 1 in 2.5.",
    )
    flat_length_m: float = setting(
        2.0,
        unit="m",
        source="site_ranges",
        gt=0,
        text="Level floor in front of the old pipe, for the head and for working (1.5 to 2.5 m).",
    )
    roller_height_m: float = setting(
        0.0,
        unit="m",
        source="house",
        ge=0,
        text="Height of the rollers above ground; adds to the drop of the lead-in.",
    )
    working_space_m: float = setting(
        0.50,
        unit="m",
        source="en1610_1",
        ge=0,
        text="Clear space beside the pipe or the machine where people work, each side.",
    )
    shoring_m: float = setting(
        0.10,
        unit="m",
        source="practice",
        ge=0,
        text="Thickness of the shoring, each side; adds to the dug width and length.",
    )
    floor_below_invert_m: float = setting(
        0.30,
        unit="m",
        source="site_ranges",
        ge=0,
        text="Pit floor below the invert of the old pipe (0.2 to 0.4 m).",
    )
    machine_frame_length_m: float = setting(
        2.00,
        unit="m",
        source="site_ranges",
        gt=0,
        text="Length of the pulling machine with its thrust plate.",
    )
    machine_frame_width_m: float = setting(
        0.80, unit="m", source="site_ranges", gt=0, text="Width of the pulling machine."
    )
    rod_length_m: float = setting(
        0.75,
        unit="m",
        source="site_ranges",
        gt=0,
        text="Length of one rod, taken out behind the machine.",
    )
    machine_clearance_m: float = setting(
        0.40,
        unit="m",
        source="site_ranges",
        ge=0,
        text="Room beyond machine and rod in the length of the pit (0.3 to 0.5 m).",
    )
    reception_length_m: float = setting(
        2.00,
        unit="m",
        source="practice",
        gt=0,
        text="Clear length of a pit that only receives the head.",
    )
    far_role: Literal["machine", "reception"] = setting(
        "machine",
        unit="-",
        source="house",
        text="What stands at the end opposite the launch pit: the pulling machine (bursting), "
        "or a pit that only receives (winch on the surface).",
    )
    chamber_receives_from_mm: float = setting(
        1500.0,
        unit="mm",
        source="site_ranges",
        gt=0,
        text="Clear length and width from which a manhole chamber takes the machine without a pit.",
    )
    chamber_receives_to_outside_mm: float = setting(
        225.0,
        unit="mm",
        source="site_ranges",
        gt=0,
        text="Largest new pipe that a chamber without a pit receives (small mains only).",
    )


class PlacementSettings(Settings):
    """Where pits may lie, and what each conflict weighs."""

    manhole_overlap_m: float = setting(
        0.75,
        unit="m",
        source="house",
        ge=0,
        text="A pit reaches at least this far past the manhole's centre on its short side, so that "
        "the old pipe is met inside the pit.",
    )
    slide_shares: tuple[float, ...] = setting(
        (0.0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1.0),
        unit="-",
        source="house",
        text="Positions tried along the pipe axis: 0 outward of the manhole, 0.5 straddling, "
        "1 inward over the run. The first is the preferred one.",
    )
    turns_deg: tuple[float, ...] = setting(
        (0.0, -5.0, 5.0),
        unit="deg",
        source="house",
        text="Turns of the pit about the manhole that are tried; the first is the preferred one.",
    )
    turn_play_m: float = setting(
        0.30,
        unit="m",
        source="house",
        ge=0,
        text="How far the old pipe may stray from the pit's axis inside a turned pit.",
    )
    service_clearance_m: float = setting(
        0.50,
        unit="m",
        source="practice",
        ge=0,
        text="Clear distance between a pit and a service, beside it and below its floor; nearer is "
        "a conflict. A service of unknown depth counts at any depth.",
    )
    obstacle_clearance_m: float = setting(
        1.00,
        unit="m",
        source="practice",
        ge=0,
        text="Clear distance between a pit wall and a building, wall, basement, rail or water.",
    )
    forbidding_trees: Literal["decided", "veteran", "protected"] = setting(
        "protected",
        unit="-",
        source="house",
        text="Trees in whose zone no pit may stand: those that a decision names, veterans as "
        "well, or protected trees as well. No pit is set out there: the string ends elsewhere, or "
        "its runs are not burst.",
    )
    unknown_tree_distance_m: float = setting(
        15.0,
        unit="m",
        source="bs5837",
        gt=0,
        text="A tree whose zone is not known counts as unsettled within this distance: the radius "
        "of the largest zone (707 m2).",
    )
    freeing_radius_share: float = setting(
        0.57,
        unit="-",
        source="bend_temperature",
        gt=0,
        le=1,
        text="A tighter bend is named as a remedy down to this share of the pipe's least radius: "
        "20 OD on a warm day (20 C) against 35 OD on a cool one (10 C).",
    )
    structural_weight: float = setting(
        1e6,
        unit="points per m2",
        source="house",
        ge=0,
        text="Weight of overlap with a structural root zone: comes before everything but a stem "
        "that is too near to dig.",
    )
    conflict_weight: float = setting(
        1e5,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of each building or other obstacle, and of crossing the study's edge.",
    )
    service_weight: float = setting(
        2e4,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of each service in or near a pit: it can be held up or diverted.",
    )
    root_weight: float = setting(
        100.0,
        unit="points per m2",
        source="house",
        ge=0,
        text="Weight of overlap with root protection zones: comes before the number of pits.",
    )
    carriageway_weight: float = setting(
        0.10,
        unit="points per m2",
        source="house",
        ge=0,
        text="Weight of carriageway taken: decides between places that are equal for roots.",
    )
    parking_weight: float = setting(
        0.05, unit="points per m2", source="house", ge=0, text="Weight of parking taken."
    )
    footway_weight: float = setting(
        0.05,
        unit="points per m2",
        source="house",
        ge=0,
        text="Weight of footway and cycleway taken.",
    )
    shift_weight: float = setting(
        0.01,
        unit="points per place",
        source="house",
        ge=0,
        text="Weight of each step away from the preferred place, so that ties fall the same way.",
    )
    chunk_pits: int = setting(
        20_000,
        unit="-",
        source="house",
        gt=0,
        text="Candidate pits scored at once; bounds the memory.",
    )


class StringSettings(Settings):
    """What may be pulled as one string, and what a partition is judged by."""

    reach_m: float = setting(
        150.0,
        unit="m",
        source="najafi_reach",
        gt=0,
        text="Longest string: the upper end of the typical 300 to 500 ft (91 to 152 m). A string "
        "is one burst: where methods.bursting.max_length_m is less, that holds.",
    )
    minimum_length_m: float = setting(
        20.0,
        unit="m",
        source="practice",
        ge=0,
        text="A shorter string is not worth setting up: it is marked for lining.",
    )
    max_bend_deg: float = setting(
        10.0,
        unit="deg",
        source="site_ranges",
        ge=0,
        text="Largest change of direction at a manhole that is pulled through (5 to 11 degrees): "
        "stricter than within a run (methods.bursting.max_bend_deg), since no old pipe guides head "
        "and rods through the chamber and the new pipe turns over an edge.",
    )
    max_level_step_m: float = setting(
        0.10,
        unit="m",
        source="house",
        ge=0,
        text="Largest step between the inverts at a manhole that is pulled through; a drop shaft "
        "cannot be pulled through.",
    )
    shared_pit_max_bend_deg: float = setting(
        20.0,
        unit="deg",
        source="house",
        ge=0,
        text="Up to this change of direction one pit serves the strings on both its sides.",
    )
    share_mixed_roles: bool = setting(
        True,
        unit="yes/no",
        source="house",
        text="One pit may launch one string and hold the machine of the next: it is as long, wide "
        "and deep as either needs.",
    )
    allow_larger_throughout: bool = setting(
        True,
        unit="yes/no",
        source="house",
        text="A string may take a larger new size than a run needs, where each of its runs passes "
        "its checks in that size.",
    )
    larger_branch_stops: bool = setting(
        True,
        unit="yes/no",
        source="house",
        text="A branch larger than the through runs stops the string at its manhole.",
    )
    force_level: Literal["low", "mid", "high"] = setting(
        "mid",
        unit="-",
        source="house",
        text="Estimate of the pull that no string of several runs may exceed. The estimate spans a "
        "factor of five or more, all low or all high at once; a string that is over a limit at the "
        "high estimate alone is weighed by over_high_weight, and says so.",
    )
    pit_weight: float = setting(
        20.0,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of one more pit; one fewer pit is worth 0.2 m2 of root zone.",
    )
    volume_weight: float = setting(
        0.02, unit="points per m3", source="house", ge=0, text="Weight of dug volume."
    )
    string_weight: float = setting(
        1.0, unit="points each", source="house", ge=0, text="Weight of setting up one string."
    )
    larger_weight: float = setting(
        0.05,
        unit="points per m and 100 mm",
        source="house",
        ge=0,
        text="Weight of pulling a larger pipe than a run needs, by 100 mm of outside diameter.",
    )
    over_high_weight: float = setting(
        60.0,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of each manhole through which a string is pulled that is over what pipe or "
        "machine bears at the high estimate, and of a run by itself that need not be: it outweighs "
        "another pit or a larger pipe, not roots (0.6 m2 of root zone).",
    )
    stage_weight: float = setting(
        10.0,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of each stop of the pull where a string does not fit behind its launch pit "
        "and is welded on in stages; two stops weigh as much as a pit.",
    )
    no_room_weight: float = setting(
        1e5,
        unit="points each",
        source="house",
        ge=0,
        text="Weight of a string without room for even one pipe length behind its launch pit: it "
        "cannot be pulled that way.",
    )


class DigSettings(Settings):
    """Small excavations: connections, manholes, repairs."""

    connection_side_m: float = setting(
        1.50,
        unit="m",
        source="connection_digs",
        gt=0,
        text="Side of the square dug by machine at a connection.",
    )
    hand_side_m: float = setting(
        1.20,
        unit="m",
        source="practice",
        gt=0,
        text="Side of the square dug by hand at a connection inside a root zone.",
    )
    suction_side_m: float = setting(
        1.00,
        unit="m",
        source="practice",
        gt=0,
        text="Side of the square dug by suction at a connection (0.61 m holes only locate).",
    )
    support_from_m: float = setting(
        1.25,
        unit="m",
        source="din4124",
        ge=0,
        text="A dig deeper than this, in which a person stands, is supported on all sides.",
    )
    shoring_m: float = setting(
        0.10,
        unit="m",
        source="practice",
        ge=0,
        text="Thickness of that support, each side; the dig is as much larger.",
    )
    person_side_m: float = setting(
        1.00,
        unit="m",
        source="en1610_2",
        gt=0,
        text="Least clear side, within its support, of a dig in which a person works (the widest "
        "of the least trench widths by depth).",
    )
    root_zone_method: Literal["hand", "suction"] = setting(
        "suction",
        unit="-",
        source="house",
        text="Way of digging inside a root zone; suction keeps the roots whole.",
    )
    connection_reach_m: float = setting(
        30.0,
        unit="m",
        source="house",
        gt=0,
        text="A connection that names no run is given to the nearest run within this distance.",
    )
    replaced_manholes: Literal["none", "brick", "all"] = setting(
        "none",
        unit="-",
        source="house",
        text="Manholes of burst runs that are dug up and replaced: usually chambers are broken out "
        "for the pull and made good from inside; each replaced one is an excavation of its own.",
    )
    manhole_margin_m: float = setting(
        0.60,
        unit="m",
        source="en1610_1",
        ge=0,
        text="Dug margin round a replaced manhole: 0.50 m working space and 0.10 m shoring.",
    )
    default_chamber_m: float = setting(
        1.20,
        unit="m",
        source="practice",
        gt=0,
        text="Outside size of a manhole whose chamber size is not known.",
    )
    chamber_wall_m: float = setting(
        0.15, unit="m", source="practice", ge=0, text="Wall of a chamber whose clear size is known."
    )


class LaydownSettings(Settings):
    """Room for the welded string behind the launch pit."""

    width_m: float = setting(
        2.0,
        unit="m",
        source="practice",
        gt=0,
        text="Width of the strip for the string, its rollers and a walkway.",
    )
    entrance_distance_m: float = setting(
        6.0,
        unit="m",
        source="house",
        ge=0,
        text="A house connection this near to the strip stands for an entrance that is blocked.",
    )
    stem_clearance_m: float = setting(
        0.50,
        unit="m",
        source="practice",
        ge=0,
        text="The strip stops at a stem nearer than this to its edge.",
    )
    crown_width_m: float = setting(
        1.0,
        unit="m",
        source="house",
        ge=0,
        text="A crown counts as hanging over the strip within this distance of its edge.",
    )
    unknown_crown_reach_m: float = setting(
        8.0,
        unit="m",
        source="house",
        ge=0,
        text="A tree of unknown crown may hang over a strip whose edge is no farther from its stem "
        "than this, the crown radius of a large street tree; it is counted as unknown.",
    )
    bend_into_street_deg: tuple[float, ...] = setting(
        (0.0, -10.0, 10.0, -20.0, 20.0, -30.0, 30.0),
        unit="deg",
        source="house",
        text="Directions tried for the strip from the pit's axis; the string bends on the surface.",
    )


class SiteSettings(Settings):
    """All settings of this folder."""

    pits: PitSettings = PitSettings()
    placement: PlacementSettings = PlacementSettings()
    strings: StringSettings = StringSettings()
    digs: DigSettings = DigSettings()
    laydown: LaydownSettings = LaydownSettings()
