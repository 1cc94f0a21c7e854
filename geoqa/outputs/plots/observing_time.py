"""Waits for a fix, and what averages spread against their length, by canopy class."""

from __future__ import annotations

from typing import Any

from geoqa.core import units
from geoqa.core.arrays import np, pd
from geoqa.core.frames.logs import UNTIL_WORDS
from geoqa.core.frames.schema import WHOLE_SITE
from geoqa.core.job import Job
from geoqa.core.statistics import curves
from geoqa.core.steps import Figure
from geoqa.outputs.plots import style
from geoqa.outputs.symbology import CURVES, PLAIN

#: What has a panel, where it is known.
PANELS = ("hold", "precision", "truth")


def _of_classes(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that have a canopy class; where none has one, all under the whole site's name."""
    labelled = table["canopy"].notna()
    return table[labelled] if labelled.any() else table.assign(canopy=WHOLE_SITE)


def waits_figures(attempts: pd.DataFrame) -> tuple[Figure, ...]:
    """Return the survival curves of ``convergence``: a panel a wait, a curve with its bounds a class."""
    if attempts.empty:
        return ()
    panels = [until for until in PANELS if attempts[f"{until}_s"].notna().any()] or ["hold"]
    attempts = _of_classes(attempts)
    named = sorted(set(attempts["canopy"].astype("str")))
    return tuple(
        _waits_figure(attempts, panels, part, f"waits{more}") for more, part in style.groups_of(named, len(CURVES))
    )


def _waits_figure(attempts: pd.DataFrame, panels: list[str], named: list[str], name: str) -> Figure:
    mine = attempts[attempts["canopy"].astype("str").isin(named)]
    reached = int(mine["hold_reached"].sum())
    listed = ", ".join(style.shown(canopy) for canopy in named)
    alt = (
        f"Share of attempts still waiting for a solution against time, for {listed}: {reached} of {len(mine)} attempts "
        "came to a fix that held."
    )
    caption = (
        "Kaplan-Meier curves with pointwise 95 % bounds; crosses: attempts that were given up or cut off by then. "
        "Dotted: half and nine in ten are there."
    )
    return style.figure(
        name,
        "Waiting for a solution",
        alt,
        caption,
        lambda empty: _draw_waits(empty, mine, panels, named),
        6.4,
        0.8 + 2.4 * len(panels),
    )


def _draw_waits(empty: Any, attempts: pd.DataFrame, panels: list[str], named: list[str]) -> None:
    empty.suptitle(
        f"Waiting for a solution, n = {units.counted(len(attempts), 'attempt')} (bounds: 95 %, crosses: given up)",
        fontsize=10,
    )
    for axes, until in zip(empty.subplots(len(panels), 1, squeeze=False)[:, 0], panels, strict=True):
        _panel(axes, attempts[attempts[f"{until}_s"].notna()], until, named)


def _panel(axes: Any, attempts: pd.DataFrame, until: str, named: list[str]) -> None:
    for k, canopy in enumerate(named):
        _curve(axes, attempts[attempts["canopy"].astype("str") == canopy], until, canopy, CURVES[k])
    for share in (0.5, 0.1):
        axes.axhline(share, color=PLAIN[0], linewidth=0.9, linestyle=(0, (1, 3)))
    axes.set(ylim=(0, 1.03), xlabel="time from the begin of the attempt (s)", ylabel="share still waiting (1)")
    axes.set_xlim(left=0)
    axes.set_title(f"until {UNTIL_WORDS[until]}")
    if attempts.empty:
        style.say_nothing(axes, "not known for these classes")
    else:
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _curve(axes: Any, attempts: pd.DataFrame, until: str, canopy: str, look: tuple[str, str, str]) -> None:
    colour, dashes, _ = look
    seconds = attempts[f"{until}_s"].to_numpy(dtype=float)
    reached = attempts[f"{until}_reached"].to_numpy(dtype=bool)
    if not len(seconds):
        return
    curve = curves.survival_curve(seconds, reached)
    time, waiting, low, high = (
        np.concatenate([[first], values])
        for first, values in ((0.0, curve.time), (1.0, curve.waiting), (1.0, curve.low), (1.0, curve.high))
    )
    given_up = int((~reached).sum())
    # A label that begins with an underscore would be left out of the key.
    label = f"n = {len(seconds)}, {given_up} given up:\n{style.shown(canopy, 24)}"
    axes.fill_between(time, low, high, step="post", color=colour, alpha=0.12, linewidth=0)
    axes.step(time, waiting, where="post", color=colour, linestyle=dashes, linewidth=1.6, label=label)
    cut = np.sort(seconds[~reached])
    axes.plot(cut, waiting[np.searchsorted(time, cut, "right") - 1], "+", color=colour, markersize=7)


def durations_figures(table: pd.DataFrame, job: Job) -> tuple[Figure, ...]:
    """Return the curves of ``durations``: spread above, effective epochs below."""
    table = _of_classes(table)
    named = list(dict.fromkeys(table["canopy"].astype("str")))
    if table.empty:
        return ()
    return tuple(
        _durations_figure(table, job, part, f"durations{more}") for more, part in style.groups_of(named, len(CURVES))
    )


def _durations_figure(table: pd.DataFrame, job: Job, named: list[str], name: str) -> Figure:
    listed = ", ".join(style.shown(canopy) for canopy in named)
    alt = f"Spread of averages of fixed epochs against how long they are, and what they are worth, for {listed}."
    caption = (
        "Filled: spread across the fixes of a point. Hollow: under one fix, where what the whole fix is off does not "
        "show. Pale band: no longer average that was seen spreads less by a tenth. The tolerance is for the distance "
        "between two fixes."
    )
    return style.figure(name, "How long is enough", alt, caption,
                         lambda empty: _draw_durations(empty, table, job, named), 6.4, 7.0)  # fmt: skip


def _draw_durations(empty: Any, table: pd.DataFrame, job: Job, named: list[str]) -> None:
    spread, worth = empty.subplots(2, 1, sharex=True, height_ratios=(3, 1.4))
    unit, factor = style.small(job.grid.unit)
    for k, canopy in enumerate(named):
        _curves(spread, worth, table[table["canopy"].astype("str") == canopy], canopy, CURVES[k], factor)
    tolerance = job.tolerance.horizontal_m
    if tolerance:
        label = f"horizontal tolerance {units.small(tolerance, job.grid.unit)}"
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
    marker = style.MARKERS[shape]
    length = rows["duration_s"].to_numpy(dtype=float)
    across, own = (rows[name].to_numpy(dtype=float) / factor for name in ("spread_h_m", "same_fix_h_m"))
    n, compared = int(rows["fixes"].max()), int(rows["fixes_compared"].max())
    label = f"n = {n} {'fix' if n == 1 else 'fixes'}, {compared} compared: {style.shown(canopy)}"
    common = {"color": colour, "marker": marker, "markersize": 5}
    spread.plot(length, own, linestyle=":", linewidth=0.9, fillstyle="none", **common)
    spread.plot(length, across, linestyle=dashes, linewidth=1.5, label=label, **common)
    flat = rows["flat"].to_numpy(dtype=bool)
    spread.plot(length[flat], across[flat], color=colour, linewidth=5, alpha=0.35, solid_capstyle="butt")
    worth.plot(length, rows["effective_epochs"].to_numpy(dtype=float), linestyle=dashes, linewidth=1.2, **common)
