"""The record: each point on a line, its visits side by side, in the job's unit and time zone, and no text that acts."""

import csv

import pytest

import geoqa
from geoqa.outputs import record

HOSTILE = "=HYPERLINK(1)</td>{{7*7}}"
#: A local frame in US survey feet, clocks of Denver; CP is known from before, B's name acts where it is let.
ROWS = f"""Mark,E,N,H,Start,End,Init,Base,Crew,SH,SV,Origin,AntHt
CP,100.000,200.000,50.000,,,,,,0.010,0.020,control,
CP,100.010,200.020,50.030,2026-03-02 08:00:00,2026-03-02 08:00:30,i1,B1,KR,0.020,0.030,measured,6.56
A,300.000,400.000,60.000,2026-03-02 09:00:00,2026-03-02 09:01:30,i2,B1,KR,0.020,0.030,measured,6.56
A,300.004,400.003,60.011,2026-03-02 09:03:00,2026-03-02 09:03:45,i3,B1,KR,0.021,0.031,measured,6.56
A,300.030,400.040,59.980,2026-03-02 15:00:00,2026-03-02 15:02:00,i4,B2,TM,0.022,0.032,measured,6.60
{HOSTILE},500.000,600.000,70.000,2026-03-02 10:00:00,2026-03-02 10:00:20,i5,B1,KR,0.020,0.030,measured,6.56
CP,100.030,200.040,50.050,2026-03-02 16:00:00,2026-03-02 16:00:30,i6,B2,TM,0.020,0.030,measured,6.60
"""
RECIPE = {
    "site": {"name": "Feet", "crs": "local", "height": "local"},
    "input": {
        "unit": "ftUS", "precision": "sigma", "timezone": "America/Denver", "initialization": "column",
        "columns": {
            "point": "Mark", "easting": "E", "northing": "N", "height": "H", "start": "Start", "end": "End",
            "initialization": "Init", "base": "Base", "operator": "Crew", "sigma_e": "SH", "sigma_n": "SH",
            "sigma_u": "SV", "origin": "Origin", "antenna_height": "AntHt",
        },
    },
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.05, "vertical_m": 0.10},
    "control": {"source": "an earlier survey", "oriented_by": []},
    "procedure": {"occupations": 2, "separation_min": 30.0, "pdop": 3.0},
}  # fmt: skip


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("feet")
    (folder / "rows.csv").write_text(ROWS, encoding="utf-8")
    return geoqa.review(folder / "rows.csv", RECIPE)


@pytest.fixture(scope="module")
def lines(reviewed, tmp_path_factory):
    out = tmp_path_factory.mktemp("out")
    reviewed.write(out)
    with (out / "record.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_each_point_stands_on_one_line(lines, reviewed):
    assert [line["point"].lstrip("'") for line in lines] == reviewed.frames["points"]["point"].tolist()
    assert {line["visits"] for line in lines} == {"2", "1"}


def test_a_visit_has_its_time_fix_base_duration_and_crew(lines):
    one = next(line for line in lines if line["point"] == "A")
    assert one["visit_1_start"] == "2026-03-02 09:00"  # clocks of Denver, as the file has them
    assert one["visit_1_initialization"] == "i2, i3" and one["visit_2_initialization"] == "i4"
    assert (one["visit_1_base"], one["visit_2_base"]) == ("B1", "B2")
    assert (one["visit_1_duration_s"], one["visit_2_duration_s"]) == ("90", "120")  # the longest occupation of each
    assert one["crews"] == "KR, TM" and one["visit_2_crew"] == "TM"
    assert one["visit_2_separation_min"] == "356.3"  # 09:03:45 to 15:00:00 is 356.25


def test_a_closure_is_from_the_first_visit_in_the_jobs_unit(lines):
    one = next(line for line in lines if line["point"] == "A")
    assert float(one["visit_2_closure_horizontal_ftUS"]) == pytest.approx(0.05, abs=1e-4)  # 0.030 and 0.040
    assert float(one["visit_2_closure_height_ftUS"]) == pytest.approx(-0.02, abs=1e-4)


def test_check_shots_before_and_after_are_of_the_same_day_and_base(lines):
    one = next(line for line in lines if line["point"] == "A")
    assert one["visit_1_check_before"] == "CP 08:00, 0.022 ftUS off"  # 0.010 and 0.020
    assert one["visit_1_check_after"] == ""  # what came after was of another base
    assert one["visit_2_check_before"] == "" and one["visit_2_check_after"] == "CP 16:00, 0.050 ftUS off"


def test_the_procedure_and_what_is_missing(lines):
    by_name = {line["point"].lstrip("'"): line for line in lines}
    assert by_name["A"]["procedure"] == "not shown" and by_name["A"]["procedure_lacks"].startswith("not shown: PDOP")
    assert by_name[HOSTILE]["procedure"] == "no" and "1 visit (asked: 2 visits" in by_name[HOSTILE]["procedure_lacks"]
    assert by_name["CP"]["procedure"] == ""  # known from before: not asked


def test_no_name_acts(lines):
    assert any(line["point"] == f"'{HOSTILE}" for line in lines)


def test_the_annex_says_the_same_in_longer_cells(reviewed):
    told = record.lines(reviewed.frames, reviewed.job, 10).set_index("point")
    assert told.loc["A", "visits"] == (
        "1: 2026-03-02 09:00, B1, i2, i3, KR, 1 min 30 s; 2: 2026-03-02 15:00, B2, i4, TM, 2 min"
    )
    assert told.loc["A", "apart"] == "2: 5 h 56 min"
    assert told.loc["A", "closure"] == "2: 0.050 ftUS, -0.020 ftUS up"
    assert len(record.lines(reviewed.frames, reviewed.job, 1)) == 1


def test_visits_beyond_those_with_columns_are_told_in_one_cell(tmp_path):
    head = "Mark,E,N,Start,Init\n"
    rows = [f"A,10.00{k},20.000,2026-03-0{k + 1} 08:00:00,i{k}" for k in range(record.MOST_VISITS + 2)]
    (tmp_path / "rows.csv").write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    columns = {"point": "Mark", "easting": "E", "northing": "N", "start": "Start", "initialization": "Init"}
    made = geoqa.review(
        tmp_path / "rows.csv",
        {
            "site": {"crs": "local"}, "tolerance": {"horizontal_m": 0.05},
            "requirement": {"horizontal_m": 0.05, "judge": "h"}, "report": {"network_base": "network, base not known"},
            "input": {
                "unit": "m", "precision": "none", "initialization": "column", "timezone": "UTC", "columns": columns,
            },
        },
    )  # fmt: skip
    fields = {field.key: list(field.values) for field in record.fields(made.frames, made.job)}
    assert f"visit_{record.MOST_VISITS}_start" in fields and f"visit_{record.MOST_VISITS + 1}_start" not in fields
    assert fields["further_visits"] == [
        "2026-03-07 08:00, network, base not known, i6; 2026-03-08 08:00, network, base not known, i7"
    ]
    assert fields["visit_1_base"] == ["network, base not known"]
    assert "procedure" not in fields


def test_rows_that_are_copies_are_no_visits(tmp_path):
    rows = ROWS.replace("300.030,400.040,59.980,2026-03-02 15:00:00,2026-03-02 15:02:00,i4,B2,TM,0.022,0.032",
                        "300.000,400.000,60.000,,,i2,B1,KR,0.020,0.030")  # fmt: skip
    (tmp_path / "rows.csv").write_text(rows, encoding="utf-8")
    made = geoqa.review(tmp_path / "rows.csv", RECIPE)
    seen = record.visits(made.frames, made.job)
    at = made.frames["points"]["point"].tolist().index("A")
    assert seen.loc[seen["at"] == at, "occupations"].tolist() == [2]


def test_what_is_required_and_missing_is_told_where_the_point_is_to_be_observed_again(tmp_path):
    (tmp_path / "rows.csv").write_text(ROWS, encoding="utf-8")
    asked = {"occupations": 2, "separation_min": 600.0, "duration_s": 150.0, "required": ["occupations"]}
    made = geoqa.review(tmp_path / "rows.csv", RECIPE | {"procedure": asked})
    point = made.frames["points"].set_index("point").loc["A"]
    assert (point["deliver"], point["deliver_key"]) == ("no", "procedure")
    row = made.frames["revisits"].set_index("point").loc["A"]
    assert (
        "not met: occupations 1 visit (asked: 2 visits, 10 h apart or more); time between 5 h 56 min" in row["reason"]
    )
    assert row["observe_s"] >= 150
    # Not before ten hours after the last visit ended, at 15:02 in Denver.
    assert row["earliest_utc"].tz_convert("America/Denver").strftime("%d %H:%M") == "03 01:02"
    assert made.counts["procedure"] == {"yes": 0, "no": 2, "not shown": 0}
