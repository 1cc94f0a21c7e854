"""The installed plots, loaded and configured once for a job, and the figures they draw: for files and for reports."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar

from geoqa import guests, pipeline, plugins
from geoqa.core.errors import CallError, StepError
from geoqa.drawers import Drawers

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]


#: Plots of single points, and how many points they draw unless told otherwise.
OF_POINTS, MOST = ("positions-plot", "series-plot"), 12


def figures(
    frames: Frames,
    job: Job,
    stated: Mapping[str, Mapping[str, Any]] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> tuple[list[Figure], list[str]]:
    """Return every figure that the installed plots draw of a review, and which plot was left out and why.

    Parameters
    ----------
    frames, job
        Those of the review.
    stated
        Parameters of plots that are to differ from the recipe's, by the plot's name.
    progress
        Called with the name of each plot.

    Raises
    ------
    CallError
        If matplotlib is not installed, or a point is asked for that no log holds.
    """
    return Plots.of(plugins.catalogue(), job, stated).draw(frames, job, progress)


def write(
    folder: Path,
    frames: Frames,
    job: Job,
    named: Sequence[str] = (),
    most: int = MOST,
    progress: Callable[[str], None] = lambda _: None,
    review_id: str = "",
) -> tuple[list[Path], list[str]]:
    """Write every figure of a review into a folder, a file each, and run.json, which lists them.

    Earlier figures of the same review are kept, those of another review removed; other files are never touched.

    Parameters
    ----------
    folder
        Folder to make or to add to.
    frames, job, progress
        As in `figures`.
    named, most
        Points to draw; by default the worst by status, `most` of them.
    review_id
        The review's own (`Review.id`).

    Raises
    ------
    CallError
        As `figures`, or if there is nothing to draw.
    OutputError
        If the folder cannot be written.
    """
    from geoqa.outputs import folder as folders

    points = {"most": most, "named": tuple(named)}
    drawn, notes = figures(frames, job, dict.fromkeys(OF_POINTS, points), progress)
    if not drawn:
        raise CallError("\n".join(["There is nothing to plot:", *(f"  - {note}" for note in notes)]))
    made: dict[str, Any] = {}
    replaces = () if folders.holds(folder, review_id) else None
    with folders.writing(folder, made, replaces) as staging:
        made |= folders.record_beside(folder, review_id)
        for figure in drawn:
            (staging / f"{figure.name}.svg").write_text(figure.svg, encoding="utf-8")
    return [folder / f"{figure.name}.svg" for figure in drawn], notes


@dataclass(frozen=True)
class Plots(Drawers):
    """Plots as configured for a job."""

    group: ClassVar[str] = "geoqa.plots"
    word: ClassVar[str] = "plot"

    def draw(
        self,
        frames: Frames,
        job: Job,
        progress: Callable[[str], None] = lambda _: None,
        failed: dict[str, str] | None = None,
    ) -> tuple[list[Figure], list[str]]:
        """Return every figure that can be drawn of `frames`, and which plot was left out and why.

        Parameters
        ----------
        failed
            Receives the reason for each plot that failed.

        Raises
        ------
        CallError
            If a plot is asked for what is not there, or needs a library that is not installed.
        """
        failed = {} if failed is None else failed
        figures: dict[str, Figure] = {}
        notes = [self.left_out(name, error) for name, error in self.failed.items()]
        failed.update({name: guests.said(error) for name, error in self.failed.items()})
        for plot in self.usable:
            lacking = [address for address in plot.needs if not pipeline.has(frames, address)]
            if lacking:
                notes.append(f"the plot {plot.name!r} is left out: the review has no {', '.join(lacking)}")
                continue
            progress(plot.name)
            try:
                made = self.made(plot, frames, job, functools.partial(_figures, before=figures))
            except Exception as error:
                notes.append(self.leave_out(plot, error, failed))
                continue
            if not made:
                notes.append(f"the plot {plot.name!r} is left out: there is nothing to show")
            figures |= made
        return list(figures.values()), notes


def _figures(made: Any, before: Mapping[str, Figure]) -> dict[str, Figure]:
    """Return figures by the name of their file, or raise StepError where they are none or take another's name."""
    from geoqa.core.figure import Figure

    if not isinstance(made, (tuple, list)) or not all(isinstance(one, Figure) for one in made):
        raise StepError(f"it returned {type(made).__name__}; a plot must return a tuple of geoqa.Figure.")
    named = {one.name.casefold(): one for one in made}
    taken = sorted({*named} & {*before}) + ([] if len(named) == len(made) else ["one of its own"])
    if taken:
        raise StepError(f"the name {taken[0]!r} of a figure is taken.")
    return named
