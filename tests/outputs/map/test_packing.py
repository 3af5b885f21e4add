import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer

from routekit.outputs.map.packing import pack_column, pack_table, split_rings
from routekit.outputs.map.projection import cells_per_metre, pack_geometry, to_grid

CRS = "EPSG:25832"
PLACE = np.array([560_000.0, 5_930_000.0])


def unpack(packed):
    """Undo a packed column."""
    if packed["k"] == "d":
        return [packed["w"][code] if code >= 0 else None for code in packed["v"]]
    scale = packed.get("s", 1)
    values = [None if v is None or v != v else v for v in packed["v"]]
    return [v / scale if packed["k"] == "i" and v is not None else v for v in values]


def unpack_outline(packed):
    """Grid cells of each ring."""
    cells = np.cumsum(np.array(packed["xy"]).reshape(-1, 2), axis=0)
    return np.split(cells, np.cumsum(packed["r"])[:-1]) if len(packed["r"]) else []


@pytest.mark.parametrize(
    ("name", "values", "wanted"),
    [
        ("length_m", [1.234, np.nan, 2.0], [1.23, None, 2.0]),
        ("severed_share", [0.150934, 0.36550, 1.0], [0.151, 0.365, 1.0]),
        ("worst_share", [0.0384731], [0.038]),
        ("n_runs", [1, 2, 3], [1, 2, 3]),
        ("cost", [123456.0, 0.00012345678, np.inf], [123460.0, 0.00012346, None]),
        ("gradient", [-0.004567], [-0.00457]),
        ("is_clear", [True, False], [1, 0]),
        ("all_m", [np.nan, np.nan], [None, None]),
        ("nothing_m", [], []),
    ],
)
def test_numbers_keep_the_decimals_that_matter(name, values, wanted):
    assert unpack(pack_column(pd.Series(values, name=name))) == pytest.approx(wanted)


@pytest.mark.parametrize("dtype", [object, "str", "category"])
def test_words_go_by_dictionary(dtype):
    packed = pack_column(pd.Series(["clay", None, "clay", "pvc"] * 5, name="material", dtype=dtype))
    assert packed["k"] == "d"
    assert unpack(packed) == ["clay", None, "clay", "pvc"] * 5


def test_different_texts_stand_in_full():
    texts = [f"R{i}" for i in range(30)] + [None]
    packed = pack_column(pd.Series(texts, name="run_id", dtype=object))
    assert packed["k"] == "t"
    assert unpack(packed) == texts


def test_nullable_booleans_and_odd_objects():
    assert unpack(pack_column(pd.Series([True, None], dtype="boolean", name="renew"))) == [1, None]
    assert unpack(pack_column(pd.Series([1, "a", None], dtype=object, name="x"))) == [
        "1",
        "a",
        None,
    ]


def test_table_keeps_wanted_columns_and_misses_none_without_a_word():
    frame = pd.DataFrame({"a": [1], "b": [2]})
    assert set(pack_table(frame, ["b"])["c"]) == {"b"}
    with pytest.raises(KeyError, match="missing"):
        pack_table(frame, ["b", "missing"])
    assert pack_table(pd.DataFrame()) == {"n": 0, "c": {}}


def test_rings_of_every_kind_of_feature():
    hole = shapely.Polygon(shapely.box(0, 0, 9, 9).exterior, [shapely.box(2, 2, 3, 3).exterior])
    shapes = np.array(
        [shapely.Point(1, 1), None, hole, shapely.LineString([(0, 0), (1, 1)]), shapely.Point(),
         shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)])],
        dtype=object,
    )  # fmt: skip
    rings, owner = split_rings(shapes)
    assert owner.tolist() == [0, 2, 2, 3, 5, 5]
    assert shapely.get_num_coordinates(rings).tolist() == [1, 5, 5, 2, 5, 5]


def test_geometry_returns_to_its_place_within_a_centimetre():
    lines = np.array(
        [
            shapely.LineString([PLACE, np.add(PLACE, (30.0, 4.0))]),
            None,
            shapely.LineString([PLACE + 50, PLACE + 60, PLACE + 70]),
        ],
        dtype=object,
    )
    packed = pack_geometry(lines, CRS)
    assert packed["f"].tolist() == [1, 0, 1]
    rings = unpack_outline(packed)
    scale = cells_per_metre(PLACE, CRS)
    assert rings[0].tolist() == to_grid(shapely.get_coordinates(lines[0]), CRS).tolist()
    assert np.hypot(*((rings[0][1] - rings[0][0]) / scale)) == pytest.approx(
        np.hypot(30, 4), abs=0.02
    )


def test_nothing_packs_as_nothing():
    packed = pack_geometry(np.empty(0, object), CRS)
    assert {name: part.tolist() for name, part in packed.items()} == {"f": [], "r": [], "xy": []}


def test_grid_agrees_with_the_definition_of_web_mercator():
    # EPSG:3857 runs from -20037508.34 to +20037508.34 m (EPSG method 1024)
    east, north = Transformer.from_crs(CRS, "EPSG:3857", always_xy=True).transform(*PLACE)
    half = np.pi * 6378137.0
    wanted = np.array([east + half, half - north]) / (2 * half) * 2**32
    assert np.abs(to_grid([PLACE], CRS)[0] - wanted).max() <= 1


def test_curve_thinning_keeps_straight_ends():
    line = shapely.LineString([PLACE, np.add(PLACE, (5, 0.001)), np.add(PLACE, (10, 0))])
    assert pack_geometry(np.array([line], dtype=object), CRS, thin_m=0.05)["r"].tolist() == [2]
