"""Check a step of one's own: `check_step` tries what geoqa promises to its users about every step.

Meant for the tests of a plugin. Nothing heavy is imported before a check runs.
"""

from __future__ import annotations

import inspect
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import pipeline, plugins
from geoqa.core import schema
from geoqa.core.errors import Fault, GeoqaError, ParameterError, StepError
from geoqa.core.steps import Analysis, MapLayer, Reader, ReadResult, Result, Step

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]

__all__ = ["check_step"]

#: What the map says beside its layers.
ON_THE_MAP = ("points.status", "points.deliver", "closures.status")
#: Columns that only number the rows of a whole frame, and those that tell rows apart.
_RUNNING = ("pair_id",)
_KEYS = ("point", "canopy", "subject", "id", "occupation_id", "pair_id", "occupation_a", "occupation_b")
#: Content no reader can use, and which it must refuse with one of geoqa's errors, or set aside.
_UNUSABLE = (b"", b"\n", b"\x00\x01\x02\xff" * 64, b"\xff\xfe\x00", b"a" * 5000)


def check_step(
    step: Step | type[Step],
    frames: Frames | None = None,
    job: Job | None = None,
    *,
    path: str | Path | None = None,
    whole_site: bool = False,
) -> None:
    """Check that a step keeps geoqa's contract; return nothing if it does.

    Every step: it is declared completely (docstring, help, units), gives what it declares and no more,
    changes nothing it was given, and gives the same when it runs again. An analysis step also gives the
    same for rows in another order and, unless `whole_site`, for parts of the site that hold whole
    points. A map layer draws hostile names. A reader accounts for every row, leaves its file alone, and
    refuses files it cannot use with one of geoqa's errors.

    Parameters
    ----------
    step
        The step, or its class (then with its default parameters).
    frames
        For analysis steps and layers: what the readers give (``occupations``, ``set_aside``), and the frames
        of other plugins that the step needs. By default a sample of a dozen points. What geoqa's own steps
        give is computed from them.
    job
        The recipe; by default that of the sample.
    path
        For readers, which need one: a file that the reader can read, small, with at least one row.
    whole_site
        Whether an analysis step needs the whole site at once.

    Raises
    ------
    StepError
        With every fault.
    """
    made = _declared(step)
    job = job or _sample().job()
    if isinstance(made, Reader):
        faults = _reader_faults(made, job, path)
    elif isinstance(made, Analysis):
        faults = _analysis_faults(made, frames, job, whole_site)
    else:
        faults = _layer_faults(made, frames, job)  # type: ignore[arg-type]
    if faults:
        raise StepError.from_faults(f"the step {made.name!r} does not keep geoqa's contract:", faults)


# ---- the declaration


def _declared(step: Step | type[Step]) -> Step:
    """Return the step as an object, or raise StepError with every fault of its declaration."""
    cls = step if inspect.isclass(step) else type(step)
    name = getattr(cls, "name", None)
    shown = f"the step {name!r}" if isinstance(name, str) else cls.__name__
    base = next((kind for kind in (Reader, Analysis, MapLayer) if issubclass(cls, kind)), None)
    if base is None:
        raise StepError(f"{shown} is none: a step is a geoqa.Reader, geoqa.Analysis or geoqa.MapLayer.")
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


def _address_faults(cls: type[Step], base: type[Step]) -> list[Fault]:
    faults = []
    for attribute in ("needs", "gives"):
        value = getattr(cls, attribute)
        if not isinstance(value, tuple) or not all(isinstance(item, str) and item.strip(".") for item in value):
            faults.append(
                Fault(attribute, f"is {value!r}.", 'It is a tuple of addresses: ("closures", "points.risk").')
            )
    if base is Analysis and not cls.gives:
        faults.append(Fault("gives", "is empty: nothing would ever run this step.", "Name the frame or the column."))
    if base is MapLayer and not cls.needs:
        faults.append(Fault("needs", "is empty: the layer would be shown no frame.", "Name the frames it draws."))
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


# ---- analysis steps


def _analysis_faults(step: Analysis, frames: Frames | None, job: Job, whole_site: bool) -> list[Fault]:
    kept, job = _before(step, frames, job)
    view = kept.view(step.needs)
    before = {name: frame.copy(deep=True) for name, frame in view.items()}
    recipe = job.as_table()
    result = _run(step, view, job)
    faults = _changed(before, view) + (
        [] if job.as_table() == recipe else [Fault("job", "the step changed the recipe.")]
    )
    faults += _refused(lambda: kept.add(step, result.frames))
    if faults:  # comparing answers that are wrong in themselves would repeat the fault
        return faults
    faults += _compared("run a second time", result, lambda: _run(step, view, job))
    shuffled = {name: frame.iloc[_mixed(len(frame))].reset_index(drop=True) for name, frame in view.items()}
    faults += _compared("with its rows in another order", result, lambda: _run(step, shuffled, job))
    if not whole_site:
        faults += _whole_points(step, view, job, result)
    return faults


def _before(step: Step, frames: Frames | None, job: Job, also: tuple[str, ...] = ()) -> tuple[pipeline.Frames, Job]:
    """Return every frame geoqa has when the step runs, without what the step itself gives."""
    from geoqa.core import assembly

    given = dict(frames or {})
    found = plugins.catalogue()
    own: list[Analysis] = [
        cls()  # type: ignore[misc]
        for name, cls in found.load_all("geoqa.analysis").items()
        if found.entries["geoqa.analysis"][name].distribution == plugins.OWN
    ]
    made = {address.partition(".")[0] for other in own for address in other.gives if "." not in address}
    if made & set(given):
        named = ", ".join(sorted(made & set(given)))
        raise StepError(f"frames holds {named}, which geoqa's own steps give. Leave that out of frames.")
    occupations, job, _ = assembly.occupations([given.pop("occupations", _sample().occupations())], job)
    read = {"occupations": occupations, "set_aside": given.pop("set_aside", _sample().set_aside())}
    for name, frame in read.items():
        schema.check(name, frame, by="frames")
    kept = pipeline.Frames({**read, **given})
    steps = _leading_to(step.needs + also, [other for other in own if other.name != step.name])
    pipeline.run(pipeline.order(steps, kept.names()), kept, job)
    lacking = [address for address in step.needs if not _is_there(kept, address)]
    if lacking:
        named = ", ".join(lacking)
        raise StepError(f"{step.name!r} needs {named}, which geoqa's own steps do not give. Pass it in frames=.")
    return kept, job


def _leading_to(needs: Sequence[str], own: Sequence[Analysis]) -> list[Analysis]:
    """Return the steps that give the addresses needed, and whatever those need."""
    wanted, chosen = [*needs], []
    while wanted:
        address = wanted.pop()
        frame = address.partition(".")[0]
        giving = [s for s in own if s not in chosen and {address, frame} & set(s.gives)]
        chosen += giving
        wanted += [need for s in giving for need in (*s.needs, *(g.partition(".")[0] for g in s.gives))]
    return chosen


def _is_there(kept: pipeline.Frames, address: str) -> bool:
    frame, _, column = address.partition(".")
    return frame in kept.names() and (not column or column in kept[frame])


def _run(step: Analysis, frames: Frames, job: Job) -> Result:
    try:
        result: object = step.run(frames, job)
    except GeoqaError:
        raise
    except Exception as error:  # a third party's code may fail in any way
        raise StepError(f"the step {step.name!r} failed: {type(error).__name__}: {error}") from error
    if not isinstance(result, Result):
        raise StepError(f"the step {step.name!r} returned {type(result).__name__}, it must return a geoqa.Result.")
    return result


def _whole_points(step: Analysis, view: Frames, job: Job, result: Result) -> list[Fault]:
    without = [name for name, frame in result.frames.items() if "point" not in frame and not _keyed_by_point(name)]
    if without:
        problem = f"has no column point, so {step.name!r} cannot work point by point."
        return [Fault(name, problem, "Add the column, or say whole_site=True.") for name in without]
    names = sorted({str(name) for frame in view.values() if "point" in frame for name in frame["point"]})

    def parts() -> Result:
        import pandas as pd

        made = [_run(step, _only(view, set(names[i::2])), job).frames for i in (0, 1)]
        return Result({name: pd.concat([part[name] for part in made]) for name in result.frames})

    return _compared("on two halves of the points", result, parts, "Say whole_site=True if it needs them all at once.")


def _keyed_by_point(name: str) -> bool:
    """Return whether a frame's key stands for one point: such a frame may come without the column itself."""
    return name in ("occupations", "closures")


def _only(view: Frames, names: set[str]) -> dict[str, pd.DataFrame]:
    return {
        name: frame[frame["point"].astype("str").isin(names)].reset_index(drop=True) if "point" in frame else frame
        for name, frame in view.items()
    }


# ---- map layers


def _layer_faults(layer: MapLayer, frames: Frames | None, job: Job) -> list[Fault]:
    from geoqa.core.drawing import Drawing
    from geoqa.outputs import html_map

    kept, job = _before(layer, frames, job, ON_THE_MAP)
    needed = dict.fromkeys(address.partition(".")[0] for address in layer.needs)
    view = {name: kept[name] for name in needed}
    before = {name: frame.copy(deep=True) for name, frame in view.items()}
    try:
        drawings: Any = layer.draw(view, job)
    except GeoqaError:
        raise
    except Exception as error:  # a third party's code may fail in any way
        raise StepError(f"the layer {layer.name!r} failed: {type(error).__name__}: {error}") from error
    if not isinstance(drawings, (tuple, list)) or not all(isinstance(drawing, Drawing) for drawing in drawings):
        return [Fault("draw", f"returned {type(drawings).__name__}; it must return a tuple of geoqa.Drawing.")]
    faults = _changed(before, view)
    context = html_map.MapContext.of({name: kept[name] for name in kept.names()}, job)
    return faults + _refused(lambda: html_map.build_map(drawings, context))


# ---- readers


def _reader_faults(reader: Reader, job: Job, path: str | Path | None) -> list[Fault]:
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
        faults += _compared("read a second time", Result(result.frames), lambda: again)
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
    faults = _refused(
        lambda: schema.check("occupations", occupations, columns=[*wanted, "start_utc", "role", "method"])
    )
    faults += _refused(lambda: schema.check("set_aside", aside))
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


# ---- comparing


def _refused(act: Callable[[], object]) -> list[Fault]:
    """Return what geoqa's own checks say against something, as faults."""
    try:
        act()
    except GeoqaError as error:
        return list(error.faults) or [Fault("result", str(error))]
    return []


def _changed(before: Frames, after: Frames) -> list[Fault]:
    return [
        Fault(name, "was changed by the step.", "Work on a copy: frame.assign(...), frame.copy().")
        for name, frame in before.items()
        if not (frame.equals(after[name]) and list(frame.columns) == list(after[name].columns))
    ]


def _compared(how: str, result: Result, again: Callable[[], Result], remedy: str = "") -> list[Fault]:
    """Return the frames that come out otherwise, as faults."""
    import pandas as pd

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
    import pandas as pd

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


def _mixed(count: int) -> list[int]:
    """Return the row numbers in another order, the same each time."""
    return sorted(range(count), key=lambda i: (i * 7919 % 101, i))


def _sample() -> Any:
    from geoqa.demo import sample

    return sample
