"""Sewers and manholes of the sample: three ages, falling to two outfalls and an interceptor.

Every level, size and gradient is invented; the gradients lie between 1:100 and 1:250.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pandas as pd
from plan import EAST_WEST, NAMES, NORTH_SOUTH, Floats, Path, ground_m, node, point, street
from shapely.geometry import LineString

STEEPEST, FLATTEST = 1 / 100, 1 / 250

CASES = {
    "TL-S05": "avenue drain straight under the crowns, root masses at the joints",
    "VS-X1": "isolated run of 7.5 m: too short to burst, roots at the joints",
    "KW-05": "sag: standing water along the middle of the run",
    "PZ-06": "collapsed pipe",
    "OP-07": "shallow gas pipe crosses right above the run",
    "VS-06": "through manhole VS-M06 at its lower end turns by more than 12 degrees",
    "KW-09": "starts 0.40 m below the end of KW-08 at through manhole KW-M08",
    "TL-S19": "size change from DN 250 to DN 300 at through manhole TL-SM18",
    "BL-07": "manhole BL-M07 at its lower end: trees, houses, wall and gas pipe leave no pit clear",
    "TL-S09": "six connections, every dig inside root zones",
    "KD-05": "egg-shaped brick run",
    "BL-05": "depth and material not known",
    "PZ-03": "technique forced by the designer, see decisions",
    "TL-S04": "open cut excluded by the arborist, see decisions",
}
"""Run id to the hard case which it holds on purpose."""

STEP_M = 0.40
UNKNOWN_RUN = "BL-05"
UNKNOWN_MANHOLES = ("BL-M04", "BL-M05")


@dataclass(frozen=True)
class Kind:
    """What a street's pipes are made of; `sizes_mm` follows the blocks downstream."""

    material: str
    year: int
    sizes_mm: tuple[int, ...]
    use: str = "combined"
    renew: bool | None = None


KINDS = {
    "KW": Kind("BT", 1961, (300, 300, 400, 500)),
    "VS": Kind("GR", 1931, (250, 300, 300, 400)),
    "TL-F": Kind("GR", 1934, (250, 300, 400, 400), "foul"),
    "TL-S": Kind("BT", 1958, (250,), "storm", True),
    "PZ": Kind("BT", 1964, (300, 300, 400, 400)),
    "NG": Kind("PVC", 1998, (200, 200, 250, 250), "foul", False),
    "NG-S": Kind("PVC", 1998, (300, 300, 400, 400), "storm", False),
    "BL": Kind("GR", 1930, (200, 200, 250, 250)),
    "OP": Kind("BT", 1959, (250, 250, 250, 300)),
    "ZR": Kind("GR", 1936, (250, 250, 300, 300)),
    "WL": Kind("PVC", 2003, (250, 250, 250, 315), "combined", False),
    "KD": Kind("MW", 1907, (400, 400, 400, 400)),
}
SEWER_OFFSET_M = {"KW": -1.4, "VS": 1.0, "TL": 0.0, "PZ": -1.3, "NG": -0.9}
AVENUE_DRAIN_OFFSET_M = 10.4


@dataclass
class Network:
    """Rows of the two layers while they grow."""

    runs: list[dict[str, object]] = field(default_factory=list)
    manholes: dict[str, Floats] = field(default_factory=dict)
    arriving_m: dict[str, float] = field(default_factory=dict)
    """Lowest invert (m) arriving at a manhole so far."""
    laid: dict[str, int] = field(default_factory=dict)
    """Number of runs laid under each name so far."""

    def add_chain(
        self, stem: str, ids: list[str], sizes_mm: list[int], start_m: float, target_m: float
    ) -> None:
        """Lay runs through the named manholes, `start_m` deep at the head, aiming at `target_m`.

        A manhole that already receives a lower pipe sets the level of the next run.
        """
        kind = KINDS[stem]
        level = float(ground_m(*self.manholes[ids[0]])) - start_m
        for number, (up, down) in enumerate(pairwise(ids)):
            self.laid[stem] = self.laid.get(stem, 0) + 1
            run_id = f"{stem}{'' if '-' in stem else '-'}{self.laid[stem]:02d}"
            level = min(level, self.arriving_m.get(up, np.inf))
            if run_id == "KW-09":
                level -= STEP_M
            line = LineString([self.manholes[up], self.manholes[down]])
            wanted = float(ground_m(*self.manholes[down])) - target_m
            fall = np.clip((level - wanted) / line.length, FLATTEST, STEEPEST)
            end = level - float(fall) * line.length
            self.runs.append(_run(run_id, up, down, kind, sizes_mm[number], level, end, line))
            self.arriving_m[down] = min(end, self.arriving_m.get(down, np.inf))
            level = end


def _run(
    run_id: str,
    up: str,
    down: str,
    kind: Kind,
    size_mm: int,
    level_up_m: float,
    level_down_m: float,
    line: LineString,
) -> dict[str, object]:
    is_egg = kind.material == "MW"
    return {
        "run_id": run_id,
        "from_manhole": up,
        "to_manhole": down,
        "diameter_mm": size_mm,
        "height_mm": size_mm * 1.5 if is_egg else np.nan,
        "shape": "egg" if is_egg else "circular",
        "MATERIAAL": kind.material,
        "invert_up_m": round(level_up_m, 3),
        "invert_down_m": round(level_down_m, 3),
        "depth_input_m": np.nan,
        "use": kind.use,
        "year": kind.year,
        "design_flow_l_s": np.nan,
        "renew": kind.renew,
        "position_sd_m": 0.3 if kind.year < 1940 else 0.1,
        "street": NAMES[run_id[:2]],
        "geometry": line,
    }


def _stations(path: Path, longest_m: float) -> tuple[list[float], list[int]]:
    """Return chainages of manholes (every vertex is one) and the segment of each run."""
    stations, segments = [0.0], []
    for index, (start, end) in enumerate(
        zip(path.vertices_m[:-1], path.vertices_m[1:], strict=True)
    ):
        count = int(np.ceil((end - start) / longest_m))
        stations += [float(start + (end - start) * k / count) for k in range(1, count + 1)]
        segments += [index] * count
    return stations, segments


def _lay_north_south(network: Network) -> None:
    """Lay streets BL..WL: each piece has its own head and ends in the east-west sewer."""
    for column, code in enumerate(NORTH_SOUTH[:-1]):
        for index, row in enumerate((4, 3, 2, 1)):
            path = Path(np.array([node(row, column), node(row - 1, column)]))
            head = 21.0 if row == 2 else 9.5
            names = [f"{code}-M{3 * index + k:02d}" for k in range(3)]
            for k, name in enumerate(names):
                chainage = head + (path.length_m - head) * k / 3
                network.manholes[name] = path.at(chainage, 0.0)
            end = _crossing_id(row - 1, column)
            depth = {("OP", 2): 1.32}.get((code, index), 2.1 if row == 3 else 1.5)
            size = KINDS[code].sizes_mm[index]
            network.add_chain(
                code, [*names, end], [size] * 3, depth, depth + (0.35 if row == 3 else 0.15)
            )


def _crossing_id(row: int, column: int) -> str:
    """Return the manhole at the crossing of an east-west sewer."""
    code = EAST_WEST[row]
    if column == 4:
        return f"KD-N{4 - row}"
    path = street(code)
    stations, _ = _stations(path, _longest_m(code))
    crossing_m = path.vertices_m[_vertex(path, row, column)]
    return f"{code}-M{int(np.abs(np.array(stations) - crossing_m).argmin()):02d}"


def _longest_m(code: str) -> float:
    return 41.0 if code in ("VS", "PZ") else 52.0


def _place_east_west(network: Network) -> dict[str, tuple[list[str], list[int]]]:
    """Place the manholes of the east-west sewers; return ids and block of each run, by street."""
    chains = {}
    for row, code in enumerate(EAST_WEST):
        path = street(code)
        stations, _ = _stations(path, _longest_m(code))
        names = [f"{code}-M{k:02d}" for k in range(len(stations))]
        names[-1] = _crossing_id(row, 4)
        for name, chainage in zip(names[:-1], stations[:-1], strict=True):
            network.manholes[name] = path.at(chainage, SEWER_OFFSET_M[code])
        network.manholes[names[-1]] = node(row, 4)
        middles = (np.array(stations[1:]) + np.array(stations[:-1])) / 2
        starts = [path.vertices_m[_vertex(path, row, column)] for column in range(4)]
        blocks = (np.searchsorted(starts, middles) - 1).tolist()
        chains[code] = (names, blocks)
    return chains


def _vertex(path: Path, row: int, column: int) -> int:
    return int(np.argmin(np.hypot(*(path.points - node(row, column)).T)))


def _lay_avenue_drain(network: Network) -> None:
    """Lay the storm drain in the north verge: manholes every 25 m, in the gaps of the crossings."""
    names = [f"TL-SM{k:02d}" for k in range(25)]
    for k, name in enumerate(names):
        network.manholes[name] = np.array([12.5 + 25.0 * k, 230.0 + AVENUE_DRAIN_OFFSET_M])
    names.append("TL-OUT")
    network.manholes["TL-OUT"] = np.array([637.5, 230.0 + AVENUE_DRAIN_OFFSET_M])
    sizes = [250 if k < 18 else 300 for k in range(25)]
    network.add_chain("TL-S", names, sizes, 1.45, 1.75)


def _lay_garth_storm(network: Network, blocks: list[int]) -> None:
    path = street("NG")
    stations, _ = _stations(path, _longest_m("NG"))
    names = [f"NG-SM{k:02d}" for k in range(len(stations))]
    for name, chainage in zip(names, stations, strict=True):
        network.manholes[name] = path.at(max(chainage, 3.0) - 3.0, 1.1)
    network.manholes["NG-OUT"] = np.array([636.0, 458.0])
    sizes = [KINDS["NG-S"].sizes_mm[block] for block in blocks]
    network.add_chain("NG-S", [*names, "NG-OUT"], [*sizes, 400], 1.35, 1.55)


def _lay_collector(network: Network) -> None:
    """Lay the brick egg collector under Kolk Dyke, southward to the interceptor."""
    names: list[str] = []
    for index, row in enumerate((4, 3, 2, 1)):
        path = Path(np.array([node(row, 4), node(row - 1, 4)]))
        names.append(f"KD-N{index}")
        for k in (1, 2):
            name = f"KD-M{2 * index + k:02d}"
            network.manholes[name] = path.at(path.length_m * k / 3, -0.6)
            names.append(name)
    names += ["KD-N4", "KD-END"]
    network.manholes["KD-END"] = node(0, 4) + np.array([9.0, -38.0])
    network.add_chain("KD", names, [400] * (len(names) - 1), 2.6, 3.1)


def _lay_stub(network: Network) -> None:
    """Lay the short run from a planting bed to the second manhole of block 2 of Vlier Street."""
    foot = network.manholes["VS-M10"]
    network.manholes["VS-MX1"] = foot + np.array([0.0, -7.5])
    level = float(ground_m(*foot)) - 1.55
    line = LineString([network.manholes["VS-MX1"], foot])
    run = _run("VS-X1", "VS-MX1", "VS-M10", KINDS["VS"], 250, level, level - 0.06, line)
    network.runs.append(run)


def build() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the runs and the manholes as tables with local geometry."""
    network = Network()
    chains = _place_east_west(network)
    _lay_north_south(network)
    depths = {"KW": (1.9, 2.6), "VS": (1.8, 2.3), "TL": (2.5, 2.8), "PZ": (1.8, 2.3)}
    for code in EAST_WEST:
        names, blocks = chains[code]
        stem = "TL-F" if code == "TL" else code
        sizes = [KINDS[stem].sizes_mm[block] for block in blocks]
        network.add_chain(stem, names, sizes, *depths.get(code, (1.9, 2.2)))
    _lay_avenue_drain(network)
    _lay_garth_storm(network, chains["NG"][1])
    _lay_collector(network)
    _lay_stub(network)
    runs = pd.DataFrame(network.runs)
    return _finish_runs(runs), _manhole_table(network, runs)


def full_bore_l_s(diameter_mm: pd.Series, gradient: pd.Series) -> pd.Series:
    """Return the full-bore flow (L/s): Colebrook-White, roughness 1.5 mm, 1.3e-6 m2/s."""
    bore = diameter_mm / 1000.0
    root = np.sqrt(2 * 9.81 * bore * gradient)
    speed = -2 * root * np.log10(1.5e-3 / (3.7 * bore) + 2.51 * 1.3e-6 / (bore * root))
    return speed * np.pi / 4 * bore**2 * 1000.0


def _finish_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Add flows and notes; blank what nobody knows about the unknown run."""
    runs = runs.copy()
    length = np.array([line.length for line in runs["geometry"]])
    gradient = (runs["invert_up_m"] - runs["invert_down_m"]) / length
    full = full_bore_l_s(runs["diameter_mm"].astype(float), gradient)
    order = runs["run_id"].str.extract(r"(\d+)$")[0].astype(float)
    stem = runs["run_id"].str[:-2]
    drain = 6.0 + 3.4 * order
    share = 0.55 + 0.025 * order + np.where((stem == "PZ-") & (order > 11), 0.45, 0.0)
    flow = np.select([stem == "TL-S", stem.isin(["KW-", "PZ-"])], [drain, full * share], np.nan)
    runs["design_flow_l_s"] = np.round(flow, 1)
    runs["renew"] = runs["renew"].astype("boolean")
    runs["note"] = runs["run_id"].map(CASES)
    unknown = runs["run_id"] == UNKNOWN_RUN
    runs.loc[unknown, ["invert_up_m", "invert_down_m"]] = np.nan
    runs.loc[unknown, "MATERIAAL"] = "ONB"
    return runs


def _manhole_table(network: Network, runs: pd.DataFrame) -> pd.DataFrame:
    leaving = runs.groupby("from_manhole")["invert_up_m"].min()
    arriving = runs.groupby("to_manhole")["invert_down_m"].min()
    table = pd.DataFrame({"manhole_id": list(network.manholes)})
    places = np.array(list(network.manholes.values()))
    is_drain = table["manhole_id"].str.startswith("TL-SM")
    is_large = table["manhole_id"].str.startswith(("KD", "KW"))
    table["DEKSELPEIL"] = np.round(ground_m(places[:, 0], places[:, 1]), 2)
    level = table["manhole_id"].map(leaving).fillna(table["manhole_id"].map(arriving))
    table["invert_level_m"] = level.where(~table["manhole_id"].isin(UNKNOWN_MANHOLES))
    table["depth_m"] = np.nan
    table["chamber_length_mm"] = np.select([is_drain, is_large], [900.0, 1200.0], 1000.0)
    table["chamber_width_mm"] = np.select([is_drain, is_large], [700.0, 1000.0], 1000.0)
    is_old = is_drain | table["manhole_id"].str.startswith(("KD", "VS", "BL", "TL"))
    is_plastic = table["manhole_id"].str.startswith(("NG", "WL"))
    table["material"] = np.select([is_old, is_plastic], ["brick", "pp"], "concrete")
    notes = {
        "BL-M07": "no pit stands clear: trees, houses, wall and gas pipe around",
        "VS-M06": "through manhole with a bend of more than 12 degrees",
        "KW-M08": "through manhole with a level step of 0.40 m",
        "TL-SM18": "through manhole where DN 250 meets DN 300",
        "TL-OUT": "outfall to the Kolk",
        "NG-OUT": "outfall to the Kolk",
        "KD-END": "to the interceptor",
    }
    table["note"] = table["manhole_id"].map(notes)
    table["geometry"] = [point(place) for place in places]
    return table
