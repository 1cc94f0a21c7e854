"""Messy files of a first-time user: the recipe is written from `geoqa recipe` and the messages alone.

Each test is the whole way of one file and holds how many tries the review takes until it runs.
"""

from __future__ import annotations

import csv

import pytest

from geoqa.cli import main

#: Semicolons, decimal commas, lines before the headings, German headings, Windows-1252.
FOREST = """\
Projekt: Waldstück Süd;;;;;;;
Export vom 03.03.2026;;;;;;;

Punkt-Nr.;Rechtswert;Hochwert;Höhe;Lagegenauigkeit;Höhengenauigkeit;Datum/Uhrzeit;Bemerkung
GP 1;560210,003;5801234,009;82,101;0,011;0,018;02.03.2026 08:05:00;
GP 2;560260,011;5801201,002;83,412;0,012;0,019;02.03.2026 08:15:00;unter Buche
GP 3;560301,004;5801180,001;84,003;0,011;0,018;02.03.2026 08:25:00;unter Buche
GP 1;560210,010;5801234,001;82,090;0,011;0,018;02.03.2026 14:05:00;
GP 2;560260,002;5801201,008;83,399;0,012;0,019;02.03.2026 14:15:00;unter Buche
GP 3;560301,412;5801180,205;84,310;0,011;0,018;02.03.2026 14:25:00;"unter Buche; Ast"
"""
#: US survey feet, no headings, name, northing, easting, elevation and description, nothing else.
COUNTY = """\
101,1842310.12,6512345.01,512.30,IP FND
102,1842433.20,6512468.11,515.91,RB SET
103,1842601.33,6512617.25,520.22,"PIPE, BENT"
101,1842310.15,6512344.98,512.36,IP FND
102,1842433.18,6512468.13,515.95,RB SET
103,1842602.30,6512617.20,520.28,"PIPE, BENT"
"""
#: Tabs, degrees, latitude first, DRMS in millimetres, clock with AM and PM.
RIDGE = """\
Pt\tLat\tLon\tEll Ht\tHRMS (mm)\tVRMS (mm)\tDate Time\tFix No\tFix
N-1\t-41.291111100\t174.781111100\t121.003\t14\t20\t2/11/2026 8:05:00 AM\t1\tRTK Fixed
N-2\t-41.292111100\t174.782111100\t125.011\t15\t21\t2/11/2026 8:15:00 AM\t2\tRTK Fixed
N-1\t-41.291111180\t174.781111020\t121.010\t14\t20\t2/11/2026 1:40:00 PM\t3\tRTK Fixed
N-2\t-41.292111020\t174.782111190\t124.998\t15\t21\t2/11/2026 1:50:00 PM\t4\tRTK Float
"""
#: A crew with the date apart from the time of day, decimal commas and words of its own for a fix.
CREWS = """\
Punkt\u00a0Nr;Ost (m);Nord (m);Höhe (m);HRMS (cm);VRMS (cm);Date;Time;Fix
T1;1600020,003;5400000,009;82,101;1,1;1,8;09.02.2026;08:05;FIX
T2;1600060,011;5400030,002;83,412;1,2;1,9;09.02.2026;08:15;4
T1;1600020,010;5400000,001;82,090;1,1;1,8;09.02.2026;14:05;Fixed RTK
T2;1600060,412;5400030,008;83,399;1,2;1,9;09.02.2026;14:15;4
"""
#: Longitudes west as dd.mmss, two columns of one heading, and precisions with their unit in the note.
NIGHT = """\
Name,Longitude,Latitude,Ell Ht (m),Ell Ht (m),Time,Remarks
P1,107.0010123456 W,38.5712123456 N,2900.101,1,23:40:00,HRMS:0.8cm VRMS:1.4cm
P2,107.0011123456 W,38.5713123456 N,2901.101,1,23:55:00,HRMS:0.9cm VRMS:1.5cm
P1,107.0010123458 W,38.5712123459 N,2900.109,1,00:05:00,HRMS:0.8cm VRMS:1.4cm
P2,107.0011123455 W,38.5713123458 N,2901.093,1,00:20:00,HRMS:0.9cm VRMS:1.5cm
"""
#: US survey feet by characters, northing first, what it is precise to in millimetres in a note.
PLAT = """\
Point    Northing     Easting     Elev Day        Clock    Remark
201    1842310.12  6512345.01   512.30 02/09/2026 08:10:00 HP 14 VP 22
202    1842433.20  6512468.11   515.91 02/09/2026 08:20:00 HP 12 VP 20
201    1842310.15  6512345.05   512.36 02/09/2026 13:10:00 HP 15 VP 25
202    1842433.18  6512468.93   515.95 02/09/2026 13:20:00 HP 11 VP 19
"""
JUDGED = {
    "tolerance horizontal_m": "0.05", "tolerance vertical_m": "0.08", "convention": '"closure"',
    "requirement horizontal_m": "0.05", "requirement vertical_m": "0.10", "confidence": "0.95",
}  # fmt: skip


class Newcomer:
    """Proposes a recipe, fills in what it asks, adds lines, and counts the tries of the review."""

    def __init__(self, folder, capsys, content):
        self.folder, self.capsys, self.tries = folder, capsys, 0
        self.data, self.recipe = folder / "field.txt", folder / "site.toml"
        self.data.write_bytes(content)
        assert main(["recipe", str(self.data), "--out", str(self.recipe)]) == 0
        self.lines = self.recipe.read_text(encoding="utf-8").splitlines()

    def fill(self, answers):
        """Answer every open line, by its key or by table and key; an open line without an answer fails."""
        table, used = "", set()
        for i, line in enumerate(self.lines):
            table = line.strip("[]") if line.startswith("[") else table
            key, _, rest = line.partition(" = ")
            if rest.startswith('"?"'):
                asked = f"{table} {key}" if f"{table} {key}" in answers else key
                self.lines[i] = f"{key} = {answers[asked]}"
                used.add(asked)
        assert used == set(answers)

    def add(self, table, line):
        self.lines.insert(self.lines.index(f"[{table}]") + 1, line)

    def review(self):
        """Return the exit code and what was said."""
        self.tries += 1
        self.recipe.write_text("\n".join(self.lines), encoding="utf-8")
        self.capsys.readouterr()
        code = main(["review", str(self.data), "-r", str(self.recipe), "-o", str(self.folder / "out"), "-v"])
        return code, "".join(self.capsys.readouterr())

    def points(self):
        with (self.folder / "out" / "points.csv").open(encoding="utf-8", newline="") as file:
            return {row["point"]: row for row in csv.DictReader(file)}


def test_a_german_export_with_decimal_commas(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, FOREST.replace("\n", "\r\n").encode("cp1252"))
    user.fill(
        JUDGED | {"crs": '"EPSG:25832"', "height": '"DHHN2016"', "unit": '"m"', "timezone": '"Europe/Berlin"',
                  "initialization": '"asserted"', "precision": '"drms"', "precision_v": '"sigma"'}
    )  # fmt: skip
    code, said = user.review()
    assert code == 2
    assert 'asserted_by: must be stated. Add asserted_by = "name of who asserts it"' in said
    user.add("input", 'asserted_by = "K. R."')
    code, said = user.review()
    assert (code, user.tries) == (1, 2), said
    assert "field.txt: 6 rows read = 6 used + 0 set aside" in said
    assert "read as Windows-1252" in said
    points = user.points()
    assert [points[name]["status"] for name in ("GP 1", "GP 2", "GP 3")] == ["confirmed", "confirmed", "conflict"]
    assert float(points["GP 1"]["easting_m"]) == pytest.approx(560210.0065, abs=0.002)


def test_feet_without_headings_and_only_positions(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, COUNTY.encode())
    user.fill(
        {"crs": '"EPSG:2229"', "unit": '"ftUS"', "initialization": '"asserted"\nasserted_by = "K. R."', "point": "1",
         "easting": "3", "northing": "2", "tolerance horizontal_m": "0.03", "convention": '"closure"',
         "requirement horizontal_m": "0.03", "confidence": "0.95", "judge": '"hv"'}
    )  # fmt: skip
    user.add("input.columns", "height = 4")
    user.add("input.columns", "code = 5")
    code, said = user.review()
    assert code == 2
    for wanted in ("[site] height: must be stated", "[tolerance] vertical_m: must be stated",
                   "[requirement] vertical_m: must be stated"):  # fmt: skip
        assert wanted in said
    user.add("site", 'height = "NAVD88"')
    user.add("tolerance", "vertical_m = 0.03")
    user.add("requirement", "vertical_m = 0.05")
    code, said = user.review()
    assert (code, user.tries) == (1, 2), said
    assert "6 rows read = 6 used + 0 set aside" in said
    assert "Tolerance: horizontal 0.098 ftUS" in said
    points = user.points()
    assert points["103"]["status"] == "conflict"
    assert float(points["103"]["worst_horizontal_ftUS"]) == pytest.approx(0.9713, abs=1e-3)


def test_axes_exchanged_in_a_file_without_headings_are_named(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, COUNTY.encode())
    user.fill(
        {"crs": '"EPSG:2229"', "unit": '"ftUS"', "initialization": '"unknown"', "point": "1",
         "easting": "2", "northing": "3", "tolerance horizontal_m": "0.03", "convention": '"closure"',
         "requirement horizontal_m": "0.03", "confidence": "0.95", "judge": '"h"'}
    )  # fmt: skip
    code, said = user.review()
    assert code == 2
    assert "write easting = 3 and northing = 2 under [input.columns]" in said


def test_degrees_with_drms_in_millimetres_and_a_twelve_hour_clock(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, RIDGE.encode())
    assert any(line.startswith('unit_precision = "mm"') for line in user.lines)
    user.fill(
        JUDGED | {"crs": '"EPSG:4167"', "height": '"ellipsoidal"', "unit": '"m"', "precision": '"drms"',
                  "precision_v": '"sigma"', "time_format": '"%m/%d/%Y %I:%M:%S %p"',
                  "timezone": '"Pacific/Auckland"'}
    )  # fmt: skip
    code, said = user.review()
    assert (code, user.tries) in ((0, 1), (1, 1)), said
    assert "4 rows read = 4 used + 0 set aside" in said
    points = user.points()
    assert points["N-1"]["status"] == "confirmed"
    assert points["N-1"]["visits"] == "2"  # five and a half hours apart: the afternoon was read as such


def test_a_crew_with_dates_apart_and_blanks_that_are_none(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, b"\xef\xbb\xbf" + CREWS.encode())
    user.fill(
        JUDGED | {"crs": '"EPSG:2193"', "height": '"NZVD2016"', "precision": '"drms"', "precision_v": '"sigma"',
                  "timezone": '"Pacific/Auckland"', "initialization": '"asserted"\nasserted_by = "K. R."',
                  '"4"': '"fixed"', '"Fixed RTK"': '"fixed"'}
    )  # fmt: skip
    user.lines = [line.replace("Punkt\u00a0Nr", "Punkt Nr") for line in user.lines]  # as a keyboard types it
    code, said = user.review()
    assert (code, user.tries) == (1, 1), said
    assert "4 rows read = 4 used + 0 set aside" in said
    points = user.points()
    assert (points["T1"]["status"], points["T2"]["status"]) == ("confirmed", "conflict")
    assert float(points["T1"]["easting_m"]) == pytest.approx(1600020.0065, abs=1e-3)
    assert points["T1"]["visits"] == "2"  # six hours apart


def test_a_night_under_one_date_west_of_greenwich(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, NIGHT.encode())
    user.fill(
        JUDGED | {"crs": '"EPSG:6318"', "site height": '"ellipsoidal"', "input.columns height": "4", "unit": '"m"',
                  "precision": '"drms"', "precision_v": '"sigma"', "angle": '"dd"', "date": '"2026-02-09"',
                  "timezone": '"America/Denver"', "initialization": '"asserted"\nasserted_by = "K. R."'}
    )  # fmt: skip
    code, said = user.review()  # dd can be read, and the night is told
    assert "line 4: the time of day falls back by more than 12 h" in " ".join(said.split())
    user.lines = [line.replace('angle = "dd"', 'angle = "packed-dms"') for line in user.lines]
    code, said = user.review()
    assert (code in (0, 1), user.tries) == (True, 2), said
    assert "4 rows read = 4 used + 0 set aside" in said
    point = user.points()["P1"]
    # 107 00 10.123457 W and 38 57 12.1234575 N in degrees, by hand
    assert float(point["longitude_deg"]) == pytest.approx(-(107 + 10.123457 / 3600), abs=2e-9)
    assert float(point["latitude_deg"]) == pytest.approx(38 + 57 / 60 + 12.1234575 / 3600, abs=2e-9)


def test_fixed_columns_in_feet_with_millimetres_in_a_note(tmp_path, capsys):
    user = Newcomer(tmp_path, capsys, PLAT.encode())
    user.fill(
        JUDGED | {"crs": '"EPSG:2229"', "height": '"NAVD88"', "unit": '"ftUS"', "timezone": '"America/Los_Angeles"',
                  "initialization": '"asserted"\nasserted_by = "K. R."', "time_format": '"%m/%d/%Y %H:%M:%S"'}
    )  # fmt: skip
    code, said = user.review()
    assert code == 2
    assert 'write delimiter = "fixed" under [input] and each column by its first and last character' in said
    spans = {"point": "[1, 6]", "northing": "[7, 17]", "easting": "[19, 29]", "height": "[31, 38]",
             "start": "{ date = [40, 49], time = [51, 58] }", "note": "[60, 80]"}  # fmt: skip
    for i, line in enumerate(user.lines):
        key = line.partition(" = ")[0]
        user.lines[i] = f"{key} = {spans[key]}" if key in spans and user.lines.index("[input.columns]") < i else line
        user.lines[i] = user.lines[i].replace('delimiter = " "', 'delimiter = "fixed"')
    for ours, label in (("precision_h", "HP"), ("precision_v", "VP")):
        user.add("input.columns", f"{ours} = {{ column = [60, 80], pattern = '{label} ([0-9]+)', unit = \"mm\" }}")
    user.add("input", 'precision = "radius95"\nprecision_v = "95"')
    code, said = user.review()
    assert (code, user.tries) == (1, 2), said
    assert "4 rows read = 4 used + 0 set aside" in said
    points = user.points()
    assert (points["201"]["status"], points["202"]["status"]) == ("confirmed", "conflict")
    # 0.04 and 0.03 US survey feet apart; the unit of the job is the file's
    assert float(points["201"]["worst_horizontal_ftUS"]) == pytest.approx(0.05, abs=1e-6)
