"""The layers of the map: places, directions, which pairs, and what a click shows."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
from outputs.unpacked import Page, script

from geoqa.core import geodesy
from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import StepError
from geoqa.core.units import METRES_PER
from geoqa.outputs.layers import positions
from geoqa.outputs.layers.points import ClosuresLayer, EllipsesLayer, PointsLayer
from geoqa.outputs.map.html_map import MapContext, build_map

LAYERS = (PointsLayer, EllipsesLayer, ClosuresLayer)


def one(layer, frames, job) -> Drawing:
    (drawing,) = layer().draw(frames, job)
    return drawing


@pytest.fixture
def told(frames, job):
    """What a click on a point shows, by the script that shows it."""

    def say(point, frames=frames, job=job, whole=False):
        page = Page(build_map(PointsLayer().draw(frames, job), MapContext.of(frames, job)))
        sections = {s["title"].split(",")[0]: s for s in page.told(0, point)}
        return sections if whole else {t: s["rows"] if s["head"] else dict(s["rows"]) for t, s in sections.items()}

    return say


@pytest.mark.parametrize("layer", LAYERS)
def test_layers_leave_the_frames_alone(layer, frames, job):
    before = {name: frame.copy(deep=True) for name, frame in frames.items()}
    layer().draw(frames, job)
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(before[name]))


@pytest.mark.parametrize("layer", LAYERS)
def test_layers_take_frames_without_rows(layer, frames, job):
    empty = {name: frame.iloc[:0] for name, frame in frames.items()}
    assert len(one(layer, empty, job)) == 0
    assert Page(build_map(layer().draw(empty, job), MapContext.of(empty, job))).drawings[0]["n"] == 0


def test_every_point_is_drawn_by_its_status_and_marked_by_its_delivery(frames, job):
    drawing, points = one(PointsLayer, frames, job), frames["points"]
    assert list(drawing.columns["style"]) == list(points["status"])
    assert list(drawing.columns["mark"]) == [word == "yes" for word in points["deliver"]]
    assert list(drawing.columns["label"]) == list(points["point"])
    assert np.isfinite(drawing.columns["lon_deg"]).all()


def test_points_stand_where_proj_puts_them(frames, job):
    drawing, shapes = one(PointsLayer, frames, job), frames["points"].geometry
    lon, lat = pyproj.Transformer.from_crs(2193, 4167, always_xy=True).transform(shapes.x, shapes.y)
    assert drawing.columns["lon_deg"] == pytest.approx(lon, abs=1e-12)
    assert drawing.columns["lat_deg"] == pytest.approx(lat, abs=1e-12)


def test_a_system_in_feet_and_one_in_degrees_give_the_same_place(frames, job, make_job):
    lon, lat = np.array([-80.5, -80.4]), np.array([35.2, 35.3])
    feet = pyproj.Transformer.from_crs(4269, 2264, always_xy=True).transform(lon, lat)
    plane = gpd.GeoDataFrame({"point": ["a", "b"]}, geometry=gpd.points_from_xy(*feet), crs=2264)
    degrees = gpd.GeoDataFrame({"point": ["a", "b"]}, geometry=gpd.points_from_xy(lon, lat), crs=4269)
    local = dataclasses.replace(make_job("m", "EPSG:4269"), local_origin=(-80.5, 35.2))
    found = positions.places(plane, make_job("ftUS", "EPSG:2264"))
    other = positions.places(degrees, local)
    assert found.lon_deg == pytest.approx(lon, abs=1e-10)
    assert found.easting_m == pytest.approx(np.asarray(feet[0]) * METRES_PER["ftUS"], abs=1e-6)
    assert (other.lon_deg == lon).all()
    assert other.easting_m[0] == pytest.approx(0, abs=1e-6)


def test_a_point_without_a_place_is_kept_and_not_drawn(frames, job):
    frames["points"] = frames["points"].set_geometry(
        [None if k == 2 else shape for k, shape in enumerate(frames["points"].geometry)], crs=2193
    )
    drawing = one(PointsLayer, frames, job)
    assert len(drawing) == 61
    assert np.isnan(drawing.columns["lon_deg"]).sum() == 1


def far_east(frames, job):
    """Move the points to where grid and true north differ by more than two degrees; return a way to step from them."""
    points = frames["points"]
    frames["points"] = points.set_geometry(points.geometry.translate(400_000, 0))
    system = job.grid.system

    def step(names, de_m, dn_m):
        """East and north on the ellipsoid between the ends of a grid vector."""
        shapes = frames["points"].set_index("point").geometry.loc[names]
        x, y = shapes.x.to_numpy(), shapes.y.to_numpy()
        lon, lat = system.to_lonlat(x, y)
        assert np.abs(system.convergence_deg(lon, lat)).min() > 2
        return geodesy.enu_difference(
            lon, lat, *system.to_lonlat(x + de_m, y + dn_m), system.semi_major_m, system.flattening
        )

    return step


def test_ellipses_turn_from_grid_to_true_north(frames, job):
    step = far_east(frames, job)
    drawing = one(EllipsesLayer, frames, job)
    drawn = frames["points"][frames["points"]["semi_major_m"].notna()]
    along = np.radians(drawn["azimuth_deg"].to_numpy())
    true = geodesy.azimuth_deg(*step(drawn["point"], 10 * np.sin(along), 10 * np.cos(along)))
    turned = (drawing.columns["azimuth_deg"] + drawing.columns["turn_deg"])[frames["points"]["semi_major_m"].notna()]
    assert turned % 180 == pytest.approx(true % 180, abs=0.001)
    assert drawing.exaggerated
    assert drawing.title == "Ellipses, 95 %"


def test_closures_turn_from_grid_to_true_north(frames, job):
    step = far_east(frames, job)
    frames["closures"]["de_m"], frames["closures"]["dn_m"] = 8.0, -3.0
    drawing = one(ClosuresLayer, frames, job)
    east, north = step(frames["closures"]["point"], 8.0, -3.0)
    # Grid and ground differ by the scale of the projection there, some 0.16 %: far less than the turn.
    vectors = {name: np.asarray(drawing.columns[name]).tolist() for name in ("east_m", "north_m", "turn_deg")}
    program = """(() => { const e = Float64Array.from(v.east_m), n = Float64Array.from(v.north_m);
      geometry.turn(e, n, v.turn_deg); return [Array.from(e), Array.from(n)]; })()"""
    assert script(program, v=vectors) == [pytest.approx(east, abs=0.02), pytest.approx(north, abs=0.02)]


def test_closures_of_geographic_input_are_true_already(frames, make_job):
    degrees = dataclasses.replace(make_job("m", "EPSG:4167"), local_origin=(173.2, -41.4))
    frames["points"] = frames["points"].to_crs(4167)
    drawing = one(ClosuresLayer, frames, degrees)
    assert (drawing.columns["east_m"] == frames["closures"]["de_m"].to_numpy()).all()
    assert (drawing.columns["turn_deg"] == 0).all()


@pytest.mark.parametrize("grade", ["copied", "same-fix"])
def test_pairs_without_evidence_are_not_drawn(grade, frames, job):
    frames["closures"].loc[[0, 5], "independence_h"] = grade
    style = list(one(ClosuresLayer, frames, job).columns["style"])
    assert [k for k, key in enumerate(style) if not key] == [0, 5]


def test_closures_show_their_side_of_the_tolerance(frames, job):
    drawing, closures = one(ClosuresLayer, frames, job), frames["closures"]
    beyond = closures["status"].isin(["loose", "conflict"])
    assert list(drawing.columns["style"]) == ["beyond" if b else "within" for b in beyond]


def test_a_click_shows_judgement_visits_and_closures_in_metres(frames, told):
    points, said = frames["points"], told(0)
    assert said["Judgement"]["status"] == "confirmed"
    assert said["Judgement"]["deliver"] == "yes"
    assert said["Position and uncertainty"]["easting"] == f"{points['easting_m'][0]:.3f} m"
    visits = said["Visits and occupations"]
    start = frames["occupations"]["start_utc"].dt.strftime("%Y-%m-%d %H:%M")
    assert [row[:3] for row in visits] == [["1", "1", start[0]], ["2", "2", start[1]]]
    mine = frames["occupations"]["easting_m"][:2] - points["easting_m"][0]
    assert [row[5] for row in visits] == [f"{offset:+.3f}" for offset in mine]
    (pair,) = said["Closures"]
    assert pair[:2] == ["1 → 2", "5 h 11 min"]
    assert pair[3] == f"{frames['closures']['de_m'][0]:+.3f}"


def test_every_number_of_a_large_site_is_the_frames(frames, job, told):
    """Guesses by the grid and by the ends of closures change no digit."""
    far_east(frames, job)
    closures, points = frames["closures"].set_index("point"), frames["points"]
    page = Page(build_map(PointsLayer().draw(frames, job), MapContext.of(frames, job)))
    assert any("guess" in c for t in page.drawings[0]["tables"] for c in t["columns"])
    for k, name in enumerate(points["point"]):
        said = {s["title"].split(",")[0]: s["rows"] for s in page.told(0, k)} if k % 7 == 0 else {}
        for pair in said.get("Closures", []):
            mine = closures.loc[name, ["de_m", "dn_m", "du_m", "horizontal_m"]]
            assert [float(text) for text in pair[3:7]] == [float(f"{value:.3f}") for value in mine]
        if said and points["easting_m"].notna()[k]:
            place_said = dict(said["Position and uncertainty"])
            for axis in ("easting", "northing"):
                assert place_said[axis] == f"{points[f'{axis}_m'][k]:.3f} m"


def test_a_click_shows_feet_with_metres_beside(frames, make_job, told):
    job = make_job("ftUS")
    metres = frames["closures"]["horizontal_m"][0]
    section = told(0, job=job, whole=True)["Closures"]
    at = section["head"].index("horizontal, ftUS (m)")
    assert section["rows"][0][at] == f"{metres * 3937 / 1200:.3f} ({metres:.3f})"
    radius = frames["points"]["radius95_m"][0]
    said = told(0, job=job)["Position and uncertainty"]["radius, 95 %"]
    assert said == f"{radius * 3937 / 1200:.3f} ftUS ({radius:.3f} m)"


def test_occupations_stand_in_the_order_of_time_and_pairs_keep_their_numbers(frames, told):
    frames["occupations"] = frames["occupations"].iloc[::-1]
    said = told(0)
    assert [row[:2] for row in said["Visits and occupations"]] == [["1", "1"], ["2", "2"]]
    assert said["Closures"][0][0] == "1 → 2"
    assert said["Closures"][0][3] == f"{frames['closures']['de_m'][0]:+.3f}"


def test_a_point_judged_apart_in_plan_and_height_says_so(frames, told):
    frames["points"]["status_h"], frames["points"]["status_v"] = "confirmed", "confirmed"
    frames["points"].loc[0, ["status", "status_v"]] = "conflict"
    assert told(0)["Judgement"]["status"] == "conflict (horizontal confirmed, height conflict)"
    assert told(1)["Judgement"]["status"] == "confirmed"


def test_what_the_file_does_not_hold_has_no_column(frames, told):
    frames["occupations"] = frames["occupations"].drop(columns=["start_utc", "base"])
    frames["occupations"]["height_m"] = frames["closures"]["du_m"] = np.nan
    said = told(0, whole=True)
    head = said["Visits and occupations"]["head"]
    assert head == ["no.", "visit", "use", "east, m", "north, m", "stated E, m", "stated N, m", "stated U, m"]
    assert len(said["Visits and occupations"]["rows"][0]) == len(head)
    assert "up, m" not in said["Closures"]["head"]


def test_a_conflict_gives_no_coordinate_and_says_so(frames, told):
    k = list(frames["points"]["status"]).index("conflict")
    assert told(k)["Position and uncertainty"] == {"coordinate": "none given; drawn at the place of its visits"}


def test_a_point_without_closures_has_no_table_of_them(frames, told):
    k = list(frames["points"]["status"]).index("unproven")
    assert list(told(k)) == ["Judgement", "What this rests on", "Position and uncertainty", "Visits and occupations"]


def test_points_may_be_chosen_by_what_their_occupations_had(frames, job):
    page = Page(build_map(PointsLayer().draw(frames, job), MapContext.of(frames, job)))
    assert [f["title"] for f in page.drawings[0]["facets"]] == ["Base", "Day, UTC"]
    bases = frames["occupations"].groupby("point")["base"].agg(set)
    assert page.facet("Base") == [bases[name] for name in frames["points"]["point"]]
    days = frames["occupations"]["start_utc"].dt.strftime("%Y-%m-%d").groupby(frames["occupations"]["point"]).agg(set)
    assert page.facet("Day, UTC") == [days[name] for name in frames["points"]["point"]]


def test_a_day_begins_where_clocks_go_forward_at_midnight(frames, job):
    # Chile, 8 September 2024: the clocks went from 24:00 to 01:00, so the day has no midnight.
    occupations = frames["occupations"]
    moved = pd.Timestamp("2024-09-08T12:00", tz="UTC") - occupations["start_utc"].min()
    there = dataclasses.replace(job, input=dataclasses.replace(job.input, timezone="America/Santiago"))
    frames = {**frames, "occupations": occupations.assign(start_utc=occupations["start_utc"] + moved)}
    page = Page(build_map(PointsLayer().draw(frames, there), MapContext.of(frames, there)))
    assert "2024-09-08" in set.union(*page.facet("Day, America/Santiago"))


def test_what_is_not_stated_is_offered_once(frames, job):
    frames = {**frames, "points": frames["points"].assign(canopy=[None, *[""] * 60])}
    page = Page(build_map(PointsLayer().draw(frames, job), MapContext.of(frames, job)))
    assert "Cover" not in [facet["title"] for facet in page.drawings[0]["facets"]]


@pytest.fixture
def date_line(frames, make_job):
    """The site moved to Fiji, half of it beyond the date line."""
    job = make_job(crs="EPSG:3460")
    east, north = job.grid.system.from_lonlat(np.array([180.0]), np.array([-17.0]))
    points = frames["points"].copy()
    by = {"easting_m": east - points.geometry.x.mean(), "northing_m": north - points.geometry.y.mean()}
    points["geometry"] = points.geometry.translate(*(float(d[0]) for d in by.values()))
    occupations = frames["occupations"].copy()
    for name, d in by.items():
        points[name], occupations[name] = points[name] + d, occupations[name] + d
    return {**frames, "points": points, "occupations": occupations}, job


def test_a_site_across_the_date_line_has_its_grid_on_its_own_side(date_line):
    frames, job = date_line
    lon = PointsLayer().draw(frames, job)[0].columns["lon_deg"]
    assert lon.min() < -179.9
    assert lon.max() > 179.9
    context = MapContext.of(frames, job)
    page = Page(build_map(PointsLayer().draw(frames, job), context))
    assert np.abs(page.column(0, "x") - context.grid["centre"][0]).max() < context.grid["half"][0]
    row = frames["points"].iloc[20]
    (said,) = (dict(s["rows"]) for s in page.told(0, 20) if s["title"] == "Position and uncertainty")
    assert said["easting"] == f"{row['easting_m']:.3f} m"


def test_a_drawing_that_breaks_its_contract_names_every_fault():
    bad = Style("a", "a", "blob", "red")
    with pytest.raises(StepError) as caught:
        Drawing("symbols", "Mine", {"lon_deg": [1.0], "style": ["a", "b"], "html": [""]}, (bad,))
    message = str(caught.value)
    for part in ("'Mine'", "lat_deg", "html", "different lengths", "undeclared styles b", "'blob'", "#rrggbb"):
        assert part in message
    with pytest.raises(StepError, match="must be one of symbols"):
        Drawing("markers", "Mine", {"style": []}, ())


def test_an_arrow_to_a_fix_that_was_left_out_says_so(frames, job):
    pair = frames["closures"].iloc[3]
    rows = frames["occupations"]
    rows["use"] = np.where(rows["occupation_id"] == pair["occupation_b"], "left out", "used")
    # Where the coordinate rests on nothing, nothing was left out.
    other = frames["closures"].iloc[5]
    rows.loc[rows["point"] == other["point"], "use"] = "in conflict"
    drawn = one(ClosuresLayer, frames, job)
    at = list(frames["points"]["point"])
    style = {at[point]: key for point, key in zip(drawn.columns["point"], drawn.columns["style"], strict=True)}
    assert [name for name, key in style.items() if key == "out"] == [pair["point"]]
    assert style[other["point"]] != "out"
    assert {look.key: look.shape for look in drawn.styles}["out"] == "dash"


def test_only_what_is_beyond_in_height_alone_has_a_rise(frames, job):
    points, closures = frames["points"], frames["closures"]
    points["limit_h_m"], points["limit_v_m"] = 0.05, 0.08
    names = [*points["point"][points["status"] == "conflict"][:2], "KF101"]
    for name, worst_h in zip(names, (0.02, 0.3, 0.02), strict=True):
        points.loc[points["point"] == name, ["worst_horizontal_m", "worst_vertical_m"]] = [worst_h, 0.2]
        closures.loc[closures["point"] == name, "du_m"] = -0.2
    rise = one(PointsLayer, frames, job).columns["rise_m"]
    # Not the second, beyond in both, and not the third, which a majority confirmed.
    assert np.flatnonzero(np.isfinite(rise)).tolist() == [list(points["point"]).index(names[0])]
    assert np.nanmin(rise) == -0.2


def test_points_that_need_nothing_can_be_chosen(frames, job):
    revisits = pd.DataFrame({"point": ["KF103", "KF104"], "action": pd.Categorical(["second visit", "return later"])})
    for name in ("instruction", "earliest_utc", "avoid_from_utc", "avoid_to_utc", "observe_s", "give_up_after"):
        revisits[name] = pd.NaT if name.endswith("utc") else np.nan
    facets = {
        facet.title: pd.Series(facet.texts) for facet in one(PointsLayer, {**frames, "revisits": revisits}, job).facets
    }
    assert facets["To do"].value_counts().to_dict() == {
        "nothing to do": len(frames["points"]) - 2, "second visit": 1, "return later": 1,
    }  # fmt: skip
