"""The code of a language as the value of a setting."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import AfterValidator

from routekit.words.languages import list_languages


def check_language(code: str) -> str:
    """Accept the code of a language that has a catalogue.

    Parameters
    ----------
    code : str

    Returns
    -------
    str
        The same.

    Raises
    ------
    ValueError
        If there is no such language; the message names those that there are.
    """
    if code not in list_languages():
        raise ValueError(f"language {code!r} is not one of {', '.join(list_languages())}")
    return code


Language: TypeAlias = Annotated[str, AfterValidator(check_language)]
"""Setting that names a language."""
