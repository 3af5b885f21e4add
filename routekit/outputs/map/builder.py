"""The working map as one HTML page that asks the network for nothing.

Leaflet and folium carry the map; the page's own script unpacks the data and draws it. Text of
the study reaches the page only as packed data and escaped title, and the content security
policy names every script and style by its hash.
"""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib.resources import files
from typing import Any, Final
from urllib.parse import urlsplit

import folium
import jinja2
import numpy as np
from folium.template import Template

from routekit.outputs.map.content import page_content, plan_box, study_photo
from routekit.outputs.map.encoding import encode
from routekit.outputs.map.projection import to_lonlat
from routekit.outputs.map.seven_bit import escape_page, escape_script, escape_style
from routekit.outputs.map.words import name_languages, pack_languages, speak_in
from routekit.result import Result

SCRIPTS: Final = (
    "inflate.js",
    "unpack.js",
    "shelves.js",
    "grid.js",
    "say.js",
    "words.js",
    "codes.js",
    "languages.js",
    "study.js",
    "findplace.js",
    "canvas.js",
    "strokes.js",
    "strokes_works.js",
    "labels.js",
    "plan.js",
    "facets.js",
    "alerts.js",
    "narrow.js",
    "key.js",
    "schedule.js",
    "sections.js",
    "section_works.js",
    "ways.js",
    "programme.js",
    "cards.js",
    "parts.js",
    "sheets.js",
    "takeaway.js",
    "lists.js",
    "measure.js",
    "deciding.js",
    "printing.js",
    "finder.js",
    "main.js",
)
"""Scripts of the page, in the order in which they are joined."""
SAY: Final = "say.js"
"""Script of the words, which belongs to no page."""

_FOLDER: Final = files("routekit.outputs.map")
_NOTHING: list[tuple[str, str]] = []
_PICTURES: Final = "data:"
_TILE_ZOOM: Final = 19
"""Closest zoom of which tiles are asked for: most makers have none beyond; they are enlarged."""


@cache
def read_part(name: str) -> str:
    """Read a file of the page.

    Parameters
    ----------
    name : str
        Path below the folder of the map.

    Returns
    -------
    str
        Its text.
    """
    return _FOLDER.joinpath(name).read_text(encoding="utf-8")


def read_script(name: str) -> str:
    """Read a script of the page.

    Parameters
    ----------
    name : str
        File name in `script/`, or `say.js` of the words.

    Returns
    -------
    str
        Its text.
    """
    if name == SAY:
        return files("routekit.words").joinpath(f"script/{SAY}").read_text(encoding="utf-8")
    return read_part(f"script/{name}")


@cache
def page_templates() -> jinja2.Environment:
    """Give the page templates, with every slot escaped unless marked safe.

    Returns
    -------
    jinja2.Environment
        Reads the files in `page/`.
    """
    loader = jinja2.FunctionLoader(lambda name: read_part(f"page/{name}"))
    return jinja2.Environment(loader=loader, autoescape=True, undefined=jinja2.StrictUndefined)


@cache
def said_macros() -> Any:
    """Give the macros by which a text stands in a page."""
    return page_templates().get_template("said.j2").module


class _OnlineTiles(folium.TileLayer):
    """Online background with a fixed name; its credit stands on the page, as text."""

    def get_name(self) -> str:
        """Name the layer the same in every page."""
        return "online_tiles"


class SheetMap(folium.Map):
    """A folium map with none of its outside scripts and styles, and a fixed name."""

    default_js = _NOTHING
    default_css = _NOTHING

    def __init__(self, result: Result) -> None:
        """Centre the map on the study and add online tiles where they are asked for."""
        box = plan_box(result)
        lon, lat = to_lonlat([(box[:2] + box[2:]) / 2], result.crs)[0]
        super().__init__(
            location=(float(np.round(lat, 7)), float(np.round(lon, 7))),
            tiles=None,
            zoom_start=17,
            zoom_control=False,
            attribution_control=False,
            box_zoom=False,
            max_zoom=23,
            min_zoom=3,
            zoom_snap=0.25,
            zoom_delta=0.75,
        )
        self._template = Template(read_part("page/leaflet.html"))
        if tiles_url := result.settings.outputs.map.online_tiles_url:
            self.add_child(
                _OnlineTiles(tiles_url, attr=" ", max_zoom=24, max_native_zoom=_TILE_ZOOM)
            )

    def get_name(self) -> str:
        """Name the map the same in every page."""
        return "sheet_map"

    def write_parts(self) -> tuple[str, str]:
        """Write the map's element and script.

        Returns
        -------
        html, script : str
            Both without enclosing tags of the page.
        """
        figure: Any = self.get_root()
        self.render()  # type: ignore[no-untyped-call]
        return figure.html.render(), figure.script.render()


def build_map(result: Result) -> str:
    """Write the working map of a study.

    Parameters
    ----------
    result : Result
        The tables of a study; any of them may be empty. Its settings say what to draw.

    Returns
    -------
    str
        A whole HTML page in ASCII; equal input gives an equal page.
    """
    settings = result.settings.outputs.map
    content, details = page_content(result)
    photo, content["meta"]["photo_words"] = study_photo(result)
    content["photo"] = None if photo is None else photo.box
    html, start = SheetMap(result).write_parts()
    own = join_scripts(SCRIPTS)
    scripts = [escape_script(text) for text in (read_part("vendor/leaflet.js"), start, own)]
    style = escape_style(read_part("vendor/leaflet.css") + read_part("page/style.css"))
    page = (
        page_templates()
        .get_template("sheet.j2")
        .render(
            **speak_in(settings.language, said_macros()),
            language=settings.language,
            languages=name_languages(),
            tongues=pack_languages(own + read_part("page/sheet.j2"), content, *details),
            name=result.name,
            result_id=result.result_id,
            policy=content_policy(scripts, [style], settings.online_tiles_url),
            style=style,
            scripts=scripts,
            licence=read_part("vendor/leaflet-LICENSE.txt"),
            map_html=html,
            payload=encode(content),
            photo=None if photo is None else photo.webp,
            details=encode_details(details),
            cautions=result.cautions,
        )
    )
    return escape_page(page)


def encode_details(details: list[dict[str, Any]]) -> list[str]:
    """Encode the details of all runs.

    Parameters
    ----------
    details : list of dict
        As `page_content` gives them.

    Returns
    -------
    list of str
        The columns of all are ordered as those of the first.
    """
    plan: dict[str, str] = {}
    return [encode(detail, plan) for detail in details]


def join_scripts(names: tuple[str, ...]) -> str:
    """Join scripts into one that leaves no name behind.

    Parameters
    ----------
    names : tuple of str
        File names in `script/`.

    Returns
    -------
    str
        One strict function, called at once.
    """
    body = "\n".join(read_script(name) for name in names)
    return f'(() => {{\n"use strict";\n{body}\n}})();\n'


def content_policy(scripts: list[str], styles: list[str], tiles_url: str = "") -> str:
    """Write the content security policy of a page.

    Parameters
    ----------
    scripts, styles : list of str
        Texts between the tags, exactly as they stand in the page.
    tiles_url : str, optional
        Address pattern of online tiles; only its host may then be asked for pictures.

    Returns
    -------
    str
        The policy; without tiles it forbids every request.
    """
    pictures = _PICTURES
    if tiles_url:
        parts = urlsplit(tiles_url.replace("{s}", "*"))
        pictures += f" {parts.scheme}://{parts.netloc}"
    return "; ".join(
        [
            "default-src 'none'",
            "connect-src 'none'",
            "base-uri 'none'",
            "form-action 'none'",
            f"script-src {' '.join(map(_hash, scripts))}",
            f"style-src {' '.join(map(_hash, styles))}",
            f"img-src {pictures}",
        ]
    )


def _hash(text: str) -> str:
    """Name a script or style by its hash, as a content security policy does."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
