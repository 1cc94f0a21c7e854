"""Earlier reviews taken up again: redrawn, one step run on their frames, or two of them compared."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from geoqa import pipeline, plugins
from geoqa.analysis.history import compared
from geoqa.core.arrays import np, pd
from geoqa.core.errors import CallError, StepError
from geoqa.core.frames import revisits as frames_revisits
from geoqa.core.frames.contract import STATUSES
from geoqa.core.frames.revisits import GONE, NEW, SAME
from geoqa.core.job import Job
from geoqa.core.steps import Analysis
from geoqa.core.units import NONE, expected, length, signed
from geoqa.outputs import folder as folders
from geoqa.outputs import geopackage
from geoqa.outputs.folder import flat_keys, replacing_file
from geoqa.outputs.text import cell_text, cut, display_text
from geoqa.readers import earlier_review
from geoqa.readers.earlier_review import read_job, read_review
from geoqa.reviews import reading
from geoqa.reviews.review import REPORTS, Progress, Review, asked, refuse_loss


def load(folder: Path) -> Review:
    """Return the review that `folder` holds; what a run that was killed left there is not finished, see `taken_up`.

    Raises
    ------
    InputError
        If the folder is none that `geoqa review` has written.
    """
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
    folders.settle(folder)
    return load(folder)


def draw_map(folder: Path, out: Path | None = None) -> tuple[Path, dict[str, str], dict[str, str]]:
    """Draw the map of an earlier review again, into its folder or to another file.

    Returns
    -------
    tuple
        What was written, what failed so far without the review and why, and what of that had failed before.
    """
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
    review = taken_up(folder)
    deliveries = asked(also, review.job, all_points)
    names = deliveries.names()
    failed: dict[str, str] = {}
    refuse_loss(folder, (), names)
    record = dict(review.record)
    with folders.writing(folder, record, replaces=()) as staging:
        made = deliveries.write(staging, review.frames, review.job, progress, failed)
        record["also"] = [*folders.further(record, names), *made]
    written = [folder / name for name, writer in names.items() if writer.name not in failed]
    if failed:
        told = "; ".join(f"{name}: {reason}" for name, reason in failed.items())
        raise StepError(f"not written: {told}. Written: {', '.join(path.name for path in written) or 'nothing'}.")
    return written, deliveries.notes(review.frames)


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
    if out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    if out.suffix.lower() != ".gpkg":
        raise CallError(f"{out} is written as a GeoPackage. Give it a name that ends in .gpkg.")
    review = load(folder)
    step = cls(**{**review.job.steps.get(cls.name, {}), **stated})
    missing = [address for address in step.needs if not pipeline.has(review.frames, address)]
    if missing:
        raise CallError(f"the review in {folder} has no {', '.join(missing)}, which {step.name!r} needs.")
    kept = pipeline.RunFrames.before([step], review.frames)
    foreign, failed = [step.name] if plugins.catalogue().is_third_party(step.name) else [], dict[str, str]()
    messages = pipeline.run([step], kept, review.job, foreign=foreign, failed=failed)
    if failed:
        raise StepError(failed[step.name])
    made = {address.partition(".")[0] for address in step.gives}
    with folders.replacing_file(out) as staging:
        geopackage.write(staging, {name: kept[name] for name in made}, review.job)
    return [*messages, *(f"Wrote {len(kept[name])} rows of {name} to {out}" for name in sorted(made))]


#: Most lines of one list.
MOST = 20
#: Words that stand for a point that one of the two does not have.
_NONE = "not there"


def lines(names: Sequence[str], records: Sequence[Mapping[str, Any]], table: pd.DataFrame, job: Job) -> list[str]:
    """Return what differs: inputs, recipe, statuses, delivery, and the points that moved most.

    Parameters
    ----------
    names, records
        What the two reviews are called, and their run records.
    table
        The points of both (see `geoqa.core.frames.revisits.CHANGES`), with ``radius95_m`` and ``risk`` of both.
    job
        The job of the second, for its unit.
    """
    said = [f"{label}: {cut(display_text(name), 200)}" for label, name in zip("AB", names, strict=True)]
    said += ["", *_inputs(records), "", *_recipe(records), "", *_statuses(table), *_delivery(table), ""]
    return said + _points(table, job)


def _inputs(records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return which files only one of the two was made of."""
    files = [{(one.get("sha256"), str(one.get("file"))) for one in record.get("inputs", [])} for record in records]
    told = []
    for label, own, other in zip("AB", files, files[::-1], strict=True):
        if found := sorted(name for _, name in own - other):
            told.append(f"  only {label}: {', '.join(cut(display_text(name), 80) for name in found)}")
    versions = [record.get("versions", {}).get("geoqa") for record in records]
    differ = [] if versions[0] == versions[1] else [f"  geoqa {versions[0]} and {versions[1]}"]
    return ["Inputs:", *(told + differ or ["  the same files, the same geoqa"])]


def _recipe(records: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the keys of the recipe that differ, each with both values."""
    a, b = (dict(flat_keys(record.get("recipe", {}))) for record in records)
    told = [
        f"  {cut(display_text(key), 80)}: {_value(a, key)} → {_value(b, key)}"
        for key in dict.fromkeys([*a, *b])
        if a.get(key) != b.get(key)
    ]
    more = [f"  and {len(told) - MOST} more"] if len(told) > MOST else []
    return ["Recipe:", *(told[:MOST] + more or ["  the same"])]


def _value(table: Mapping[str, Any], key: str) -> str:
    value = table.get(key)
    return "not stated" if value is None else cut(display_text(str(value)), 80)


def _statuses(table: pd.DataFrame) -> list[str]:
    """Return how many points went from each status to each."""
    words = [*STATUSES, _NONE]
    before, after = (
        pd.Categorical(table[name].astype("str").fillna(_NONE), categories=words)
        for name in ("status_before", "status")
    )
    counts = pd.crosstab(before, after, dropna=False).reindex(index=words, columns=words, fill_value=0)
    shown = [word for word in words if counts.loc[word].sum() or counts[word].sum()]
    rows = [f"  {'A, then B':<10}" + "".join(f"{word:>11}" for word in shown)]
    rows += [f"  {was:<10}" + "".join(f"{counts.loc[was, now] or '·':>11}" for now in shown) for was in shown]
    return ["Points by status, A down, B across:", *rows]


def _delivery(table: pd.DataFrame) -> list[str]:
    was, now = ((table[name].astype("str") == "yes").to_numpy() for name in ("deliver_before", "deliver"))
    outside = [expected(table.loc[some, name].sum()) for name, some in (("risk_before", was), ("risk", now))]
    return [
        f"May be delivered: {was.sum()} in A, {now.sum()} in B; {(was & ~now).sum()} only in A, "
        f"{(now & ~was).sum()} only in B",
        f"Expected outside the requirement, of those: {outside[0]} in A, {outside[1]} in B",
    ]


def _points(table: pd.DataFrame, job: Job) -> list[str]:
    """Return the points that changed: those with another status or delivery first, then those that moved most."""
    unit, unit_up = job.grid.units
    changed = changed_points(table)
    if changed.empty:
        return ["No point differs in status, delivery or coordinate."]
    rows = [
        f"Points that differ: {len(changed)}",
        f"  {'point':<24} {'status':<24} {'deliver':<10} {'moved':>12} {'up':>12}",
    ]
    for row in changed.head(MOST).itertuples(index=False):
        moved = length(row.moved_h_m, unit), _rise(row.moved_v_m, unit_up)
        rows.append(
            f"  {cut(display_text(str(row.point)), 24):<24} {_arrow(row.status_before, row.status):<24} "
            f"{_arrow(row.deliver_before, row.deliver):<10} {moved[0]:>12} {moved[1]:>12}"
        )
    return [*rows, *([f"  and {len(changed) - MOST} more"] if len(changed) > MOST else [])]


def changed_points(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the points that differ, those with another status first, then those that moved most."""
    changed = table[table["change"].astype("str") != SAME]
    status, deliver = (
        changed[name].astype("str").fillna("") != changed[f"{name}_before"].astype("str").fillna("")
        for name in ("status", "deliver")
    )
    rank = np.select([changed["change"].isin([NEW, GONE]), status, deliver], [2, 0, 1], 3)
    return changed.assign(_rank=rank).sort_values(
        ["_rank", "moved_h_m", "point"], ascending=[True, False, True], kind="stable", na_position="last"
    )


def _rise(metres: float, unit: str) -> str:
    return NONE if metres != metres else f"{signed(metres, unit)} {unit}"


def _arrow(before: object, after: object) -> str:
    a, b = (str(value) if isinstance(value, str) else "none" for value in (before, after))
    return a if a == b else f"{a} → {b}"


def write(path: Path, table: pd.DataFrame) -> None:
    """Write the points of both as CSV, lengths in metres; text that a spreadsheet would run is made inert."""
    text = table.select_dtypes(exclude="number").apply(lambda values: values.astype("str").fillna("").map(cell_text))
    table.assign(**text).to_csv(path, index=False, lineterminator="\n", encoding="utf-8", float_format="%.6f")


def compare(first: Path, second: Path, out: Path | None = None) -> tuple[list[str], bool]:
    """Return what differs between two reviews in words, and whether any point does; write the table where asked.

    Parameters
    ----------
    first, second
        Folders that `geoqa review` has written.
    out
        CSV file to make: a row for each point of either.

    Raises
    ------
    CallError
        If `out` exists.
    InputError
        If a folder is none that `geoqa review` has written.
    """
    if out is not None and out.exists():
        raise CallError(f"{out} exists and is not overwritten. Name a new file for --out.")
    latest, frames = earlier_review.read_review(second)
    records = [earlier_review.read_record(first), latest]
    job = earlier_review.read_job(second, latest)
    table = _table(reading.earlier_points(first, job), frames["points"], frames.get("revisits"))
    if out is not None:
        with replacing_file(out) as staging:
            write(staging, table)
    said = lines([str(first), str(second)], records, table, job)
    return said, not changed_points(table).empty


def _table(
    before: tuple[pd.DataFrame, pd.DataFrame], points: pd.DataFrame, revisits: pd.DataFrame | None
) -> pd.DataFrame:
    """Return what became of each point, with radius and risk of both."""
    view, then = before
    made = compared(view, frames_revisits.earlier_view(points, revisits))
    for name in ("radius95_m", "risk"):
        for frame, label in ((then, f"{name}_before"), (points, name)):
            values = frame.set_index(frame["point"].astype("str"))[name]
            made[label] = values.reindex(made["point"]).to_numpy(dtype=float)
    return made
