"""One order 'worst first' on the terminal, in the report and on the map, with both components and both limits."""

from __future__ import annotations

import numpy as np
import pytest
import sites
from outputs.unpacked import Page, script

import geoqa
from geoqa.outputs.layers.points import PointsLayer
from geoqa.outputs.map.html_map import MapContext, build_map
from geoqa.outputs.report import listings

#: Tolerance 0.05 m horizontally, 0.08 m in height: H fails in height alone, by more than P does in position.
ROWS = (
    ("H", (0.003, 0.004, 0.240)), ("P", (0.090, 0.060, 0.010)), ("G", (0.010, 0.005, 0.020)), ("T", (0.04, 0.0, 0.05)),
)  # fmt: skip


@pytest.fixture(scope="module")
def review(tmp_path_factory):
    lines = []
    for k, (name, d) in enumerate(ROWS):
        for visit in range(2):
            e, n, h = (base + visit * step for base, step in zip((1600000 + 30 * k, 5400000, 100), d, strict=True))
            when = f"2026-02-0{2 + visit}T{8 + 5 * visit:02d}:00:00Z"
            lines.append(f"{name},{e:.3f},{n:.3f},{h:.3f},0.010,0.015,{when},i{k}{visit},B{visit}")
    lines.append("S,1600200.000,5400000.000,90.000,0.010,0.015,2026-02-02T09:30:00Z,s1,B0")
    return geoqa.review(*sites.write(tmp_path_factory.mktemp("worst"), lines))


def test_the_excess_is_that_of_the_worse_axis_over_its_own_limit(review):
    points = review.frames["points"].set_index("point")
    assert points.loc["H", "excess"] == pytest.approx(0.240 / 0.08)
    assert points.loc["P", "excess"] == pytest.approx(np.hypot(0.09, 0.06) / 0.05)
    assert list(points.loc["H", ["limit_h_m", "limit_v_m"]]) == [0.05, 0.08]
    assert np.isnan(points.loc["S", "excess"])


def test_terminal_report_and_map_have_the_same_first(review):
    frames, job = review.frames, review.job
    lines = list(review.summary())
    start = next(k for k, line in enumerate(lines) if line.startswith("Worst first"))
    head = next(k for k in range(start, len(lines)) if lines[k].startswith("  point"))
    told = [line for line in lines[head + 1 :] if line.startswith("  ")]
    assert [line.split()[0] for line in told[:4]] == ["H", "P", "T", "G"]
    assert "0.005 m of 0.050 " in told[0] and "0.240 m of 0.080 !" in told[0]
    assert "0.108 m of 0.050 !" in told[1] and "0.010 m of 0.080 " in told[1]

    tables = {block.caption: block for block in listings._worst(frames, job) if hasattr(block, "caption")}
    rows = tables["Closures beyond what is accepted, at 2 points, the worst first"].rows
    assert [row[0] for row in rows] == ["H", "P"]
    assert rows[0][2:4] == ("0.005 m of 0.050", "0.240 m of 0.080 !")
    held = next(block for block in listings._withheld(frames, job) if hasattr(block, "caption"))
    assert [row[0] for row in held.rows][:2] == ["H", "P"]
    assert "0.240 m of 0.080 !" in held.rows[0]

    page = Page(build_map(PointsLayer().draw(frames, job), MapContext.of(frames, job)))
    ranks = [style["rank"] for style in page.drawings[0]["styles"]]
    order = script("Array.from(choice.order(u.map(v => v === null ? NaN : v), i => ranks[style[i]]))",
                   u=[None if v != v else v for v in page.column(0, "urgency").tolist()],
                   style=page.column(0, "style").astype(int).tolist(), ranks=ranks)  # fmt: skip
    names = page.column(0, "label")
    assert [names[k] for k in order] == ["H", "P", "T", "G", "S"]
    first = dict(page.told(0, order[0])[0]["rows"])
    assert first["largest closure, horizontal"] == "0.005 m" and first["accepted of it"] == "0.050 m"
    assert first["largest closure, height"] == "0.240 m" and first["accepted of that"] == "0.080 m"
    assert first["beyond what is accepted"] == "height"


def test_an_axis_that_is_not_judged_is_told_and_does_not_lead(tmp_path):
    lines = [
        f"{name},{1600000 + 30 * k + 0.02 * v:.3f},5400000.000,{100 + d * v:.3f},0.010,0.015,"
        f"2026-02-0{2 + v}T{8 + 5 * v:02d}:00:00Z,i{k}{v},B{v}"
        for k, (name, d) in enumerate((("A", 0.01), ("B", 0.9)))
        for v in range(2)
    ]
    recipe = sites.RECIPE.replace("[requirement]", '[requirement]\njudge = "h"')
    made = geoqa.review(*sites.write(tmp_path, lines, recipe))
    points = made.frames["points"].set_index("point")
    assert points["excess"].tolist() == pytest.approx([0.4, 0.4])
    assert "0.900 m, not judged" in "\n".join(made.summary())
