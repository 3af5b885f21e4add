"""Values and limits of checks that a reader takes in better as words than as numbers."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.vocabulary import HOST_CLASSES

CLASS_UNIT: Final = "class"
NO_LIMIT: Final = "no limit"
JUST_OVER: Final = "just over the limit"
JUST_UNDER: Final = "just under the limit"
_WORDS: Final = (*HOST_CLASSES, "none near", "none", NO_LIMIT, JUST_OVER, JUST_UNDER)
_NEAR, _NONE, _ENDLESS, _OVER, _UNDER = range(len(HOST_CLASSES), len(_WORDS))

_LARGE: Final = 10.0
_ROUNDED_LARGE, _ROUNDED_SMALL = 0.05, 0.0005
"""Gaps that rounding hides, beside limits of 10 and more and beside smaller ones."""


def word_checks(checks: pd.DataFrame) -> pd.DataFrame:
    """Write values and limits in words where they are classes or without end.

    Parameters
    ----------
    checks : pandas.DataFrame
        Columns value, limit and unit, as `checks` in the schema.

    Returns
    -------
    pandas.DataFrame
        Categorical columns value_text and limit_text, missing where the number says it: a class
        of the host material by name, «none near» for a distance without end and «none» for
        another value without end, «no limit»; a value that differs from its limit by less than
        rounding shows is «just over the limit» or «just under the limit».
    """
    is_class, is_length = ((checks["unit"] == name).to_numpy(bool) for name in (CLASS_UNIT, "m"))
    value, limit = (checks[name].to_numpy(dtype=float) for name in ("value", "limit"))
    beyond = np.where(is_length, _NEAR, _NONE)
    return pd.DataFrame(
        {
            "value_text": _choose(value, is_class, beyond, _side(value, limit, is_class)),
            "limit_text": _choose(
                limit, is_class, np.full(len(limit), _ENDLESS), np.full(len(limit), -1)
            ),
        },
        index=checks.index,
    )


def _side(
    value: NDArray[np.float64], limit: NDArray[np.float64], is_class: NDArray[np.bool_]
) -> NDArray[np.int64]:
    """Say on which side of its limit a value lies where rounding would hide it; -1 elsewhere."""
    with np.errstate(invalid="ignore"):
        gap = value - limit
    hidden = np.where(np.abs(limit) >= _LARGE, _ROUNDED_LARGE, _ROUNDED_SMALL)
    is_hidden = (np.abs(gap) < hidden) & (gap != 0) & ~is_class
    return np.where(is_hidden, np.where(gap > 0, _OVER, _UNDER), -1)


def _choose(
    number: NDArray[np.float64],
    is_class: NDArray[np.bool_],
    beyond: NDArray[np.int64],
    side: NDArray[np.int64],
) -> pd.Categorical[str]:
    """Choose the words of each number: its class, what being without end means, its side."""
    code = np.where(np.isinf(number), beyond, side)
    named = is_class & np.isin(number, range(len(HOST_CLASSES)))
    code[named] = number[named].astype(np.int64)
    return pd.Categorical.from_codes(code.astype(np.int8), categories=pd.Index(_WORDS))
