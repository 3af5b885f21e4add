"""Stems: the one diameter that stands for a tree, and how sure it is.

Several stems become one equivalent diameter by the regime's rule; a girth becomes a diameter;
a missing stem is estimated from the crown (`routekit.trees.estimates`), with a low, a middle and a
high value.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats
from routekit.layers.findings import Findings
from routekit.layers.parsing import parse_stems
from routekit.trees.estimates import share_in_band, stem_from_crown
from routekit.trees.radii import check_diameters
from routekit.trees.regimes import Regime
from routekit.trees.settings import ZoneSettings
from routekit.words.texts import message, say

Integers = NDArray[np.intp]

STEM_SOURCES: Final = (
    message("measured"),
    message("from girth"),
    message("several stems"),
    message("estimated from crown"),
    message("assumed"),
    message("unknown"),
)
"""Where a stem diameter comes from, surest first."""

MEASURED: Final = "measured"
SEVERAL: Final = "several stems"
_FROM_CROWN, _ASSUMED = STEM_SOURCES.index("estimated from crown"), STEM_SOURCES.index("assumed")

STEM_SOURCE_TYPE: Final = pd.CategoricalDtype(list(STEM_SOURCES))


class StemLists(NamedTuple):
    """Several stems of trees, as numbers.

    Attributes
    ----------
    stem_mm : numpy.ndarray of float, shape (m,)
        Diameters of all stems.
    tree : numpy.ndarray of int, shape (m,)
        Position of the tree of each stem, ascending.
    is_unreadable : numpy.ndarray of bool, shape (n,)
        True where a list holds anything but diameters above 0; none of its stems is among them.
    """

    stem_mm: Floats
    tree: Integers
    is_unreadable: NDArray[np.bool_]


def read_stem_lists(stems_mm: pd.Series) -> StemLists:
    """Read stem lists such as "300;250".

    Parameters
    ----------
    stems_mm : pandas.Series of str, shape (n,)
        Stem diameters in mm; see `routekit.layers.parsing.parse_stems`. Null for none.

    Returns
    -------
    StemLists

    Examples
    --------
    >>> lists = read_stem_lists(pd.Series(["300;250", None, "300;x"]))
    >>> lists.stem_mm.tolist(), lists.tree.tolist(), lists.is_unreadable.tolist()
    ([300.0, 250.0], [0, 0], [False, False, True])
    """
    stems = parse_stems(stems_mm)
    values = stems["diameter_mm"].to_numpy(dtype=np.float64)
    tree = stems["row"].to_numpy(dtype=np.intp)
    is_unreadable = np.zeros(len(stems_mm), dtype=bool)
    is_unreadable[tree[~((values > 0) & np.isfinite(values))]] = True
    keep = ~is_unreadable[tree]
    return StemLists(values[keep], tree[keep], is_unreadable)


def equivalent_diameter(
    stem_mm: ArrayLike, tree: ArrayLike, *, n_trees: int, regime: Regime
) -> Floats:
    """Calculate the one diameter that stands for the several stems of a tree.

    Parameters
    ----------
    stem_mm : array_like of float, shape (m,)
        Diameters of all stems in mm.
    tree : array_like of int, shape (m,)
        Position of the tree of each stem, 0 to `n_trees` - 1.
    n_trees : int
        Number of trees.
    regime : Regime
        The rules: `several_stems` and `few_stems_limit`.

    Returns
    -------
    numpy.ndarray of float, shape (n_trees,)
        Equivalent diameters in mm; NaN for a tree with no stem or one of unknown size.

    Raises
    ------
    ValueError
        If a diameter is zero or below.

    Notes
    -----
    sqrt_sum: ``sqrt(sum d^2)`` (AS 4970 Appendix A, memory). mean_above_limit: the same up to 5
    stems, ``sqrt(n mean(d)^2)`` above (BS 5837:2012 clause 4.6.1, memory). largest_plus_half: the
    largest and half of each other (US municipal codes, published).
    """
    stems = check_diameters(stem_mm)
    of_tree = np.asarray(tree, dtype=np.intp)
    count = np.bincount(of_tree, minlength=n_trees)
    total = np.bincount(of_tree, weights=stems, minlength=n_trees)
    if regime.several_stems == "largest_plus_half":
        largest = np.zeros(n_trees)
        np.maximum.at(largest, of_tree, stems)
        result = largest + (total - largest) / 2
    else:
        result = np.sqrt(np.bincount(of_tree, weights=stems**2, minlength=n_trees))
    if regime.several_stems == "mean_above_limit":
        is_many = count > (regime.few_stems_limit or 0)
        result = np.where(is_many, total / np.sqrt(np.maximum(count, 1)), result)
    return np.where(count > 0, result, np.nan)


def diameter_from_girth(girth_mm: ArrayLike) -> Floats:
    """Calculate stem diameters from girths.

    Parameters
    ----------
    girth_mm : array_like of float, shape (n,)
        Girths in mm. NaN stays NaN.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Diameters in mm, girth / pi.

    Raises
    ------
    ValueError
        If a girth is zero or below.
    """
    return check_diameters(girth_mm) / np.pi


def resolve_stems(
    trees: pd.DataFrame,
    crown_diameter_m: ArrayLike,
    *,
    regime: Regime,
    settings: ZoneSettings,
    findings: Findings,
    lists: StemLists | None = None,
) -> pd.DataFrame:
    """Find the stem diameter of each tree: stem list, diameter, girth, crown, assumption.

    Parameters
    ----------
    trees : pandas.DataFrame
        Column tree_id; stems_mm, stem_diameter_mm, stem_circumference_mm where given.
    crown_diameter_m : array_like of float, shape (n,)
        Crown diameters in m, NaN for not known.
    regime : Regime
        The rule for several stems.
    settings : ZoneSettings
        Relation of crown and stem, the assumed stem, and which value draws the zone.
    findings : Findings
        Takes unreadable, impossible, estimated and assumed stems.
    lists : StemLists, optional
        The stem lists of the trees, where they are read already.

    Returns
    -------
    pandas.DataFrame
        Columns stem_mm (the value that draws the zone), stem_low_mm, stem_mid_mm, stem_high_mm,
        stem_source (categorical) and is_stem_estimated; index of `trees`. NaN where not known.
    """
    crown = np.asarray(crown_diameter_m, dtype=np.float64)
    several, n_stems, is_unreadable = _read_several(trees, regime, lists)
    diameter, is_bad_diameter = _read_sizes(trees, "stem_diameter_mm")
    girth, is_bad_girth = _read_sizes(trees, "stem_circumference_mm")
    from_crown = stem_from_crown(crown, settings)
    has_default = settings.without_size == "assume"
    assumed = (
        settings.assumed_stem_low_mm,
        settings.assumed_stem_mid_mm,
        settings.assumed_stem_high_mm,
    )
    measured = np.where(np.isnan(several), diameter, several)
    # A stem read from a girth beforehand equals girth / pi.
    by_girth = np.isnan(measured) | ((n_stems == 0) & np.isclose(measured, girth / np.pi))
    is_girth = np.isfinite(girth) & by_girth
    is_known = [
        np.isfinite(measured) & (n_stems <= 1) & ~is_girth,
        is_girth,
        np.isfinite(measured),
        np.isfinite(crown),
        np.full(len(trees), has_default),
    ]
    code = np.select(is_known, list(range(len(is_known))), default=len(is_known))
    certain = np.where(np.isnan(measured), diameter_from_girth(girth), measured)
    values = [
        np.select(
            [code < _FROM_CROWN, code == _FROM_CROWN, code == _ASSUMED],
            [certain, estimate, guess],
            default=np.nan,
        )
        for estimate, guess in zip(from_crown, assumed, strict=True)
    ]
    stems = pd.DataFrame(
        {
            "stem_mm": values[2] if settings.use_high_stem else values[1],
            "stem_low_mm": values[0],
            "stem_mid_mm": values[1],
            "stem_high_mm": values[2],
            "stem_source": pd.Categorical.from_codes(code, dtype=STEM_SOURCE_TYPE),
            "is_stem_estimated": code >= _FROM_CROWN,
        },
        index=trees.index,
    )
    bad = {
        "stems_mm": is_unreadable,
        "stem_diameter_mm": is_bad_diameter,
        "stem_circumference_mm": is_bad_girth,
    }
    _add_stem_faults(findings, trees["tree_id"], code, bad, settings)
    return stems


def _read_several(
    trees: pd.DataFrame, regime: Regime, lists: StemLists | None
) -> tuple[Floats, Integers, NDArray[np.bool_]]:
    """Read the stem lists: equivalent diameter, number of stems, unreadable or not."""
    n = len(trees)
    if "stems_mm" not in trees:
        return np.full(n, np.nan), np.zeros(n, dtype=np.intp), np.zeros(n, dtype=bool)
    stem_mm, tree, is_unreadable = lists or read_stem_lists(trees["stems_mm"])
    several = equivalent_diameter(stem_mm, tree, n_trees=n, regime=regime)
    return several, np.bincount(tree, minlength=n), is_unreadable


def _read_sizes(trees: pd.DataFrame, column: str) -> tuple[Floats, NDArray[np.bool_]]:
    """Read a column of sizes; those that cannot be are set to NaN and marked."""
    if column not in trees:
        return np.full(len(trees), np.nan), np.zeros(len(trees), dtype=bool)
    sizes = trees[column].to_numpy(dtype=np.float64, na_value=np.nan)
    is_bad = (sizes <= 0) | np.isinf(sizes)
    return np.where(is_bad, np.nan, sizes), is_bad


def _add_stem_faults(
    findings: Findings,
    tree_id: pd.Series,
    code: Integers,
    bad: dict[str, NDArray[np.bool_]],
    settings: ZoneSettings,
) -> None:
    """Report what was wrong with stems, and what stands in for the missing ones."""
    seen = say("a stem size that cannot be read, or is not above 0")
    done = say("left out; the next source of the stem is used")
    for field, is_bad in bad.items():
        findings.add("warning", "trees", tree_id[is_bad], field=field, seen=seen, done=done)
    value = say("high value") if settings.use_high_stem else say("middle value")
    assumed_mm = (
        settings.assumed_stem_high_mm if settings.use_high_stem else settings.assumed_stem_mid_mm
    )
    stand_ins = (
        (
            3,
            "info",
            say("no stem"),
            say(
                "estimated from the crown; the {value} of the band in which {share:.0f} % of "
                "single trees lie draws the zone",
                value=value,
                share=share_in_band(settings.estimates),
            ),
        ),
        (
            4,
            "warning",
            say("neither stem nor crown"),
            say("a stem of {diameter:g} mm is assumed", diameter=assumed_mm),
        ),
        (5, "warning", say("neither stem nor crown"), say("stem left unknown; measure the tree")),
    )
    for source, severity, seen, done in stand_ins:
        rows = tree_id[code == source]
        findings.add(severity, "trees", rows, field="stem_diameter_mm", seen=seen, done=done)
