"""DXF, read back by ezdxf, whose audit must find nothing."""

from __future__ import annotations

import ezdxf
import numpy as np
import pytest
from ezdxf.entities import Text

from geoqa.outputs.deliver.dxf import DxfFile


def read(folder, points, job, **more):
    path = folder / "points.dxf"
    DxfFile(**more).write(path, points, job)
    drawing = ezdxf.readfile(path)
    audit = drawing.audit()
    assert not audit.has_errors and not audit.has_fixes
    return drawing


def attributes(insert):
    return {one.dxf.tag: one.dxf.text for one in insert.attribs}


def test_every_digit_comes_back_in_blocks_with_attributes(tmp_path, points, job):
    drawing = read(tmp_path, points, job)
    inserts = list(drawing.modelspace().query("INSERT"))
    places = np.array([tuple(one.dxf.insert) for one in inserts])
    np.testing.assert_array_equal(places, np.column_stack([points.easting, points.northing, points.height]))
    first = attributes(inserts[0])
    assert [attributes(one)["NAME"] for one in inserts] == list(points.field("point").values)
    assert first["STATUS"] == "confirmed"
    assert first["DELIVER"] == "yes"
    assert first["HEIGHT"] == points.field("height").written()[0]
    assert first["RADIUS95"] == points.field("radius95").written()[0]
    assert [one.dxf.tag for one in inserts[0].attribs if not one.is_invisible] == ["NAME"]
    assert {one.tag for one in drawing.blocks["CONFIRMED"].attdefs() for one in [one.dxf]} == set(first)


def test_a_point_stands_at_each_coordinate(tmp_path, points, job):
    """A program that makes points of the texts would put them metres away."""
    space = read(tmp_path, points, job).modelspace()
    places = np.array([tuple(one.dxf.location) for one in space.query("POINT")])
    np.testing.assert_array_equal(places, np.column_stack([points.easting, points.northing, points.height]))
    assert [one.dxf.layer for one in space.query("POINT")] == [one.dxf.layer for one in space.query("INSERT")]


def test_the_first_view_and_the_extents_hold_every_point(tmp_path, points, job):
    drawing = read(tmp_path, points, job)
    low, high = np.array(drawing.header["$EXTMIN"]), np.array(drawing.header["$EXTMAX"])
    every = np.column_stack([points.easting, points.northing, points.height])
    np.testing.assert_array_equal(low, every.min(0))
    np.testing.assert_array_equal(high, every.max(0))
    (view,) = drawing.viewports.get("*Active")
    middle, tall = np.array(tuple(view.dxf.center)), view.dxf.height
    assert (np.abs(every[:, 1] - middle[1]) < tall / 2).all()
    assert (np.abs(every[:, 0] - middle[0]) < tall * 4 / 3 / 2).all()


@pytest.mark.parametrize(("unit", "code", "metric"), [("m", 6, 1), ("ft", 2, 0), ("ftUS", 21, 0)])
def test_the_head_says_the_unit(tmp_path, otherwise, unit, code, metric):
    job, points = otherwise(unit=unit)
    drawing = read(tmp_path, points, job)
    assert drawing.header["$INSUNITS"] == code
    assert drawing.header["$MEASUREMENT"] == metric
    # A circle half a metre wide, in whatever unit.
    (circle, _) = drawing.blocks["CONFIRMED"].query("CIRCLE")
    assert circle.dxf.radius * {"m": 1, "ft": 0.3048, "ftUS": 1200 / 3937}[unit] == pytest.approx(0.25)


def test_layers_by_status_and_held_points_apart(tmp_path, every, job):
    drawing = read(tmp_path, every, job)
    layers = {attributes(one)["NAME"]: one.dxf.layer for one in drawing.modelspace().query("INSERT")}
    assert layers["A1"] == "CONFIRMED"
    assert layers["S1"] == "UNPROVEN-NOT-DELIVERED"
    assert all(one.dxf.name == one.dxf.layer for one in drawing.modelspace().query("INSERT"))
    bars = {name: len(drawing.blocks[name].query("LINE")) for name in ("CONFIRMED", "UNPROVEN-NOT-DELIVERED")}
    assert bars == {"CONFIRMED": 1, "UNPROVEN-NOT-DELIVERED": 0}  # the mark of delivery
    assert "K1" not in layers  # no coordinate
    assert set(layers.values()) <= {layer.dxf.name for layer in drawing.layers}


def test_what_this_is_stands_in_the_head(tmp_path, points, job):
    drawing = read(tmp_path, points, job)
    assert ("Coordinate system", "EPSG:2193 NZGD2000 / New Zealand Transverse Mercator 2000") in (
        drawing.header.custom_vars.properties
    )


def test_heights_in_the_unit_of_the_drawing(tmp_path, otherwise):
    job, points = otherwise(unit="ftUS", unit_height="m")
    insert = read(tmp_path, points, job).modelspace().query("INSERT")[0]
    assert insert.dxf.insert.z == round(points.height[0] * 3937 / 1200, 4)
    assert attributes(insert)["HEIGHT"] == points.field("height").written()[0]


def test_no_points_are_a_whole_drawing(tmp_path, empty, job):
    assert len(read(tmp_path, empty, job).modelspace()) == 0


def test_hostile_names_switch_nothing(tmp_path, hostile, names, job):
    inserts = list(read(tmp_path, hostile, job).modelspace().query("INSERT"))
    assert len(inserts) == len(names)
    for insert, name in zip(inserts, names, strict=True):
        (shown,) = [one for one in insert.attribs if one.dxf.tag == "NAME"]
        assert isinstance(shown, Text)
        # As a viewer shows it, once its switches have been taken out: the same text, so there were none.
        assert shown.plain_text() == shown.dxf.text
        assert "\n" not in shown.dxf.text
        plain = {"\\": "＼", "^": "＾"}
        if name.isprintable():
            assert shown.dxf.text == name.replace("%%", "％％").translate(str.maketrans(plain))


def test_the_size_of_symbols_can_be_chosen(tmp_path, points, job):
    drawing = read(tmp_path, points, job, symbol_m=2.0)
    assert drawing.blocks["CONFIRMED"].query("CIRCLE")[0].dxf.radius == 1.0


def test_the_librarys_own_settings_are_left_as_they_were(tmp_path, points, job):
    before = ezdxf.options.write_fixed_meta_data_for_testing
    DxfFile().write(tmp_path / "a.dxf", points, job)
    assert ezdxf.options.write_fixed_meta_data_for_testing == before
