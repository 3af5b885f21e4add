"""Checks that rest on assumed values: the one place where those lose their pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from routekit.arrays import Ints
from routekit.layers.assumed import MARK, word_of
from routekit.methods.checks import PASS, Check


def weigh_assumed(checks: Mapping[str, list[Check]], assumed: pd.Series) -> dict[str, list[Check]]:
    """Let no check pass that rests on an assumed value.

    Parameters
    ----------
    checks : mapping of str to list of Check
        By technique; what each rests on was named by `routekit.methods.checks.rest_on`.
    assumed : pandas.Series of str, shape (n,)
        Assumed values of each run, as in `routekit.layers.assumed`.

    Returns
    -------
    dict of str to list of Check
        Verdicts no milder than before: at best a caution, or unknown, where a value is assumed. A
        check that fails goes on failing.
    """
    code, kinds = pd.factorize(assumed.astype(object).to_numpy())
    held = [frozenset(str(kind).split(MARK)) for kind in kinds]
    return {
        technique: [_weigh(check, code.astype(np.int64), held) for check in group]
        for technique, group in checks.items()
    }


def _weigh(check: Check, code: Ints, held: list[frozenset[str]]) -> Check:
    """Weigh one check; `held` are the sets of assumed values, `code` the set of each run."""
    level = np.full(len(code), PASS, dtype=np.int8)
    # Few texts differ: each run has the number of its text, and each pair is joined once.
    texts, row_text = [""], np.zeros(len(code), dtype=np.int64)
    for rest in check.rests:
        words = [_name(rest.fields, names, rest.note) for names in held]
        hit = np.array([bool(word) for word in words], dtype=bool)[code]
        if rest.where is not None:
            hit &= rest.where
        level[hit] = np.maximum(level[hit], np.int8(rest.level))
        pair, pairs = pd.factorize(row_text[hit] * len(held) + code[hit])
        row_text[hit] = len(texts) + pair
        texts += [
            _join(texts[old], words[new])
            for old, new in zip(*divmod(pairs, len(held)), strict=True)
        ]
    verdict = np.maximum(check.verdict, level)
    text = np.array(texts, dtype=object)[row_text]
    return replace(check, verdict=verdict, assumed=text, is_raised=verdict > check.verdict)


def _name(fields: tuple[str, ...], held: frozenset[str], note: str) -> str:
    """Name the values that are assumed, each word once, with a note behind each."""
    more = f" ({note})" if note else ""
    return ", ".join(dict.fromkeys(word_of(name) + more for name in fields if name in held))


def _join(one: str, other: str) -> str:
    """Join two lists of words, each word once."""
    return ", ".join(dict.fromkeys(word for word in (*one.split(", "), *other.split(", ")) if word))
