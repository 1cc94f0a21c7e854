"""Control and measured checks on the map: how far coordinates lie from what is known, and from what was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from geoqa.core.arrays import Frames, np
from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.core.frames.control import AGREES, CANNOT_TELL, CHECK, DISAGREES, UNSEEN_M
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import popup, positions

_LIGHT, _DARK = symbology.PLAIN
_STRONG = symbology.STRONG


@dataclass(frozen=True, kw_only=True)
class ControlLayer(MapLayer):
    """Frame the points that have a known coordinate, and draw what was determined minus what is known."""

    name: ClassVar[str] = "control-on-map"
    needs: ClassVar[tuple[str, ...]] = ("control_checks", "points", "points.geometry")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return frames around the known points, and vectors from the known to the determined place."""
        checks, points = frames["control_checks"], frames["points"]
        checks = checks[checks["setup"].isna()]  # set-ups are told in words: they have no place of their own
        at = popup.found(points, checks)
        checks, at = checks[at >= 0], at[at >= 0]
        if checks.empty:
            return ()
        kind = np.where(
            checks["use"].astype("str") != CHECK, "none", np.where(checks["outlier"].astype(bool), "outlier", "check")
        )
        columns = {"point": at, "style": kind.tolist()}
        about = "Points with a known coordinate."
        vectors = {
            "point": at,
            "style": np.where(kind == "outlier", "outlier", "check").tolist(),
            "east_m": popup.numbers(checks, "de_m"),
            "north_m": popup.numbers(checks, "dn_m"),
            "turn_deg": positions.turn_deg(points, job)[at],
        }
        told = "Determined minus known, at the points that have a known coordinate."
        return (
            Drawing("symbols", "Control", columns, _FRAMES, about=about),
            Drawing("vectors", "Off control", vectors, _ARROWS, about=told, exaggerated=True, shown=False),
        )


_FRAMES = (
    Style("none", "known, but no check: see its use", "frame", "#7a828b", "", "#8f979f", 0),
    Style("check", "check", "frame", _LIGHT, "", _DARK, 1),
    Style("outlier", "check that stands out from the others", "frame", _STRONG[0], "", _STRONG[1], 2),
)
_ARROWS = (
    Style("check", "as the others", "line", _LIGHT, "", _DARK, 0),
    Style("outlier", "stands out", "line", _STRONG[0], "", _STRONG[1], 1),
)


@dataclass(frozen=True, kw_only=True)
class ChecksLayer(MapLayer):
    """Draw the tapes, angles and height differences that were measured between points, by what they say."""

    name: ClassVar[str] = "checks-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "checks", "checks.verdict", "checks.geometry", "ellipses", "points", "points.geometry",
    )  # fmt: skip

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of lines, a measured check each; nothing where none has a place."""
        checks = frames["checks"][frames["checks"]["geometry"].notna()]
        if checks.empty:
            return ()
        columns = {
            "path": [positions.rings(line, job.grid.system)[0] for line in checks["geometry"]],
            "style": popup.texts(checks, "verdict"),
            "label": [f"{start} to {end}" for start, end in zip(checks["from"], checks["to"], strict=True)],
        }
        plane, _ = popup.lengths(job)
        lines: tuple[Any, ...] = (
            Cells("measured", popup.text(checks, "kind")),
            Cells(
                "as read", [f"{read:.10g} {unit}" for read, unit in zip(checks["value"], checks["unit"], strict=True)]
            ),
            Cells("verdict", popup.text(checks, "verdict")),
            Cells("why", popup.text(checks, "why")),
            plane.line("measured minus coordinates", popup.numbers(checks, "closure_m"), sign=True),
            plane.line("measurement, one sigma", popup.numbers(checks, "sigma_m")),
            plane.line("coordinates, one sigma", popup.numbers(checks, "points_sigma_m")),
            plane.line("largest closure these explain", popup.numbers(checks, "limit_m")),
            Cells("method", popup.text(checks, "method")),
            Cells("instrument", popup.text(checks, "instrument")),
            Cells("who", popup.text(checks, "who")),
            Cells("note", popup.text(checks, "note")),
        )
        about = "Measured between points by other methods than satellites."
        points, hidden = frames["points"], frames["ellipses"][frames["ellipses"]["subject"] == "unseen"]
        at = popup.found(points, hidden)
        unseen = {
            "point": at,
            "style": ["unseen"] * len(at),
            **{name: popup.numbers(hidden, name) for name in ("semi_major_m", "semi_minor_m", "azimuth_deg")},
            "turn_deg": positions.convergence_deg(points, job)[at],
        }
        blind = Drawing("ellipses", "Unseen by checks", unseen, (_UNSEEN,), about=_UNSEEN.about, shown=False)
        return (
            Drawing("lines", "Measured checks", columns, _LINES, about=about, tables=(Table("Measured check", lines),)),
            *([blind] if len(at) else []),
        )


_UNSEEN = Style(
    "unseen", "unseen by checks", "area", _STRONG[0],
    f"An error of the point within this would not be seen by the checks measured to it; drawn up to {UNSEEN_M:g} m.",
    _STRONG[1],
)  # fmt: skip
_LINES = (
    Style(CANNOT_TELL, "cannot tell", "dash", "#7a828b", "", "#8f979f", 0),
    Style(AGREES, "agrees", "line", _LIGHT, "", _DARK, 1),
    Style(DISAGREES, "disagrees", "line", _STRONG[0], "", _STRONG[1], 2),
)
