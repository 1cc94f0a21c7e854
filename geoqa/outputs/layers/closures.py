"""The closures: an arrow from the point for each independent pair, earlier to later."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames, np
from geoqa.core.drawing import Drawing, Style
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import popup, positions


@dataclass(frozen=True, kw_only=True)
class ClosuresLayer(MapLayer):
    """How far, and which way, independent occupations of one point differ: later minus earlier."""

    name: ClassVar[str] = "closures-on-map"
    needs: ClassVar[tuple[str, ...]] = ("closures", "closures.status", "points", "points.geometry")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of vectors, an independent pair each."""
        closures, points = frames["closures"], frames["points"]
        at = popup.found(points, closures)
        order = np.argsort(at, kind="stable")
        order = order[at[order] >= 0]
        drawn, at = closures.iloc[order], at[order]
        shown = ~drawn["independence_h"].isin(NO_EVIDENCE).to_numpy()
        columns = {
            "point": at,
            "style": np.where(shown, popup.combined(_side, drawn["status"]).to_numpy(), ""),
            "east_m": popup.numbers(drawn, "de_m"),
            "north_m": popup.numbers(drawn, "dn_m"),
            "turn_deg": positions.turn_deg(points, job)[at],
        }
        about = "How far a later occupation lies from an earlier, independent one, and which way."
        return (Drawing("vectors", "Closures", columns, _styles(), about=about, exaggerated=True),)


def _side(status: str) -> str:
    """Return the side of the tolerance a status stands for; a pair not judged counts as within."""
    symbol = symbology.SYMBOLS.get(status)
    return (symbol.tolerance if symbol else None) or "within"


def _styles() -> tuple[Style, ...]:
    plain, strong = symbology.PLAIN, symbology.STRONG
    return (
        Style("within", "within tolerance", "line", plain[0], "", plain[1], 0),
        Style("beyond", "beyond tolerance", "line", strong[0], "", strong[1], 1),
    )
