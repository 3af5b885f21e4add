"""Sizes in the wrong unit: seen by their median, refused with the line that mends it.

A sewer of DN 0.3 or DN 12 does not exist, but a sewer of 0.3 m or 12 inches does. The unit is
never guessed: the study is refused until it says which one it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from routekit.errors import FieldError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from routekit.layers.findings import Findings

LEAST_MEDIAN: Final = {
    ("sewers", "shape_size"): 80.0,
    ("sewers", "diameter_mm"): 80.0,
    ("sewers", "height_mm"): 80.0,
    ("manholes", "chamber_length_mm"): 80.0,
    ("trees", "stem_diameter_mm"): 60.0,
    ("trees", "stems_mm"): 60.0,
    ("trees", "stem_circumference_mm"): 190.0,
}
"""Median in mm below which a whole column cannot be in mm (house choice: below the smallest
public sewer, and below a tree just planted)."""


def check_unit(
    layer: str, name: str, values: ArrayLike, *, unit: str | None, where: str, findings: Findings
) -> None:
    """Refuse a column of sizes whose median shows another unit than mm.

    Parameters
    ----------
    layer, name : str
        Canonical layer and column, one of `LEAST_MEDIAN`; others are let through.
    values : array_like of float, shape (n,)
        Sizes in mm as read; NaN and 0 are left out of the median.
    unit : str or None
        Unit declared in the study file; None if none is.
    where : str
        File and layer, for the message.
    findings : Findings
        Takes the doubt where a unit is declared.

    Raises
    ------
    FieldError
        If no unit is declared and the median is below the least.
    """
    least = LEAST_MEDIAN.get((layer, name))
    sizes = np.asarray(values, dtype=np.float64)
    sizes = sizes[sizes > 0]
    if least is None or not len(sizes) or np.median(sizes) >= least:
        return
    median = float(np.median(sizes))
    if unit is not None:
        seen = f"median {median:.4g} mm with units.{layer}.{name} = {unit!r}: too small to be true"
        findings.note("error", layer, name, seen, "read as declared; check the unit")
        return
    likely = "m" if median < 3 else 'in" or "cm'
    msg = (
        f"{where}: {name} has the median {median:.4g}, too small for mm; "
        f'say units.{layer}.{name} = "{likely}" in the study file, whichever it is'
    )
    raise FieldError(msg)
