"""An earlier review taken up again: its map drawn anew, one step run on its frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import pipeline, plugins
from geoqa.core.errors import CallError, StepError
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
    failed = record.get("failed", ())
    listed = [one for one in failed if isinstance(one, dict)] if isinstance(failed, list) else []
    return Review(
        job, frames, record.get("accounts", {}), tuple(record.get("messages", ())), record,
        failed={str(one.get("step")): str(one.get("reason")) for one in listed},
    )  # fmt: skip


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


def draw_map(folder: Path, out: Path | None = None) -> tuple[Path, dict[str, str], dict[str, str]]:
    """Draw the map of an earlier review again, into its folder or to another file.

    Returns
    -------
    tuple
        What was written, what failed so far without the review and why, and what of that had failed before.
    """
    from geoqa.outputs import folder as folders

    review = taken_up(folder)
    before = dict(review.failed)
    if out is not None and (out.name, out.parent.resolve()) != ("map.html", folder.resolve()):
        review.write_map(out)
        return out, review.failed, before
    made: dict[str, Any] = {}
    with folders.writing(folder, made, replaces=("map.html",)) as staging:
        review.write_map(staging / "map.html")
        made |= folders.record_beside(folder, review.id)
    return folder / "map.html", review.failed, before


def write_report(folder: Path, out: Path | None = None) -> tuple[list[Path], dict[str, str], dict[str, str]]:
    """Write the report of an earlier review again, into its folder or another; return as `draw_map` does."""
    from geoqa.outputs import folder as folders
    from geoqa.reviews import REPORTS

    review, target = taken_up(folder), out or folder
    before = dict(review.failed)
    made: dict[str, Any] = {}
    with folders.writing(target, made, replaces=REPORTS) as staging:
        made |= folders.record_beside(target, review.id)
        names = [path.name for path in review.write_report(staging)]
    return [target / name for name in names], review.failed, before


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

    Raises
    ------
    StepError
        If one could not be written; the others are.
    """
    from geoqa.outputs import folder as folders

    review = taken_up(folder)
    deliveries = asked(also, review.job, all_points)
    names = deliveries.names()
    failed: dict[str, str] = {}
    refuse_loss(folder, (), names)
    also_before = review.record.get("also")
    listed = also_before if isinstance(also_before, list) else []
    before = [one for one in listed if isinstance(one, dict) and one.get("file") not in names]
    record = dict(review.record)
    with folders.writing(folder, record, replaces=()) as staging:
        made = deliveries.write(staging, review.frames, review.job, progress, failed)
        record["also"] = [*before, *made]
    written = [folder / name for name, writer in names.items() if writer.name not in failed]
    if failed:
        told = "; ".join(f"{name}: {reason}" for name, reason in failed.items())
        raise StepError(f"not written: {told}. Written: {', '.join(path.name for path in written) or 'nothing'}.")
    return written, deliveries.notes(review.frames["points"])


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
    foreign, failed = [step.name] if plugins.catalogue().is_third_party(step.name) else [], dict[str, str]()
    messages = pipeline.run([step], kept, review.job, foreign=foreign, failed=failed)
    if failed:
        raise StepError(failed[step.name])
    made = {address.partition(".")[0] for address in step.gives}
    with folders.replacing_file(out) as staging:
        geopackage.write(staging, {name: kept[name] for name in made}, review.job)
    return [*messages, *(f"Wrote {len(kept[name])} rows of {name} to {out}" for name in sorted(made))]


def _without(frame, step: Analysis, name: str):  # type: ignore[no-untyped-def]
    """Return a stored frame without the columns the step will give anew."""
    return frame.drop(columns=[c for c in frame.columns if f"{name}.{c}" in step.gives])
