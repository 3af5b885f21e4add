"""Stems: the one diameter that stands for a tree, and how sure it is.

Several stems become one equivalent diameter by the regime's rule; a missing stem is estimated from
the crown (`routekit.trees.estimates`), with a low, a middle and a high value. So is one that is far
too thin for its crown: a zone drawn from a slip of units would spare roots on paper only.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags, Floats, take_numbers
from routekit.layers.assumed import LEAST_CROWN, is_assumed
from routekit.layers.findings import Findings
from routekit.layers.stem_columns import CLASSES, NO_LISTS, STEM_COLUMNS, StemLists
from routekit.trees.estimates import share_in_band, stem_from_crown, thinnest_stem
from routekit.trees.radii import check_diameters
from routekit.trees.regimes import Regime
from routekit.trees.settings import ZoneSettings
from routekit.words.columns import say_each
from routekit.words.texts import message, say

Integers = NDArray[np.intp]

STEM_SOURCES: Final = (
    message("measured"),
    message("several stems"),
    message("estimated from crown"),
    message("assumed"),
    message("unknown"),
)
"""Where a stem diameter comes from, surest first."""

MEASURED: Final = "measured"
SEVERAL: Final = "several stems"
_FROM_CROWN, _ASSUMED, _UNKNOWN = range(
    STEM_SOURCES.index("estimated from crown"), len(STEM_SOURCES)
)

STEM_SOURCE_TYPE: Final = pd.CategoricalDtype(list(STEM_SOURCES))


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


def resolve_stems(
    trees: pd.DataFrame,
    crown_diameter_m: ArrayLike,
    *,
    regime: Regime,
    settings: ZoneSettings,
    findings: Findings,
    lists: StemLists = NO_LISTS,
    stated: ArrayLike = (),
) -> pd.DataFrame:
    """Find the stem diameter of each tree: stem list, diameter, crown, assumption.

    Parameters
    ----------
    trees : pandas.DataFrame
        Column tree_id; stem_diameter_mm where given, and assumed, which names those of classes and
        constants: a constant stands in where no crown tells of a thicker stem. is_columnar where
        given: the crown of such a tree is narrow whatever its stem, and tells nothing of it.
    crown_diameter_m : array_like of float, shape (n,)
        Crown diameters in m, NaN for not known.
    regime : Regime
        The rule for several stems.
    settings : ZoneSettings
        Relation of crown and stem, the assumed stem, and which value draws the zone.
    findings : Findings
        Takes estimated and assumed stems.
    lists : StemLists, optional
        The stems of the trees that have several.
    stated : array_like of str, optional
        Ids of trees whose stem a person decided on: it stands, however thin.

    Returns
    -------
    pandas.DataFrame
        Columns stem_mm (the value that draws the zone), stem_low_mm, stem_mid_mm, stem_high_mm,
        stem_source (categorical) and is_stem_estimated; index of `trees`. NaN where not known.
    """
    n = len(trees)
    is_columnar = trees.get("is_columnar", pd.Series(False, trees.index)).eq(True)
    crown = np.where(is_columnar.to_numpy(dtype=bool, na_value=False), np.nan, crown_diameter_m)
    several = equivalent_diameter(lists.stem_mm, lists.tree, n_trees=n, regime=regime)
    measured = np.where(np.isnan(several), take_numbers(trees, "stem_diameter_mm"), several)
    names = trees.get("assumed", pd.Series("", trees.index))
    is_class, is_least = (is_assumed(names, (name,)) for name in CLASSES)
    is_constant = is_assumed(names, tuple(STEM_COLUMNS))
    least = np.where(is_least | is_constant, measured, np.nan)
    constant = np.where(is_constant, measured, np.nan)
    measured = np.where(is_least | is_constant, np.nan, measured)
    is_slip = measured < thinnest_stem(crown, settings)
    is_slip &= ~trees["tree_id"].isin(np.asarray(stated, dtype=object)).to_numpy()
    _add_slips(findings, trees["tree_id"], is_slip, measured, crown)
    measured = np.where(is_slip, np.nan, measured)
    has_default = settings.without_size == "assume"
    assumed = (
        settings.assumed_stem_low_mm,
        settings.assumed_stem_mid_mm,
        settings.assumed_stem_high_mm,
    )
    # Over a crown of which the least is known a stem is no thinner than over an unknown one.
    is_open = is_assumed(names, (LEAST_CROWN,)) & has_default
    from_crown = [
        np.where(is_open, np.fmax(estimate, guess), estimate)
        for estimate, guess in zip(stem_from_crown(crown, settings), assumed, strict=True)
    ]
    is_known = [
        np.isfinite(measured) & np.isnan(several),
        np.isfinite(measured),
        np.isfinite(crown),
        is_constant | has_default,
    ]
    code = np.select(is_known, list(range(len(is_known))), default=len(is_known))
    values = [
        np.fmax(
            least,
            np.select(
                [code < _FROM_CROWN, code == _FROM_CROWN, code == _ASSUMED],
                [measured, estimate, np.where(is_constant, constant, guess)],
                default=np.nan,
            ),
        )
        for estimate, guess in zip(from_crown, assumed, strict=True)
    ]
    code[(is_class & (code < _FROM_CROWN)) | (least >= values[2])] = _ASSUMED
    findings.add(
        "info",
        "trees",
        trees["tree_id"][np.fmax(measured, least) > settings.unknown_stem_mm],
        field="stem_diameter_mm",
        seen=say(
            "a stem thicker than {limit:.0f} mm, which stems of unknown size are taken not to be",
            limit=settings.unknown_stem_mm,
        ),
        done=say("used as measured; raise zones.unknown_stem_mm if others may be as thick"),
    )
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
    is_told = is_slip | is_class | is_least | is_constant
    _add_stand_ins(findings, trees["tree_id"], np.where(is_told, -1, code), settings)
    return stems


def _add_slips(
    findings: Findings, tree_id: pd.Series, is_slip: Flags, stem_mm: Floats, crown_m: Floats
) -> None:
    """Report stems that are far too thin for their crowns."""
    findings.add(
        "warning",
        "trees",
        tree_id[is_slip],
        field="stem_diameter_mm",
        seen=say_each(
            "a stem of {stem:.0f} mm under a crown {crown:.1f} m wide",
            stem=stem_mm[is_slip],
            crown=crown_m[is_slip],
        ),
        done=say(
            "too thin to be true, such as cm for mm: the stem is estimated from the crown; measure "
            "it, and correct it or decide on it (decision stem)"
        ),
    )


def _add_stand_ins(
    findings: Findings, tree_id: pd.Series, code: Integers, settings: ZoneSettings
) -> None:
    """Report what stands in for missing stems."""
    value = say("high value") if settings.use_high_stem else say("middle value")
    assumed_mm = (
        settings.assumed_stem_high_mm if settings.use_high_stem else settings.assumed_stem_mid_mm
    )
    stand_ins = (
        (
            _FROM_CROWN,
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
            _ASSUMED,
            "warning",
            say("neither stem nor a crown that tells of it"),
            say("a stem of {diameter:g} mm is assumed", diameter=assumed_mm),
        ),
        (
            _UNKNOWN,
            "warning",
            say("neither stem nor a crown that tells of it"),
            say("stem left unknown; measure the tree"),
        ),
    )
    for source, severity, seen, done in stand_ins:
        rows = tree_id[code == source]
        findings.add(severity, "trees", rows, field="stem_diameter_mm", seen=seen, done=done)
