"""Installed map layers, plots and writers, loaded and configured once for a job, and what they make."""

from __future__ import annotations

import copy
import functools
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.util import find_spec
from pathlib import Path
from typing import Any, ClassVar, Self, TypeVar

from geoqa import pipeline, plugins
from geoqa.core import geodesy
from geoqa.core.arrays import Frames, pd
from geoqa.core.drawing import Drawing
from geoqa.core.errors import CallError, Fault, RecipeError, StepError
from geoqa.core.frames.contract import VECTOR
from geoqa.core.job import Job, Recipe
from geoqa.core.steps import Deliverable, Figure, Step, Writer
from geoqa.outputs import folder as folders
from geoqa.outputs.deliver import table

T = TypeVar("T")


@dataclass(frozen=True)
class Drawers:
    """Steps that draw, as configured for a job.

    Attributes
    ----------
    usable
        The steps, in the order of their names.
    foreign
        Names of those of a third party, which are given copies.
    failed
        Those of a third party that could not be configured, and why.
    """

    usable: tuple[Any, ...] = ()
    foreign: frozenset[str] = frozenset()
    failed: Mapping[str, Exception] = field(default_factory=dict)

    group: ClassVar[str]
    word: ClassVar[str]

    @classmethod
    def of(cls, found: plugins.Catalogue, job: Recipe, stated: Mapping[str, Mapping[str, Any]] | None = None) -> Self:
        """Return the steps in `found`, configured by the job, and by `stated` tables of parameters beside it.

        Raises
        ------
        RecipeError
            If one of geoqa's own cannot be configured.
        """
        usable: list[Any] = []
        foreign, failed = set(), {}
        tables = {**job.steps, **{name: {**job.steps.get(name, {}), **more} for name, more in (stated or {}).items()}}
        for name, step in found.load_all(cls.group).items():
            if not found.is_third_party(name):
                usable.append(plugins.configure(step, tables))
                continue
            foreign.add(name)
            try:
                usable.append(plugins.as_guest(step, tables))
            except Exception as error:
                failed[name] = error
        return cls(tuple(usable), frozenset(foreign), failed)

    def refuse_stated(self, job: Recipe) -> None:
        """Raise what speaks against the parameters that the recipe sets of a step: its user waits for it."""
        for name, error in self.failed.items():
            if name in job.steps and isinstance(error, RecipeError):
                raise error

    def made(self, step: Any, frames: Frames, job: Job, check: Callable[[Any], T]) -> T:
        """Return what a step draws, passed through `check`; of a third party's it keeps nothing that it can change."""
        shown = self.shown(step, frames)
        if step.name not in self.foreign:
            return check(step.draw(shown, job))
        return plugins.call(lambda: copy.deepcopy(check(step.draw(plugins.copied(shown), copy.deepcopy(job)))))

    def that_fit(self, build: Callable[[Self], T], failed: dict[str, str]) -> T:
        """Return what `build` makes of these steps, without those of a third party that it fails with.

        Parameters
        ----------
        build
            Makes a map, or a report, of steps that draw.
        failed
            Receives the reason for each step that was left out.
        """
        try:
            return build(self)
        except (Exception, SystemExit) as error:
            foreign = [step for step in self.usable if step.name in self.foreign]
            if not foreign or (isinstance(error, Exception) and not pipeline.is_ours(error)):
                raise
        kept = replace(self, usable=tuple(step for step in self.usable if step.name not in self.foreign))
        build(kept)
        for step in foreign:
            tried = replace(self, usable=(*kept.usable, step))
            try:
                build(tried)
            except (Exception, SystemExit) as error:
                failed[step.name] = plugins.error_text(error)
            else:
                kept = tried
        return build(kept)  # which can now say all that was left out

    def shown(self, step: Any, frames: Frames) -> dict[str, pd.DataFrame]:
        """Return the frames that a step is shown: those it needs, and those it uses as far as they are there."""
        used = (address for address in step.uses if pipeline.has(frames, address))
        names = dict.fromkeys(address.partition(".")[0] for address in (*step.needs, *used))
        return {name: frames[name] for name in names}

    def unconfigured(self, failed: dict[str, str]) -> list[str]:
        """Enter the steps that could not be configured into `failed`, and return what is said of them."""
        return [self._left_out(name, error, failed) for name, error in self.failed.items()]

    def leave_out(self, step: Any, error: Exception, failed: dict[str, str]) -> str:
        """Enter a step into `failed` and return what is said of it; raise `error` where its user is to mend it."""
        if step.name not in self.foreign and not pipeline.is_ours(error):
            raise error
        return self._left_out(step.name, error, failed)

    def _left_out(self, name: str, error: Exception, failed: dict[str, str]) -> str:
        failed[name] = plugins.error_text(error)
        return f"the {self.word} {name!r} is left out: {failed[name]}"


@dataclass(frozen=True)
class MapLayers(Drawers):
    """Map layers as configured for a job."""

    group: ClassVar[str] = "geoqa.layers"
    word: ClassVar[str] = "map layer"

    def draw(self, frames: Frames, job: Job, failed: dict[str, str] | None = None) -> tuple[list[Drawing], list[str]]:
        """Return what the layers draw of `frames`, and which could not; `failed` receives why."""
        failed = {} if failed is None else failed
        drawings: list[Drawing] = []
        notes = self.unconfigured(failed)
        for layer in self.usable:
            if not all(pipeline.has(frames, address) for address in layer.needs):
                continue
            try:
                drawings += self.made(layer, frames, job, lambda made: _all(made, Drawing, "map layer"))
            except Exception as error:
                notes.append(self.leave_out(layer, error, failed))
        return drawings, notes


def _all(made: Any, kind: type[T], by: str) -> tuple[T, ...]:
    """Return what a step made if all of it is of a kind, or raise StepError."""
    if not isinstance(made, (tuple, list)) or not all(isinstance(one, kind) for one in made):
        raise StepError(f"it returned {type(made).__name__}; a {by} must return a tuple of geoqa.{kind.__name__}.")
    return tuple(made)


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
    folder: Path, frames: Frames, job: Job, named: Sequence[str] = (), most: int = MOST,
    progress: Callable[[str], None] = lambda _: None, review_id: str = "",
) -> tuple[list[Path], list[str]]:  # fmt: skip
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
        self, frames: Frames, job: Job, progress: Callable[[str], None] = lambda _: None,
        failed: dict[str, str] | None = None,
    ) -> tuple[list[Figure], list[str]]:  # fmt: skip
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
        notes = self.unconfigured(failed)
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
    named = {one.name.casefold(): one for one in _all(made, Figure, "plot")}
    taken = sorted({*named} & {*before}) + ([] if len(named) == len(made) else ["one of its own"])
    if taken:
        raise StepError(f"the name {taken[0]!r} of a figure is taken.")
    return named


#: What the files are called, before the suffix of their format.
DELIVERED, ALL = "delivered", "all-points"
_NEEDS = {
    "plane": "holds easting and northing, and the job counts in longitude and latitude",
    "earth": "needs a place on the Earth, and the job's frame is local",
}


@dataclass(frozen=True)
class Deliveries:
    """Writers as asked for and configured.

    Attributes
    ----------
    writers
        In the order asked.
    every
        Whether points that may not be delivered are written too, marked as such.
    foreign
        Names of the writers of a third party, which are given copies.
    """

    writers: tuple[Writer, ...] = ()
    every: bool = False
    foreign: frozenset[str] = frozenset()

    @classmethod
    def of(cls, formats: Iterable[str], job: Recipe, *, every: bool = False) -> Deliveries:
        """Return the writers of `formats`, so that what speaks against one is said before any work is done.

        Parameters
        ----------
        formats
            Words such as ``landxml``; each may hold several with commas between.
        job
            The recipe, whose ``[step.NAME]`` may set parameters of a writer.

        Raises
        ------
        CallError
            If a format is not known, its library is not installed, or it cannot hold the job's coordinates.
        RecipeError
            If the recipe's parameters of a writer cannot be used.
        """
        words = dict.fromkeys(word.strip() for text in formats for word in text.split(",") if word.strip())
        if not words:
            return cls((), every)
        found = plugins.catalogue()
        faults = [fault for word in words for fault in _faults(found, word, job)]
        steps: list[Any] = []
        for word in () if faults else words:
            steps.append(found.find(f"{word}{plugins.FILE}", "geoqa.writers").load())
            if steps[-1].suffix in [step.suffix for step in steps[:-1]]:
                faults.append(Fault(word, f"would write {steps[-1].suffix} as another does.", "Ask for one of them."))
        if faults:
            raise CallError.from_faults("--also cannot be done:", faults)
        foreign = frozenset(step.name for step in steps if found.is_third_party(step.name))
        writers = [(plugins.as_guest if step.name in foreign else plugins.configure)(step, job.steps) for step in steps]
        return cls(tuple(writers), every, foreign)  # type: ignore[arg-type]

    def names(self) -> dict[str, Writer]:
        """Return the writers by the name of their file."""
        return {f"{ALL if self.every else DELIVERED}{writer.suffix}": writer for writer in self.writers}

    def notes(self, frames: Frames) -> list[str]:
        """Return what a person should know of the files that are made of `points` and `occupations`."""
        if not self.writers:
            return []
        points, empty = frames["points"], [name for name, one in self.names().items() if one.observations == "vectors"]
        if empty and VECTOR[0] not in frames["occupations"]:
            return [f"no vector came in: {', '.join(empty)} holds none. Ask for covariance"]
        chosen = points if self.every else points[(points["deliver"] == "yes").to_numpy()]
        names = ", ".join(self.names())
        if chosen.empty:
            return [f"no point may be delivered: there is none in {names}"]
        unplaced = int(chosen["easting_m"].isna().sum())
        skipping = ", ".join(name for name, writer in self.names().items() if writer.skips_unplaced)
        if unplaced and skipping:
            return [f"{unplaced} of {len(chosen)} points have no coordinate to give and are not in {skipping}"]
        return []

    def write(
        self, folder: Path, frames: Frames, job: Job, progress: Callable[[str], None],
        failed: dict[str, str] | None = None,
    ) -> list[dict[str, Any]]:  # fmt: skip
        """Write the files into a folder; return what the run record says of each, `failed` receives the others.

        Raises
        ------
        OSError
            If the system refuses one of geoqa's own.
        """
        if not self.writers:
            return []
        given = {
            placed: table.deliverable(frames, job, every=self.every, placed=placed)
            for placed in {bool(writer.skips_unplaced) for writer in self.writers}
        }
        made = []
        for name, writer in self.names().items():
            progress(name)
            points = given[bool(writer.skips_unplaced)]
            if writer.observations:
                points = replace(points, observations=table.observations(frames))
            with pipeline.going_on(writer.name, {} if failed is None else failed):
                if writer.name in self.foreign:
                    _write_as_guest(writer, folder, name, points, job)
                else:
                    writer.write(folder / name, points, job)
                made.append({"file": name, **Step.as_record(writer), "points": len(points), "every": self.every})
        return made


def _write_as_guest(writer: Writer, folder: Path, name: str, points: Deliverable, job: Job) -> None:
    """Let a third party's writer write into a folder of its own; what else it leaves there is dropped."""
    with tempfile.TemporaryDirectory(dir=folder, prefix=".") as own:
        path = Path(own) / name
        plugins.call(lambda: writer.write(path, copy.deepcopy(points), copy.deepcopy(job)))
        if path.is_symlink() or not path.is_file():
            raise StepError(f"it did not write {name}")
        path.replace(folder / name)


def formats() -> tuple[str, ...]:
    """Return the words that `--also` knows."""
    return tuple(name.removesuffix(plugins.FILE) for name in plugins.catalogue().names("geoqa.writers"))


def refuse_stated(found: plugins.Catalogue, job: Recipe) -> None:
    """Raise RecipeError if the recipe sets parameters of a writer, asked for or not, that cannot be used."""
    for name in found.names("geoqa.writers"):
        if name in job.steps and name not in found.refused:
            plugins.configure(found.find(name, "geoqa.writers").load(), job.steps)


def _faults(found: plugins.Catalogue, word: str, job: Recipe) -> list[Fault]:
    """Return what speaks against a format."""
    if f"{word}{plugins.FILE}" not in found.names("geoqa.writers"):
        refused = found.refused.get(f"{word}{plugins.FILE}")
        known = f"Installed: {', '.join(formats())}."
        return [Fault(word, "there is no such format." if not refused else f"was refused: {refused}", known)]
    writer: Any = found.find(f"{word}{plugins.FILE}", "geoqa.writers").load()
    missing = [name for name in writer.libraries if find_spec(name) is None]
    if missing:
        wanted = f"'geoqa-survey[{writer.extra}]'" if writer.extra else " ".join(missing)
        return [Fault(word, f"needs {', '.join(missing)}, which is not installed.", f"pip install {wanted}")]
    if writer.place == "earth" and job.site.crs != geodesy.LOCAL and not geodesy.is_near_wgs84(job.grid.system):
        problem = f"the datum of {job.grid.system.name} may lie hundreds of metres from WGS 84 and is not transformed."
        return [Fault(word, problem, "Ask for csv, xlsx or geoparquet.")]
    here = "earth" if job.grid.system.geographic else "none" if job.site.crs == geodesy.LOCAL else writer.place
    if writer.place and writer.place != here and (writer.place, here) != ("plane", "none"):
        others = ", ".join(name for name in formats() if name in ("csv", "xlsx", "geoparquet"))
        return [Fault(word, f"{_NEEDS[writer.place]}.", f"Ask for {others}.")]
    return []
