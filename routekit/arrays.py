"""Names for the kinds of NumPy arrays that functions take and return."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
"""Numbers; NaN means not known."""
Ints = NDArray[np.int64]
"""Positions and counts."""
Flags = NDArray[np.bool_]
"""Yes or no, never unknown."""
Texts = NDArray[np.object_]
"""Text, one `str` each."""
