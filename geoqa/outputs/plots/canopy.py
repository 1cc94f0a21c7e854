"""What canopy costs: closures by class, and the share beyond tolerance against what a raster says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core.canopy_contracts import BEYOND, CLASS, SPOKEN
from geoqa.core.units import METRES_PER
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from geoqa.core.job import Job


def plot(frames: Mapping[str, pd.DataFrame], job: Job) -> str:
    """Return ``canopy_costs`` and ``canopy_curves`` as SVG: a panel of the classes, and one for each measure."""
    costs, curves, tests = (frames[f"canopy_{name}"] for name in ("costs", "curves", "tests"))
    measures = [by for by in dict.fromkeys(costs["by"].astype("str")) if by != CLASS]
    tall = 2.6 + 0.32 * int((costs["by"] == CLASS).sum())
    return canvas.drawn(
        lambda figure: _draw(figure, (costs, curves, tests), measures, tall, job), 6.4, tall + 2.8 * len(measures)
    )


def _draw(figure: Figure, tables: tuple[pd.DataFrame, ...], measures: list[str], tall: float, job: Job) -> None:
    costs, curves, tests = tables
    panels = figure.subplots(1 + len(measures), 1, squeeze=False, height_ratios=[tall, *[2.8] * len(measures)])[:, 0]
    _classes(panels[0], costs[costs["by"] == CLASS], job)
    for axes, by in zip(panels[1:], measures, strict=True):
        line = curves[(curves["by"] == by) & (curves["cost"] == BEYOND)]
        _measure(axes, costs[costs["by"] == by], line, tests[(tests["by"] == by) & (tests["cost"] == BEYOND)], by)


def _classes(axes: Any, rows: pd.DataFrame, job: Job) -> None:
    """Draw the median closure of each class with its bounds, horizontal and height."""
    rows = rows[rows["compared"] > 0].sort_values("closure_h_m", kind="stable")
    unit = "mm" if job.input.unit == "m" else job.input.unit
    factor = METRES_PER[unit]
    axes.set_title("Closures between different visits, each point once (bounds: 95 %)")
    axes.set_xlabel(f"median closure ({unit})")
    if rows.empty:
        canvas.say_nothing(axes, "no closures between different visits")
        return
    at = np.arange(len(rows))
    for k, (column, words) in enumerate((("closure_h_m", "horizontal"), ("closure_v_m", "height"))):
        colour, dashes, shape = CURVES[k]
        value, low, high = (rows[f"{column}{end}"].to_numpy(dtype=float) / factor for end in ("", "_low", "_high"))
        y = at + 0.12 * (1 - 2 * k)
        axes.hlines(y, low, high, color=colour, linestyle=dashes, linewidth=1.6)
        axes.plot(value, y, linestyle="none", marker=canvas.MARKERS[shape], color=colour, markersize=6, label=words)
    named = zip(rows["value"].astype("str"), rows["compared"], strict=True)
    axes.set_yticks(at, [f"{canvas.shown(name)}, n = {n}" for name, n in named])
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
        told = row["note"] if p != p else "p < 0.001" if p < 0.001 else f"p = {p:.2g}"
        return f"Beyond tolerance by {name}: n = {row['n']}, {row['events']} beyond\n{told}"
    return f"Beyond tolerance by {name}"
