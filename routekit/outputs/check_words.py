"""Values and limits of checks that a reader takes in better as words than as numbers."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.vocabulary import HOST_CLASSES

CLASS_UNIT: Final = "class"
NO_LIMIT: Final = "no limit"
_WORDS: Final = (*HOST_CLASSES, "none near", "none", NO_LIMIT)
_NEAR, _NONE, _ENDLESS = range(len(HOST_CLASSES), len(_WORDS))


def word_checks(checks: pd.DataFrame) -> pd.DataFrame:
    """Write values and limits in words where they are classes or without end.

    Parameters
    ----------
    checks : pandas.DataFrame
        Columns value, limit and unit, as `checks` in DEVELOPERS.md.

    Returns
    -------
    pandas.DataFrame
        Categorical columns value_text and limit_text, missing where the number says it: a class
        of the host material by name, «none near» for a distance without end and «none» for
        another value without end, «no limit».
    """
    if not {"value", "limit", "unit"} <= set(checks.columns):
        return pd.DataFrame(index=checks.index, columns=["value_text", "limit_text"], dtype=object)
    is_class, is_length = ((checks["unit"] == name).to_numpy(bool) for name in (CLASS_UNIT, "m"))
    value, limit = (checks[name].to_numpy(dtype=float) for name in ("value", "limit"))
    beyond = np.where(is_length, _NEAR, _NONE)
    return pd.DataFrame(
        {
            "value_text": _choose(value, is_class, beyond),
            "limit_text": _choose(limit, is_class, np.full(len(limit), _ENDLESS)),
        },
        index=checks.index,
    )


def _choose(
    number: NDArray[np.float64], is_class: NDArray[np.bool_], beyond: NDArray[np.int64]
) -> pd.Categorical[str]:
    """Choose the words of each number: its class, or what being without end means."""
    code = np.where(np.isinf(number), beyond, -1)
    named = is_class & np.isin(number, range(len(HOST_CLASSES)))
    code[named] = number[named].astype(np.int64)
    return pd.Categorical.from_codes(code.astype(np.int8), categories=pd.Index(_WORDS))
