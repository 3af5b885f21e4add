"""Settings of the outputs: what the map draws, how large a page may grow, how a sheet prints."""

from __future__ import annotations

import re
from typing import Final, Self
from urllib.parse import urlsplit

from pydantic import field_validator, model_validator

from routekit.settings.declare import Settings, setting
from routekit.settings.public_page import PublicSettings
from routekit.words.codes import Language

_HOST: Final = re.compile(r"[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*(:\d{1,5})?")


class MapSettings(Settings):
    """Settings of the working map."""

    language: Language = setting(
        "en",
        unit="-",
        source="house",
        text="Language in which the map opens; its reader may choose another.",
    )
    root_band_m: float = setting(
        0.6,
        unit="m",
        source="practice",
        text="Depth of the band of densest roots that long sections show below the ground.",
        gt=0,
        le=3,
    )
    nearby_m: float = setting(
        60.0,
        unit="m",
        source="house",
        text="Surroundings kept round the runs of a page; nothing farther off is drawn on it.",
        ge=0,
        le=1000,
    )
    simplify_m: float = setting(
        0.05,
        unit="m",
        source="house",
        text="Outlines are thinned by this much, which no sheet down to 1:100 can show.",
        ge=0,
        le=1,
    )
    max_runs: int = setting(
        25_000,
        unit="runs",
        source="house",
        text="A page with more runs is divided by area, so that a phone still opens it.",
        ge=1,
    )
    max_page_mb: float = setting(
        12.0,
        unit="MB",
        source="house",
        text="A larger page is divided by area, so that it can still be sent by mail.",
        gt=0,
    )
    print_scale: int = setting(
        500,
        unit="1:n",
        source="house",
        text="Scale at which a printed sheet first offers itself.",
        ge=50,
        le=25_000,
    )
    sheet_date: str = setting(
        "",
        unit="-",
        source="study",
        text="Date printed on the sheet; empty takes the date of the provenance table, if any.",
    )
    has_photo: bool = setting(
        True,
        unit="-",
        source="house",
        text="Whether a background photo of the study is embedded in the page.",
    )
    photo_max_mb: float = setting(
        4.0,
        unit="MB",
        source="house",
        text="Largest embedded photo; a bigger one is drawn coarser until it fits.",
        gt=0,
    )
    online_tiles_url: str = setting(
        "",
        unit="-",
        source="study",
        text="Address pattern of online background tiles, https with {z}, {x} and {y}; empty keeps "
        "the page off the network.",
    )
    online_tiles_credit: str = setting(
        "",
        unit="-",
        source="study",
        text="Credit line of the online background tiles, as their owner words it; it stands on "
        "the plan, and must be given with an address.",
    )

    @field_validator("online_tiles_url")
    @classmethod
    def _check_tiles(cls, value: str) -> str:
        """Accept nothing, or an https pattern with a place for each tile and one host."""
        if not value:
            return value
        fault = find_tile_fault(value)
        if fault:
            msg = (
                f"{value!r}: {fault}; write a pattern such as "
                '"https://tiles.example/{z}/{x}/{y}.png", or leave the line out'
            )
            raise ValueError(msg)
        return value

    @model_validator(mode="after")
    def _check_credit(self) -> Self:
        """Refuse tiles whose owner is not named."""
        if self.online_tiles_url and not self.online_tiles_credit.strip():
            msg = (
                "online_tiles_url is given without online_tiles_credit; write the credit line that "
                "the owner of the tiles asks for"
            )
            raise ValueError(msg)
        return self


def find_tile_fault(pattern: str) -> str:
    """Say what is wrong with an address pattern of tiles.

    Parameters
    ----------
    pattern : str

    Returns
    -------
    str
        Blank if nothing is.

    Examples
    --------
    >>> find_tile_fault("https://{s}.tiles.example/{z}/{x}/{y}.png")
    ''
    >>> find_tile_fault("http://tiles.example/{z}/{x}/{y}.png")
    'it does not begin with https://'
    """
    parts = urlsplit(pattern.replace("{s}.", "", 1) if "://{s}." in pattern else pattern)
    if parts.scheme != "https":
        return "it does not begin with https://"
    if not _HOST.fullmatch(parts.netloc):
        return "it names no plain host"
    if re.search(r"[\s\"'<>;\\]", pattern):
        return "it holds blanks or signs that no address has"
    slots = re.findall(r"\{[^}]*\}", f"{parts.path}?{parts.query}")
    if not {"{z}", "{x}", "{y}"} <= set(slots):
        return "it lacks {z}, {x} or {y}"
    unknown = sorted(set(slots) - {"{z}", "{x}", "{y}", "{r}"})
    return f"{unknown[0]} is not known" if unknown else ""


class GeopackageSettings(Settings):
    """Size of the result GeoPackage."""

    circle_segments: int = setting(
        12,
        unit="-",
        source="house",
        text="Sides of the polygon that stands for a circular zone; it encloses the circle, and "
        "with 12 sides its corners stand out 3.5 % of the radius, its area is 2.4 % larger",
        ge=12,
        le=720,
    )
    max_check_rows: int = setting(
        2_000_000,
        unit="rows",
        source="house",
        text="Above this number the checks layer holds only checks that do not pass and those of "
        "the recommended technique",
        ge=0,
    )
    spatial_index: bool = setting(
        True,
        unit="-",
        source="house",
        text="Write a spatial index for each layer with geometry; costs about a sixth of the "
        "writing time",
    )


class ScheduleSettings(Settings):
    """Size of the schedule."""

    max_rows: int = setting(
        25_000,
        unit="rows",
        source="house",
        text="Most rows of one sheet; what is left out is said in the sheet and stands in the "
        "GeoPackage. A workbook takes about 10 s per million cells; a sheet ends at 1,048,576 rows",
        ge=1,
        le=1_048_000,
    )
    max_quantity_rows: int = setting(
        250_000,
        unit="rows",
        source="house",
        text="Most rows of the sheet of quantities, some nine for each run; above it the sheet "
        "holds their sums by item, street and string, and schedule.csv each row. A workbook of "
        "more formulas takes minutes to write and to open",
        ge=1,
        le=1_048_000,
    )
    contingency_share: float = setting(
        0.1,
        unit="-",
        source="practice",
        text="Contingency that the bill adds to the sum of its items; a cell that the tenderer "
        "may change",
        ge=0,
        le=1,
    )
    is_priced: bool = setting(
        True,
        unit="-",
        source="study",
        text="Whether the book holds the client's own costs and rates; false leaves out all money, "
        "for the book that goes to tenderers",
    )


class ReportSettings(Settings):
    """Size of the arborist's report."""

    page_trees: int = setting(
        1_000,
        unit="trees",
        source="house",
        text="Sheets in all, worst first; trees that the recommended works touch always have one, "
        "the limit leaves out trees that only open cut would reach",
        ge=0,
    )
    volume_trees: int = setting(
        250,
        unit="trees",
        source="house",
        text="Most sheets in one file: a study with more is divided into an index and numbered "
        "volumes; a volume of 250 is a page of 4 MB, and some hundred printed sheets of paper",
        ge=1,
    )
    listed_trees: int = setting(
        2_000,
        unit="trees",
        source="house",
        text="Most ids in the list of trees that no works touch",
        ge=0,
    )


class WorksSettings(Settings):
    """Size of the works plans."""

    volume_streets: int = setting(
        50,
        unit="streets",
        source="house",
        text="Most streets in one file of works plans: a study with more is divided into an index "
        "and numbered volumes",
        ge=1,
    )


class OutputSettings(Settings):
    """What is written, and how."""

    language: Language = setting(
        "en",
        unit="-",
        source="house",
        text="Language of schedule, tree sheets and summary; the map opens in outputs.map.language",
    )
    geopackage: GeopackageSettings = setting(
        GeopackageSettings, unit="-", source="study", text="Result GeoPackage."
    )
    map: MapSettings = setting(MapSettings, unit="-", source="study", text="Working map.")
    public: PublicSettings = setting(
        PublicSettings, unit="-", source="study", text="Page for the public."
    )
    schedule: ScheduleSettings = setting(
        ScheduleSettings, unit="-", source="study", text="Schedule for tenderers."
    )
    report: ReportSettings = setting(
        ReportSettings, unit="-", source="study", text="Report for the arborist."
    )
    works: WorksSettings = setting(
        WorksSettings, unit="-", source="study", text="Works plans by street."
    )
