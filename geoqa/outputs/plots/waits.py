"""The share still waiting against time, by canopy class."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import survival, units
from geoqa.core.schema import WHOLE_SITE
from geoqa.core.wait_contracts import UNTIL_WORDS
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure as Canvas

    from geoqa.core.figure import Figure

#: What has a panel, where it is known.
PANELS = ("hold", "precision", "truth")


def figures(attempts: pd.DataFrame) -> tuple[Figure, ...]:
    """Return the survival curves of ``convergence``: a panel a wait, a curve with its bounds a class."""
    if attempts.empty:
        return ()
    panels = [until for until in PANELS if attempts[f"{until}_s"].notna().any()] or ["hold"]
    named = sorted(set(attempts["canopy"].dropna().astype("str"))) or [WHOLE_SITE]
    return tuple(_figure(attempts, panels, part, f"waits{more}") for more, part in canvas.groups_of(named, len(CURVES)))


def _figure(attempts: pd.DataFrame, panels: list[str], named: list[str], name: str) -> Figure:
    mine = attempts if named == [WHOLE_SITE] else attempts[attempts["canopy"].astype("str").isin(named)]
    reached = int(mine["hold_reached"].sum())
    listed = ", ".join(canvas.shown(canopy) for canopy in named)
    alt = (
        f"Share of attempts still waiting for a solution against time, for {listed}: {reached} of {len(mine)} attempts "
        "came to a fix that held."
    )
    caption = (
        "Kaplan-Meier curves with pointwise 95 % bounds; crosses: attempts that were given up or cut off by then. "
        "Dotted: half and nine in ten are there."
    )
    return canvas.figure(name, "Waiting for a solution", alt, caption,
                         lambda empty: _draw(empty, mine, panels, named), 6.4, 0.8 + 2.4 * len(panels))  # fmt: skip


def _draw(empty: Canvas, attempts: pd.DataFrame, panels: list[str], named: list[str]) -> None:
    empty.suptitle(
        f"Waiting for a solution, n = {units.counted(len(attempts), 'attempt')} (bounds: 95 %, crosses: given up)",
        fontsize=10,
    )
    for axes, until in zip(empty.subplots(len(panels), 1, squeeze=False)[:, 0], panels, strict=True):
        _panel(axes, attempts[attempts[f"{until}_s"].notna()], until, named)


def _panel(axes: Any, attempts: pd.DataFrame, until: str, named: list[str]) -> None:
    for k, canopy in enumerate(named):
        mine = attempts if canopy == WHOLE_SITE else attempts[attempts["canopy"].astype("str") == canopy]
        _curve(axes, mine, until, canopy, CURVES[k])
    for share in (0.5, 0.1):
        axes.axhline(share, color=PLAIN[0], linewidth=0.9, linestyle=(0, (1, 3)))
    axes.set(ylim=(0, 1.03), xlabel="time from the begin of the attempt (s)", ylabel="share still waiting (1)")
    axes.set_xlim(left=0)
    axes.set_title(f"until {UNTIL_WORDS[until]}")
    if attempts.empty:
        canvas.say_nothing(axes, "not known for these classes")
    else:
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0))


def _curve(axes: Any, attempts: pd.DataFrame, until: str, canopy: str, look: tuple[str, str, str]) -> None:
    colour, dashes, _ = look
    seconds = attempts[f"{until}_s"].to_numpy(dtype=float)
    reached = attempts[f"{until}_reached"].to_numpy(dtype=bool)
    if not len(seconds):
        return
    curve = survival.curve(seconds, reached)
    time, waiting, low, high = (
        np.concatenate([[first], values])
        for first, values in ((0.0, curve.time), (1.0, curve.waiting), (1.0, curve.low), (1.0, curve.high))
    )
    given_up = int((~reached).sum())
    # A label that begins with an underscore would be left out of the key.
    label = f"n = {len(seconds)}, {given_up} given up:\n{canvas.shown(canopy, 24)}"
    axes.fill_between(time, low, high, step="post", color=colour, alpha=0.12, linewidth=0)
    axes.step(time, waiting, where="post", color=colour, linestyle=dashes, linewidth=1.6, label=label)
    cut = np.sort(seconds[~reached])
    axes.plot(cut, waiting[np.searchsorted(time, cut, "right") - 1], "+", color=colour, markersize=7)
