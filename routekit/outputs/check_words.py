"""Values and limits of checks that a reader takes in better as words than as numbers."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.methods.checks import CLASS_UNIT, LIMIT_SIDES
from routekit.vocabulary import HOST_CLASSES
from routekit.words.texts import fill, join, word

NO_LIMIT: Final = "no limit"
JUST_OVER: Final = "just over the limit"
JUST_UNDER: Final = "just under the limit"
_WORDS: Final = (*HOST_CLASSES, "none near", "none", NO_LIMIT, JUST_OVER, JUST_UNDER)
_NEAR, _NONE, _ENDLESS, _OVER, _UNDER = range(len(HOST_CLASSES), len(_WORDS))
_SIDES: Final = dict(zip(LIMIT_SIDES, (_OVER, _UNDER), strict=True))


def word_checks(checks: pd.DataFrame) -> pd.DataFrame:
    """Write values and limits in words where they are classes or without end.

    Parameters
    ----------
    checks : pandas.DataFrame
        Columns value, limit, unit and limit_side, as `checks` in the schema.

    Returns
    -------
    pandas.DataFrame
        Categorical columns value_text and limit_text, missing where the number says it: a class
        of the host material by name, «none near» for a distance without end and «none» for
        another value without end, «no limit»; a value that rounding would not tell from its limit
        is «just over the limit» or «just under the limit».
    """
    is_class, is_length = ((checks["unit"] == name).to_numpy(bool) for name in (CLASS_UNIT, "m"))
    value, limit = (checks[name].to_numpy(dtype=float) for name in ("value", "limit"))
    beyond = np.where(is_length, _NEAR, _NONE)
    return pd.DataFrame(
        {
            "value_text": _choose(value, is_class, beyond, _word_sides(checks)),
            "limit_text": _choose(
                limit, is_class, np.full(len(limit), _ENDLESS), np.full(len(limit), -1)
            ),
        },
        index=checks.index,
    )


def list_rests(assumed: pd.Series) -> NDArray[np.object_]:
    """Take the words for what checks rest on apart, for any language to say them.

    Parameters
    ----------
    assumed : pandas.Series of str, shape (n,)
        Words joined by a comma, as in `checks` of the schema; blank or missing for none.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Texts with their statements; blank for none.
    """
    code, kinds = pd.factorize(assumed.astype(object).fillna("").to_numpy())
    texts = fill([join(map(word, filter(None, kind.split(", "))), ", ") for kind in kinds])
    return np.asarray(texts[code])


def _word_sides(checks: pd.DataFrame) -> NDArray[np.int64]:
    """Find the word for the side of its limit on which a value lies; -1 where numbers tell."""
    sides = checks["limit_side"].astype("category").cat
    words = np.array([*(_SIDES.get(name, -1) for name in sides.categories), -1], dtype=np.int64)
    return words[sides.codes.to_numpy()]


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
