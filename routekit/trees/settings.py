"""Settings of the zones: the regime, what may be changed in it, and how gaps are filled."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import model_validator

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


class EstimateSettings(Settings):
    """How stems and crowns go together, and how single trees scatter about that."""

    stem_of_10m_crown_mm: float = setting(
        405.0,
        unit="mm",
        source="measured_trees",
        text="Middle stem diameter of a crown 10 m wide; a study with a relation of its own gives "
        "its growth and spread as well.",
        gt=0,
    )
    stem_growth: float = setting(
        1.23,
        unit="-",
        source="measured_trees",
        text="Exponent by which the stem grows with the width of the crown: 1 for a fixed ratio.",
        ge=0,
        le=3,
    )
    stem_spread: float = setting(
        0.288,
        unit="-",
        source="measured_trees",
        text="Standard deviation of the natural logarithm of the stem of single trees, at a crown "
        "of 10 m: 0.288 is about 29 % up or down.",
        gt=0,
        le=2,
    )
    stem_spread_growth: float = setting(
        -0.32,
        unit="-",
        source="measured_trees",
        text="Exponent by which that spread grows with the width of the crown: small crowns tell "
        "less of the stem; 0 for the same spread at any width.",
        ge=-1,
        le=1,
    )
    crown_of_400mm_stem_m: float = setting(
        9.74,
        unit="m",
        source="measured_trees",
        text="Middle crown diameter of a stem of 400 mm.",
        gt=0,
    )
    crown_growth: float = setting(
        0.666,
        unit="-",
        source="measured_trees",
        text="Exponent by which the crown grows with the stem.",
        ge=0,
        le=3,
    )
    crown_spread: float = setting(
        0.224,
        unit="-",
        source="measured_trees",
        text="Standard deviation of the natural logarithm of the crown of single trees.",
        gt=0,
        le=2,
    )
    band_deviations: float = setting(
        1.645,
        unit="-",
        source="house",
        text="Half the width of the band in standard deviations: with 1.645 nine of ten single "
        "trees lie in it, and one of twenty above its high end, which draws the zone.",
        gt=0,
        le=4,
    )
    slip_deviations: float = setting(
        4.0,
        unit="-",
        source="house",
        text="A stem is a slip, such as cm for mm, where it is so many standard deviations thinner "
        "than its crown tells: one sound tree of 30,000 is; the crown draws the zone then.",
        ge=2,
        le=20,
    )

    @model_validator(mode="after")
    def _check_spread(self) -> Self:
        """Refuse a relation of the study's own that goes with a spread of other trees."""
        given = self.model_fields_set
        for size in ("stem", "crown"):
            lacks = {f"{size}_growth", f"{size}_spread"} - given
            middle = next(name for name in type(self).model_fields if name.startswith(f"{size}_of"))
            if given & {middle, f"{size}_growth"} and lacks:
                msg = f"a relation of your own needs {' and '.join(sorted(lacks))} too: the growth "
                msg += "of the size and the spread of single trees, both from where it was found"
                raise ValueError(msg)
        return self


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
    estimates: EstimateSettings = setting(
        EstimateSettings,
        unit="-",
        source="measured_trees",
        text="A stem from a crown, a crown from a stem, and the band of a single tree",
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
    own_zone_stems: float = setting(
        38.0,
        unit="-",
        source="root_spread_day",
        text="A zone drawn by a person that reaches farther from the stem than this many stem "
        "diameters is used, and asked about.",
        gt=0,
    )
    own_zone_least_m: float = setting(
        5.0,
        unit="m",
        source="house",
        text="A zone drawn by a person is not asked about as too large up to this distance from "
        "the stem, however thin it is: an outline is drawn generously round a young tree.",
        ge=0,
    )
    unknown_stem_mm: float = setting(
        2000.0,
        unit="mm",
        source="house",
        text="Thickest that a stem of unknown size may be: what digging or a trench would meet "
        "only then is a caution.",
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
