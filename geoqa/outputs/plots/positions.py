"""Where the epochs of a point fell: their states, the averages with their ellipses, the precision as stated."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import covariance, units
from geoqa.core.job import SOLUTIONS
from geoqa.core.units import METRES_PER
from geoqa.outputs.plots import canvas, spots
from geoqa.outputs.symbology import PLAIN, SOLUTION_MARKS, STRONG

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas
    from numpy.typing import NDArray

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job
    from geoqa.outputs.plots.spots import Spot

    Array = NDArray[np.float64]

#: What makes a standard ellipse one at 95 %.
TO_95 = float(covariance.ellipse_factor(0.95))


def figure(frames: Mapping[str, pd.DataFrame], job: Job, point: str, name: str) -> Figure:
    """Return the positions of a point's epochs, to scale."""
    spot = spots.spot(frames, job, point)
    limit = job.role(_role(spot)).tolerance.horizontal_m
    title = f"{canvas.shown(point)}: where its epochs fell"
    fixed = int((spot.state == 0).sum())
    alt = (
        f"East and north of {units.counted(len(spot.state), 'epoch')} of {canvas.shown(point)}, {fixed} fixed, "
        f"and of {units.counted(len(spot.occupations), 'average')}."
    )
    caption = (
        "From the middle of the fixed epochs. Crosses with ellipses: the average of each occupation, 95 %. "
        "Dashed: what the receiver states for one epoch, the median, 95 %. Dotted: the tolerance between two fixes."
    )
    return canvas.figure(
        name, title, alt, caption, lambda empty: _draw(empty, spot, point, limit, job.input.unit), 5.0, 5.5
    )


def _role(spot: Spot) -> str | None:
    roles = spot.occupations["role"].dropna().astype("str")
    return str(roles.iloc[0]) if len(roles) else None


def _draw(empty: Canvas, spot: Spot, point: str, limit: float | None, unit: str) -> None:
    axes = empty.add_subplot()
    axes.set_aspect("equal", adjustable="box")
    factor = METRES_PER[unit]
    place = spot.place[:, :2] / factor
    for k, word in reversed(list(enumerate(SOLUTIONS))):
        mine = (spot.state == k) & np.isfinite(place).all(axis=1)
        if mine.any():
            shape, colour = SOLUTION_MARKS[word]
            look: dict[str, Any] = {
                "marker": canvas.MARKERS[shape],
                "color": colour,
                "fillstyle": "none" if shape == "ring" else "full",
            }
            axes.plot(*place[mine].T, linestyle="none", markersize=3, label=f"n = {mine.sum()} {word}", **look)
    _averages(axes, spot, factor)
    _stated(axes, spot, factor)
    if limit:
        circle = _round(np.array([[limit**2, 0], [0, limit**2]])) / factor
        axes.plot(
            *circle,
            color=PLAIN[0],
            linewidth=0.8,
            linestyle=(0, (1, 2)),
            label=f"tolerance {units.stated(limit, unit)}",
        )
    outside = _frame(axes, spot, limit or 0.0, factor)
    shown = "" if spot.total == len(spot.state) else f", {len(spot.state)} shown"
    beyond = f", {outside} outside the frame" if outside else ""
    axes.set_title(f"{canvas.shown(point)}: {units.counted(spot.total, 'epoch')}{shown}{beyond}")
    axes.set(xlabel=f"east of the middle ({unit})", ylabel=f"north of the middle ({unit})")
    if not np.isfinite(place).all(axis=1).any():
        canvas.say_nothing(axes, "no position")
    elif axes.get_legend_handles_labels()[0]:
        empty.legend(loc="outside lower center", ncols=2)


def _averages(axes: Any, spot: Spot, factor: float) -> None:
    """Draw the average of each occupation with its ellipse at 95 %."""
    colour = STRONG[0]
    var_e, var_n = (spot.occupations[name].to_numpy(dtype=float) ** 2 for name in ("sigma_e_m", "sigma_n_m"))
    both = _tied(spot.occupations)
    good = np.isfinite(spot.centre).all(axis=1)
    if good.any():
        label = f"n = {units.counted(good.sum(), 'average')}, with 95 % ellipses"
        axes.plot(*spot.centre[good].T / factor, "+", color=colour, markersize=9, markeredgewidth=1.5, label=label)
    for k in np.flatnonzero(good & np.isfinite(var_e) & np.isfinite(var_n)).tolist():
        matrix = np.array([[var_e[k], np.nan_to_num(both[k])], [np.nan_to_num(both[k]), var_n[k]]])
        axes.plot(*(TO_95 * _round(matrix) + spot.centre[k][:, None]) / factor, color=colour, linewidth=1.2)


def _stated(axes: Any, spot: Spot, factor: float) -> None:
    """Draw what the receiver states for one fixed epoch, the median, at 95 % about the middle."""
    chosen = spot.epochs[spot.state == 0] if (spot.state == 0).any() else spot.epochs
    sigma_e, sigma_n = (chosen[name].to_numpy(dtype=float) for name in ("sigma_e_m", "sigma_n_m"))
    both = _tied(chosen)
    known = np.isfinite(sigma_e) & np.isfinite(sigma_n)
    if not known.any():
        return
    e, n = np.median(sigma_e[known]), np.median(sigma_n[known])
    tied = np.clip(np.median(np.nan_to_num(both[known]) / (sigma_e[known] * sigma_n[known])), -0.999, 0.999)
    matrix = np.array([[e**2, tied * e * n], [tied * e * n, n**2]])
    c, s = np.cos(spot.turn_rad), np.sin(spot.turn_rad)
    turn = np.array([[c, -s], [s, c]])
    axes.plot(*(TO_95 * _round(turn @ matrix @ turn.T)) / factor, color=PLAIN[0], linewidth=1.2, linestyle="--",
              label="stated for one epoch, 95 %")  # fmt: skip


def _tied(rows: pd.DataFrame) -> Array:
    """Return the covariance of east and north, NaN where none is known."""
    return rows["cov_en_m2"].to_numpy(dtype=float) if "cov_en_m2" in rows else np.full(len(rows), np.nan)


def _round(matrix: Array) -> Array:
    """Return the curve of a covariance at one sigma, shape (2, 73)."""
    major, minor, azimuth = (
        float(v[0]) for v in covariance.ellipse(matrix[:1, 0], matrix[1:, 1], matrix[:1, 1])
    )  # fmt: skip
    angle = np.linspace(0, 2 * np.pi, 73)
    along, across, turn = major * np.cos(angle), minor * np.sin(angle), np.radians(np.nan_to_num(azimuth))
    return np.stack([along * np.sin(turn) + across * np.cos(turn), along * np.cos(turn) - across * np.sin(turn)])


def _frame(axes: Any, spot: Spot, limit: float, factor: float) -> int:
    """Frame what is fixed, or everything where nothing is; return how many epochs stay outside."""
    known = np.isfinite(spot.place[:, :2]).all(axis=1)
    fixed = known & (spot.state == 0)
    wanted = np.abs(spot.place[fixed if fixed.any() else known][:, :2]).max(initial=0.0)
    averages = np.abs(spot.centre[np.isfinite(spot.centre).all(axis=1)]).max(initial=0.0) if fixed.any() else 0.0
    half = 1.15 * max(wanted, averages, limit, 0.005)
    axes.set(xlim=(-half / factor, half / factor), ylim=(-half / factor, half / factor))
    return int((np.abs(spot.place[known][:, :2]) > half).any(axis=1).sum())
