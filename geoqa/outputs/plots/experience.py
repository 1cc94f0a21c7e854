"""What earlier jobs taught, by month: the ratio of seen to stated precision and the share of wrong fixes of a class."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core.units import counted
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas

    from geoqa.core.figure import Figure


def figure(jobs: pd.DataFrame) -> Figure:
    """Return the plot of the frame ``experience``: a mark a job and class, the size of what it rests on."""
    classes = jobs.groupby("canopy")["freedom_h"].sum().sort_values(ascending=False).index[: len(CURVES)].tolist()
    months = sorted(jobs["month"].dropna().unique())
    alt = (
        f"Ratio of seen to stated horizontal precision and share of wrong fixes of {counted(len(classes), 'class')} "
        f"in {counted(len(months), 'month')}, {counted(jobs['job'].nunique(), 'job')}."
    )
    caption = (
        "One mark a job and class, larger where it rests on more; classes with most pairs. Jobs without times: no."
    )
    return canvas.figure(
        "experience",
        "What earlier jobs taught",
        alt,
        caption,
        lambda empty: _draw(empty, jobs, classes, months),
        6.6,
        5.2,
    )


def _draw(empty: Canvas, jobs: pd.DataFrame, classes: list[str], months: list[str]) -> None:
    panels = empty.subplots(2, 1, sharex=True)
    at = jobs["month"].map({month: k for k, month in enumerate(months)}).to_numpy(dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.sqrt(jobs["total_h"] / jobs["freedom_h"]).to_numpy()
        share = 100 * (jobs["wrong"] / jobs["fixes"]).to_numpy()
    for k, (name, look) in enumerate(zip(classes, CURVES, strict=False)):
        mine = (jobs["canopy"] == name).to_numpy()
        beside = at[mine] + 0.12 * (k - (len(classes) - 1) / 2)
        _marks(panels[0], beside, ratio[mine], jobs["freedom_h"][mine], look, canvas.shown(name, 24))
        _marks(panels[1], beside, share[mine], jobs["fixes"][mine], look, canvas.shown(name, 24))
    panels[0].axhline(1, color=PLAIN[0], linewidth=1.0, linestyle=(0, (1, 2)))
    panels[0].set(ylabel="seen / stated, horizontal (1)", ylim=(0, None))
    panels[1].set(ylabel="wrong fixes (%)", ylim=(0, None), xlim=(-0.6, len(months) - 0.4))
    panels[1].set_xticks(range(len(months)), months, rotation=45, ha="right", fontsize=8)
    empty.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=3)


def _marks(axes: Any, at: Any, value: Any, worth: pd.Series, look: tuple[Any, ...], words: str) -> None:
    colour, _, shape = look
    size = 12 + 60 * np.sqrt(worth.to_numpy() / 100).clip(max=1.5)
    axes.scatter(at, value, s=size, color=colour, marker=canvas.MARKERS[shape], alpha=0.8, label=words, linewidths=0)
