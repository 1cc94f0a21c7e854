"""East and north of the closures between independent fixes, with the tolerance, by status."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import units
from geoqa.core.schema import NO_EVIDENCE, SEVERITY
from geoqa.core.units import METRES_PER
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import PLAIN, SYMBOLS

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas
    from numpy.typing import NDArray

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job

    Array = NDArray[np.float64]

#: More closures than this are drawn once for each such part of the frame, status by status.
MANY, PART = 3000, 1 / 75
#: The frame holds so many tolerances; what lies further out is drawn on its rim.
FRAME = 3.0


def figures(closures: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return the plot of ``closures``, nothing where no two independent fixes of a point were compared."""
    compared = ~closures["independence_h"].astype("str").isin(NO_EVIDENCE).to_numpy()
    place = closures[["de_m", "dn_m"]].to_numpy(dtype=float)
    mine = compared & np.isfinite(place).all(axis=1)
    if not mine.any():
        return ()
    shown = closures[mine]
    place, limits = place[mine], np.unique(shown["tolerance_h_m"].dropna().to_numpy(dtype=float))
    unit, factor = job.input.unit, METRES_PER[job.input.unit]
    n, points = len(shown), shown["point"].nunique()
    beyond = int((np.hypot(*place.T) > shown["tolerance_h_m"].to_numpy(dtype=float)).sum())
    at = units.counted(points, "point")
    title = f"Horizontal closures, n = {n:,} at {at}"
    alt = f"Scatter of {units.counted(n, 'horizontal closure')} at {at}, {beyond} beyond the tolerance."
    caption = (
        "Each mark is the difference of two independent fixes of a point, later minus earlier, with the shape of its "
        "horizontal status. Circles: the tolerance, the smallest and the largest where there are several. Hollow marks "
        "on the rim lie outside the frame, in that direction."
    )
    if n > MANY:
        caption += " Closures that would cover each other are drawn once."
    status = shown["status_h"].astype("str").to_numpy()
    return (
        canvas.figure("closures", "Closures against the tolerance", alt, caption,
                      lambda empty: _draw(empty, place / factor, status, limits / factor, title, unit), 5.2, 5.5),
    )  # fmt: skip


def _draw(empty: Canvas, place: Array, status: Any, limits: Array, title: str, unit: str) -> None:
    axes = empty.add_subplot()
    axes.set_aspect("equal", adjustable="box")
    far = np.hypot(*place.T)
    edge = max(1.1 * float(far.max()), 0.005 / METRES_PER[unit])
    if len(limits):
        edge = max(1.2 * limits[-1], min(edge, FRAME * limits[-1]))
    outside = far > edge
    drawn = np.where(outside[:, None], place * (edge / np.maximum(far, 1e-12))[:, None], place)
    for word in reversed(SEVERITY):
        _marks(axes, drawn, outside, status == word, word, PART * edge if len(far) > MANY else 0.0)
    for limit, dots in zip(limits[[0, -1]] if len(limits) > 1 else limits, ((1, 2), (5, 2)), strict=False):
        angle = np.linspace(0, 2 * np.pi, 181)
        curve = (limit * np.sin(angle), limit * np.cos(angle))
        axes.plot(
            *curve,
            color=PLAIN[0],
            linewidth=1.2,
            linestyle=(0, dots),
            label=f"tolerance {units.plain(limit, 3)} {unit}",
        )
    for line in (axes.axhline, axes.axvline):
        line(0, color=PLAIN[0], linewidth=0.6)
    half = 1.06 * edge
    axes.set(xlim=(-half, half), ylim=(-half, half), xlabel=f"east ({unit})", ylabel=f"north ({unit})")
    axes.set_title(f"{title}\n{outside.sum():,} outside the frame" if outside.any() else title)
    empty.legend(loc="outside lower center", ncols=3)


def _marks(axes: Any, place: Array, outside: Any, mine: Any, word: str, part: float) -> None:
    if not mine.any():
        return
    symbol = SYMBOLS[word]
    hollow = symbol.shape == "ring"
    look = {"linestyle": "none", "marker": canvas.MARKERS[symbol.shape], "color": PLAIN[0] if hollow else symbol.light}
    for rim, size in ((False, 4), (True, 6)):
        there = place[mine & (outside == rim)]
        if part:
            there = there[np.unique(np.round(there / part), axis=0, return_index=True)[1]]
        label = f"n = {mine.sum():,} {word}" if rim == bool(outside[mine].all()) else None
        axes.plot(*there.T, markersize=size, fillstyle="none" if rim or hollow else "full", label=label, **look)
