"""An invented district of any size, as one GeoPackage and a study file with everything switched on.

Run by hand: python tests/bench/generated_town.py 1000 folder. Blocks of ten parallel streets drain
into a collector; every layer that a study can have is there except rasters. All is drawn from one
seed on whole arrays.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely

CRS = "EPSG:25832"
EAST, NORTH = 400_000.0, 5_600_000.0
STREETS, RUNS_PER_STREET, RUNS_BETWEEN = 10, 8, 2
BLOCK_RUNS = STREETS * RUNS_PER_STREET + (STREETS - 1) * RUNS_BETWEEN
STREET_GAP_M, BLOCK_WIDTH_M, BLOCK_HEIGHT_M = 76.0, 820.0, 480.0
TREES_PER_RUN, CONNECTIONS_PER_RUN, HOUSES_PER_RUN = 3, 2, 2
INSPECTED_SHARE = 0.6
SPECIES = (
    "Tilia cordata",
    "Platanus x hispanica",
    "Acer platanoides",
    "Quercus robur",
    "Betula pendula",
)
STUDY = """[study]
name = "Invented district of {count} runs"
working_crs = "{crs}"

[layers]
{layers}

[zones]
regime = "bs5837_2012"
"""


@dataclass(frozen=True)
class Network:
    """Ends, names and places of the runs; streets run south, collectors east."""

    start: np.ndarray
    end: np.ndarray
    street: np.ndarray
    is_collector: np.ndarray
    from_manhole: np.ndarray
    to_manhole: np.ndarray
    ground_m: np.ndarray
    invert_m: np.ndarray
    block: np.ndarray


def lay_network(count, rng):
    """Give the first runs of as many blocks as are needed."""
    blocks = -(-count // BLOCK_RUNS)
    side = int(np.ceil(np.sqrt(blocks)))
    block = np.arange(blocks)
    corner = np.stack([BLOCK_WIDTH_M * (block % side), BLOCK_HEIGHT_M * (block // side)], axis=1)
    # Nodes of a block: each street from its head to its foot, then the nodes between the feet.
    steps = rng.uniform(25, 50, (blocks, STREETS, RUNS_PER_STREET))
    along = np.concatenate([steps, np.zeros((blocks, STREETS, 1))], axis=2)[..., ::-1].cumsum(2)[
        ..., ::-1
    ]
    x = STREET_GAP_M * np.arange(STREETS)[None, :, None] + rng.normal(0, 0.4, along.shape)
    x[..., -1] = STREET_GAP_M * np.arange(STREETS)
    streets = np.stack([x, along], axis=-1) + corner[:, None, None]
    feet = streets[:, :, -1]
    between = (feet[:, :-1] + feet[:, 1:]) / 2
    # Levels fall with the way to the foot, then along the collector.
    far = STREET_GAP_M * np.arange(STREETS)[None, :, None]
    cover = 40 + 0.004 * along - 0.002 * far
    depth = rng.uniform(1.6, 2.6, (blocks, STREETS, 1)) + 0.0015 * (
        along.max(2, keepdims=True) - along
    )
    foot_depth = np.broadcast_to(2.9 + 0.001 * far[..., 0], (blocks, STREETS))
    between_cover = (cover[:, :-1, -1] + cover[:, 1:, -1]) / 2
    between_depth = (foot_depth[:, :-1] + foot_depth[:, 1:]) / 2
    per_block = STREETS * (RUNS_PER_STREET + 1) + STREETS - 1
    node = np.arange(STREETS * (RUNS_PER_STREET + 1)).reshape(STREETS, -1)
    middle = node.max() + 1 + np.arange(STREETS - 1)
    point = np.concatenate([streets.reshape(blocks, -1, 2), between], axis=1)
    ground = np.concatenate([cover.reshape(blocks, -1), between_cover], axis=1)
    deep = depth.copy()
    deep[..., -1] = np.minimum(deep[..., -1], foot_depth)
    invert = ground - np.concatenate([deep.reshape(blocks, -1), between_depth], axis=1)
    collector = ground - np.concatenate(
        [
            np.broadcast_to(foot_depth[..., None], (*depth.shape[:2], RUNS_PER_STREET + 1)).reshape(
                blocks, -1
            ),
            between_depth,
        ],
        axis=1,
    )
    pairs = np.concatenate([
        np.stack([node[:, :-1], node[:, 1:]], axis=-1).reshape(-1, 2),
        np.stack([node[:-1, -1], middle, middle, node[1:, -1]], axis=-1).reshape(-1, 2),
    ])  # fmt: skip
    is_collector = np.arange(BLOCK_RUNS) >= STREETS * RUNS_PER_STREET
    street = np.where(is_collector, STREETS, np.arange(BLOCK_RUNS) // RUNS_PER_STREET)
    row = np.repeat(block, BLOCK_RUNS)[:count]
    local = np.tile(np.arange(BLOCK_RUNS), blocks)[:count]
    up, down = pairs[local].T
    flat = np.where(
        is_collector[local][:, None],
        collector[row[:, None], pairs[local]],
        invert[row[:, None], pairs[local]],
    )
    name = np.char.add("M", np.char.zfill((row * per_block + up).astype(str), 7)).astype(object)
    onward = np.char.add("M", np.char.zfill((row * per_block + down).astype(str), 7)).astype(object)
    return Network(
        start=point[row, up],
        end=point[row, down],
        street=row * (STREETS + 1) + street[local],
        is_collector=is_collector[local],
        from_manhole=name,
        to_manhole=onward,
        ground_m=np.stack([ground[row, up], ground[row, down]], axis=1),
        invert_m=flat,
        block=row,
    )


def _ids(letter, size):
    return np.char.add(letter, np.char.zfill(np.arange(size).astype(str), 7)).astype(object)


def _frame(table, geometry):
    return gpd.GeoDataFrame(table, geometry=geometry, crs=CRS)


def _shift(xy):
    return np.asarray(xy) + np.array([EAST, NORTH])


def _beside(net, run, share, offset):
    """Points along runs, at a distance to the left."""
    way = net.end[run] - net.start[run]
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.hypot(*way.T)[:, None]
    return net.start[run] + share[:, None] * way + offset[:, None] * normal


def make_sewers(net, rng):
    """Give the runs; streets DN 200 to 300, collectors DN 400 and 500."""
    size = len(net.start)
    of_street = net.street % 7
    diameter = np.where(
        net.is_collector,
        rng.choice([400.0, 500.0], size),
        np.array([200.0, 250.0, 300.0])[of_street % 3],
    )
    material = np.where(
        net.is_collector, "concrete", np.array(["clay", "clay", "concrete", "pvc"])[of_street % 4]
    )
    middle = (net.start + net.end) / 2 + rng.normal(0, 0.05, (size, 2))
    lines = shapely.linestrings(_shift(np.stack([net.start, middle, net.end], axis=1)))
    table = {
        "run_id": _ids("R", size),
        "from_manhole": net.from_manhole,
        "to_manhole": net.to_manhole,
        "diameter_mm": diameter,
        "material": material.astype(object),
        "invert_up_m": net.invert_m[:, 0].round(3),
        "invert_down_m": net.invert_m[:, 1].round(3),
        "use": "combined",
        "year": 1930 + 10 * (net.street % 8),
        "design_flow_l_s": np.where(net.is_collector, 60.0, 8.0),
        "position_sd_m": 0.2,
        "street": np.char.add("Street ", net.street.astype(str)).astype(object),
    }
    return _frame(table, lines)


def make_manholes(net):
    """Give one manhole per end."""
    table = pd.DataFrame(
        {
            "manhole_id": np.concatenate([net.from_manhole, net.to_manhole]),
            "cover_level_m": np.concatenate([net.ground_m[:, 0], net.ground_m[:, 1]]).round(3),
            "x": np.concatenate([net.start[:, 0], net.end[:, 0]]),
            "y": np.concatenate([net.start[:, 1], net.end[:, 1]]),
        }
    ).drop_duplicates("manhole_id")
    points = shapely.points(_shift(table[["x", "y"]].to_numpy()))
    table = table.drop(columns=["x", "y"]).assign(
        chamber_length_mm=1200.0, chamber_width_mm=1000.0, material="concrete"
    )
    return _frame(table, points)


def make_trees(net, rng):
    """Give three trees per run, 1.5 to 6 m beside the pipe."""
    run = np.repeat(np.arange(len(net.start)), TREES_PER_RUN)
    size = len(run)
    share = (
        np.tile(np.arange(TREES_PER_RUN), len(net.start)) + rng.uniform(0.2, 0.8, size)
    ) / TREES_PER_RUN
    offset = rng.choice([-1.0, 1.0], size) * rng.uniform(1.5, 6.0, size)
    stem = rng.gamma(6.0, 55.0, size).clip(80, 1100).round(0)
    known = rng.random(size) > 0.05
    table = {
        "tree_id": _ids("T", size),
        "species": rng.choice(np.array(SPECIES, dtype=object), size),
        "stem_diameter_mm": np.where(known, stem, np.nan),
        "crown_diameter_m": (2 + stem / 60).round(1),
        "height_m": (4 + stem / 45).round(1),
        "age_class": rng.choice(np.array(["young", "semi-mature", "mature"], dtype=object), size),
        "category": rng.choice(np.array(["A", "B", "C"], dtype=object), size),
        "is_protected": rng.random(size) < 0.1,
        "is_veteran": rng.random(size) < 0.005,
        "position_sd_m": 0.3,
    }
    return _frame(table, shapely.points(_shift(_beside(net, run, share, offset))))


def make_inspections(net, rng):
    """Give start, finish, connections, roots and wear of a share of the runs."""
    length = np.hypot(*(net.end - net.start).T)
    seen = np.flatnonzero(rng.random(len(length)) < INSPECTED_SHARE)
    kinds = pd.DataFrame(
        {
            "code": ["BCD", "BCE", "BBA", "BAB", "BAJ", "BBC", "BAC", "BDD"],
            "characterisation": ["A", "A", "C", "B", "B", "B", "C", "C"],
            "low": [np.nan, np.nan, 5.0, 1.0, 5.0, 5.0, 500.0, 10.0],
            "high": [np.nan, np.nan, 60.0, 5.0, 25.0, 20.0, 900.0, 45.0],
            "mean": [1, 1, 2.0, 0.9, 0.7, 0.3, 0.01, 0.03],
        }
    )
    many = rng.poisson(np.tile(kinds["mean"], (len(seen), 1)))
    many[:, :2] = 1
    kind = np.repeat(np.tile(np.arange(len(kinds)), len(seen)), many.ravel())
    run = np.repeat(np.repeat(seen, len(kinds)), many.ravel())
    share = np.where(kind == 0, 0.0, np.where(kind == 1, 1.0, rng.random(len(kind))))
    low, high = (kinds[name].to_numpy()[kind] for name in ("low", "high"))
    return pd.DataFrame(
        {
            "run_id": _ids("R", len(length))[run],
            "chainage_m": (share * length[run]).round(2),
            "code": kinds["code"].to_numpy(dtype=object)[kind],
            "characterisation": kinds["characterisation"].to_numpy(dtype=object)[kind],
            "quantification": (low + (high - low) * rng.random(len(kind))).round(0),
            "clock": np.where(kind < 2, np.nan, 12.0),
            "at_joint": np.isin(kind, [2, 4]),
        }
    ).sort_values(["run_id", "chainage_m"], kind="stable", ignore_index=True)


def make_connections(net, rng):
    """Give a gully and a house connection per run, at the kerb and the garden fence."""
    run = np.repeat(np.arange(len(net.start)), CONNECTIONS_PER_RUN)
    size = len(run)
    is_gully = np.arange(size) % 2 == 0
    table = {
        "connection_id": _ids("C", size),
        "run_id": _ids("R", len(net.start))[run],
        "kind": np.where(is_gully, "gully", "house").astype(object),
        "diameter_mm": np.where(is_gully, 150.0, 125.0),
    }
    place = _beside(net, run, rng.uniform(0.1, 0.9, size), np.where(is_gully, 2.0, 6.5))
    return _frame(table, shapely.points(_shift(place)))


def _street_ends(net):
    """First and last point of each street, and its number."""
    table = pd.DataFrame(
        np.column_stack([net.start, net.end]), columns=["x0", "y0", "x1", "y1"]
    ).groupby(net.street)
    return table[["x0", "y0"]].first().to_numpy(), table[["x1", "y1"]].last().to_numpy()


def make_services(net):
    """Give a gas, a water and an electricity line along each street."""
    first, last = _street_ends(net)
    way = (last - first) / np.hypot(*(last - first).T)[:, None]
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1)
    kinds = pd.DataFrame(
        {
            "kind": ["gas", "water", "electricity"],
            "depth_m": [0.9, 1.2, 0.6],
            "diameter_mm": [160.0, 110.0, 60.0],
            "offset": [3.2, -3.4, 4.4],
        }
    )
    number = np.tile(np.arange(len(kinds)), len(first))
    street = np.repeat(np.arange(len(first)), len(kinds))
    beside = kinds["offset"].to_numpy()[number][:, None] * normal[street]
    lines = shapely.linestrings(
        _shift(np.stack([first[street] + beside, last[street] + beside], axis=1))
    )
    table = kinds.drop(columns="offset").iloc[number].reset_index(drop=True)
    table.insert(0, "service_id", _ids("S", len(table)))
    return _frame(table, lines)


def make_obstacles(net, rng):
    """Give a house on each side of every street run."""
    run = np.repeat(np.flatnonzero(~net.is_collector), HOUSES_PER_RUN)
    side = np.where(np.arange(len(run)) % 2 == 0, 1.0, -1.0)
    middle = _shift(_beside(net, run, rng.uniform(0.3, 0.7, len(run)), side * 15.0))
    table = {"obstacle_id": _ids("O", len(run)), "kind": "building"}
    half = np.array([5.0, 6.0])
    return _frame(table, shapely.box(*(middle - half).T, *(middle + half).T))


def make_surfaces(net):
    """Give a carriageway and two verges per street."""
    first, last = _street_ends(net)
    way = (last - first) / np.hypot(*(last - first).T)[:, None]
    normal = np.stack([-way[:, 1], way[:, 0]], axis=1)
    bands = pd.DataFrame(
        {
            "kind": ["verge", "carriageway", "footway"],
            "low": [-6.0, 1.0, 7.0],
            "high": [1.0, 7.0, 9.0],
        }
    )
    number = np.tile(np.arange(len(bands)), len(first))
    street = np.repeat(np.arange(len(first)), len(bands))
    low, high = (
        bands[name].to_numpy()[number][:, None] * normal[street] for name in ("low", "high")
    )
    corners = np.stack(
        [first[street] + low, last[street] + low, last[street] + high, first[street] + high], axis=1
    )
    table = {
        "surface_id": _ids("F", len(number)),
        "kind": bands["kind"].to_numpy(dtype=object)[number],
    }
    return _frame(table, shapely.polygons(_shift(corners)))


def make_root_zones(trees, rng):
    """Give an arborist's own outline for one tree in two hundred."""
    chosen = trees.iloc[np.flatnonzero(rng.random(len(trees)) < 0.005)]
    table = {"tree_id": chosen["tree_id"].to_numpy(), "by": "arborist", "reason": "drawn on site"}
    return _frame(table, shapely.buffer(chosen.geometry.to_numpy(), 4.0, quad_segs=8))


def make_decisions(sewers, rng):
    """Give a forced and an excluded technique for a few runs."""
    chosen = sewers["run_id"].to_numpy(dtype=object)[
        np.flatnonzero(rng.random(len(sewers)) < 0.004)
    ]
    forced = np.arange(len(chosen)) % 2 == 0
    return pd.DataFrame(
        {
            "run_id": chosen,
            "tree_id": None,
            "decision": np.where(forced, "force", "exclude").astype(object),
            "technique": np.where(forced, "cipp", "open_cut").astype(object),
            "by": "designer",
            "reason": "no excavation in term time",
        }
    )


def make_layers(count, seed=0, *, surfaces=True):
    """Make every layer of a district.

    Parameters
    ----------
    count : int
        Number of runs.
    seed : int, optional
    surfaces : bool, optional
        Whether street surfaces are laid.

    Returns
    -------
    dict of str to DataFrame
        Canonical layer name to its table.
    """
    rng = np.random.default_rng(seed)
    net = lay_network(count, rng)
    sewers, trees = make_sewers(net, rng), make_trees(net, rng)
    area = shapely.box(*sewers.buffer(30).total_bounds)
    layers = {
        "sewers": sewers,
        "manholes": make_manholes(net),
        "trees": trees,
        "inspections": make_inspections(net, rng),
        "connections": make_connections(net, rng),
        "services": make_services(net),
        "obstacles": make_obstacles(net, rng),
        "root_zones": make_root_zones(trees, rng),
        "decisions": make_decisions(sewers, rng),
        "study_area": _frame({"area_id": ["district"]}, [area]),
    }
    return layers | ({"surfaces": make_surfaces(net)} if surfaces else {})


def write_district(count, folder, seed=0, *, surfaces=True):
    """Write a district and its study file.

    Parameters
    ----------
    count : int
        Number of runs.
    folder : Path
        Is made if need be.
    seed : int, optional
    surfaces : bool, optional

    Returns
    -------
    Path
        The study file.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "district.gpkg"
    path.unlink(missing_ok=True)
    layers = make_layers(count, seed, surfaces=surfaces)
    for name, table in layers.items():
        pyogrio.write_dataframe(table, path, layer=name, driver="GPKG", use_arrow=True)
    lines = "\n".join(f'{name} = "district.gpkg:{name}"' for name in layers)
    study = folder / "study.toml"
    study.write_text(STUDY.format(count=count, crs=CRS, layers=lines), encoding="utf-8")
    return study


if __name__ == "__main__":
    write_district(int(sys.argv[1]), Path(sys.argv[2]))
