"""Settings of trench, flow, PE pipe, pull force and liner: value, unit, source, meaning."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, NonNegativeFloat, model_validator

from routekit.settings.declare import Settings, check_order, setting
from routekit.vocabulary import MATERIALS


def _check_ascending(values: tuple[float, ...]) -> tuple[float, ...]:
    """Refuse a list that is not strictly ascending or not positive."""
    if any(value <= 0 for value in values) or any(
        after <= before for before, after in pairwise(values)
    ):
        raise ValueError(f"values must be positive and strictly ascending, got {values}")
    return values


def _check_materials(values: dict[str, float]) -> dict[str, float]:
    """Refuse a material that the vocabulary does not know."""
    odd = sorted(set(values) - set(MATERIALS))
    if odd:
        raise ValueError(f"unknown material {odd[0]!r}; known are {', '.join(MATERIALS)}")
    return values


Triple = Annotated[tuple[float, float, float], AfterValidator(check_order)]
"""Low, mid and high of one quantity."""

Ascending = Annotated[tuple[float, ...], AfterValidator(_check_ascending)]
"""Positive, strictly ascending values."""

Roughness = Annotated[dict[str, NonNegativeFloat], AfterValidator(_check_materials)]
"""Roughness in mm by material."""

# fmt: off
# Value, unit and source stand on one line, so that the groups read as a table.


class TrenchSettings(Settings):
    """Open-cut trench and its reinstatement."""

    supported: bool = setting(
        True, unit="-", source="din4124",
        text="Vertical sides held by sheets or a box; false digs sloped sides.",
    )
    slope_angle_deg: float = setting(
        60.0, unit="deg", source="din4124", gt=0, le=90,
        text="Slope of unsupported sides against the horizontal (60 is stiff cohesive soil, "
        "45 loose or soft soil, 80 sound rock).",
    )
    unsupported_depth_m: float = setting(
        1.25, unit="m", source="din4124", ge=0,
        text="Sides stand vertical without support down to this depth.",
    )
    shoring_m: float = setting(
        0.0, unit="m", source="trench_support", ge=0,
        text="Thickness of sheets or box on each side where sides are supported below "
        "unsupported_depth_m (0.05 to 0.15 in practice). The default 0 keeps the published "
        "minimum widths, so that open cut is never made to look worse than they do.",
    )
    machine_compacted: bool = setting(
        False, unit="-", source="en1610_1",
        text="Bed and sidefill compacted by machine: at least 0.50 m of room on each side "
        "of a pipe of DN 600 and above.",
    )
    working_strip_m: float = setting(
        0.0, unit="m", source="house", ge=0,
        text="Strip beyond each trench edge that is stripped or compacted as well; it widens "
        "the corridor that counts against roots. None is assumed unless given.",
    )
    bed_m: float = setting(
        0.10, unit="m", source="en1610_text", ge=0,
        text="Bed under the pipe (0.15 on rock or hard ground).",
    )
    cover_fill_m: float = setting(
        0.15, unit="m", source="en1610_text", ge=0,
        text="Selected fill over the top of the pipe.",
    )
    cutback_shallow_m: float = setting(
        0.15, unit="m", source="ztv_asphalt", ge=0,
        text="Bound layers cut back on each side of a trench up to cutback_depth_m.",
    )
    cutback_deep_m: float = setting(
        0.20, unit="m", source="ztv_asphalt", ge=0,
        text="Bound layers cut back on each side of a deeper trench.",
    )
    cutback_depth_m: float = setting(
        2.0, unit="m", source="ztv_asphalt", gt=0,
        text="Depth that divides the two cutbacks.",
    )
    unsized_least_mm: float = setting(
        50.0, unit="mm", source="house", gt=0,
        text="Least bore that a run of unknown size may have: what even its trench would cut is "
        "certain. No sewer with less is read.",
    )
    unsized_largest_mm: float = setting(
        1000.0, unit="mm", source="house", gt=0,
        text="Largest bore that a run of unknown or assumed size may have, or the largest known "
        "one of the study where that is more: its trench reaches every tree that may be met. "
        "Raise it where unmeasured sewers may be larger.",
    )
    spoil_reuse_share: float = setting(
        0.0, unit="share", source="house", ge=0, le=1,
        text="Share of the dug soil that goes back; none is assumed unless given.",
    )
    bulking: Triple = setting(
        (1.2, 1.3, 1.4), unit="-", source="spoil_range",
        text="Loose volume on the lorry over volume in the ground: low, mid, high.",
    )
    soil_density_t_m3: Triple = setting(
        (1.7, 1.9, 2.1), unit="t/m3", source="spoil_range",
        text="Density of the soil in the ground: low, mid, high.",
    )

    @model_validator(mode="after")
    def _check_bounds(self) -> Self:
        """Refuse bounds of an unknown size that cross."""
        if self.unsized_least_mm > self.unsized_largest_mm:
            msg = (
                f"unsized_least_mm ({self.unsized_least_mm:g}) is more than unsized_largest_mm "
                f"({self.unsized_largest_mm:g})"
            )
            raise ValueError(msg)
        return self


class RainfallSettings(Settings):
    """Design rainfall for the rational method."""

    method: Literal["constant", "reinhold", "talbot", "table"] = setting(
        "constant", unit="-", source="rain_50",
        text="How the intensity is found: a constant, a formula, or the study's own table.",
    )
    constant_mm_h: float = setting(
        50.0, unit="mm/h", source="rain_50", gt=0,
        text="Intensity of the constant method.",
    )
    duration_min: float = setting(
        15.0, unit="min", source="practice", gt=0,
        text="Duration of the design rain, about the time of concentration.",
    )
    frequency_per_year: float = setting(
        0.5, unit="1/a", source="practice", gt=0, lt=50,
        text="How often a year the design rain is exceeded (0.5 is once in two years).",
    )
    reinhold_r15_l_s_ha: float = setting(
        115.0, unit="l/(s ha)", source="reinhold", gt=0,
        text="Intensity of the 15-minute rain of once a year at the place (100 to 130 usual).",
    )
    talbot_a_mm: float | None = setting(
        None, unit="mm min/h", source="talbot", gt=0,
        text="Local coefficient a of i = a / (T + b), i in mm/h and T in min; no default.",
    )
    talbot_b_min: float | None = setting(
        None, unit="min", source="talbot", ge=0,
        text="Local coefficient b of i = a / (T + b); no default.",
    )
    table_duration_min: Ascending = setting(
        (), unit="min", source="study",
        text="Durations of the study's own table, ascending.",
    )
    table_mm_h: tuple[float, ...] = setting(
        (), unit="mm/h", source="study",
        text="Intensities of the study's own table, one for each duration.",
    )
    runoff_share: float = setting(
        0.9, unit="share", source="practice", gt=0, le=1,
        text="Runoff coefficient of a paved catchment.",
    )


class FlowSettings(Settings):
    """Hydraulics of old and new pipes."""

    water_temperature_c: float = setting(
        10.0, unit="C", source="dwa_a110", ge=0, le=40,
        text="Water temperature; sets the viscosity (1.31e-6 m2/s at 10 C).",
    )
    viscosity_m2_s: float | None = setting(
        None, unit="m2/s", source="water_viscosity", gt=0,
        text="Kinematic viscosity; if given, it replaces the one from the temperature.",
    )
    old_condition: Literal["new", "sound", "worn"] = setting(
        "worn", unit="-", source="roughness_practice",
        text="Column of the roughness table that holds for the old pipe as it is (what it carries "
        "now; the sound old pipe that stands in for a design flow is always `sound`).",
    )
    new_condition: Literal["new", "sound", "worn"] = setting(
        "sound", unit="-", source="roughness_practice",
        text="Column of the roughness table that holds for renewed pipe in service.",
    )
    roughness_mm: Roughness = setting(
        dict, unit="mm", source="study",
        text="The study's own roughness by material; replaces the table in every condition.",
    )
    min_velocity_m_s: float = setting(
        0.7, unit="m/s", source="en752_cleansing", gt=0,
        text="Velocity that keeps a sewer clean, at the design flow where one is given, else at "
        "full bore; below DN 300 a gradient of 1:DN does it as well. Slower is a caution.",
    )
    max_velocity_m_s: float = setting(
        4.6, unit="m/s", source="ten_states", gt=0,
        text="Velocity at full bore above which a sewer needs protection against wear, shock and "
        "displacement (15 ft/s). Faster is a caution.",
    )
    level_error_m: float = setting(
        0.02, unit="m", source="practice", ge=0,
        text="Levels of two ends closer than this do not tell which is higher: twice the error of "
        "one invert read with staff and level.",
    )
    capacity_tolerance_share: float = setting(
        0.05, unit="share", source="house", ge=0, lt=1,
        text="Shortfall of capacity that is a caution rather than a failure: less than the "
        "effect of one roughness class.",
    )
    old_capacity_tolerance_share: float = setting(
        0.15, unit="share", source="house", ge=0, lt=1,
        text="The same where no design flow is given and the capacity of the sound old pipe "
        "stands in for it: wider, since nobody has asked for that flow.",
    )
    rainfall: RainfallSettings = setting(
        RainfallSettings, unit="-", source="study", text="Design rainfall.",
    )


class PipeSettings(Settings):
    """PE pipe and its string."""

    material: Literal["PE 100", "PE 80"] = setting(
        "PE 100", unit="-", source="gw321_stress", text="Strength class of the new pipe.",
    )
    sdr: float = setting(
        17.0, unit="-", source="practice", gt=0,
        text="Outside diameter over wall of a burst-in pipe; 11, 17, 17.6 or 26.",
    )
    liner_sdr: float = setting(
        26.0, unit="-", source="practice", gt=0,
        text="Outside diameter over wall of a close-fit or slipped pipe.",
    )
    temperature_c: float = setting(
        20.0, unit="C", source="practice", ge=0, le=40,
        text="Temperature of the pipe wall while it is pulled and bent.",
    )
    cold_temperature_c: float = setting(
        10.0, unit="C", source="house", ge=0, le=40,
        text="Lowest wall temperature at which a pit must still admit the bend; cold pipe "
        "bends less, so the pit is planned for a cool day.",
    )
    pull_hours: float = setting(
        2.0, unit="h", source="practice", gt=0,
        text="Duration of a pull; above half an hour the allowable stress falls.",
    )
    pull_safety: float = setting(
        1.0, unit="-", source="gw321_stress", ge=1,
        text="Safety on the allowable pull beyond that in the allowable stress (one maker "
        "asks 1.25).",
    )
    pull_basis: Literal["lower", "gw321", "astm_f1804"] = setting(
        "lower", unit="-", source="house",
        text="Allowable pull by the stress in force, by the American yield strength, or the lower "
        "of the two: they come from different authors.",
    )
    yield_mpa: float = setting(
        24.1, unit="N/mm2", source="astm_f1804", gt=0,
        text="Tensile strength at yield for the American rule (3,500 psi).",
    )
    density_kg_m3: float = setting(
        960.0, unit="kg/m3", source="pe_density", gt=0, text="Density of PE.",
    )
    bend_basis: Literal["larger", "temperature", "sdr"] = setting(
        "larger", unit="-", source="house",
        text="Least bend radius from the temperature table, the SDR table, or the larger of "
        "the two; the larger is kept because the tables have different authors.",
    )
    overcut_mm: float = setting(
        25.0, unit="mm", source="overcut_25", ge=0,
        text="Bursting head diameter beyond the new pipe.",
    )
    bar_length_m: float = setting(
        12.0, unit="m", source="practice", gt=0, text="Length of a pipe as delivered.",
    )
    weld_handling_min: Triple = setting(
        (10.0, 15.0, 20.0), unit="min", source="weld_handling",
        text="Handling and facing of a joint: low, mid, high.",
    )
    expansion_mm_m_k: Triple = setting(
        (0.15, 0.18, 0.20), unit="mm/(m K)", source="expansion_pe",
        text="Thermal expansion of PE: low, mid, high.",
    )
    cooling_k: float = setting(
        15.0, unit="K", source="practice", ge=0,
        text="How much the string cools from street to ground.",
    )
    creep_modulus_mpa: Triple = setting(
        (600.0, 800.0, 1100.0), unit="N/mm2", source="pe_modulus",
        text="Modulus under the pull: low, mid, high.",
    )
    overlap_floor_share: float = setting(
        0.01, unit="share", source="overlap_practice", ge=0, lt=1,
        text="Least overlength to leave, of the string length.",
    )
    rest_hours: float = setting(
        24.0, unit="h", source="najafi_p257", ge=0,
        text="Rest of the pulled string before it is cut and tied in (12 to 24).",
    )
    stage_hours: float = setting(
        4.0, unit="h", source="practice", ge=0,
        text="Time that each stop of the pull takes where a string is welded on in stages, besides "
        "the welds: laying out the next length, moving the welding machine.",
    )
    shift_hours: float = setting(
        8.0, unit="h", source="practice", gt=0, le=24,
        text="Hours of a working day in which strings are welded and pulled.",
    )


class PullSettings(Settings):
    """Estimate of the pull in static bursting; triples are low, mid, high pull."""

    friction: Triple = setting(
        (0.3, 0.4, 0.5), unit="-", source="pull_friction",
        text="Friction of the new pipe on the ground.",
    )
    contact_share: Triple = setting(
        (0.15, 0.25, 0.35), unit="share", source="house",
        text="Share of the pipe's surface that relaxed soil grips; the overcut leaves the rest "
        "free. No published value.",
    )
    contact_pressure_kpa: Triple = setting(
        (4.0, 6.0, 8.0), unit="kPa", source="house",
        text="Mean radial pressure of relaxed soil on the gripped share. No published value: "
        "fitted so that strings of about 140 m, which are common practice, stay within the "
        "allowable pull of a DN 250 pipe, with a spread of about -65 to +125 % in the drag.",
    )
    drag_factor: Triple = setting(
        (1.0, 1.0, 1.0), unit="-", source="house",
        text="Factor on the estimated drag of each string: 1 as long as nothing was measured. The "
        "file of lessons that record.lessons names sets it, with the band in which it lies.",
    )
    undrained_strength_kpa: Triple = setting(
        (20.0, 40.0, 75.0), unit="kPa", source="soil_strength_range",
        text="Undrained strength of the soil round the pipe.",
    )
    rigidity: float = setting(
        100.0, unit="-", source="soil_strength_range", gt=1,
        text="Shear modulus over undrained strength.",
    )
    soil_weight_kn_m3: float = setting(
        18.0, unit="kN/m3", source="soil_strength_range", gt=0,
        text="Weight of the soil above the pipe.",
    )
    cone_half_angle_deg: float = setting(
        15.0, unit="deg", source="practice", gt=0, lt=45,
        text="Half angle of the bursting cone.",
    )
    cone_friction: Triple = setting(
        (0.2, 0.3, 0.4), unit="-", source="pull_friction",
        text="Friction of the steel cone on fragments and soil.",
    )
    crack_length_ratio: float = setting(
        1.0, unit="-", source="burst_statics", gt=0,
        text="Length of host that the cone breaks at a time, in host bores.",
    )
    machine_limit_kn: float = setting(
        1000.0, unit="kN", source="practice", gt=0,
        text="Rated pull of the bursting machine.",
    )
    trough_ratio: float = setting(
        0.5, unit="-", source="heave_gauss", gt=0,
        text="Width of the heave at the surface over the depth of the pipe: 0.5 in clay, 0.25 to "
        "0.35 in sand.",
    )


class LinerSettings(Settings):
    """Cured-in-place liner by ASTM F1216 Appendix X1, gravity case."""

    modulus_mpa: float = setting(
        1724.0, unit="MPa", source="astm_f1216", gt=0,
        text="Short-term flexural modulus (250,000 psi).",
    )
    modulus_retention_share: float = setting(
        0.5, unit="share", source="najafi_p87", gt=0, le=1,
        text="Long-term over short-term modulus.",
    )
    strength_mpa: float = setting(
        31.0, unit="MPa", source="astm_f1216_x12", gt=0,
        text="Short-term flexural strength (4,500 psi).",
    )
    strength_retention_share: float = setting(
        0.5, unit="share", source="najafi_p87", gt=0, le=1,
        text="Long-term over short-term strength.",
    )
    safety: float = setting(
        2.0, unit="-", source="astm_f1216", ge=1, text="Factor of safety N.",
    )
    enhancement: float = setting(
        7.0, unit="-", source="astm_f1216", gt=0,
        text="Enhancement K that the host gives the liner.",
    )
    poisson_ratio: float = setting(
        0.3, unit="-", source="astm_f1216", ge=0, lt=0.5, text="Poisson's ratio.",
    )
    ovality_percent: float = setting(
        2.0, unit="%", source="astm_f1216", ge=0, lt=50,
        text="Ovality of the host, largest less mean over mean diameter, unless inspected.",
    )
    groundwater_depth_m: float = setting(
        0.0, unit="m", source="house", ge=0,
        text="Highest groundwater below ground that liners are designed for; where not set here, "
        "methods.subsoil.groundwater_depth_m, and where that is not known 0 (full to the surface).",
    )
    soil_weight_kn_m3: float = setting(
        18.0, unit="kN/m3", source="soil_strength_range", gt=0, text="Weight of the soil.",
    )
    soil_modulus_mpa: float = setting(
        6.9, unit="MPa", source="najafi_liner", gt=0,
        text="Modulus of soil reaction (1,000 psi).",
    )
    live_load_kpa: float = setting(
        10.0, unit="kPa", source="practice", ge=0, text="Traffic load on the pipe.",
    )
    min_stiffness_mpa: float = setting(
        0.093 * 0.006894757, unit="MPa", source="astm_f1216", ge=0,
        text="Least E I / D3 (0.093 psi) of a fully deteriorated design.",
    )
    min_wall_mm: float = setting(
        3.0, unit="mm", source="iso11296_4", gt=0, text="Least structural wall.",
    )
    wear_layer_mm: float = setting(
        0.0, unit="mm", source="iso11296_4", ge=0,
        text="Wear layer on top of the structural wall.",
    )
    pe_modulus_mpa: float = setting(
        800.0, unit="MPa", source="atv127_pe", gt=0,
        text="Short-term modulus of a close-fit pipe of PE, held against the loads of a liner.",
    )
    pe_modulus_retention_share: float = setting(
        0.2, unit="share", source="atv127_pe", gt=0, le=1,
        text="Long-term over short-term modulus of PE.",
    )
    pe_strength_mpa: float = setting(
        21.0, unit="MPa", source="atv127_pe", gt=0, text="Short-term bending strength of PE.",
    )
    pe_strength_retention_share: float = setting(
        0.66, unit="share", source="atv127_pe", gt=0, le=1,
        text="Long-term over short-term bending strength of PE.",
    )
    density_kg_m3: float = setting(
        1200.0, unit="kg/m3", source="practice", gt=0, text="Density of resin and felt.",
    )
    wall_step_mm: float = setting(
        0.5, unit="mm", source="practice", gt=0,
        text="Liners come in steps of this wall; the wall is rounded up to it.",
    )
