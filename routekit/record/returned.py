"""What came back from site, held to the names of the study and against its plan."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from routekit.advice.choice import Renewal
from routekit.layers.findings import Findings
from routekit.layers.read import Layers
from routekit.layers.site_return import name_planned
from routekit.record.as_built import Plan, compare_as_built
from routekit.record.settings import RecordSettings


@dataclass(frozen=True, kw_only=True)
class Record:
    """What the record of the works holds.

    Attributes
    ----------
    as_built, findings : DataFrame
        As in the schema.
    """

    as_built: pd.DataFrame
    findings: pd.DataFrame


def keep_record(layers: Layers, renewal: Renewal, settings: RecordSettings) -> Record:
    """Compare what came back from site with what is planned.

    Parameters
    ----------
    layers : Layers
        With `site_return`.
    renewal : Renewal
        The plan.
    settings : RecordSettings

    Returns
    -------
    Record
    """
    works, findings = renewal.works, Findings()
    names = {
        "run_id": renewal.runs["run_id"],
        "tree_id": layers.trees["tree_id"],
        "string_id": works.strings["string_id"],
        "pit_id": works.pits["pit_id"],
    }
    returned = name_planned(
        layers.site_return,
        {name: pd.Index(ids.astype("str")) for name, ids in names.items()},
        findings,
    )
    plan = Plan(
        runs=renewal.runs,
        advice=renewal.advice,
        strings=works.strings,
        pits=works.pits,
        encroachments=renewal.encroachments,
        zones=renewal.place.around.zones,
        major_from_share=renewal.place.major_from_share,
    )
    return Record(as_built=compare_as_built(returned, plan, settings), findings=findings.table())
