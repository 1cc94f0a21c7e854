"""Small sound files of every kind an installed reader takes, to be damaged."""

from __future__ import annotations

import copy
import functools
import gzip
import io
import tempfile
import tomllib
import warnings
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import gvx_sample
import logs
import sites

from geoqa import plugins
from geoqa.core.steps import Reader
from geoqa.readers.recipe.recipe import job_from_table

ROOT = Path(__file__).resolve().parents[1]
PLANE = tomllib.loads(sites.RECIPE)


@functools.cache
def catalogue() -> plugins.Catalogue:
    """Return what is installed, looked up once: it takes longer than reading a small file."""
    return plugins.catalogue()


@dataclass(frozen=True)
class Seed:
    """A small sound file.

    `content` is what gets damaged; `pack` makes a file of it, so that damage can sit inside a package.
    It goes into the file `damaged`, or `name`, which is the file that is read; `beside` are its other parts.
    `each_line` says that every line must be a record.
    """

    name: str
    content: bytes
    recipe: Mapping[str, Any]
    pack: Callable[[bytes], bytes] = bytes
    damaged: str = ""
    beside: Mapping[str, bytes] = field(default_factory=dict)
    each_line: bool = True

    @property
    def label(self) -> str:
        """The file that is damaged."""
        return self.damaged or self.name

    def place(self, folder: Path) -> Callable[[bytes], Path]:
        """Return a function that writes a damaged content into `folder` and returns the path to read."""
        for name, content in self.beside.items():
            (folder / name).write_bytes(content)

        def write(content: bytes) -> Path:
            (folder / self.label).write_bytes(self.pack(content))
            return folder / self.name

        return write


def seeds() -> list[Seed]:
    """Return small sound files of every kind the installed readers take."""
    return [*_text(), *_odd_text(), *_samples(), *_xml(), *_vector(), *_sheets(), *_logs()]


def without_seed(found: list[Seed]) -> list[str]:
    """Return the names of installed readers that would take none of the sound files."""
    readers = catalogue().load_all("geoqa.readers").values()
    return [cls.name for cls in readers if all(taker(seed) is not cls for seed in found)]


def taker(seed: Seed) -> type[Reader]:
    """Return the reader that claims a sound file most surely."""
    head = (seed.beside.get(seed.name) or seed.pack(seed.content))[:4096]
    classes = catalogue().load_all("geoqa.readers").values()
    return max(classes, key=lambda cls: cls.sniff(Path(seed.name), head))  # type: ignore[attr-defined,return-value]


def _logs() -> list[Seed]:
    epochs = [*logs.stay(0, 20), *logs.walk(20, 30, (0, 0), (9, 4)), *logs.stay(30, 45, (9, 4))]
    content = logs.log(epochs, precision=(0.012, 0.01, 0.02))
    return [Seed("crew.nmea", content, logs.SITE), Seed("crew.nmea.gz", content, logs.SITE, gzip.compress)]


def _changed(**changes: Any) -> dict[str, Any]:
    """Return the recipe with changes of its [input]; a value of None takes a key away."""
    table = copy.deepcopy(PLANE)
    table["input"] = {key: value for key, value in (table["input"] | changes).items() if value is not None}
    return table


def _bare(crs: str, columns: Mapping[str, Any], **changes: Any) -> dict[str, Any]:
    """Return a recipe without precision and times."""
    own = {"unit": "m", "initialization": "unknown", "columns": dict(columns), **changes}
    return {"site": {"crs": crs}, "input": own, "tolerance": {"horizontal_m": 0.05}}


def _text() -> list[Seed]:
    lines, comma = [sites.HEAD, *sites.ROWS], sites.text().decode()
    semicolon = comma.replace(",", ";").replace(".", ",")
    quoted = "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in lines)
    globe = _bare("EPSG:4326", {"point": 1, "longitude": 2, "latitude": 3}, header=False)
    return [
        Seed("comma.csv", comma.encode(), PLANE),
        Seed("semicolon.csv", semicolon.encode(), _changed(decimal=",", delimiter=";")),
        Seed("tab.txt", comma.replace(",", "\t").replace("\n", "\r\n").encode(), PLANE),
        Seed("blank.asc", comma.replace(",", "   ").encode(), _changed(delimiter=" ")),
        Seed("quoted.csv", quoted.replace("A1", "A\n1").encode(), PLANE),
        Seed("wide.csv", b"\xff\xfe" + comma.encode("utf-16-le"), PLANE),
        Seed("western.csv", comma.replace("A1", "B\xf6schung").encode("cp1252"), PLANE),
        Seed("globe.csv", b"A,170.00000001,-45.00000001\nA,170.00000002,-45.00000003\n", globe),
        Seed("packed.csv.gz", gzip.compress(comma.encode(), mtime=0), PLANE),
        Seed("inside.csv.gz", comma.encode(), PLANE, pack=lambda content: gzip.compress(content, 1, mtime=0)),
    ]


def _odd_text() -> list[Seed]:
    spans = {"point": [1, 6], "easting": [8, 18], "northing": [20, 30], "note": [32, 44]}
    spans_text = "# x\nName       Easting    Northing  Remark\nP 1    1800000.125 5690000.250 tree\n" + (
        "P2     1800001.125 5690001.250\nName       Easting    Northing  Remark\nP3     1800002.125 5690002.250 ok\n"
    )
    gps = {"point": 1, "easting": 2, "northing": 3, "start": {"week": 4, "seconds": 5}}
    split = {"point": 1, "easting": 2, "northing": 3, "start": {"date": 4, "time": 5}, "solution": 6}
    angles = {"point": 1, "latitude": 2, "longitude": 3}
    numbers = "1600000.01,5400000.01"
    return [
        Seed("fixed.txt", spans_text.encode(), _bare("EPSG:2193", spans, delimiter="fixed"), each_line=False),
        Seed(
            "gps.txt", f"1,{numbers},2405,100.5\n1,{numbers[:-1]}2,2405,604799.9\n".encode(),
            _bare("EPSG:2193", gps, header=False, time_format="gps-week-seconds"),
        ),
        Seed(
            "split.txt", f"1,{numbers},02/03/26,08:00:01,FIX\n1,{numbers[:-1]}3,29/03/26,01:30:00,4\n".encode(),
            _bare("EPSG:2193", split, header=False, time_format="%d/%m/%y %H:%M:%S", timezone="Pacific/Auckland",
                  values={"solution": {"FIX": "fixed", "4": "fixed"}}),
        ),
        Seed(
            "packed.txt", b"P1;-38.1234567;175.3000000\nP1;-38.1234568;175.3000001\n",
            _bare("EPSG:4167", angles, header=False, delimiter=";", angle="packed-dms"),
        ),
        Seed(
            "angles.txt", "P1;38 12 34.567 S;175°30'00.000\" E\nP1;38 12 34.568 S;175°30'00.001\" E\n".encode(),
            _bare("EPSG:4167", angles, header=False, delimiter=";", angle="dms"),
        ),
    ]  # fmt: skip


def _samples() -> list[Seed]:
    found = []
    for site, name, count in (("totara_saddle", "occupations.csv", 25), ("lantern_fork", "points.txt", 20)):
        content = b"".join((ROOT / "sample_data" / site / name).read_bytes().splitlines(keepends=True)[:count])
        table = tomllib.loads((ROOT / "sample_data" / site / "site.toml").read_text(encoding="utf-8"))
        found.append(Seed(name, content, table))
    for seed in found:
        job_from_table(seed.recipe)
    return found


_BROUGHT = {"point": "name", "code": "code"}


def _xml() -> list[Seed]:
    points = "\n".join(
        f'<CgPoint name="A{i // 2}" code="IP">5400000.00{i} 1600000.00{i} 100.0</CgPoint>' for i in range(1, 5)
    )
    gps = (
        '<Survey><GPSSetup id="s"><TargetPoint pntRef="A1"/><GPSPosition pntRef="A1" horizontalPrecision="0.01" '
        'startTime="2026-02-02T08:00:00"><GPSQCInfoLevel1 RMS="0.01" nbrSatellites="12"/>'
        "</GPSPosition></GPSSetup></Survey>"
    )
    text = (
        '<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">'
        '<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units><CoordinateSystem epsgCode="2193"/>'
        f'<CgPoints name="g">\n{points}\n<CgPoint name="B" pntRef="A1"/>\n</CgPoints>{gps}</LandXML>'
    ).encode()
    recipe = _bare("EPSG:2193", _BROUGHT) | {"site": {"crs": "EPSG:2193", "height": "NZVD2016"}}
    recipe |= {"tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1}}
    return [
        Seed("land.xml", text, recipe),
        Seed("land.xml.gz", gzip.compress(text, mtime=0), recipe),
        Seed("inside.xml.gz", text, recipe, pack=lambda content: gzip.compress(content, 1, mtime=0)),
        Seed("vectors.gvx", gvx_sample.site().encode(), gvx_sample.RECIPE),
        Seed(
            "inside.gvx.gz",
            gvx_sample.site().encode(),
            gvx_sample.RECIPE,
            pack=lambda text: gzip.compress(text, 1, mtime=0),
        ),
    ]


def _vector() -> list[Seed]:
    import geopandas as gpd

    rows = [dict(zip(sites.HEAD.split(","), row.split(","), strict=True)) for row in sites.ROWS]
    places = gpd.points_from_xy(*([float(r[c]) for r in rows] for c in "ENH"), crs=2193)
    frame, placed, found = gpd.GeoDataFrame(rows, geometry=places), copy.deepcopy(PLANE), []
    for column in ("easting", "northing"):
        del placed["input"]["columns"][column]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of a driver that shortens a name
        for suffix, driver in (("geojson", "GeoJSON"), ("gpkg", "GPKG"), ("fgb", "FlatGeobuf"), ("shp", None)):
            frame.to_file(Path(folder) / f"v.{suffix}", driver=driver)
        frame.to_parquet(Path(folder) / "v.parquet")
        parts = {path.name: path.read_bytes() for path in Path(folder).iterdir()}
    for suffix in ("geojson", "gpkg", "fgb", "parquet"):
        found.append(Seed(f"v.{suffix}", parts[f"v.{suffix}"], placed))
        found.append(Seed(f"mapped.{suffix}", parts[f"v.{suffix}"], PLANE))
    shape = {name: content for name, content in parts.items() if name.endswith((".shp", ".shx", ".dbf", ".prj"))}
    found += [Seed("v.shp", shape[name], placed, damaged=name, beside=shape) for name in sorted(shape)]
    return found


def _sheets() -> list[Seed]:
    import openpyxl

    book = openpyxl.Workbook()
    for line in (sites.HEAD, *sites.ROWS):
        book.active.append([float(c) if c.replace(".", "").isdigit() else c for c in line.split(",")])
    packed = io.BytesIO()
    book.save(packed)
    whole = packed.getvalue()
    inner = ("xl/worksheets/sheet1.xml", "xl/workbook.xml", "[Content_Types].xml")
    with zipfile.ZipFile(io.BytesIO(whole)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    return [Seed("s.xlsx", whole, PLANE)] + [
        Seed(
            f"inside_{Path(name).stem.strip('[]')}.xlsx",
            parts[name],
            PLANE,
            pack=functools.partial(_rezip, parts, name),
        )
        for name in inner
    ]


def _rezip(parts: Mapping[str, bytes], changed: str, content: bytes) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name, part in parts.items():
            archive.writestr(name, content if name == changed else part)
    return packed.getvalue()


#: Tables beside the recipe, as they fit the plain site.
BESIDE = {
    "decisions": (
        b"action,kind,target,guard,who,when,why,new_point\n"
        b"reject,occupation,occupations.csv:5,A2,JB,2026-02-03,wrong mark,\n"
        b"accept,point,A1,,JB,2026-02-03,looked at,\n"
        b'reassign,occupation,occupations.csv:6,"1600040.000 5400000.000",JB,2026-02-04,"named, wrongly",A2\n'
    ),
    "lookup": b"from,to\nA1,P1\nA2,P2\nA3,P2\n",
}
