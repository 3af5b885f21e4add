"""What a new line is sought under, and what comes of the search.

Costs are in one unit of the caller's choice (money, harm, a weighted sum), coordinates and lengths
in metres of one plane.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from routekit.arrays import Flags, Floats, Ints, Objects


def _no_shapes() -> Objects:
    return np.empty(0, dtype=object)


def _no_numbers() -> Floats:
    return np.empty(0)


@dataclass(frozen=True)
class Priced:
    """Polygons in which each metre of line costs more.

    Attributes
    ----------
    shapes : numpy.ndarray of object, shape (n,)
        Polygons or multipolygons; None and empty ones price nothing.
    cost_per_m : numpy.ndarray of float, shape (n,)
        What a metre of line inside costs above `LineRules.cost_per_m`; zero or more.
    """

    shapes: Objects = field(default_factory=_no_shapes)
    cost_per_m: Floats = field(default_factory=_no_numbers)


@dataclass(frozen=True)
class Crossed:
    """Lines that a new line may cross at a price: services, existing sewers.

    Attributes
    ----------
    lines : numpy.ndarray of object, shape (n,)
        LineStrings or MultiLineStrings; None and empty ones are never met.
    cost : numpy.ndarray of float, shape (n,)
        Of each crossing; zero or more, infinite where it may not be crossed at all.
    least_angle_deg : numpy.ndarray of float, shape (n,)
        A crossing at a smaller angle than this, 0 to 90 degrees, is forbidden.
    """

    lines: Objects = field(default_factory=_no_shapes)
    cost: Floats = field(default_factory=_no_numbers)
    least_angle_deg: Floats = field(default_factory=_no_numbers)


@dataclass(frozen=True)
class LineRules:
    """What holds for the line as a whole.

    Attributes
    ----------
    cost_per_m : float
        Of each metre of line, above zero.
    cost_per_bend : float
        Of each new manhole, at a bend or between two bends; zero or more.
    longest_reach_m : float
        Greatest distance between two manholes; a longer reach gets manholes in between.
    least_angle_deg : float
        Least angle inside the bend between two reaches, 0 to 180 degrees: 90 lets the line turn by
        a right angle at most.
    most_bends : int or None
        Greatest number of bends, not counting manholes within a straight reach; None for no limit.
    half_width_m : float
        Half the width of the trench, kept clear of what is forbidden.
    margin_m : float
        Greatest distance of the line from the straight line between its ends.
    longest_share : float
        Greatest length of the line as a share of the straight distance, 1 or more.
    """

    cost_per_m: float = 1.0
    cost_per_bend: float = 0.0
    longest_reach_m: float = float("inf")
    least_angle_deg: float = 0.0
    most_bends: int | None = None
    half_width_m: float = 0.0
    margin_m: float = float("inf")
    longest_share: float = float("inf")


@dataclass(frozen=True)
class FoundLine:
    """A new line, measured on the exact geometry.

    Attributes
    ----------
    vertices : numpy.ndarray of float, shape (k, 2)
        Start, new manholes, end, m.
    is_bend : numpy.ndarray of bool, shape (k,)
        Where the line bends; inner vertices that do not are manholes within a straight reach.
    length_m : float
    cost : float
        The sum of the parts below.
    cost_of_length, cost_of_manholes : float
    cost_of_priced, cost_of_surfaces, cost_of_crossings : numpy.ndarray of float
        By position in `priced`, `surfaces`, `crossed`.
    priced_m, surface_m : numpy.ndarray of float
        Length inside each polygon, m; of surfaces, where no dearer one lies over them.
    crossings : numpy.ndarray of int
        How often each line of `crossed` is crossed.
    least_crossing_deg : numpy.ndarray of float
        The smallest angle at which it is, NaN where it is not.
    clear_m : float
        From the edge of the trench to the nearest forbidden polygon; infinite if there is none.
    nearest : int
        Position of that polygon, -1 if there is none.
    """

    vertices: Floats
    is_bend: Flags
    length_m: float
    cost: float
    cost_of_length: float
    cost_of_manholes: float
    cost_of_priced: Floats
    cost_of_surfaces: Floats
    cost_of_crossings: Floats
    priced_m: Floats
    surface_m: Floats
    crossings: Ints
    least_crossing_deg: Floats
    clear_m: float
    nearest: int


Reason = Literal["same point", "start", "end", "wall", "rules"]
SAME_POINT: Final = "same point"
"""Start and end are one point."""
START: Final = "start"
"""The trench at the start is in forbidden polygons."""
END: Final = "end"
"""The same at the end."""
WALL: Final = "wall"
"""Forbidden polygons part the start from the end."""
RULES: Final = "rules"
"""There is a way, but no line was found on it that keeps the rules and crosses as it may."""


@dataclass(frozen=True)
class NoLine:
    """Why there is no line, and what would give one.

    Attributes
    ----------
    reason : str
        One of the words above.
    wall : numpy.ndarray of int
        Positions of the forbidden polygons in the way: those over the start or the end, or those
        along the closed wall between them.
    is_bounded : bool
        Whether the limit on how far off the line may go closes the wall.
    given_up : numpy.ndarray of int
        Positions of the fewest forbidden polygons found without which there is a line, and of
        several such sets the one with the cheapest line; empty if none was found.
    line : FoundLine or None
        A line without them, not straightened; its nearest forbidden polygon is one of the others.
    lifted : tuple of str
        Under `rules`: names of the limits each of which alone, if lifted, gives a line.
    """

    reason: Reason
    wall: Ints
    is_bounded: bool = False
    given_up: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    line: FoundLine | None = None
    lifted: tuple[str, ...] = ()
