"""Behind the table of the field sheet: why a point is on it, where it is, how often a visit helped, room to write."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoqa.outputs.field import sketch
from geoqa.outputs.field.listing import coordinates
from geoqa.outputs.field.stops import titled
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

_LONGEST = {"point": 40, "role": 24, "reason": 260}


def table(shown: pd.DataFrame, job: Job) -> list[str]:
    """Return the table as HTML, group by group in walking order; of a long walk each group has its sketch.

    Parameters
    ----------
    shown
        Rows of `revisits` in walking order.
    """
    places = [" ".join(place) for place in zip(*coordinates(shown, job, 1).values(), strict=True)]
    lines = [
        '<table class="details"><colgroup><col class="n"><col class="p"><col><col class="h"><col class="e"><col '
        'class="r"></colgroup><thead><tr><th>No.</th><th>Point</th><th>Why</th><th>Worked at</th><th>Place</th>'
        "<th>Notes</th></tr></thead><tbody>",
    ]
    parts = dict(list(shown.groupby("group"))) if len(shown) > sketch.MANY else {}
    group = None
    for row in shown.assign(place=places).to_dict("records"):
        if parts and row["group"] != group:
            group = row["group"]
            lines.append(_heading(str(group), parts[group], job))
        lines.append(_line(row))
    return [*lines, "</tbody></table>"]


def _heading(group: str, part: pd.DataFrame, job: Job) -> str:
    first, last = part["walk"].iloc[[0, -1]]
    numbers = f"numbers {first} to {last}" if last > first else f"number {first}"
    drawn = sketch.area(part, job.input.unit) if len(part) > 2 else ""
    return f'<tr><th colspan="6">{map_text(titled(group))}, {numbers}{drawn}</th></tr>'


def _line(row: dict[str, Any]) -> str:
    role = f", {map_text(cut(row['role'], _LONGEST['role']))}" if isinstance(row["role"], str) else ""
    # Who and when is suspected stands on the first page.
    reason, suspected, what = str(row["reason"]).partition("; suspected: ")
    why = titled(f"{reason}{suspected}{what.partition(' (')[0]}", _LONGEST["reason"])
    chance = f"{round(row['chance'] * row['chance_n'])} of {row['chance_n']}" if row["chance"] == row["chance"] else "–"
    return (
        f"<tr><td>{row['walk']}</td><td><b>{map_text(cut(str(row['point']), _LONGEST['point']))}</b>{role}</td>"
        f"<td>{map_text(why)}</td><td>{chance}</td><td>{map_text(row['place'])}</td><td></td></tr>"
    )
