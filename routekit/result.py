"""Everything a study yields, as plain tables.

The columns of each table are declared in `routekit.schema`. A table that a study has no data for
is present and empty, with the same columns.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd

from routekit.errors import StudyError
from routekit.schema import load_tables

CAUTIONS: tuple[str, ...] = (
    "Screening only: this is not a design, an arboricultural impact assessment, a method statement "
    "or a permit. Local codes, licensed engineers and qualified arborists decide.",
    "Root zones are notional minimum areas, not root maps. Roots often reach further and follow "
    "trenches, kerbs and joints.",
    "Protected and veteran trees need consent before any work, and nesting or roosting animals "
    "have limits of their own.",
    "Trenchless is not root-free: pits, connection digs, manhole works and repairs are excavations "
    "and need the same check.",
    "Locate and expose services before digging or bursting. Gas and water inside the clearance "
    "stay exposed while the pipe passes.",
    "Never enter an unsupported excavation: support or slope it as the local code says.",
    "Sewers are confined spaces: test the air, ventilate, keep an attendant and a rescue plan.",
    "Groundwater lowering can settle ground and dry out trees; it needs a permit.",
    "Root findings near a tree are an association, not proof of which tree.",
)
"""Cautions that travel with every output."""


@dataclass(frozen=True, kw_only=True)
class Result:
    """Tables of one study; see `routekit.schema` for their columns."""

    name: str
    crs: str
    runs: gpd.GeoDataFrame
    manholes: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    trenches: gpd.GeoDataFrame
    breaches: pd.DataFrame
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
    connections: gpd.GeoDataFrame
    services: gpd.GeoDataFrame
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
    photo: Path | None = None
    also_open: tuple[str, ...] = ()
    """Formats opened besides those on the list: `study.also_open`."""
    inputs: tuple[tuple[str, Path], ...] = ()
    """Name and path of each file that the study read: no output may replace one."""
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables by name, in the order of the schema."""
        return {name: getattr(self, name) for name in load_tables()}

    @property
    def result_id(self) -> str:
        """Name of the result, which stands in each of its files; blank where none is known."""
        kind, name = self.provenance["kind"], self.provenance["name"]
        found = self.provenance["value"][((kind == "study") & (name == "result")).to_numpy()]
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
