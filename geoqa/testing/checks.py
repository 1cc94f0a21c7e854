"""What is asked of a step: a whole declaration, the same answer again, rows accounted for, files made twice alike."""

from __future__ import annotations

import inspect
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from geoqa import pipeline, plugins
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.errors import Fault, GeoqaError, ParameterError, StepError
from geoqa.core.frames import schema
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, Deliverable, MapLayer, Plot, Reader, ReadResult, Result, Step, Writer

T = TypeVar("T")


def declared(step: Step | type[Step]) -> Step:
    """Return the step as an object, or raise StepError with every fault of its declaration."""
    cls = step if inspect.isclass(step) else type(step)
    name = getattr(cls, "name", None)
    shown = f"the step {name!r}" if isinstance(name, str) else cls.__name__
    base = next((kind for kind in (Reader, Analysis, MapLayer, Plot, Writer) if issubclass(cls, kind)), None)
    if base is None:
        raise StepError(f"{shown} is none: a step is a Reader, an Analysis, a MapLayer, a Plot or a Writer.")
    problems = plugins.problems_of(cls, base, name if isinstance(name, str) else "its entry point")
    faults = [Fault("declaration", f"{problem}.") for problem in problems]
    if not faults:
        faults += _address_faults(cls, base) + _parameter_faults(cls)
    if not faults and inspect.isclass(step):
        try:
            step = step()
        except (ParameterError, TypeError) as error:
            faults = [Fault("parameters", f"their defaults cannot be used ({error}).", "Give check_step an object.")]
    if faults:
        raise StepError.from_faults(f"{shown} is not declared completely:", faults)
    return step  # type: ignore[return-value]


def attempt(said: str, work: Callable[[], T]) -> T:
    """Return what a third party's code, which may fail in any way, returns; what it raises is a StepError."""
    try:
        return work()
    except GeoqaError:
        raise
    except Exception as error:
        raise StepError(f"{said}: {type(error).__name__}: {error}") from error


def _address_faults(cls: type[Step], base: type[Step]) -> list[Fault]:
    faults = []
    if base is Analysis and not cls.gives:
        faults.append(Fault("gives", "is empty: nothing would ever run this step.", "Name the frame or the column."))
    if base in (MapLayer, Plot) and not cls.needs:
        faults.append(Fault("needs", "is empty: it would be shown no frame.", "Name the frames it draws."))
    return faults


def _parameter_faults(cls: type[Step]) -> list[Fault]:
    faults = []
    for parameter in cls.parameters():
        where = f"parameter {parameter.name}"
        if not parameter.help.strip():
            faults.append(Fault(where, "has no help.", 'Add help="one sentence".'))
        if {int, float} & set(parameter.types) and not parameter.unit.strip():
            faults.append(Fault(where, "is a number without a unit.", 'Add unit="m", or unit="1" for a pure number.'))
        unit = parameter.unit.replace("/", "_per_")
        if unit.isalpha() and not parameter.name.endswith(f"_{unit}"):
            faults.append(
                Fault(where, f"is in {unit}, which its name does not say.", f"Call it {parameter.name}_{unit}.")
            )
    return faults


#: Columns that only number the rows of a whole frame, and those that tell rows apart.
_RUNNING = ("pair_id",)
_KEYS = ("point", "canopy", "subject", "id", "occupation_id", "pair_id", "occupation_a", "occupation_b")


def refused(act: Callable[[], object]) -> list[Fault]:
    """Return what geoqa's own checks say against something, as faults."""
    try:
        act()
    except GeoqaError as error:
        return list(error.faults) or [Fault("result", str(error))]
    return []


def changed(before: Frames, after: Frames) -> list[Fault]:
    """Return the frames that are no longer what they were, as faults."""
    return [
        Fault(name, "was changed by the step.", "Work on a copy: frame.assign(...), frame.copy().")
        for name, frame in before.items()
        if not (frame.equals(after[name]) and list(frame.columns) == list(after[name].columns))
    ]


def compared(how: str, result: Result, again: Callable[[], Result], remedy: str = "") -> list[Fault]:
    """Return the frames that come out otherwise, as faults."""
    try:
        other = again().frames
    except GeoqaError as error:
        return [Fault(how, f"it fails: {error}", remedy)]
    faults = []
    for name, frame in result.frames.items():
        if name not in other:
            faults.append(Fault(name, f"is missing when the step is {how}.", remedy))
            continue
        try:
            pd.testing.assert_frame_equal(_plain(frame), _plain(other[name]), rtol=1e-9, atol=1e-9)
        except AssertionError as error:
            told = " ".join(str(error).split())[:200]
            faults.append(Fault(name, f"comes out otherwise {how}: {told}.", remedy))
    return faults


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame as it compares: without running numbers of its own, text as text, rows in one order."""
    columns = {}
    for column in frame.columns:
        values = frame[column]
        if column in _RUNNING and "point" in frame:
            continue
        if str(values.dtype) in ("category", "geometry", "str", "object"):
            values = values.astype("object").map(str)
        columns[column] = values.reset_index(drop=True)
    plain = pd.DataFrame(columns)
    keys = [c for c in plain.columns if c in _KEYS]
    return plain.sort_values(keys or list(plain.columns), kind="stable").reset_index(drop=True)


def mixed(count: int) -> list[int]:
    """Return the row numbers in another order, the same each time."""
    return sorted(range(count), key=lambda i: (i * 7919 % 101, i))


def sample() -> Any:
    """Return the module of the sample, imported when first needed."""
    from geoqa.testing import sample_rows

    return sample_rows


#: Content no reader can use, and which it must refuse with one of geoqa's errors, or set aside.
_UNUSABLE = (b"", b"\n", b"\x00\x01\x02\xff" * 64, b"\xff\xfe\x00", b"a" * 5000)


def reader_faults(reader: Reader, job: Job, path: str | Path | None) -> list[Fault]:
    """Return what a reader does wrong with the file at `path`, and with files it cannot use."""
    if path is None:
        raise StepError(f"{reader.name!r} is a reader: name a file it can read, check_step(..., path=...).")
    path = Path(path)
    content = path.read_bytes()
    failed = f"the reader {reader.name!r} failed on {path.name}"
    result = attempt(failed, lambda: reader.read(path, job))
    given: object = result
    if not isinstance(given, ReadResult):
        return [Fault("read", f"returned {type(given).__name__}; it must return a geoqa.ReadResult.")]
    faults = _sniff_faults(reader, path, content[:4096])
    if path.read_bytes() != content:
        faults.append(Fault("read", "changed the file."))
    faults += _read_faults(result, path.name)
    if not faults:
        again = Result(attempt(failed, lambda: reader.read(path, job)).frames)
        faults += compared("read a second time", Result(result.frames), lambda: again)
    return faults + _unusable_faults(reader, path.suffix, job)


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


#: What the rows of a file are made of.
WRITTEN = ("points.deliver", "points.risk", "points.radius95_m", "points.untested")
#: Names that files have come with, or might: markup, formulas, switches of drawing programs, hidden signs.
HOSTILE = (
    "=1+1", "]]>", "<b>&\"'", "new\nline", "bell\x07", "%%d \\P {x} \\U+0041 ^J", "abc\u202etxt", "\ufffe", "🌲",
    "x" * 300,
)  # fmt: skip


def writer_faults(writer: Writer, kept: Any, job: Job) -> list[Fault]:
    """Return what a writer does wrong with the points of the frames that are `kept`."""
    from geoqa.outputs.deliver import table

    frames: Mapping[str, Any] = {name: kept[name] for name in ("points", "occupations")}
    points = table.deliverable(frames, job, every=True)
    empty = table.deliverable({**frames, "points": frames["points"].iloc[:0]}, job)
    if writer.observations:
        rows = table.observations(frames)
        points, empty = replace(points, observations=rows), replace(empty, observations=rows.iloc[:0])
    faults = []
    for what, given in (("points", points), ("hostile names", _hostile(points)), ("no points", empty)):
        first, second = _written(writer, given, job), _written(writer, given, job)
        if not first:
            faults.append(Fault(f"write of {what}", "made no file, or an empty one.", "Write to the path given."))
        elif first != second:
            faults.append(
                Fault(f"write of {what}", "comes out otherwise a second time.", "Leave out dates and random ids.")
            )
    return faults


def _hostile(points: Deliverable) -> Deliverable:
    """Return the points with hostile texts in place of their names."""
    names = np.array([HOSTILE[k % len(HOSTILE)] for k in range(len(points))], dtype=object)
    renamed = tuple(replace(f, values=names) if f.key == "point" else f for f in points.fields)
    return replace(points, title=HOSTILE[2], fields=renamed)


def _written(writer: Writer, points: Deliverable, job: Job) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"points{writer.suffix}"
        said = f"the writer {writer.name!r} failed on {path.name}"
        attempt(said, lambda: writer.write(path, points, job))
        return path.read_bytes() if path.is_file() else b""
