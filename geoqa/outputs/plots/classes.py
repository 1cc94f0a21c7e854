"""Repeatability and precision ratio of each canopy class, with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import units
from geoqa.core.schema import OWN, WHOLE_SITE
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job

#: Axis, its words, and how far its marks stand from the middle of a row.
AXES = (("h", "horizontal, per axis", -0.16), ("v", "height", 0.16))
#: Classes in one figure.
MOST = 14
#: What has a panel: column, heading and axis label.
PANELS = (
    ("repeatability", "Repeatability", "one sigma ({unit})"),
    ("precision_ratio", "Seen against stated", "ratio of seen to stated precision (1)"),
)


def figures(classes: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return plots of ``classes``, the site on each; nothing where nothing of them is known."""
    known = [_column(classes, name, axis) for name, *_ in PANELS for axis, *_ in AXES]
    if not len(classes) or not np.isfinite(np.concatenate(known)).any():
        return ()
    words = classes["canopy"].astype("str")
    parts = canvas.groups_of([name for name in words if name != WHOLE_SITE], MOST) or [("", [])]
    return tuple(
        _figure(classes[words.isin([WHOLE_SITE, *part])], f"classes{more}", job.input.unit) for more, part in parts
    )


def _figure(classes: pd.DataFrame, name: str, unit: str) -> Figure:
    worst = np.nan_to_num(_column(classes, "repeatability", "h")).argmax()
    largest = canvas.shown(classes["canopy"].astype("str").iloc[worst])
    alt = (
        f"Repeatability and precision ratio of {units.counted(len(classes), 'row')}, the site and its canopy classes; "
        f"the largest horizontal repeatability is that of {largest}."
    )
    caption = (
        "Repeatability: one standard deviation of a visit as repeated visits show it. Ratio: above 1, receivers state "
        "less than visits show. Bars: 95 % intervals, of the class's own pairs. Hollow marks: more is known "
        "from elsewhere."
    )
    height = 1.6 + 0.34 * len(classes)
    return canvas.figure(name, "Precision under each cover", alt, caption,
                         lambda empty: _draw(empty, classes, unit), 6.6, height)  # fmt: skip


def _column(classes: pd.DataFrame, name: str, axis: str, end: str = "") -> Any:
    unit = "_m" if name == "repeatability" else ""
    for column in (f"{name}_{axis}{unit}{end}", f"{name}_{axis}{end}{unit}"):
        if column in classes:
            return classes[column].to_numpy(dtype=float)
    return np.full(len(classes), np.nan)


def _draw(empty: Canvas, classes: pd.DataFrame, unit: str) -> None:
    panels = empty.subplots(1, len(PANELS), sharey=True)
    row = np.arange(len(classes))
    small, metres = canvas.small(unit)
    for axes, (name, heading, label) in zip(panels, PANELS, strict=True):
        factor = 1 / metres if name == "repeatability" else 1.0
        for k, (axis, words, shift) in enumerate(AXES):
            _marks(axes, classes, name, axis, factor, row + shift, CURVES[k], words)
        axes.set(title=heading, xlabel=label.format(unit=small))
        axes.grid(visible=False, axis="y")
        axes.tick_params(axis="y", length=0)
    panels[0].set_xlim(left=0)
    panels[1].axvline(1, color=PLAIN[0], linewidth=1.0, linestyle=(0, (1, 2)))
    pairs = classes["pairs"].tolist()
    labels = [
        f"{canvas.shown(name, 24)}\nn = {units.counted(n, 'pair')}"
        for name, n in zip(classes["canopy"], pairs, strict=True)
    ]
    panels[0].set_yticks(row, labels, fontsize=8)
    panels[0].set_ylim(len(classes) - 0.5, -0.5)
    handles, words = panels[0].get_legend_handles_labels()
    title = "bars: 95 %; hollow: more is known from elsewhere"
    empty.legend(handles, words, loc="outside lower center", ncols=2, title=title, title_fontsize=8)


def _marks(
    axes: Any, classes: pd.DataFrame, name: str, axis: str, factor: float, at: Any, look: tuple[Any, ...], words: str
) -> None:
    """Draw one axis of a panel: bars for intervals, filled marks where a class's own pairs speak."""
    colour, _, shape = look
    value, low, high = (factor * _column(classes, name, axis, end) for end in ("", "_low", "_high"))
    axes.hlines(at, low, high, color=colour, linewidth=1.4)
    basis = classes[f"basis_{axis}"].astype("str") if f"basis_{axis}" in classes else None
    own = np.ones(len(classes), bool) if basis is None else (basis == OWN).to_numpy()
    style = {"linestyle": "none", "marker": canvas.MARKERS[shape], "color": colour, "markersize": 6}
    axes.plot(value[own], at[own], label=words, **style)
    axes.plot(value[~own], at[~own], **style, markerfacecolor="white")
