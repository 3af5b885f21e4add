"""The sample district's pits: what they meet is named, and what they name they meet."""

import numpy as np
import pytest
import shapely


@pytest.fixture(scope="module")
def result(sample_result):
    return sample_result


def meets(pits, shapes):
    return shapely.intersects(pits.geometry.to_numpy()[:, None], shapes[None]).any(axis=1)


@pytest.mark.parametrize(
    ("layer", "words"),
    [
        ("zones", "structural root zone, tree "),
        ("obstacles", "near "),
        ("services", "over or near "),
    ],
)
def test_pits_of_the_sample_name_their_hard_conflicts(result, layer, words):
    shapes = getattr(result, layer).geometry.to_numpy()
    if layer == "zones":
        # A millimetre less, so that a pit that touches the circle does not count.
        inner = result.zones["structural_radius_m"].to_numpy(dtype=float) - 0.001
        shapes = shapely.buffer(shapes, np.nan_to_num(inner))
    pits = result.pits
    hit = meets(pits, shapes)
    assert not (hit & pits["is_clear"].to_numpy(dtype=bool)).any()
    assert pits["why"].str.contains(words).to_numpy()[hit].all()


def test_what_is_in_the_way_of_a_pit_is_named(result):
    clear = result.pits["is_clear"].to_numpy(dtype=bool)
    assert not clear.all()
    told = result.pits.loc[~clear, ["why", "would_free"]]
    assert (told["why"] != "").all()
    assert (told["would_free"] != "").all()


def test_no_excavation_takes_more_root_zone_than_its_ground(result):
    for table in (result.pits, result.digs):
        ground = np.nan_to_num(shapely.area(table.geometry.to_numpy()))
        assert (table["zone_overlap_m2"] <= ground + 1e-6).all()
        assert (table["structural_m2"] <= table["zone_overlap_m2"] + 5e-3).all()


def test_strings_of_the_sample_name_pits_that_exist(result):
    used = set(result.strings["launch_pit"]) | set(result.strings["reception_pit"])
    assert used - {""} == set(result.pits["pit_id"])
    runs = ";".join(result.strings["run_ids"]).split(";")
    assert len(runs) == len(set(runs))
