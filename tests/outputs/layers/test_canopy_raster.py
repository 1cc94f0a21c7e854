"""The raster as a picture in the page: where it lies, small enough, safe, told apart from every status."""

from __future__ import annotations

import base64
import dataclasses
import io
import itertools
import re

import numpy as np
import pyproj
import pytest
import rasters
from outputs.test_symbology import VISION, lab, linear
from outputs.unpacked import Page

from geoqa.core.drawing import PICTURE_HEAD, Drawing, Style
from geoqa.core.errors import StepError
from geoqa.core.recipe import Canopy
from geoqa.outputs import symbology
from geoqa.outputs.layers import canopy_raster
from geoqa.outputs.layers.canopy_raster import CanopyRaster
from geoqa.outputs.map.html_map import MapContext, build_map

WEST, NORTH, SIDE = 1_619_400.0, 5_410_600.0, 1200


def forest(job, tmp_path, heights, cell=1.0, **more):
    rasters.write(tmp_path / "c.tif", heights, cell, west=WEST, north=NORTH, **more)
    return dataclasses.replace(job, canopy=Canopy(raster="c.tif", unit="m"), folder=str(tmp_path))


def picture(drawing):
    """Return the colours of the picture, shape (rows, columns, 4), and its corners in EPSG:3857."""
    image = pytest.importorskip("PIL.Image")
    data = base64.b64decode(drawing.columns["picture"][0].removeprefix(PICTURE_HEAD))
    to = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:3857", always_xy=True)
    (west, south), (east, north) = (to.transform(*place) for place in drawing.columns["path"][0])
    return np.asarray(image.open(io.BytesIO(data)).convert("RGBA")), (west, south, east, north), len(data)


def cell_at(seen, box, x, y):
    """Return the colour of the picture at a place of the job."""
    east, north = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:3857", always_xy=True).transform(x, y)
    rows, columns, _ = seen.shape
    return seen[int((box[3] - north) / (box[3] - box[1]) * rows), int((east - box[0]) / (box[2] - box[0]) * columns)]


def test_each_place_of_the_picture_has_the_height_of_the_raster_there(frames, job, tmp_path):
    # Squares of 40 m in steps of 8 m of height: a wrong place by half of one would show.
    step = np.arange(SIDE) // 40
    heights = (step[:, None] * 3 + step[None, :] * 5) % 7 * 5.0
    heights[(step[:, None] + step[None, :]) % 11 == 0] = np.nan
    (drawing,) = CanopyRaster().draw(frames, forest(job, tmp_path, heights))
    seen, box, _ = picture(drawing)
    colours = [tuple(int(c[k : k + 2], 16) for k in (1, 3, 5)) for c in symbology.CANOPY]
    checked = 0
    for i in range(16, 22):
        for j in range(12, 18):
            found = cell_at(seen, box, WEST + 40 * i + 20, NORTH - 40 * j - 20)
            height = heights[40 * j + 20, 40 * i + 20]
            expected = (
                (0,) * 4
                if np.isnan(height)
                else (*colours[np.searchsorted(canopy_raster.BREAKS_M, height, "right")], 255)
            )
            assert tuple(found)[3] == expected[3]
            assert expected[3] == 0 or tuple(found) == expected
            checked += 1
    assert checked == 36


def test_a_raster_of_another_system_lies_where_it_is(frames, job, tmp_path):
    to = pyproj.Transformer.from_crs("EPSG:2193", "EPSG:4326", always_xy=True)
    x, y = to.transform(1_620_000, 5_410_000)
    heights = np.full((600, 600), 1.0)
    heights[300:, 300:] = 40.0  # south-east of the middle
    rasters.write(tmp_path / "c.tif", heights, 2e-5, crs="EPSG:4326", west=x - 0.006, north=y + 0.006)
    made = dataclasses.replace(job, canopy=Canopy(raster="c.tif", unit="m"), folder=str(tmp_path))
    (drawing,) = CanopyRaster().draw(frames, made)
    seen, box, _ = picture(drawing)
    dark = tuple(int(symbology.CANOPY[-1][k : k + 2], 16) for k in (1, 3, 5))
    for de, dn in ((30, -30), (30, 30), (-30, -30), (-30, 30)):
        assert (tuple(cell_at(seen, box, 1_620_000 + de, 5_410_000 + dn)[:3]) == dark) is (de > 0 > dn)


def test_the_picture_is_small_whatever_the_raster(frames, job, tmp_path):
    noise = np.random.default_rng(1).uniform(0, 40, (2400, 2400))
    (drawing,) = CanopyRaster().draw(frames, forest(job, tmp_path, noise, cell=0.5))
    seen, _, size = picture(drawing)
    assert size < 300_000
    assert min(seen.shape[:2]) > 300


def test_the_legend_names_what_is_drawn_and_no_more(frames, job, tmp_path):
    heights = np.full((SIDE, SIDE), 1.0)
    heights[:, 600:] = 12.0
    (drawing,) = CanopyRaster().draw(frames, forest(job, tmp_path, heights))
    assert [style.label for style in drawing.styles] == ["below 2 m", "10 to 15 m"]
    assert drawing.shown is False
    assert drawing.about == "From c.tif; heights above the ground in m. Where it shows nothing, nothing is known."
    assert CanopyRaster(shown=True).draw(frames, forest(job, tmp_path, heights))[0].shown is True


def test_nothing_is_drawn_without_a_raster_or_where_it_is_silent(frames, job, tmp_path):
    assert CanopyRaster().draw(frames, job) == ()
    nothing = forest(job, tmp_path, np.full((50, 50), np.nan))
    assert CanopyRaster().draw(frames, nothing) == ()
    away = forest(job, tmp_path, np.ones((50, 50)))
    rasters.write(tmp_path / "c.tif", np.ones((50, 50)), west=1_700_000.0)
    assert CanopyRaster().draw(frames, away) == ()


def test_the_page_may_show_what_it_holds_and_ask_nobody(frames, job, tmp_path):
    drawings = CanopyRaster().draw(frames, forest(job, tmp_path, np.ones((SIDE, SIDE))))
    text = build_map(drawings, MapContext.of(frames, job))
    (policy,) = re.findall(r'Content-Security-Policy" content="([^"]+)"', text)
    assert "img-src data:;" in policy
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    head = Page(text).drawings[0]
    assert head["kind"] == "picture" and head["columns"]["picture"] == list(drawings[0].columns["picture"])
    without = build_map([], MapContext.of(frames, job))
    assert "img-src" not in without


@pytest.mark.parametrize(
    "data",
    [
        "https://example.org/a.png",
        "data:text/html;base64,AA",
        "data:image/svg+xml;base64,AA",
        PICTURE_HEAD,
        PICTURE_HEAD + 'A")',
    ],
)
def test_a_picture_that_could_ask_or_act_is_refused(data):
    columns = {"picture": [data], "path": [[(173.0, -41.0), (173.1, -40.9)]], "style": ["a"]}
    with pytest.raises(StepError, match="holds what is no PNG as data"):
        Drawing("picture", "Here", columns, (Style("a", "a", "patch", "#ffffff"),))


#: The ground of the map, as the style sheet has it.
GROUND = {"light": "#f6f7f4", "dark": "#181c20"}


def as_drawn(colour, theme):
    """Return a colour of the ramp as the map shows it: turned in the dark, and with the ground shining through."""
    over, under = (
        np.array([int(c[k : k + 2], 16) for k in (1, 3, 5)])
        for c in (colour if theme == "light" else symbology.turned(colour), GROUND[theme])
    )
    mixed = symbology.CANOPY_OPACITY * over + (1 - symbology.CANOPY_OPACITY) * under
    return "#" + "".join(f"{round(value):02x}" for value in mixed)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("sight", VISION)
def test_no_status_looks_like_a_colour_of_the_canopy(theme, sight):
    matrix = np.array(VISION[sight])
    seen = [lab(matrix @ linear(as_drawn(colour, theme))) for colour in symbology.CANOPY]
    for symbol in symbology.SYMBOLS.values():
        if symbol.status == "unproven":  # a ring, the colour of the paper, in an outline of the ink
            continue
        own = lab(matrix @ linear(getattr(symbol, theme)))
        assert min(np.linalg.norm(own - colour) for colour in seen) >= 29, symbol.status
    light = [colour[0] for colour in seen]
    assert all(abs(a - b) > 3 for a, b in itertools.pairwise(light))
    assert light in (sorted(light), sorted(light, reverse=True))


def test_the_style_sheet_has_what_was_reckoned_with():
    from geoqa.outputs.offline import static_text

    style = static_text("map.css")
    assert ".gq-picture { image-rendering: pixelated; opacity: .75; }" in style
    assert "invert(1) hue-rotate(180deg)" in style
    assert all(f"--gq-ground: {ground}" in style for ground in GROUND.values())
    assert symbology.CANOPY_OPACITY == 0.75
    # Turned twice is the colour again, but for rounding and what does not fit between black and white.
    for colour in symbology.CANOPY:
        back = symbology.turned(symbology.turned(colour))
        assert all(abs(int(back[k : k + 2], 16) - int(colour[k : k + 2], 16)) <= 3 for k in (1, 3, 5))
