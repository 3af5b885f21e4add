"""Photos that are spoilt, drawn without the rest of the job; letters of shapefiles, as read.

The photo is the one raster that only the map opens. What `read_photo` raises is what the program
ends with: its exit code and words.
"""

import numpy as np
import pytest
from rasters import DRAWN, ENCODINGS, WORDS, spoil_raster, write_raster, write_shapefile
from spoilt import CRS, at, make_layers

from routekit.errors import RoutekitError
from routekit.layers.findings import Findings
from routekit.layers.raw_layers import read_layer
from routekit.layers.settings import LayerSource
from routekit.outputs.map.photo import read_photo

BOX = np.array([*at(0, -10), *at(150, 10)])


def draw(path):
    """Exit code and words of reading a photo."""
    try:
        read_photo(path, CRS, BOX, 1.0)
    except RoutekitError as error:
        return error.exit_code, str(error)
    return 0, ""


@pytest.mark.parametrize("kind", DRAWN)
def test_a_spoilt_photo_is_refused_or_shows_nothing(kind, tmp_path):
    code, says = DRAWN[kind]
    ended, told = draw(spoil_raster(tmp_path / "photo.tif", "photo", kind))
    assert ended == code, told
    assert says in told
    assert not code or "has_photo = false" in told


def test_a_sound_photo_is_drawn_and_one_elsewhere_is_not(tmp_path):
    assert read_photo(write_raster(tmp_path / "a.tif", "photo"), CRS, BOX, 1.0) is not None
    far = spoil_raster(tmp_path / "b.tif", "photo", "far away")
    assert read_photo(far, CRS, BOX, 1.0) is None


@pytest.mark.parametrize("kind", ENCODINGS)
def test_letters_of_a_shapefile_are_read_as_written(kind, tmp_path):
    table = make_layers()["trees"][["geometry"]].assign(species=list(WORDS))
    path = write_shapefile(tmp_path, "trees", table, kind)
    raw = read_layer("trees", LayerSource(path=str(path)), base=tmp_path, findings=Findings())
    assert raw.frame["species"].tolist() == list(WORDS)
