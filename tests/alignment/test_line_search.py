"""A new line between two manholes, against the shortest ways that geometry gives."""

import numpy as np
import pytest
import shapely

from routekit.alignment.search import find_line
from routekit.alignment.terms import FoundLine, LineRules


def circle(x, y, radius):
    """A circle with 64 sides, its corners on it."""
    return shapely.Point(x, y).buffer(radius, quad_segs=16)


def test_round_one_circle_it_is_two_tangents_and_an_arc():
    radius, off = 6.0, 20.0
    tangents = 2 * np.sqrt(off**2 - radius**2)
    shortest = tangents + 2 * radius * np.arcsin(radius / off)
    found = find_line((0, 0), (2 * off, 0), forbidden=[circle(off, 0, radius)], rules=LineRules())
    assert isinstance(found, FoundLine)
    assert found.length_m == pytest.approx(shortest, rel=0.002)


def test_between_two_circles_it_takes_the_gate():
    gate = [circle(20, 5.6, 5), circle(20, -5.6, 5)]
    found = find_line((0, 0), (40, 0), forbidden=gate, rules=LineRules(half_width_m=0.5))
    assert found.length_m == pytest.approx(40)
    assert found.clear_m == pytest.approx(0.1)
