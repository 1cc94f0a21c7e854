"""The points on the map, their error ellipses, and closures: arrows from the point for each independent pair."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Array, Flags, Frames, np, pd
from geoqa.core.drawing import Drawing, Style
from geoqa.core.frames.contract import USED
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.core.units import percent
from geoqa.outputs import symbology
from geoqa.outputs.layers import POINTS, popup, positions


@dataclass(frozen=True, kw_only=True)
class PointsLayer(MapLayer):
    """Every point by its status, marked where it may be delivered; a click shows its evidence."""

    name: ClassVar[str] = "points-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "occupations", "occupations.visit", "closures", "closures.status",
        "points", "points.deliver", "points.geometry",
    )  # fmt: skip

    uses: ClassVar[tuple[str, ...]] = ("revisits", "shifts", "shifted", "control_checks")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of symbols, a point each."""
        points = popup.with_revisits(frames["points"], frames.get("revisits"))
        occupations = popup.in_time(frames["occupations"])
        at, places = popup.found(points, occupations), positions.places(points, job)
        status = popup.texts(points, "status")
        columns = {
            "lon_deg": places.lon_deg,
            "lat_deg": places.lat_deg,
            "style": status,
            "label": popup.texts(points, "point"),
            "mark": [symbology.DELIVERY[word].marked for word in popup.texts(points, "deliver")],
            "urgency": popup.numbers(points, "excess"),
            "rise_m": _rise(points, frames["closures"]),
        }
        return (
            Drawing(
                "symbols", POINTS, columns, symbology.status_styles(), about="One symbol a point, by its status.",
                listed=False, points=True, facets=popup.facets(points, occupations, at, job),
                tables=popup.tables(points, occupations, at, frames, places, job),
            ),
        )  # fmt: skip


def _rise(points: pd.DataFrame, closures: pd.DataFrame) -> Array:
    """Return the largest closure in height, later minus earlier, of points beyond tolerance in height alone."""
    limits = (("worst_horizontal_m", "limit_h_m"), ("worst_vertical_m", "limit_v_m"))
    beyond_h, beyond_v = (popup.numbers(points, worst) > popup.numbers(points, limit) for worst, limit in limits)
    alone = beyond_v & ~beyond_h & (popup.combined(_side, points["status"]) == "beyond").to_numpy()
    at, du = popup.found(points, closures), popup.numbers(closures, "du_m")
    counts = (at >= 0) & np.isfinite(du)
    if "independence_v" in closures:
        counts &= ~closures["independence_v"].isin(NO_EVIDENCE).to_numpy()
    order = np.flatnonzero(counts)[np.argsort(np.abs(du[counts]), kind="stable")]  # the largest last: it stays
    rise = np.full(len(points), np.nan)
    rise[at[order]] = du[order]
    return np.where(alone, rise, np.nan)


@dataclass(frozen=True, kw_only=True)
class EllipsesLayer(MapLayer):
    """The ellipse of every point that has a coordinate, at the requirement's confidence."""

    name: ClassVar[str] = "ellipses-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "points", "points.geometry", "points.semi_major_m", "points.semi_minor_m", "points.azimuth_deg",
    )  # fmt: skip

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of ellipses; that of a point without one is not drawn."""
        points = frames["points"]
        azimuth = popup.numbers(points, "azimuth_deg")
        columns = {
            "point": np.arange(len(points)),
            "style": ["ellipse"] * len(points),
            "semi_major_m": popup.numbers(points, "semi_major_m"),
            "semi_minor_m": popup.numbers(points, "semi_minor_m"),
            # A circle has no azimuth; any will do.
            "azimuth_deg": np.where(np.isnan(azimuth), 0.0, azimuth),
            "turn_deg": positions.convergence_deg(points, job),
        }
        return (_drawing(columns, points, job),)


def _drawing(columns: Mapping[str, object], points: pd.DataFrame, job: Job) -> Drawing:
    known = popup.numbers(points, "confidence")
    stated = np.unique(known[np.isfinite(known)]).tolist() or [job.requirement.confidence]
    confidence = " or ".join(percent(value) for value in stated)
    about = f"Where a point's true place lies with {confidence} probability, if nothing is wrong."
    style = Style("ellipse", "ellipse", "area", symbology.PLAIN[0], about, symbology.PLAIN[1])
    title = f"Ellipses, {confidence}"
    return Drawing("ellipses", title, columns, (style,), about=about, exaggerated=True, listed=False)


@dataclass(frozen=True, kw_only=True)
class ClosuresLayer(MapLayer):
    """How far, and which way, independent occupations of one point differ: later minus earlier."""

    name: ClassVar[str] = "closures-on-map"
    needs: ClassVar[tuple[str, ...]] = (
        "closures", "closures.status", "occupations", "points", "points.geometry",
    )  # fmt: skip

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of vectors, an independent pair each."""
        closures, points = frames["closures"], frames["points"]
        at = popup.found(points, closures)
        order = np.argsort(at, kind="stable")
        order = order[at[order] >= 0]
        drawn, at = closures.iloc[order], at[order]
        shown = ~drawn["independence_h"].isin(NO_EVIDENCE).to_numpy()
        out = _left_out(drawn, frames["occupations"])
        columns = {
            "point": at,
            "style": np.where(shown, np.where(out, _OUT, popup.combined(_side, drawn["status"]).to_numpy()), ""),
            "east_m": popup.numbers(drawn, "de_m"),
            "north_m": popup.numbers(drawn, "dn_m"),
            "turn_deg": positions.turn_deg(points, job)[at],
        }
        about = "How far a later occupation lies from an earlier, independent one, and which way."
        return (Drawing("vectors", "Closures", columns, _styles(), about=about, exaggerated=True),)


_OUT = "out"


def _left_out(closures: pd.DataFrame, occupations: pd.DataFrame) -> Flags:
    """Return which pairs have an end that the coordinate leaves out, where it rests on others."""
    if "use" not in occupations:
        return np.zeros(len(closures), bool)
    used = popup.combined(lambda use: use.startswith(USED), popup.text(occupations, "use")).to_numpy(bool)
    row = pd.Index(occupations["occupation_id"])
    both = np.logical_and(*(used[row.get_indexer(closures[f"occupation_{end}"])] for end in "ab"))
    rests = set(occupations["point"].to_numpy()[used])
    return ~both & closures["point"].isin(rests).to_numpy()


def _side(status: str) -> str:
    """Return the side of the tolerance a status stands for; a pair not judged counts as within."""
    symbol = symbology.SYMBOLS.get(status)
    return (symbol.tolerance if symbol else None) or "within"


def _styles() -> tuple[Style, ...]:
    plain, strong = symbology.PLAIN, symbology.STRONG
    return (
        Style("within", "within tolerance", "line", plain[0], "", plain[1], 0),
        Style("beyond", "beyond tolerance", "line", strong[0], "", strong[1], 1),
        Style(_OUT, "to or from a fix that was left out", "dash", plain[0], "", plain[1], 0),
    )
