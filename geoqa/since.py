"""Repeat runs: the files that an earlier review was made of, and what is compared with it."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import sources
from geoqa.core import earlier, geodesy, result_set
from geoqa.core.errors import CallError, InputError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


def inputs(given: Iterable[Path]) -> tuple[list[Path], Path | None]:
    """Return the files named, those of earlier reviews in place of their folders, and the last such folder.

    Raises
    ------
    CallError
        If a file that an earlier review was made of is not where it was, or has changed since.
    InputError
        If a folder is none that `geoqa review` has written.
    """
    from geoqa.readers import stored

    given = list(given)
    if not any(_is_folder(path) for path in given):
        return given, None
    named = {path.resolve() for path in given}
    paths: list[Path] = []
    folder = None
    for path in given:
        if not _is_folder(path):
            paths.append(path)
            continue
        if not (path / "run.json").exists() and not result_set.caught(path):
            raise InputError(f"{path} is a folder. Name the file in it, or a folder that `geoqa review` has written.")
        folder = path
        made_of = [one for one in _files(path, stored.read_record(path)) if one.resolve() not in named]
        named.update(one.resolve() for one in made_of)
        paths += made_of
    return paths, folder


def _is_folder(path: Path) -> bool:
    """Return whether a path is a folder; one that the system cannot look at is none, and whoever opens it says why."""
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _files(folder: Path, record: dict[str, Any]) -> list[Path]:
    """Return the files of occupations that the review in `folder` was made of."""
    found = []
    for entry in record["inputs"] if isinstance(record.get("inputs"), list) else []:
        if not isinstance(entry, dict) or not isinstance(entry.get("path"), str):
            continue
        path = Path(os.path.normpath(folder / entry["path"]))
        remedy = "Name the files themselves, and the earlier review with --since."
        if not path.is_file():
            raise CallError(f"{folder} was made of {path}, which is no longer there. {remedy}")
        if sources.sha256(path) != entry.get("sha256"):
            raise CallError(f"{path} has changed since {folder} was made of it (its SHA-256 is another). {remedy}")
        found.append(path)
    if not found:
        raise CallError(
            f"{folder}: its run.json does not say where the files are that it was made of. Name them, and the earlier "
            "review with --since."
        )
    return found


def recorded(inputs: Sequence[dict[str, Any]], folder: Path) -> list[dict[str, Any]]:
    """Return the inputs of a run record, those of occupations (which have a path) with where they are from `folder`."""
    return [
        {**entry, "path": _seen_from(folder, Path(entry["path"]))} if "path" in entry else entry for entry in inputs
    ]


def _seen_from(folder: Path, path: Path) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # on another drive, which has no way from here
        return path.absolute().as_posix()


def points(folder: Path, job: Job) -> tuple[pd.DataFrame, str]:
    """Return the points of the review in `folder` as the review of `job` compares with them, and its id.

    Coordinates are null where they are of another system, heights where they are above something else. A review
    of an earlier version has no id; there the SHA-256 of its layers stands for it.

    Raises
    ------
    InputError
        If the folder is none that `geoqa review` has written.
    """
    from geoqa.readers import stored

    view, _ = earlier_points(folder, job)
    return view, str(stored.read_record(folder).get("id") or result_set.sha256(folder / "review.gpkg"))


def earlier_points(folder: Path, job: Job) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return `points`, and the frame of points as the review in `folder` has it."""
    from geoqa.readers import stored

    record, frames = stored.read_review(folder)
    then = stored.read_job(folder, record)
    return _in_system(earlier.view(frames["points"], frames.get("revisits")), then, job), frames["points"]


def _in_system(frame: pd.DataFrame, then: Job, now: Job) -> pd.DataFrame:
    """Return points with coordinates as the job `now` has them."""
    import numpy as np

    if then.site.height != now.site.height:
        frame = frame.assign(height_m=np.nan)
    if then.site.crs != now.site.crs or then.site.localization != now.site.localization:
        return frame.assign(easting_m=np.nan, northing_m=np.nan)
    before, after = geodesy.of(then), geodesy.of(now)
    if not before.geographic or then.local_origin == now.local_origin:
        return frame
    east, north = after.from_lonlat(*before.to_lonlat(frame["easting_m"].to_numpy(), frame["northing_m"].to_numpy()))
    return frame.assign(easting_m=east, northing_m=north)
