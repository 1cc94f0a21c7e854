"""Files read by their readers, those that may belong together at once; the epochs of all logs as one frame."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa import pipeline
from geoqa.core import schema
from geoqa.core.errors import StepError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job
    from geoqa.core.steps import Reader, ReadResult


def read(
    readers: Sequence[Reader], paths: Sequence[Path], jobs: Sequence[Job], progress: Callable[[str], None]
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
        made = reader.read_all([paths[k] for k in mine], [jobs[k] for k in mine])
        if len(made) != len(mine):
            raise StepError(f"the reader {reader.name!r} gave {len(made)} results for {len(mine)} files.")
        results |= dict(zip(mine, made, strict=True))
    return [results[k] for k in range(len(readers))]


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
