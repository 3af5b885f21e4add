"""Settings of the record of the works: when something built differs from the plan."""

from __future__ import annotations

from routekit.settings.declare import Settings, setting


class RecordSettings(Settings):
    """What counts as built otherwise than planned."""

    lessons: str | None = setting(
        None,
        unit="-",
        source="study",
        text=(
            "File of lessons from earlier works, from the study file's folder: measured pulls and "
            "working days set pull.drag_factor and advice.production."
        ),
    )
    level_within_m: float = setting(
        0.02,
        unit="m",
        source="house",
        ge=0,
        le=1,
        text="A level that is off by no more than this counts as built to plan.",
    )
    bore_within_share: float = setting(
        0.02,
        unit="share",
        source="house",
        ge=0,
        lt=1,
        text="A pipe whose size is off by no more than this share counts as the one planned.",
    )
    pit_within_m: float = setting(
        0.25,
        unit="m",
        source="house",
        ge=0,
        le=10,
        text="A pit dug no farther than this beyond the one planned counts as dug where planned.",
    )
    root_cut_mm: float = setting(
        25.0,
        unit="mm",
        source="bs5837_7",
        gt=0,
        text="Roots of this thickness and more are cut on an arborist's advice alone.",
    )
    care_rain_mm: float = setting(
        20.0,
        unit="mm",
        source="practice",
        gt=0,
        le=100,
        text=(
            "A visit waters a tree as good rain of this height would the ground that was dug or "
            "cut off in its zone."
        ),
    )
    watering_seasons: int = setting(
        2,
        unit="-",
        source="practice",
        ge=1,
        le=10,
        text="Growing seasons in which a tree is watered after the works.",
    )
    check_up_years: int = setting(
        3,
        unit="a",
        source="practice",
        ge=0,
        le=20,
        text="Years over which an arborist looks at a tree once a year after the works.",
    )
