"""The installed map layers, loaded and configured once for a job, and what they draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from geoqa import guests, pipeline
from geoqa.core.errors import StepError
from geoqa.drawers import Drawers

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.drawing import Drawing
    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class MapLayers(Drawers):
    """Map layers as configured for a job."""

    group: ClassVar[str] = "geoqa.layers"
    word: ClassVar[str] = "map layer"

    def draw(self, frames: Frames, job: Job, failed: dict[str, str] | None = None) -> tuple[list[Drawing], list[str]]:
        """Return what the layers draw of `frames`, and which could not; `failed` receives why."""
        failed = {} if failed is None else failed
        drawings: list[Drawing] = []
        notes = [self.left_out(name, error) for name, error in self.failed.items()]
        failed.update({name: guests.said(error) for name, error in self.failed.items()})
        for layer in self.usable:
            if not all(pipeline.has(frames, address) for address in layer.needs):
                continue
            try:
                drawings += self.made(layer, frames, job, _drawings)
            except Exception as error:
                notes.append(self.leave_out(layer, error, failed))
        return drawings, notes


def _drawings(made: Any) -> tuple[Drawing, ...]:
    """Return drawings, or raise StepError where they are none."""
    from geoqa.core.drawing import Drawing

    if not isinstance(made, (tuple, list)) or not all(isinstance(one, Drawing) for one in made):
        raise StepError(f"it returned {type(made).__name__}; a map layer must return a tuple of geoqa.Drawing.")
    return tuple(made)
