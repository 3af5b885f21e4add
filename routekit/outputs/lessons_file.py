"""Write what finished works teach as a small file that the next study names."""

from __future__ import annotations

from pathlib import Path

import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from routekit.errors import OutputError
from routekit.outputs.atomic import save_new
from routekit.record.lessons import write_lessons


def write_lessons_file(result: Path, path: str | Path) -> str:
    """Write the lessons of a result.

    Parameters
    ----------
    result : Path
        A `result.gpkg`.
    path : str or Path
        File to write; must not exist.

    Returns
    -------
    str
        What was written.

    Raises
    ------
    OutputError
        If the result holds no lessons, there is a file of that name already, or it cannot be
        written.
    """
    try:
        table = pyogrio.read_dataframe(result, layer="lessons")
        told = pyogrio.read_dataframe(result, layer="provenance").set_index("name")["value"]
    except (DataSourceError, DataLayerError) as error:
        message = f"{result} holds no lessons ({error}); run `routekit screen` again"
        raise OutputError(message) from error
    if not len(table):
        message = (
            f"{result}: nothing was measured; fill in the return file, name it as "
            "layers.site_return, and run `routekit screen` again; nothing was written"
        )
        raise OutputError(message)
    text = write_lessons(table, result=str(told["result"]), name=str(told["name"]))
    save_new(text, Path(path))
    return text
