"""A folder of plots: the waits, the durations, and the points that need most looking at."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core.errors import CallError
from geoqa.core.schema import SEVERITY
from geoqa.outputs import folder as folders
from geoqa.outputs.plots import durations, positions, series, waits

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


def write(
    folder: Path,
    frames: Mapping[str, pd.DataFrame],
    job: Job,
    named: Sequence[str] = (),
    most: int = 12,
    progress: Callable[[str], None] = lambda _: None,
) -> list[Path]:
    """Write the plots of a review of receiver logs into a folder; other files in it are kept.

    Parameters
    ----------
    folder
        Folder to make or to add to.
    frames, job
        Those of the review.
    named
        Points to draw; by default the worst by status, `most` of them.
    progress
        Called with the name of each file.

    Raises
    ------
    CallError
        If the review has no epochs, a point named has none, or matplotlib is not installed.
    OutputError
        If the folder cannot be written.
    """
    if "epochs" not in frames:
        raise CallError("There is nothing to plot: the review is of no receiver logs.")
    drawing: dict[str, Callable[[], str]] = {}
    if "convergence" in frames:
        drawing["waits.svg"] = partial(waits.plot, frames)
    if "durations" in frames:
        drawing["durations.svg"] = partial(durations.plot, frames, job)
    for k, point in enumerate(_chosen(frames, named, most), 1):
        slug = re.sub(r"[^A-Za-z0-9]+", "-", point)[:30].strip("-") or "point"
        drawing[f"{k:02d}-{slug}-positions.svg"] = partial(positions.plot, frames, job, point)
        drawing[f"{k:02d}-{slug}-series.svg"] = partial(series.plot, frames, job, point)
    with folders.replacing(folder) as staging:
        for name, draw in drawing.items():
            progress(name)
            (staging / name).write_text(draw(), encoding="utf-8")
    return [folder / name for name in drawing]


def _chosen(frames: Mapping[str, pd.DataFrame], named: Sequence[str], most: int) -> list[str]:
    """Return the points to draw: those named, or the worst that have epochs."""
    epochs = frames["epochs"]
    there = set(epochs.loc[(epochs["stop"] > 0).to_numpy(), "point"].dropna().astype("str"))
    missing = [name for name in named if name not in there]
    if missing:
        raise CallError(f"No log holds epochs of the point {missing[0]!r}. points.csv lists the points.")
    if named:
        return list(dict.fromkeys(named))
    points = frames["points"]
    rank = points["status"].astype("str").map({status: k for k, status in enumerate(SEVERITY)})
    ordered = points.assign(rank=rank, name=points["point"].astype("str")).sort_values(["rank", "name"], kind="stable")
    return [name for name in ordered["name"] if name in there][:most]
