"""The installed map layers, loaded and configured once for a job, and what they draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from geoqa import pipeline, plugins

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.drawing import Drawing
    from geoqa.core.job import Job
    from geoqa.core.steps import MapLayer


@dataclass(frozen=True)
class MapLayers:
    """Map layers as configured for a job.

    Attributes
    ----------
    usable
        The layers, in the order of their names.
    optional
        Names of those of a third party: a map is whole without them.
    failed
        Those of a third party that could not be configured, and why.
    """

    usable: tuple[MapLayer, ...] = ()
    optional: frozenset[str] = frozenset()
    failed: Mapping[str, Exception] = field(default_factory=dict)

    @classmethod
    def of(cls, found: plugins.Catalogue, job: Job) -> MapLayers:
        """Return the layers in `found`, configured.

        Raises
        ------
        RecipeError
            If one of geoqa's own cannot be configured.
        """
        usable, optional, failed = [], set(), {}
        for name, layer in found.load_all("geoqa.layers").items():
            if found.is_third_party(name):
                optional.add(name)
            try:
                usable.append(plugins.configure(layer, job.steps))
            except Exception as error:  # a third party's code may fail in any way
                if name not in optional:
                    raise
                failed[name] = error
        return cls(tuple(usable), frozenset(optional), failed)  # type: ignore[arg-type]

    def refuse_stated(self, job: Job) -> None:
        """Raise what speaks against a layer whose parameters the recipe sets: its user waits for it."""
        for name, error in self.failed.items():
            if name in job.steps:
                raise error

    def draw(self, frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[list[Drawing], list[str]]:
        """Return what the layers draw of `frames`, and which third-party layer could not."""
        drawings: list[Drawing] = []
        notes = [_left_out(name, error) for name, error in self.failed.items()]
        for layer in self.usable:
            if not all(pipeline.has(frames, address) for address in layer.needs):
                continue
            needed = {address.partition(".")[0] for address in layer.needs}
            try:
                drawings += layer.draw({name: frames[name] for name in needed}, job)
            except Exception as error:
                if layer.name not in self.optional:
                    raise
                notes.append(_left_out(layer.name, error))
        return drawings, notes


def _left_out(name: str, error: Exception) -> str:
    return f"the map layer {name!r} is left out: {type(error).__name__}: {error}"
