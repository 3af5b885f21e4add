"""Inspections, connections and decisions of the sample.

Codes are EN 13508-2 main codes, named from memory. Joints of old pipes lie every metre (invented).
No run is inspected without its start (BCD) and finish (BCE), so a clean run is seen to be clean.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from greenery import nearest_tree
from network import CASES, UNKNOWN_RUN
from plan import HALF_CARRIAGEWAY_M, blocks, point

ROOTED = ("TL-S", "VS-X1")
ALWAYS = tuple(run for run in CASES if run != UNKNOWN_RUN)
"""Runs that are inspected whatever the draw."""
SIX_CONNECTIONS = "TL-S09"


def _row(
    run_id: str,
    chainage_m: float,
    code: str,
    first: str | None = None,
    amount: float = np.nan,
    clock: float = np.nan,
    at_joint: bool = False,
    second: str | None = None,
) -> dict[str, object]:
    return {
        "run_id": run_id,
        "chainage_m": round(chainage_m, 2),
        "code": code,
        "characterisation": first,
        "characterisation_2": second,
        "quantification": amount,
        "clock": clock,
        "at_joint": at_joint,
    }


def _roots(run: pd.Series, stems: np.ndarray, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return root observations at joints near stems, more and larger where a stem is nearer."""
    joints = np.arange(1.0, run.geometry.length, 1.0)
    spots = shapely.line_interpolate_point(run.geometry, joints)
    gap = shapely.distance(spots[:, None], shapely.points(stems)[None, :]).min(axis=1)
    is_avenue = run.run_id.startswith(ROOTED)
    chance = np.where(gap < 3.2, 0.45 if is_avenue else 0.18, np.where(gap < 5.0, 0.08, 0.005))
    made = []
    for joint in joints[rng.random(len(joints)) < chance]:
        clock = float((8 + rng.integers(0, 8)) % 12 or 12)
        if is_avenue:
            amount, first = float(rng.integers(4, 13) * 5), "C"
        else:
            amount, first = float(rng.integers(1, 8) * 5), str(rng.choice(["A", "B", "B", "C"]))
        made.append(_row(run.run_id, joint, "BBA", first, amount, clock, True))
    return made


def _wear(run: pd.Series, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return cracks, displaced joints, deposits and surface damage by the pipe's age."""
    name, made = run.run_id, []

    def place() -> float:
        return float(rng.uniform(2.0, run.geometry.length - 2.0))

    if run.year > 1990:
        return [_row(name, place(), "BBC", "A", 5.0, 6.0)] if rng.random() < 0.3 else []
    for _ in range(int(rng.poisson(0.9))):
        first, second = str(rng.choice(["A", "B", "B", "C"])), str(rng.choice(["A", "B", "C"]))
        width_mm = float(rng.integers(1, 6))
        made.append(_row(name, place(), "BAB", first, width_mm, 12.0, False, second))
    for _ in range(int(rng.poisson(0.7))):
        first, shift_mm = str(rng.choice(["A", "B", "B"])), float(rng.integers(1, 5) * 5)
        made.append(_row(name, float(np.floor(place())), "BAJ", first, shift_mm, 12.0, True))
    if rng.random() < 0.35:
        made.append(_row(name, place(), "BBC", "B", float(rng.integers(1, 4) * 5), 6.0))
    if run.MATERIAAL == "BT" and rng.random() < 0.5:
        made.append(_row(name, place(), "BAF", "A", np.nan, 3.0))
    return made


def _case(run_id: str, length: float) -> list[dict[str, object]]:
    """Return the observations which make a hard case."""
    if run_id == "KW-05":
        steps = np.linspace(12.0, 38.0, 6)
        depths = (15.0, 30.0, 45.0, 45.0, 30.0, 15.0)
        return [_row(run_id, s, "BDD", "C", d) for s, d in zip(steps, depths, strict=True)]
    if run_id == "PZ-06":
        return [
            _row(run_id, 17.0, "BAC", "A", 400.0, 12.0),
            _row(run_id, 18.2, "BAC", "C", 900.0, 12.0),
        ]
    if run_id in ("TL-S05", "VS-X1"):
        return [_row(run_id, s, "BBA", "C", 50.0, 12.0, True) for s in (2.0, 5.0) if s < length]
    return []


def inspections(
    rng: np.random.Generator, runs: pd.DataFrame, trees: pd.DataFrame, joined: pd.DataFrame
) -> pd.DataFrame:
    """Return observations for about seven in ten runs, in order of run and chainage."""
    stems = shapely.get_coordinates(trees["geometry"].to_numpy())
    chosen = (rng.random(len(runs)) < 0.7) | runs["run_id"].isin(ALWAYS).to_numpy()
    chosen &= (runs["run_id"] != UNKNOWN_RUN).to_numpy()
    rows: list[dict[str, object]] = []
    for run in runs.loc[chosen].itertuples(index=False):
        length = run.geometry.length
        rows.append(_row(run.run_id, 0.0, "BCD", "A"))
        rows.append(_row(run.run_id, length, "BCE", "A"))
        if run.year < 1990:
            rows += _roots(run, stems, rng)
        rows += _wear(run, rng) if run.run_id != "VS-X1" else []
        rows += _case(run.run_id, length)
        for other in joined.loc[joined["run_id"] == run.run_id].itertuples(index=False):
            place = run.geometry.project(other.geometry)
            clock = 10.0 if other.kind == "house" else 2.0
            rows.append(_row(run.run_id, place, "BCA", "A", other.diameter_mm, clock, False, "A"))
    table = pd.DataFrame(rows).sort_values(["run_id", "chainage_m", "code"], kind="stable")
    table = table.drop_duplicates(["run_id", "chainage_m", "code"]).reset_index(drop=True)
    table["clock"] = table["clock"].astype("Int64")
    return table


def connections(
    rng: np.random.Generator, runs: pd.DataFrame, obstacles: pd.DataFrame
) -> pd.DataFrame:
    """Return gullies at the kerbs and house connections where they meet the sewer."""
    lines = runs["geometry"].to_numpy()
    takes_rain = (runs["use"] != "foul").to_numpy() & (runs["run_id"] != "VS-X1").to_numpy()
    takes_foul = (runs["use"] != "storm").to_numpy() & (runs["run_id"] != "VS-X1").to_numpy()
    rows: list[dict[str, object]] = []
    for block in blocks():
        same = runs["run_id"].str.startswith(block.code).to_numpy() & takes_rain
        for side in (1, -1):
            offset = side * (HALF_CARRIAGEWAY_M[block.code] - 0.25)
            start, spacing = 14.0 + 5.0 * (side < 0), float(rng.uniform(22.0, 27.0))
            for chainage in np.arange(start, block.path.length_m - 10.0, spacing):
                spot = point(block.path.at(chainage, offset))
                rows.append(_joined(spot, "gully", 150.0, runs, same))
    houses = obstacles.loc[obstacles["kind"] == "building", "geometry"]
    for house in houses:
        spot = house.centroid
        meets, run = _meeting_point(spot, lines, takes_foul)
        if meets.distance(house) < 30.0:
            rows.append(_joined(meets, "house", 150.0, runs, run))
    rows += _six(runs)
    table = pd.DataFrame(rows)
    table["run_id"] = table["run_id"].where(rng.random(len(table)) > 0.06, None)
    six = table["note"].notna()
    table.loc[six, "run_id"] = SIX_CONNECTIONS
    table.insert(0, "connection_id", [f"C{k:04d}" for k in range(1, len(table) + 1)])
    return table


def _meeting_point(
    spot: shapely.Point, lines: np.ndarray, allowed: np.ndarray
) -> tuple[shapely.Point, np.ndarray]:
    """Return the nearest point on an allowed run, and which run that is."""
    gaps = np.where(allowed, shapely.distance(lines, spot), np.inf)
    best = int(gaps.argmin())
    meets = lines[best].interpolate(lines[best].project(spot))
    return meets, np.arange(len(lines)) == best


def _joined(
    spot: shapely.Point,
    kind: str,
    size_mm: float,
    runs: pd.DataFrame,
    allowed: np.ndarray,
) -> dict[str, object]:
    """Return a connection of the nearest allowed run."""
    gaps = np.where(allowed, shapely.distance(runs["geometry"].to_numpy(), spot), np.inf)
    run_id = runs["run_id"].iloc[int(gaps.argmin())]
    return {"run_id": run_id, "kind": kind, "diameter_mm": size_mm, "note": None, "geometry": spot}


def _six(runs: pd.DataFrame) -> list[dict[str, object]]:
    """Return the rest of the six connections of one avenue run: roof drains, on the pipe."""
    line = runs.loc[runs["run_id"] == SIX_CONNECTIONS, "geometry"].iloc[0]
    return [
        {
            "run_id": SIX_CONNECTIONS,
            "kind": "house",
            "diameter_mm": 125.0,
            "note": CASES[SIX_CONNECTIONS],
            "geometry": line.interpolate(place),
        }
        for place in (3.0, 7.0, 11.0, 15.0, 19.0, 22.5)
    ]


def decisions(trees: pd.DataFrame) -> pd.DataFrame:
    """Return the decisions of designer and arborist."""
    pit_free = trees.loc[trees["note"].fillna("").str.startswith("protected, pit-free"), "tree_id"]
    felled = nearest_tree(trees, np.array([405.0, 221.8]))
    rows = [
        ("PZ-03", None, "force", "cipp", "designer", "school entrance: no excavation in term time"),
        (
            "TL-S04",
            None,
            "exclude",
            "open_cut",
            "arborist",
            "fungus at the root collars, no root loss",
        ),
        (None, pit_free.iloc[0], "no_pit", None, "arborist", "protected tree: no pit in its zone"),
        (None, felled, "no_pit", None, "arborist", "replacement soil cell under the verge"),
    ]
    return pd.DataFrame(
        rows, columns=["run_id", "tree_id", "decision", "technique", "by", "reason"]
    )
