"""Write a page in ASCII alone, each other sign by its number.

A browser holds a document in one byte a sign until the first sign beyond Latin-1, and then all of
it in two: one such sign in a page of 8 MB doubles what the page takes, and the time in which it is
decoded before anything else can be done.
"""

from __future__ import annotations

import re
from typing import Final

_OTHERS: Final = re.compile(r"[^\x00-\x7f]")


def escape_script(text: str) -> str:
    r"""Write a script in ASCII: `\u2026` for each other sign, two of them beyond 16 bits.

    Parameters
    ----------
    text : str
        A script in which other signs stand in strings, templates and comments only.

    Returns
    -------
    str
        A script that does the same.
    """

    def write(found: re.Match[str]) -> str:
        units = found.group().encode("utf-16-be").hex()
        return "".join(rf"\u{units[at : at + 4]}" for at in range(0, len(units), 4))

    return _OTHERS.sub(write, text)


def escape_style(text: str) -> str:
    r"""Write a style sheet in ASCII: `\2026 ` for each other sign.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        A style sheet that does the same.
    """
    return _OTHERS.sub(lambda found: rf"\{ord(found.group()):x} ", text)


def escape_page(text: str) -> str:
    """Write a page in ASCII: `&#8230;` for each other sign.

    Parameters
    ----------
    text : str
        A page whose scripts and styles are ASCII.

    Returns
    -------
    str
        A page that reads the same.
    """
    return text.encode("ascii", "xmlcharrefreplace").decode("ascii")
