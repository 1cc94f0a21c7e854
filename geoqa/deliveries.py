"""The further files a review is asked for: which writers make them, what they are called, what is said of them."""

from __future__ import annotations

import copy
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import guests, pipeline, plugins
from geoqa.core import geodesy
from geoqa.core.errors import CallError, Fault, StepError
from geoqa.core.steps import Step, Writer

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd

    from geoqa.core.deliverable import Deliverable
    from geoqa.core.job import Job

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
    def of(cls, formats: Iterable[str], job: Job, *, every: bool = False) -> Deliveries:
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

    def notes(self, points: pd.DataFrame) -> list[str]:
        """Return what a person should know of the files that are made of the frame `points`."""
        if not self.writers:
            return []
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
        self,
        folder: Path,
        frames: Mapping[str, pd.DataFrame],
        job: Job,
        progress: Callable[[str], None],
        failed: dict[str, str] | None = None,
    ) -> list[dict[str, Any]]:
        """Write the files into a folder; return what the run record says of each, `failed` receives the others.

        Raises
        ------
        OSError
            If the system refuses one of geoqa's own.
        """
        from geoqa.outputs.deliver import rows

        if not self.writers:
            return []
        given = {
            placed: rows.deliverable(frames, job, every=self.every, placed=placed)
            for placed in {bool(writer.skips_unplaced) for writer in self.writers}
        }
        made = []
        for name, writer in self.names().items():
            progress(name)
            points = given[bool(writer.skips_unplaced)]
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
        guests.call(lambda: writer.write(path, copy.deepcopy(points), copy.deepcopy(job)))
        if path.is_symlink() or not path.is_file():
            raise StepError(f"it did not write {name}")
        path.replace(folder / name)


def formats() -> tuple[str, ...]:
    """Return the words that `--also` knows."""
    return tuple(name.removesuffix(plugins.FILE) for name in plugins.catalogue().names("geoqa.writers"))


def refuse_stated(found: plugins.Catalogue, job: Job) -> None:
    """Raise RecipeError if the recipe sets parameters of a writer, asked for or not, that cannot be used."""
    for name in found.names("geoqa.writers"):
        if name in job.steps and name not in found.refused:
            plugins.configure(found.find(name, "geoqa.writers").load(), job.steps)


def _faults(found: plugins.Catalogue, word: str, job: Job) -> list[Fault]:
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
    if writer.place == "earth" and job.site.crs != geodesy.LOCAL and not geodesy.is_near_wgs84(geodesy.of(job)):
        problem = f"the datum of {geodesy.of(job).name} may lie hundreds of metres from WGS 84 and is not transformed."
        return [Fault(word, problem, "Ask for csv, xlsx or geoparquet.")]
    here = "earth" if geodesy.of(job).geographic else "none" if job.site.crs == geodesy.LOCAL else writer.place
    if writer.place and writer.place != here and (writer.place, here) != ("plane", "none"):
        others = [f for f in formats() if f in ("csv", "xlsx", "geoparquet")]
        return [Fault(word, f"{_NEEDS[writer.place]}.", f"Ask for {', '.join(others)}.")]
    return []
