"""Orders steps by what they need and give, and runs them."""

from __future__ import annotations

import contextlib
import copy
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

from geoqa import plugins
from geoqa.core.arrays import pd
from geoqa.core.errors import Fault, GeoqaError, RecipeError, StepError
from geoqa.core.frames.schema import RunFrames as RunFrames
from geoqa.core.frames.schema import has as has
from geoqa.core.job import Job, Recipe
from geoqa.core.steps import Analysis, Result

#: What the readers give before any analysis step runs.
READ = ("occupations", "set_aside")
#: What only some runs are given: a step that needs it is left out where it is missing.
SOME_READ = ("epochs", "earlier", "canopy", "experience", "checks", "procedure_asked")
#: What is there before any analysis step runs.
GIVEN = (*READ, "decisions", "field_test", *SOME_READ)
#: What a review cannot be without: each point judged, placed, with its uncertainty and whether it may be delivered.
#: A step may fail where none of these rests on it.
NEEDED = ("closures.status", "points.radius95_m", "points.semi_major_m", "points.deliver", "points.geometry")


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


def built_in() -> list[Analysis]:
    """Return geoqa's own analysis steps with their default parameters."""
    found = plugins.catalogue()
    classes = found.load_all("geoqa.analysis").items()
    return [cls() for name, cls in classes if not found.is_third_party(name)]  # type: ignore[misc]


def installed(found: plugins.Catalogue, job: Recipe) -> list[Analysis]:
    """Return every installed analysis step, configured and in order; a [step.NAME] nobody has is a fault."""
    known = {name for group in plugins.GROUPS for name in found.names(group)}
    unknown, said = [name for name in job.steps if name not in known], "no step of this name is installed."
    if faults := [Fault(f"[step.{name}]", said, "`geoqa steps` lists them.") for name in unknown]:
        raise RecipeError.from_faults("The recipe sets parameters of unknown steps:", faults)
    classes = found.load_all("geoqa.analysis")
    own = [name for name in classes if not found.is_third_party(name)]
    chosen = order([plugins.configure(classes[name], job.steps) for name in own])  # type: ignore[misc]
    waiting = {name: classes[name] for name in classes if name not in own}
    # A third party's step may need another's: go round until no more fit.
    while waiting:
        before = len(waiting)
        for name, cls in list(waiting.items()):
            try:
                chosen = order([*chosen, plugins.as_guest(cls, job.steps)])  # type: ignore[list-item]
            except GeoqaError as error:
                if name in job.steps and isinstance(error, RecipeError):
                    raise
                found.refused[name] = f"the step {name!r}: {plugins.error_text(error)}"
            else:
                found.refused.pop(name, None)
                del waiting[name]
        if len(waiting) == before:
            break
    return chosen


def leading_to(addresses: Collection[str], steps: Sequence[Analysis]) -> list[Analysis]:
    """Return the ordered steps that addresses rest on, those that give them last."""
    return _under(addresses, steps, lambda step: step.uses)


def optional(steps: Sequence[Analysis]) -> frozenset[str]:
    """Return the names of those of the ordered steps that may fail: nothing in `NEEDED` rests on them."""
    return frozenset(step.name for step in steps) - {step.name for step in _under(NEEDED, steps, lambda _: ())}


def _under(
    addresses: Collection[str], steps: Sequence[Analysis], used: Callable[[Analysis], Collection[str]]
) -> list[Analysis]:
    """Return the ordered steps that addresses rest on, by what each needs, and by what is `used` of what it may use."""
    wanted = set(addresses)
    chosen: list[Analysis] = []
    for step in reversed(steps):
        if wanted.intersection(step.gives):
            chosen.insert(0, step)
            wanted.update(_wants(step, used(step)))
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


def run(
    steps: Sequence[Analysis],
    frames: RunFrames,
    job: Job,
    progress: Callable[[str], None] = lambda _: None,
    may_fail: Collection[str] = (),
    foreign: Collection[str] = (),
    failed: dict[str, str] | None = None,
) -> list[str]:
    """Run ordered steps on `frames`; return the messages they have for people.

    Parameters
    ----------
    may_fail
        Names of steps that are left out, with a message, when they fail, and those that need what they give with
        them. What the user is to mend (an error that ends a command with another code than 70) is raised all the same.
    foreign
        Names of steps of a third party: they are given copies, and are left out whatever they raise.
    failed
        Receives the reason of each step that is left out.
    """
    messages: list[str] = []
    failed = {} if failed is None else failed
    lost: dict[str, str] = {}
    for step in steps:
        address = next((a for a in _wants(step, ()) if a in lost or a.partition(".")[0] in lost), None)
        if address is None:
            progress(step.name)
            try:
                messages += _run_one(step, frames, job, step.name in foreign)
                continue
            except GeoqaError as error:
                if step.name not in foreign and (step.name not in may_fail or not is_ours(error)):
                    raise
                failed[step.name] = plugins.error_text(error).removeprefix(f"the step {step.name!r} failed: ")
        else:
            giver = lost.get(address) or lost[address.partition(".")[0]]
            failed[step.name] = f"it needs {address}, which {giver!r} was to give"
        lost.update(dict.fromkeys(step.gives, step.name))
        messages.append(f"the step {step.name!r} is left out: {failed[step.name]}")
    return messages


def is_ours(error: Exception) -> bool:
    """Return whether a fault is the program's, not one that its user is to mend."""
    return error.exit_code == StepError.exit_code if isinstance(error, GeoqaError) else not isinstance(error, OSError)


@contextlib.contextmanager
def going_on(name: str, failed: dict[str, str]) -> Iterator[None]:
    """Enter what fails in the body into `failed`, and go on; what its user is to mend is raised, a full disk too."""
    try:
        yield
    except Exception as error:
        if not is_ours(error):
            raise
        failed[name] = plugins.error_text(error)


def _run_one(step: Analysis, frames: RunFrames, job: Job, foreign: bool) -> tuple[str, ...]:
    try:
        return frames.run(step, job, _as_guest if foreign else None)
    except GeoqaError:
        raise
    except (Exception, SystemExit) as error:
        raise StepError(f"the step {step.name!r} failed: {plugins.error_text(error)}") from error


def _as_guest(step: Analysis, shown: Mapping[str, pd.DataFrame], job: Job) -> Result:
    def made() -> Result:
        result = step.run(plugins.copied(shown), copy.deepcopy(job))
        if not isinstance(result, Result):
            raise StepError(f"it returned {type(result).__name__}, it must return a Result of frames by name")
        return Result(plugins.taken(result.frames), plugins.checked_messages(result.messages))

    return plugins.call(made)


def _wants(step: Analysis, given: Collection[str]) -> tuple[str, ...]:
    """Return what must be there first: what is needed, the frames columns are attached to, what is used and `given`."""
    hosts = [address.partition(".")[0] for address in step.gives if "." in address]
    own = [address for address in step.gives if "." not in address]
    used = [address for address in step.uses if address in given]
    return (*step.needs, *(host for host in hosts if host not in own), *used)
