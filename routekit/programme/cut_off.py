"""For how long a house has no drain while the pipe before it is renewed."""

from __future__ import annotations

import numpy as np

from routekit.arrays import Floats

HOURS_OF_DAY = 24.0


def pulled_days(
    tie_days: Floats, connections: Floats, a_day: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Find how long the first and the last house of a pulled string are cut off.

    Parameters
    ----------
    tie_days, connections : numpy.ndarray of float, shape (n,)
        From the pull until the rested pipe may be tied in; connections of the string.
    a_day : tuple of float
        Connections joined in a working day, fewest and most.

    Returns
    -------
    low, high : numpy.ndarray of float, shape (n,)
        Days from the pull over the rest of the pipe until the first, at the faster rate, and the
        last, at the slower, is joined; NaN where one is not known.
    """
    fewest, most = a_day
    return tie_days + np.minimum(connections, 1) / most, tie_days + connections / fewest


def count_hours(days: Floats, hours_a_day: float) -> Floats:
    """Count the hours from the first to the last of some working days of a gang.

    Parameters
    ----------
    days : numpy.ndarray of float, shape (n,)
    hours_a_day : float
        Of a working day; between two days lies a night.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
    """
    nights = np.maximum(np.ceil(days - 1e-9) - 1, 0)
    return np.asarray(nights * HOURS_OF_DAY + (days - nights) * hours_a_day)
