"""Whether a reader accounts for every row, and refuses what it cannot read."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa import pipeline
from geoqa.core import schema
from geoqa.core.errors import Fault, GeoqaError, StepError
from geoqa.core.steps import Reader, ReadResult, Result
from geoqa.testing.comparison import compared, refused

if TYPE_CHECKING:
    from geoqa.core.job import Job

#: Content no reader can use, and which it must refuse with one of geoqa's errors, or set aside.
_UNUSABLE = (b"", b"\n", b"\x00\x01\x02\xff" * 64, b"\xff\xfe\x00", b"a" * 5000)


def reader_faults(reader: Reader, job: Job, path: str | Path | None) -> list[Fault]:
    """Return what a reader does wrong with the file at `path`, and with files it cannot use."""
    if path is None:
        raise StepError(f"{reader.name!r} is a reader: name a file it can read, check_step(..., path=...).")
    path = Path(path)
    content = path.read_bytes()
    result = _read(reader, path, job)
    given: object = result
    if not isinstance(given, ReadResult):
        return [Fault("read", f"returned {type(given).__name__}; it must return a geoqa.ReadResult.")]
    faults = _sniff_faults(reader, path, content[:4096])
    if path.read_bytes() != content:
        faults.append(Fault("read", "changed the file."))
    faults += _read_faults(result, path.name)
    if not faults:
        again = Result(_read(reader, path, job).frames)
        faults += compared("read a second time", Result(result.frames), lambda: again)
    return faults + _unusable_faults(reader, path.suffix, job)


def _read(reader: Reader, path: Path, job: Job) -> ReadResult:
    try:
        return reader.read(path, job)
    except GeoqaError:
        raise
    except Exception as error:  # a third party's code may fail in any way
        raise StepError(f"the reader {reader.name!r} failed on {path.name}: {type(error).__name__}: {error}") from error


def _sniff_faults(reader: Reader, path: Path, head: bytes) -> list[Fault]:
    faults = []
    for what, name, start in (("its own file", path, head), ("an empty file of another kind", Path("x.other"), b"")):
        sure = reader.sniff(name, start)
        if not isinstance(sure, (int, float)) or not 0 <= sure <= 1:
            faults.append(Fault("sniff", f"returned {sure!r} for {what}; it must return 0 to 1."))
        elif name is path and sure == 0:
            faults.append(Fault("sniff", f"returned 0 for {path.name}: geoqa would never use this reader."))
    return faults


def _read_faults(result: ReadResult, file: str) -> list[Fault]:
    """Return what is wrong with the frames and the account of a file that could be read."""
    missing = [Fault(kind, "is missing from the frames.") for kind in pipeline.READ if kind not in result.frames]
    if missing:
        return missing
    occupations, aside = (result.frames[kind] for kind in pipeline.READ)
    wanted = [c for c in schema.OCCUPATIONS.base if c not in ("easting_m", "northing_m")]
    faults = refused(lambda: schema.check("occupations", occupations, columns=[*wanted, "start_utc", "role", "method"]))
    faults += refused(lambda: schema.check("set_aside", aside))
    if faults:
        return faults
    places = ("easting_m", "northing_m") if "easting_m" in occupations else ("lon_deg", "lat_deg")
    faults += [
        Fault(f"occupations.{c}", "has nulls.") for c in places if c not in occupations or occupations[c].isna().any()
    ]
    for kind, n in result.accounts.items():
        if n["read"] != n["used"] + n["set_aside"]:
            faults.append(
                Fault(f"accounts {kind}", f"{n['read']} read is not {n['used']} used + {n['set_aside']} set aside.")
            )
    used, left = (sum(n[key] for n in result.accounts.values()) for key in ("used", "set_aside"))
    if len(result.accounts) == 1 and (used, left) != (len(occupations), len(aside)):
        problem = f"{used} used and {left} set aside; the frames hold {len(occupations)} and {len(aside)}."
        faults.append(Fault("accounts", problem))
    if not result.accounts or used + left == 0:
        faults.append(
            Fault("accounts", f"say nothing was read from {file}.", "Give check_step a file with rows in it.")
        )
    both = set(occupations["source_line"]) & set(aside["source_line"])
    if both:
        faults.append(Fault("source_line", f"line {min(both)} is both used and set aside."))
    return faults


def _unusable_faults(reader: Reader, suffix: str, job: Job) -> list[Fault]:
    faults = []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"unusable{suffix}"
        for content in (*_UNUSABLE, None):
            what = "a file that is not there" if content is None else f"a file of {len(content)} bytes {content[:8]!r}"
            if content is None:
                file.unlink()
            else:
                file.write_bytes(content)
            try:
                reader.read(file, job)
            except GeoqaError:
                continue
            except Exception as error:  # a third party's code may fail in any way
                told = f"failed with {type(error).__name__}: {error}"
                faults.append(Fault(f"read {what}", told, "Raise geoqa.core.errors.InputError and say what to do."))
    return faults
