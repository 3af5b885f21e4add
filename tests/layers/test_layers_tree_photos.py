"""Photos of the inventory: only pictures inside the study folder, upright, small, and bare."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio

from routekit.errors import LayerError
from routekit.layers.tree_photos import MOST_PIXELS, find_photo, read_small, review_tree_photos


def draw(path, driver="JPEG", size=(40, 60), dtype="uint8", **tags):
    """A picture whose upper left quarter is bright."""
    bright = 65535 if dtype == "uint16" else 255
    pixels = np.zeros((3, *size), dtype=dtype)
    pixels[:, : size[0] // 2, : size[1] // 2] = bright
    options = {"QUALITY": 95} if driver == "JPEG" else {}
    with rasterio.open(
        path,
        "w",
        driver=driver,
        height=size[0],
        width=size[1],
        count=3,
        dtype=dtype,
        transform=rasterio.Affine(1, 0, 0, 0, -1, 9),
        **options,
    ) as file:
        file.write(pixels)
        file.update_tags(**tags)
    return path


def turn(path, code):
    """Write an EXIF orientation into a JPEG: tag 274 in a big-endian header (Exif 2.3)."""
    entry = b"\x01\x12\0\x03\0\0\0\x01\0" + bytes([code]) + b"\0\0"
    body = b"Exif\0\0MM\0*\0\0\0\x08\0\x01" + entry + b"\0" * 4
    data = path.read_bytes()
    head = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    path.write_bytes(data[:2] + head + data[2:])


def review(folder, *named):
    """Findings, trees and files of trees that name photos."""
    ids = [f"T{row}" for row in range(len(named))]
    trees = gpd.GeoDataFrame({"tree_id": ids, "photo": list(named)}, geometry=[None] * len(named))
    return review_tree_photos(trees, folder)


@pytest.fixture
def folder(tmp_path):
    """A study folder with photos in it, and one beside it."""
    home = tmp_path / "study"
    (home / "photos").mkdir(parents=True)
    draw(home / "photos/a.jpg")
    draw(home / "photos/b.png", "PNG")
    draw(tmp_path / "out.jpg")
    return home


def test_the_first_photo_inside_the_folder_is_taken(folder):
    findings, trees, files = review(
        folder, "photos/a.jpg; photos/b.png", "photos\\b.png", None, "", "photos/a.jpg"
    )
    assert len(findings) == 0
    assert trees["photo"].fillna("-").tolist() == [
        "photos/a.jpg",
        "photos/b.png",
        "-",
        "-",
        "photos/a.jpg",
    ]
    assert [path.name for path in files] == ["a.jpg", "b.png"]


@pytest.mark.parametrize(
    ("named", "seen"),
    [
        ("../out.jpg", "outside the folder"),
        ("photos/../../out.jpg", "outside the folder"),
        ("link.jpg", "outside the folder"),
        ("photos/none.jpg", "is no file"),
        ("photos", "is no file"),
        ("https://example.org/a.jpg", "is no file"),
        ("/vsicurl/http://example.org/a.jpg", "outside the folder"),
        ("page.jpg", "neither JPEG nor PNG"),
        ("picture.tif", "neither JPEG nor PNG"),
        ("a\0b", "cannot be read"),
        ("x" * 5000, "cannot be read"),
        ("broken.jpg", "cannot be read"),
        ("head.png", "cannot be read"),
    ],
)
def test_whatever_cannot_be_shown_is_a_finding(folder, named, seen):
    (folder / "link.jpg").symlink_to(folder.parent / "out.jpg")
    (folder / "page.jpg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    draw(folder / "picture.tif", "GTiff")
    whole = draw(folder / "whole.jpg", size=(400, 400)).read_bytes()
    (folder / "broken.jpg").write_bytes(whole[: len(whole) // 2])
    (folder / "head.png").write_bytes(b"\x89PNG\r\n\x1a\n" + b"\0" * 40)
    findings, trees, files = review(folder, named)
    (row,) = findings.itertuples()
    assert (row.severity, row.layer, row.row, row.field) == ("warning", "trees", "T0", "photo")
    assert seen in row.seen
    assert "no photo: name a JPEG or PNG file" in row.done
    assert trees["photo"].isna().all()
    assert files == ()


@pytest.mark.parametrize(
    ("code", "corner"),
    [
        (1, (0, 0)),
        (2, (0, 1)),
        (3, (1, 1)),
        (4, (1, 0)),
        (5, (0, 0)),
        (6, (0, 1)),
        (7, (1, 1)),
        (8, (1, 0)),
    ],
)
def test_a_photo_stands_upright(folder, code, corner):
    """Where the first row and first column of the file come to lie (Exif 2.3, tag 274)."""
    path = draw(folder / "turned.jpg")
    turn(path, code)
    pixels = read_small(path)
    assert pixels.shape == ((3, 40, 60) if code < 5 else (3, 60, 40))
    _, height, width = pixels.shape
    halves = pixels[0, : height // 2 * 2, : width // 2 * 2].reshape(2, height // 2, 2, width // 2)
    means = halves.mean(axis=(1, 3))
    assert np.unravel_index(means.argmax(), (2, 2)) == corner
    assert means.max() > 200 > 60 > np.sort(means.ravel())[-2]


def test_a_large_or_deep_photo_is_read_small(folder):
    pixels = read_small(draw(folder / "large.jpg", size=(600, 1500)))
    assert pixels.shape == (3, round(600 * MOST_PIXELS / 1500), MOST_PIXELS)
    deep = read_small(draw(folder / "deep.png", "PNG", dtype="uint16"))
    assert deep.dtype == np.uint8
    assert (deep[0, 0, 0], deep[0, -1, -1]) == (255, 0)


def test_a_photo_that_goes_is_an_error(folder):
    path, fault = find_photo("photos/a.jpg", folder)
    assert fault is None
    path.unlink()
    with pytest.raises(LayerError):
        read_small(path)
