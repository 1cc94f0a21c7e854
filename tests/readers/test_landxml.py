"""LandXML: points, units, systems, GPS quality, and hostile XML."""

import contextlib
import gzip
from fractions import Fraction
from pathlib import Path
from xml.etree import ElementTree

import pytest

from geoqa.core import input_files
from geoqa.core.errors import GeoqaError, InputError
from geoqa.readers.landxml import LandXmlReader
from geoqa.readers.recipe.recipe import job_from_table

RECIPE = {
    "site": {"crs": "EPSG:2193", "height": "NZVD2016"},
    "input": {"unit": "m", "initialization": "unknown", "columns": {"point": "name", "code": "code"}},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.1},
}
METRIC = '<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units>'
POINT = '<CgPoint name="P1" code="PEG">5690000.250 1800000.120 300.5</CgPoint>'
DATA = Path(__file__).resolve().parents[3] / "shared" / "data"


def document(points=POINT, units=METRIC, more="", namespace="1.2"):
    space = f' xmlns="http://www.landxml.org/schema/LandXML-{namespace}"' if namespace else ""
    head = f'<?xml version="1.0"?>\n<LandXML{space} version="1.2">{units}{more}'
    return f"{head}\n<CgPoints>\n{points}\n</CgPoints>\n</LandXML>"


def changed(**keys):
    return {**RECIPE, "input": {**RECIPE["input"], **keys}}


@pytest.fixture
def read(tmp_path):
    def reader(content, recipe=RECIPE, name="site.xml", **parameters):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        assert LandXmlReader.sniff(path, path.read_bytes()[:4096]) > 0.6
        return checked(path, recipe, **parameters)

    return reader


def checked(path, recipe=RECIPE, **parameters):
    result = LandXmlReader(**parameters).read(path, job_from_table(recipe))
    rows = result.accounts["rows"]
    assert rows["read"] == rows["used"] + rows["set_aside"]
    assert (rows["used"], rows["set_aside"]) == (len(result.frames["occupations"]), len(result.frames["set_aside"]))
    return result


@pytest.mark.parametrize("namespace", ["1.0", "1.1", "1.2", ""])
def test_a_point_of_every_version(read, namespace):
    row = read(document(namespace=namespace)).frames["occupations"].iloc[0]
    assert (row["easting_m"], row["northing_m"], row["height_m"]) == (1800000.12, 5690000.25, 300.5)
    assert (row["point"], row["code"], row["source_line"]) == ("P1", "PEG", 4)
    assert row["resolution_h_m"] == pytest.approx(0.001)


def test_duplicates_are_all_kept_and_groups_are_named(read):
    inner = f'<CgPoints name="second">{POINT}</CgPoints>'
    result = read(document(f"{POINT}\n{POINT}\n{inner}"))
    found = result.frames["occupations"]
    assert list(found["point"]) == ["P1"] * 3
    assert found["group"].tolist()[2] == "second"
    assert found["source_line"].tolist() == [4, 5, 6]


def test_points_on_one_line_are_counted_instead(read):
    result = read(document(POINT * 3))
    assert result.frames["occupations"]["source_line"].tolist() == [1, 2, 3]
    assert any("source_line counts the points" in text for text in result.messages)


def test_points_without_a_place_are_set_aside(read):
    odd = (
        '<CgPoint name="A"/>\n<CgPoint name="B">1 2 3 4</CgPoint>\n<CgPoint name="C" pntRef="P1"/>\n'
        '<CgPoint name="D">one two</CgPoint>\n<CgPoint>1 2</CgPoint>\n<CgPoint name="E">1 1e999</CgPoint>'
    )
    aside = read(document(f"{POINT}\n{odd}")).frames["set_aside"]
    assert list(aside["reason"]) == [
        "holds '' where northing, easting and elevation must stand",
        "holds '1 2 3 4' where northing, easting and elevation must stand",
        "refers to another point and has no coordinates of its own",
        "easting is not a number",
        "point has no name",
        "easting is infinite",
    ]
    assert aside["row"].iloc[3] == "name = D; northing = one; easting = two"


UNITS = [
    ('<Metric linearUnit="meter"/>', "m"),
    ('<Imperial linearUnit="foot"/>', "ft"),
    ('<Imperial linearUnit="USSurveyFoot"/>', "ftUS"),
]


@pytest.mark.parametrize(("written", "unit"), UNITS)
def test_units_must_be_the_recipes(read, written, unit):
    north, east = ("5690000.250", "1800000.120") if unit == "m" else ("18668000.250", "5905500.120")
    point = POINT.replace("5690000.250 1800000.120", f"{north} {east}")
    text = document(points=point, units=f"<Units>{written}</Units>")
    size = {"m": Fraction(1), "ft": Fraction(3048, 10000), "ftUS": Fraction(1200, 3937)}[unit]
    found = read(text, changed(unit=unit)).frames["occupations"].iloc[0]
    assert found["northing_m"] == pytest.approx(float(Fraction(north) * size), abs=1e-9)
    for other in {"m", "ft", "ftUS"} - {unit}:
        with pytest.raises(
            InputError, match=rf"\[input\] unit: is '{other}', and the file counts in .*unit = \"{unit}\""
        ):
            read(text, changed(unit=other))


def test_units_that_are_none_or_strange(read):
    assert any("states no unit" in text for text in read(document(units="")).messages)
    with pytest.raises(InputError, match=r"Units: the file counts in 'metric parsec'"):
        read(document(units='<Units><Metric linearUnit="parsec"/></Units>'))
    with pytest.raises(InputError, match=r"the file counts in units of 1000 m\. Export the file in metres or feet"):
        read(document(units='<Units><Metric linearUnit="kilometer"/></Units>'))
    feet = '<Units><Metric linearUnit="meter" elevationUnit="feet"/></Units>'
    mapped = {"point": "name", "easting": "easting", "northing": "northing", "height": "elevation"}
    with pytest.raises(InputError, match=r"unit_height: is 'm', and the file's heights are in international feet"):
        read(document(units=feet), changed(columns=mapped))


def test_a_stated_system_must_be_the_recipes(read):
    assert read(document(more='<CoordinateSystem epsgCode="2193"/>')).accounts["rows"]["used"] == 1
    with pytest.raises(InputError, match="the file is in WGS 84 / UTM zone 60S"):
        read(document(more='<CoordinateSystem epsgCode="EPSG:32760"/>'))
    with pytest.raises(InputError, match="epsgCode: the file states a coordinate system that is not known"):
        read(document(more='<CoordinateSystem epsgCode="99999999"/>'))


GPS = """<Survey><SurveyHeader/>
<GPSPosition setupID="s1" wgsLatitude="-41" wgsLongitude="174" wgsHeight="1"><TargetPoint pntRef="P1"/>
<GPSQCInfoLevel1 GPSSolnType="Network Fixed" nbrSatellites="17" RDOP="1.9"/></GPSPosition>
<GPSVector dX="1" dY="2" dZ="3" setupID_A="b" setupID_B="s2" horizontalPrecision="0.011" verticalPrecision="0.02">
<TargetPoint name="P2"/><GPSQCInfoLevel2 GPSSolnType="Float" nbrSatellites="6" RMS="0.02" covarianceXX="1"/></GPSVector>
<GPSVector dX="1" dY="2" dZ="3"><TargetPoint name="P3"/><GPSQCInfoLevel1 GPSSolnType="Fixed"/></GPSVector>
<GPSVector dX="1" dY="2" dZ="3"><TargetPoint name="P3"/><GPSQCInfoLevel1 GPSSolnType="Float"/></GPSVector>
</Survey>"""


def test_gps_elements_that_name_a_point_alone_add_their_quality(read):
    points = "\n".join(POINT.replace("P1", f"P{i}") for i in (1, 2, 3))
    columns = {
        "point": "name", "solution": "GPSSolnType", "satellites": "nbrSatellites",
        "precision_h": "horizontalPrecision", "easting": "easting", "northing": "northing",
    }  # fmt: skip
    recipe = changed(columns=columns, precision="sigma", values={"solution": {"Network Fixed": "fixed"}})
    result = read(document(points, more=GPS), recipe)
    found = result.frames["occupations"].set_index("point")
    assert found["solution"].tolist()[:2] == ["fixed", "float"]
    assert found["satellites"].tolist()[:2] == [17, 6]
    assert found.loc["P2", "sigma_e_m"] == 0.011
    assert found.loc["P1", "RDOP"] == "1.9"
    assert found.loc[["P3"], "solution"].isna().all()
    assert any("1 points are named by several GPS elements" in text for text in result.messages)


BOMB = "".join(f'<!ENTITY b{i} "{f"&b{i - 1};" * 10 if i else "ha"}">' for i in range(10))
HOSTILE = {
    "an entity bomb": f"<?xml version='1.0'?><!DOCTYPE LandXML [{BOMB}]><LandXML>&b9;</LandXML>",
    "an external entity": '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/passwd">]><LandXML>&x;</LandXML>',
    "an external type": '<!DOCTYPE LandXML SYSTEM "http://127.0.0.1:9/x.dtd"><LandXML/>',
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_document_type_ends_the_reading(read, text):
    with pytest.raises(InputError, match="holds a document type"):
        read(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("<a>" * 200, "no LandXML"),
        ("<LandXML>" + "<a>" * 100_000, "more than 100 deep"),
        (document(f'<CgPoint name="A">{"1" * 20_000}</CgPoint>'), "more than 10000 characters"),
        ("<LandXML/>", "holds no CgPoint"),
        ("<gpx/>", "is XML but no LandXML"),
        ('<LandXML xmlns="http://elsewhere"/>', "is XML but no LandXML"),
        ('<LandXML xmlns="http://www.landxml.org/schema/LandXML-2.0"/>', "no LandXML 1.0, 1.1 or 1.2"),
        ("", "is empty"),
        ("<LandXML>&b;</LandXML>", "undefined entity"),
        ('<?xml version="1.0" encoding="no-such"?><LandXML/>', "encoding"),
        (b"\x00\x01\x02", "no well-formed XML"),
        (b"\x1f\x8b\x08\x00cut", "gzip package ends before its end: it was cut off"),
    ],
)
def test_what_is_no_landxml_is_refused(read, text, says):
    with pytest.raises(InputError, match=says):
        read(text)


def test_what_unpacks_to_too_much_is_refused_before_it_is_held(read):
    bomb = gzip.compress(b"<LandXML>" + b" " * 20_000_000)
    assert len(bomb) < 30_000
    with pytest.raises(InputError, match=r"holds more than 5 MB.*max_megabytes under \[step\.landxml\]"):
        read(bomb, name="site.xml.gz", max_megabytes=5.0)


def test_a_package_has_the_same_bounds_as_every_compressed_file(read, monkeypatch):
    """However large a file may be, a few bytes may not become many: `geoqa.core.input_files` bounds the ratio."""
    monkeypatch.setattr(input_files, "ALWAYS", 2**20)
    sound = gzip.compress(document().encode())
    assert len(read(sound, name="site.xml.gz").frames["occupations"]) == 1
    bomb = gzip.compress(document(POINT + " " * 3_000_000).encode())
    with pytest.raises(InputError, match="unpacks to more than 1,048,576 bytes"):
        read(bomb, name="site.xml.gz")


def test_every_cut_and_every_flipped_byte_gives_only_our_errors(read):
    for whole in (document().encode(), gzip.compress(document().encode())):
        for end in range(0, len(whole) - 1, 5):
            with pytest.raises(InputError):
                read(whole[:end])
        for at in range(0, len(whole), 3):
            with contextlib.suppress(GeoqaError):
                read(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])


REAL = {"subdivision.xml": (639, "code"), "Partridge_Survey.xml.gz": (2896, "desc")}


@pytest.mark.parametrize("name", REAL)
@pytest.mark.skipif(not DATA.exists(), reason=f"{DATA} is not here")
def test_real_files_foot_to_metre_exact(name):
    """Origin: nathancrews/LandXML2glTF 69c1063, Apache-2.0; not part of this project. Read anew by another parser."""
    count, code = REAL[name]
    path = DATA / name
    content = gzip.decompress(path.read_bytes()) if name.endswith(".gz") else path.read_bytes()
    space = "{http://www.landxml.org/schema/LandXML-1.1}"
    points = list(ElementTree.fromstring(content).iter(f"{space}CgPoint"))
    feet = changed(unit="ft", columns={"point": "name", "code": code})
    result = checked(path, feet)
    found = result.frames["occupations"]
    assert result.accounts["rows"] == {"read": count, "used": count, "set_aside": 0}
    assert len(points) == count
    assert found["point"].tolist() == [point.get("name") for point in points]
    assert found["code"].astype(object).where(found["code"].notna(), None).tolist() == [
        p.get(code) or None for p in points
    ]
    for axis, column in enumerate(("northing_m", "easting_m", "height_m")):
        written = [point.text.split()[axis] for point in points]
        exact = [float(Fraction(text) * Fraction(3048, 10000)) for text in written]
        assert found[column].tolist() == pytest.approx(exact, rel=3e-16, abs=0)


def test_heights_that_nobody_maps_must_be_in_the_recipes_unit_too(read):
    feet = '<Units><Metric linearUnit="meter" elevationUnit="feet"/></Units>'
    with pytest.raises(InputError, match=r"unit_height: is 'm', and the file's heights are in international feet"):
        read(document(units=feet))
    assert read(document(units=feet), heights=False).frames["occupations"]["height_m"].isna().all()


def test_heights_above_another_datum_than_the_recipes_are_refused(read):
    def tall(datum):
        return document(more=f'<CoordinateSystem name="x" epsgCode="2193" verticalDatum="{datum}"/>')

    with pytest.raises(InputError, match="is 'NZVD2016', and the file's heights are 'Auckland 1946'"):
        read(tall("Auckland 1946"))
    for datum in ("NZVD2016 height", "", "unknown"):
        assert read(tall(datum)).accounts["rows"]["used"] == 1
    assert read(tall("Auckland 1946"), heights=False).accounts["rows"]["used"] == 1
