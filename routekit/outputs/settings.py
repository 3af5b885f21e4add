"""Settings of the outputs: what the map draws, how large a page may grow, how a sheet prints."""

from __future__ import annotations

from routekit.settings import Settings, setting


class MapSettings(Settings):
    """Settings of the working map."""

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
        text="Address pattern of online background tiles; empty keeps the page off the network.",
    )
    online_tiles_credit: str = setting(
        "",
        unit="-",
        source="study",
        text="Credit line of the online background tiles, as their owner words it.",
    )
