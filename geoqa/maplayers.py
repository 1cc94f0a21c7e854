"""The installed map layers, loaded and configured once for a job, and what they draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from geoqa import pipeline
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

    def draw(self, frames: Frames, job: Job) -> tuple[list[Drawing], list[str]]:
        """Return what the layers draw of `frames`, and which third-party layer could not."""
        drawings: list[Drawing] = []
        notes = [self.left_out(name, error) for name, error in self.failed.items()]
        for layer in self.usable:
            if not all(pipeline.has(frames, address) for address in layer.needs):
                continue
            try:
                drawings += layer.draw(self.shown(layer, frames), job)
            except Exception as error:
                if layer.name not in self.optional:
                    raise
                notes.append(self.left_out(layer.name, error))
        return drawings, notes
