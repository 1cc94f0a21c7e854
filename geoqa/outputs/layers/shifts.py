"""Shifts on the map: what the occupations of one set-up, file or crew have in common, one arrow each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.arrays import Frames, np, pd
from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import SHIFTS, popup, positions
from geoqa.outputs.layers.positions import first_known, unwrapped

_STYLE = Style("shift", "shared by several occupations", "lozenge", symbology.STRONG[0], "", symbology.STRONG[1], 3)
_ARROW = Style("shift", "what they have too much", "line", symbology.STRONG[0], "", symbology.STRONG[1], 1)


@dataclass(frozen=True, kw_only=True)
class ShiftsLayer(MapLayer):
    """Mark each suspicious shift in the middle of the points that show it, with what they have too much."""

    name: ClassVar[str] = "shifts-on-map"
    needs: ClassVar[tuple[str, ...]] = ("shifts", "shifted", "points", "points.geometry")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return a symbol and a vector for each suspicious shift; nothing where there is none."""
        shifts, shifted, points = frames["shifts"], frames["shifted"], frames["points"]
        suspicious = shifts[shifts["suspicious"].astype(bool)]
        at = popup.found(points, shifted)
        rows = pd.DataFrame(
            {
                "setup": popup.text(shifted, "setup"), "kind": popup.text(shifted, "kind"),
                **{name: values[at] for name, values in _places(points, job).items()},
            }
        )[at >= 0]  # fmt: skip
        middle = rows.groupby(["setup", "kind"], observed=True).median()
        keys = pd.MultiIndex.from_frame(suspicious[["setup", "kind"]].astype("str"))
        middle = middle.reindex(keys)
        if middle["lon_deg"].notna().sum() == 0:
            return ()
        where = {name: middle[name].to_numpy() for name in ("lon_deg", "lat_deg")}
        style = [_STYLE.key] * len(suspicious)
        turn = middle["turn_deg"].to_numpy()
        label = popup.texts(suspicious, "setup")
        vectors = {
            # The way from one point to another is no size of an error.
            **where, "style": np.where(suspicious["kind"] == "name", "", _ARROW.key), "turn_deg": np.nan_to_num(turn),
            "east_m": np.nan_to_num(popup.numbers(suspicious, "de_m")),
            "north_m": np.nan_to_num(popup.numbers(suspicious, "dn_m")),
        }  # fmt: skip
        about = "In the middle of the points that show it: an error that several occupations seem to share."
        return (
            Drawing("symbols", SHIFTS, {**where, "style": style, "label": label}, (_STYLE,), about=about,
                    tables=_tables(suspicious, job), listed=False),
            Drawing("vectors", "Size of shifts", vectors, (_ARROW,), about="What these occupations have too much.",
                    exaggerated=True, listed=False),
        )  # fmt: skip


def _places(points: pd.DataFrame, job: Job) -> dict[str, np.ndarray]:
    at = positions.places(points, job)
    return {
        "lon_deg": unwrapped(at.lon_deg, first_known(at.lon_deg)),
        "lat_deg": at.lat_deg,
        "turn_deg": positions.turn_deg(points, job),
    }


def _tables(shifts: pd.DataFrame, job: Job) -> tuple[Table, ...]:
    plane, height = popup.lengths(job)
    return (
        Table(
            "Shift",
            (
                Cells("of", popup.text(shifts, "setup")),
                Cells("looks like", popup.text(shifts, "looks_like")),
                Cells("evidence", popup.text(shifts, "message")),
                Cells("what to do", popup.text(shifts, "remedy")),
                plane.line("east", popup.numbers(shifts, "de_m"), sign=True),
                plane.line("north", popup.numbers(shifts, "dn_m"), sign=True),
                height.line("up", popup.numbers(shifts, "du_m"), sign=True),
                Cells("points that show it", popup.numbers(shifts, "points"), "number", 0),
            ),
        ),
    )
