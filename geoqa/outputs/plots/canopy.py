"""What canopy costs: closures by class, and the share beyond tolerance against what a raster says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import units
from geoqa.core.canopy_contracts import BEYOND, CLASS, SPOKEN
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job


def figures(frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Figure, ...]:
    """Return a plot of the classes, and one for each measure that a raster gives; nothing where nothing is known."""
    costs, curves, tests = (frames[f"canopy_{name}"] for name in ("costs", "curves", "tests"))
    found = []
    classes = costs[(costs["by"] == CLASS) & (costs["compared"] > 0)]
    if len(classes):
        worst = canvas.shown(classes["value"].iloc[int(np.nan_to_num(classes["closure_h_m"]).argmax())])
        alt = f"Median closures under covers, {len(classes)} of them; the largest is that of {worst}."
        caption = "Median closure between different visits, each point once. Bars: 95 % intervals."
        found.append(
            canvas.figure(
                "canopy", "Closures under each cover", alt, caption,
                lambda empty: _classes(empty.subplots(), classes, job), 6.4, 1.6 + 0.26 * len(classes),
            )
        )  # fmt: skip
    for by in dict.fromkeys(costs["by"].astype("str")):
        if by != CLASS:
            found.append(_of_measure(by, costs[costs["by"] == by], curves, tests))
    return tuple(found)


def _of_measure(by: str, quarters: pd.DataFrame, curves: pd.DataFrame, tests: pd.DataFrame) -> Figure:
    line = curves[(curves["by"] == by) & (curves["cost"] == BEYOND)]
    test = tests[(tests["by"] == by) & (tests["cost"] == BEYOND)]
    name = SPOKEN[by][0]
    alt = f"Share of points beyond tolerance against {name}: {_title(name, test).splitlines()[-1]}."
    seen = "What quarters of the points show"
    caption = f"{seen}, and a fitted curve that may rise and fall. Bars and band: 95 % intervals."
    if line.empty:
        caption = f"{seen}; bars: 95 % intervals. There is too little for a curve."
    return canvas.figure(
        f"canopy-{by.replace('_', '-')}", f"Beyond tolerance by {name}", alt, caption,
        lambda empty: _measure(empty.subplots(), quarters, line, test, by), 6.4, 3.2,
    )  # fmt: skip


def _classes(axes: Any, rows: pd.DataFrame, job: Job) -> None:
    """Draw the median closure of each class with its bounds, horizontal and height."""
    rows = rows.sort_values("closure_h_m", kind="stable")
    unit, factor = canvas.small(job.input.unit)
    axes.set_title("Closures between different visits (bounds: 95 %)")
    axes.set_xlabel(f"median closure ({unit})")
    at = np.arange(len(rows))
    for k, (column, words) in enumerate((("closure_h_m", "horizontal"), ("closure_v_m", "height"))):
        colour, dashes, shape = CURVES[k]
        value, low, high = (rows[f"{column}{end}"].to_numpy(dtype=float) / factor for end in ("", "_low", "_high"))
        y = at + 0.12 * (1 - 2 * k)
        axes.hlines(y, low, high, color=colour, linestyle=dashes, linewidth=1.6)
        axes.plot(value, y, linestyle="none", marker=canvas.MARKERS[shape], color=colour, markersize=6, label=words)
    named = zip(rows["value"].astype("str"), rows["compared"], strict=True)
    axes.set_yticks(at, [f"{canvas.shown(name)}, n = {units.counted(n, 'point')}" for name, n in named])
    axes.set_xlim(left=0)
    axes.set_ylim(-0.6, len(rows) - 0.4)
    axes.grid(axis="y", visible=False)
    axes.legend(loc="lower right")


def _measure(axes: Any, quarters: pd.DataFrame, line: pd.DataFrame, test: pd.DataFrame, by: str) -> None:
    """Draw the fitted share with its bounds, and the share of each quarter of the points as it was seen."""
    name, unit = SPOKEN[by]
    scale = 1.0 if unit == "m" else 100.0
    colour, dashes, _ = CURVES[0]
    seen = quarters[quarters["proven"] > 0]
    if len(line):
        x, share, low, high = (line[c].to_numpy(dtype=float) for c in ("x", "share", "low", "high"))
        axes.fill_between(scale * x, 100 * low, 100 * high, color=colour, alpha=0.12, linewidth=0)
        axes.plot(
            scale * x, 100 * share, linestyle=dashes, color=colour, linewidth=1.6, label="fitted, with 95 % bounds"
        )
    if len(seen):
        left, right, share, low, high = (
            seen[c].to_numpy(dtype=float) for c in ("from_value", "to_value", "beyond", "beyond_low", "beyond_high")
        )
        middle = scale * (left + right) / 2
        axes.hlines(100 * share, scale * left, scale * right, color=PLAIN[0], linewidth=1.2)
        axes.vlines(middle, 100 * low, 100 * high, color=PLAIN[0], linewidth=1.2)
        axes.plot(middle, 100 * share, linestyle="none", marker=canvas.MARKERS[CURVES[1][2]], color=PLAIN[0],
                  label="as seen in a quarter of the points")  # fmt: skip
        axes.legend(loc="upper left")
    else:
        canvas.say_nothing(axes, "no point is proven")
    axes.set_ylim(0, 1.3 * max(axes.get_ylim()[1], 1.0))  # room for the key
    axes.set(xlabel=f"{name} ({unit})", ylabel="beyond tolerance (%)")
    axes.set_title(_title(name, test), fontsize=9)


def _title(name: str, test: pd.DataFrame) -> str:
    for row in test.to_dict("records"):
        p = row["p_adjusted"]
        told = row["note"] if p != p else units.p_value(p)
        return f"Beyond tolerance by {name}: n = {row['n']}, {row['events']} beyond\n{told}"
    return f"Beyond tolerance by {name}"
