"""The map beside a folium GeoJSON canvas layer of the same points: build, file, time to show, panning.

PYTHONPATH=tests python -m bench.map_speed [--points 10000 100000] [--no-geojson]

Sites are simulated and reviewed; both pages open in Chromium with the network off. Figures depend on the
machine: the ratios of one run are what counts. The GeoJSON page of 100,000 points takes minutes to appear.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import folium
import geopandas as gpd
import simulate
from analysis import builders
from bench import decision
from branca.element import Element

from geoqa.analysis.geometry import PointPlaces
from geoqa.analysis.points import point_status
from geoqa.outputs import offline
from geoqa.outputs.layers.points import ClosuresLayer, EllipsesLayer, PointsLayer
from geoqa.outputs.map.html_map import MapContext, build_map

LAYERS = (PointsLayer, EllipsesLayer, ClosuresLayer)
REPEATS = 3
#: Milliseconds for the slower page to appear.
PATIENCE_MS = 900_000
PAN_MS = 3000
SHOWN = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))))"
WATCH = """() => { window.seen = {frames: 0, long: [], from: performance.now()};
  new PerformanceObserver(l => l.getEntries().forEach(e => seen.long.push(e.duration))).observe({type: 'longtask'});
  const count = () => { seen.frames++; requestAnimationFrame(count); }; requestAnimationFrame(count); }"""
SEEN = "() => ({rate: 1000 * seen.frames / (performance.now() - seen.from), long: seen.long})"


#: Milliseconds from each value of the slider to the points drawn by it.
SLID = """() => { const box = document.getElementById('geoqa-tolerance'), took = [];
  for (let k = 3; k <= 30; k++) {
    const from = performance.now();
    box.value = k / 10; box.dispatchEvent(new Event('input')); Geoqa.page.layer.drawNow();
    took.push(performance.now() - from);
  }
  return took; }"""


def site(points: int) -> tuple[dict[str, Any], Any]:
    """Return the frames of a simulated, reviewed site, and its job."""
    frames = builders.run(simulate.site(1, points=points).occupations, decision.job(), (*builders.STEPS, PointPlaces))[
        0
    ]
    return {name: frames[name] for name in ("points", "occupations", "closures", "classes")}, decision.job()


def ours(frames: dict[str, Any], job: Any) -> str:
    drawings = [drawing for layer in LAYERS for drawing in layer().draw(frames, job)]
    told = {"tried": point_status.tried(frames, job), "factors": point_status.FACTORS}
    return build_map(drawings, replace(MapContext.of(frames, job), **told))


def geojson(frames: dict[str, Any], job: Any) -> str:
    """Return the page of folium's own layer, with four fields to show on a click, in the same offline page."""
    points = frames["points"]
    fields = ["point", "status", "deliver", "reason"]
    shapes = gpd.GeoSeries(points["geometry"].to_numpy(), crs=job.site.crs).to_crs(4326)
    table = gpd.GeoDataFrame(points[fields].astype(str), geometry=shapes)
    chart = folium.Map(tiles=None, prefer_canvas=True)
    chart.default_js, chart.default_css = [], []
    script, style = offline.leaflet()
    own = f"{{% raw %}}<style>{style}</style><script>{script}</script>{{% endraw %}}"
    chart.get_root().header.add_child(Element(own), name="leaflet")
    popup = folium.GeoJsonPopup(fields)
    folium.GeoJson(table, marker=folium.CircleMarker(radius=4), popup=popup).add_to(chart)
    chart.fit_bounds([[shapes.y.min(), shapes.x.min()], [shapes.y.max(), shapes.x.max()]])
    return str(chart.get_root().render())


def timed(make: Any, frames: dict[str, Any], job: Any, repeats: int) -> tuple[float, str]:
    took, page = [], ""
    for _ in range(repeats):
        begin = time.perf_counter()
        page = make(frames, job)
        took.append(time.perf_counter() - begin)
    return statistics.median(took), page


def shown(browser: Any, path: Path, ready: str, drag: bool) -> tuple[float, dict[str, Any] | None]:
    """Return the milliseconds until a page shows, and what a pointer that drags it sees."""
    context = browser.new_context(viewport={"width": 1400, "height": 900}, offline=True)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(path.as_uri(), timeout=PATIENCE_MS)
    page.wait_for_function(ready)
    after = page.evaluate(SHOWN)
    found = {**_dragged(page), "slid": page.evaluate(SLID)} if drag else None
    context.close()
    return after, found


def _dragged(page: Any) -> dict[str, Any]:
    page.evaluate(WATCH)
    page.mouse.move(500, 450)
    page.mouse.down()
    begin, k = time.perf_counter(), 0
    while 1000 * (time.perf_counter() - begin) < PAN_MS:
        k += 1
        page.mouse.move(500 + 150 * ((k // 20) % 2) + 3 * (k % 20), 450 + 2 * (k % 30))
        page.wait_for_timeout(8)
    page.mouse.up()
    page.wait_for_timeout(200)
    return page.evaluate(SEEN)


def compare(points: int, beside: bool) -> None:
    """Print the figures of one size."""
    from playwright.sync_api import sync_playwright

    frames, job = site(points)
    build, page = timed(ours, frames, job, REPEATS)
    size = len(page.encode("utf-8")) / 1e6
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        path = Path(folder) / "ours.html"
        path.write_text(page, encoding="utf-8")
        runs = [shown(browser, path, "() => window.Geoqa && Geoqa.page", drag=k == 0) for k in range(REPEATS)]
        after, pan = statistics.median(run[0] for run in runs), runs[0][1]
        assert pan is not None
        print(f"{points:>7,} points  build {build:.2f} s, file {size:.2f} MB, shown after {after:.0f} ms, "
              f"panned at {pan['rate']:.0f} frames a second, tasks over 50 ms: {[round(t) for t in pan['long']]}; "
              f"slider: {statistics.median(pan['slid']):.0f} ms, at most {max(pan['slid']):.0f}",
              flush=True)  # fmt: skip
        if beside:
            build_g, page_g = timed(geojson, frames, job, 1)
            path.write_text(page_g, encoding="utf-8")
            after_g, _ = shown(browser, path, "() => document.readyState === 'complete'", drag=False)
            print(f"        GeoJSON  build {build_g:.2f} s, file {len(page_g) / 1e6:.2f} MB, "
                  f"shown after {after_g:.0f} ms; ratios: build 1/{build_g / build:.0f}, "
                  f"shown 1/{after_g / after:.0f}", flush=True)  # fmt: skip
        browser.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--no-geojson", action="store_true", help="leave the slow page out")
    given = parser.parse_args()
    for count in given.points:
        compare(count, not given.no_geojson)
