"""Check a step of one's own: `check_step` tries what geoqa promises to its users about every step.

Meant for the tests of a plugin. Nothing heavy is imported before a check runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from geoqa import pipeline
from geoqa.core.arrays import Frames, pd
from geoqa.core.drawing import Drawing
from geoqa.core.errors import Fault, StepError
from geoqa.core.frames import schema
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, Figure, MapLayer, Plot, Reader, Result, Step, Writer
from geoqa.testing.checks import (
    WRITTEN,
    attempt,
    changed,
    compared,
    declared,
    mixed,
    reader_faults,
    refused,
    sample,
    writer_faults,
)

__all__ = ["check_step"]

#: What the map says beside its layers.
ON_THE_MAP = ("points.status", "points.deliver", "closures.status")


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
    points. A map layer and a plot draw hostile names. A reader accounts for every row, leaves its file alone, and
    refuses files it cannot use with one of geoqa's errors. A writer makes the same file twice, of hostile names and
    of no points as well.

    Parameters
    ----------
    step
        The step, or its class (then with its default parameters).
    frames
        For analysis steps, layers and plots: what the readers give (``occupations``, ``set_aside``), and the frames
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
    made = declared(step)
    job = job or sample().job()
    if isinstance(made, Reader):
        faults = reader_faults(made, job, path)
    elif isinstance(made, Analysis):
        faults = _analysis_faults(made, frames, job, whole_site)
    elif isinstance(made, Writer):
        kept, job = _before(made, frames, job, WRITTEN)
        faults = writer_faults(made, kept, job)
    elif isinstance(made, Plot):
        faults = _plot_faults(made, frames, job)
    else:
        faults = _layer_faults(made, frames, job)  # type: ignore[arg-type]
    if faults:
        raise StepError.from_faults(f"the step {made.name!r} does not keep geoqa's contract:", faults)


def _analysis_faults(step: Analysis, frames: Frames | None, job: Job, whole_site: bool) -> list[Fault]:
    kept, job = _before(step, frames, job)
    view = kept.shown_to(step)
    before = {name: frame.copy(deep=True) for name, frame in view.items()}
    recipe = job.as_table()
    result = _run(step, view, job)
    faults = changed(before, view)
    faults += [] if job.as_table() == recipe else [Fault("job", "the step changed the recipe.")]
    faults += refused(lambda: kept.add(step, result.frames))
    if faults:  # comparing answers that are wrong in themselves would repeat the fault
        return faults
    faults += compared("run a second time", result, lambda: _run(step, view, job))
    shuffled = {name: frame.iloc[mixed(len(frame))].reset_index(drop=True) for name, frame in view.items()}
    faults += compared("with its rows in another order", result, lambda: _run(step, shuffled, job))
    if not whole_site:
        faults += _whole_points(step, view, job, result)
    return faults


def _before(step: Step, frames: Frames | None, job: Job, also: tuple[str, ...] = ()) -> tuple[pipeline.RunFrames, Job]:
    """Return every frame geoqa has when the step runs, without what the step itself gives."""
    from geoqa.core.frames.procedure import asked
    from geoqa.core.recipe import Procedure
    from geoqa.core.site import assembly
    from geoqa.readers.companions import read_decisions, read_field_test

    given = dict(frames or {})
    own = pipeline.built_in()
    made = {address.partition(".")[0] for other in own for address in other.gives if "." not in address}
    if made & set(given):
        named = ", ".join(sorted(made & set(given)))
        raise StepError(f"frames holds {named}, which geoqa's own steps give. Leave that out of frames.")
    rows = [given.pop("occupations", sample().occupations())]
    occupations, job, _, none_decided = assembly.occupations(rows, job, None, read_decisions(None))
    # Every frame is there, those too that only some recipes ask for.
    job = job if job.procedure.asked else replace(job, procedure=Procedure(occupations=2))
    read = {
        "occupations": occupations,
        "set_aside": given.pop("set_aside", sample().set_aside()),
        "decisions": given.pop("decisions", none_decided),
        "field_test": given.pop("field_test", read_field_test(None, 1.0)),
        "epochs": given.pop("epochs", sample().epochs()),
        "earlier": given.pop("earlier", sample().earlier()),
        "canopy": given.pop("canopy", sample().canopy()),
        "checks": given.pop("checks", sample().checks()),
        "procedure_asked": given.pop("procedure_asked", asked(job, 0.0)),
    }
    for name, frame in read.items():
        schema.check(name, frame, by="frames")
    kept = pipeline.RunFrames({**read, **given})
    steps = _leading_to(step.needs + step.uses + also, [other for other in own if other.name != step.name])
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
        wanted += [need for s in giving for need in (*s.needs, *s.uses, *(g.partition(".")[0] for g in s.gives))]
    return chosen


def _is_there(kept: pipeline.RunFrames, address: str) -> bool:
    frame, _, column = address.partition(".")
    return frame in kept.names() and (not column or column in kept[frame])


def _run(step: Analysis, frames: Frames, job: Job) -> Result:
    result: object = attempt(f"the step {step.name!r} failed", lambda: step.run(frames, job))
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
        made = [_run(step, _only(view, set(names[i::2])), job).frames for i in (0, 1)]
        return Result({name: pd.concat([part[name] for part in made]) for name in result.frames})

    return compared("on two halves of the points", result, parts, "Say whole_site=True if it needs them all at once.")


def _keyed_by_point(name: str) -> bool:
    """Return whether a frame's key stands for one point: such a frame may come without the column itself."""
    return name in ("occupations", "closures")


def _only(view: Frames, names: set[str]) -> dict[str, pd.DataFrame]:
    return {
        name: frame[frame["point"].astype("str").isin(names)].reset_index(drop=True) if "point" in frame else frame
        for name, frame in view.items()
    }


class _Drawn:
    """What a map layer or a plot draws, every frame geoqa has by then, and the faults of both."""

    def __init__(self, step: MapLayer | Plot, kind: type, frames: Frames | None, job: Job, *also: str) -> None:
        self.step = step
        self.kept, self.job = _before(step, frames, job, also)
        names = dict.fromkeys(address.partition(".")[0] for address in step.needs)
        self.view = {name: self.kept[name] for name in names}
        before = {name: frame.copy(deep=True) for name, frame in self.view.items()}
        self.made = self.draw()
        self.is_sound = isinstance(self.made, (tuple, list)) and all(isinstance(one, kind) for one in self.made)
        said = f"returned {type(self.made).__name__}; it must return a tuple of geoqa.{kind.__name__}."
        self.faults = changed(before, self.view) if self.is_sound else [Fault("draw", said)]

    def draw(self) -> Any:
        """Return what the step draws."""
        kind = "plot" if isinstance(self.step, Plot) else "layer"
        return attempt(f"the {kind} {self.step.name!r} failed", lambda: self.step.draw(self.view, self.job))


def _plot_faults(plot: Plot, frames: Frames | None, job: Job) -> list[Fault]:
    drawn = _Drawn(plot, Figure, frames, job)
    if not drawn.is_sound:
        return drawn.faults
    faults = drawn.faults
    if len({figure.name.casefold() for figure in drawn.made}) < len(drawn.made):
        faults.append(Fault("draw", "gave two figures one name."))
    if tuple(drawn.made) != tuple(drawn.draw()):
        remedy = "Leave out dates and random ids."
        faults.append(Fault("draw", "the figures come out otherwise run a second time.", remedy))
    return faults


def _layer_faults(layer: MapLayer, frames: Frames | None, job: Job) -> list[Fault]:
    from geoqa.outputs.map import html_map

    drawn = _Drawn(layer, Drawing, frames, job, *ON_THE_MAP)
    if not drawn.is_sound:
        return drawn.faults
    context = html_map.MapContext.of({name: drawn.kept[name] for name in drawn.kept.names()}, drawn.job)
    return drawn.faults + refused(lambda: html_map.build_map(drawn.made, context))
