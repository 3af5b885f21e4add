"""Limits of the techniques and of the condition grades; every one may be replaced."""

from __future__ import annotations

from typing import Literal

from routekit.settings.declare import Settings, setting


class ConditionSettings(Settings):
    """When a run needs work, and which trees are looked at for its roots."""

    renew_from_grade: int = setting(
        3,
        unit="grade 0-4",
        source="house",
        ge=1,
        le=4,
        text="A run at or above this structural or operational grade needs work: severe faults "
        "do not heal by cleaning.",
    )
    renew_root_share: float = setting(
        0.10,
        unit="share",
        source="house",
        ge=0,
        le=1,
        text="A run that loses this share of its section to roots needs work: cut roots grow back "
        "through the same joint.",
    )
    assume_renewal_when_unknown: bool = setting(
        True,
        unit="-",
        source="house",
        text="Plan a renewal for runs that nobody has inspected, marked to confirm; otherwise they "
        "are left until inspected.",
    )
    association_radius_m: float = setting(
        10.0,
        unit="m",
        source="ostberg2012",
        gt=0,
        text="Trees this close to observed roots are listed as possible causes.",
    )


class BurstingSettings(Settings):
    """Limits of static pipe bursting."""

    min_host_mm: float = setting(
        100.0, unit="mm", source="najafi_p240", gt=0, text="Smallest host bore."
    )
    max_host_mm: float = setting(
        500.0,
        unit="mm",
        source="najafi_p240",
        gt=0,
        text="Largest host bore that is not a special job (20 in).",
    )
    caution_host_mm: float = setting(
        300.0, unit="mm", source="najafi_p240", gt=0, text="Largest routine host bore (12 in)."
    )
    max_depth_m: float = setting(
        5.49,
        unit="m",
        source="najafi_p240",
        gt=0,
        text="Largest depth short of a special job (18 ft).",
    )
    caution_depth_m: float = setting(
        3.66, unit="m", source="najafi_p240", gt=0, text="Largest routine depth (12 ft)."
    )
    max_length_m: float = setting(
        137.2,
        unit="m",
        source="najafi_p240",
        gt=0,
        text="Longest single burst short of a special job (450 ft).",
    )
    caution_length_m: float = setting(
        106.7, unit="m", source="najafi_p240", gt=0, text="Longest routine burst (350 ft)."
    )
    min_length_m: float = setting(
        12.0,
        unit="m",
        source="practice",
        ge=0,
        text="A string shorter than this is not worth two pits and a machine.",
    )
    cover_per_expansion: float = setting(
        10.0,
        unit="-",
        source="burst_cover",
        gt=0,
        text="Cover over the old pipe, in units of the expansion (head diameter less host bore).",
    )
    caution_heave_mm: float = setting(
        25.0,
        unit="mm",
        source="house",
        gt=0,
        text="Heave of the surface, bounded from above, from which paving is to be watched: about "
        "the edge at which people trip.",
    )
    clearance_per_expansion: float = setting(
        5.0,
        unit="-",
        source="gw323_clearance",
        gt=0,
        text="Clear distance to other services, in units of the expansion (3 for tough, 5 for "
        "brittle ones).",
    )
    min_clearance_m: float = setting(
        0.40, unit="m", source="gw323_clearance", ge=0, text="Least clear distance to services."
    )
    touch_clearance_m: float = setting(
        0.10,
        unit="m",
        source="house",
        ge=0,
        text="A crossing service nearer than this would be touched or lifted even when it is "
        "exposed.",
    )
    exposed_clearance_m: float = setting(
        0.305,
        unit="m",
        source="carmel_33_159",
        ge=0,
        text="Crossing services nearer than this are exposed while the head passes (12 in; 24 in "
        "for water).",
    )
    exposed_water_m: float = setting(
        0.61,
        unit="m",
        source="carmel_33_159",
        ge=0,
        text="Water mains and services nearer than this, beside or across, are exposed while the "
        "head passes (24 in).",
    )
    caution_connections_per_10m: float = setting(
        1.0,
        unit="per 10 m",
        source="practice",
        gt=0,
        text="Connections for each 10 m of run above which the digs at them eat up what bursting "
        "spares: compare with a liner.",
    )
    max_connections_per_10m: float = setting(
        3.0,
        unit="per 10 m",
        source="practice",
        gt=0,
        text="Connections for each 10 m of run above which about half of the run is dug up: line "
        "it, or cut it open.",
    )
    max_bend_deg: float = setting(
        11.0,
        unit="deg",
        source="gw323_bend",
        ge=0,
        text="Sharpest bend within a run that rods pass (through a manhole, where no pipe guides "
        "them, see site.strings.max_bend_deg).",
    )
    max_ponding_share: float = setting(
        0.25,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Standing water above this share of the height: fails, as the sag would remain.",
    )
    caution_ponding_share: float = setting(
        0.10,
        unit="share",
        source="practice",
        ge=0,
        le=1,
        text="Standing water that calls for a caution.",
    )
    root_depth_m: float = setting(
        0.6,
        unit="m",
        source="as4970_2025",
        ge=0,
        text="Least cover over a pipe that passes below a root zone.",
    )
    max_steps_up: int = setting(
        2,
        unit="sizes",
        source="najafi_p240",
        ge=0,
        text="Most nominal sizes of upsizing; larger pipes are not looked at.",
    )
    caution_steps_up: int = setting(
        1, unit="sizes", source="najafi_p240", ge=0, text="Most sizes of routine upsizing."
    )


class LiningSettings(Settings):
    """Limits of cured-in-place, close-fit and slip lining."""

    max_deformation_share: float = setting(
        0.15,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Largest deformation a CIPP liner takes.",
    )
    caution_deformation_share: float = setting(
        0.10,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Deformation that needs specialist advice.",
    )
    close_fit_deformation_share: float = setting(
        0.05,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Largest deformation for close-fit and slip lining.",
    )
    max_radial_offset_share: float = setting(
        0.20,
        unit="share of bore",
        source="practice",
        gt=0,
        le=1,
        text="Largest radial displacement of a joint that a liner bridges after grinding.",
    )
    caution_radial_offset_share: float = setting(
        0.10,
        unit="share of bore",
        source="practice",
        gt=0,
        le=1,
        text="Displacement that needs grinding.",
    )
    robot_bore_mm: float = setting(
        100.0,
        unit="mm",
        source="najafi_p279",
        gt=0,
        text="Least bore in which a robot reopens connections.",
    )
    cipp_bore_mm: tuple[float, float] = setting(
        (100.0, 2700.0), unit="mm", source="practice", text="Bores that are lined in place."
    )
    cipp_length_m: float = setting(
        200.0, unit="m", source="practice", gt=0, text="Longest liner in one piece."
    )
    cipp_bend_deg: float = setting(
        45.0, unit="deg", source="practice", ge=0, text="Sharpest bend that is lined in place."
    )
    caution_cipp_bend_deg: float = setting(
        15.0,
        unit="deg",
        source="practice",
        ge=0,
        text="Sharpest bend in which a common liner does not wrinkle; a flexible one passes more.",
    )
    large_bore_mm: float = setting(
        400.0,
        unit="mm",
        source="practice",
        gt=0,
        text="Bore from which a liner may be too bulky for the chamber and the opening in its "
        "cover.",
    )
    min_chamber_mm: float = setting(
        1000.0,
        unit="mm",
        source="practice",
        gt=0,
        text="Least clear size of the chambers through which so large a liner goes in.",
    )
    close_fit_bore_mm: tuple[float, float] = setting(
        (100.0, 500.0), unit="mm", source="practice", text="Bores for close-fit pipe."
    )
    close_fit_length_m: float = setting(
        350.0, unit="m", source="practice", gt=0, text="Longest close-fit pull."
    )
    close_fit_bend_deg: float = setting(
        11.0, unit="deg", source="practice", ge=0, text="Sharpest bend for close-fit pipe."
    )
    max_wall_mm: float = setting(
        25.0, unit="mm", source="practice", gt=0, text="Thickest liner that is cured in a street."
    )
    slip_bend_deg: float = setting(
        5.0, unit="deg", source="practice", ge=0, text="Sharpest bend for a slipped pipe."
    )
    slip_outside_share: float = setting(
        0.90,
        unit="share of bore",
        source="practice",
        gt=0,
        lt=1,
        text="Largest outside diameter of a slipped pipe.",
    )
    slip_length_m: float = setting(
        300.0, unit="m", source="practice", gt=0, text="Longest slip-lining pull."
    )
    max_spots: int = setting(
        2,
        unit="places",
        source="house",
        ge=1,
        text="Most collapsed places of one run that are dug up before it is lined; more of them "
        "make one trench.",
    )
    rooted_joints: int = setting(
        3,
        unit="joints",
        source="house",
        ge=1,
        text="A run with this many rooted joints counts as choked by roots.",
    )
    max_ponding_share: float = setting(
        0.25,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Standing water above this share of the height: fails, as a liner would keep the sag.",
    )
    caution_ponding_share: float = setting(
        0.10,
        unit="share",
        source="practice",
        ge=0,
        le=1,
        text="Standing water that calls for a caution.",
    )
    caution_root_share: float = setting(
        0.25,
        unit="share of section",
        source="house",
        ge=0,
        le=1,
        text="Roots above this are cut in a separate operation before a liner goes in.",
    )


class RepairSettings(Settings):
    """When local repair is enough."""

    max_faults: int = setting(
        3,
        unit="faults",
        source="practice",
        ge=1,
        text="Most places per run that are repaired one by one.",
    )
    max_length_share: float = setting(
        0.20,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Largest share of the run's length under short liners.",
    )
    liner_piece_m: float = setting(
        1.0, unit="m", source="practice", gt=0, text="Length of one short liner."
    )
    max_root_share: float = setting(
        0.25,
        unit="share",
        source="house",
        gt=0,
        le=1,
        text="Roots that fill more than this come back beside a short liner soon.",
    )
    max_ponding_share: float = setting(
        0.25,
        unit="share",
        source="practice",
        gt=0,
        le=1,
        text="Standing water above this share of the height: fails, as short liners mend no sag.",
    )
    caution_ponding_share: float = setting(
        0.10,
        unit="share",
        source="practice",
        ge=0,
        le=1,
        text="Standing water that calls for a caution.",
    )


class RootCuttingSettings(Settings):
    """When roots may be cut again and again in place of renewing the run."""

    is_accepted: bool = setting(
        False,
        unit="-",
        source="house",
        text="The owner accepts cutting roots at an interval for an answer. Cutting is "
        "maintenance: the defect stays, the pipe leaks and ages on, and roots come back; unless "
        "this is set it is compared and offered, and only a decision chooses it.",
    )
    min_root_places: int = setting(
        1, unit="faults", source="practice", ge=1, text="Least places with roots."
    )
    max_structural_grade: int = setting(
        2,
        unit="grade 0-4",
        source="house",
        ge=0,
        le=4,
        text="Worst structural grade of a pipe that is kept running by cutting roots; from the "
        "next grade on the structure asks for more than a clear bore.",
    )


class OpenCutSettings(Settings):
    """Limits of open cut."""

    max_depth_m: float = setting(
        6.0, unit="m", source="practice", gt=0, text="Largest depth of a street trench."
    )
    caution_depth_m: float = setting(
        4.0, unit="m", source="practice", gt=0, text="Depth from which trenches are special works."
    )
    hand_dig_m: float = setting(
        0.5,
        unit="m",
        source="practice",
        ge=0,
        text="Services nearer than this to the pipe are dug round by hand.",
    )


class SubsoilSettings(Settings):
    """What is known of the ground in the whole study area; silent means unknown."""

    groundwater_depth_m: float | None = setting(
        None, unit="m", source="study", ge=0, text="Highest groundwater below ground level."
    )
    is_hard_ground: bool | None = setting(
        None,
        unit="-",
        source="study",
        text="Rock or concrete encasement round the pipes, which cannot be displaced.",
    )
    largest_service_mm: float = setting(
        1200.0,
        unit="mm",
        source="house",
        gt=0,
        text="A service whose size is not recorded may be this wide: it is clear of a pipe only "
        "where one of this size would be.",
    )


class AccessSettings(Settings):
    """Where plant can stand; land that is private is not known to any layer."""

    surfaces: tuple[Literal["carriageway", "parking"], ...] = setting(
        ("carriageway", "parking"),
        unit="-",
        source="practice",
        text="Kinds of mapped surface on which plant can stand.",
    )
    reach_m: float = setting(
        10.0,
        unit="m",
        source="practice",
        ge=0,
        text="Farthest manhole from such a surface that plant reaches without a way of its own, "
        "which may lead over private land.",
    )


class MonitorSettings(Settings):
    """When a run may be left alone."""

    max_grade: int = setting(
        2,
        unit="grade 0-4",
        source="house",
        ge=0,
        le=4,
        text="Worst grade at which leaving and monitoring the run is enough.",
    )
    min_free_share: float = setting(
        0.50,
        unit="share",
        source="house",
        ge=0,
        le=1,
        text="Least share of the bore that roots and deposits may leave free.",
    )
    caution_free_share: float = setting(
        0.75,
        unit="share",
        source="house",
        ge=0,
        le=1,
        text="Share left free below which the run is to be cleaned.",
    )


class MethodSettings(Settings):
    """Limits of all techniques."""

    condition: ConditionSettings = setting(
        ConditionSettings, unit="-", source="study", text="Condition and need of work."
    )
    bursting: BurstingSettings = setting(
        BurstingSettings, unit="-", source="study", text="Pipe bursting."
    )
    lining: LiningSettings = setting(LiningSettings, unit="-", source="study", text="Lining.")
    root_cutting: RootCuttingSettings = setting(
        RootCuttingSettings, unit="-", source="study", text="Cut roots and watch."
    )
    repair: RepairSettings = setting(RepairSettings, unit="-", source="study", text="Local repair.")
    open_cut: OpenCutSettings = setting(OpenCutSettings, unit="-", source="study", text="Open cut.")
    subsoil: SubsoilSettings = setting(
        SubsoilSettings, unit="-", source="study", text="Ground and groundwater."
    )
    access: AccessSettings = setting(
        AccessSettings, unit="-", source="study", text="Access for plant."
    )
    monitor: MonitorSettings = setting(
        MonitorSettings, unit="-", source="study", text="Leave and monitor."
    )
