"""Screen the renewal of old gravity sewers under street trees, run by run.

The names below are all that a script or notebook needs; they are loaded when first used, so that
importing the package itself costs nothing.

Examples
--------
>>> import routekit
>>> sorted(routekit.__all__)
['Result', 'RoutekitError', 'Study', '__version__', 'run_study', 'summarise', 'write_outputs']
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from routekit.errors import RoutekitError
    from routekit.outputs.summary import summarise
    from routekit.outputs.write import write_outputs
    from routekit.pipeline import run_study
    from routekit.result import Result
    from routekit.study import Study

    __version__: str

__all__ = [
    "Result",
    "RoutekitError",
    "Study",
    "__version__",
    "run_study",
    "summarise",
    "write_outputs",
]

_HOMES = {
    "Result": "routekit.result",
    "RoutekitError": "routekit.errors",
    "Study": "routekit.study",
    "run_study": "routekit.pipeline",
    "summarise": "routekit.outputs.summary",
    "write_outputs": "routekit.outputs.write",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used."""
    if name == "__version__":
        return import_module("importlib.metadata").version("routekit")
    if name not in _HOMES:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
