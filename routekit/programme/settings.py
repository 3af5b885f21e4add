"""Settings of the programme of works, and of the flow while a sewer is out of use."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Final, Literal

from babel import Locale
from babel.core import get_global
from pydantic import AfterValidator, Field, NonNegativeFloat, field_validator

from routekit.settings.declare import Settings, Span, check_order, setting

Triple = Annotated[
    tuple[NonNegativeFloat, NonNegativeFloat, NonNegativeFloat], AfterValidator(check_order)
]
Gang = Literal["inside", "pits", "trench"]
"""Kinds of gangs, by what residents see of their work."""

Force = Literal["must", "prefer", "off"]
"""Whether a season binds, is waited for if it is near, or is not looked at."""

GANGS: Final[dict[Gang, int]] = {"inside": 1, "pits": 1, "trench": 1}
URGENCY: Final = {"high": 9, "medium": 3, "low": 1, "none": 1, "unknown": 3}
_MONTH_DAY = re.compile(r"(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


LAST_YEAR: Final = 2199
"""Days are counted in nanoseconds, which end in 2262; works and care after them stay within."""


def _check_day(text: str) -> str:
    """Accept nothing, or a day of the calendar as YYYY-MM-DD."""
    try:
        if text and date.fromisoformat(text).isoformat() != text:
            raise ValueError
    except ValueError:
        raise ValueError(f"{text!r} is no day; write it as YYYY-MM-DD") from None
    if text and int(text[:4]) > LAST_YEAR:
        raise ValueError(f"{text!r} lies after the year {LAST_YEAR}; write the day meant")
    return text


Day = Annotated[str, AfterValidator(_check_day)]


def _check_country(code: str) -> str:
    """Accept nothing, or a country's two letters of ISO 3166-1 (as CLDR lists them)."""
    names = {key: name for key, name in Locale("en").territories.items() if key.isalpha()}
    if not code or code in names:
        return code
    meant = [
        *get_global("territory_aliases").get(code.upper(), ()),
        *(each for each, name in names.items() if code.casefold() in (each.lower(), name.lower())),
    ]
    hint = f'did you mean "{meant[0]}"?' if meant else 'write two letters, as in "GB"'
    raise ValueError(f"{code!r} is no code of a country (ISO 3166-1); {hint}")


Country = Annotated[str, AfterValidator(_check_country)]


class ProgrammeSettings(Settings):
    """When packages of works are done, by which gangs, in which seasons."""

    is_made: bool = setting(
        False, unit="-", source="house", text="Make a programme of the recommended works."
    )
    start: Day = setting(
        "",
        unit="-",
        source="study",
        text="First day of the works as YYYY-MM-DD. Without it the programme counts working days "
        "from its start, and seasons are not looked at but left to confirm.",
    )
    holidays: tuple[Day, ...] = setting(
        (),
        unit="-",
        source="study",
        text="Days as YYYY-MM-DD on which nobody works, beside Saturdays and Sundays.",
    )
    country: Country = setting(
        "",
        unit="-",
        source="study",
        text="Country of the works as two letters, whose nesting season counts; see windows.csv.",
    )
    gangs: dict[Gang, Annotated[int, Field(ge=1)]] = setting(
        lambda: dict(GANGS),
        unit="gangs",
        source="house",
        text="Gangs at work at once: that line and mend from inside, that pull pipes from pits, "
        "and that dig trenches; a kind that is left out has one.",
    )
    set_up_days: Triple = setting(
        (0.25, 0.5, 1.0),
        unit="working days",
        source="house",
        text="Signs, barriers and pumps set up and taken away, for each package: low, mid, high.",
    )
    most_days: float = setting(
        15.0,
        unit="working days",
        source="house",
        text="Runs of a street that are no pull string are parted into packages no longer than "
        "this, the most urgent first; a single run may be longer.",
        gt=0,
    )
    urgency: dict[
        Literal["high", "medium", "low", "none", "unknown"], Annotated[int, Field(ge=1)]
    ] = setting(
        lambda: dict(URGENCY),
        unit="-",
        source="house",
        text="What a working day until its end weighs for a package, by its most urgent run.",
    )
    neighbour_m: float = setting(
        20.0,
        unit="m",
        source="house",
        text="Streets whose sewers come as near to each other are neighbours: pits and trenches "
        "are not open in both at once.",
        ge=0,
    )
    nesting: Force = setting(
        "must",
        unit="-",
        source="house",
        text="Nesting season of the country, for packages that take structural roots of a tree, "
        "so that it may have to be cut back or felled, or of which that is not known.",
    )
    frost: Force = setting(
        "must", unit="-", source="house", text="Frost, for packages that open the ground."
    )
    dormant: Force = setting(
        "prefer",
        unit="-",
        source="house",
        text="Dormant season, for packages that cut roots or of which that is not known.",
    )
    dry: Force = setting(
        "prefer",
        unit="-",
        source="house",
        text="Season of dry weather, for packages of storm sewers or of sewers of unknown use.",
    )
    seasons: dict[Literal["nesting", "frost", "dormant", "dry"], tuple[str, str]] = setting(
        dict,
        unit="-",
        source="study",
        text="First and last day as MM-DD of a season, in place of that of windows.csv.",
    )
    school_streets: tuple[str, ...] = setting(
        (),
        unit="-",
        source="study",
        text="Streets in which works are done in school holidays only; of several streets of one "
        "name, all of them, or that with the number.",
    )
    school_holidays: tuple[tuple[Day, Day], ...] = setting(
        (), unit="-", source="study", text="First and last day of each school holiday, YYYY-MM-DD."
    )
    wait_days: int = setting(
        65,
        unit="working days",
        source="house",
        text="A package waits for a season that is preferred no longer than this.",
        ge=0,
        le=1000,
    )
    effort_each: float = setting(
        0.005,
        unit="-",
        source="house",
        text="Work of the solver for each package, in its deterministic time, which does not "
        "hang on the machine.",
        gt=0,
        le=10,
    )
    effort_most: float = setting(
        5.0, unit="-", source="house", text="Work of the solver at most.", gt=0, le=1000
    )

    @field_validator("seasons")
    @classmethod
    def _check_seasons(cls, value: dict[str, tuple[str, str]]) -> dict[str, tuple[str, str]]:
        """Refuse what is no day of a year."""
        wrong = [day for days in value.values() for day in days if not _MONTH_DAY.fullmatch(day)]
        if wrong:
            raise ValueError(f"{wrong[0]!r} is no day of the year; write it as MM-DD")
        return value

    @field_validator("school_holidays")
    @classmethod
    def _check_holidays(cls, value: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
        """Refuse holidays that run backwards."""
        for first, last in value:
            if not first or last < first:
                raise ValueError(f"{[first, last]}: write the first day, then the last")
        return value


class DiversionSettings(Settings):
    """What is carried past a sewer that is out of use, and how long a plug may stand."""

    persons_a_house: float = setting(
        2.5, unit="persons", source="practice", text="Persons behind a house connection.", gt=0
    )
    litres_a_person: float = setting(
        150.0, unit="l/day", source="practice", text="Waste water of a person in a day.", gt=0
    )
    peak_factor: float = setting(
        4.0,
        unit="-",
        source="practice",
        text="Greatest dry-weather flow over its mean, in a small district.",
        ge=1,
    )
    hoses_mm: tuple[float, ...] = setting(
        (100.0, 150.0, 200.0, 250.0, 300.0),
        unit="mm",
        source="practice",
        text="Bores of hoses that can be had.",
        min_length=1,
    )
    hose_velocity_m_s: float = setting(
        2.5, unit="m/s", source="practice", text="Velocity in a hose at most.", gt=0
    )
    hose_roughness_mm: float = setting(
        0.1, unit="mm", source="practice", text="Roughness of a hose with its couplings.", ge=0
    )
    minor_losses: float = setting(
        4.0,
        unit="-",
        source="practice",
        text="Losses at inlet, bends, valve and outlet in velocity heads.",
        ge=0,
    )
    slack_share: float = setting(
        0.1, unit="share", source="house", text="Hose beyond the length of the runs.", ge=0
    )
    suction_m: float = setting(
        7.0,
        unit="m",
        source="practice",
        text="Suction lift of a pump at the surface, at most.",
        gt=0,
    )
    standby_share: float = setting(
        0.5, unit="share", source="bypass_standby", text="Standby of pumps.", ge=0
    )
    critical_standby_share: float = setting(
        1.0, unit="share", source="bypass_standby", text="Standby of pumps, critical sewers.", ge=0
    )
    critical_l_s: float = setting(
        50.0,
        unit="l/s",
        source="house",
        text="A sewer that must carry more is critical, as one in `critical_runs` is.",
        gt=0,
    )
    critical_runs: tuple[str, ...] = setting(
        (), unit="-", source="study", text="Runs whose flow must never stand: hospitals and such."
    )
    freeboard_m: float = setting(
        2.0,
        unit="m",
        source="house",
        text="Water behind a plug stays this far below the lowest cover that it reaches: as deep "
        "as cellar floors.",
        ge=0,
    )
    storage_share: float = setting(
        0.8,
        unit="share",
        source="house",
        text="Share of the space upstream that counts: the rest is wet or silted already.",
        gt=0,
        le=1,
    )
    hours_a_day: float = setting(
        8.0, unit="h", source="practice", text="Hours of a working day.", gt=0, le=24
    )

    @field_validator("hoses_mm")
    @classmethod
    def _check_hoses(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        """Refuse hoses of no bore."""
        if min(value) <= 0:
            raise ValueError(f"{list(value)}: write bores above 0")
        return tuple(sorted(value))


class StringDaysSettings(Settings):
    """How long the ground stays open where pipes are pulled in, string by string."""

    pit_days: Span = setting(
        (2, 4),
        unit="working days",
        source="house",
        text=(
            "Time to dig and secure the pits of one string and to fill them again, fewest and "
            "most; added to the days until its pipe is tied in and its connections are joined."
        ),
    )
    connections_a_day: Span = setting(
        (2, 4),
        unit="1/day",
        source="house",
        text="Connections joined to a new pipe in a working day by one gang, fewest and most.",
    )
    gangs: int = setting(
        1,
        unit="gangs",
        source="house",
        text="Gangs that pull pipes in one street side by side; one does string after string.",
        ge=1,
    )
