import base64
from dataclasses import replace

import district
import numpy as np
import pytest
import rasterio
from rasterio.io import MemoryFile

from routekit.errors import LayerError
from routekit.outputs.map import build_map
from routekit.outputs.map.photo import read_photo
from routekit.outputs.map.projection import to_grid
from routekit.outputs.settings import MapSettings

STUDY_BOX = np.array([*district.at(0, 0), *district.at(240, 60)])


def write_photo(path, colours, corner, cell_m=0.5, crs=district.CRS):
    count, height, width = colours.shape
    place = rasterio.Affine(cell_m, 0, corner[0], 0, -cell_m, corner[1])
    form = {"driver": "GTiff", "height": height, "width": width, "count": count}
    with rasterio.open(path, "w", **form, dtype=colours.dtype, crs=crs, transform=place) as file:
        file.write(colours)
    return path


def open_webp(photo):
    with MemoryFile(base64.b64decode(photo.webp)) as memory, memory.open() as file:
        return file.read()


@pytest.fixture
def red_spot(tmp_path):
    """Grey ground with one red square of 10 m, whose middle is at (105, 35)."""
    colours = np.full((3, 400, 640), 128, dtype=np.uint8)
    corner = district.at(-40, 130)
    rows, columns = slice(180, 200), slice(280, 300)
    colours[:, rows, columns] = np.array([255, 0, 0])[:, None, None]
    return write_photo(tmp_path / "photo.tif", colours, corner)


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_photo_lies_where_it_was_taken(red_spot):
    photo = read_photo(red_spot, district.CRS, STUDY_BOX, 4.0)
    picture = open_webp(photo).astype(int)
    rows, columns = np.nonzero((picture[0] > 200) & (picture[1] < 90))
    west, north, east, south = photo.box
    x = west + (columns.mean() + 0.5) / picture.shape[2] * (east - west)
    y = north + (rows.mean() + 0.5) / picture.shape[1] * (south - north)
    wanted = to_grid([district.at(105, 35)], district.CRS)[0]
    cells_per_m = 180
    assert np.hypot(x - wanted[0], y - wanted[1]) / cells_per_m < 0.5


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_photo_gets_coarser_until_it_fits(tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (3, 400, 640), dtype=np.uint8)
    path = write_photo(tmp_path / "noise.tif", noise, district.at(-40, 130))
    full = read_photo(path, district.CRS, STUDY_BOX, 4.0)
    small = read_photo(path, district.CRS, STUDY_BOX, 0.01)
    assert len(base64.b64decode(small.webp)) <= 10_000 < len(base64.b64decode(full.webp))
    assert small.box == full.box


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_grey_photo_with_sixteen_bits(tmp_path):
    ramp = np.tile(np.arange(640, dtype=np.uint16) * 10, (400, 1))[None]
    path = write_photo(tmp_path / "grey.tif", ramp, district.at(-40, 130))
    picture = open_webp(read_photo(path, district.CRS, STUDY_BOX, 4.0)).astype(int)
    assert abs(picture[0] - picture[2]).max() < 12
    assert picture[0, picture.shape[1] // 2, -3] > picture[0, picture.shape[1] // 2, 3] + 150


def test_photo_of_another_place_is_left_out(tmp_path):
    path = write_photo(
        tmp_path / "far.tif", np.zeros((3, 40, 40), np.uint8), district.at(9000, 9000)
    )
    assert read_photo(path, district.CRS, STUDY_BOX, 4.0) is None


def test_page_embeds_the_photo_only_where_wanted(red_spot):
    result = replace(district.make_district(), photo=red_spot)
    page = build_map(result, MapSettings())
    assert 'id="photo"' in page
    assert page == build_map(result, MapSettings())
    assert 'id="photo"' not in build_map(result, MapSettings(has_photo=False))


def test_a_spoilt_photo_is_told_as_such(tmp_path):
    grey = np.zeros((3, 400, 640), np.uint8)
    whole = write_photo(tmp_path / "photo.tif", grey, district.at(0, 100))
    whole.write_bytes(whole.read_bytes()[:5000])
    with pytest.raises(LayerError, match=r"layers\.photo: .*photo\.tif cannot be read .*has_photo"):
        read_photo(whole, district.CRS, STUDY_BOX, 1.0)
