"""Everything a study yields, as plain tables.

The columns of each table are declared in `routekit.schema`. A table that a study has no data for
is present and empty, with the same columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd

from routekit.arrays import Floats, Objects
from routekit.errors import StudyError
from routekit.schema import load_tables
from routekit.site.relaid import draw_dug, measure_dug
from routekit.study import StudySettings
from routekit.vocabulary import CAUTIONS, write_count

BREACH_COLUMNS: Final = (
    "run_id",
    "tree_id",
    "run",
    "tree",
    "footprint_m2",
    "footprint_share",
    "severed_m2",
    "severed_share",
    "stem_edge_m",
    "from_m",
    "to_m",
    "is_structural",
    "is_through_stem",
    "is_within_least",
    "severity",
    "is_estimated",
    "position_sd_m",
    "is_unsure",
    "may_change",
    "is_worked_on",
    "chance_breach",
    "is_grazed",
    "chance_major",
    "chance_structural",
)
"""Columns of `encroachments` that tell of a trench."""


@dataclass(frozen=True, kw_only=True, repr=False)
class Result:
    """Tables of one study; see `routekit.schema` for their columns."""

    name: str
    crs: str
    settings: StudySettings
    """Every setting in force, those of the outputs among them."""
    runs: gpd.GeoDataFrame
    manholes: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    stems: pd.DataFrame
    trenches: gpd.GeoDataFrame
    near_misses: pd.DataFrame
    tree_loss: pd.DataFrame
    tree_balance: pd.DataFrame
    inspections: pd.DataFrame
    root_links: pd.DataFrame
    condition: pd.DataFrame
    checks: pd.DataFrame
    options: pd.DataFrame
    advice: pd.DataFrame
    strings: gpd.GeoDataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    encroachments: pd.DataFrame
    connections: gpd.GeoDataFrame
    services: gpd.GeoDataFrame
    service_crossings: pd.DataFrame
    obstacles: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    study_area: gpd.GeoDataFrame
    decisions: pd.DataFrame
    totals: pd.DataFrame
    findings: pd.DataFrame
    rules: pd.DataFrame
    provenance: pd.DataFrame
    laydown: gpd.GeoDataFrame
    root_zones: gpd.GeoDataFrame
    quantities: pd.DataFrame
    ways: pd.DataFrame
    alerts: pd.DataFrame
    surveys: pd.DataFrame
    tree_needs: pd.DataFrame
    tree_protection: gpd.GeoDataFrame
    new_lines: gpd.GeoDataFrame
    new_line_checks: pd.DataFrame
    new_line_connections: gpd.GeoDataFrame
    as_built: pd.DataFrame
    programme: pd.DataFrame
    stages: pd.DataFrame
    flow_diversion: pd.DataFrame
    lessons: pd.DataFrame
    permits: pd.DataFrame
    after_care: pd.DataFrame
    photo: Path | None = None
    folder: Path | None = None
    """Folder of the study file, from which the photos of trees are named."""
    inputs: tuple[tuple[str, Path], ...] = ()
    """Name and path of each file that the study read: no output may replace one."""
    cautions: tuple[str, ...] = CAUTIONS

    def __repr__(self) -> str:
        """Say in one line which result it is; its tables hold the rest."""
        counts = (
            write_count(len(self.runs), "run"),
            write_count(len(self.trees), "tree"),
            write_count(len(self.findings), "finding"),
        )
        told = ", ".join(filter(None, (*counts, self.crs, self.result_id)))
        return f"<{type(self).__name__} {self.name!r}: {told}>"

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables by name, in the order of the schema."""
        return {name: getattr(self, name) for name in load_tables()}

    @property
    def breaches(self) -> pd.DataFrame:
        """Where the trench of open cut would enter a zone: such rows of `encroachments`."""
        rows = self.encroachments[(self.encroachments["kind"] == "trench").to_numpy(dtype=bool)]
        rows = rows.reset_index(drop=True)
        return rows[list(BREACH_COLUMNS)].assign(
            is_structural=rows["is_structural"].to_numpy(dtype=bool, na_value=False),
            position_sd_m=rows["position_sd_m"].mask(rows["is_sd_least"]),
        )

    @property
    def dug_lines(self) -> Objects:
        """Lines along which the runs are dug: on a new line where that is recommended."""
        return draw_dug(self.runs, self.new_lines)

    @property
    def dug_length_m(self) -> Floats:
        """Lengths of the runs as they are dug: along a new line where that is recommended."""
        return measure_dug(self.runs, self.new_lines)

    @property
    def result_id(self) -> str:
        """Name of the result, which stands in each of its files; blank where none is known."""
        return self._tell_study("result")

    @property
    def study_date(self) -> str:
        """Date that the study states; blank where it states none."""
        return self._tell_study("date")

    def _tell_study(self, name: str) -> str:
        """Give what the provenance tells of the study; blank where it does not."""
        kind, names = self.provenance["kind"], self.provenance["name"]
        found = self.provenance["value"][((kind == "study") & (names == name)).to_numpy()]
        return str(found.iloc[0]) if len(found) else ""


def require_result(value: object, caller: str) -> None:
    """Refuse what is no result, and say how to get one.

    Parameters
    ----------
    value : object
        What was passed.
    caller : str
        Name of the function it was passed to.

    Raises
    ------
    StudyError
        If it is no result.
    """
    if not isinstance(value, Result):
        message = (
            f"{caller} takes a Result, not a value of type {type(value).__name__}; "
            'pass what run_study(Study.load("study.toml")) gives'
        )
        raise StudyError(message)
