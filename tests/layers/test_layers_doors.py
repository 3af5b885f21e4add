"""Layers that reach out: to a network, to other files. A listener on this machine counts."""

import contextlib
import json
import re
import shutil
import sqlite3
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import get_args

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from small_district import CRS, at, make_sewers, make_trees

from routekit.errors import CrsError, LayerError
from routekit.layers.formats import CLOSED, Closed, find_virtual_path, recognise
from routekit.layers.opening import open_raster
from routekit.layers.photo_review import review_photo
from routekit.layers.settings import LayerSource
from routekit.layers.terrain import sample_terrain
from routekit.layers.unknown import propose_for_sources
from routekit.outputs.compare import compare_results

SECRET = "first line of a system file"


class Listener(ThreadingHTTPServer):
    """Answers nothing and keeps what was asked for."""

    def __init__(self):
        self.asked = []
        super().__init__(("127.0.0.1", 0), make_handler(self.asked))
        self.url = f"http://127.0.0.1:{self.server_port}"


def make_handler(asked):
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):
            asked.append(self.path)
            self.send_response(404)
            self.end_headers()

        do_HEAD = do_POST = do_GET

        def log_message(self, *_):
            pass

    return Handler


@pytest.fixture
def listener():
    server = Listener()
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.fixture
def secret(tmp_path):
    path = tmp_path / "elsewhere" / "secret.csv"
    path.parent.mkdir()
    path.write_text(f"{SECRET},b\n1,2\n")
    return path


def vrt_of(source):
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="secret"><SrcDataSource>{source}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>"
    )


def tiles_of(url):
    return (
        f'<GDAL_WMS><Service name="TMS"><ServerUrl>{url}/${{z}}/${{x}}/${{y}}.png</ServerUrl>'
        "</Service><DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>900000</UpperLeftY>"
        "<LowerRightX>900000</LowerRightX><LowerRightY>0</LowerRightY><TileLevel>1</TileLevel>"
        "<TileCountX>1</TileCountX><TileCountY>1</TileCountY></DataWindow>"
        "<Projection>EPSG:28992</Projection><BlockSizeX>256</BlockSizeX>"
        "<BlockSizeY>256</BlockSizeY><BandsCount>1</BandsCount></GDAL_WMS>"
    )


def raster_vrt_of(source):
    return (
        '<VRTDataset rasterXSize="8" rasterYSize="8"><SRS>EPSG:28992</SRS>'
        f'<VRTRasterBand dataType="Byte" band="1"><SimpleSource><SourceFilename>{source}'
        "</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>"
    )


def collection(crs):
    feature = {
        "type": "Feature",
        "properties": {"tree_id": "T1"},
        "geometry": {"type": "Point", "coordinates": at(10, 5)},
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature], "crs": crs})


VECTORS = {
    "virtual layer as GeoPackage": ("t.gpkg", lambda u: vrt_of(f"/vsicurl/{u}/x.geojson")),
    "virtual layer as CSV": ("t.csv", lambda u: "a,b\n" + vrt_of(f"/vsicurl/{u}/x.geojson")),
    "virtual layer as shapefile": ("t.shp", lambda u: vrt_of(f"/vsicurl/{u}/x.shp")),
    "virtual layer after blanks": ("t.gpkg", lambda u: "\n \n" + vrt_of(f"/vsicurl/{u}/x.json")),
    "XML with a schema": (
        "t.gml",
        lambda u: (
            '<gml:FeatureCollection xmlns:gml="http://www.opengis.net/gml" xmlns:xsi='
            f'"http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="x {u}/x.xsd"/>'
        ),
    ),
    "service as GeoPackage": (
        "t.gpkg",
        lambda u: f"<OGRWFSDataSource><URL>{u}/wfs</URL></OGRWFSDataSource>",
    ),
    "page of a service": (
        "t.json",
        lambda u: json.dumps(
            {
                "links": [
                    {"rel": "data", "href": f"{u}/c", "type": "application/json"},
                    {"rel": "conformance", "href": f"{u}/conf"},
                ]
            }
        ),
    ),
    "job as GeoJSON": (
        "t.geojson",
        lambda u: json.dumps(
            {
                "type": "gdal_streamed_alg",
                "command_line": f"gdal vector pipeline ! read /vsicurl/{u}/x.geojson ! write",
            }
        ),
    ),
    "linked reference system": (
        "t.geojson",
        lambda u: collection({"type": "link", "properties": {"href": f"{u}/crs"}}),
    ),
    "reference system by address": (
        "t.geojson",
        lambda u: collection({"type": "url", "properties": {"url": f"{u}/crs"}}),
    ),
    "linked reference system, written otherwise": (
        "t.geojson",
        lambda u: collection({"type": "link", "properties": {"href": f"{u}/crs"}}).replace(
            '"link"', '"\\u006cink"'
        ),
    ),
    "archive": ("t.zip", lambda _: "PK\x03\x04" + "x" * 60),
    "table of another file": ("t.tab", lambda _: "!table\n!version 300\nType LINKED\n"),
}


@pytest.mark.parametrize(("name", "write"), VECTORS.values(), ids=VECTORS)
def test_a_vector_layer_sends_for_nothing(name, write, district, listener):
    (district.folder / name).write_text(write(listener.url), encoding="utf-8")
    district.sections["layers"]["trees"] = name
    # What holds no rows that may be read as they are is refused; a table of text stays text.
    with contextlib.suppress(LayerError, CrsError):
        district.read()
    with contextlib.suppress(LayerError):
        propose_for_sources([str(district.folder / name)])
    assert listener.asked == []


def test_the_listener_hears_what_is_not_shut(tmp_path, listener):
    (tmp_path / "t.geojson").write_text(
        collection({"type": "link", "properties": {"href": f"{listener.url}/crs"}})
    )
    pyogrio.read_dataframe(tmp_path / "t.geojson")
    assert listener.asked == ["/crs"]


RASTERS = {
    "tile service": tiles_of,
    "virtual raster": lambda u: raster_vrt_of(f"/vsicurl/{u}/x.tif"),
    "coverage service": lambda u: f"<WCS_GDAL><ServiceURL>{u}/wcs?</ServiceURL></WCS_GDAL>",
    "map service": lambda u: f"<WMS_Capabilities><Service><X>{u}</X></Service></WMS_Capabilities>",
}


@pytest.mark.parametrize("layer", ["terrain", "canopy", "photo"])
@pytest.mark.parametrize("write", RASTERS.values(), ids=RASTERS)
def test_a_raster_layer_sends_for_nothing(layer, write, district, listener):
    (district.folder / "t.tif").write_text(write(listener.url), encoding="utf-8")
    district.sections["layers"][layer] = "t.tif"
    if layer == "canopy":
        district.sections["crowns"] = {"use": "gaps"}
    says = rf"layers\.{layer}: .*t\.tif cannot be read as a raster .*also_open"
    if layer == "photo":
        # The study stands without a picture behind the plan.
        told, usable = review_photo(district.read().photo)
        assert usable is None
        assert re.search(says, told["seen"].iloc[0])
    else:
        with pytest.raises(LayerError, match=says):
            district.read()
    assert listener.asked == []


def make_raster(path):
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=8,
        height=8,
        count=1,
        dtype="float32",
        crs=CRS,
        transform=rasterio.Affine(1, 0, at(0, 0)[0], 0, -1, at(0, 8)[1]),
    ) as out:
        out.write(np.ones((1, 8, 8), dtype="float32"))
    return path


def name_overviews(path, other):
    (path.with_name(f"{path.name}.aux.xml")).write_text(
        f'<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">{other}</MDI>'
        "</Metadata></PAMDataset>"
    )


def name_overviews_inside(path, other):
    with rasterio.open(path, "r+") as out:
        out.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=str(other))


SIDES = {
    "mask": lambda path, other: shutil.copy(other, f"{path}.msk"),
    "overviews": lambda path, other: shutil.copy(other, f"{path}.ovr"),
    "named overviews": name_overviews,
    "overviews named inside": name_overviews_inside,
    "old overviews": lambda path, _: path.with_suffix(".aux").write_bytes(b"EHFA_HEADER_TAG"),
    "overviews of overviews": lambda path, other: name_overviews(
        make_raster(path.with_name(f"{path.name}.ovr")), other
    ),
}


@pytest.mark.parametrize("spoil", SIDES.values(), ids=SIDES)
def test_files_beside_a_raster_open_no_door(spoil, tmp_path, listener):
    path, other = make_raster(tmp_path / "t.tif"), tmp_path / "w.tif"
    other.write_text(tiles_of(listener.url))
    spoil(path, other)
    points = np.array([at(1, 1)])
    with pytest.raises(LayerError, match=r"layers\.terrain: .*t\.tif"):
        sample_terrain(points, path, crs=rasterio.CRS.from_string(CRS))
    assert listener.asked == []


def test_plain_overviews_and_statistics_beside_a_raster_are_fine(tmp_path):
    path = make_raster(tmp_path / "t.tif")
    with rasterio.Env(TIFF_USE_OVR=True), rasterio.open(path, "r+") as out:
        out.build_overviews([2])
    (tmp_path / "t.tif.aux.xml").write_text(
        '<PAMDataset><PAMRasterBand band="1"><Metadata><MDI key="STATISTICS_MEAN">1</MDI>'
        "</Metadata></PAMRasterBand></PAMDataset>"
    )
    with open_raster("layers.terrain", path) as source:
        assert source.read(1).sum() == 64
        assert source.driver == "GTiff"


@pytest.mark.parametrize("name", ["t.gpkg", "t.tif", "t.shp", "t.json", "t.fgb"])
def test_a_virtual_layer_onto_another_file_shows_nothing_of_it(name, district, secret):
    (district.folder / name).write_text(vrt_of(secret))
    for layer in ("trees", "inspections"):
        district.sections["layers"][layer] = name
        with pytest.raises(LayerError, match="virtual layer, which reads other files") as caught:
            district.read()
        assert SECRET not in str(caught.value)
        district.sections["layers"] = {"sewers": "sewers.gpkg", "trees": "trees.gpkg"}
    with pytest.raises(LayerError) as caught:
        propose_for_sources([str(district.folder / name)])
    assert SECRET not in str(caught.value)
    with pytest.raises(LayerError) as caught:
        compare_results(district.folder / name, district.folder / name)
    assert SECRET not in str(caught.value)


def add_sql(path, *lines):
    with contextlib.closing(sqlite3.connect(path)) as database:
        for line in lines:
            database.execute(*line) if isinstance(line, tuple) else database.execute(line)
        database.commit()


def add_table(sql, name="vo"):
    return (
        "pragma writable_schema = 1",
        ("insert into sqlite_master values ('table', ?, ?, 0, ?)", (name, name, sql)),
    )


@pytest.mark.parametrize(
    "sql",
    [
        "CREATE VIRTUAL TABLE vo USING VirtualOGR('{}')",
        "CREATE VIRTUAL TABLE vo USING VirtualText('{}')",
        "CREATE VIRTUAL TABLE \"vo using rtree(\" USING VirtualOGR('{}')",
        "CREATE VIRTUAL TABLE vo /* using rtree */ USING VirtualShape('{}')",
        "CREATE VIRTUAL TABLE vo USING 'VirtualOGR'('{}')",
    ],
)
def test_a_table_of_a_database_onto_another_file_is_refused(sql, district, secret):
    name = "vo using rtree(" if '"vo' in sql else "vo"
    add_sql(district.folder / "trees.gpkg", *add_table(sql.format(secret), name))
    with pytest.raises(LayerError, match=r"layers\.trees: .*trees\.gpkg is not opened: its table"):
        district.read()


@pytest.mark.parametrize(
    "sql",
    [
        "CREATE VIEW v AS SELECT ogr_geocode('x') AS a",
        "CREATE VIEW v AS SELECT \"load_extension\" ('x') AS a",
        "CREATE VIEW v AS SELECT BlobFromFile('/etc/hostname') AS a",
        "CREATE TABLE v (a TEXT, b TEXT GENERATED ALWAYS AS (ogr_geocode(a)))",
    ],
)
def test_sql_in_a_database_that_reaches_out_is_refused(sql, district):
    kind = "table" if "TABLE" in sql else "view"
    path = district.folder / "trees.gpkg"
    add_sql(
        path,
        "pragma writable_schema = 1",
        (
            "insert into sqlite_master values (?, 'v', 'v', ?, ?)",
            (kind, 3 if kind == "table" else 0, sql),
        ),
    )
    with pytest.raises(LayerError, match=rf"is not opened: its {kind} v calls .*reaches out"):
        district.read()


def test_a_condition_that_reaches_out_is_refused(district):
    source = {"path": "trees.gpkg", "where": "ogr_geocode(tree_id) IS NULL"}
    district.sections["layers"]["trees"] = source
    with pytest.raises(LayerError, match="calls ogr_geocode, which reaches out"):
        district.read()


@pytest.mark.parametrize(
    "text",
    [
        "/vsicurl/http://h.example/x.gpkg",
        "https://h.example/x.gpkg",
        "s3://b/x.gpkg",
        "PG:dbname=x",
        "zip://x.zip!y.shp",
        "WFS:http://h.example",
        "/vsizip/x.zip/y.shp",
        "zip+https://h/x.zip",
    ],
)
def test_addresses_are_no_files(text, district):
    district.sections["layers"]["trees"] = {"path": text}
    with pytest.raises(LayerError, match=r'layers\.trees: ".*" is no file: .*save the layer'):
        district.read()
    assert LayerSource.model_validate(text).path
    assert find_virtual_path(text)


@pytest.mark.parametrize("text", ["trees.gpkg", "c:/x/trees.gpkg", "C:\\x\\t.gpkg", "../a/b.shp"])
def test_plain_paths_are_files(text):
    assert find_virtual_path(text) == ""


FILES = {
    "trees.gpkg": ("GPKG", {}),
    "trees.fgb": ("FlatGeobuf", {}),
    "trees.shp": ("ESRI Shapefile", {}),
    "trees.geojson": ("GeoJSON", {}),
    "trees.json": ("GeoJSON", {}),
    "trees.geojsonl": ("GeoJSONSeq", {}),
    "trees.sqlite": ("SQLite", {"SPATIALITE": "YES"}),
    "trees.gdb": ("OpenFileGDB", {}),
}


@pytest.mark.parametrize("name", FILES)
def test_each_format_of_the_list_is_read(name, district):
    table = make_trees().rename(columns={"stem_diameter_mm": "stem"})
    district.say("fields", "trees", stem_diameter_mm="stem")
    if "json" in name:
        table = table.to_crs("EPSG:4326")
    driver, options = FILES[name]
    (district.folder / "trees.gpkg").unlink()
    pyogrio.write_dataframe(table, district.folder / name, layer="trees", driver=driver, **options)
    plain = pyogrio.list_layers(district.folder / name)[0, 0]
    district.sections["layers"]["trees"] = f"{name}:{plain}"
    assert len(district.read().trees) == len(table)
    assert recognise(district.folder / name) not in CLOSED


@pytest.mark.parametrize("name", ["table.csv", "table.txt", "table.dbf"])
def test_each_format_of_tables_is_read(name, district):
    table = gpd.GeoDataFrame({"run_id": ["R1"], "chainage_m": [3.0], "code": ["BAB"]})
    if name.endswith(".dbf"):
        lines = make_sewers()[["run_id", "geometry"]].head(1)
        lines = lines.assign(chainage_m=3.0, code="BAB")
        pyogrio.write_dataframe(lines, district.folder / "table.shp")
        (district.folder / "table.shp").unlink()
    else:
        table.to_csv(district.folder / name, index=False)
    district.sections["layers"]["inspections"] = name
    assert list(district.read().inspections["run_id"]) == ["R1"]


def test_a_format_off_the_list_is_read_where_the_study_says_so(district):
    pyogrio.write_dataframe(
        make_trees().to_crs("EPSG:4326"), district.folder / "t.gml", driver="GML"
    )
    district.sections["layers"]["trees"] = "t.gml"
    with pytest.raises(LayerError, match=r't\.gml .*study\.also_open = \["xml"\]'):
        district.read()
    district.sections["study"] = {"also_open": ["vrt"]}
    with pytest.raises(LayerError, match=r'study\.also_open = \["xml"\]'):
        district.read()
    district.sections["study"] = {"also_open": ["xml"]}
    assert len(district.read().trees) == len(make_trees())


def test_the_names_of_closed_formats_are_those_of_the_setting():
    assert set(get_args(Closed)) == set(CLOSED)
