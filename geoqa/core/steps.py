"""The five kinds of processing step: readers, analysis, map layers, plots, writers.

A step is a frozen dataclass. It has a `name`, a docstring, the addresses it `needs` and `gives`,
and fields declared with `param`. An address is a frame (``closures``) or one column of it
(``closures.status``). Whoever gives a frame owns the columns it comes with; any other column has
its own owner, and the pipeline attaches it by the frame's key. Modules that hold steps import
heavy libraries inside the method that does the work, so that listing steps stays quick.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Self

from geoqa.core.params import Declared, param

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.deliverable import Deliverable
    from geoqa.core.drawing import Drawing
    from geoqa.core.figure import Figure
    from geoqa.core.job import Job

__all__ = ["API", "Analysis", "MapLayer", "Plot", "ReadResult", "Reader", "Result", "Step", "Writer", "param"]

API = 1


@dataclass(frozen=True, kw_only=True)
class Step(Declared, ABC):
    """A processing step: immutable, its parameters declared once with `param`."""

    name: ClassVar[str]
    api: ClassVar[int] = API
    needs: ClassVar[tuple[str, ...]] = ()
    gives: ClassVar[tuple[str, ...]] = ()
    #: Addresses that a step makes use of where they are there, and does without where they are not.
    uses: ClassVar[tuple[str, ...]] = ()

    @classmethod
    def needs_said(cls) -> str:
        """Return what the step needs, and what it uses where it is there, in words."""
        return ", ".join(cls.needs) + (f"; where it is there {', '.join(cls.uses)}" if cls.uses else "")

    @classmethod
    def as_set(cls, job: Job) -> Self:
        """Return the step as the recipe sets it: what other steps ask that go by the same rule."""
        return cls(**job.steps.get(cls.name, {}))

    def as_record(self) -> dict[str, Any]:
        """Return what goes into the run record: the name, and each value with its unit."""
        values = {p.name: {"value": getattr(self, p.name), "unit": p.unit} for p in self.parameters()}
        return {"step": self.name, "parameters": values}


@dataclass(frozen=True)
class ReadResult:
    """What a reader returns.

    Attributes
    ----------
    frames
        ``occupations`` and ``set_aside``, and ``epochs`` where the file has them (see `geoqa.core.schema`).
    accounts
        Per kind of record (``rows``): how many were ``read``, ``used`` and ``set_aside``.
    messages
        What a person should know about the file.
    units
        The unit of coordinates and that of heights, where the file states them and the recipe leaves them to it.
    """

    frames: Mapping[str, pd.DataFrame]
    accounts: Mapping[str, Mapping[str, int]]
    messages: tuple[str, ...] = ()
    units: tuple[str, str] | None = None


@dataclass(frozen=True)
class Result:
    """What an analysis step returns: frames and keyed columns, by name of the frame.

    Attributes
    ----------
    frames
        For an address that is a frame: the frame. For addresses that are columns: a frame that
        holds the key column and those columns.
    messages
        What a person should know.
    """

    frames: Mapping[str, pd.DataFrame]
    messages: tuple[str, ...] = field(default=())


@dataclass(frozen=True, kw_only=True)
class Reader(Step):
    """Turns one file into an ``occupations`` frame, and keeps account of every record.

    `gives` names what its files may hold: ``epochs`` come from those that have some.
    """

    suffixes: ClassVar[tuple[str, ...]] = ()
    #: Whether files of this kind may belong together, so that `read_all` is given all of a review at once.
    together: ClassVar[bool] = False

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return 0 (not mine) to 1 (surely mine) from the name and the first bytes."""
        return 0.5 if path.name.lower().endswith(cls.suffixes) else 0.0

    @abstractmethod
    def read(self, path: Path, job: Job) -> ReadResult:
        """Return what `path` holds."""

    def read_all(self, paths: Sequence[Path], jobs: Sequence[Job]) -> list[ReadResult]:
        """Return what each of several files holds, each with its own job."""
        return [self.read(path, job) for path, job in zip(paths, jobs, strict=True)]


@dataclass(frozen=True, kw_only=True)
class Analysis(Step):
    """Makes frames or columns from frames. Works on any set of whole points, keeps no state."""

    @abstractmethod
    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return what `gives` names, from frames that hold what `needs` names; change neither."""


@dataclass(frozen=True, kw_only=True)
class MapLayer(Step):
    """Draws frames on the map as plain data, and says what its symbols mean."""

    @abstractmethod
    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Drawing, ...]:
        """Return drawings: columns of numbers and text, never markup."""


@dataclass(frozen=True, kw_only=True)
class Plot(Step):
    """Draws frames as figures for a report or for files of their own."""

    @abstractmethod
    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Figure, ...]:
        """Return figures, the same for the same frames; none where there is nothing to show."""


@dataclass(frozen=True, kw_only=True)
class Writer(Step):
    """Writes the points of a review to one more file, for other people's software; its name ends in ``-file``.

    Attributes
    ----------
    suffix
        End of the file's name, with its dot.
    libraries, extra
        Packages that it imports beside geoqa's own, and the extra of geoqa that brings them, if one does.
    place
        ``plane`` if the format holds easting and northing only, ``earth`` if longitude and latitude only.
    skips_unplaced
        Whether points without a coordinate cannot stand in it and are left out.
    """

    needs: ClassVar[tuple[str, ...]] = ("points",)
    suffix: ClassVar[str] = ""
    libraries: ClassVar[tuple[str, ...]] = ()
    extra: ClassVar[str] = ""
    place: ClassVar[str] = ""
    skips_unplaced: ClassVar[bool] = False

    @abstractmethod
    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write the file at `path`: the same bytes for the same points, whatever the hour."""
