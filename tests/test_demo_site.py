"""The demo site: made again byte for byte, as large as it says, and consistent with its truth."""

import ast
import csv
import math
import os
import subprocess
import sys
import tomllib
from collections import Counter, defaultdict
from datetime import datetime
from itertools import combinations, pairwise
from pathlib import Path

import pytest

import geoqa.demo
from geoqa.core.errors import OutputError
from geoqa.core.job import COLUMNS, WORDS
from geoqa.demo.fieldwork import EAST_M, HOLLOW, NORTH_M
from geoqa.readers.recipe.recipe import read_recipe

SITE = Path(__file__).parent.parent / "sample_data" / "totara_saddle"
FILES = ("occupations.csv", "checks.csv", "site.toml", "truth.csv")
#: What the simulation claims: seen over reported precision, by canopy class.
FACTORS = {"open": 1.0, "light": 1.3, "broadleaf": 1.6, "dense conifer": 2.2}


def table(name):
    with (SITE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


TRUTH = table("truth.csv")
POINTS = {row["point"]: row for row in TRUTH if row["kind"] == "point"}
LINES = (SITE / "occupations.csv").read_text(encoding="utf-8").splitlines()
HEADINGS = LINES[0].split(",")
RECIPE = tomllib.loads((SITE / "site.toml").read_text(encoding="utf-8"))


def occupation(truth):
    """Return one line of the file with numbers, times and its error against the truth."""
    row = dict(zip(HEADINGS, next(csv.reader([LINES[int(truth["line"]) - 1]])), strict=True))
    mark = POINTS[truth["true_point"]]
    pairs = (("East", "east_m"), ("North", "north_m"), ("Height", "height_m"))
    row["error"] = tuple(float(row[ours]) - float(mark[theirs]) for ours, theirs in pairs)
    row["off_h"] = math.hypot(*row["error"][:2])
    row["sigma_h"], row["sigma_v"] = float(row["SigmaH"]), float(row["SigmaV"])
    row["start"], row["end"] = (datetime.fromisoformat(row[name]) if row[name] else None for name in ("Start", "End"))
    return row | {"what": truth["what"], "true_point": truth["true_point"], "canopy": mark["canopy"]}


BY_WHAT = Counter(row["what"] for row in TRUTH if row["kind"] == "row")
ROWS = [occupation(row) for row in TRUTH if row["kind"] == "row" and row["what"] not in ("bad row", "comment")]
REAL = [row for row in ROWS if row["what"] not in ("control", "staking", "averaged", "deleted", "copied")]
SETTLED = [row for row in REAL if row["what"] in ("", "same fix")]


def grouped(rows, *names):
    groups = defaultdict(list)
    for row in rows:
        groups[tuple(row[name] for name in names)].append(row)
    return groups


def of(what):
    return [row for row in ROWS if row["what"] == what]


def minutes_between(a, b):
    first, second = sorted((a, b), key=lambda row: row["start"])
    return (second["start"] - first["end"]).total_seconds() / 60


def test_the_script_beside_the_data_makes_the_same_bytes_whatever_the_hash_seed(tmp_path):
    script = tmp_path / "make_site.py"
    script.write_bytes((SITE / "make_site.py").read_bytes())
    environment = os.environ | {"PYTHONHASHSEED": "7", "TZ": "UTC"}
    subprocess.run([sys.executable, script], check=True, capture_output=True, env=environment)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (SITE / name).read_bytes(), name


def test_the_packaged_demo_makes_the_same_site_and_keeps_the_truth_to_itself(tmp_path):
    written = geoqa.demo.write_site(tmp_path / "new" / "folder")
    assert [path.name for path in written] == ["occupations.csv", "site.toml"]
    made = sorted(written[0].parent.iterdir())
    assert [path.name for path in made] == ["checks.csv", "occupations.csv", "site.toml"]
    assert all(path.read_bytes() == (SITE / path.name).read_bytes() for path in made)
    assert geoqa.demo.truth_rows() == TRUTH


def test_a_folder_that_cannot_be_made_is_an_output_error(tmp_path):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(OutputError, match=r"occupations\.csv cannot be written .*name a folder you may write to"):
        geoqa.demo.write_site(tmp_path / "taken")


def test_the_generator_imports_the_standard_library_and_core_alone():
    for path in Path(geoqa.demo.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                ours = name.startswith(("geoqa.core", "geoqa.demo"))
                assert ours or name.split(".")[0] in sys.stdlib_module_names, f"{path.name} imports {name}"


def test_the_file_is_as_large_as_it_says():
    assert len(REAL) == 620
    used = [r for r in ROWS if (r["Deleted"], r["Method"], r["Origin"]) == ("N", "DIRECT", "MEAS")]
    assert len(used) == 620 + BY_WHAT["copied"]
    assert len(LINES) == 1 + sum(BY_WHAT.values()) == 1 + 620 + 12 + 1 + 1 + 1 + 2 + 5 + 1
    wanted = {
        "false fix": 14, "antenna height": 12, "wrong name": 1, "unsettled": 4, "same fix": 2, "copied": 1,
        "control": 12, "staking": 1, "averaged": 1, "deleted": 2, "bad row": 5, "comment": 1,
    }  # fmt: skip
    assert {what: n for what, n in BY_WHAT.items() if what} == wanted
    assert Counter(name[:2] for name in POINTS) == {"TS": 100, "TK": 90, "TP": 58, "CP": 12}
    assert {row["Mark"] for row in REAL} == set(POINTS)


def test_five_days_two_crews_two_base_setups_a_day_four_canopy_classes():
    assert len({row["start"].date() for row in REAL}) == 5
    setups = {(row["start"].date(), row["Base"]) for row in REAL}
    assert set(Counter(day for day, _ in setups).values()) == {2}
    assert {row["Crew"] for row in REAL} == {"KR", "TM"}
    assert {row["canopy"] for row in REAL} == set(FACTORS)
    assert min(Counter(mark["canopy"] for mark in POINTS.values()).values()) >= 40
    # A canopy label is the surveyor's own and is never wrong here.
    assert {(RECIPE["input"]["values"]["canopy"][r["Cover"]], r["canopy"]) for r in REAL} == {(c, c) for c in FACTORS}


def test_a_crew_is_in_one_place_at_a_time_and_no_base_serves_two_sessions():
    for rows in grouped(REAL, "Crew").values():
        rows.sort(key=lambda row: row["start"])
        assert all(a["end"] < b["start"] for a, b in pairwise(rows))
        bases = [row["Base"] for row in rows]
        assert 1 + sum(a != b for a, b in pairwise(bases)) == len(set(bases)) == 10
    assert all(row["start"] < row["end"] for row in REAL)


def test_pairs_minutes_hours_and_days_apart_and_singles_planned_or_not():
    by_point = grouped(REAL, "true_point")
    gaps = [minutes_between(a, b) for rows in by_point.values() for a, b in combinations(rows, 2)]
    assert sum(gap < 15 for gap in gaps) > 100
    assert sum(20 <= gap < 10 * 60 for gap in gaps) > 20
    assert sum(gap > 24 * 60 for gap in gaps) > 100
    assert not [gap for gap in gaps if 15 <= gap < 20]  # a visit is a visit, without doubt
    singles = Counter(name[0][:2] for name, rows in by_point.items() if len(rows) == 1)
    assert singles["TP"] == 18
    assert singles["TS"] + singles["TK"] == 7
    assert singles["CP"] == 0


def test_false_fixes_are_decimetres_off_with_centimetres_reported_mostly_under_dense_conifer():
    false = of("false fix")
    assert all(0.15 < row["off_h"] < 0.8 and 0.15 < abs(row["error"][2]) < 0.85 for row in false)
    assert all(row["sigma_h"] <= 0.02 and row["Solution"] == "RTK FIX" for row in false)
    assert len({row["Mark"] for row in false}) == 13
    assert sum(row["canopy"] == "dense conifer" for row in false) > len(false) / 2


def test_the_hollow_lies_under_dense_conifer_and_the_last_visit_of_its_points_is_false():
    middle, radius_m = HOLLOW
    in_it = {
        name for name, mark in POINTS.items()
        if mark["canopy"] == "dense conifer"
        and math.dist((float(mark["east_m"]) - EAST_M, float(mark["north_m"]) - NORTH_M), middle) <= radius_m
    }  # fmt: skip
    false = {row["Mark"] for row in of("false fix")}
    assert len(in_it & false) >= 6
    assert sum(name in in_it for name in false) / len(in_it) > 10 * len(false - in_it) / (len(POINTS) - len(in_it))


def test_one_false_fix_is_found_twice_within_minutes_by_fresh_initializations():
    (twice,) = [rows for rows in grouped(of("false fix"), "Mark").values() if len(rows) == 2]
    first, second = twice
    assert 0 < minutes_between(first, second) < 20
    assert first["Init"] != second["Init"]
    assert math.dist(first["error"], second["error"]) < 0.1  # it agrees with itself
    assert [row for row in REAL if row["Mark"] == first["Mark"]] == twice  # and nothing else contradicts it


def test_everything_else_is_within_six_sigma_of_the_truth():
    known = [row for row in ROWS if row["what"] in ("", "same fix", "unsettled", "wrong name", "control", "copied")]
    assert len(known) == 620 - 14 - 12 + 12 + 1
    for row in known:
        factor = 1.0 if row["what"] in ("control", "unsettled") else FACTORS[row["canopy"]]
        east, north, up = row["error"]
        assert max(abs(east), abs(north)) < 6 * factor * row["sigma_h"] + 0.0006, row
        assert abs(up) < 6 * factor * row["sigma_v"] + 0.0006, row


@pytest.mark.parametrize(("canopy", "factor"), FACTORS.items())
def test_reported_precision_is_optimistic_by_the_class_factor(canopy, factor):
    rows = [row for row in SETTLED if row["canopy"] == canopy]
    horizontal = sum(row["off_h"] ** 2 for row in rows) / sum(2 * row["sigma_h"] ** 2 for row in rows)
    vertical = sum(row["error"][2] ** 2 for row in rows) / sum(row["sigma_v"] ** 2 for row in rows)
    # Over 100 rows a class: 15 % is more than two standard deviations and less than the step between classes.
    assert horizontal**0.5 == pytest.approx(factor, rel=0.15)
    assert vertical**0.5 == pytest.approx(factor, rel=0.15)


def test_errors_are_shared_within_a_visit_and_independent_between():
    inside, between = [], []
    for rows in grouped(SETTLED, "Mark").values():
        for a, b in combinations(rows, 2):
            scale = 2 * FACTORS[a["canopy"]] ** 2 * (a["sigma_h"] ** 2 + b["sigma_h"] ** 2)
            share = math.dist(a["error"][:2], b["error"][:2]) ** 2 / scale
            (inside if minutes_between(a, b) < 20 else between).append(share)
    assert sum(between) / len(between) == pytest.approx(1.0, abs=0.2)
    assert sum(inside) / len(inside) == pytest.approx(0.3, abs=0.1)  # 1 less the shared 70 %


def test_the_mistyped_antenna_is_one_stretch_of_one_crew_on_one_morning():
    wrong = of("antenna height")
    ((crew, base),) = grouped(wrong, "Crew", "Base")
    assert base.endswith("am")
    session = sorted((row for row in REAL if (row["Crew"], row["Base"]) == (crew, base)), key=lambda row: row["start"])
    marks = "".join("x" if row["what"] == "antenna height" else "." for row in session)
    assert marks.strip(".") == 12 * "x"
    assert {row["AntHt"] for row in wrong} == {"2.100"}
    assert {(row["Crew"], row["AntHt"]) for row in REAL if row not in wrong} == {("KR", "2.000"), ("TM", "1.800")}
    for row in wrong:
        assert row["error"][2] == pytest.approx(-0.100, abs=6 * FACTORS[row["canopy"]] * row["sigma_v"])
        assert row["off_h"] < 0.05


def test_the_wrong_name_is_tens_of_metres_away_and_its_name_is_taken():
    (wrong,) = of("wrong name")
    assert wrong["Mark"] != wrong["true_point"]
    here, there = (POINTS[name] for name in (wrong["Mark"], wrong["true_point"]))
    away = math.dist(*[(float(mark["east_m"]), float(mark["north_m"])) for mark in (here, there)])
    assert 30 < away < 100
    others = [row for row in REAL if row["Mark"] == wrong["Mark"] and row is not wrong]
    assert len(others) == 2
    assert all(minutes_between(row, wrong) > 45 for row in others)
    assert all(row["Mark"] == row["true_point"] for row in REAL if row is not wrong)


def test_rows_share_an_initialization_only_where_the_truth_says_so():
    shared = {key: rows for key, rows in grouped(REAL, "Init").items() if len(rows) > 1}
    assert sorted(sorted(row["what"] for row in rows) for rows in shared.values()) == [
        *2 * [["", "same fix"]],
        *4 * [["", "unsettled"]],
    ]
    for rows in shared.values():
        assert len({row["Mark"] for row in rows}) == 1
        assert minutes_between(*rows) < 5


def test_unsettled_rows_say_half_a_metre_and_are_followed_by_a_settled_row():
    for row in of("unsettled"):
        (settled,) = [other for other in REAL if other["Init"] == row["Init"] and other is not row]
        assert row["sigma_h"] == 0.5
        assert settled["sigma_h"] < 0.02
        assert row["end"] < settled["start"]
    assert {row["Solution"] for row in of("unsettled")} == {"RTK FIX", "RTK FLT"}
    assert {row["Solution"] for row in REAL if row["what"] != "unsettled"} == {"RTK FIX"}


def test_the_copied_row_repeats_a_single_to_the_last_digit():
    (line,) = [int(row["line"]) for row in TRUTH if row["what"] == "copied"]
    assert LINES[line - 1] == LINES[line - 2]
    (copied,) = of("copied")
    assert len([row for row in REAL if row["Mark"] == copied["Mark"]]) == 1
    assert len(set(LINES)) == len(LINES) - 2  # the copy and the repeated heading


def test_rows_that_are_no_occupations():
    assert [(r["Method"], r["Origin"]) for r in of("staking")] == [("STAKE", "MEAS")]
    assert [(r["Method"], r["Origin"]) for r in of("averaged")] == [("DIRECT", "AVG")]
    assert all(row["Deleted"] == "Y" for row in of("deleted"))
    assert {row["Mark"] for row in of("control")} == {name for name in POINTS if name.startswith("CP")}
    assert all((row["Origin"], row["Start"], row["SigmaH"]) == ("KNOWN", "", "0.004") for row in of("control"))
    assert all(len(rows) >= 3 for name, rows in grouped(REAL, "Mark").items() if name[0].startswith("CP"))


def test_each_bad_row_is_bad_in_its_own_way():
    bad = [LINES[int(row["line"]) - 1] for row in TRUTH if row["what"] == "bad row"]
    faults = Counter()
    for line in bad:
        cells = next(csv.reader([line]))
        if cells == HEADINGS:
            faults["heading"] += 1
        elif len(cells) < len(HEADINGS):
            faults["cut short"] += 1
        else:
            row = dict(zip(HEADINGS, cells, strict=True))
            faults["no northing"] += row["North"] == ""
            faults["letters"] += "O" in row["East"]
            faults["reversed"] += row["Start"] > row["End"]
    assert faults == {"heading": 1, "cut short": 1, "no northing": 1, "letters": 1, "reversed": 1}


def test_more_than_three_quarters_of_the_points_agree_and_every_contradicted_lie_does_not():
    agree, beyond = set(), set()
    for (name,), rows in grouped(REAL, "Mark").items():
        settled = [row for row in rows if row["what"] != "unsettled"]
        role = "track" if name.startswith("TK") else None
        tolerance = RECIPE["roles"][role]["tolerance"] if role else RECIPE["tolerance"]
        pairs = [tuple(a - b for a, b in zip(p["error"], q["error"], strict=True)) for p, q in combinations(settled, 2)]
        if any(row["what"] == "wrong name" for row in rows):
            beyond.add(name)  # another mark, tens of metres away
        elif any(math.hypot(*d[:2]) > tolerance["horizontal_m"] or abs(d[2]) > tolerance["vertical_m"] for d in pairs):
            beyond.add(name)
        elif pairs:
            agree.add(name)
    assert len(agree) > 0.75 * len(POINTS)
    contradicted = {r["Mark"] for r in of("false fix")} & {r["Mark"] for r in SETTLED}
    assert len(contradicted) == 11  # the others: a single, and one found twice
    assert contradicted <= beyond


def test_the_dense_conifer_is_one_patch():
    dense = [(float(p["east_m"]), float(p["north_m"])) for p in POINTS.values() if p["canopy"] == "dense conifer"]
    reached, edge = {dense[0]}, [dense[0]]
    while edge:
        here = edge.pop()
        new = [place for place in dense if place not in reached and math.dist(here, place) < 80]
        reached.update(new)
        edge += new
    assert len(reached) == len(dense)


def test_the_recipe_names_headings_and_words_that_the_file_has():
    columns, values = RECIPE["input"]["columns"], RECIPE["input"]["values"]
    assert set(columns) <= set(COLUMNS)
    assert set(HEADINGS) - set(columns.values()) == {"Deleted"}
    for ours, words in values.items():
        seen = {row[columns[ours]] for row in ROWS} - {""}
        assert seen == set(words), ours
        assert set(words.values()) <= set(WORDS.get(ours, words.values()))
    assert set(RECIPE["roles"]) <= set(values["role"].values())


def test_the_recipe_reads_without_faults_and_means_what_the_site_claims():
    job = read_recipe(SITE / "site.toml")
    assert (job.site.crs, job.site.height, job.input.timezone) == ("EPSG:2193", "NZVD2016", "Pacific/Auckland")
    assert (job.role("corner").tolerance.horizontal_m, job.role("corner").tolerance.vertical_m) == (0.05, 0.08)
    assert (job.role("corner").requirement.horizontal_m, job.role("corner").requirement.vertical_m) == (0.05, 0.10)
    assert job.role("track").tolerance.horizontal_m > job.tolerance.horizontal_m
    assert job.role("track").fresh_fix_suffices
    assert job.role("topo").single_by_plan
    assert not job.role("corner").fresh_fix_suffices
