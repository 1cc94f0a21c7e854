"""What averages spread against how long they are, by canopy class, with the tolerance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoqa.core import units
from geoqa.core.schema import WHOLE_SITE
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas

    from geoqa.core.figure import Figure
    from geoqa.core.job import Job


def figures(table: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return the curves of ``durations``: spread above, effective epochs below."""
    named = [name for name in dict.fromkeys(table["canopy"].astype("str")) if name != WHOLE_SITE] or [WHOLE_SITE]
    if table.empty:
        return ()
    return tuple(_figure(table, job, part, f"durations{more}") for more, part in canvas.groups_of(named, len(CURVES)))


def _figure(table: pd.DataFrame, job: Job, named: list[str], name: str) -> Figure:
    listed = ", ".join(canvas.shown(canopy) for canopy in named)
    alt = f"Spread of averages of fixed epochs against how long they are, and what they are worth, for {listed}."
    caption = (
        "Filled: spread across the fixes of a point. Hollow: under one fix, where what the whole fix is off does not "
        "show. Pale band: no longer average that was seen spreads less by a tenth. The tolerance is for the distance "
        "between two fixes."
    )
    return canvas.figure(name, "How long is enough", alt, caption,
                         lambda empty: _draw(empty, table, job, named), 6.4, 7.0)  # fmt: skip


def _draw(empty: Canvas, table: pd.DataFrame, job: Job, named: list[str]) -> None:
    spread, worth = empty.subplots(2, 1, sharex=True, height_ratios=(3, 1.4))
    unit, factor = canvas.small(job.input.unit)
    for k, canopy in enumerate(named):
        _curves(spread, worth, table[table["canopy"].astype("str") == canopy], canopy, CURVES[k], factor)
    tolerance = job.tolerance.horizontal_m
    if tolerance:
        label = f"horizontal tolerance {units.small(tolerance, job.input.unit)}"
        spread.axhline(tolerance / factor, color=PLAIN[0], linewidth=1.2, label=label)
    spread.set_title("Averages of fixed epochs")
    spread.set_ylabel(f"spread per horizontal axis ({unit})")
    worth.set(xlabel="length of the average (s)", ylabel="independent epochs (1)")
    spread.set(xscale="log", yscale="log")
    for axis in (spread.xaxis, spread.yaxis):
        _plain_numbers(axis)
    worth.set_ylim(bottom=0)
    words = (
        "filled: across the fixes of a point; hollow: under one fix;\n"
        "pale band: no longer average that was seen spreads less by a tenth"
    )
    handles, labels = spread.get_legend_handles_labels()
    empty.legend(handles, labels, loc="outside lower center", title=words, title_fontsize=8)


def _plain_numbers(axis: Any) -> None:
    """Write 1, 2, 5, 10 ... along a logarithmic axis, not powers of ten."""
    from matplotlib import ticker

    axis.set_major_locator(ticker.LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(ticker.FormatStrFormatter("%g"))
    axis.set_minor_formatter(ticker.NullFormatter())


def _curves(
    spread: Any, worth: Any, rows: pd.DataFrame, canopy: str, look: tuple[str, str, str], factor: float
) -> None:
    if rows.empty:
        return
    colour, dashes, shape = look
    marker = canvas.MARKERS[shape]
    length = rows["duration_s"].to_numpy(dtype=float)
    across, own = (rows[name].to_numpy(dtype=float) / factor for name in ("spread_h_m", "same_fix_h_m"))
    n, compared = int(rows["fixes"].max()), int(rows["fixes_compared"].max())
    label = f"n = {n} {'fix' if n == 1 else 'fixes'}, {compared} compared: {canvas.shown(canopy)}"
    common = {"color": colour, "marker": marker, "markersize": 5}
    spread.plot(length, own, linestyle=":", linewidth=0.9, fillstyle="none", **common)
    spread.plot(length, across, linestyle=dashes, linewidth=1.5, label=label, **common)
    flat = rows["flat"].to_numpy(dtype=bool)
    spread.plot(length[flat], across[flat], color=colour, linewidth=5, alpha=0.35, solid_capstyle="butt")
    worth.plot(length, rows["effective_epochs"].to_numpy(dtype=float), linestyle=dashes, linewidth=1.2, **common)
