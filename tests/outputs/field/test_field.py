"""Field sheet, waypoints and table: what the crew reads is what the frame says, and no name can act."""

from __future__ import annotations

import csv
import re
from html.parser import HTMLParser

import gpxpy
import numpy as np
import pandas as pd
import pyproj
import pytest
import sites
from outputs.test_files import HOSTILE

import geoqa
from geoqa.cli import main
from geoqa.outputs.deliver import gpx
from geoqa.outputs.field import sheet, walk
from geoqa.outputs.header import CAUTIONS, FIELD_CAUTIONS, FINDING_ONLY, NAVIGATION_ONLY

VOID = {"meta", "br", "col"}


class Page(HTMLParser):
    """Elements that open and close as they should, their text, and every attribute."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open, self.tags, self.words, self.attributes = [], [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The small site through the command line: A2 in conflict, A3 observed once."""
    folder = tmp_path_factory.mktemp("field")
    data, recipe = sites.write(folder)
    assert main(["review", str(data), "-r", str(recipe), "-o", str(folder / "out")]) == 1
    return folder / "out"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """Every point in conflict, and every text hostile."""
    folder = tmp_path_factory.mktemp("hostile")
    rows = [
        f'"{name}",{1600000 + 20 * k + 0.4 * visit:.3f},5400000.000,100.0,0.010,0.015,'
        f'2026-02-02T{8 + 5 * visit:02d}:00:00Z,"{name}{visit}","{name}","{name}","{name}"'
        for k, name in enumerate(HOSTILE.values())
        for visit in range(2)
    ]
    recipe = sites.RECIPE.replace("[tolerance]", 'canopy = "Cover"\nrole = "Role"\n[tolerance]')
    recipe = recipe.replace('"Test field"', '"{{ 7*7 }} </title><script>window.hit=1</script>"')
    data, toml = sites.write(folder, tuple(rows), recipe, sites.HEAD + ",Cover,Role")
    review = geoqa.review(data, toml)
    review.write(folder / "out")
    return review, folder / "out"


def written(review, folder):
    """Write the files of the field alone."""
    folder.mkdir()
    sheet.write(folder, review.frames, review.job)


def test_the_sheet_says_what_to_do_when_and_how(plain):
    page = Page((plain / "revisits.html").read_text(encoding="utf-8"))
    for said in (
        "Test field: points to observe again", "2 to walk to", "A2", "Deciding visit from Mon 2 Feb 13:55 – 1 more",
        "2 visits disagree horizontally", "A3", "Second visit any time – 2 more", "Observed once", FINDING_ONLY,
        "NZGD2000 / New Zealand Transverse Mercator 2000, m, easting first; heights NZVD2016",
        "times are in UTC", "1600020.1 5400000.1", *FIELD_CAUTIONS, *CAUTIONS, sheet.AGAIN,
        sheet.WHEN, sheet.UNTOLD,
    ):  # fmt: skip
        assert said in page.text, said
    assert sheet.NOT not in page.text  # no sky to be avoided
    assert page.tags.count("svg") == 1
    assert ("class", "box") in page.attributes
    assert page.tags.count("script") == 0
    # Self-contained: nothing is fetched, nothing may run.
    assert not [value for name, value in page.attributes if name in ("src", "href", "onload", "style")]
    assert "default-src 'none'; style-src 'unsafe-inline'" in [value for _, value in page.attributes]


def test_where_nothing_is_to_be_observed_the_sheet_says_so(tmp_path):
    data, recipe = sites.write(tmp_path, sites.ROWS[:2])
    review = geoqa.review(data, recipe)
    assert review.exit_code == 0
    written(review, tmp_path / "out")
    page = Page((tmp_path / "out" / "revisits.html").read_text(encoding="utf-8"))
    assert "No point has to be observed again." in page.text
    assert "svg" not in page.tags and "table" not in page.tags
    parsed = gpxpy.parse((tmp_path / "out" / "revisits.gpx").read_text(encoding="utf-8"))
    assert parsed.waypoints == []
    assert len((tmp_path / "out" / "revisits.csv").read_text().splitlines()) == 1


def test_waypoints_are_gpx_1_1_and_for_navigation_only(plain):
    """Positions from pyproj, an independent route; gpxpy reads and writes the structure again."""
    import pyproj

    parsed = gpxpy.parse((plain / "revisits.gpx").read_text(encoding="utf-8"))
    assert parsed.version == "1.1"
    assert NAVIGATION_ONLY in parsed.description
    again = gpxpy.parse(parsed.to_xml(version="1.1"))
    assert [w.name for w in again.waypoints] == ["1 A2", "2 A3"]
    to_degrees = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:4167", always_xy=True)
    for waypoint, (east, north) in zip(
        parsed.waypoints, ((1600020.15, 5400000.1), (1600040.0, 5400000.0)), strict=True
    ):
        lon, lat = to_degrees.transform(east, north)
        assert (waypoint.longitude, waypoint.latitude) == pytest.approx((lon, lat), abs=1e-7)
        assert NAVIGATION_ONLY in waypoint.description


#: A datum that nothing leads from: an old ellipsoid, and no more is said of it.
UNKNOWN = "+proj=tmerc +lat_0=0 +lon_0=173 +k=0.9996 +x_0=1600000 +y_0=10000000 +ellps=intl +units=m +no_defs"


@pytest.mark.parametrize(("crs", "said"), [
    ("local", "local frame: where it lies on the Earth is not stated"),
    (UNKNOWN, "no published operation of known accuracy leads from it"),
])  # fmt: skip
def test_no_waypoints_where_their_place_would_be_a_guess(tmp_path, crs, said):
    data, recipe = sites.write(tmp_path, sites.ROWS, sites.RECIPE.replace("EPSG:2193", crs))
    written(geoqa.review(data, recipe), tmp_path / "out")
    parsed = gpxpy.parse((tmp_path / "out" / "revisits.gpx").read_text(encoding="utf-8"))
    assert parsed.waypoints == []
    assert said in parsed.description
    assert (tmp_path / "out" / "revisits.html").stat().st_size > 5000


def test_an_older_datum_has_approximate_waypoints_with_the_metres_they_may_be_off(tmp_path):
    """EPSG:27700, by the seven parameters of EPSG:1314 where the grid is not at hand: 2 m, or better by the grid."""
    rows = [row.replace("1600", "440").replace("5400000", "240000") for row in sites.ROWS]
    data, recipe = sites.write(tmp_path, tuple(rows), sites.RECIPE.replace("EPSG:2193", "EPSG:27700"))
    written(geoqa.review(data, recipe), tmp_path / "out")
    parsed = gpxpy.parse((tmp_path / "out" / "revisits.gpx").read_text(encoding="utf-8"))
    (off_m,) = re.findall(r"they may be ([\d.]+) m off", parsed.description)
    assert 0 < float(off_m) <= 5
    # Degrees of the job's own datum would lie some hundred metres beside those of WGS 84.
    own = pyproj.Transformer.from_crs("EPSG:27700", "EPSG:4277", always_xy=True).transform(440040.0, 240000.0)
    last = parsed.waypoints[-1]
    away = pyproj.Geod(ellps="WGS84").inv(*own, last.longitude, last.latitude)[2]
    assert 60 < away < 200
    assert NAVIGATION_ONLY in last.description


def test_a_file_without_waypoints_says_that_nobody_has_to_go(tmp_path):
    review = geoqa.review(*sites.write(tmp_path, sites.ROWS[:2]))
    nobody = review.frames["revisits"].iloc[:0]
    assert "Nobody has to go anywhere again" in gpxpy.parse(walk.build(nobody, review.job)).description


def test_the_table_is_in_the_jobs_unit(tmp_path):
    rows = tuple(row.replace("1600", "6400").replace("5400000", "1800000") for row in sites.ROWS)
    text = sites.RECIPE.replace("EPSG:2193", "EPSG:2229").replace('unit = "m"', 'unit = "ftUS"')
    data, recipe = sites.write(tmp_path, rows, text)
    written(geoqa.review(data, recipe), tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "revisits.csv").set_index("point")
    assert table.loc["A3", "easting_ftUS"] == 6400040.0
    assert table.loc["A3", "height_ftUS"] == 102.0
    assert table.loc["A3", "walk_ftUS"] == pytest.approx(19.9, abs=0.11)
    assert table.loc["A3", "earliest_utc"] == "2026-02-02T09:05:00Z"
    assert "20 ft E " in Page((tmp_path / "out" / "revisits.html").read_text(encoding="utf-8")).text


def test_longitude_and_latitude_where_the_job_counts_in_them(tmp_path):
    rows = (
        "A1,170.0000000000,-45.0000000000,100.0,0.01,0.015,2026-02-02T08:00:00Z,i1,B1",
        "A2,170.0010000000,-45.0000000000,100.0,0.01,0.015,2026-02-02T13:00:00Z,i2,B2",
    )
    text = sites.RECIPE.replace('easting = "E"', 'longitude = "E"').replace('northing = "N"', 'latitude = "N"')
    text = text.replace("EPSG:2193", "EPSG:4167") + '[step.revisits]\nstart = "169.999,-45.0"\n'
    data, recipe = sites.write(tmp_path, rows, text)
    review = geoqa.review(data, recipe)
    walked = review.frames["revisits"].sort_values("walk")
    # 0.001 degrees of longitude at 45 degrees south, by Karney's geodesic (geographiclib): 78.846 m.
    from geographiclib.geodesic import Geodesic

    leg = Geodesic(6378137, 1 / 298.257222101).Inverse(-45, 170, -45, 170.001)["s12"]
    assert walked["walk_m"].tolist() == pytest.approx([leg, leg], abs=0.01)
    written(review, tmp_path / "out")
    table = pd.read_csv(tmp_path / "out" / "revisits.csv").set_index("point")
    assert table.loc["A2", ["longitude_deg", "latitude_deg"]].tolist() == pytest.approx([170.001, -45.0], abs=1e-8)
    parsed = gpxpy.parse((tmp_path / "out" / "revisits.gpx").read_text(encoding="utf-8"))
    assert parsed.waypoints[1].longitude == pytest.approx(170.001, abs=1e-7)


def test_no_hostile_name_acts_on_the_sheet(hostile):
    review, out = hostile
    assert len(review.frames["revisits"]) == len(HOSTILE)
    text = (out / "revisits.html").read_text(encoding="utf-8")
    page = Page(text)
    assert set(page.tags) <= {
        "html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "b", "span", "div", "ul", "ol", "li", "dl",
        "dt", "dd", "table", "colgroup", "col", "thead", "tbody", "tr", "th", "td", "svg", "polyline", "rect", "circle",
        "path", "text",
    }  # fmt: skip
    assert {name for name, _ in page.attributes} <= {
        "lang", "charset", "http-equiv", "content", "name", "class", "colspan", "viewbox", "role", "aria-label",
        "points", "x", "y", "width", "height", "cx", "cy", "r", "d", "paint-order",
    }  # fmt: skip
    for sign in ("{{", "{%", "{#", "\u202e"):
        assert sign not in text
    assert "L" * 200 not in text


def test_no_hostile_name_acts_in_the_waypoints(hostile):
    _, out = hostile
    text = (out / "revisits.gpx").read_text(encoding="utf-8")
    parsed = gpxpy.parse(text)
    assert len(parsed.waypoints) == len(HOSTILE)
    names = {waypoint.name.partition(" ")[2] for waypoint in parsed.waypoints}
    assert "</script><script>window.hit=1</script>" in names
    assert "<script" not in text


def test_no_hostile_name_acts_in_the_table(hostile):
    _, out = hostile
    with (out / "revisits.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(HOSTILE)
    for row in rows:
        for cell in row.values():
            assert not re.match(r"[=@\t\r]|[+-](?![\d.])", cell), cell


def test_a_name_that_xml_cannot_hold_is_shown_otherwise():
    text = "".join(gpx.waypoints(["a\x00b\x0bc\ufffe\ud800<&"], [1.0], [2.0], [""], title="", about=""))
    assert gpxpy.parse(text).waypoints[0].name == "a⟨U+0000⟩b⟨U+000B⟩c⟨U+FFFE⟩\ufffd<&"


def walked(n, spread=1000.0, seed=5):
    """Return rows of a walk through `n` made-up places."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, spread, (n, 2))
    return pd.DataFrame(
        {
            "easting_m": place[:, 0], "northing_m": place[:, 1], "walk": np.arange(1, n + 1), "walk_m": 10.0,
            "walk_azimuth_deg": 45.0, "action_key": "second", "group": [f"area {1 + k // 10}" for k in range(n)],
        }
    )  # fmt: skip


@pytest.mark.parametrize("n", [1, 2, 30, 400])
def test_numbers_on_the_sketch_do_not_overlap(n):
    drawn = walk.whole(walked(n), "m")
    drawn, _, insets = drawn.partition("</svg>")
    assert drawn.count("<circle") == n
    missing = {str(k + 1) for k in range(n)} - set(re.findall(r"<text[^>]*>(\d+)</text>", drawn))
    assert n > walk.MANY or not missing or missing & set(re.findall(r"<text[^>]*>(\d+)</text>", insets))
    at = [(float(x), float(y), label) for x, y, label in re.findall(r'<text x="(.*?)" y="(.*?)">(.*?)</text>', drawn)]
    at = [one for one in at if one[2] != "N"]
    assert at
    for i, (x, y, label) in enumerate(at):
        for x2, y2, other in at[:i]:
            wide = walk.WIDE_MM * (len(label) + len(other)) / 2
            assert abs(x - x2) > wide - 0.2 or abs(y - y2) > walk.DIGIT_MM - 0.2


def drawn_at(drawn):
    """Return where dots and words of a sketch are, and its line: millimetres of paper."""
    number = r"(-?[0-9.]+)"
    dots = [tuple(map(float, one)) for one in re.findall(rf'<circle cx="{number}" cy="{number}" r="{number}"', drawn)]
    words = {w: (float(x), float(y)) for x, y, w in re.findall(rf'<text[^>]* x="{number}" y="{number}">(.*?)<', drawn)}
    line = [tuple(map(float, one.split(","))) for one in re.search('points="(.*?)"', drawn)[1].split()]
    return dots, words, line


def test_a_sketch_to_scale():
    """80 m by 30 m on 86 mm of paper: 0.930 m a millimetre, and 14 mm of margin and key below and above."""
    rows = pd.DataFrame(
        {
            "easting_m": [20.0, 80.0, 80.0], "northing_m": [0.0, 0.0, 30.0], "walk": [1, 2, 3],
            "walk_m": [20.0, 60.0, 30.0], "walk_azimuth_deg": [90.0, 90.0, 0.0], "group": ["a", "a", "b"],
        }
    )  # fmt: skip
    drawn = walk.whole(rows, "ft")
    dots, words, line = drawn_at(drawn)
    assert 'viewBox="0 0 106 46.2"' in drawn
    at = [(27.5, 36.25), (92.0, 36.25), (92.0, 4.0)]
    assert np.array(line) == pytest.approx(np.array([(6.0, 36.25), *at]), abs=0.051)
    assert np.array(dots) == pytest.approx(np.array([(x, y, 0.9) for x, y in at]), abs=0.051)
    # A quarter of the width is 80.9 ft, of which 50 are 16.4 mm; numbers stand 2.35 mm east of their dots.
    expected = {"N": (100, 17), "50 ft": (22.38, 42.25)}
    expected |= {str(k + 1): (x + 2.35, y + 1.3) for k, (x, y) in enumerate(at)}
    assert words.keys() == expected.keys()
    for word, place in expected.items():
        assert words[word] == pytest.approx(place, abs=0.051), word
    assert re.search('class="bar" d="M4 40.[78]v1.5h16.4v-1.5"', drawn)
    assert 'd="M100 13V4l-1.8 3.6M100 4l1.8 3.6"' in drawn
    assert re.search('<rect x="4.4" y="34.[67]" width="3.2" height="3.2"/>', drawn)


def test_a_sketch_of_one_area_and_one_of_many_points():
    rows = pd.DataFrame({"easting_m": [0.0, 82.0], "northing_m": [0.0, 7.0], "walk": [7, 12]})
    dots, words, _ = drawn_at(walk.area(rows, "m"))
    assert dots == [(6.0, 24.0, 0.9), (170.0, 10.0, 0.9)]
    assert words["7"] == pytest.approx((8.35, 25.3), abs=0.051)
    # No room for two figures east of the second.
    assert words["12"] == pytest.approx((170 - 2.1 - 1.3, 11.3), abs=0.051)
    assert words["20 m"] == pytest.approx((46, 36))
    many = pd.DataFrame(
        {
            "easting_m": np.linspace(0, 328, 61), "northing_m": np.linspace(0, 100, 61), "walk": range(1, 62),
            "walk_m": 20.0, "walk_azimuth_deg": 270.0, "group": ["a"] * 31 + ["b"] * 30,
        }
    )  # fmt: skip
    drawn = walk.whole(many, "m")
    dots, words, _ = drawn_at(drawn)
    assert 'viewBox="0 0 184 64.0"' in drawn
    assert dots[0] == (6.0, 54.0, 0.6) and dots[-1] == (170.0, 4.0, 0.6)
    # Of each group its name at the first point: west of it, and north where dots stand west and east.
    assert words.keys() == {"N", "50 m", "a", "b"}
    assert words["a"] == pytest.approx((3.65, 55.3), abs=0.051)
    assert words["b"] == pytest.approx((6 + 164 * 31 / 60, 54 - 50 * 31 / 60 - 1.6), abs=0.051)
    assert 'viewBox="0 0 106' in walk.whole(many.head(60), "m")


def test_a_number_stands_at_the_first_of_eight_places_that_is_free():
    way = np.array(
        [
            (20, 20), (23, 20), (17, 20), (1, 1), (48, 30), (9, 30), (33, 10), (36, 10), (30, 10), (33, 6.2),
        ], float,
    )  # fmt: skip
    labels = ["1", "-", "-", "2", "34", "5", "6", "-", "-", "-"]
    said, _ = walk._labels(way, labels, np.array([0, 3, 4, 5, 6]), (60.0, 40.0), np.array([(14.0, 30.0)]))
    found = {w: (float(x), float(y)) for x, y, w in re.findall('<text x="(.*?)" y="(.*?)">(.*?)</text>', said)}
    assert found == {
        "1": (20.0, 18.4),  # north: other dots are east and west
        "2": (pytest.approx(3.35, abs=0.051), 5.2),  # south-east, in the corner
        "34": (pytest.approx(44.6, abs=0.051), 31.3),  # west: the margin is east
        "5": (pytest.approx(6.65, abs=0.051), 31.3),  # west: the walk begins east of it
        "6": (33.0, 14.2),  # south
    }
    crowded = walk._labels(np.array([(1.0, 1.0)]), ["123456789"], np.array([0]), (12.0, 4.0), np.zeros((0, 2)))
    assert crowded[0] == "" and crowded[1].tolist() == [0]


def test_a_walk_along_a_line_takes_no_more_paper_than_its_key():
    flat, square = (walk.whole(walked(6).assign(**same), "m") for same in ({"northing_m": 5.0}, {}))
    assert [re.search('viewBox="0 0 [0-9.]+ ([0-9.]+)"', drawn)[1] for drawn in (flat, square)] == ["40.0", "58.0"]


def test_places_on_one_spot_and_a_first_leg_without_a_direction_are_drawn():
    one = walked(3, 0.0).assign(walk_m=0.0, walk_azimuth_deg=np.nan)
    assert "nan" not in walk.whole(one, "ftUS")
    assert walk.whole(one.iloc[:0], "m") == ""


@pytest.mark.parametrize("deliver", ["yes", "no"])
def test_a_zone_that_is_off_together_is_told_where_its_points_would_be_delivered(plain, deliver):
    from geoqa.reviews.stored import load

    review = load(plain)
    zone = {
        "zone": "zone-1", "kind": "large closures and common direction", "rests_on_direction": True,
        "bias_e_m": 0.03, "bias_n_m": -0.04,
        "bias_of": "B1, minus the other set-ups", "geometry": None,
    }  # fmt: skip
    points = pd.DataFrame({"point": ["<i>", "P2", "P3"], "zone": ["zone-1", "zone-1", None], "deliver": deliver})
    frames = {"zones": pd.DataFrame([zone]), "points": points}
    made = sheet.zone_notice(frames, review.job)
    assert bool(made) == (deliver == "yes")
    page = sheet.build(review.frames["revisits"], review.frames["occupations"], review.job, made)
    said = "zone-1, by 0.050 m (B1, minus the other set-ups): <i>, P2 One more visit does not show"
    assert (said in Page(page).text) == (deliver == "yes")
    assert sheet.zone_notice({"points": points}, review.job) == []


def test_a_very_long_sheet_is_cut_and_says_so(plain):
    from geoqa.reviews.stored import load

    review = load(plain)
    one = review.frames["revisits"].head(1)
    many = pd.concat([one] * (sheet.MOST + 5), ignore_index=True)
    number = np.arange(1, len(many) + 1)
    many = many.assign(rank=number, walk=number[::-1], point=[f"P{n}" for n in number])
    page = Page(sheet.build(many, review.frames["occupations"], review.job))
    assert f"These are the {sheet.MOST:,} of {len(many):,} that need it most" in page.text
    assert page.attributes.count(("class", "number")) == sheet.MOST


def test_run_revisits_begins_elsewhere_and_steps_tells_how(plain, tmp_path, capsys):
    import pyogrio

    out = tmp_path / "again.gpkg"
    assert main(["run", "revisits", str(plain), "--start", "A3", "--out", str(out)]) == 0
    again = pyogrio.read_dataframe(out, layer="revisits").sort_values("walk")
    assert again["point"].tolist() == ["A3", "A2"]
    assert main(["run", "revisits", str(plain), "--start", "nowhere", "--out", str(tmp_path / "no.gpkg")]) == 2
    assert "neither a point with a place nor coordinates" in capsys.readouterr().err
    assert main(["steps", "revisits"]) == 0
    text = capsys.readouterr().out
    assert "[step.revisits]" in text and "where it is there points.zone" in text
