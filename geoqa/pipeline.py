"""Orders steps by what they need and give, runs them, and keeps every frame."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from geoqa.core import schema
from geoqa.core.errors import GeoqaError, StepError
from geoqa.core.steps import Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job
    from geoqa.core.steps import Analysis

#: What the readers give before any analysis step runs.
READ = ("occupations", "set_aside")
#: What only some runs are given: a step that needs it is left out where it is missing.
SOME_READ = ("epochs", "earlier", "canopy", "experience")
#: What is there before any analysis step runs.
GIVEN = (*READ, "decisions", "field_test", *SOME_READ)


def order(steps: Iterable[Analysis], given: Sequence[str] = GIVEN) -> list[Analysis]:
    """Return the steps in an order in which everything needed is there.

    Parameters
    ----------
    steps
        Steps in any order; among those that are free to go, the order is kept.
    given
        Addresses that are there from the start.

    Raises
    ------
    StepError
        Naming both steps that give one address, the address nobody gives, or the steps that wait
        for each other.
    """
    waiting = list(steps)
    owner = dict.fromkeys(given, "the readers")
    for step in waiting:
        for address in step.gives:
            if address in owner:
                raise StepError(f"{address!r} would have two owners: {owner[address]} and {step.name!r}.")
            owner[address] = f"{step.name!r}"
    for step in waiting:
        missing = [address for address in _wants(step, ()) if address not in owner]
        if missing:
            raise StepError(f"{step.name!r} needs {', '.join(missing)}, which no step gives.")
    there, ready = set(given), []
    while waiting:
        free = next((step for step in waiting if all(address in there for address in _wants(step, owner))), None)
        if free is None:
            names = ", ".join(f"{step.name!r}" for step in waiting)
            raise StepError(f"the steps {names} wait for each other: what one needs another gives, round in a circle.")
        waiting.remove(free)
        ready.append(free)
        there.update(free.gives)
    return ready


def leading_to(name: str, steps: Sequence[Analysis]) -> list[Analysis]:
    """Return the ordered steps that the step called `name` rests on, itself last."""
    wanted: set[str] = set()
    chosen: list[Analysis] = []
    for step in reversed(steps):
        if step.name == name or wanted.intersection(step.gives):
            chosen.insert(0, step)
            wanted.update(_wants(step, step.uses))
    return chosen


def possible(steps: Iterable[Analysis], there: Collection[str]) -> list[Analysis]:
    """Return the ordered steps that can run on what was read: `there` holds the frames of `SOME_READ` that it has."""
    lacking = {name for name in SOME_READ if name not in there}
    chosen = []
    for step in steps:
        if any(address in lacking or address.partition(".")[0] in lacking for address in _wants(step, ())):
            lacking |= set(step.gives)
        else:
            chosen.append(step)
    return chosen


class Frames:
    """Every frame of a run; columns are attached by key, and each has one owner."""

    def __init__(self, frames: Mapping[str, pd.DataFrame]) -> None:
        self._frames: dict[str, pd.DataFrame] = dict(frames)
        self._base = {name: tuple(frame.columns) for name, frame in frames.items()}
        self._owner = {f"{name}.{column}": "the readers" for name, frame in frames.items() for column in frame.columns}

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self._frames[name]

    def names(self) -> tuple[str, ...]:
        """Return the names of the frames made so far, in order."""
        return tuple(self._frames)

    def view(self, needs: Iterable[str]) -> dict[str, pd.DataFrame]:
        """Return the frames named, with the columns they were made with and those named, and no others."""
        wanted: dict[str, list[str]] = {}
        for address in needs:
            frame, _, column = address.partition(".")
            columns = wanted.setdefault(frame, list(self._base[frame]))
            if column and column not in columns:
                columns.append(column)
        return {frame: self._frames[frame][columns] for frame, columns in wanted.items()}

    def shown_to(self, step: Analysis) -> dict[str, pd.DataFrame]:
        """Return the view of what a step needs, and of what it uses as far as it is there."""
        return self.view((*step.needs, *(address for address in step.uses if has(self._frames, address))))

    def add(self, step: Analysis, made: Mapping[str, pd.DataFrame]) -> None:
        """Keep what a step made, checked against what it declared and against the contracts."""
        expected = {address.partition(".")[0] for address in step.gives}
        if set(made) != expected:
            raise StepError(f"{step.name!r} declares {sorted(expected)} and returned {sorted(made)}.")
        for name, frame in made.items():
            if not hasattr(frame, "columns"):
                raise StepError(f"{step.name!r} returned {type(frame).__name__} for {name!r}, it must be a data frame.")
            columns = [a.partition(".")[2] for a in step.gives if a.startswith(f"{name}.")]
            if name not in step.gives:
                self._attach(step, name, frame, columns)
            else:
                schema.check(name, frame, by=step.name)
                if columns:
                    schema.check(name, frame, by=step.name, columns=columns)
                self._claim(step, name, list(frame.columns))
                self._frames[name], self._base[name] = frame, tuple(frame.columns)

    def _attach(self, step: Analysis, name: str, keyed: pd.DataFrame, columns: list[str]) -> None:
        contract = schema.FRAMES.get(name)
        key = list(contract.key) if contract else [str(self._base[name][0])]
        schema.check(name, keyed, by=step.name, columns=[*key, *columns])
        extra = [c for c in keyed.columns if c not in key and c not in columns]
        if extra:
            raise StepError(f"{step.name!r} returned {name}.{extra[0]}, which it does not declare.")
        self._claim(step, name, columns)
        target = self._frames[name]
        if not keyed[key].reset_index(drop=True).equals(target[key].reset_index(drop=True)):
            keyed = _aligned(step, name, keyed, target, key)
        self._frames[name] = target.assign(**{c: keyed[c].array for c in columns})

    def _claim(self, step: Analysis, name: str, columns: list[str]) -> None:
        for column in columns:
            address = f"{name}.{column}"
            if address in self._owner:
                raise StepError(f"{address!r} would have two owners: {self._owner[address]} and {step.name!r}.")
            self._owner[address] = f"{step.name!r}"


def has(frames: Mapping[str, pd.DataFrame], address: str) -> bool:
    """Return whether `address`, a frame or a column of one, is there."""
    frame, _, column = address.partition(".")
    return frame in frames and (not column or column in frames[frame])


def run(
    steps: Sequence[Analysis],
    frames: Frames,
    job: Job,
    progress: Callable[[str], None] = lambda _: None,
    optional: Collection[str] = (),
) -> list[str]:
    """Run ordered steps on `frames`; return the messages they have for people.

    Parameters
    ----------
    optional
        Names of steps that are left out, with a message, when they fail; a third party's.
    """
    messages: list[str] = []
    for step in steps:
        progress(step.name)
        try:
            messages += _run_one(step, frames, job)
        except GeoqaError as error:
            if step.name not in optional:
                raise
            messages.append(f"the step {step.name!r} is left out: {error}")
    return messages


def _run_one(step: Analysis, frames: Frames, job: Job) -> tuple[str, ...]:
    try:
        result: object = step.run(frames.shown_to(step), job)
    except GeoqaError:
        raise
    except (Exception, SystemExit) as error:  # a third party's code may fail in any way
        raise StepError(f"the step {step.name!r} failed: {type(error).__name__}: {error}") from error
    if not isinstance(result, Result):
        given = type(result).__name__
        raise StepError(f"the step {step.name!r} returned {given}, it must return a Result of frames by name.")
    frames.add(step, result.frames)
    return result.messages


def _wants(step: Analysis, given: Collection[str]) -> tuple[str, ...]:
    """Return what must be there first: what is needed, the frames columns are attached to, what is used and `given`."""
    hosts = [address.partition(".")[0] for address in step.gives if "." in address]
    own = [address for address in step.gives if "." not in address]
    used = [address for address in step.uses if address in given]
    return (*step.needs, *(host for host in hosts if host not in own), *used)


def _aligned(step: Analysis, name: str, keyed: pd.DataFrame, target: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Return keyed columns in the target's order; every key of the target must be there exactly once."""
    doubles = int(keyed.duplicated(key).sum())
    joined = target[key].merge(keyed, on=key, how="left", indicator=True)
    missing = int((joined["_merge"] != "both").sum())
    if doubles or missing or len(keyed) != len(target):
        raise StepError(
            f"{step.name!r} returned {len(keyed)} rows for the {len(target)} of {name!r}: {missing} keys are missing, "
            f"{doubles} stand twice. Return one row per {', '.join(key)}."
        )
    return joined
