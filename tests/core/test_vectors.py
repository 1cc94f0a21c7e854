"""Vector files and rasters of others: nothing in them reaches another file, a server, or an end that never comes."""

import contextlib
import socket
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

import geoqa
from geoqa.core import vector_files
from geoqa.core.errors import GeoqaError, InputError
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.readers.vector import VectorReader

SECRET = "swordfish"
FRAME = gpd.GeoDataFrame(
    {"Cover": ["open", "pine"]}, geometry=[shapely.box(0, 0, 3, 2), shapely.box(3, 0, 5, 7)], crs="EPSG:2193"
)


@pytest.fixture
def server():
    """Give the port of a server that is listened to, and what connected to it."""
    found = []
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        listening.settimeout(0.05)
        done = threading.Event()

        def listen():
            while not done.is_set():
                with contextlib.suppress(TimeoutError):
                    connection, _ = listening.accept()
                    found.append(connection)
                    connection.close()

        thread = threading.Thread(target=listen)
        thread.start()
        yield listening.getsockname()[1], found
        done.set()
        thread.join()


def virtual(source):
    return f'<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>{source}</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'  # noqa: E501


def hostile(folder, port):
    """Return files that make the library read another file or ask a server, by name."""
    far = f"http://127.0.0.1:{port}/x.geojson"
    secret = folder / "secret.csv"
    secret.write_text(f'Cover,WKT\n{SECRET},"POLYGON((0 0,1 0,1 1,0 0))"\n')
    sound = folder / "sound"
    sound.mkdir()
    for suffix in ("gpkg", "fgb", "shp"):
        FRAME.to_file(sound / f"x.{suffix}")
    near, away = virtual(secret), virtual(f"/vsicurl/{far}")
    packed = away.replace('"', "'")
    flat, shape = (sound / "x.fgb").read_bytes(), (sound / "x.shp").read_bytes()
    wfs = f"<OGRWFSDataSource><URL>http://127.0.0.1:{port}/wfs</URL></OGRWFSDataSource>"
    raster = f'<VRTDataset rasterXSize="9" rasterYSize="9"><VRTRasterBand band="1" dataType="Float32"><SimpleSource><SourceFilename>/vsicurl/{far}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>'  # noqa: E501
    service = f'<GDAL_WMS><Service name="WMS"><ServerUrl>http://127.0.0.1:{port}/?</ServerUrl></Service></GDAL_WMS>'
    files = {}
    for suffix in ("geojson", "gpkg", "shp", "fgb", "json", "tif", "csv", "gml", "kml"):
        files |= {f"far.{suffix}": away, f"near.{suffix}": near, f"wfs.{suffix}": wfs}
        files |= {f"raster.{suffix}": raster, f"wms.{suffix}": service}
    files["inside.geojson"] = f'{{"type":"FeatureCollection","name":"{packed}","features":[]}}'
    files["inside.json"] = f'{{"x":"{packed}","type":"FeatureCollection","features":[]}}'
    files["pipeline.json"] = f'{{"type":"gdal_streamed_alg","command_line":"gdal vector pipeline read /vsicurl/{far}"}}'
    files["rest.geojson"] = (
        f'{{"type":"FeatureCollection","links":[{{"href":"http://127.0.0.1:{port}/"}}],"features":[]}}'
    )
    paths = []
    for name, content in files.items():
        (folder / name).write_text(content)
        paths.append(folder / name)
    for name, content in {
        "behind.fgb": flat[:8] + packed.encode() + b" " * 900, "behind.shp": shape[:28] + packed.encode() + b" " * 900,
        "behind.gpkg": vector_files.SQLITE + packed.encode() + b" " * 900, "behind.tif": b"II*\0" + raster.encode(),
    }.items():  # fmt: skip
        (folder / name).write_bytes(content)
        paths.append(folder / name)
    return paths


def test_no_file_reaches_a_server_or_another_file(tmp_path, server):
    port, connected = server
    job = job_from_table({"site": {"crs": "EPSG:2193"}, "tolerance": {"horizontal_m": 0.05},
                          "input": {"unit": "m", "columns": {"point": "Cover"},
                                    "initialization": "unknown"}})  # fmt: skip
    refused = 0
    for path in hostile(tmp_path, port):
        for read in (
            lambda path: VectorReader().read(path, job),
            lambda path: vector_files.areas(path, f"[canopy] areas {path.name!r}", column="Cover"),
            lambda path: _raster(path, job),
        ):
            with pytest.raises(GeoqaError) as caught:
                read(path)
            assert path.name in str(caught.value)
            assert SECRET not in str(caught.value)
            assert "127.0.0.1" not in str(caught.value)
            refused += 1
    assert not connected
    assert refused > 140


def _raster(path, job):
    from geoqa.core import raster

    with raster.opened(path, job, "m"):
        pass


def test_the_server_would_have_noticed(tmp_path, server):
    """Without the door the same files do connect: the test above can fail."""
    port, connected = server
    hostile(tmp_path, port)
    script = "import pyogrio, sys\npyogrio.read_info(sys.argv[1])"
    for name in ("far.geojson", "inside.geojson"):
        connected.clear()
        subprocess.run([sys.executable, "-c", script, tmp_path / name], capture_output=True, check=False)
        assert connected, name


def test_overviews_and_notes_beside_a_raster_are_not_opened(tmp_path, server):
    import numpy as np
    import rasters

    port, connected = server
    path = rasters.write(tmp_path / "x.tif", np.ones((40, 40)))
    far = f"/vsicurl/http://127.0.0.1:{port}/x.tif"
    text = f'<VRTDataset rasterXSize="20" rasterYSize="20"><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename>{far}</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>'  # noqa: E501
    (tmp_path / "x.tif.ovr").write_text(text)
    (tmp_path / "x.tif.msk").write_text(text)
    overview = f'<PAMDataset><Metadata domain="OVERVIEWS"><MDI key="OVERVIEW_FILE">{far}</MDI></Metadata></PAMDataset>'
    (tmp_path / "x.tif.aux.xml").write_text(overview)
    job = job_from_table({"site": {"crs": "EPSG:2193"}, "tolerance": {"horizontal_m": 0.05},
                          "input": {"unit": "m", "columns": {"point": 1}, "initialization": "unknown"}})  # fmt: skip
    from geoqa.core import raster

    with raster.opened(path, job, "m") as heights:
        assert heights.read(0, 0, 40, 40, (10, 10)).mean() == 1
    assert not connected


# ---- databases


def changed(path, *statements):
    with contextlib.closing(sqlite3.connect(path)) as database:
        for statement in statements:
            database.execute(statement)
        database.commit()
    return path


ENDLESS = "CREATE VIEW v AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n"


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        ([ENDLESS], "holds 1 view, which ask other tables and may never end"),
        (["CREATE VIRTUAL TABLE t USING fts5(a)"], "holds a virtual table, which reads elsewhere"),
        (["CREATE TABLE t (a, b AS (hex(zeroblob(400000000))))"], "holds a computed column"),
        (["CREATE TABLE t (a, b AS (a) STORED)"], "holds a computed column"),
        (["DROP TABLE gpkg_contents"], "is a database and no GeoPackage"),
    ],
)
def test_a_database_holds_what_is_stored_and_nothing_that_is_worked_out(tmp_path, statements, said):
    FRAME.to_file(tmp_path / "x.gpkg")
    path = changed(tmp_path / "x.gpkg", *statements)
    for read in (vector_files.shapes, lambda path: vector_files.areas(path, "[canopy] areas")):
        with pytest.raises(GeoqaError, match=said):
            read(path)


def test_an_endless_view_that_is_registered_as_the_layer_is_refused(tmp_path):
    path = tmp_path / "x.gpkg"
    FRAME.set_geometry(FRAME.centroid).to_file(path)
    changed(
        path, ENDLESS, "UPDATE gpkg_contents SET table_name = 'v'", "UPDATE gpkg_geometry_columns SET table_name = 'v'"
    )
    job = job_from_table(
        {
            "site": {"crs": "EPSG:2193"},
            "tolerance": {"horizontal_m": 0.05},
            "input": {"unit": "m", "columns": {"point": "i"}, "initialization": "unknown"},
        }
    )
    with pytest.raises(InputError, match="holds 1 view"):
        VectorReader().read(path, job)


def test_what_runs_on_writing_does_no_harm_on_reading(tmp_path):
    """A trigger, and a check that would take long, are there and are not run."""
    path = tmp_path / "x.gpkg"
    FRAME.to_file(path)
    changed(
        path,
        "CREATE TABLE slow (a TEXT CHECK (length(hex(zeroblob(400000000))) > 0))",
        "PRAGMA ignore_check_constraints = ON",
        "INSERT INTO slow VALUES ('1')",
        "CREATE TRIGGER t AFTER INSERT ON slow BEGIN DELETE FROM x; END",
    )
    before = path.read_bytes()
    assert list(vector_files.shapes(path)["Cover"]) == ["open", "pine"]
    assert path.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["x.gpkg"]


@pytest.mark.parametrize("suffix", ["-wal", "-journal"])
def test_changes_that_another_program_has_not_saved_are_not_overlooked(tmp_path, suffix):
    path = tmp_path / "x.gpkg"
    FRAME.to_file(path)
    beside = tmp_path / f"x.gpkg{suffix}"
    beside.write_bytes(b"")
    assert len(vector_files.shapes(path)) == 2
    beside.write_bytes(b"x" * 512)
    with pytest.raises(InputError, match=f"x.gpkg{suffix} beside it holds changes that are not in it yet"):
        vector_files.shapes(path)


def test_a_database_that_was_left_in_the_mode_of_a_desktop_gis_is_read(tmp_path):
    path = tmp_path / "x.gpkg"
    FRAME.to_file(path)
    changed(path, "PRAGMA journal_mode = WAL")
    assert path.read_bytes()[18:20] == b"\x02\x02"
    assert list(vector_files.shapes(path)["Cover"]) == ["open", "pine"]
    path.chmod(0o400)
    assert list(vector_files.shapes(path)["Cover"]) == ["open", "pine"]


# ---- what is sound


@pytest.mark.parametrize("suffix", ["gpkg", "fgb", "shp", "geojson"])
def test_areas_of_every_format(tmp_path, suffix):
    path = tmp_path / f"x.{suffix}"
    FRAME.to_file(path)
    found = vector_files.areas(path, "[canopy] areas", column="Cover")
    order = found.sort_values("Cover", ignore_index=True)
    assert list(order["Cover"]) == ["open", "pine"]
    assert order.crs.to_epsg() == 2193
    assert order.geometry.area.tolist() == [6.0, 14.0]


def test_geojson_without_a_system_is_wgs84(tmp_path):
    path = tmp_path / "x.geojson"
    path.write_text(FRAME.to_crs(4326).to_json(drop_id=True))
    assert "crs" not in path.read_text()
    assert vector_files.areas(path, "[canopy] areas").crs.to_authority() == ("OGC", "CRS84")


@pytest.mark.parametrize("text", ["{}", "{", "[]", '{"type":"FeatureCollection","features":3}', "{" * 100_000,
                                  '{"type":"FeatureCollection","features":[],"crs":{"x":1}}', "[" * 100_000,
                                  '{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[["a"]]]}}',
                                  '{"a":' * 100_000])  # fmt: skip
def test_damaged_geojson_is_refused_without_its_text(tmp_path, text):
    path = tmp_path / "x.geojson"
    path.write_text(text)
    with pytest.raises(GeoqaError) as caught:
        vector_files.areas(path, "[canopy] areas 'x.geojson'")
    assert len(str(caught.value)) < 400


def test_no_copy_is_left(tmp_path, monkeypatch):
    import tempfile

    place = tmp_path / "temporary"
    place.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(place))
    FRAME.to_file(tmp_path / "x.gpkg")
    with vector_files.copied(tmp_path / "x.gpkg") as copy:
        assert copy.path.is_relative_to(place)
        assert copy.path.parent.stat().st_mode & 0o077 == 0
    assert list(place.iterdir()) == []


def test_the_second_line_is_set_before_the_library_is_imported():
    script = (
        "import os; from geoqa.core import vector_files; p = vector_files.library(); "
        "print(sorted({'OGR_VRT', 'WFS', 'OAPIF'} & set(p.list_drivers())), 'GDAL_SKIP' in os.environ)"
    )
    told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["[]", "False"]
    assert told.stderr == ""


def test_every_part_of_geoqa_takes_the_library_from_one_place():
    root = Path(geoqa.__file__).parent
    found = [
        p.name for p in root.rglob("*.py") if "import pyogrio" in p.read_text() or "gpd.read_file" in p.read_text()
    ]
    assert found == ["vector_files.py"]


def test_the_other_option_is_as_it_was_before(tmp_path):
    FRAME.to_file(tmp_path / "x.gpkg")
    name = "CPL_VSIL_CURL_ALLOWED_EXTENSIONS"
    with vector_files.copied(tmp_path / "x.gpkg"):
        assert pyogrio.get_gdal_config_option(name) == ".none"
    assert pyogrio.get_gdal_config_option(name) is None
