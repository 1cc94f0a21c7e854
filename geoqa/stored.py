"""An earlier review taken up again: its map drawn anew, one step run on its frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import pipeline
from geoqa.core.errors import CallError
from geoqa.reviews import Progress, Review, asked, refuse_loss

if TYPE_CHECKING:
    from geoqa.core.steps import Analysis


def load(folder: Path) -> Review:
    """Return the review that `folder` holds; what a run that was killed left there is not finished, see `taken_up`.

    Raises
    ------
    InputError
        If the folder is none that `geoqa review` has written.
    """
    from geoqa.readers.stored import read_job, read_review

    record, frames = read_review(folder)
    job = read_job(folder, record)
    return Review(job, frames, record.get("accounts", {}), tuple(record.get("messages", ())), record)


def taken_up(folder: Path) -> Review:
    """Return the review that `folder` holds, to write into it: what a run that was killed left is finished first.

    Raises
    ------
    InputError
        As `load`.
    OutputError
        If another run is writing there.
    """
    from geoqa.outputs import folder as folders

    folders.settle(folder)
    return load(folder)


def draw_map(folder: Path, out: Path | None = None) -> Path:
    """Draw the map of an earlier review again, into its folder or to another file; return what was written."""
    from geoqa.outputs import folder as folders

    review = taken_up(folder)
    if out is not None and (out.name, out.parent.resolve()) != ("map.html", folder.resolve()):
        review.write_map(out)
        return out
    made: dict[str, Any] = {}
    with folders.writing(folder, made, replaces=("map.html",)) as staging:
        review.write_map(staging / "map.html")
        made |= folders.record_beside(folder, review.id)
    return folder / "map.html"


def write_report(folder: Path, out: Path | None = None) -> list[Path]:
    """Write the report of an earlier review again, into its folder or another; return what was written."""
    from geoqa.outputs import folder as folders
    from geoqa.reviews import REPORTS

    review, target = taken_up(folder), out or folder
    made: dict[str, Any] = {}
    with folders.writing(target, made, replaces=REPORTS) as staging:
        made |= folders.record_beside(target, review.id)
        names = [path.name for path in review.write_report(staging)]
    return [target / name for name in names]


def deliver(
    folder: Path, also: Iterable[str], all_points: bool = False, progress: Progress = lambda _: None
) -> tuple[list[Path], list[str]]:
    """Write further files of an earlier review into its folder, as the review itself would have done.

    Parameters
    ----------
    folder
        An earlier review.
    also, all_points
        As for `Review.write`.
    progress
        Called with the name of each file.

    Returns
    -------
    tuple
        The files written, and what a person should know of them.
    """
    from geoqa.outputs import folder as folders

    review = taken_up(folder)
    deliveries = asked(also, review.job, all_points)
    names = deliveries.names()
    refuse_loss(folder, (), names)
    also_before = review.record.get("also")
    listed = also_before if isinstance(also_before, list) else []
    before = [one for one in listed if isinstance(one, dict) and one.get("file") not in names]
    record = dict(review.record)
    with folders.writing(folder, record, replaces=()) as staging:
        made = deliveries.write(staging, review.frames, review.job, progress)
        record["also"] = [*before, *made]
    return [folder / name for name in names], deliveries.notes(review.frames["points"])


def run_step(cls: type[Analysis], stated: Mapping[str, Any], folder: Path, out: Path) -> list[str]:
    """Run one step on the frames of an earlier review and write what it gives to a new GeoPackage.

    Parameters
    ----------
    cls, stated
        The step, and the parameters that are to differ from those the review was made with.
    folder, out
        An earlier review, and the file to make.

    Returns
    -------
    list of str
        The step's messages, and what was written.

    Raises
    ------
    CallError
        If the review lacks what the step needs, or `out` exists.
    """
    from geoqa.outputs import folder as folders
    from geoqa.outputs import geopackage

    if out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    if out.suffix.lower() != ".gpkg":
        raise CallError(f"{out} is written as a GeoPackage. Give it a name that ends in .gpkg.")
    review = load(folder)
    step = cls(**{**review.job.steps.get(cls.name, {}), **stated})
    missing = [address for address in step.needs if not pipeline.has(review.frames, address)]
    if missing:
        raise CallError(f"the review in {folder} has no {', '.join(missing)}, which {step.name!r} needs.")
    kept = pipeline.Frames(
        {name: _without(frame, step, name) for name, frame in review.frames.items() if name not in step.gives}
    )
    messages = pipeline.run([step], kept, review.job)
    made = {address.partition(".")[0] for address in step.gives}
    with folders.replacing_file(out) as staging:
        geopackage.write(staging, {name: kept[name] for name in made}, review.job)
    return [*messages, *(f"Wrote {len(kept[name])} rows of {name} to {out}" for name in sorted(made))]


def _without(frame, step: Analysis, name: str):  # type: ignore[no-untyped-def]
    """Return a stored frame without the columns the step will give anew."""
    return frame.drop(columns=[c for c in frame.columns if f"{name}.{c}" in step.gives])
