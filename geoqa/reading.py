"""Files read by their readers, those that may belong together at once; the epochs of all logs as one frame."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa import claims, guests, pipeline, plugins
from geoqa.core import schema
from geoqa.core.errors import GeoqaError, InputError, StepError
from geoqa.core.steps import ReadResult

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job
    from geoqa.core.steps import Reader


def read(
    found: plugins.Catalogue, paths: Sequence[Path], jobs: Sequence[Job], progress: Callable[[str], None]
) -> list[tuple[Reader, ReadResult]]:
    """Return, for each file, the reader that claims it most surely and what it holds, checked.

    A third party's reader that fails is refused, and the files are read without it.

    Parameters
    ----------
    found
        What is installed; its `refused` receives the readers that failed.
    paths, jobs
        The files, each with its own job.
    progress
        Called with the name of each stage.

    Raises
    ------
    InputError
        If a file cannot be used as it stands.
    StepError
        If no reader is left for a file.
    """
    failed: StepError | None = None
    while True:
        try:
            readers = [_configured(found, path, job) for path, job in zip(paths, jobs, strict=True)]
            return list(zip(readers, _results(readers, paths, jobs, progress, found), strict=True))
        except _GuestError as error:
            found.refused[error.reader] = f"the reader {error.reader!r} failed: {error}"
            failed = StepError(found.refused[error.reader])
        except GeoqaError as error:
            if failed is None:
                raise
            raise StepError(f"{failed}\nWithout it: {error}") from error


class _GuestError(StepError):
    """A third party's reader failed."""

    reader = ""


def _configured(found: plugins.Catalogue, path: Path, job: Job) -> Reader:
    """Return the reader that claims the file most surely, configured."""
    cls = claims.reader(found, path)
    if not found.is_third_party(cls.name):
        return plugins.configure(cls, job.steps)  # type: ignore[return-value]
    try:
        return plugins.as_guest(cls, job.steps)  # type: ignore[return-value]
    except StepError as error:
        raise _of(cls.name, error) from error


def _of(name: str, error: Exception) -> _GuestError:
    made = _GuestError(guests.said(error))
    made.reader = name
    return made


def _results(
    readers: Sequence[Reader],
    paths: Sequence[Path],
    jobs: Sequence[Job],
    progress: Callable[[str], None],
    found: plugins.Catalogue,
) -> list[ReadResult]:
    """Return what each file holds; a reader whose files may belong together is given all of them.

    Raises
    ------
    StepError
        If a reader does not give a result for each file.
    """
    results: dict[int, ReadResult] = {}
    for i, reader in enumerate(readers):
        if i in results:
            continue
        mine = [k for k, other in enumerate(readers) if k == i or (reader.together and type(other) is type(reader))]
        for k in mine:
            progress(f"reading {paths[k].name}")
        made = _made(reader, [paths[k] for k in mine], [jobs[k] for k in mine], found.is_third_party(reader.name))
        results |= dict(zip(mine, made, strict=True))
    return [results[k] for k in range(len(readers))]


def _made(reader: Reader, paths: list[Path], jobs: list[Job], foreign: bool) -> list[ReadResult]:
    """Return what a reader gives for its files, checked."""
    if not foreign:
        return _checked(reader, paths, reader.read_all(paths, jobs))
    verdicts: list[InputError] = []

    def as_guest() -> list[ReadResult]:
        try:
            made = reader.read_all(list(paths), copy.deepcopy(jobs))
        except InputError as error:  # the reader's word on the file
            verdicts.append(InputError(str(error)))
            return []
        if not isinstance(made, (list, tuple)) or not all(isinstance(one, ReadResult) for one in made):
            raise StepError(f"it returned {type(made).__name__}, it must return a ReadResult for each file")
        counts = [
            {str(k): {w: int(n[w]) for w in ("read", "used", "set_aside")} for k, n in one.accounts.items()}
            for one in made
        ]
        kept = [
            ReadResult(guests.taken(one.frames), account, guests.messages(one.messages))
            for one, account in zip(made, counts, strict=True)
        ]
        return _checked(reader, paths, kept)

    try:
        results = guests.call(as_guest)
    except StepError as error:
        raise _of(reader.name, error) from error
    if verdicts:
        raise verdicts[0]
    return results


def _checked(reader: Reader, paths: Sequence[Path], made: list[ReadResult]) -> list[ReadResult]:
    if len(made) != len(paths):
        raise StepError(f"the reader {reader.name!r} gave {len(made)} results for {len(paths)} files.")
    for path, result in zip(paths, made, strict=True):
        check(reader, path, result)
    return made


def epochs(results: Sequence[ReadResult], names: Sequence[str], occupations: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the epochs of all logs, with the point that each stop became and a place.

    Parameters
    ----------
    results, names
        What each file holds, and the name it goes by.
    occupations
        The occupations of the site, matched to points.
    job
        The recipe, its local origin set.
    """
    import numpy as np
    import pandas as pd

    from geoqa.core import assembly
    from geoqa.readers import log_frames

    parts = [
        result.frames["epochs"].assign(
            source_file=pd.Categorical.from_codes([0] * len(result.frames["epochs"]), [name])
        )
        for name, result in zip(names, results, strict=True)
        if "epochs" in result.frames
    ]
    frame = assembly.stack(parts)
    points = occupations["point"].astype("category")
    of_stop = np.full(int(frame["stop"].max() if len(frame) else 0) + 1, -1)
    if "stop" in occupations:
        known = occupations["stop"].notna().to_numpy()
        of_stop[occupations.loc[known, "stop"].to_numpy(dtype=np.int64)] = points.cat.codes.to_numpy()[known]
    point = pd.Categorical.from_codes(of_stop[frame["stop"].to_numpy()], categories=points.cat.categories)
    frame = frame.assign(epoch_id=np.arange(1, len(frame) + 1), point=point)
    return frame.assign(geometry=log_frames.places(frame, job))


def check(reader: Reader, path: Path, result: ReadResult) -> None:
    """Raise StepError unless a reader gave what assembly needs and accounts for every record."""
    for kind in pipeline.READ:
        if kind not in result.frames:
            raise StepError(f"the reader {reader.name!r} gave no frame {kind!r} for {path.name}.")
    needed = [c for c in schema.OCCUPATIONS.base if c not in ("occupation_id", "easting_m", "northing_m")]
    occupations = result.frames["occupations"]
    # Geographic input has its easting and northing only once the site's local grid is known.
    later = ("easting_m", "northing_m") if _has_lonlat(occupations) else ()
    stated = [c for c in occupations.columns if c in schema.OCCUPATIONS.columns and c not in later]
    wanted = dict.fromkeys([*needed, "start_utc", "role", *stated])
    schema.check("occupations", occupations, by=reader.name, columns=wanted)
    schema.check("set_aside", result.frames["set_aside"], by=reader.name)
    if "epochs" in result.frames:
        schema.check("epochs", result.frames["epochs"], by=reader.name)
    for kind, n in result.accounts.items():
        if n["read"] != n["used"] + n["set_aside"]:
            raise StepError(
                f"the reader {reader.name!r} lost {kind} of {path.name}: {n['read']} read, {n['used']} used, "
                f"{n['set_aside']} set aside."
            )
    _check_counted(reader, path, result)


def _has_lonlat(occupations: pd.DataFrame) -> bool:
    return "lon_deg" in occupations and bool(occupations["lon_deg"].notna().any())


def _check_counted(reader: Reader, path: Path, result: ReadResult) -> None:
    """Raise StepError unless the rows a reader says it used and set aside are the rows it gave."""
    said = result.accounts.get("rows")
    given = [len(result.frames[kind]) for kind in pipeline.READ]
    if said is not None and [said["used"], said["set_aside"]] != given:
        raise StepError(
            f"the reader {reader.name!r} says {said['used']} rows of {path.name} are used and {said['set_aside']} set "
            f"aside, and gave {given[0]} and {given[1]}."
        )
