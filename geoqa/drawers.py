"""Installed steps that draw, loaded and configured once for a job: what map layers and plots share."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, ClassVar, Self, TypeVar

from geoqa import guests, pipeline, plugins
from geoqa.core.errors import RecipeError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]

T = TypeVar("T")


@dataclass(frozen=True)
class Drawers:
    """Steps that draw, as configured for a job.

    Attributes
    ----------
    usable
        The steps, in the order of their names.
    foreign
        Names of those of a third party, which are given copies.
    failed
        Those of a third party that could not be configured, and why.
    """

    usable: tuple[Any, ...] = ()
    foreign: frozenset[str] = frozenset()
    failed: Mapping[str, Exception] = field(default_factory=dict)

    group: ClassVar[str]
    word: ClassVar[str]

    @classmethod
    def of(cls, found: plugins.Catalogue, job: Job, stated: Mapping[str, Mapping[str, Any]] | None = None) -> Self:
        """Return the steps in `found`, configured by the job, and by `stated` tables of parameters beside it.

        Raises
        ------
        RecipeError
            If one of geoqa's own cannot be configured.
        """
        usable: list[Any] = []
        foreign, failed = set(), {}
        tables = {**job.steps, **{name: {**job.steps.get(name, {}), **more} for name, more in (stated or {}).items()}}
        for name, step in found.load_all(cls.group).items():
            if not found.is_third_party(name):
                usable.append(plugins.configure(step, tables))
                continue
            foreign.add(name)
            try:
                usable.append(plugins.as_guest(step, tables))
            except Exception as error:
                failed[name] = error
        return cls(tuple(usable), frozenset(foreign), failed)

    def refuse_stated(self, job: Job) -> None:
        """Raise what speaks against the parameters that the recipe sets of a step: its user waits for it."""
        for name, error in self.failed.items():
            if name in job.steps and isinstance(error, RecipeError):
                raise error

    def made(self, step: Any, frames: Frames, job: Job, check: Callable[[Any], T]) -> T:
        """Return what a step draws, passed through `check`; of a third party's it keeps nothing that it can change."""
        shown = self.shown(step, frames)
        if step.name not in self.foreign:
            return check(step.draw(shown, job))
        return guests.call(lambda: copy.deepcopy(check(step.draw(guests.copied(shown), copy.deepcopy(job)))))

    def that_fit(self, build: Callable[[Self], T], failed: dict[str, str]) -> T:
        """Return what `build` makes of these steps, without those of a third party that it fails with.

        Parameters
        ----------
        build
            Makes a map, or a report, of steps that draw.
        failed
            Receives the reason for each step that was left out.
        """
        try:
            return build(self)
        except (Exception, SystemExit) as error:
            foreign = [step for step in self.usable if step.name in self.foreign]
            if not foreign or (isinstance(error, Exception) and not pipeline.is_ours(error)):
                raise
        kept = replace(self, usable=tuple(step for step in self.usable if step.name not in self.foreign))
        build(kept)
        for step in foreign:
            tried = replace(self, usable=(*kept.usable, step))
            try:
                build(tried)
            except (Exception, SystemExit) as error:
                failed[step.name] = guests.said(error)
            else:
                kept = tried
        return build(kept)  # which can now say all that was left out

    def shown(self, step: Any, frames: Frames) -> dict[str, pd.DataFrame]:
        """Return the frames that a step is shown: those it needs, and those it uses as far as they are there."""
        used = (address for address in step.uses if pipeline.has(frames, address))
        names = dict.fromkeys(address.partition(".")[0] for address in (*step.needs, *used))
        return {name: frames[name] for name in names}

    def left_out(self, name: str, error: Exception) -> str:
        """Return that a step is left out, and why."""
        return f"the {self.word} {name!r} is left out: {guests.said(error)}"

    def leave_out(self, step: Any, error: Exception, failed: dict[str, str]) -> str:
        """Enter a step into `failed` and return what is said of it; raise `error` where its user is to mend it."""
        if step.name not in self.foreign and not pipeline.is_ours(error):
            raise error
        failed[step.name] = guests.said(error)
        return self.left_out(step.name, error)
