"""The door for files of others: what is no file, what is too large, and what was read of it."""

import hashlib
import os
import socket
import threading
from pathlib import Path

import pytest
import sites

import geoqa
from geoqa.cli import main
from geoqa.core import input_files
from geoqa.core.errors import InputError
from geoqa.reviews import reading

NO_FILES = ["pipe", "zero", "socket"]
FIELD_TEST = '[step.real-time-classes]\n[field_test]\nfile = "X"\n'
#: Every kind of file beside the inputs, and the recipe that names it.
BESIDE = {
    "decisions": '[decisions]\nfile = "X"\n',
    "lookup": '[match]\nby = "lookup"\nfile = "X"\n',
    "field test": '[field_test]\nfile = "X"\n',
    "marks": '[step.nmea]\nmarks = "X"\n',
    "bases": '[step.gvx]\nbases = "X"\n',
    "canopy areas": '[canopy]\nareas = "X"\ncolumn = "Cover"\n',
    "canopy raster": '[canopy]\nraster = "X"\nunit = "m"\n',
    "surface raster": '[canopy]\nraster = "sound.tif"\nsurface = "X"\nunit = "m"\n',
    "boundary": '[step.site-boundary]\nfile = "X"\n',
    "cover": '[step.cover-areas]\nfile = "X"\ncolumn = "Cover"\n',
}


@pytest.fixture
def within():
    """Fail, instead of hanging, where something waits for a pipe: its other end is opened and closed."""
    opened = []

    def watch(path):
        def free():
            with path.open("wb"):
                opened.append(path)

        timer = threading.Timer(20, free)
        timer.daemon = True
        timer.start()
        return timer

    timers = []
    yield lambda path: timers.append(watch(path))
    for timer in timers:
        timer.cancel()
    assert not opened, "a pipe was waited for"


def made(folder, kind):
    path = folder / "x.gpkg"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "zero":
        path.symlink_to("/dev/zero")
    else:
        with socket.socket(socket.AF_UNIX) as server:
            before = Path.cwd()
            os.chdir(folder)
            try:
                server.bind(path.name)
            finally:
                os.chdir(before)
    return path


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("kind", NO_FILES)
@pytest.mark.parametrize("beside", BESIDE)
def test_what_is_no_file_is_refused_beside_the_recipe(tmp_path, capsys, within, kind, beside):
    import gvx_sample
    import logs
    import rasters

    if kind != "pipe" and beside in ("boundary", "cover"):
        pytest.skip("read when the map is drawn, after the whole review: one kind suffices")
    path = made(tmp_path, kind)
    if kind == "pipe":
        within(path)
    recipe = sites.RECIPE + BESIDE[beside].replace('"X"', f'"{path.name}"')
    data, toml = sites.write(tmp_path, recipe=recipe)
    rasters.write(tmp_path / "sound.tif", [[1.0] * 40] * 40, west=1600000.0 - 20, north=5400000.0 + 20)
    if beside == "bases":
        data, toml = tmp_path / "site.gvx", tmp_path / "gvx.toml"
        data.write_text(gvx_sample.site())
        toml.write_text(VECTORS + BESIDE[beside].replace('"X"', f'"{path.name}"'))
    if beside == "marks":
        data, toml = tmp_path / "crew.nmea", tmp_path / "log.toml"
        data.write_bytes(logs.log(logs.stay(0, 20)))
        toml.write_text(LOG + BESIDE[beside].replace('"X"', f'"{path.name}"'))
    assert main(["review", str(data), "-r", str(toml), "-o", str(tmp_path / "out")]) == 2
    error = capsys.readouterr().err
    assert "x.gpkg: is a pipe or a device, not a file" in error
    assert not (tmp_path / "out").exists()


VECTORS = """
[site]
crs = "EPSG:2193"
height = "ellipsoidal"
[input]
initialization = "unknown"
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
"""
LOG = """
[site]
crs = "EPSG:4326"
height = "ellipsoidal"
[match]
by = "place"
radius_m = 0.5
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
"""


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("suffix", [".csv", ".xlsx", ".gpkg", ".geojson", ".shp", ".xml", ".nmea", ".parquet"])
def test_a_pipe_as_input_is_refused(tmp_path, within, suffix):
    path = tmp_path / f"x{suffix}"
    os.mkfifo(path)
    within(path)
    _, toml = sites.write(tmp_path)
    with pytest.raises(InputError, match="is a pipe or a device"):
        geoqa.review(path, toml)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_as_a_part_of_a_shapefile_or_of_an_earlier_review_is_refused(tmp_path, within):
    import geopandas as gpd
    from shapely import Point

    from geoqa.core import vector_files
    from geoqa.readers import earlier_review

    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(1, 2)], crs=2193)
    for suffix in (".dbf", ".prj"):
        folder = tmp_path / suffix[1:]
        folder.mkdir()
        frame.to_file(folder / "x.shp")
        (folder / f"x{suffix}").unlink()
        os.mkfifo(folder / f"x{suffix}")
        within(folder / f"x{suffix}")
        with pytest.raises(InputError, match=rf"x\{suffix}: is a pipe"), vector_files.copied(folder / "x.shp"):
            pass
    for name, read in (("run.json", earlier_review.read_record), ("review.gpkg", earlier_review.read_frames)):
        os.mkfifo(tmp_path / name)
        within(tmp_path / name)
        with pytest.raises(InputError, match=f"{name}: is a pipe"):
            read(tmp_path)


@pytest.mark.parametrize("name", ["https://127.0.0.1:9/x.gpkg", "/vsicurl/http://127.0.0.1:9/x", "/vsizip/x.zip/x.shp",
                                  "/vsicurl?url=http%3A%2F%2F127.0.0.1", "GPKG:/x.gpkg:a"])  # fmt: skip
def test_an_address_is_no_file(name):
    with pytest.raises(InputError, match="is an address, and geoqa opens files alone"):
        input_files.content(Path(name))


@pytest.mark.parametrize("name", ["x.csv", "C:/x.csv", "a:b.csv"])
def test_a_name_is_no_address(name):
    with pytest.raises(FileNotFoundError):
        input_files.content(Path(name))


def test_the_bound_is_told_with_the_line_that_raises_it(tmp_path):
    path, to = tmp_path / "x", tmp_path / "y"
    path.write_bytes(b"a" * 2_500_000)
    with input_files.visit(1.5):
        for read in (input_files.content, input_files.seen, lambda path: input_files.copy(path, to)):
            with pytest.raises(
                InputError, match=r"larger than 1\.5 MB\. If it is sound, write largest_megabytes = 3 under"
            ):
                read(path)
    with input_files.visit(3):
        assert len(input_files.content(path, 1)) == 2_500_000
    with pytest.raises(InputError, match="larger than 1 MB"):
        input_files.content(path, 1)


@pytest.mark.skipif(not Path("/proc/self/maps").exists(), reason="no file here says it is empty and is not")
def test_a_file_that_is_longer_than_it_says_is_bound_too():
    with input_files.visit(0.001), pytest.raises(InputError, match=r"larger than 0\.001 MB"):
        input_files.content(Path("/proc/self/maps"))


def test_the_recipe_states_the_bound_of_every_file(tmp_path):
    data, toml = sites.write(tmp_path, rows=sites.ROWS * 400)
    toml.write_text(sites.RECIPE.replace("[input]\n", "[input]\nlargest_megabytes = 0.05\n"))
    with pytest.raises(InputError, match=r"occupations\.csv: is larger than 0\.05 MB"):
        geoqa.review(data, toml)
    (tmp_path / "names.csv").write_text("from,to\n" + "A1,A1\n" * 20_000)
    toml.write_text(
        sites.RECIPE.replace("[input]\n", "[input]\nlargest_megabytes = 0.1\n")
        + '[match]\nby="lookup"\nfile="names.csv"\n'
    )
    sites.write(tmp_path, recipe=toml.read_text())
    with pytest.raises(InputError, match=r"\[match\] file: .*names\.csv: is larger than 0\.1 MB"):
        geoqa.review(data, toml)


def test_a_file_of_its_own_has_no_bound_of_its_own():
    from geoqa.core.errors import RecipeError
    from geoqa.readers.recipe.recipe import job_from_table

    table = {
        **__import__("tomllib").loads(sites.RECIPE),
        "file": [{"path": "a.csv", "input": {"largest_megabytes": 5}}],
    }
    with pytest.raises(RecipeError, match=r"\[file\.input\] largest_megabytes: holds for the whole site"):
        job_from_table(table)
    table["input"]["largest_megabytes"], table["file"] = 5, [{"path": "a.csv", "input": {"decimal": ","}}]
    job = job_from_table(table)
    assert job_from_table(job.as_table()) == job


def test_what_was_read_is_what_is_hashed(tmp_path):
    path, to = tmp_path / "x", tmp_path / "y"
    path.write_bytes(b"first")
    digest = hashlib.sha256(b"first").hexdigest()
    with input_files.visit() as seen:
        assert input_files.content(path) == b"first"
        path.write_bytes(b"other")
        assert reading.sha256(path) == digest == seen[path.absolute()].sha256
        with pytest.raises(InputError, match="x: was changed between two readings"):
            input_files.copy(path, to)
    assert reading.sha256(path) == hashlib.sha256(b"other").hexdigest()


def test_a_file_read_in_place_must_stay_what_it_is(tmp_path):
    path, other = tmp_path / "x", tmp_path / "y"
    path.write_bytes(b"first")
    with input_files.watched(path):
        pass
    other.write_bytes(b"other")
    os.utime(other, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns))
    with pytest.raises(InputError, match="was changed while it was read"), input_files.watched(path):
        other.replace(path)


def test_a_record_tells_what_was_read_of_a_file_replaced_meanwhile(tmp_path, monkeypatch):
    from geoqa.reviews import reading

    data, toml = sites.write(tmp_path)
    digest, size = hashlib.sha256(data.read_bytes()).hexdigest(), data.stat().st_size
    read = reading.read

    def replaced(*arguments):
        results = read(*arguments)
        data.write_text("Mark\n")
        return results

    monkeypatch.setattr(reading, "read", replaced)
    record = geoqa.review(data, toml).record["inputs"][0]
    assert (record["sha256"], record["bytes"]) == (digest, size)
