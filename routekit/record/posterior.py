"""What measured values say about a factor or a share: the posterior, with its spread and count.

Source: A. Gelman, J. Carlin, H. Stern, D. Dunson, A. Vehtari, D. Rubin, Bayesian Data Analysis, 3rd
edition, 2013 (`bda3`, from memory): section 3.2, normal data with the noninformative prior
p(mu, sigma2) ~ 1/sigma2; section 2.4, binomial data with the uniform prior.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, stdtrit

from routekit.arrays import Floats, as_floats, check_positive

BAND = 0.90
"""Share of the posterior that lies between low and high."""

LEAST_RATIOS = 2
"""Ratios from which a spread is known."""


class Factor(NamedTuple):
    """Factor between what was measured and what was estimated, each of shape (...).

    `mid` is the median, `low` and `high` bound the middle 90 % of the factor itself, `next_low` and
    `next_high` of the next single ratio; `spread` is the standard deviation of the logarithm of
    one ratio, `n` the number of ratios. NaN where there are fewer than two.
    """

    n: Floats
    low: Floats
    mid: Floats
    high: Floats
    next_low: Floats
    next_high: Floats
    spread: Floats


class Share(NamedTuple):
    """Share in which a thing was met, each of shape (...): count, mean and the middle 90 %."""

    n: Floats
    low: Floats
    mid: Floats
    high: Floats


def find_factor(ratios: ArrayLike) -> Factor:
    """Find the factor that ratios of measured over estimated values speak for.

    The logarithms of the ratios are taken as normal. With the noninformative prior their mean has
    a Student t posterior of n - 1 degrees of freedom about the mean of the sample, with the scale
    ``s / sqrt(n)``; the next one has the scale ``s sqrt(1 + 1/n)`` (`bda3`, section 3.2).

    Parameters
    ----------
    ratios : array_like of float, shape (..., n)
        Measured over estimated; above zero.

    Returns
    -------
    Factor

    Raises
    ------
    ValueError
        If a ratio is not above zero.

    Examples
    --------
    >>> found = find_factor([0.8, 1.0, 1.25])
    >>> [round(float(value), 3) for value in (found.low, found.mid, found.high)]
    [0.686, 1.0, 1.457]
    """
    (given,) = as_floats(ratios)
    check_positive("ratios", given)
    n = given.shape[-1]
    shape = given.shape[:-1]
    count = np.full(shape, float(n))
    if n < LEAST_RATIOS:
        lost = np.full(shape, np.nan)
        return Factor(count, lost, lost, lost, lost, lost, lost)
    logs = np.log(given)
    mean, spread = logs.mean(axis=-1), logs.std(axis=-1, ddof=1)
    reach = float(stdtrit(n - 1, 0.5 + BAND / 2))
    own, one = reach * spread / np.sqrt(n), reach * spread * np.sqrt(1 + 1 / n)
    return Factor(
        count,
        np.exp(mean - own),
        np.exp(mean),
        np.exp(mean + own),
        np.exp(mean - one),
        np.exp(mean + one),
        spread,
    )


def find_share(met: ArrayLike, n: ArrayLike) -> Share:
    """Find the share in which a thing is met, from how often it was.

    The posterior is ``Beta(met + 1, n - met + 1)`` (`bda3`, section 2.4, uniform prior).

    Parameters
    ----------
    met, n : array_like of float, shape (...)
        How often it was met, of how many of which it is known.

    Returns
    -------
    Share
        With nothing known, the prior: anything from 0 to 1.

    Raises
    ------
    ValueError
        If it was met more often than there are, or a number is below zero.

    Examples
    --------
    >>> found = find_share(437, 980)
    >>> round(float(found.mid), 3)
    0.446
    """
    hits, count = as_floats(met, n)
    check_positive("met", hits, zero_allowed=True)
    if (hits > count).any():
        raise ValueError("met must not be more than n")
    with_it, without = hits + 1, count - hits + 1
    tail = (1 - BAND) / 2
    return Share(
        count,
        np.asarray(betaincinv(with_it, without, tail)),
        np.asarray(with_it / (with_it + without)),
        np.asarray(betaincinv(with_it, without, 1 - tail)),
    )
