"""The share still waiting against time, by canopy class."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import survival
from geoqa.core.schema import WHOLE_SITE
from geoqa.core.wait_contracts import UNTIL_WORDS
from geoqa.outputs.plots import canvas
from geoqa.outputs.symbology import CURVES, PLAIN

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: What has a panel, where it is known.
PANELS = ("hold", "precision", "truth")


def plot(frames: Mapping[str, pd.DataFrame]) -> str:
    """Return the survival curves of ``convergence`` as SVG: a panel a wait, a curve with its bounds a class."""
    attempts = frames["convergence"]
    panels = [until for until in PANELS if attempts[f"{until}_s"].notna().any()] or ["hold"]
    return canvas.drawn(lambda figure: _draw(figure, attempts, panels), 6.4, 1.0 + 2.9 * len(panels))


def _draw(figure: Figure, attempts: pd.DataFrame, panels: list[str]) -> None:
    figure.suptitle(f"Waiting for a solution, {len(attempts)} attempts (bounds: 95 %, crosses: given up)", fontsize=10)
    for axes, until in zip(figure.subplots(len(panels), 1, squeeze=False)[:, 0], panels, strict=True):
        _panel(axes, attempts[attempts[f"{until}_s"].notna()], until)


def _panel(axes: Any, attempts: pd.DataFrame, until: str) -> None:
    named = sorted(set(attempts["canopy"].dropna().astype("str"))) or [WHOLE_SITE]
    for k, canopy in enumerate(named):
        mine = attempts if canopy == WHOLE_SITE else attempts[attempts["canopy"].astype("str") == canopy]
        _curve(axes, mine, until, canopy, CURVES[k % len(CURVES)])
    if attempts.empty:
        canvas.say_nothing(axes, "no attempt at a fix in these logs")
    else:
        axes.legend(loc="upper right")
    for share in (0.5, 0.1):
        axes.axhline(share, color=PLAIN[0], linewidth=0.7, linestyle=(0, (1, 3)))
    axes.set(ylim=(0, 1.03), xlabel="time from the begin of the attempt (s)", ylabel="share still waiting")
    axes.set_xlim(left=0)
    axes.set_title(f"until {UNTIL_WORDS[until]}")


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
    label = f"n = {len(seconds)}, {given_up} given up: {canvas.shown(canopy)}"
    axes.fill_between(time, low, high, step="post", color=colour, alpha=0.12, linewidth=0)
    axes.step(time, waiting, where="post", color=colour, linestyle=dashes, linewidth=1.6, label=label)
    cut = np.sort(seconds[~reached])
    axes.plot(cut, waiting[np.searchsorted(time, cut, "right") - 1], "+", color=colour, markersize=7)
