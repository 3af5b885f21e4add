import base64
import tracemalloc
from dataclasses import replace

import district
import numpy as np
import pytest
import rasterio
from rasterio.io import MemoryFile
from whole_result import set_outputs

from routekit.errors import LayerError
from routekit.layers.photo_review import review_photo
from routekit.outputs.map import photo as photo_module
from routekit.outputs.map.builder import build_map
from routekit.outputs.map.content import study_photo
from routekit.outputs.map.photo import read_photo
from routekit.outputs.map.projection import to_grid
from routekit.settings.outputs import MapSettings

STUDY_BOX = np.array([*district.at(0, 0), *district.at(240, 60)])


def write_photo(path, colours, corner, cell_m=0.5, crs=district.CRS, palette=None, **others):
    count, height, width = colours.shape
    place = rasterio.Affine(cell_m, 0, corner[0], 0, -cell_m, corner[1])
    form = {"driver": "GTiff", "height": height, "width": width, "count": count}
    with rasterio.open(
        path, "w", **form, dtype=colours.dtype, crs=crs, transform=place, **others
    ) as file:
        file.write(colours)
        if palette:
            file.write_colormap(1, palette)
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
    page = build_map(result)
    assert 'id="photo"' in page
    assert page == build_map(result)
    assert 'id="photo"' not in build_map(set_outputs(result, map=MapSettings(has_photo=False)))


def test_a_spoilt_photo_is_told_as_such(tmp_path):
    grey = np.zeros((3, 400, 640), np.uint8)
    whole = write_photo(tmp_path / "photo.tif", grey, district.at(0, 100))
    whole.write_bytes(whole.read_bytes()[:5000])
    with pytest.raises(LayerError, match=r"layers\.photo: .*photo\.tif cannot be read .*has_photo"):
        read_photo(whole, district.CRS, STUDY_BOX, 1.0)


NO_PLACE = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
CORNER = district.at(-40, 130)


def spots(dtype=np.uint8, high=255, n=3):
    """Dark ground with one light square of 10 m, whose middle is at (105, 35)."""
    colours = np.full((n, 400, 640), high // 5, dtype=dtype)
    colours[:, 180:200, 280:300] = high
    return colours


def share_light(photo):
    """Share of the opaque part that is light, and share that is opaque."""
    picture = open_webp(photo).astype(int)
    opaque = picture[3] > 127 if len(picture) > 3 else np.ones(picture.shape[1:], bool)
    return (picture[0][opaque] > 180).mean(), opaque.mean()


@NO_PLACE
def test_a_photo_with_a_band_of_opacity_is_drawn(tmp_path):
    colours = np.concatenate([spots(), np.full((1, 400, 640), 255, np.uint8)])
    colours[3, :, :320] = 0
    place = {"photometric": "RGB", "alpha": "YES"}
    path = write_photo(tmp_path / "alpha.tif", colours, CORNER, **place)
    light, opaque = share_light(read_photo(path, district.CRS, STUDY_BOX, 4.0))
    # The square lies in the half that is not opaque; 120 of 240 m are to be seen.
    assert light < 0.01
    assert opaque == pytest.approx(0.5, abs=0.02)


@NO_PLACE
def test_a_palette_is_drawn_in_its_colours(tmp_path):
    codes = np.full((1, 400, 640), 3, dtype=np.uint8)
    codes[:, 180:200, 280:300] = 9
    palette = {3: (20, 40, 20, 255), 9: (250, 30, 30, 255)}
    path = write_photo(tmp_path / "codes.tif", codes, CORNER, palette=palette)
    picture = open_webp(read_photo(path, district.CRS, STUDY_BOX, 4.0)).astype(int)
    red = (picture[0] > 200) & (picture[1] < 90)
    assert red.mean() == pytest.approx(100 / (240 * 60), rel=0.3)


@NO_PLACE
def test_cells_that_are_no_number_are_not_opaque(tmp_path):
    colours = spots(np.float32, 5)
    colours[:, :, :320] = np.nan
    path = write_photo(tmp_path / "nan.tif", colours, CORNER)
    light, opaque = share_light(read_photo(path, district.CRS, STUDY_BOX, 4.0))
    assert opaque == pytest.approx(0.5, abs=0.02)
    assert light < 0.01


@NO_PLACE
@pytest.mark.parametrize("fault", ["cut short", "no place", "bytes", "vector"])
def test_what_is_no_photo_is_a_finding_and_the_map_is_drawn(tmp_path, fault):
    path = tmp_path / "photo.tif"
    write_photo(path, spots(), CORNER)
    if fault == "cut short":
        path.write_bytes(path.read_bytes()[:5000])
    elif fault == "bytes":
        path.write_bytes(bytes(range(256)) * 30)
    elif fault == "vector":
        path.write_text('{"type": "FeatureCollection", "features": []}')
    else:
        with rasterio.open(
            path, "w", driver="GTiff", width=40, height=40, count=3, dtype="uint8"
        ) as out:
            out.write(np.zeros((3, 40, 40), np.uint8))
    told, usable = review_photo(path)
    assert usable is None
    assert told[["severity", "layer"]].to_numpy().tolist() == [["warning", "photo"]]
    assert "all else stands" in told["done"].iloc[0]
    # Should it break between reading and drawing, the map still stands and says so.
    result = replace(district.make_district(), photo=path)
    page = build_map(result)
    assert 'id="photo"' not in page
    assert study_photo(result)[1].startswith("No aerial photo: ")


@NO_PLACE
def test_a_photo_without_a_system_is_taken_to_lie_in_the_study_s(tmp_path):
    path = write_photo(tmp_path / "bare.tif", spots(), CORNER, crs=None)
    told, usable = review_photo(path)
    assert usable == path
    assert told["field"].tolist() == ["crs"]
    assert share_light(read_photo(path, district.CRS, STUDY_BOX, 4.0))[0] > 0


def test_no_photo_and_a_sound_photo_are_no_finding(red_spot):
    assert review_photo(None)[0].empty
    told, usable = review_photo(red_spot)
    assert told.empty
    assert usable == red_spot


@NO_PLACE
def test_the_resolution_that_is_kept_is_told(tmp_path):
    noise = np.random.default_rng(1).integers(0, 255, (3, 400, 640), dtype=np.uint8)
    path = write_photo(tmp_path / "noise.tif", noise, CORNER)
    full = read_photo(path, district.CRS, STUDY_BOX, 4.0)
    assert full.own_cell_m == pytest.approx(0.5, rel=0.01)
    assert full.cell_m == pytest.approx(full.own_cell_m)
    small = read_photo(path, district.CRS, STUDY_BOX, 0.01)
    width = open_webp(small).shape[2]
    assert small.cell_m == pytest.approx(240 / width, rel=0.02)
    result = replace(district.make_district(), photo=path)
    words = study_photo(set_outputs(result, map=MapSettings(photo_max_mb=0.01)))[1]
    assert "m per pixel; noise.tif has 0.50 m" in words


@NO_PLACE
def test_the_whole_is_read_once_however_often_it_is_made_smaller(tmp_path, monkeypatch):
    noise = np.random.default_rng(1).integers(0, 255, (3, 400, 640), dtype=np.uint8)
    path = write_photo(tmp_path / "noise.tif", noise, CORNER)
    read = []
    inner = photo_module._read_part
    monkeypatch.setattr(photo_module, "_read_part", lambda *a: read.append(a[2]) or inner(*a))
    read_photo(path, district.CRS, STUDY_BOX, 0.002)
    assert len(read) == 1


@NO_PLACE
def test_a_large_photo_is_never_in_memory_at_its_own_size(tmp_path):
    colours = np.random.default_rng(2).integers(0, 255, (3, 4000, 6400), dtype=np.uint8)
    path = write_photo(tmp_path / "large.tif", colours, CORNER, cell_m=0.05)
    del colours
    tracemalloc.start()
    photo = read_photo(path, district.CRS, STUDY_BOX, 0.2)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # Its own pixels of 240 m by 60 m alone are 17 MB; some squares and the small picture are read.
    assert peak < 12e6
    assert photo.cell_m > 3 * photo.own_cell_m


@NO_PLACE
def test_a_large_picture_is_written_once(tmp_path, monkeypatch):
    # Spots of 8 pixels: a pixel of the coarser picture takes more bytes than one of the file.
    spots = np.random.default_rng(4).integers(0, 255, (3, 250, 400)).astype("uint8")
    spots = np.repeat(np.repeat(spots, 8, axis=1), 8, axis=2)
    path = write_photo(tmp_path / "fine.tif", spots, CORNER, cell_m=0.1)
    written = []
    inner = photo_module._write_webp
    monkeypatch.setattr(photo_module, "_write_webp", lambda a: written.append(a.shape) or inner(a))
    box = np.array([CORNER[0], CORNER[1] - 200, CORNER[0] + 320, CORNER[1]])
    photo = read_photo(path, district.CRS, box, 0.2)
    size = len(base64.b64decode(photo.webp))
    assert 0.7 * 200_000 < size <= 200_000
    assert len([each for each in written if max(each[1:]) > 256]) == 1
