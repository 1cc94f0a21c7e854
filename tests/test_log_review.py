"""Reviews of receiver logs: from the stream to the map, beside tables, and one log after another."""

from __future__ import annotations

import gzip
import tomllib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import logs
import numpy as np
import pytest
from logs import START, Epoch, stay, walk

import geoqa
from geoqa.cli import main
from geoqa.core.errors import InputError, RecipeError
from geoqa.outputs.field import sheet
from geoqa.outputs.report import first_page as report_first_page
from geoqa.readers.delimited import DelimitedReader
from geoqa.readers.nmea.nmea import NmeaReader
from geoqa.readers.recipe.recipe import job_from_table
from geoqa.reviews import stored

A, B = (0.0, 0.0), (25.0, 10.0)
TOML = """
[site]
name = "Logs"
crs = "EPSG:4167"
height = "ellipsoidal"
[match]
by = "place"
radius_m = 0.5
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
"""
#: Two visits of A an hour apart, each with its own fix, and one of B.
MORNING = [*stay(0, 15, A, 5), *stay(15, 60, A), *walk(60, 80, A, B), *stay(80, 120, B)]
LATER = [*stay(3600, 3630, A, 5, seed=8), *stay(3630, 3680, A, seed=9)]


@pytest.fixture
def write(tmp_path):
    def writer(name, epochs, **more):
        path = tmp_path / name
        path.write_bytes(epochs if isinstance(epochs, bytes) else logs.log(epochs, **more))
        return path

    return writer


def by_point(review):
    return review.frames["points"].set_index("point")


def test_from_stream_to_map_with_a_recipe_that_says_what_the_log_does_not(tmp_path, write, capsys):
    data = write("crew.nmea", [*MORNING, *LATER], precision=(0.008, 0.008, 0.015))
    recipe = tmp_path / "site.toml"
    recipe.write_text(TOML)
    out = tmp_path / "out"
    assert main(["review", str(data), "--recipe", str(recipe), "--out", str(out), "-v"]) == 1
    assert "crew.nmea" in capsys.readouterr().out
    review = stored.load(out)
    assert {"epochs", "occupations", "points"} <= set(review.frames)
    points = by_point(review)
    assert points.loc["place 1", "visits"] == 2
    assert points.loc["place 1", "status"] == "confirmed"
    assert points.loc["place 2", "status"] == "unproven"
    assert points["height_m"].isna().all()
    epochs = review.frames["epochs"]
    assert (epochs["point"] == "place 1").sum() > 100
    assert epochs["point"].isna().sum() > 10
    assert review.record["counts"]["solution"]["float"] == 45
    assert review.record["accounts"]["crew.nmea"]["epochs"]["read"] == len(MORNING) + len(LATER)


def test_the_completed_recipe_reads_as_the_same_job():
    job = job_from_table(logs.SITE)
    assert job_from_table(job.as_table()) == job


def test_a_table_is_refused_under_a_recipe_that_is_enough_for_a_log(tmp_path):
    path = tmp_path / "site.csv"
    path.write_text("Mark,E,N\nA,1,2\n")
    with pytest.raises(InputError, match="neither the recipe nor the file says") as caught:
        DelimitedReader().read(path, job_from_table({**logs.SITE, "match": {"by": "name"}}))
    assert "[input] initialization" in str(caught.value) and "[input.columns]" in str(caught.value)


def test_an_input_with_columns_still_needs_the_rest():
    table = {**logs.SITE, "input": {"columns": {"longitude": "X", "latitude": "Y"}}}
    with pytest.raises(RecipeError, match=r"\[input\] unit: must be stated"):
        job_from_table(table)


def test_logs_stand_beside_tables(tmp_path, write):
    log = write("crew.nmea", MORNING)
    table = tmp_path / "book.csv"
    table.write_text(f"Mark,X,Y,Init\nA,{logs.LON},{logs.LAT},k1\nC,{logs.LON + 0.01},{logs.LAT},k1\n")
    recipe = {
        **logs.SITE,
        "input": {
            "unit": "m",
            "columns": {"point": "Mark", "longitude": "X", "latitude": "Y", "initialization": "Init"},
        },
    }
    review = geoqa.review([table, log], recipe)
    assert by_point(review).loc["place 1", "occupations"] == 2
    assert len(review.frames["epochs"]) == len(MORNING)
    asserted = {**recipe, "input": {"unit": "m", "initialization": "asserted", "asserted_by": "crew",
                "columns": {"point": "Mark", "longitude": "X", "latitude": "Y"}}}  # fmt: skip
    occupations = geoqa.review([table, log], asserted).frames["occupations"]
    # What is asserted holds for the rows of the table; the log shows its own.
    own = occupations[occupations["source_file"] == "crew.nmea"]["initialization"].astype(str)
    assert set(own) == {"crew.nmea fix 1"}
    assert (
        occupations[occupations["source_file"] == "book.csv"]["initialization"].astype(str).str.match("asserted").all()
    )


def test_an_undated_log_beside_a_table_takes_its_day_from_its_own_file_table(tmp_path, write):
    log = write("crew.nmea", stay(0, 60, A), dated=False)
    table = tmp_path / "book.csv"
    table.write_text(f"Mark,X,Y,Init,T\nA,{logs.LON},{logs.LAT},k1,2026-02-08T01:00:00Z\n")
    columns = {"point": "Mark", "longitude": "X", "latitude": "Y", "initialization": "Init", "start": "T"}
    recipe = {**logs.SITE, "input": {"unit": "m", "columns": columns, "time_format": "iso"}}
    with pytest.raises(InputError, match=r'path = "crew.nmea": input.date = "2026-02-09"'):
        geoqa.review([table, log], recipe)
    recipe["file"] = [{"path": "crew.nmea", "input": {"date": "2026-02-09"}}]
    starts = geoqa.review([table, log], recipe).frames["occupations"]["start_utc"]
    assert sorted(str(start)[:10] for start in starts) == ["2026-02-08", "2026-02-09"]


def test_points_never_fixed_are_unproven(write):
    epochs = [*stay(0, 60, A, 5, noise=0.03), *walk(60, 80, A, B, 5), *stay(3600, 3660, A, 5, noise=0.03, seed=4)]
    points = by_point(geoqa.review(write("crew.nmea", epochs), logs.SITE))
    assert set(points["status"]) <= {"loose", "unproven"}


def test_one_fix_all_day_proves_nothing(write):
    epochs = [*stay(0, 60, A), *walk(60, 80, A, B), *walk(80, 100, B, A), *stay(100, 160, A, seed=4)]
    review = geoqa.review(write("crew.nmea", epochs), logs.SITE)
    assert set(review.frames["closures"]["independence_h"]) == {"same-fix"}
    assert by_point(review).loc["place 1", "status"] == "unproven"


def test_two_solutions_of_one_fix_are_a_conflict(write):
    epochs = [*stay(0, 60, A), *stay(60, 100, (0.40, 0.05))]
    review = geoqa.review(write("crew.nmea", epochs), logs.SITE)
    assert by_point(review)["status"].tolist() == ["conflict"]


def test_what_was_taken_without_moving_on_is_one_place_however_far_apart(write):
    """A radius must not hide the large closure: one stop, two fixes, 3 m apart."""
    epochs = [*stay(0, 20, A, 5), *stay(20, 60, A), *stay(60, 80, A, 5), *stay(80, 120, (3.0, 0.0))]
    review = geoqa.review(write("crew.nmea", epochs), logs.SITE)
    points = by_point(review)
    assert points["status"].tolist() == ["conflict"]
    assert points["worst_horizontal_m"].iloc[0] == pytest.approx(3.0, abs=0.05)
    beside = [stay(k * 40, k * 40 + 40, (1.7 * k, 0.9 * (k % 3))) for k in range(6)]
    many = geoqa.review(write("wall.nmea", [epoch for part in beside for epoch in part]), logs.SITE)
    assert by_point(many)["status"].tolist() == ["conflict"]


def read_all(paths, recipe=logs.SITE, **parameters):
    return NmeaReader(**parameters).read_all(paths, [job_from_table(recipe)] * len(paths))


def test_a_log_that_begins_fixed_goes_on_with_the_fix_before(write):
    paths = [write("a.nmea", stay(0, 60, A)), write("b.nmea", stay(600, 660, A, seed=3))]
    labels = [result.frames["occupations"]["initialization"].astype(str).tolist() for result in read_all(paths)]
    assert labels == [["a.nmea fix 1"], ["a.nmea fix 1"]]
    labels = [r.frames["occupations"]["initialization"].astype(str).tolist() for r in read_all(paths, carried_h=0.1)]
    assert labels == [["a.nmea fix 1"], ["b.nmea fix 1"]]


def test_logs_of_two_receivers_at_once_are_two(write):
    paths = [write("a.nmea", stay(0, 60, A)), write("b.nmea", stay(5, 65, B, seed=3))]
    results = read_all(paths)
    assert [r.frames["occupations"]["point"].astype(str).tolist() for r in results] == [["stop-1"], ["stop-2"]]
    assert results[1].frames["occupations"]["initialization"].astype(str).tolist() == ["b.nmea fix 1"]


def test_sessions_that_begin_without_corrections_are_fixes_of_their_own(write):
    paths = [
        write(
            f"s{k}.nmea", [*stay(t, t + 3, A, 1, noise=0.4), *stay(t + 3, t + 8, A, 5), *stay(t + 8, t + 90, A, seed=k)]
        )
        for k, t in enumerate((0, 1500, 3000))
    ]
    review = geoqa.review(paths, logs.SITE)
    assert by_point(review)["status"].tolist() == ["confirmed"]
    assert set(review.frames["closures"]["independence_h"]) == {"separated"}
    fixed = [write(f"t{k}.nmea", stay(t, t + 90, A, seed=k)) for k, t in enumerate((0, 1500))]
    assert by_point(geoqa.review(fixed, logs.SITE))["status"].tolist() == ["unproven"]


@pytest.mark.parametrize("cut", [slice(None, None), slice(40, None), slice(20, 70), slice(50, 120)])
def test_one_stream_logged_twice_is_no_second_witness(write, cut):
    stream = [*stay(0, 15, A, 5), *stay(15, 100, A), *walk(100, 110, A, B), *stay(110, 150, B)]
    paths = [write("a.nmea", stream[:110]), write("b.nmea", stream[cut], precision=(0.01, 0.01, 0.02))]
    review = geoqa.review(paths, logs.SITE)
    assert set(by_point(review)["status"]) == {"unproven"}
    copies = len(range(150)[cut]) - len([k for k in range(150)[cut] if k >= 110])
    assert review.accounts["b.nmea"]["epochs"]["set_aside"] == copies
    assert f"{copies} x it stands in a.nmea already" in " ".join(review.messages)
    aside = review.frames["set_aside"]
    assert (aside["source_file"] == "b.nmea").sum() == copies
    # The other order of the files changes nothing.
    turned = geoqa.review(paths[::-1], logs.SITE)
    assert turned.accounts == review.accounts


def test_hourly_logs_are_one_and_the_date_of_one_serves_the_next(write):
    first = write("log_2.nmea", stay(0, 30, A))
    second = write("log_10.nmea", stay(30, 60, A, seed=2), dated=False)
    results = read_all([second, first])
    assert [len(r.frames["occupations"]) for r in results] == [0, 1]
    assert results[1].frames["occupations"]["epochs"].tolist() == [60.0]
    assert [r.accounts["epochs"]["read"] for r in results] == [30, 30]
    assert results[0].frames["epochs"]["source_line"].min() == 1
    assert str(results[0].frames["epochs"]["time_utc"].iloc[0])[:10] == "2026-02-09"


def test_a_log_over_midnight_in_pieces(write):
    start = START.replace(hour=23, minute=59, second=30)
    whole = logs.log(stay(0, 60, A), start=start)
    cut = len(whole) // 2 + 7
    results = read_all([write("p1.nmea", whole[:cut]), write("p2.nmea", whole[cut:])])
    assert str(results[1].frames["epochs"]["time_utc"].iloc[-1]) == str(start + timedelta(seconds=59))
    assert sum(r.accounts["sentences"]["set_aside"] for r in results) == 0


@pytest.mark.parametrize("name", ["crew.nmea", "crew.log", "crew.txt", "crew", "crew.nmea.gz", "crew.dat"])
def test_a_log_is_known_by_what_it_holds(write, name):
    content = logs.log(stay(0, 60, A))
    path = write(name, gzip.compress(content) if name.endswith(".gz") else content)
    assert len(geoqa.review(path, logs.SITE).frames["epochs"]) == 60


def test_a_table_with_a_name_like_a_log_is_none():
    assert NmeaReader.sniff(Path("site.csv"), b"Mark,E,N\n$A,1,2\n") == 0.0


def test_a_recipe_is_proposed_that_asks_for_what_must_be_stated(write, capsys):
    assert main(["recipe", str(write("crew.nmea", MORNING))]) == 0
    said = capsys.readouterr().out
    assert 'crs = "?"' in said and "date" not in said
    assert tomllib.loads(said)["site"]["timezone"] == "?"
    assert main(["recipe", str(write("bare.nmea", logs.log(MORNING, dated=False)))]) == 0
    assert 'date = "?"' in capsys.readouterr().out


def test_a_log_without_any_stop_says_why(write):
    with pytest.raises(InputError, match="no row can be used"):
        geoqa.review(write("crew.nmea", walk(0, 60, A, (60, 0))), logs.SITE)
    with pytest.raises(InputError, match="no GGA or GNS"):
        geoqa.review(write("x.nmea", (logs.rmc(Epoch(0)) + "\r\n").encode()), logs.SITE)


def test_a_local_frame_and_a_system_far_away_are_refused(write):
    path = write("crew.nmea", MORNING)
    with pytest.raises(InputError, match=r'crs is "local"'):
        geoqa.review(path, {**logs.SITE, "site": {"crs": "local"}})
    with pytest.raises(InputError):
        geoqa.review(path, {**logs.SITE, "site": {"crs": "EPSG:3995"}})


def test_binary_before_the_first_sentence(write):
    noise = b"\xb5\x62\x00\x01" * 3000
    assert len(geoqa.review(write("crew.log", noise + logs.log(MORNING)), logs.SITE).frames["epochs"]) == len(MORNING)


def test_a_log_between_that_was_never_fixed_hides_no_fix(write):
    paths = [
        write("a.nmea", stay(0, 60, A)),
        write("b.nmea", stay(300, 360, B, 5, noise=0.03)),
        write("c.nmea", stay(600, 660, A, seed=3)),
    ]
    labels = [result.frames["occupations"]["initialization"].astype(object).tolist() for result in read_all(paths)]
    assert labels[0] == labels[2] == ["a.nmea fix 1"]


def test_hostile_text_of_a_log_reaches_no_output(tmp_path, write):
    bad = b"$GP\x00GGA,{{7*7}}</script>\x1b[31m*00\r\n"
    review = geoqa.review(write("crew.nmea", bad + logs.log(MORNING)), logs.SITE)
    review.write(tmp_path / "out")
    row = review.frames["set_aside"]["row"].iloc[0]
    assert row.isprintable() and row.isascii()
    assert "{{7*7}}" not in (tmp_path / "out" / "map.html").read_text(encoding="utf-8")


def test_times_are_told_by_the_site_s_clocks_and_where_nobody_says_which_utc_is_said(write):
    path = write("crew.nmea", [*MORNING, *LATER])
    untold = geoqa.review(path, logs.SITE)
    assert sum("times are told in UTC, for the recipe names no time zone" in text for text in untold.messages) == 1
    there = geoqa.review(path, {**logs.SITE, "site": {**logs.SITE["site"], "timezone": "Pacific/Auckland"}})
    assert not any("UTC" in text for text in there.messages)
    sheets = [sheet.build(one.frames["revisits"], one.frames["occupations"], one.job) for one in (untold, there)]
    assert "imes are in UTC." in sheets[0] and "imes are in the time zone Pacific/Auckland." in sheets[1]
    # 120 s after the start of the first log, in UTC and thirteen hours ahead of it.
    ended = [START + timedelta(seconds=3680), START + timedelta(seconds=3680, hours=13)]
    for text, at in zip(sheets, ended, strict=True):
        assert f"data up to {at:%a} {at.day} {at:%b %Y %H:%M}" in text


# Coarse heights widen what is expected of them; they are never dropped. What is not judged is said where people look.

HEIGHTS = {
    **logs.SITE,
    "site": {"name": "Logs", "crs": "EPSG:2193", "height": "ellipsoidal"},
    "tolerance": {"horizontal_m": 0.05, "vertical_m": 0.08},
    "requirement": {"horizontal_m": 0.10, "vertical_m": 0.15, "judge": "hv"},
    "step": {"nmea": {"antenna_height_m": 2.0}},
}


def visits_apart(write, up_m, up_decimals, recipe, decimals=7, east_m=0.0):
    """Return the review of one place logged in two files, two hours apart, `up_m` and `east_m` apart."""
    paths = []
    for k, t in enumerate((0, 7200)):
        stop = [*stay(t, t + 15, A, 5), *stay(t + 15, t + 90, A, seed=k)]
        raised = [replace(epoch, u=epoch.u + k * up_m + 0.03, e=epoch.e + k * east_m) for epoch in stop]
        paths.append(write(f"v{k}.nmea", raised, precision=(0.011, 0.009, 0.019), up_decimals=up_decimals,
                           decimals=decimals))  # fmt: skip
    return geoqa.review(paths, recipe)


@pytest.mark.parametrize("up_decimals", [4, 1])
def test_logs_apart_in_height_are_in_conflict_however_coarsely_heights_are_written(write, up_decimals):
    point = by_point(visits_apart(write, 0.27, up_decimals, HEIGHTS)).iloc[0]
    assert (point["status_h"], point["status"], point["deliver"]) == ("confirmed", "conflict", "no")
    assert point["worst_vertical_m"] == pytest.approx(0.27, abs=0.06)


def test_a_coarse_step_widens_the_guard_and_the_uncertainty_and_the_height_is_judged(write):
    review = visits_apart(write, 0.0, 1, HEIGHTS)
    rows = review.frames["occupations"]
    assert rows["height_m"].notna().all() and set(rows["resolution_v_m"]) == {0.1}
    assert (rows["sigma_u_m"] >= 0.1 / 12**0.5 - 1e-12).all()
    assert (rows["sigma_e_m"] < 0.02).all()
    assert review.frames["points"]["status_v"].tolist() == ["confirmed"]
    said = " ".join(review.messages)
    assert "heights are written to 0.1 m, coarser than the tolerance of 0.08 m: they are judged with" in said
    assert "not judged" not in said and "no heights" not in said
    # One fix whose heights jump between two steps is one solution.
    assert "solutions" not in said


@pytest.mark.parametrize(("east_m", "status"), [(0.0, "unproven"), (0.9, "conflict")])
def test_positions_coarser_than_the_tolerance_are_judged_with_what_their_step_can_tell(write, east_m, status):
    recipe = {**HEIGHTS, "match": {"by": "place", "radius_m": 2.0}}
    point = by_point(visits_apart(write, 0.0, 4, recipe, decimals=4, east_m=east_m)).iloc[0]
    assert (point["status_h"], point["status_v"], point["deliver"]) == (status, "confirmed", "no")
    if status == "unproven":
        assert point["reason"] == "positions lie on steps of 0.19 m, coarser than the tolerance of 0.05 m can tell"


@pytest.mark.parametrize("how", ["by the recipe", "no height of the antenna", "left out of the log", "nobody has one"])
def test_position_only_is_said_wherever_people_look(write, tmp_path, how):
    recipe = {**HEIGHTS, "requirement": {"horizontal_m": 0.10, "judge": "h"}} if how == "by the recipe" else {**HEIGHTS}
    if how in ("no height of the antenna", "left out of the log"):
        recipe["step"] = {"nmea": {"antenna_height_m": 2.0, "heights": False} if how.startswith("left") else {}}
    if how == "nobody has one":
        table = tmp_path / "plan.csv"
        table.write_text(
            "Mark,E,N,s,Init,T\nA,1600000.000,5400000.000,0.011,k1,2026-02-09T01:00:00Z\n"
            "A,1600000.007,5400000.004,0.009,k2,2026-02-09T04:00:00Z\n"
        )
        columns = {"point": "Mark", "easting": "E", "northing": "N", "precision_h": "s", "initialization": "Init"}
        stated = {"unit": "m", "precision": "sigma", "initialization": "column", "columns": {**columns, "start": "T"}}
        review = geoqa.review(table, {**recipe, "match": {"by": "name"}, "input": stated, "step": {}})
    else:
        review = visits_apart(write, 0.27, 4, recipe)
    assert review.frames["points"]["status"].tolist() == ["confirmed"]
    assert review.frames["points"]["deliver_reason"].astype(str).str.contains("position only").all()
    first_screen = "\n".join(review.summary()[:12])
    assert "Position only: heights are not judged" in first_screen
    review.write_map(tmp_path / "map.html")
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    assert "Position only: heights are not judged" in page[page.index("<header") : page.index("</header>")]
    first_page = report_first_page.sections(review.frames, review.job)[0]
    assert "Position only: heights are not judged" in str(first_page)
    assert "the input has no heights" not in " ".join(review.messages)


def test_both_axes_judged_is_nothing_to_say(write):
    review = visits_apart(write, 0.0, 4, HEIGHTS)
    assert review.frames["points"]["deliver_reason"].astype(str).tolist() == ["confirmed, meets the requirement"]
    assert "only" not in "\n".join(review.summary()[:12])


def test_the_step_that_a_log_lies_on_counts_and_not_its_digits(write):
    """Altitudes on tenths written with three decimals, and degrees that were numbers of single precision."""
    epochs = [*stay(0, 15, A, 5), *stay(15, 90, A, noise=0.03), *walk(90, 140, A, B), *stay(140, 200, B, noise=0.03)]
    rounded = [replace(epoch, u=round(epoch.u, 1)) for epoch in epochs]
    result = read_all([write("tenths.nmea", rounded)], HEIGHTS, antenna_height_m=2.0)[0]
    assert set(result.frames["occupations"]["resolution_v_m"]) == {0.1}
    assert any("its heights lie on steps of 0.1 m though four decimals are written" in text for text in result.messages)

    def single(value, base, per_degree):
        return float((np.float32(base + value / per_degree).astype(float) - base) * per_degree)

    bare = [
        replace(epoch, e=single(epoch.e, logs.LON, logs.EAST_M), n=single(epoch.n, logs.LAT, logs.NORTH_M))
        for epoch in epochs
    ]
    result = read_all([write("single.nmea", bare)], HEIGHTS)[0]
    step_m = 2.0**-16 * logs.EAST_M  # of longitudes between 128 and 256 degrees
    assert result.frames["occupations"]["resolution_h_m"].to_numpy() == pytest.approx(step_m, rel=0.01)
    fine = read_all([write("fine.nmea", epochs)], HEIGHTS)[0]
    assert not any("lie on steps" in text for text in fine.messages)


def six_stops(up_m):
    """Return stops of a minute at six heights, walks between them as high as where they end."""
    epochs = []
    for k in range(6):
        at, t = (0.0 + 30.0 * k, 0.0), 100 * k
        there = [*stay(t, t + 70, at, seed=k), *walk(t + 70, t + 100, at, (at[0] + 30.0, 0.0))]
        epochs += [replace(epoch, u=up_m(k)) for epoch in there]
    return epochs


def test_epochs_of_one_stop_are_one_height(write):
    """Six stops that happen to lie near whole metres, and a seventh and eighth height on the way, prove no grid."""
    way = {70: 6.0, 170: 7.0}
    epochs = [replace(e, u=next((u for s, u in way.items() if s <= e.s < s + 30), e.u)) for e in six_stops(float)]
    result = read_all([write("whole.nmea", epochs, up_decimals=1)], HEIGHTS, antenna_height_m=2.0)[0]
    assert set(result.frames["occupations"]["resolution_v_m"]) == {0.1}
    said = " ".join(result.messages)
    assert "lie on steps" not in said and "its heights are written to 0.1 m" in said
    coarse = read_all([write("coarse.nmea", epochs, up_decimals=3)], HEIGHTS, antenna_height_m=2.0)[0]
    said = " ".join(coarse.messages)
    assert "heights lie on steps of 1 m though three decimals" in said and "written to" not in said


# Logs of which little can be used, and stops that were never fixed.


def test_a_log_without_a_position_is_set_aside_by_name_and_the_batch_goes_on(write):
    empty = [replace(epoch, quality=0) for epoch in stay(0, 40, A)]
    for name, content in (
        ("garage.nmea", logs.log(empty, dated=False)),
        ("clock.nmea", "".join(logs.rmc(epoch) + "\r\n" for epoch in empty).encode()),
    ):
        review = geoqa.review([write("good.nmea", MORNING), write(name, content)], logs.SITE)
        assert set(review.frames["occupations"]["source_file"]) == {"good.nmea"}
        said = [text for text in review.messages if name in text]
        assert len(said) == 1 and "GGA or GNS" in said[0] and "date" not in said[0] and "e+03" not in said[0]
        account = review.accounts[name]["sentences"]
        assert (account["used"], account["set_aside"]) == (0, account["read"]) and account["read"] >= 40
        with pytest.raises(InputError, match="no row can be used"):
            geoqa.review(write(name, content), logs.SITE)


FLOAT_BESIDE = [
    *stay(0, 15, A, 5), *stay(15, 60, A), *walk(60, 80, A, B), *stay(80, 85, B, 5), *stay(85, 140, B),
    *walk(140, 160, B, A, 5), *stay(160, 220, (0.9, 0.2), 5, noise=0.02, seed=5),
]  # fmt: skip


def test_a_stop_that_never_fixed_is_counted_to_the_point_it_can_belong_to(write):
    review = geoqa.review(write("crew.nmea", FLOAT_BESIDE), logs.SITE)
    points = by_point(review)
    assert points["occupations"].tolist() == [2, 1]
    assert "counted to the one they can belong to, up to 0.9 m away" in " ".join(review.messages)
    assert sorted(review.frames["revisits"]["point"].astype(str)) == ["place 1", "place 2"]


def test_a_stop_that_never_fixed_far_from_any_point_is_listed_and_not_walked_to(write):
    far = [*FLOAT_BESIDE[:-60], *walk(160, 200, B, (60.0, 5.0), 5), *stay(200, 260, (60.0, 5.0), 5, noise=0.02)]
    review = geoqa.review(write("crew.nmea", far), logs.SITE)
    assert len(review.frames["points"]) == 3
    assert "place 3" not in set(review.frames["revisits"]["point"].astype(str))
    assert "never fixed and near no other place, or near several alike: place 3" in " ".join(review.messages)


@pytest.mark.parametrize("length", [7, 60])
def test_fixed_positions_metres_apart_within_one_stop_are_told_however_short_it_is(write, length):
    half = length // 2
    torn = [*stay(100, 100 + half, B), *stay(100 + half, 100 + length, (B[0] + 3.0, B[1]), seed=2)]
    epochs = [*stay(0, 60, A), *walk(60, 100, A, B), *torn, *walk(100 + length, 130 + length, torn_end(torn), A)]
    said = " ".join(geoqa.review(write("crew.nmea", epochs), logs.SITE).messages)
    assert "its fixed positions lie up to" in said or "its fixed positions fall into 2 places up to 3.0" in said
    quiet = [
        *stay(0, 60, A),
        *walk(60, 100, A, B),
        *stay(100, 100 + length, B),
        *walk(100 + length, 130 + length, B, A),
    ]
    assert "its fixed positions" not in " ".join(geoqa.review(write("quiet.nmea", quiet), logs.SITE).messages)


def torn_end(epochs):
    return epochs[-1].e, epochs[-1].n


def test_a_log_of_walking_says_that_no_stop_was_found_by_its_name(write):
    paths = [write("good.nmea", MORNING), write("walking.nmea", walk(9000, 9100, A, (90.0, 20.0)))]
    said = geoqa.review(paths, logs.SITE).messages
    assert any(text.startswith("walking.nmea: no stop found") for text in said)
    assert not any(text.startswith("good.nmea: no stop found") for text in said)
