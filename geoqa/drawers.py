"""Installed steps that draw, loaded and configured once for a job: what map layers and plots share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, ClassVar, Self

from geoqa import pipeline, plugins

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class Drawers:
    """Steps that draw, as configured for a job.

    Attributes
    ----------
    usable
        The steps, in the order of their names.
    optional
        Names of those of a third party: the result is whole without them.
    failed
        Those of a third party that could not be configured, and why.
    """

    usable: tuple[Any, ...] = ()
    optional: frozenset[str] = frozenset()
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
        usable, optional, failed = [], set(), {}
        tables = {**job.steps, **{name: {**job.steps.get(name, {}), **more} for name, more in (stated or {}).items()}}
        for name, step in found.load_all(cls.group).items():
            if found.is_third_party(name):
                optional.add(name)
            try:
                usable.append(plugins.configure(step, tables))
            except Exception as error:  # a third party's code may fail in any way
                if name not in optional:
                    raise
                failed[name] = error
        return cls(tuple(usable), frozenset(optional), failed)

    def refuse_stated(self, job: Job) -> None:
        """Raise what speaks against a step whose parameters the recipe sets: its user waits for it."""
        for name, error in self.failed.items():
            if name in job.steps:
                raise error

    def shown(self, step: Any, frames: Frames) -> dict[str, pd.DataFrame]:
        """Return the frames that a step is shown: those it needs, and those it uses as far as they are there."""
        used = (address for address in step.uses if pipeline.has(frames, address))
        names = dict.fromkeys(address.partition(".")[0] for address in (*step.needs, *used))
        return {name: frames[name] for name in names}

    def left_out(self, name: str, error: Exception) -> str:
        """Return that a step is left out, and why."""
        return f"the {self.word} {name!r} is left out: {type(error).__name__}: {error}"
