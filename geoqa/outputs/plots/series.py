"""East, north and up of a point's epochs against time, with the state of the solution."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import clock, units
from geoqa.core.groups import starts_of
from geoqa.core.job import SOLUTIONS
from geoqa.core.units import METRES_PER
from geoqa.outputs.plots import canvas, spots
from geoqa.outputs.symbology import PLAIN, SOLUTION_MARKS

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas
    from numpy.typing import NDArray

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job
    from geoqa.outputs.plots.spots import Spot

    Array = NDArray[np.float64]

#: Stops stand so far apart on the time axis, as a share of all time at rest.
APART = 0.03
#: Stops that are marked with their time; of more, some.
MARKED = 8


def figure(frames: Mapping[str, pd.DataFrame], job: Job, point: str, name: str) -> Figure:
    """Return the series of a point, its stops side by side."""
    spot = spots.spot(frames, job, point)
    title = f"{canvas.shown(point)}: east, north and up against time"
    alt = (
        f"Three series of {units.counted(len(spot.state), 'epoch')} of {canvas.shown(point)} at "
        f"{units.counted(spot.epochs['stop'].nunique(), 'stop')}, {int((spot.state == 0).sum())} of them fixed."
    )
    caption = (
        "From the middle of the fixed epochs. Stops stand one after the other, each begins at a line, marked "
        f"with its time in the time zone {clock.name(job)}; the time between them is left out."
    )
    return canvas.figure(name, title, alt, caption, lambda empty: _draw(empty, spot, point, job), 6.6, 5.4)


def _draw(empty: Canvas, spot: Spot, point: str, job: Job) -> None:
    panels = empty.subplots(3, 1, sharex=True)
    time, begins = _at_rest(spot)
    shown = "" if spot.total == len(spot.state) else f", {len(spot.state)} shown"
    panels[0].set_title(
        f"{canvas.shown(point)}: {units.counted(spot.total, 'epoch')}{shown} at {units.counted(len(begins), 'stop')}"
    )
    told_in = (job.input.unit, job.input.unit, job.input.height_unit)
    for axes, name, values, unit in zip(panels, ("east", "north", "up"), spot.place.T, told_in, strict=True):
        _panel(axes, time, values / METRES_PER[unit], spot)
        axes.set_ylabel(f"{name} of the middle ({unit})" if name != "up" else f"above the middle ({unit})")
        for at in begins:
            axes.axvline(at, color=PLAIN[0], linewidth=0.6)
    _mark(panels[2], begins, _clocks(spot, job))
    panels[2].set_xlabel("time at rest (s), stops one after the other; lines: begin of a stop")
    handles, labels = panels[0].get_legend_handles_labels()
    if handles:
        empty.legend(handles, labels, loc="outside lower center", ncols=len(handles))


def _mark(axes: Any, begins: list[float], clocks: list[str]) -> None:
    """Write the time beside the lines of stops, beside some where there are many."""
    ground = {"facecolor": "white", "alpha": 0.75, "edgecolor": "none", "pad": 0.5}
    look = {"rotation": 90, "fontsize": 7, "va": "bottom", "ha": "right", "bbox": ground}
    for k in sorted({round(k) for k in np.linspace(0, len(begins) - 1, min(MARKED, len(begins)))}):
        axes.text(begins[k], 0.02, clocks[k], transform=axes.get_xaxis_transform(), **look)


def _panel(axes: Any, time: Array, values: Array, spot: Spot) -> None:
    for k, word in enumerate(SOLUTIONS):
        mine = (spot.state == k) & np.isfinite(values)
        counted = int((spot.state == k).sum())
        if not counted:
            continue
        shape, colour = SOLUTION_MARKS[word]
        look = {"marker": canvas.MARKERS[shape], "color": colour, "fillstyle": "none" if shape == "ring" else "full"}
        axes.plot(time[mine], values[mine], linestyle="none", markersize=2.5, label=f"n = {counted} {word}", **look)
    if not np.isfinite(values).any():
        canvas.say_nothing(axes, "not known")


def _at_rest(spot: Spot) -> tuple[Array, list[float]]:
    """Return the time of each epoch with the stops moved together, seconds, and where each stop begins."""
    stop = spot.epochs["stop"].to_numpy()
    us = spot.epochs["time_utc"].dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    start = starts_of(stop)
    if not len(start):
        return np.zeros(0), []
    own = (us - np.repeat(us[start], np.diff(np.append(start, len(us))))) / 1e6
    lasts = own[np.append(start[1:], len(us)) - 1]
    begins = np.append(0.0, np.cumsum(lasts + APART * lasts.sum())[:-1])
    return own + np.repeat(begins, np.diff(np.append(start, len(us)))), begins.tolist()


def _clocks(spot: Spot, job: Job) -> list[str]:
    start = starts_of(spot.epochs["stop"].to_numpy())
    return clock.local(spot.epochs["time_utc"].iloc[start], job).dt.strftime(f"{clock.MOMENT}:%S").tolist()
