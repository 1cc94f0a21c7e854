"""The table of measured checks, and rows of total stations and levels: every fault with its line, nothing guessed."""

import numpy as np
import pandas as pd
import pytest
from analysis.builders import job, occupations

from geoqa.core import geodesy
from geoqa.core.errors import InputError
from geoqa.core.frames import schema
from geoqa.core.site import assembly
from geoqa.readers.companions import read_checks

HEAD = "from,to,at,kind,value,unit,sigma,method,instrument,who,when,note"


def written(tmp_path, *lines, head=HEAD):
    path = tmp_path / "checks.csv"
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


def test_rows_are_kept_as_read_and_missing_columns_are_null(tmp_path):
    rows = (
        "A,B,,horizontal distance,12.345,ftUS,0.02,tape,T1,AB,2026-02-09,",
        "A,C,B,angle,90.5,gon,,,,,,turned twice",
    )
    found = read_checks(written(tmp_path, *rows))
    schema.check("checks", found)
    assert found[["from", "to", "kind", "unit"]].iloc[0].tolist() == ["A", "B", "horizontal distance", "ftUS"]
    assert found["value"].tolist() == [12.345, 90.5]
    assert found["sigma"].isna().tolist() == [False, True]
    assert found["source_line"].tolist() == [2, 3]
    bare = read_checks(written(tmp_path, "A,B,record distance,5,m", head="from,to,kind,value,unit"))
    assert bare[["at", "method", "instrument", "who", "when", "note"]].isna().all(axis=None)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("A,B,,distance,5,m,0.01,,,,,", "line 2: kind is 'distance'"),
        ("A,B,,angle,5,deg,0.01,,,,,", "line 2: does not name its points"),
        ("A,B,C,angle,5,m,0.01,,,,,", "line 2: unit is 'm'. Write one of deg, gon"),
        ("A,B,,slope distance,5,deg,0.01,,,,,", "line 2: unit is 'deg'. Write one of m, ft, ftUS"),
        ("A,A,,slope distance,5,m,0.01,,,,,", "names 'A' twice"),
        ("A,B,C,slope distance,5,m,0.01,,,,,", "at is 'C'"),
        ("A,B,,slope distance,-5,m,0.01,,,,,", "A distance is above zero"),
        ("A,B,,slope distance,five,m,0.01,,,,,", "value is 'five'"),
        ("A,B,,slope distance,nan,m,0.01,,,,,", "value is 'nan'"),
        ("A,B,,slope distance,1e300,m,0.01,,,,,", "value is '1e300'"),
        ("A,B,,slope distance,5,m,0,,,,,", "sigma is 0"),
        (",B,,slope distance,5,m,0.01,,,,,", "does not name its points"),
        ("=cmd|' /C calc'!A0,B,,slope distance,5,m,0.01,,,,,,,,", "cells, and there are"),
    ],
)
def test_what_is_no_measurement_is_refused_with_its_line(tmp_path, row, said):
    with pytest.raises(InputError) as caught:
        read_checks(written(tmp_path, row))
    assert said in str(caught.value)


def test_a_name_that_looks_like_markup_stays_a_name(tmp_path):
    found = read_checks(written(tmp_path, '"{{ 7*7 }}","</script>",,slope distance,5,m,0.01,"=1+1",,,,'))
    assert found[["from", "to", "method"]].iloc[0].tolist() == ["{{ 7*7 }}", "</script>", "=1+1"]


def row(p, e, n, u, **more):
    return {"p": p, "e": e, "n": n, "u": u, "s": 0.003, "sv": 0.007, "resolution_h_m": 0.001} | more


def test_rows_of_a_total_station_are_a_distance_an_angle_and_a_rise_from_its_station():
    known = {"origin": "control", "t": None, "fix": None}
    rows = [row("S", 0, 0, 0, **known), row("O", 0, 50, 1, **known), row("P", 30, 0, 2, method="total station", t=9)]
    rows.append(row("Q", 10, 10, -1.5, method="level", t=11))
    frame = occupations(rows).assign(
        station=pd.Series([None, None, "S", "S"], dtype="str"),
        orientation=pd.Series([None, None, "O", None], dtype="str"),
    )
    frame, made, *_ = assembly.occupations([frame], job())
    found, said = assembly.measured_from(frame, made, None)
    assert said == ()
    schema.check("checks", found)
    told = found.set_index(["to", "kind"])
    scale = geodesy.grid_over_ground(made.site, made.grid, np.array([[1_600_015.0, 5_400_000.0, 101.0]]))[0]
    assert told.loc[("P", "horizontal distance"), "value"] == pytest.approx(30 / scale, abs=1e-9)
    assert told.loc[("P", "angle"), ["value", "from", "at"]].tolist() == [pytest.approx(90.0), "O", "S"]
    assert told.loc[("P", "angle"), "sigma"] == pytest.approx(np.degrees(0.003 / 30))
    assert told.loc[("P", "height difference"), ["value", "sigma"]].tolist() == [pytest.approx(2.0), 0.007]
    assert told.loc[("Q", "height difference"), "value"] == pytest.approx(-1.5)
    assert len(found) == 4
    assert (found["source_file"] == "field.csv").all()
    # Without such rows there is nothing, and a table given stays as it is.
    assert assembly.measured_from(frame.assign(method="direct"), made, None) == (None, ())
    # Nor of the point itself, of a stranger, or without a station.
    strange = frame.assign(station=pd.Series([None, None, "P", "nobody"], dtype="str"))
    found, said = assembly.measured_from(strange.sort_values("occupation_id"), made, None)
    assert found is None
    assert said == (
        "2 rows of a total station or a level name no other point with a coordinate as their station: they say "
        "nothing: P, Q",
    )
