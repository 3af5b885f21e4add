"""How a GIS draws the layers of a result: the table `layer_styles`.

Signs are those of the working map (`routekit.outputs.map.palette`). Each style stands as OGC Styled
Layer Descriptor 1.0, sizes in px, and as QML, sizes in mm, for programs that read no other; both
say the same classes. The table is the one that desktop GIS and GDAL know by that name; there is no
standard for it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias
from xml.etree import ElementTree as ET

from routekit.outputs.map.palette import load_palette
from routekit.outputs.schedule_items import DIGGING
from routekit.site.protection import FENCE, GROUND, HAND_DIG, NO_STORE
from routekit.techniques import NOTHING, RECORDS, TECHNIQUES

Shape: TypeAlias = Literal["line", "fill", "marker", "disc"]
"""How a layer is drawn; a disc is a point with the radius of a circle in a field."""

SLD: Final = "http://www.opengis.net/sld"
OGC: Final = "http://www.opengis.net/ogc"

_MM_PER_PX: Final = 25.4 / 96
"""A px of CSS is a 96th of an inch."""

RADIUS: Final = "structural_radius_m"
"""Field with the radius of a disc, m."""
_OTHERS: Final = "not known"
_FILL_SHARE: Final = 0.25
_MARKER_PX: Final = 10.0
_OUTLINE_PX: Final = 1.5
_CREATE: Final = """
CREATE TABLE layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
    f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
    useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30), update_time DATETIME
)"""
_INSERT: Final = """
INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column,
    styleName, styleQML, styleSLD, useAsDefault, description, owner, ui, update_time)
VALUES ('', '', ?, ?, ?, ?, ?, 1, ?, '', NULL, ?)"""
_REGISTER: Final = """
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id)
VALUES ('layer_styles', 'attributes', 'layer_styles', ?, ?, 0)"""
_SAID: Final = "How a GIS draws the layers, by their names"


@dataclass(frozen=True)
class Sign:
    """How one class is drawn: value of the field (blank: all others), legend, colour, line."""

    value: str
    label: str
    colour: str
    width_px: float
    dash_px: tuple[float, ...] = ()


@dataclass(frozen=True)
class Style:
    """How one layer is drawn: by a field, or all alike where the field is blank."""

    layer: str
    shape: Shape
    field: str
    signs: tuple[Sign, ...]


def list_styles() -> tuple[Style, ...]:
    """List the styles of the layers.

    Returns
    -------
    tuple of Style
        The class of all other values is the last of each.
    """
    palette = load_palette()
    names = {**TECHNIQUES, "": NOTHING}
    techniques = _read_signs(palette["techniques"], names)
    severities = _read_signs(palette["severities"], {"": _OTHERS})
    pulled, trench = _tone(palette, "pulled"), _tone(palette, "trench")
    within, still = _tone(palette, "within"), _tone(palette, "still")
    ways = tuple(
        Sign(way, way, colour, _OUTLINE_PX)
        for way, colour in zip(DIGGING, (trench, within, pulled), strict=True)
    )
    others = Sign("", _OTHERS, palette["techniques"][""]["colour"], _OUTLINE_PX)
    protection = (
        Sign(GROUND, GROUND, still, 1.0),
        Sign(HAND_DIG, HAND_DIG, trench, _OUTLINE_PX, (3, 2)),
        Sign(NO_STORE, NO_STORE, within, 1.0, (2, 2)),
    )
    return (
        Style("runs", "line", "technique", techniques),
        Style("breaches", "line", "severity", severities),
        Style("trees", "marker", "recommended_severity", severities),
        Style("root_zones", "fill", "recommended_severity", severities),
        Style("structural_zones", "disc", "", (Sign("", "structural root zone", trench, 1.0),)),
        Style("crowns", "fill", "", (Sign("", "crown", still, 1.0, (2, 2)),)),
        Style("trenches", "fill", "", (Sign("", "trench of open cut", trench, 1.0, (4, 3)),)),
        Style("strings", "line", "", (Sign("", "pull string", pulled, 2.0, (8, 4)),)),
        Style("pits", "fill", "method", (*ways, others)),
        Style("digs", "fill", "method", (*ways, others)),
        Style("new_lines", "line", "", (Sign("", "new line", trench, 2.0, (2, 3)),)),
        Style(
            "new_line_connections", "line", "", (Sign("", "re-laid to it", trench, 1.0, (2, 3)),)
        ),
        Style("tree_fences", "line", "", (Sign("", FENCE, within, 3.0, (8, 2)),)),
        Style("tree_protection", "fill", "kind", (*protection, others)),
        Style("robot_reopenings", "marker", "", (Sign("", "reopened by robot", within, 1.0),)),
    )


def _tone(palette: dict[str, Any], tone: str) -> str:
    """Find the colour of a tone: that of a technique that has it."""
    code = next(one.code for one in RECORDS if one.sign.tone == tone)
    return str(palette["techniques"][code]["colour"])


def _read_signs(signs: dict[str, Any], names: dict[str, str]) -> tuple[Sign, ...]:
    """Read the signs of a list of the palette, that of all other values last."""
    return tuple(
        Sign(code, names.get(code, code), one["colour"], one["width"], tuple(one["dash"]))
        for code, one in sorted(signs.items(), key=lambda item: item[0] == "")
    )


def write_styles(base: sqlite3.Connection, layers: Iterable[str], stamp: str) -> None:
    """Write the styles of the layers of a GeoPackage, and register their table.

    Parameters
    ----------
    base : sqlite3.Connection
        The GeoPackage.
    layers : iterable of str
        Names of its layers with geometry; the others get no style.
    stamp : str
        Time of the change.

    Raises
    ------
    sqlite3.Error
        If the table cannot be written.
    """
    there = set(layers)
    columns = dict(base.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    rows = [
        (
            style.layer,
            columns[style.layer],
            style.layer,
            write_qml(style),
            write_sld(style),
            _SAID,
            stamp,
        )
        for style in list_styles()
        if style.layer in there
    ]
    if rows:
        base.execute(_CREATE)
        base.executemany(_INSERT, rows)
        base.execute(_REGISTER, (_SAID, stamp))


def write_sld(style: Style) -> str:
    """Write a style as Styled Layer Descriptor 1.0.

    Parameters
    ----------
    style : Style

    Returns
    -------
    str
        One rule for each class, the last for all other values.
    """
    ET.register_namespace("sld", SLD)
    ET.register_namespace("ogc", OGC)
    root = ET.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.0.0")
    layer = ET.SubElement(root, f"{{{SLD}}}NamedLayer")
    ET.SubElement(layer, f"{{{SLD}}}Name").text = style.layer
    user = ET.SubElement(layer, f"{{{SLD}}}UserStyle")
    kind = ET.SubElement(user, f"{{{SLD}}}FeatureTypeStyle")
    for sign in style.signs:
        rule = ET.SubElement(kind, f"{{{SLD}}}Rule")
        ET.SubElement(rule, f"{{{SLD}}}Name").text = sign.label
        if style.field and sign.value:
            held = ET.SubElement(rule, f"{{{OGC}}}Filter")
            same = ET.SubElement(held, f"{{{OGC}}}PropertyIsEqualTo")
            ET.SubElement(same, f"{{{OGC}}}PropertyName").text = style.field
            ET.SubElement(same, f"{{{OGC}}}Literal").text = sign.value
        elif style.field:
            ET.SubElement(rule, f"{{{SLD}}}ElseFilter")
        _SLD_SYMBOLS[style.shape](rule, sign)
    return ET.tostring(root, encoding="unicode")


def _parameters(parent: ET.Element, tag: str, values: dict[str, object]) -> None:
    """Add a fill or stroke with its parameters."""
    node = ET.SubElement(parent, f"{{{SLD}}}{tag}")
    for name, value in values.items():
        ET.SubElement(node, f"{{{SLD}}}CssParameter", name=name).text = str(value)


def _stroke(sign: Sign) -> dict[str, object]:
    """Give the parameters of a stroke."""
    dash = {"stroke-dasharray": " ".join(f"{one:g}" for one in sign.dash_px)}
    whole = {"stroke": sign.colour, "stroke-width": f"{sign.width_px:g}"}
    return {**whole, **(dash if sign.dash_px else {})}


def _draw_line(rule: ET.Element, sign: Sign) -> None:
    """Draw a line in a rule."""
    _parameters(ET.SubElement(rule, f"{{{SLD}}}LineSymbolizer"), "Stroke", _stroke(sign))


def _draw_fill(rule: ET.Element, sign: Sign) -> None:
    """Draw an area in a rule."""
    node = ET.SubElement(rule, f"{{{SLD}}}PolygonSymbolizer")
    _parameters(node, "Fill", {"fill": sign.colour, "fill-opacity": _FILL_SHARE})
    _parameters(node, "Stroke", _stroke(_outline(sign)))


def _draw_marker(rule: ET.Element, sign: Sign) -> None:
    """Draw a point in a rule."""
    node = ET.SubElement(rule, f"{{{SLD}}}PointSymbolizer")
    graphic = ET.SubElement(node, f"{{{SLD}}}Graphic")
    mark = ET.SubElement(graphic, f"{{{SLD}}}Mark")
    ET.SubElement(mark, f"{{{SLD}}}WellKnownName").text = "circle"
    _parameters(mark, "Fill", {"fill": sign.colour})
    ET.SubElement(graphic, f"{{{SLD}}}Size").text = f"{_MARKER_PX:g}"


_SLD_SYMBOLS: Final[dict[Shape, Callable[[ET.Element, Sign], None]]] = {
    "line": _draw_line,
    "fill": _draw_fill,
    "marker": _draw_marker,
    # Version 1.0 has no sizes on the ground: the point tells where, the field how far.
    "disc": _draw_marker,
}


def _outline(sign: Sign) -> Sign:
    """Give the sign of the outline of an area: thinner than that of a line."""
    return Sign(sign.value, sign.label, sign.colour, _OUTLINE_PX, sign.dash_px)


def write_qml(style: Style) -> str:
    """Write a style as QML.

    Parameters
    ----------
    style : Style

    Returns
    -------
    str
        Categories by value, the blank one for all other values; one symbol where all are alike.
    """
    root = ET.Element("qgis", version="3.0.0", styleCategories="Symbology")
    kind = "categorizedSymbol" if style.field else "singleSymbol"
    renderer = ET.SubElement(root, "renderer-v2", type=kind, symbollevels="0")
    if style.field:
        renderer.set("attr", style.field)
        classes = ET.SubElement(renderer, "categories")
        for place, sign in enumerate(style.signs):
            one = {"symbol": str(place), "value": sign.value, "label": sign.label, "render": "true"}
            ET.SubElement(classes, "category", one)
    symbols = ET.SubElement(renderer, "symbols")
    for place, sign in enumerate(style.signs):
        _add_symbol(symbols, str(place), style.shape, sign)
    return ET.tostring(root, encoding="unicode")


def _add_symbol(symbols: ET.Element, name: str, shape: Shape, sign: Sign) -> None:
    """Add a symbol; its properties stand twice, as earlier and later versions read them."""
    drawn, kind = _QML_CLASSES[shape]
    symbol = ET.SubElement(symbols, "symbol", name=name, type=kind, alpha="1")
    layer = ET.SubElement(symbol, "layer", {"class": drawn, "enabled": "1", "pass": "0"})
    values = _QML_VALUES[shape](sign)
    options = ET.SubElement(layer, "Option", type="Map")
    for key, value in values.items():
        ET.SubElement(options, "Option", name=key, type="QString", value=value)
    for key, value in values.items():
        ET.SubElement(layer, "prop", k=key, v=value)
    if shape == "disc":
        _size_by_field(layer, f'2 * "{RADIUS}"')


def _size_by_field(layer: ET.Element, expression: str) -> None:
    """Have a symbol take its size from a field of its layer."""
    whole = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option", type="Map")
    ET.SubElement(whole, "Option", name="name", type="QString", value="")
    named = ET.SubElement(whole, "Option", name="properties", type="Map")
    size = ET.SubElement(named, "Option", name="size", type="Map")
    ET.SubElement(size, "Option", name="active", type="bool", value="true")
    ET.SubElement(size, "Option", name="expression", type="QString", value=expression)
    ET.SubElement(size, "Option", name="type", type="int", value="3")
    ET.SubElement(whole, "Option", name="type", type="QString", value="collection")


def _colour(sign: Sign, share: float = 1.0) -> str:
    """Write a colour as red, green, blue and opacity, each to 255."""
    parts = [int(sign.colour[at : at + 2], 16) for at in (1, 3, 5)]
    return ",".join(map(str, [*parts, round(255 * share)]))


def _mm(size_px: float) -> str:
    """Write a size in mm."""
    return f"{size_px * _MM_PER_PX:.3f}"


def _line_values(sign: Sign) -> dict[str, str]:
    """Give the properties of a line."""
    return {
        "line_color": _colour(sign),
        "line_style": "solid",
        "line_width": _mm(sign.width_px),
        "line_width_unit": "MM",
        "capstyle": "flat",
        "joinstyle": "round",
        "use_custom_dash": str(int(bool(sign.dash_px))),
        "customdash": ";".join(map(_mm, sign.dash_px)) or "5;2",
        "customdash_unit": "MM",
    }


def _fill_values(sign: Sign) -> dict[str, str]:
    """Give the properties of an area."""
    return {
        "color": _colour(sign, _FILL_SHARE),
        "style": "solid",
        "outline_color": _colour(sign),
        "outline_style": "dash" if sign.dash_px else "solid",
        "outline_width": _mm(_outline(sign).width_px),
        "outline_width_unit": "MM",
    }


def _marker_values(sign: Sign) -> dict[str, str]:
    """Give the properties of a point."""
    return {
        "name": "circle",
        "color": _colour(sign),
        "outline_color": _colour(sign),
        "size": _mm(_MARKER_PX),
        "size_unit": "MM",
    }


def _disc_values(sign: Sign) -> dict[str, str]:
    """Give the properties of a circle whose size is its width on the ground, in m."""
    return {
        "name": "circle",
        "color": _colour(sign, _FILL_SHARE),
        "outline_color": _colour(sign),
        "outline_width": _mm(_outline(sign).width_px),
        "outline_width_unit": "MM",
        "size": "1",
        "size_unit": "RenderMetersInMapUnits",
    }


_QML_CLASSES: Final[dict[Shape, tuple[str, str]]] = {
    "line": ("SimpleLine", "line"),
    "fill": ("SimpleFill", "fill"),
    "marker": ("SimpleMarker", "marker"),
    "disc": ("SimpleMarker", "marker"),
}
"""Class and kind of the symbol."""
_QML_VALUES: Final[dict[Shape, Callable[[Sign], dict[str, str]]]] = {
    "line": _line_values,
    "fill": _fill_values,
    "marker": _marker_values,
    "disc": _disc_values,
}
