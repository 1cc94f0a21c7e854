"""The judge of hostile files.

A file is answered rightly when it is read with every row accounted for, or refused with one of
geoqa's errors that end a command with 2 or 3. Anything else is a `Failure`.
"""

from __future__ import annotations

import io
import json
import re
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import sites
from soundfiles import PLANE, catalogue

from geoqa.core import input_files
from geoqa.core.errors import GeoqaError
from geoqa.core.frames import schema
from geoqa.core.job import Job
from geoqa.core.site import assembly
from geoqa.core.steps import ReadResult
from geoqa.readers import companions
from geoqa.readers.recipe.recipe import job_from_table, read_recipe
from geoqa.reviews import reading


class Failure(AssertionError):  # noqa: N818 - it is one, found by a test
    """A hostile file was answered wrongly."""


def judge_reading(path: Path, job: Job, whole: bool = True, each_line: bool = True) -> str:
    """Return `read` or `refused` for the file at `path`, or raise Failure.

    `whole` assembles what was read too; `each_line` says that every line of a text must be a record.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            ((reader, result),) = reading.read(catalogue(), [path], [job], lambda _: None)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"{type(error).__name__}: {error}") from error
    _conserved(reader.name, path, result, job, each_line)
    return _assembled(result, job) if whole else "read"


def _conserved(reader: str, path: Path, result: ReadResult, job: Job, each_line: bool) -> None:
    """Raise Failure unless every record is used or set aside, by an independent count where there is one."""
    occupations, aside = result.frames["occupations"], result.frames["set_aside"]
    for kind, n in result.accounts.items():
        if min(n.values()) < 0 or n["read"] != n["used"] + n["set_aside"]:
            raise Failure(f"{kind} are not conserved: {n}")
    content = input_files.unpacked(path, path.read_bytes())
    if reader == "delimited" and each_line:
        _every_line(content, set(occupations["source_line"]) | set(aside["source_line"]), job)
    counted = _records(reader, path, content)
    if counted is not None and counted != len(occupations) + len(aside):
        raise Failure(f"{counted} records in the file, {len(occupations)} used and {len(aside)} set aside")


def _records(reader: str, path: Path, content: bytes) -> int | None:
    """Return how many records a file holds, counted without geoqa; None where that cannot be done simply."""
    if reader == "landxml":
        from xml.etree import ElementTree

        return sum(bool(re.search(r"(^|\})CgPoint$", e.tag)) for e in ElementTree.parse(io.BytesIO(content)).iter())
    if reader == "vector" and path.suffix == ".geojson":
        return len(json.loads(content.decode(json.detect_encoding(content), "replace"))["features"])
    if reader == "vector" and path.suffix == ".gpkg":
        import sqlite3
        from contextlib import closing

        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as database:
            table = database.execute("SELECT table_name FROM gpkg_contents").fetchone()[0]
            return int(database.execute(f'SELECT COUNT(*) FROM "{table}"').fetchone()[0])
    return None


def _assembled(result: ReadResult, job: Job) -> str:
    try:
        frame, *_ = assembly.occupations([result.frames["occupations"]], job)
        schema.check("occupations", frame)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"assembly: {type(error).__name__}: {error}") from error
    return "read"


def _every_line(content: bytes, told: set[int], job: Job) -> None:
    """Raise Failure if a line that holds something is neither used, set aside, heading nor comment.

    Only where lines are records: no quotes, one byte a character.
    """
    if b'"' in content or b"\x00" in content or b"\x1a" in content or content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return
    lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    holding = [i for i, line in enumerate(lines, 1) if any(48 <= b <= 57 or 65 <= b <= 90 for b in line)]
    rows = [i for i in holding if not lines[i - 1].removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"#")]
    lost = [i for i in rows[1 if job.input.header else 0 :] if i not in told]
    if lost:
        raise Failure(f"line {lost[0]} is unaccounted for: {lines[lost[0] - 1][:80]!r}")


def _refusal(error: GeoqaError) -> str:
    if error.exit_code not in (2, 3):
        raise Failure(f"{type(error).__name__} (exit code {error.exit_code}): {error}") from error
    if len(str(error)) < 15:
        raise Failure(f"a message that says too little: {error}")
    return "refused"


def judge_beside(kind: str, path: Path, result: ReadResult, job: Job) -> str:
    """Return `read` or `refused` for a table beside the recipe (`decisions` or `lookup`), put on sound rows."""
    rows = result.frames["occupations"].assign(source_file="occupations.csv")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            looked_up = companions.read_lookup(path) if kind == "lookup" else None
            decided = companions.read_decisions(path) if kind == "decisions" else None
            frame, _, _, told = assembly.occupations([rows], job, looked_up, decided)
            schema.check("occupations", frame)
            if told is not None:
                schema.check("decisions", told)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"{type(error).__name__}: {error}") from error
    if len(frame) != len(rows):
        raise Failure(f"{len(rows)} rows became {len(frame)}")
    if told is not None and len(told) != len(decided):
        raise Failure(f"{len(decided)} decisions became {len(told)}")
    return "read"


def sound_rows(folder: Path) -> tuple[ReadResult, Job]:
    """Return the rows of the plain site, read, and its job."""
    data, _ = sites.write(folder)
    job = job_from_table(PLANE)
    return reading.read(catalogue(), [data], [job], lambda _: None)[0][1], job


def with_lookup(job: Job) -> Job:
    """Return the job with its names looked up."""
    return replace(job, match=replace(job.match, by="lookup", file="lookup.csv"))


def judge_recipe(path: Path) -> str:
    """Return `read` or `refused` for the recipe at `path`, or raise Failure."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            job = read_recipe(path)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"{type(error).__name__}: {error}") from error
    if job_from_table(job.as_table()) != job:
        raise Failure("the completed recipe does not read as the same job")
    return "read"


def judge_command(arguments: list[str], run: Callable[[list[str]], int]) -> int:
    """Return the exit code of a command, or raise Failure if it is none that is promised."""
    code = run(arguments)
    if code not in (0, 1, 2, 3):
        raise Failure(f"exit code {code}")
    return code
