"""LandXML, read back by lxml and by geoqa's own reader."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import standards
from lxml import etree

from geoqa.core.units import METRES_PER
from geoqa.outputs.deliver.landxml import LandXmlFile
from geoqa.readers.landxml import LandXmlReader

SPACE = {"l": "http://www.landxml.org/schema/LandXML-1.2"}


def write(folder, points, job):
    path = folder / "points.xml"
    LandXmlFile().write(path, points, job)
    return path


def parsed(path):
    return etree.parse(str(path), etree.XMLParser(resolve_entities=False)).getroot()


def properties(root, name):
    found = root.xpath("//l:Feature[@name=$name]/l:Property", namespaces=SPACE, name=name)
    return {one.get("label"): one.get("value") for one in found}


@pytest.mark.parametrize("which", ["points", "every", "empty", "hostile"])
def test_the_schema_of_the_standard_accepts_it(tmp_path, request, job, which):
    standards.validate(write(tmp_path, request.getfixturevalue(which), job), "LandXML 1.2")


@pytest.mark.parametrize("unit", ["ft", "ftUS"])
def test_the_schema_accepts_it_in_feet(tmp_path, otherwise, unit):
    job, points = otherwise(unit=unit, unit_height="m", crs="EPSG:6597")
    standards.validate(write(tmp_path, points, job), "LandXML 1.2")


def test_an_independent_parser_finds_every_digit(tmp_path, points, job):
    root = parsed(write(tmp_path, points, job))
    found = root.findall(".//l:CgPoint", SPACE)
    assert [one.get("name") for one in found] == list(points.field("point").values)
    numbers = np.array([[float(part) for part in one.text.split()] for one in found])
    # Northing, easting, elevation: the order of the format.
    np.testing.assert_array_equal(numbers, np.column_stack([points.northing, points.easting, points.height]))
    told = properties(root, found[0].get("featureRef"))
    assert told["status"] == "confirmed"
    assert told["deliver"] == "yes"
    assert told["Role"] == "corner"
    assert told["radius95_m"] == points.field("radius95").written()[0]
    assert found[0].get("eastingStdError") == points.field("sigma_e").written()[0]
    assert found[0].get("elevationStdError") == points.field("sigma_u").written()[0]


def test_the_head_says_unit_system_and_what_this_is(tmp_path, points, job):
    root = parsed(write(tmp_path, points, job))
    assert root.get("version") == "1.2"
    assert (root.get("date"), root.get("time")) == ("2026-02-03", "13:00:00")  # of the last occupation, not of today
    system = root.find("l:CoordinateSystem", SPACE)
    assert system.get("epsgCode") == "2193"
    assert system.get("verticalDatum") == "NZVD2016"
    assert [child.tag.split("}")[1] for child in root][:2] == ["Units", "CoordinateSystem"]
    assert "Precision is not accuracy." in {
        one.get("value") for one in root.xpath("//l:Project//l:Property", namespaces=SPACE)
    }


@pytest.mark.parametrize(
    ("unit", "element", "linear", "elevation"),
    [
        ("m", "Metric", "meter", "meter"),
        ("ft", "Imperial", "foot", "feet"),
        ("ftUS", "Imperial", "USSurveyFoot", "feet"),
    ],
)
def test_units_in_the_formats_words(tmp_path, otherwise, unit, element, linear, elevation):
    job, points = otherwise(unit=unit, crs="EPSG:6597")
    root = parsed(write(tmp_path, points, job))
    (units,) = root.find("l:Units", SPACE)
    assert units.tag.endswith(element)
    assert units.get("linearUnit") == linear
    assert units.get("elevationUnit") == elevation  # the schema's default is metres


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_our_own_reader_has_the_same_points(tmp_path, otherwise, unit):
    job, points = otherwise(unit=unit, columns={"point": "name", "easting": "easting", "northing": "northing"})
    form = replace(job.input, initialization="unknown")
    reading = replace(job, columns={"point": "name"}, values={}, roles={}, input=form)
    result = LandXmlReader().read(write(tmp_path, points, job), reading)
    back = result.frames["occupations"]
    assert list(back["point"]) == list(points.field("point").values)
    for column, values in (("easting_m", points.easting), ("northing_m", points.northing), ("height_m", points.height)):
        np.testing.assert_allclose(back[column], values * METRES_PER[unit], rtol=1e-15)
    assert result.accounts["rows"] == {"read": 5, "used": 5, "set_aside": 0}


def test_a_document_has_one_unit(tmp_path, otherwise):
    job, points = otherwise(unit="ftUS", unit_height="m")
    root = parsed(write(tmp_path, points, job))
    first = root.find(".//l:CgPoint", SPACE)
    assert float(first.text.split()[2]) == round(points.height[0] * 3937 / 1200, 4)
    rise = points.field("sigma_u").values[0] * 3937 / 1200
    assert float(first.get("elevationStdError")) == pytest.approx(rise, abs=1e-4)


def test_points_without_a_coordinate_are_left_out_and_held_ones_marked(tmp_path, every, job):
    root = parsed(write(tmp_path, every, job))
    found = {one.get("name"): one for one in root.findall(".//l:CgPoint", SPACE)}
    assert set(found) == {"A1", "A2", "b 3", "B4", "Ç5", "S1"}
    assert properties(root, found["S1"].get("featureRef"))["deliver"] == "no"
    assert root.find("l:CgPoints", SPACE).get("name") == "all"


def test_a_point_without_a_height_has_two_numbers(tmp_path, points, job):
    flat = replace(points, height=np.full(len(points), np.nan))
    assert len(parsed(write(tmp_path, flat, job)).find(".//l:CgPoint", SPACE).text.split()) == 2


def test_no_points_are_a_whole_document(tmp_path, empty, job):
    assert parsed(write(tmp_path, empty, job)).findall(".//l:CgPoint", SPACE) == []


def test_hostile_names_come_back(tmp_path, hostile, names, job):
    job = replace(job, site=replace(job.site, name=names[4], height="NZVD<2016>"))
    root = parsed(write(tmp_path, hostile, job))
    back = [one.get("name") for one in root.findall(".//l:CgPoint", SPACE)]
    impossible = {"\x00": "⟨U+0000⟩", "\x07": "⟨U+0007⟩", "\x1b": "⟨U+001B⟩", "\ufffe": "⟨U+FFFE⟩", "\ud800": "\ufffd"}
    assert back == [name.translate(str.maketrans(impossible)) for name in names]
    assert root.find("l:Project", SPACE).get("name") == names[4]
    assert root.findall(".//{*}script") == []
