"""All outputs of a result, written together: complete, or not at all."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from routekit.outputs.arborist.report import write_tree_report
from routekit.outputs.atomic import replacing
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.map.writer import write_map
from routekit.outputs.public.builder import build_public_page
from routekit.outputs.return_layers import write_return_layers
from routekit.outputs.schedule import write_schedule
from routekit.result import Result
from routekit.study import StudySettings


def write_outputs(
    result: Result, settings: StudySettings, folder: Path, *, tell: Callable[[str], None]
) -> tuple[dict[str, Path], list[str]]:
    """Write GeoPackage, maps, schedule and report into a folder.

    Parameters
    ----------
    result : Result
    settings : StudySettings
    folder : Path
        Is made if need be. Earlier results in it stay whole until all new files are complete.
    tell : callable
        Is called with the name of each output as it begins.

    Returns
    -------
    written : dict of str to Path
        Name of each output and its file.
    notes : list of str
        What was not written, and why.

    Raises
    ------
    OutputError
        If something cannot be written; earlier results are as they were.
    """
    outputs = settings.outputs
    with replacing(folder) as stage:
        tell("Writing the GeoPackage")
        package = stage / "result.gpkg"
        write_geopackage(result, package, settings=outputs.geopackage)
        written = {"GeoPackage": package}
        tell("Drawing the working map")
        pages = write_map(result, stage, outputs.map)
        written["map"] = pages[0]
        tell("Writing the page for the public")
        public = stage / "public.html"
        public.write_text(build_public_page(result, outputs.public), encoding="utf-8")
        written["public page"] = public
        tell("Writing the schedule")
        written["schedule"] = write_schedule(
            result, stage / "schedule.xlsx", settings=outputs.schedule
        )
        tell("Writing the arborist's report")
        obstacle = pdf_obstacle()
        report, sheets = stage / "trees.html", stage / "trees.pdf"
        write_tree_report(result, report, None if obstacle else sheets, settings=outputs.report)
        written["arborist's report"] = report
        if not obstacle:
            written["the same, to print"] = sheets
        written = {name: folder / path.name for name, path in written.items()}
    # The layers to edit go straight to their place: what an arborist has drawn in them is kept.
    written["layers to edit and return"] = write_return_layers(result, folder / "return.gpkg")
    return written, [obstacle] if obstacle else []


def pdf_obstacle() -> str:
    """Say why no PDF can be made on this machine; blank where one can.

    The PDF library draws text with Pango, which is a system package that pip does not install.
    """
    try:
        import weasyprint  # noqa: F401, PLC0415
    except OSError:
        return (
            "trees.pdf is not written: the system library Pango is missing (Debian: libpango-1.0-0 and "
            "libpangoft2-1.0-0). Print trees.html from a browser instead."
        )
    return ""
