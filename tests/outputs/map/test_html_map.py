"""The page: one file, the same bytes each time, nothing fetched, no text of a file at work."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import re

import numpy as np
import pandas as pd
import pytest
from outputs.unpacked import STATIC, Page, script

from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.core.errors import StepError
from geoqa.core.frames.contract import STATUSES
from geoqa.outputs import header, offline, symbology
from geoqa.outputs.map import html_map
from geoqa.outputs.map.html_map import MapContext, build_map
from geoqa.outputs.text import display_text

PLAIN = Style("s", "S", "diamond", "#123456")


def pieces(page: str, tag: str) -> list[str]:
    return re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)


def context(**more) -> MapContext:
    given = {"title": "Kea Flat", "statuses": {}, "deliveries": {}, "tolerance": "", "requirement": "", "crs": "NZTM"}
    return MapContext(**(given | more))


def symbols(**more) -> Drawing:
    return Drawing("symbols", "Mine", {"lon_deg": [173.0], "lat_deg": [-41.0], "style": ["s"], **more}, (PLAIN,))


def test_the_same_input_gives_the_same_bytes(make_page, frames, job):
    assert make_page(frames, job) == make_page(frames, job)


def test_the_policy_lets_only_geoqas_pieces_act(make_page, frames, job):
    page = make_page(frames, job)
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', page)
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    for tag, rule in (("script", "script-src"), ("style", "style-src")):
        digests = {base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in pieces(page, tag)}
        assert {f"'sha256-{digest}'" for digest in digests} == set(rules[rule].split())
    assert rules["default-src"] == "'none'"
    assert set(rules) == {"default-src", "script-src", "style-src", "base-uri", "form-action"}
    assert "\r" not in page


def test_nothing_is_fetched(make_page, frames, job):
    page = make_page(frames, job)
    assert not re.search(r"<(link|img|iframe|object|embed|base)\b", page.replace(offline.leaflet()[0], ""))
    assert not re.search(r"<script[^>]+src=", page)
    assert all("url(" not in style and "@import" not in style for style in pieces(page, "style"))
    assert "jquery" not in page.lower()
    assert "bootstrap" not in page.lower()


def test_pinch_zoom_is_allowed(make_page, frames, job):
    page = make_page(frames, job)
    assert "user-scalable" not in page
    assert "maximum-scale" not in page


def test_leaflet_is_the_one_that_was_looked_at_and_keeps_its_licence(make_page, frames, job):
    found = {name: hashlib.sha256(offline.leaflet_file(name)).hexdigest() for name in offline.LEAFLET_SHA256}
    assert found == offline.LEAFLET_SHA256, "xstatic-leaflet changed: look at the new one, then record its checksums"
    assert "(c) 2010-2022 Vladimir Agafonkin" in make_page(frames, job)


def test_counts_are_those_of_the_frame(make_page, frames, job):
    said = Page(make_page(frames, job)).context
    points = frames["points"]
    assert {s["status"]: s["count"] for s in said["symbols"]} == {
        s: int((points["status"] == s).sum()) for s in STATUSES
    }
    assert {d["deliver"]: d["count"] for d in said["delivery"]} == {
        w: int((points["deliver"] == w).sum()) for w in ("yes", "no")
    }


def test_the_key_is_made_from_the_table_of_symbols(make_page, frames, job):
    page = make_page(frames, job)
    said, drawn = Page(page).context, Page(page).drawings[0]
    for entry, style, symbol in zip(said["symbols"], drawn["styles"], symbology.SYMBOLS.values(), strict=True):
        assert (entry["shape"], entry["light"], entry["dark"]) == (symbol.shape, symbol.light, symbol.dark)
        assert (style["shape"], style["colour"], style["dark"]) == (symbol.shape, symbol.light, symbol.dark)
    scripts = "".join(path.read_text("utf-8") for path in STATIC.glob("*.js"))
    assert not [s for s in symbology.SYMBOLS if re.search(rf"\b{s}\b", scripts)], "a status is named in JavaScript"


def test_what_the_job_asked_and_the_cautions_stand_on_the_page(make_page, frames, job):
    page = make_page(frames, job, notes=("Heights were not judged.",))
    said = Page(page).context
    assert said["tolerance"] == "horizontal 0.050 m, vertical 0.080 m (pair closure)"
    assert said["requirement"] == "horizontal 0.050 m, vertical 0.100 m at 95 %"
    assert said["crs"] == "NZGD2000 / New Zealand Transverse Mercator 2000"
    assert said["notes"] == ["Heights were not judged."]
    assert set(header.CAUTIONS) < set(said["cautions"])
    (fallback,) = re.findall(r"<noscript>(.*?)</noscript>", page)
    assert all(word in fallback for word in (*STATUSES, "certification"))


def test_the_page_says_when_no_precision_is_known(make_page, frames, job):
    def known():
        return Page(make_page(frames, job)).context["expectationKnown"]

    assert known()
    frames["closures"]["p_h"] = np.nan
    assert not known()
    frames["closures"].loc[3, "p_h"] = 0.4
    assert known()


def test_places_keep_a_millimetre_of_the_projection(make_page, frames, job):
    import pyproj

    page, shapes = Page(make_page(frames, job)), frames["points"].geometry
    lon, lat = pyproj.Transformer.from_crs(2193, 4167, always_xy=True).transform(shapes.x, shapes.y)
    x, y = pyproj.Transformer.from_crs(4326, 3857, always_xy=True).transform(lon, lat)
    assert page.column(0, "x") == pytest.approx(x, abs=0.0006)
    assert page.column(0, "y") == pytest.approx(y, abs=0.0006)


def test_ellipses_and_vectors_are_packed_as_they_are(make_page, frames, job):
    page, points, closures = Page(make_page(frames, job)), frames["points"], frames["closures"]
    assert page.column(1, "semi_major_m") == pytest.approx(points["semi_major_m"], abs=0.000051, nan_ok=True)
    assert page.column(1, "azimuth_deg") == pytest.approx(points["azimuth_deg"].fillna(0), abs=0.0051)
    assert page.column(2, "east_m") == pytest.approx(closures["de_m"], abs=0.00051)
    turn = page.column(1, "turn_deg")
    assert np.abs(turn).max() > 0.1
    assert page.column(2, "turn_deg") == pytest.approx(turn[page.column(2, "point").astype(int)])


def test_hostile_names_stay_text(make_page, hostile_frames, make_job, hostile, hostile_layer):
    job = make_job(name="</script>{{ 7*7 }}{% 1 `${x}`")
    page = make_page(hostile_frames, job, more=hostile_layer.draw({}, job), notes=hostile)
    found, shown = Page(page), [display_text(name) for name in hostile]
    assert found.column(0, "label")[: len(hostile)] == shown
    assert found.column(3, "label") == shown
    assert found.told(3, 4) == [{"title": hostile[4], "head": [hostile[4]] * 2, "rows": [[hostile[4]] * 2]}]
    # Outside the data at rest: as many elements as a page with plain names has, and no trace of a name.
    rest = re.sub(r'<script type="application/json".*?</script>', "", page, flags=re.DOTALL)
    plain = re.sub(
        r'<script type="application/json".*?</script>', "", make_page(hostile_frames, make_job()), flags=re.DOTALL
    )
    for tag in ("<script", "<style", "<img", "<!--"):
        assert rest.count(tag) == plain.count(tag)
    assert "window.hurt" not in rest
    assert "49" not in re.sub(r"<(script|style)>.*?</\1>|<meta[^>]+>", "", rest, flags=re.DOTALL)
    assert not re.search("[\x00-\x08\u202e\u2028]", page)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"lon_deg": ["east"]}, "holds in lon_deg what is no number"),
        ({"urgency": ["soon"]}, "holds in urgency what is no number"),
    ],
)
def test_a_drawing_that_cannot_be_drawn_is_named(more, message):
    with pytest.raises(StepError, match=f"'Mine' .*{message}"):
        build_map([symbols(**more)], context())


def test_a_table_that_cannot_be_shown_is_named():
    column = {"lon_deg": [173.0], "lat_deg": [-41.0], "style": ["s"]}
    faulty = Table("Why", (Cells("a", ["x", "y"]), Cells("b", ["x"], "picture")))
    with pytest.raises(StepError) as caught:
        Drawing("symbols", "Mine", column, (PLAIN,), tables=(faulty,))
    assert "'a': has 2 values where 1 rows are" in str(caught.value)
    assert "'b': is of the kind 'picture'" in str(caught.value)
    drawing = Drawing("symbols", "Mine", column, (PLAIN,), tables=(Table("Why", (Cells("a", ["x"], "number"),)),))
    with pytest.raises(StepError, match="'Mine' holds in the column 'a' of a table what is no number"):
        build_map([drawing], context())


def test_a_point_the_site_has_not_is_named():
    site = Drawing("symbols", "Points", {"lon_deg": [173.0], "lat_deg": [-41.0], "style": ["s"], "label": ["A"]},
                   (PLAIN,), points=True)  # fmt: skip
    other = Drawing("symbols", "Mine", {"point": ["A", "B"], "style": ["s", "s"]}, (PLAIN,))
    with pytest.raises(StepError, match="'Mine' names the point 'B', which the site has not"):
        build_map([site, other], context())
    with pytest.raises(StepError, match="2 drawings hold the points"):
        build_map([site, site], context())


@pytest.mark.parametrize("place", [("x", 1.0), (float("nan"), 1.0)])
def test_a_line_that_cannot_be_drawn_is_named(place):
    with pytest.raises(StepError, match="'Mine' holds in path"):
        build_map([Drawing("lines", "Mine", {"path": [[place]], "style": ["s"]}, (PLAIN,))], context())


def test_what_has_no_place_on_the_map_is_missing_and_not_moved():
    page = build_map([symbols(lat_deg=[float("nan")])], context())
    assert np.isnan(Page(page).column(0, "y")).all()
    assert np.isnan(Page(build_map([symbols(lat_deg=[89.0])], context())).column(0, "y")).all()


def test_a_map_of_nothing_is_still_a_page():
    page = build_map([], context())
    assert "0 points reviewed" in page


def test_a_piece_that_would_end_its_element_is_refused():
    with pytest.raises(StepError, match="would end its element"):
        offline.script("var a = '</script>'")
    with pytest.raises(StepError, match="asks for another file"):
        offline.style("a { background: url(http://example.invalid/x.png) }")
    with pytest.raises(StepError, match="bare angle bracket"):
        offline.data("x", "</script>")


def node(program: str) -> object:
    return script(program.replace("G.", "geometry."))


def test_pixels_are_those_of_the_map_librarys_projection():
    import pyproj

    x, y = pyproj.Transformer.from_crs(4326, 3857, always_xy=True).transform(173.25, -41.45)
    assert node("G.mercator(173.25, -41.45)") == pytest.approx([x, y], abs=1e-6)
    world = 2 * np.pi * 6378137
    pixel = [256 * (x / world + 0.5), 256 * (0.5 - y / world)]
    assert node(f"[G.worldX({x}), G.worldY({y})]") == pytest.approx(pixel, abs=1e-9)
    assert node(f"[G.lon({pixel[0]}), G.lat({pixel[1]})]") == pytest.approx([173.25, -41.45], abs=1e-9)


def test_positions_do_not_jump_at_the_date_line():
    drawing = Drawing("symbols", "M", {"lon_deg": [179.9, -179.9], "lat_deg": [-41, -42], "style": ["s"] * 2}, (PLAIN,))
    x = Page(build_map([drawing], context())).column(0, "x")
    assert x[1] - x[0] == pytest.approx(np.radians(0.2) * 6378137, abs=0.001)
    assert node("G.bounds([3, 1, NaN, 2], [5, 9, 1, 7])") == [1, 5, 3, 9]


def test_ellipses_and_arrows_are_as_large_as_stated():
    # Azimuth 0: the long axis points up, a quarter turn against the clock from the canvas' x.
    assert node("G.ellipse(0.02, 0.01, 0, 0.5, 1000)") == pytest.approx({"rx": 10, "ry": 5, "rotation": -np.pi / 2})
    assert node("G.arrow(0.03, 0.04, 0.5, 1000, 100)") == {"dx": 15, "dy": -20, "length": 25, "cut": False}
    assert node("G.arrow(3, 4, 0.5, 1000, 100)") == {"dx": 60, "dy": -80, "length": 100, "cut": True}


def test_the_exaggeration_is_a_round_number_that_suits_the_data():
    assert node("G.STEPS") == [d * 10**e for e in range(5) for d in (1, 2, 5)] + [100_000]
    assert node("G.STEPS[G.chosenStep(0.02, 0.5, 20)]") == 2000
    assert node("G.STEPS[G.chosenStep(0, 0.5, 20)]") == 1
    assert node("G.median([3, null, 0, 1, 2])") == 2
    assert node("G.saidAs(2000, 'm')") == "1 cm is drawn as long as 20 m on the ground"
    assert node("G.saidAs(2000, 'ftUS')") == "0.01 ftUS is drawn as long as 20 ftUS on the ground"


def test_labels_never_overlap_and_the_worst_come_first():
    placed = node("""(() => { const room = G.room(64), want = [];
      for (let i = 0; i < 90; i++) {
        want.push({x: (i * 37) % 400, y: (i * 53) % 300, r: 8, w: 40, h: 14, i, strong: i < 5}); }
      want.forEach(q => room.add([q.x - 8, q.y - 8, q.x + 8, q.y + 11], q.strong));
      return G.placed(want, room, [0, 0, 400, 300]); })()""")
    assert {0, 1, 2, 3, 4} <= {q["i"] for q in placed}
    assert 5 < len(placed) < 90
    boxes = [(q["left"], q["top"], q["left"] + q["w"], q["top"] + q["h"]) for q in placed]
    for k, a in enumerate(boxes):
        assert a[0] >= 0 and a[1] >= 0 and a[2] <= 400 and a[3] <= 300
        assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in boxes[:k])


def test_worse_is_drawn_later_and_hits_are_found():
    assert node("Array.from(G.order([{rank: 2}, {rank: 0}], [0, 1, -1, 0, 1]))") == [1, 4, 0, 3]
    assert node("G.toSegment(5, 3, 0, 0, 10, 0)") == 3
    assert node("G.toSegment(13, 4, 0, 0, 10, 0)") == 5
    assert node(
        "[G.inEllipse(9, 0, {rx: 10, ry: 5, rotation: 0}), G.inEllipse(0, 6, {rx: 10, ry: 5, rotation: 0})]"
    ) == [True, False]
    assert node("[[5, 5], [15, 5]].map(p => G.inPolygon(p[0], p[1], [[0, 0], [10, 0], [10, 10], [0, 10]]))") == [
        True,
        False,
    ]


def test_long_names_are_cut_for_the_drawing():
    assert node("G.short('x'.repeat(10000), 24)") == "x" * 23 + "…"
    assert node("G.short('KF101', 24)") == "KF101"


@pytest.mark.parametrize("known", [True, False, None])
def test_the_first_text_answers_where_to_go_and_what_may_be_delivered(frames, job, known):
    keys = ["second", "check_records", "check_records", "accept", "other_method"]
    more = {
        "revisits": pd.DataFrame({"point": frames["points"]["point"][:5], "action_key": keys, "walk": [1, 2, 3, 0, 4]})
    }
    if known is not None:
        more["control_checks"] = pd.DataFrame({"use": ["check"] if known else ["a base stood on it"]})
    context = MapContext.of(frames, job)
    assert context.go_back is None
    context = dataclasses.replace(context, **html_map._answers({**frames, **more}))
    page = build_map([], context)
    said = page[page.index('class="gq-answer"') :].partition("</p>")[0]
    ready = int((frames["points"]["deliver"] == "yes").sum())
    assert f"Go back to 4 points (2 to look up first); {ready} may be delivered." in said
    assert ("No check on a known point." in said) == (known is False)
    assert page.index("gq-answer") < page.index("points reviewed")


def test_what_is_left_of_a_script_is_the_same_program():
    code = offline.static_text("story.js")
    lean = offline.lean(code)
    assert "/*" not in lean and "\n " not in lean
    kept = re.sub(r"\s*/\*.*?\*/\s*\n", "\n", code, flags=re.DOTALL)
    assert "".join(lean.split()) == "".join(kept.split())
