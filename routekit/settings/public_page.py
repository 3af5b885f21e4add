"""Settings of the page for residents."""

from __future__ import annotations

import re
from datetime import date
from typing import ClassVar, Self
from urllib.parse import urlsplit

from pydantic import field_validator, model_validator

from routekit.settings.declare import Settings, Span, setting
from routekit.techniques import RECORDS, TECHNIQUES
from routekit.words.codes import Language
from routekit.words.languages import list_languages

_MAIL = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*")
_DATE = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


def _is_day(text: str) -> bool:
    """Tell whether a text is a day of the calendar as YYYY-MM-DD."""
    if not _DATE.fullmatch(text):
        return False
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _default_days() -> dict[str, tuple[int, int]]:
    """Give the usual working days from one manhole to the next, fewest and most, by technique."""
    return {one.code: one.usual_days for one in RECORDS if one.usual_days is not None}


class PublicSettings(Settings):
    """What the page for residents says, and in which language it opens."""

    moved: ClassVar[dict[str, str]] = {
        name: f"string_days.{name}" for name in ("pit_days", "connections_a_day", "gangs")
    }

    language: Language = setting(
        "en", unit="-", source="house", text="Language in which the page opens."
    )
    title: str = setting(
        "",
        unit="-",
        source="study",
        text="Title of the page; empty takes the name of the study.",
    )
    intro: str = setting(
        "", unit="-", source="study", text="Words of the council above the map, shown as written."
    )
    titles: dict[str, str] = setting(
        dict,
        unit="-",
        source="study",
        text="Titles by language code; a language left out takes `title`.",
    )
    intros: dict[str, str] = setting(
        dict,
        unit="-",
        source="study",
        text="Words of the council by language code; a language left out takes `intro`.",
    )
    contact: str = setting(
        "",
        unit="-",
        source="study",
        text=(
            "Mail address, or https address of a web form, for questions; `{number}` in the web "
            "address stands for the run or tree number."
        ),
    )
    data_date: str = setting(
        "",
        unit="-",
        source="study",
        text="Date of the data as YYYY-MM-DD; empty is said to be not stated.",
    )
    period: tuple[str, ...] = setting(
        (),
        unit="-",
        source="study",
        text=(
            "First and last day of the works as YYYY-MM-DD; the last may be left out while it is "
            "not fixed. Without it the page says that there are no dates yet."
        ),
    )
    periods: dict[str, tuple[str, ...]] = setting(
        dict,
        unit="-",
        source="study",
        text="First and last day by name of the street; a street left out takes `period`.",
    )
    area_size_m: float = setting(
        200.0,
        unit="m",
        source="house",
        text="Side of the grid squares that stand for streets where no name is known.",
        gt=0,
    )
    tree_reach_m: float = setting(
        15.0,
        unit="m",
        source="house",
        text=(
            "Trees no farther than this from a run are shown with its street: the radius at which "
            "the largest root protection zones are capped. A tree whose zone a trench would "
            "enter is shown however far it stands."
        ),
        ge=0,
    )
    public_edge_m: float = setting(
        0.5,
        unit="m",
        source="house",
        text=(
            "A tree stands on public ground if a surface (road, path, verge, bed, parking) lies "
            "no farther from its stem than this, which allows for the survey. Other trees near "
            "drawn surfaces are taken for garden trees and left off the page, whether works "
            "reach them or not."
        ),
        ge=0,
    )
    unmapped_reach_m: float = setting(
        10.0,
        unit="m",
        source="house",
        text=(
            "Where no surface is drawn within `tree_reach_m` of a tree, it is shown only if a run "
            "lies no farther than this: half the width of an ordinary street. Trees farther away "
            "could stand in gardens."
        ),
        ge=0,
    )
    backdrop_reach_m: float = setting(
        60.0,
        unit="m",
        source="house",
        text=(
            "Buildings and surfaces no farther than this from a run are drawn; where the streets "
            "are divided over several pages, trees of the other streets too."
        ),
        ge=0,
    )
    max_page_mb: float = setting(
        12.0,
        unit="MB",
        source="house",
        text="The streets of a larger page are divided by area, so that a phone still opens it.",
        gt=0,
    )
    parking_space_m2: float = setting(
        12.5,
        unit="m2",
        source="practice",
        text="Area of one parking space, to say how many spaces the pits take.",
        gt=0,
    )
    days: dict[str, tuple[int, int]] = setting(
        _default_days,
        unit="working days",
        source="house",
        text=(
            "Usual time from one manhole to the next, fewest and most working days, by technique; "
            "a technique left out is said to have no stated time. Where a string is pulled, its "
            "own time counts instead. Replace with the contractor's programme."
        ),
    )
    hole_days: Span = setting(
        (1, 3),
        unit="working days",
        source="house",
        text="Usual time for which one small hole stays open, fewest and most.",
    )

    @field_validator("contact")
    @classmethod
    def _check_contact(cls, value: str) -> str:
        """Accept nothing, one mail address, or one https address."""
        if not value or _MAIL.fullmatch(value):
            return value
        parts = urlsplit(value)
        if parts.scheme == "https" and parts.netloc and not re.search(r"\s", value):
            return value
        msg = f"`contact` is {value!r}; write one mail address or an address with https://"
        raise ValueError(msg)

    @field_validator("data_date")
    @classmethod
    def _check_date(cls, value: str) -> str:
        """Accept nothing or a date as YYYY-MM-DD."""
        if value and not _is_day(value):
            msg = f"`data_date` is {value!r}; write it as YYYY-MM-DD"
            raise ValueError(msg)
        return value

    @field_validator("period", "periods")
    @classmethod
    def _check_periods(
        cls, value: tuple[str, ...] | dict[str, tuple[str, ...]]
    ) -> tuple[str, ...] | dict[str, tuple[str, ...]]:
        """Accept a first and a last day in their order, or a first day alone."""
        for days in value.values() if isinstance(value, dict) else [value]:
            if days[2:] or not all(map(_is_day, days)) or list(days) != sorted(days):
                msg = (
                    f"{list(days)}: write the first day, or the first and the last, each as "
                    "YYYY-MM-DD"
                )
                raise ValueError(msg)
        if isinstance(value, dict) and not all(value.values()):
            msg = "a street with no day: leave the street out, or write its first day"
            raise ValueError(msg)
        return value

    @field_validator("titles", "intros")
    @classmethod
    def _check_codes(cls, value: dict[str, str]) -> dict[str, str]:
        """Refuse codes of languages that the page does not have."""
        unknown = sorted(set(value) - set(list_languages()))
        if unknown:
            known = ", ".join(list_languages())
            msg = f"language {', '.join(map(repr, unknown))} is not one of {known}"
            raise ValueError(msg)
        return value

    @model_validator(mode="after")
    def _check_days(self) -> Self:
        """Refuse unknown techniques and impossible times."""
        unknown = sorted(set(self.days) - set(TECHNIQUES))
        if unknown:
            msg = f"`days` names {', '.join(unknown)}; known are {', '.join(TECHNIQUES)}"
            raise ValueError(msg)
        wrong = sorted(name for name, (low, high) in self.days.items() if not 0 < low <= high)
        if wrong:
            msg = f"`days` of {', '.join(wrong)}: write 1 or more days, the fewest first"
            raise ValueError(msg)
        return self
