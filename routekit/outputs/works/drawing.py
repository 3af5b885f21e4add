"""What a drawing of a works plan shows: paths and names, in millimetres of the sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Objects
from routekit.outputs.works.frames import Frame
from routekit.result import Result
from routekit.site.protection import FENCE, GROUND, HAND_DIG, NO_STORE, draw_zones
from routekit.techniques import RECORDS
from routekit.vocabulary import OBSTACLE_KINDS, SURFACE_KINDS

LETTERS: Final = {record.code: record.sign.letter for record in RECORDS}
"""Technique to the letter by which drawings name it."""

_SMALL: Final = 500
"""Smaller scales than 1 to this show no names of trees and digs."""
_NAMED_SMALL: Final = ("pits", "laydown", "runs")
_TEXT_MM: Final = 2.6
_CHARACTER_MM: Final = 1.45
_SLACK_MM: Final = 0.05
"""A line may be drawn this far from where it is, mm (house choice)."""
_LINE: Final = 1
_AREA: Final = 2


class Atlas:
    """The layers of a result, drawn once and looked up by frame.

    Parameters
    ----------
    result : Result
    """

    def __init__(self, result: Result) -> None:
        kind = result.tree_protection["kind"].astype(str).to_numpy(dtype=object)
        guard = _shapes(result.tree_protection, "geometry")
        surface = result.surfaces["kind"].astype(str).to_numpy(dtype=object)
        ground = _shapes(result.surfaces, "geometry")
        obstacle = result.obstacles["kind"].astype(str).to_numpy(dtype=object)
        walls = _shapes(result.obstacles, "geometry")
        opens = result.digs["opens_ground"].to_numpy(dtype=bool)
        trenched = result.trenches["is_recommended"].to_numpy(dtype=bool)
        technique = result.advice["technique"].astype(object).fillna("").map(LETTERS).fillna("?")
        ids = result.runs["run_id"].astype(str)
        names = (ids + " (" + technique.to_numpy(dtype=object) + ")").to_numpy(dtype=object)
        runs, stems = _shapes(result.runs, "geometry"), _shapes(result.trees, "geometry")
        self.layers: dict[str, tuple[Objects, Objects | None]] = {
            "carriageway": (ground[surface == SURFACE_KINDS[0]], None),
            "buildings": (walls[obstacle == OBSTACLE_KINDS[0]], None),
            "walls": (walls[obstacle != OBSTACLE_KINDS[0]], None),
            "zones": (draw_zones(result.zones), None),
            "no_store": (guard[kind == NO_STORE], None),
            "ground": (guard[kind == GROUND], None),
            "laydown": (_shapes(result.laydown, "geometry"), _names(result.laydown, "string_id")),
            "services": (_shapes(result.services, "geometry"), None),
            "trenches": (_trench(result)[trenched], None),
            "pits": (_shapes(result.pits, "geometry"), _names(result.pits, "pit_id")),
            "digs": (_shapes(result.digs, "geometry")[opens], _names(result.digs, "dig_id")[opens]),
            "hand": (guard[kind == HAND_DIG], None),
            "fences": (guard[kind == FENCE], None),
            "runs": (runs, names),
            "manholes": (_shapes(result.manholes, "geometry"), None),
            "stems": (stems, _names(result.trees, "tree_id")),
        }
        self.trees = {name: shapely.STRtree(shapes) for name, (shapes, _) in self.layers.items()}
        self.street = result.runs["street"].astype(object).fillna("").to_numpy(dtype=object)
        bare = ~shapely.is_geometry(self.layers["zones"][0])
        self.is_bare = bare

    def draw(self, frame: Frame, street: str, parts: Sequence[Frame] = ()) -> dict[str, Any]:
        """Draw one frame.

        Parameters
        ----------
        frame : Frame
        street : str
            Its own runs are drawn bold; blank for runs whose street is not known.
        parts : sequence of Frame, optional
            Frames of other drawings to mark.

        Returns
        -------
        dict
            Path data by layer (runs: other, own), points of stems (bare: those whose zone is not
            known) and manholes, names (x, y, text, of), n_unnamed, frames (path, x, y), is_small,
            and size, scale, bar and turn.
        """
        found: dict[str, Any] = {}
        names: list[tuple[str, Any, str]] = []
        for name, (shapes, labels) in self.layers.items():
            rows = np.sort(self.trees[name].query(frame.outline, predicate="intersects"))
            drawn = frame.draw(shapes[rows])
            seen = ~shapely.is_empty(drawn)
            rows, drawn = rows[seen], drawn[seen]
            if name == "runs":
                own = self.street[rows] == street
                found |= {"other": _write(drawn[~own]), "own": _write(drawn[own])}
                names += _label(name, drawn[own], labels[rows[own]])  # type: ignore[index]
            elif name in ("stems", "manholes"):
                found[name] = shapely.get_coordinates(drawn).round(2).tolist()
            else:
                united = shapely.union_all(drawn) if name in ("no_store", "zones") else drawn
                found[name] = _write(np.atleast_1d(np.asarray(united, dtype=object)))
            if labels is not None and name != "runs":
                names += _label(name, drawn, labels[rows])
            if name == "stems":
                found["bare"] = shapely.get_coordinates(drawn[self.is_bare[rows]]).round(2).tolist()
        if frame.scale > _SMALL:
            names = [one for one in names if one[0] in _NAMED_SMALL]
        placed, n_unnamed = _place(frame, names)
        return found | {
            "names": placed,
            "n_unnamed": n_unnamed,
            "frames": [_mark(frame.draw(np.array([part.outline]))) for part in parts],
            "is_small": frame.scale > _SMALL,
            "width": frame.width_mm,
            "height": frame.height_mm,
            "scale": frame.scale,
            "bar_m": frame.bar_m,
            "bar": round(frame.bar_m * frame.per_m, 2),
            "turn": round(frame.turn_deg, 1),
        }


def _shapes(table: pd.DataFrame, column: str) -> Objects:
    """Give a column of shapes; None where a row has none."""
    shapes = np.array(table[column], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _names(table: pd.DataFrame, column: str) -> Objects:
    """Give a column of names."""
    return np.asarray(table[column].astype(str).to_numpy(dtype=object))


def _trench(result: Result) -> Objects:
    """Draw the trench of each run as wide as it is dug; None where its width is not known."""
    half_m = result.trenches["width_m"].to_numpy(dtype=float) / 2
    lines = _shapes(result.runs, "geometry")
    strips = shapely.buffer(lines, np.nan_to_num(half_m), cap_style="flat", join_style="mitre")
    strips[np.isnan(half_m)] = None
    # A new line is drawn with its manholes and all that is re-laid to it.
    is_laid = result.advice["is_new_line"].to_numpy(dtype=bool)
    return np.asarray(np.where(is_laid, _shapes(result.trenches, "corridor"), strips), object)


def _mark(drawn: Objects) -> dict[str, Any]:
    """Mark the frame of another drawing; its number stands in its upper left corner."""
    x, y, *_ = drawn[0].bounds
    return {"path": _write(drawn), "x": round(x, 2), "y": round(y, 2)}


def _write(shapes: Objects) -> str:
    """Write lines and outlines as path data, mm."""
    parts = shapely.get_parts(shapely.simplify(shapes, _SLACK_MM))
    parts = shapely.get_parts(parts)
    areas = parts[shapely.get_dimensions(parts) == _AREA]
    lines = parts[shapely.get_dimensions(parts) == _LINE]
    rings = shapely.get_rings(areas)
    return "".join(_outline(ring) + "Z" for ring in rings) + "".join(map(_outline, lines))


def _outline(line: Any) -> str:
    """Write one line as path data."""
    points = shapely.get_coordinates(line)
    return "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points)


def _label(name: str, drawn: Objects, labels: Objects) -> Iterator[tuple[str, Any, str]]:
    """Find where the name of each shape belongs: the middle of it."""
    for shape, label in zip(drawn, labels, strict=True):
        is_line = shape.geom_type in ("LineString", "MultiLineString")
        spot = shape.interpolate(0.5, normalized=True) if is_line else shape.representative_point()
        yield name, spot, label


def _place(frame: Frame, names: list[tuple[str, Any, str]]) -> tuple[list[dict[str, Any]], int]:
    """Place names so that none lies on another, pits first; count those without room."""
    order = {"pits": 0, "runs": 1, "laydown": 2, "digs": 3, "stems": 4}
    taken: list[tuple[float, float, float, float]] = []
    placed: list[dict[str, Any]] = []
    lost = 0
    for of, spot, text in sorted(names, key=lambda one: order[one[0]]):
        wide = _CHARACTER_MM * len(text)
        for dx, dy in _around(wide, is_line=of == "runs"):
            x, y = spot.x + dx, spot.y + dy
            box = (x, y - _TEXT_MM, x + wide, y + 0.4)
            inside = box[0] > 1 and box[1] > 1 and box[2] < frame.width_mm - 1
            inside = inside and box[3] < frame.height_mm - 1
            if inside and not any(_meet(box, other) for other in taken):
                taken.append(box)
                placed.append({"x": round(x, 2), "y": round(y, 2), "text": text, "of": of})
                break
        else:
            lost += 1
    return placed, lost


def _around(wide: float, *, is_line: bool) -> tuple[tuple[float, float], ...]:
    """List where a name may stand beside its point, best first; above or below a line."""
    if is_line:
        return tuple((-wide / 2, dy) for dy in (-1.2, 3.6, -4.2, 6.6))
    near = [(1.2, -0.8), (1.2, 3.0), (-wide - 1.2, -0.8), (-wide - 1.2, 3.0), (-wide / 2, -1.6)]
    far = [(-wide / 2, 4.4), (2.0, -4.4), (2.0, 6.6), (-wide - 2.0, -4.4), (-wide - 2.0, 6.6)]
    return tuple(near + far)


def _meet(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    """Tell whether two boxes overlap."""
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
