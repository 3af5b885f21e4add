"""Settings of the zones: the regime, what may be changed in it, and how gaps are filled."""

from __future__ import annotations

from typing import Literal

from routekit.settings.declare import Settings, setting

AGE_WORDS: dict[str, str] = {
    "newly planted": "young",
    "young": "young",
    "semi-mature": "mature",
    "early mature": "mature",
    "mature": "mature",
    "late mature": "over_mature",
    "over-mature": "over_mature",
    "post-mature": "over_mature",
    "veteran": "over_mature",
    "ancient": "over_mature",
}
"""Usual words of tree surveys for the age of a tree, and the age class they stand for."""


class ZoneSettings(Settings):
    """How root protection zones are drawn."""

    regime: str = setting(
        "bs5837_2012",
        unit="-",
        source="house",
        text="Zone regime of the whole study; one study never mixes two.",
    )
    override: dict[str, float | bool | str] = setting(
        dict,
        unit="as the field",
        source="study",
        text="Fields of the regime that this study replaces, by name.",
    )
    severity_share: Literal["severed", "footprint"] | None = setting(
        None,
        unit="-",
        source="severed_cautious",
        text="Share that sets severity; where silent, the regime says.",
    )
    least_overlap_m2: float = setting(
        0.01,
        unit="m2",
        source="house",
        text="A trench that takes no more than this of a zone, outside the structural one, grazes "
        "it: no survey draws stems and sewers so closely, and it counts as no breach.",
        ge=0,
        le=1,
    )
    tear_back_m: float | None = setting(
        None,
        unit="m",
        source="tear_back_yearbook",
        text="Depth of root tearing behind the trench wall; where silent, the regime says.",
        ge=0,
        le=3,
    )
    use_high_stem: bool = setting(
        True,
        unit="-",
        source="house",
        text="Draw zones from the high value of an estimated stem, lest one be drawn too small.",
    )
    crown_to_stem_low: float = setting(
        24.0,
        unit="-",
        source="coombes2019",
        text="Least crown diameter per stem diameter: gives the thickest stem for a crown.",
        gt=0,
    )
    crown_to_stem_mid: float = setting(
        25.5,
        unit="-",
        source="coombes2019",
        text="Middle crown diameter per stem diameter.",
        gt=0,
    )
    crown_to_stem_high: float = setting(
        27.0,
        unit="-",
        source="coombes2019",
        text="Most crown diameter per stem diameter: gives the widest crown for a stem.",
        gt=0,
    )
    without_size: Literal["assume", "unknown"] = setting(
        "assume",
        unit="-",
        source="house",
        text=(
            "A tree with neither stem nor crown: assume a stem, flagged, so that it is not "
            "passed over; or leave its zone unknown."
        ),
    )
    assumed_stem_low_mm: float = setting(
        150.0,
        unit="mm",
        source="assumed_stem",
        text="Low value of an assumed stem.",
        gt=0,
    )
    assumed_stem_mid_mm: float = setting(
        300.0,
        unit="mm",
        source="assumed_stem",
        text="Middle value of an assumed stem.",
        gt=0,
    )
    assumed_stem_high_mm: float = setting(
        500.0,
        unit="mm",
        source="assumed_stem",
        text="High value of an assumed stem.",
        gt=0,
    )
    species_tolerance: dict[str, Literal["good", "moderate", "poor"]] = setting(
        dict,
        unit="-",
        source="study",
        text="Tolerance of construction by species or genus, for regimes by tolerance and age.",
    )
    default_tolerance: Literal["good", "moderate", "poor"] = setting(
        "poor",
        unit="-",
        source="house",
        text="Tolerance of a species that is not listed: the one with the largest zone.",
    )
    age_words: dict[str, Literal["young", "mature", "over_mature"]] = setting(
        AGE_WORDS.copy,
        unit="-",
        source="practice",
        text="Words of the tree layer for young (under 20 % of life), mature, over-mature.",
    )
    default_age: Literal["young", "mature", "over_mature"] = setting(
        "over_mature",
        unit="-",
        source="house",
        text="Age of a tree of unknown age: the one with the largest zone.",
    )
    is_one_sided: bool = setting(
        False,
        unit="-",
        source="nl_stem_table",
        text="Use the column for leaning trees and one-sided root plates of a stem-class table.",
    )
    doubt_factor: float = setting(
        1.5,
        unit="-",
        source="house",
        text="How much larger than drawn a zone round an estimated stem may be, where the regime "
        "has no largest radius: what a trench would meet only then is a caution.",
        ge=1,
    )
    stem_height_tolerance_m: float = setting(
        0.1,
        unit="m",
        source="house",
        text="A stem measured further than this from the regime's height is reported.",
        ge=0,
    )
    no_dig_m: float = setting(
        1.0,
        unit="m",
        source="njug4",
        text="Nearer than this to the face of a stem nothing is dug, neither by machine nor by "
        "hand: a trench, pit or dig that comes nearer fails.",
        ge=0,
    )
    unknown_stem_mm: float = setting(
        2000.0,
        unit="mm",
        source="house",
        text="Thickest that a stem of unknown size may be, where digging near it is judged.",
        gt=0,
    )
    unrecorded_sd_m: float = setting(
        0.5,
        unit="m",
        source="house",
        text="Standard deviation of a pipe's or stem's position of which none is recorded, where "
        "digging near stems is judged; what is clear by it alone is a caution.",
        ge=0,
    )
