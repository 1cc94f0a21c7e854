"""The front door: `review` reads, judges and keeps a whole site; `Review.write` makes the files."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import pipeline, plugins
from geoqa.core import geodesy, schema
from geoqa.core.errors import CallError, Fault, InputError, RecipeError, StepError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job
    from geoqa.core.steps import Analysis, Reader, ReadResult, Step

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Review:
    """A reviewed site.

    Attributes
    ----------
    job
        The completed recipe.
    frames
        Every frame made, by name (see `geoqa.core.schema`).
    accounts
        Per input file and kind of record: how many were read, used, set aside.
    messages
        What people should know.
    record
        What goes into run.json beside the above.
    """

    job: Job
    frames: Mapping[str, pd.DataFrame]
    accounts: Mapping[str, Mapping[str, Mapping[str, int]]]
    messages: tuple[str, ...] = ()
    record: Mapping[str, Any] = field(default_factory=dict)

    @property
    def counts(self) -> dict[str, dict[str, int]]:
        """Points by status and by delivery."""
        from geoqa.core.schema import DELIVERIES, STATUSES

        points = self.frames["points"]
        return {
            "status": {name: int((points["status"] == name).sum()) for name in STATUSES},
            "deliver": {name: int((points["deliver"] == name).sum()) for name in DELIVERIES},
        }

    @property
    def exit_code(self) -> int:
        """0 when every point that is not single by plan may be delivered, 1 otherwise."""
        points = self.frames["points"]
        held = points[points["deliver"] == "no"]
        planned = held["role"].map(lambda role: self.job.role(role).single_by_plan).astype(bool)
        return int((~(planned & (held["status"] == "unproven"))).any())

    def summary(self) -> list[str]:
        """Return the summary as lines of text."""
        from geoqa.outputs import summary

        return summary.lines(self.frames, self.accounts, self.messages, self.job)

    def write(self, folder: str | Path, progress: Progress = lambda _: None) -> list[Path]:
        """Write map.html, review.gpkg, points.csv and run.json; the old folder stays whole if anything fails.

        Parameters
        ----------
        folder
            Folder to make or to replace; files in it that geoqa did not make are kept.
        progress
            Called with the name of each file.

        Returns
        -------
        list of Path
            The files written.
        """
        from geoqa.outputs import folder as folders
        from geoqa.outputs import geopackage, record, tables

        target = Path(folder)
        with folders.replacing(target) as staging:
            progress("map.html")
            self.write_map(staging / "map.html")
            progress("review.gpkg")
            geopackage.write(staging / "review.gpkg", self.frames, self.job)
            progress("points.csv")
            tables.write_points(staging / "points.csv", self.frames["points"], self.job)
            record.write(staging / "run.json", self.run_record())
            names = sorted(path.name for path in staging.iterdir())
        return [target / name for name in names]

    def write_map(self, path: str | Path) -> None:
        """Write the map alone."""
        from geoqa.outputs import html_map

        found = plugins.catalogue()
        drawings = []
        for cls in found.load_all("geoqa.layers").values():
            layer = plugins.configure(cls, self.job.steps)
            if all(pipeline.has(self.frames, address) for address in layer.needs):
                drawings += layer.draw({name: self.frames[name] for name in _frames_of(layer)}, self.job)  # type: ignore[attr-defined]
        context = html_map.MapContext.of(self.frames, self.job, self.messages)
        Path(path).write_text(html_map.build_map(drawings, context), encoding="utf-8")

    def run_record(self) -> dict[str, Any]:
        """Return what run.json holds."""
        return {
            **self.record,
            "recipe": self.job.as_table(),
            "accounts": self.accounts,
            "counts": self.counts,
            "statements": [],
            "messages": list(self.messages),
        }


def review(
    inputs: str | Path | Iterable[str | Path],
    recipe: str | Path | Mapping[str, Any] | Job,
    progress: Progress = lambda _: None,
) -> Review:
    """Review a whole site.

    Parameters
    ----------
    inputs
        One file or several.
    recipe
        A recipe file, the same as a mapping, or a `Job`.
    progress
        Called with the name of each stage.

    Raises
    ------
    RecipeError, InputError, GeodesyError
        With every fault, and what to write instead.
    """
    from geoqa.core import assembly, file_rules
    from geoqa.outputs import record

    job = _job(recipe)
    paths = [Path(inputs)] if isinstance(inputs, (str, Path)) else [Path(p) for p in inputs]
    if not paths:
        raise CallError("no input file was given. Name at least one.")
    found = plugins.catalogue()
    steps = _steps(found, job)
    jobs = [file_rules.job_of(path, job) for path in paths]
    read = []
    for path, own in zip(paths, jobs, strict=True):
        progress(f"reading {path.name}")
        reader = _reader(found, path, own)
        result = reader.read(path, own)
        _check_read(reader, path, result)
        read.append((path, reader, result))
    names = _distinct([path for path, _, _ in read])
    messages = [*file_rules.unused(paths, job), *(text for _, _, result in read for text in result.messages)]
    frames: dict[str, pd.DataFrame] = {}
    for kind in pipeline.READ:
        parts = [_named(result.frames[kind], name) for name, (_, _, result) in zip(names, read, strict=True)]
        if kind == "occupations":
            parts, job, of_files = file_rules.settled(parts, names, jobs, job)
            messages += of_files
            frames[kind], job, said = assembly.occupations(parts, job)
            messages += said
        else:
            frames[kind] = assembly.stack(parts)
    for kind, frame in frames.items():
        schema.check(kind, frame, by="the readers")
    kept = pipeline.Frames(frames)
    messages += pipeline.run(steps, kept, job, progress)
    readers = {reader.name: reader for _, reader, _ in read}
    return Review(
        job=job,
        frames={name: _placed(kept[name], job) for name in kept.names()},
        accounts={name: result.accounts for name, (_, _, result) in zip(names, read, strict=True)},
        messages=(*messages, *_standing_messages(job, found, frames["occupations"])),
        record={
            "inputs": [
                {"file": name, "sha256": _sha256(path), "bytes": path.stat().st_size, "reader": reader.name}
                for name, (path, reader, _) in zip(names, read, strict=True)
            ],
            "steps": [step.as_record() for step in (*readers.values(), *steps)],
            "versions": record.versions(),
            "plugins": {"used": found.third_party(), "refused": found.refused},
            "local_origin": list(job.local_origin) if job.local_origin else None,
        },
    )


def _frames_of(layer: Step) -> set[str]:
    return {address.partition(".")[0] for address in layer.needs}


def _job(recipe: str | Path | Mapping[str, Any] | Job) -> Job:
    from geoqa.core.job import Job
    from geoqa.readers.recipe import job_from_table, read_recipe

    if isinstance(recipe, Job):
        return recipe
    if isinstance(recipe, Mapping):
        return job_from_table(recipe, "recipe")
    return read_recipe(Path(recipe))


def _steps(found: plugins.Catalogue, job: Job) -> list[Analysis]:
    """Return every installed analysis step, configured and in order; a [step.NAME] nobody has is a fault."""
    known = {name for group in plugins.GROUPS for name in found.names(group)}
    faults = [
        Fault(f"[step.{name}]", "no step of this name is installed.", "`geoqa steps` lists them.")
        for name in job.steps
        if name not in known
    ]
    if faults:
        raise RecipeError.from_faults("The recipe sets parameters of unknown steps:", faults)
    classes = found.load_all("geoqa.analysis")
    return pipeline.order([plugins.configure(cls, job.steps) for cls in classes.values()])  # type: ignore[misc]


def _reader(found: plugins.Catalogue, path: Path, job: Job) -> Reader:
    """Return the reader that claims the file most surely."""
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except IsADirectoryError as error:
        raise InputError(f"{path} is a folder. Name the file in it.") from error
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror}. Check the name and the rights.") from error
    claims = {cls: cls.sniff(path, head) for cls in found.load_all("geoqa.readers").values()}  # type: ignore[attr-defined]
    best = max(claims, key=lambda cls: claims[cls])
    if claims[best] <= 0:
        raise InputError(f"{path}: no installed reader knows this kind of file. `geoqa steps` lists the readers.")
    return plugins.configure(best, job.steps)  # type: ignore[return-value]


def _check_read(reader: Reader, path: Path, result: ReadResult) -> None:
    """Raise StepError unless a reader gave what assembly needs and accounts for every record."""
    for kind in pipeline.READ:
        if kind not in result.frames:
            raise StepError(f"the reader {reader.name!r} gave no frame {kind!r} for {path.name}.")
    needed = [c for c in schema.OCCUPATIONS.base if c not in ("occupation_id", "easting_m", "northing_m")]
    schema.check("occupations", result.frames["occupations"], by=reader.name, columns=[*needed, "start_utc", "role"])
    schema.check("set_aside", result.frames["set_aside"], by=reader.name)
    for kind, n in result.accounts.items():
        if n["read"] != n["used"] + n["set_aside"]:
            raise StepError(
                f"the reader {reader.name!r} lost {kind} of {path.name}: {n['read']} read, {n['used']} used, "
                f"{n['set_aside']} set aside."
            )


def _placed(frame: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return a frame that has geometry as a GeoDataFrame in the job's CRS."""
    if "geometry" not in frame:
        return frame
    import geopandas as gpd

    return gpd.GeoDataFrame(frame, geometry="geometry", crs=geodesy.of(job).crs)


def _distinct(paths: Sequence[Path]) -> list[str]:
    """Return the name each file goes by: its own, or as much of its path as tells it from the others."""
    names = [path.name for path in paths]
    if len(set(names)) == len(names):
        return names
    longer = [path.as_posix() for path in paths]
    if len(set(longer)) < len(longer):
        raise CallError("one input file was named twice. Name each file once.")
    return longer


def _named(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    import pandas as pd

    return frame.assign(source_file=pd.Categorical.from_codes([0] * len(frame), categories=[name]))


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _standing_messages(job: Job, found: plugins.Catalogue, occupations: pd.DataFrame) -> list[str]:
    messages = [f"step left out: {reason}" for reason in found.refused.values()]
    messages += geodesy.frame_said(job.site)
    if occupations["height_m"].isna().all():
        messages.append("the input has no heights: everything is judged horizontally only")
    if job.base.sigma_h_m is None:
        messages.append(
            "no uncertainty of the base is stated in [base]: coordinates and uncertainties are relative to the base"
        )
    if job.input.initialization == "asserted":
        messages.append(f"that every row is a fresh initialization is asserted by {job.input.asserted_by}, not shown")
    if job.input.initialization == "unknown":
        messages.append("initializations are unknown: nothing shows that any two occupations are independent")
    return messages
