"""From the paths of a review to its frames: files told apart, readers detected, recipes proposed, and read."""

from __future__ import annotations

import copy
import glob
import inspect
import os
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from geoqa import pipeline, plugins
from geoqa.core import input_files, result_set
from geoqa.core.arrays import np, pd, recoded
from geoqa.core.errors import CallError, Fault, GeoqaError, InputError, RecipeError, StepError
from geoqa.core.frames import revisits, schema
from geoqa.core.job import Job, Recipe
from geoqa.core.params import OPEN
from geoqa.core.site import assembly
from geoqa.core.steps import Reader, ReadResult
from geoqa.plugins import Catalogue
from geoqa.readers import earlier_review


def distinct(paths: Sequence[Path]) -> list[str]:
    """Return the name each file goes by: its own, or its path where two have the same."""
    names = [path.name for path in paths]
    return names if len(set(names)) == len(names) else [path.as_posix() for path in paths]


def refuse_names(paths: Sequence[Path]) -> None:
    """Raise CallError or InputError unless every file is named once, in text."""
    if not paths:
        raise CallError("no input file was given. Name at least one.")
    seen: dict[Path, Path] = {}
    for path in paths:
        try:
            str(path).encode()
            key = path.resolve()
        except UnicodeEncodeError:
            shown = str(path).encode("utf-8", "replace").decode()
            raise InputError(f"{shown}: the file's name is no text in UTF-8. Give the file another name.") from None
        except (OSError, RuntimeError, ValueError):
            continue  # whoever opens it says why it cannot be
        if key in seen:
            raise CallError(f"one input file was named twice: {seen[key]} and {path}. Name each file once.")
        seen[key] = path


def of_recipe(job: Recipe) -> list[Path]:
    """Return the files that the recipe names as `files` in ``[input]``, each pattern's in order of name.

    Raises
    ------
    RecipeError
        If it names none, a pattern finds none, or a file lies outside the recipe's folder unasked.
    """
    stated = job.input.files
    if not stated:
        raise CallError(
            'no input file was given and the recipe names none. Name files, or write files = ["*.csv"] under [input].'
        )
    folder = Path(job.folder or ".")
    faults, found = [], dict[Path, None]()
    for pattern in stated:
        where = f"[input] files {pattern!r:.80}"
        matched = _matched(folder, pattern)
        inside = [path for path in matched if job.input.outside or _is_inside(path, folder)]
        if not matched:
            faults.append(Fault(where, f"finds no file in {folder}.", "Correct it; it is relative to the recipe."))
        elif len(inside) < len(matched):
            outer = next(path for path in matched if path not in inside)
            remedy = "Move it there, or add outside = true."
            faults.append(Fault(where, f"leads to {outer}, outside the recipe's folder.", remedy))
        found |= dict.fromkeys(inside)
    if faults:
        raise RecipeError.from_faults("the files that the recipe names cannot be used:", faults)
    return list(found)


def _matched(folder: Path, pattern: str) -> list[Path]:
    """Return the files that a pattern finds from a folder, in order of name; two stars are no more than one."""
    # Path.glob knows neither ".." nor an absolute pattern.
    whole = str(Path(glob.escape(str(folder))) / pattern)
    try:
        return [path for path in map(Path, sorted(glob.glob(whole))) if path.is_file()]  # noqa: PTH207
    except (ValueError, OSError):
        return []


def _is_inside(path: Path, folder: Path) -> bool:
    """Return whether a file lies in a folder, links followed: a recipe from elsewhere leads to none of our files."""
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        return False


def refuse_copies(names: Sequence[str], hashes: Sequence[str]) -> None:
    """Raise CallError if two files hold the same: every occupation would count twice."""
    seen: dict[str, str] = {}
    for name, digest in zip(names, hashes, strict=True):
        if seen.setdefault(digest, name) != name:
            raise CallError(f"{name} is a copy of {seen[digest]}, byte for byte. Name one of the two.")


def sha256(path: Path) -> str:
    """Return the SHA-256 of what was read of a file, as hexadecimal digits."""
    return input_files.seen(path).sha256


def recorded_entry(name: str, path: Path, reader: str) -> dict[str, Any]:
    """Return what the record of a review tells of a file that it read: `name` is what it goes by."""
    found = input_files.seen(path)
    return {"file": name, "sha256": found.sha256, "bytes": found.bytes, "reader": reader}


def refuse_changed(expected: Mapping[Path, str], seen: Mapping[Path, input_files.ReadContent]) -> None:
    """Raise InputError if a file that was read again is not what it was: `expected` holds its SHA-256."""
    for path, digest in expected.items():
        again = seen.get(path.absolute())
        if again is not None and again.sha256 != digest:
            raise InputError(f"{path} has changed since the review was made. Review again.")


def earlier_inputs(given: Iterable[Path]) -> tuple[list[Path], Path | None]:
    """Return the files named, those of earlier reviews in place of their folders, and the last such folder.

    Raises
    ------
    CallError
        If a file that an earlier review was made of is not where it was, or has changed since.
    InputError
        If a folder is none that `geoqa review` has written.
    """
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
        made_of = [one for one in _files(path, earlier_review.read_record(path)) if one.resolve() not in named]
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
        if sha256(path) != entry.get("sha256"):
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


def stored_points(folder: Path, job: Job) -> tuple[pd.DataFrame, str]:
    """Return the points of the review in `folder` as the review of `job` compares with them, and its id.

    Coordinates are null where they are of another system, heights where they are above something else. A review
    of an earlier version has no id; there the SHA-256 of its layers stands for it.

    Raises
    ------
    InputError
        If the folder is none that `geoqa review` has written.
    """
    view, _ = earlier_points(folder, job)
    return view, str(earlier_review.read_record(folder).get("id") or result_set.sha256(folder / "review.gpkg"))


def earlier_points(folder: Path, job: Job) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return `points`, and the frame of points as the review in `folder` has it."""
    record, frames = earlier_review.read_review(folder)
    then = earlier_review.read_job(folder, record)
    return _in_system(revisits.earlier_view(frames["points"], frames.get("revisits")), then, job), frames["points"]


def _in_system(frame: pd.DataFrame, then: Job, now: Job) -> pd.DataFrame:
    """Return points with coordinates as the job `now` has them."""
    if then.site.height != now.site.height:
        frame = frame.assign(height_m=np.nan)
    if then.site.crs != now.site.crs or then.site.localization != now.site.localization:
        return frame.assign(easting_m=np.nan, northing_m=np.nan)
    before, after = then.grid.system, now.grid.system
    if not before.geographic or then.local_origin == now.local_origin:
        return frame
    east, north = after.from_lonlat(*before.to_lonlat(frame["easting_m"].to_numpy(), frame["northing_m"].to_numpy()))
    return frame.assign(easting_m=east, northing_m=north)


def detect_reader(found: Catalogue, path: Path) -> type[Reader]:
    """Return the reader, of those in `found`, that claims the file at `path` most surely.

    Raises
    ------
    InputError
        If the file cannot be opened, or no reader knows this kind of file.
    """
    from geoqa.readers.text import text_file

    head = _head(path)
    claims = {}
    for name, cls in found.load_all("geoqa.readers").items():
        if name in found.refused:
            continue
        if not found.is_third_party(name):
            claims[cls] = cls.sniff(path, head)  # type: ignore[attr-defined]
            continue
        try:
            claims[cls] = plugins.call(lambda cls=cls: _share(cls.sniff(path, head)))  # type: ignore[misc]
        except StepError as error:
            found.refused[name] = f"its sniff failed on {path.name}: {error}"
    best = max(claims, key=lambda cls: claims[cls])
    if claims[best] <= 0:
        if input_files.is_packed(head):
            input_files.unpacked(path, text_file.read_bytes(path))  # says what is wrong with the package
            raise InputError(f"{path}: no installed reader knows what is packed in it. Unpack it, and look.")
        text_file.refuse_binary(path, head)
        raise InputError(f"{path}: no installed reader knows this kind of file. `geoqa steps` lists the readers.")
    return best  # type: ignore[return-value]


def _share(claim: Any) -> float:
    """Return how surely a third party's reader claims a file."""
    if isinstance(claim, bool) or not isinstance(claim, (int, float)) or not 0 <= claim <= 1:
        raise StepError(f"it returned {claim!r}, it must return a number from 0 to 1")
    return float(claim)


def _head(path: Path) -> bytes:
    try:
        return input_files.head(path)
    except IsADirectoryError as error:
        raise InputError(f"{path} is a folder. Name the file in it.") from error
    except InputError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        shown = str(path) if len(str(path)) <= 200 else f"{str(path)[:197]}..."
        raise InputError(f"{shown} cannot be read: {reason}. Check the name and the rights.") from error


#: What a key or a table of a proposed recipe holds, and the line it stands in.
_Tables = dict[str, dict[str, tuple[Any, str]]]


def propose(path: Path, sheet: str | None = None) -> str:
    """Return a recipe in TOML for the file at `path`.

    `sheet` names the one of a spreadsheet to look at. A reader may have a class method ``propose(path)``; a file
    whose reader has none is looked at as a text table.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    from geoqa.readers import proposal

    proposes = getattr(detect_reader(plugins.catalogue(), path), "propose", None)
    if sheet is not None:
        if proposes is None or "sheet" not in inspect.signature(proposes).parameters:
            raise CallError(f"{path.name} is no spreadsheet: it has no sheets. Leave out --sheet.")
        return str(proposes(path, sheet))
    return proposes(path) if proposes else proposal.propose(path)


def propose_all(paths: Sequence[Path], sheet: str | None = None) -> str:
    """Return one recipe for several files: that of the first with heights, and ``[[file]]`` for what others differ in.

    Raises
    ------
    InputError
        If a file cannot be read.
    """
    from geoqa.readers.proposal import quoted

    texts = [propose(path, sheet) for path in paths]
    tables = [_tables(text) for text in texts]
    # A log has no columns and says itself what is in it; what must be stated of heights a file with heights asks.
    bare = [("input.columns" not in table, "height" not in table["site"]) for table in tables]
    first, *others = sorted(range(len(paths)), key=lambda k: bare[k])
    names = [path.name for path in paths]
    lines: list[str] = []
    for k in others:
        for name, keys in tables[k].items():
            if name.startswith("step.") and name not in tables[first]:
                lines += ["", f"[{name}]", *(line for _, line in keys.values())]
    for k in sorted(others):
        called = names[k] if names.count(names[k]) == 1 else str(paths[k])
        own = _differing(tables[k], tables[first])
        lines += ["", "[[file]]", f"path = {quoted(glob.escape(called))}", *own] if own else []
    return texts[first] + "".join(f"{line}\n" for line in lines)


def _tables(text: str) -> _Tables:
    """Return the tables of a proposed recipe, which has one key a line."""
    tables: _Tables = {"site": {}}
    at = ""
    for line in text.splitlines():
        if head := re.fullmatch(r"\[([^\[\]]+)\]", line):
            at = head[1]
            tables.setdefault(at, {})
        elif line and not line.startswith("#"):
            ((key, value),) = tomllib.loads(line).items()
            tables[at][key] = value, line
    return tables


def _differing(own: _Tables, rest: _Tables) -> list[str]:
    """Return the lines of one file's tables that differ from the rest's; a log, without columns, takes none away."""
    lines: list[str] = []
    for name in dict.fromkeys((*own, *rest)):
        if name != "input" and not name.startswith("input."):
            continue
        here, there = own.get(name, {}), rest.get(name, {})
        changed = [line for key, (value, line) in here.items() if _is_other(value, line, *there.get(key, (None, "")))]
        # A word that a file does not hold does no harm.
        if "input.columns" in own and not name.startswith("input.values"):
            missing = [key for key in there if key not in here and key != "header"]
            changed += [f"{key} = false  # inferred: this file has none" for key in missing]
        lines += [f"[file.{name}]", *changed] if changed else []
    return lines


def _is_other(value: Any, line: str, beside: Any, there: str) -> bool:
    """Return whether a key differs: by its value, or, left open, by what may be stated."""
    return value != beside or (value == OPEN and line != there)


def read(
    found: plugins.Catalogue, paths: Sequence[Path], jobs: Sequence[Recipe], progress: Callable[[str], None]
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

    def __init__(self, reader: str, error: Exception) -> None:
        super().__init__(plugins.error_text(error))
        self.reader = reader


def _configured(found: plugins.Catalogue, path: Path, job: Recipe) -> Reader:
    """Return the reader that claims the file most surely, configured."""
    cls = detect_reader(found, path)
    if not found.is_third_party(cls.name):
        return plugins.configure(cls, job.steps)
    try:
        return plugins.as_guest(cls, job.steps)  # type: ignore[return-value]
    except StepError as error:
        raise _GuestError(cls.name, error) from error


def _results(
    readers: Sequence[Reader], paths: Sequence[Path], jobs: Sequence[Recipe], progress: Callable[[str], None],
    found: plugins.Catalogue,
) -> list[ReadResult]:  # fmt: skip
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


def _made(reader: Reader, paths: list[Path], jobs: list[Recipe], foreign: bool) -> list[ReadResult]:
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
            ReadResult(plugins.taken(one.frames), account, plugins.checked_messages(one.messages))
            for one, account in zip(made, counts, strict=True)
        ]
        return _checked(reader, paths, kept)

    try:
        results = plugins.call(as_guest)
    except StepError as error:
        raise _GuestError(reader.name, error) from error
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
    from geoqa.readers.nmea import frames

    both = zip(names, results, strict=True)
    frame = assembly.stack([named(r.frames["epochs"], name) for name, r in both if "epochs" in r.frames])
    points = occupations["point"].astype("category")
    of_stop = np.full(int(frame["stop"].max() if len(frame) else 0) + 1, -1)
    if "stop" in occupations:
        known = occupations["stop"].notna().to_numpy()
        of_stop[occupations.loc[known, "stop"].to_numpy(dtype=np.int64)] = points.cat.codes.to_numpy()[known]
    point = pd.Categorical.from_codes(of_stop[frame["stop"].to_numpy()], categories=points.cat.categories)
    frame = frame.assign(epoch_id=np.arange(1, len(frame) + 1), point=point)
    return frame.assign(geometry=frames.places(frame, job))


def named(frame: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return a file's rows with the name that it goes by."""
    return frame.assign(source_file=recoded(np.zeros(len(frame), np.int64), [name]))


def check(reader: Reader, path: Path, result: ReadResult) -> None:
    """Raise StepError unless a reader gave what assembly needs and accounts for every record."""
    for kind in pipeline.READ:
        if kind not in result.frames:
            raise StepError(f"the reader {reader.name!r} gave no frame {kind!r} for {path.name}.")
    needed = [c for c in schema.OCCUPATIONS.base if c not in ("occupation_id", "easting_m", "northing_m")]
    occupations = result.frames["occupations"]
    # Geographic input has its easting and northing only once the site's local grid is known.
    geographic = "lon_deg" in occupations and occupations["lon_deg"].notna().any()
    later = ("easting_m", "northing_m") if geographic else ()
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
    said = result.accounts.get("rows")
    given = [len(result.frames[kind]) for kind in pipeline.READ]
    if said is not None and [said["used"], said["set_aside"]] != given:
        raise StepError(
            f"the reader {reader.name!r} says {said['used']} rows of {path.name} are used and {said['set_aside']} set "
            f"aside, and gave {given[0]} and {given[1]}."
        )
