"""A small invented district as a whole result, with text that tries to be more than text."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from whole_result import made_once, make_whole

CRS = "EPSG:28992"
FORMULAS = ("=1+1", "+31 20 555", "-2+3", "@SUM(A1)", '=HYPERLINK("x","y")')
MARKUP = (
    "<script>alert(1)</script>",
    "</style></svg><img src=x onerror=alert(1)>",
    "\"quoted\" 'single' `tick` ${1} {{ 7 * 7 }} {% raw %}",
    "right\u202eto left\u200f mark",
    "&amp; & < >",
)
LONG = "x" * 10_000
HOSTILE = (*FORMULAS, *MARKUP, LONG)


@made_once
def make_result(name="Elm <b>Quarter</b>", seed=1, n_runs=12, n_trees=30):
    """Runs along three streets, trees beside them, every table filled."""
    runs = make_runs(n_runs)
    trees = make_trees(n_trees, seed)
    zones = make_zones(trees)
    trenches = make_trenches(runs)
    breaches = make_breaches(runs, zones, trenches)
    tree_loss = make_tree_loss(breaches)
    advice = make_advice(runs)
    checks, options = make_checks(runs)
    pits, digs = make_pits(runs), make_digs()
    return make_whole(
        name=name,
        crs=CRS,
        runs=runs,
        manholes=frame({"manhole_id": runs["from_manhole"]}, shapely.get_point(runs.geometry, 0)),
        trees=trees,
        zones=zones,
        trenches=trenches,
        breaches=breaches,
        tree_loss=tree_loss,
        tree_balance=make_balance(tree_loss, ("T000", "T001", "T003")),
        inspections=pd.DataFrame({"run_id": ["R000"], "chainage_m": [3.5], "code": ["BBA"]}),
        root_links=pd.DataFrame({"run_id": ["R000"], "tree_id": ["T000"]}),
        condition=make_condition(runs),
        checks=checks,
        options=options,
        advice=advice,
        strings=make_strings(runs),
        pits=pits,
        digs=digs,
        connections=frame({"connection_id": ["C1"]}, shapely.points([[5.0, 1.0]])),
        services=frame({"service_id": ["S1"]}, shapely.linestrings([[[0.0, 2.0], [90.0, 2.0]]])),
        obstacles=frame({"kind": ["building"]}, [shapely.box(0, 20, 30, 30)]),
        surfaces=frame({"kind": ["verge"]}, [shapely.box(0, -5, 200, 5)]),
        study_area=frame({"name": ["all"]}, [shapely.box(-50, -50, 400, 250)]),
        decisions=pd.DataFrame(
            {
                "run_id": ["R001", None],
                "tree_id": [None, "T002"],
                "decision": ["open_cut", "no_pit"],
                "by": ["arborist", MARKUP[0]],
                "reason": [FORMULAS[0], MARKUP[3]],
            }
        ),
        root_zones=frame(
            {"tree_id": ["T004"], "by": [MARKUP[0]], "reason": [FORMULAS[2]]},
            [zones["zone"][4]],
        ),
        totals=make_totals(),
        findings=make_findings(),
        rules=pd.DataFrame(
            {
                "name": ["trench.margin_m", "zones.regime"],
                "value": ["0.3", MARKUP[2]],
                "unit": ["m", "-"],
                "source": ["house", "bs5837"],
                "text": [FORMULAS[1], LONG],
            }
        ),
        provenance=pd.DataFrame(
            {
                "kind": ["input", "library"],
                "name": ["sewers", "geopandas"],
                "value": ["a" * 64, "1.2"],
                "unit": ["sha256", ""],
                "source": ["study", ""],
                "text": [MARKUP[0], ""],
            }
        ),
    )


def frame(columns, shapes):
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=list(shapes), crs=CRS)


def hostile_text(size, start=0):
    return [HOSTILE[(start + row) % len(HOSTILE)] for row in range(size)]


def run_ids(size):
    return [f"R{row:03d}" for row in range(size)]


def make_runs(size):
    street, place = np.arange(size) % 3, np.arange(size) // 3
    start = np.c_[place * 45.0, street * 60.0]
    middle, end = start + np.array([22.0, 1.5]), start + np.array([45.0, 0.0])
    lines = shapely.linestrings(np.stack([start, middle, end], axis=1))
    depth = 1.6 + 0.2 * place
    return frame(
        {
            "run_id": run_ids(size),
            "from_manhole": [f"M{s}-{p}" for s, p in zip(street, place, strict=True)],
            "to_manhole": [f"M{s}-{p + 1}" for s, p in zip(street, place, strict=True)],
            "diameter_mm": np.where(street == 0, 300.0, 250.0),
            "material": pd.Categorical(["concrete", "clay", "unknown"] * (size // 3)),
            "use": hostile_text(size),
            "renew": pd.array([True, False, None] * (size // 3), dtype="boolean"),
            "length_m": shapely.length(lines),
            "depth_max_m": np.where(place == 1, np.nan, depth),
            "gradient": np.full(size, 0.004),
            "flags_n": np.arange(size, dtype=np.uint8),
        },
        lines,
    )


def make_trees(size, seed):
    rng = np.random.default_rng(seed)
    points = np.c_[np.arange(size) * 6.0, (np.arange(size) % 3) * 60.0 + rng.uniform(1.5, 9, size)]
    crown = 4 + rng.uniform(0, 8, size)
    stems = shapely.points(points)
    trees = frame(
        {
            "tree_id": [f"T{row:03d}" for row in range(size)],
            "species": hostile_text(size, 2),
            "stem_diameter_mm": np.where(
                np.arange(size) % 7 == 3, np.nan, 250 + 50 * (points[:, 0] % 9)
            ),
            "stem_count": np.ones(size),
            "crown_diameter_m": crown,
            "category": [("A", "B", "C", None)[row % 4] for row in range(size)],
            "is_protected": np.arange(size) % 5 == 0,
            "is_veteran": np.arange(size) % 11 == 0,
        },
        stems,
    )
    shapes = np.where(np.arange(size) % 2 == 0, shapely.buffer(stems, crown / 2), None)
    return trees.assign(crown=pd.Series(list(shapes), dtype=object))


def make_zones(trees):
    size = len(trees)
    stem = trees["stem_diameter_mm"].fillna(400).to_numpy()
    radius = 12 * stem / 1000
    own = np.arange(size) % 10 == 4
    zone = np.where(own, shapely.buffer(trees.geometry, radius * 0.8, cap_style="square"), None)
    radius = np.where(own, np.nan, radius)
    return frame(
        {
            "tree_id": trees["tree_id"],
            "shape": np.where(own, "polygon", "circle"),
            "radius_m": radius,
            "area_m2": np.where(own, shapely.area(zone), np.pi * radius**2),
            "structural_radius_m": np.where(np.arange(size) % 9 == 8, np.nan, 2.1),
            "min_distance_m": 0.0,
            "regime": "bs5837",
            "basis": hostile_text(size, 5),
            "is_capped": False,
            "is_estimated": trees["stem_diameter_mm"].isna(),
            "stem_source": np.where(trees["stem_diameter_mm"].isna(), "crown", "measured"),
            "is_stem_estimated": trees["stem_diameter_mm"].isna(),
            "stem_low_mm": stem * 0.9,
            "stem_mid_mm": stem,
            "stem_high_mm": stem * 1.1,
        },
        trees.geometry,
    ).assign(zone=pd.Series(list(zone), dtype=object))


def make_trenches(runs):
    corridor = shapely.buffer(runs.geometry.to_numpy(), 0.6, cap_style="flat", join_style="mitre")
    table = {"run_id": runs["run_id"], "width_m": 1.2, "width_rule": "by size"}
    return gpd.GeoDataFrame(
        pd.DataFrame(table).assign(corridor=list(corridor)), geometry="corridor", crs=CRS
    )


def make_breaches(runs, zones, trenches):
    shapes = np.where(
        zones["zone"].isna(),
        shapely.buffer(zones.geometry, zones["radius_m"].fillna(1), quad_segs=64),
        zones["zone"],
    )
    run, tree = shapely.STRtree(shapes).query(trenches["corridor"], predicate="intersects")
    area = shapely.area(shapely.intersection(np.asarray(trenches["corridor"])[run], shapes[tree]))
    line, stem = runs.geometry.to_numpy()[run], zones.geometry.to_numpy()[tree]
    along = shapely.line_locate_point(line, stem)
    edge = shapely.distance(line, stem) - 0.6
    share = area / zones["area_m2"].to_numpy()[tree]
    length = runs["length_m"].to_numpy()[run]
    return pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[run],
            "tree_id": zones["tree_id"].to_numpy()[tree],
            "run": run,
            "tree": tree,
            "footprint_m2": area,
            "footprint_share": share,
            "severed_m2": 2 * area,
            "severed_share": 2 * share,
            "stem_edge_m": edge,
            "from_m": np.maximum(along - 3, 0),
            "to_m": np.minimum(along + 3, length),
            "is_structural": edge < 2.1,
            "is_through_stem": edge < 0,
            "is_within_least": pd.array([False] * len(run), dtype="boolean"),
            "severity": pd.Categorical(
                np.select([edge < 2.1, share > 0.05], ["structural", "major"], "minor"),
                ["none", "minor", "major", "structural"],
                ordered=True,
            ),
        }
    )


def make_tree_loss(breaches):
    groups = breaches.groupby("tree", sort=True)
    return pd.DataFrame(
        {
            "tree_id": groups["tree_id"].first(),
            "tree": groups["tree"].first(),
            "n_runs": groups.size(),
            "footprint_m2": groups["footprint_m2"].sum(),
            "footprint_share": groups["footprint_share"].sum(),
            "severed_m2": groups["severed_m2"].sum(),
            "severed_share": groups["severed_share"].sum(),
            "stem_edge_m": groups["stem_edge_m"].min(),
            "severity": groups["severity"].max(),
            "is_within_least": groups["is_within_least"].any(),
        }
    ).reset_index(drop=True)


def make_balance(tree_loss, dug):
    """Every third tree of the loss is touched by works, and so are those that are dug at."""
    ids = [*tree_loss["tree_id"], *(tree for tree in dug if tree not in set(tree_loss["tree_id"]))]
    loss = tree_loss.set_index("tree_id").reindex(ids).fillna({"n_runs": 0}).reset_index()
    reached, third = loss["n_runs"] > 0, np.arange(len(ids)) % 3 == 0
    half = (reached & third) | loss["tree_id"].isin(dug)
    open_cut = {
        f"open_cut_{name}": loss[name].fillna(0.0)
        for name in ("footprint_m2", "footprint_share", "severed_m2", "severed_share")
    }
    return pd.DataFrame(
        {
            "tree_id": loss["tree_id"],
            "n_works": half.astype(int),
            "footprint_m2": np.where(half, open_cut["open_cut_footprint_m2"] * 0.2, 0.0),
            "footprint_share": np.where(half, open_cut["open_cut_footprint_share"] * 0.2, 0.0),
            "touched_by": np.where(half, MARKUP[0], ""),
            "working_method": np.where(half, MARKUP[1], ""),
            **open_cut,
            "open_cut_n_runs": loss["n_runs"].astype(int),
            "open_cut_stem_edge_m": loss["stem_edge_m"],
            "open_cut_severity": loss["severity"].astype(object).where(reached, "none"),
            "spared_m2": open_cut["open_cut_footprint_m2"] * np.where(half, 0.8, 1.0),
            "is_touched": half,
            "is_within_least": pd.array([False] * len(half), dtype="boolean"),
            "open_cut_is_within_least": pd.array([False] * len(half), dtype="boolean"),
            "is_structural": False,
            "is_careful_structural": np.arange(len(ids)) % 6 == 0,
            "loss_m2": np.where(half, open_cut["open_cut_footprint_m2"] * 0.3, 0.0),
            "loss_share": np.where(half, open_cut["open_cut_footprint_share"] * 0.3, 0.0),
            "severity": np.where(half, "minor", "none"),
        }
    )


def make_condition(runs):
    size = len(runs)
    return pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "root_share": np.linspace(0, 0.6, size),
            "structural_grade": np.arange(size) % 5,
            "needs_work": pd.array([True] * size, dtype="boolean"),
            "has_sag": np.arange(size) % 4 == 1,
            "worst_text": hostile_text(size, 1),
        }
    )


def make_advice(runs):
    size = len(runs)
    technique = [("burst_same", "cipp", "open_cut", "monitor")[row % 4] for row in range(size)]
    return pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "technique": technique,
            "new_pipe": "PE 100 OD 250 SDR 17",
            "reason": hostile_text(size, 4),
            "runner_up": "cipp",
            "runner_up_reason": "Bore left is smaller",
            "would_change": "",
            "to_confirm": hostile_text(size, 7),
            "string_id": [f"S{row // 6}" for row in range(size)],
        }
    )


def make_checks(runs):
    size, techniques = len(runs), ["burst_same", "cipp", "open_cut"]
    many = len(techniques) * 2
    checks = pd.DataFrame(
        {
            "run_id": pd.Categorical(np.repeat(runs["run_id"], many)),
            "run": np.repeat(np.arange(size), many),
            "technique": pd.Categorical(np.tile(np.repeat(techniques, 2), size)),
            "check": pd.Categorical(np.tile(["Length of the run", "Bore left"], size * 3)),
            "value": np.arange(size * many, dtype=float),
            "limit": np.where(np.arange(size * many) % 6 == 5, np.nan, 10.0),
            "unit": pd.Categorical(["m"] * (size * many)),
            "verdict": pd.Categorical(
                np.tile(["pass", "pass", "caution", "pass", "pass", "unknown"], size),
                ["pass", "caution", "unknown", "fail"],
                ordered=True,
            ),
            "source": pd.Categorical(["practice"] * (size * many)),
        }
    )
    options = pd.DataFrame(
        {
            "run_id": np.repeat(runs["run_id"].to_numpy(), 3),
            "technique": np.tile(techniques, size),
            "verdict": np.tile(["pass", "caution", "unknown"], size),
            "n_unknown": np.tile([0, 0, 1], size),
            "score": np.arange(size * 3) / 7,
        }
    )
    return checks, options


def make_strings(runs):
    lines = runs.geometry.to_numpy()
    return frame(
        {
            "string_id": ["S0", "S1"],
            "run_ids": ["R000;R003;R006", "R001;R004"],
            "from_manhole": ["M0-0", "M1-0"],
            "to_manhole": ["M0-3", "M1-2"],
            "length_m": [135.2, 90.1],
            "launch_pit": ["P0", "P1"],
            "reception_pit": ["P1", "P2"],
            "sdr": [17.0, 17.0],
            "pull_mid_kn": [41.5, np.nan],
            "allowable_kn": [110.0, 110.0],
            "utilisation": [0.377, np.nan],
            "weld_count": pd.array([8, None], dtype="Int64"),
        },
        [
            shapely.line_merge(shapely.MultiLineString(list(lines[[0, 3, 6]]))),
            shapely.MultiLineString(list(lines[[1, 4]])),
        ],
    )


def make_pits(runs):
    start = shapely.get_coordinates(shapely.get_point(runs.geometry.to_numpy()[:3], 0))
    return frame(
        {
            "pit_id": ["P0", "P1", "P2"],
            "manhole_id": runs["from_manhole"][:3],
            "role": ["launch", "reception", "machine"],
            "length_m": [6.0, 2.5, 3.0],
            "width_m": [1.5, 1.5, 1.8],
            "depth_m": [2.0, 1.8, np.nan],
            "volume_m3": [18.0, 6.75, np.nan],
            "zone_overlap_m2": [1.5, 0.0, 0.0],
            "worst_tree": ["T000", None, None],
            "worst_share": [0.02, np.nan, np.nan],
            "is_clear": [False, True, True],
            "why": [MARKUP[0], FORMULAS[4], LONG],
        },
        shapely.box(start[:, 0], start[:, 1] - 0.75, start[:, 0] + 6, start[:, 1] + 4.5),
    )


def make_digs():
    centre = np.array([[18.0, 7.0], [6.0, 67.0]])
    return frame(
        {
            "dig_id": ["D0", "D1"],
            "connection_id": ["C1", None],
            "run_id": ["R000", "R001"],
            "kind": ["connection", "manhole"],
            "method": ["suction", MARKUP[1]],
            "footprint_m2": [1.0, 2.25],
            "zone_overlap_m2": [1.0, 0.0],
            "worst_tree": ["T003", None],
            "worst_share": [0.01, np.nan],
        },
        shapely.buffer(shapely.points(centre), 0.6, cap_style="square"),
    )


def make_totals():
    quantity = ["Trees harmed", "Spoil", "Cost", "=Trips"]
    low, mid, high = (np.array([9, 410.25, 91_000, 12]) * k for k in (0.8, 1.0, 1.3))
    return pd.DataFrame(
        {
            "quantity": quantity,
            "unit": ["trees", "m3", "EUR", "trips"],
            "open_cut_low": low,
            "open_cut_mid": mid,
            "open_cut_high": high,
            "recommended_low": low / 4,
            "recommended_mid": mid / 4,
            "recommended_high": high / 4,
            "source": ["geometry", "arithmetic", "house", "practice"],
        }
    )


def make_findings():
    return pd.DataFrame(
        {
            "severity": ["info", "warning", "error"],
            "layer": ["trees", "sewers", "sewers"],
            "row": ["T003", "R002", MARKUP[0]],
            "field": ["stem_diameter_mm", "depth_m", "geometry"],
            "seen": [FORMULAS[0], LONG, "z" * 40_000],
            "done": ["estimated from the crown", MARKUP[2], "left out"],
        }
    )


@made_once
def make_empty_result():
    """The same tables without rows."""
    return make_whole("Nothing", CRS)
