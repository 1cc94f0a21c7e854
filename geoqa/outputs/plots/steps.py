"""The plots as steps: what each draws, what it needs, and the points it draws. Matplotlib is imported in drawing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames
from geoqa.core.errors import CallError
from geoqa.core.frames.contract import SEVERITY
from geoqa.core.job import Job
from geoqa.core.params import Declared, param
from geoqa.core.steps import Figure, Plot
from geoqa.outputs.plots import closures, epochs, observing_time


@dataclass(frozen=True, kw_only=True)
class WaitsPlot(Plot):
    """How long crews waited for a solution: the share still waiting against time, by canopy class."""

    name: ClassVar[str] = "waits-plot"
    needs: ClassVar[tuple[str, ...]] = ("convergence",)

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return a figure for each four canopy classes, with a panel for each wait that is known."""
        return observing_time.waits_figures(frames["convergence"])


@dataclass(frozen=True, kw_only=True)
class DurationsPlot(Plot):
    """How long is enough: what averages spread against their length, by canopy class, with the tolerance."""

    name: ClassVar[str] = "durations-plot"
    needs: ClassVar[tuple[str, ...]] = ("durations",)

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return a figure for each four canopy classes."""
        return observing_time.durations_figures(frames["durations"], job)


@dataclass(frozen=True, kw_only=True)
class _OfPoints(Declared):
    """The points of receiver logs that a plot draws: those named, or the worst."""

    most: int = param(12, unit="1", minimum=0, maximum=1000, help="Points drawn at most, the worst by status first")
    named: tuple[str, ...] = param((), help="Points drawn instead, whatever their status")

    def _chosen(self, frames: Frames) -> list[tuple[str, str]]:
        """Return the points to draw, and the beginning of the names of their figures."""
        epochs, points = frames["epochs"], frames["points"]
        there = set(epochs.loc[(epochs["stop"] > 0).to_numpy(), "point"].dropna().astype("str"))
        missing = [name for name in self.named if name not in there]
        if missing:
            raise CallError(f"No log holds epochs of the point {missing[0]!r}. points.csv lists the points.")
        rank = points["status"].astype("str").map({status: k for k, status in enumerate(SEVERITY)})
        order = points.assign(rank=rank, name=points["point"].astype("str")).sort_values(["rank", "name"])["name"]
        chosen = list(dict.fromkeys(self.named)) or [name for name in order if name in there][: self.most]
        return [(point, f"{k:02d}-{_slug(point)}") for k, point in enumerate(chosen, 1)]


@dataclass(frozen=True, kw_only=True)
class PositionsPlot(_OfPoints, Plot):
    """Where the epochs of a point fell, to scale: their averages with ellipses, and the precision as stated."""

    name: ClassVar[str] = "positions-plot"
    needs: ClassVar[tuple[str, ...]] = ("epochs", "occupations", "points", "points.status")

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return a figure for each point."""
        return tuple(
            epochs.positions_figure(frames, job, point, f"{start}-positions") for point, start in self._chosen(frames)
        )


@dataclass(frozen=True, kw_only=True)
class SeriesPlot(_OfPoints, Plot):
    """East, north and up of a point's epochs against time, with the state of the solution."""

    name: ClassVar[str] = "series-plot"
    needs: ClassVar[tuple[str, ...]] = ("epochs", "occupations", "points", "points.status")

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return a figure for each point."""
        return tuple(
            epochs.series_figure(frames, job, point, f"{start}-series") for point, start in self._chosen(frames)
        )


@dataclass(frozen=True, kw_only=True)
class ClosuresPlot(Plot):
    """How far apart independent fixes of a point lie: east and north of all closures, with the tolerance."""

    name: ClassVar[str] = "closures-plot"
    needs: ClassVar[tuple[str, ...]] = ("closures", "closures.status_h")

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return one figure."""
        return closures.closures_figures(frames["closures"], job)


@dataclass(frozen=True, kw_only=True)
class ClassesPlot(Plot):
    """What repeated visits show of the precision under each cover: repeatability, and the ratio to what was stated."""

    name: ClassVar[str] = "classes-plot"
    needs: ClassVar[tuple[str, ...]] = ("classes",)

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return one figure."""
        return closures.classes_figures(frames["classes"], job)


@dataclass(frozen=True, kw_only=True)
class CanopyPlot(Plot):
    """What canopy costs: closures by class, and the share beyond tolerance against what a raster says."""

    name: ClassVar[str] = "canopy-plot"
    needs: ClassVar[tuple[str, ...]] = ("canopy_costs", "canopy_curves", "canopy_tests")

    def draw(self, frames: Frames, job: Job) -> tuple[Figure, ...]:
        """Return a figure of the classes, and one for each measure."""
        return closures.canopy_figures(frames, job)


def _slug(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", name)[:30].strip("-") or "point"
