"""Files and page templates that lie beside the code of an output."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import jinja2


@cache
def read_file(package: str, name: str) -> str:
    """Read a text file of a package.

    Parameters
    ----------
    package : str
        Full name of the package.
    name : str
        Path of the file within it.

    Returns
    -------
    str
    """
    return (files(package) / name).read_text(encoding="utf-8")


@cache
def load_templates(package: str) -> jinja2.Environment:
    """Give the page templates of a package, with every slot escaped unless marked safe.

    Parameters
    ----------
    package : str
        Full name of the package.

    Returns
    -------
    jinja2.Environment
        A name that a template lacks is an error; blocks leave no blank lines.
    """
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: read_file(package, name)),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
