"""Bytes as signs that may stand in a page: 13 bits in two signs of ASCII, where base64 takes 12.

The signs are the printable ones of ASCII but for the blank and those that open, close and escape
in a page (`<`, `>` and `&`), so that what is spelled ends no element and is no other text. As 91 x
91 is more than 2^13, two of them spell 13 bits; what is left at the end, up to 6 bits, takes one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

SIGNS: Final = "".join(chr(code) for code in range(0x21, 0x7F) if chr(code) not in "<>&")
"""The 91 signs, by their value."""

_BITS: Final = 13
_IN_ONE: Final = 6
"""Bits that one sign spells."""


def spell(data: bytes) -> str:
    """Spell bytes in signs.

    Parameters
    ----------
    data : bytes

    Returns
    -------
    str
        ASCII text.
    """
    bits = np.unpackbits(np.frombuffer(data, np.uint8))
    rest = len(bits) % _BITS
    bits = np.concatenate([bits, np.zeros(-len(bits) % _BITS, dtype=np.uint8)])
    groups: NDArray[np.uint16] = np.zeros(len(bits) // _BITS, dtype=np.uint16)
    for place in range(_BITS):
        groups |= bits[place::_BITS].astype(np.uint16) << np.uint16(_BITS - 1 - place)
    table = np.frombuffer(SIGNS.encode("ascii"), np.uint8)
    pairs = np.column_stack([table[groups // len(SIGNS)], table[groups % len(SIGNS)]])
    text = pairs.tobytes().decode("ascii")
    if not 0 < rest <= _IN_ONE:
        return text
    return text[:-2] + SIGNS[int(groups[-1]) >> (_BITS - _IN_ONE)]


def read_spelled(text: str) -> bytes:
    """Undo `spell`.

    Parameters
    ----------
    text : str

    Returns
    -------
    bytes
    """
    values = np.zeros(128, dtype=np.uint16)
    values[np.frombuffer(SIGNS.encode("ascii"), np.uint8)] = np.arange(len(SIGNS))
    signs = values[np.frombuffer(text.encode("ascii"), np.uint8)]
    even = len(signs) // 2 * 2
    groups = signs[:even:2] * len(SIGNS) + signs[1:even:2]
    bits = [(groups[:, None] >> np.arange(_BITS - 1, -1, -1) & 1).astype(np.uint8).ravel()]
    if len(signs) > even:
        bits.append((signs[-1:] >> np.arange(_IN_ONE - 1, -1, -1) & 1).astype(np.uint8))
    whole = np.concatenate(bits).astype(np.uint8)
    return np.packbits(whole[: len(whole) // 8 * 8]).tobytes()
