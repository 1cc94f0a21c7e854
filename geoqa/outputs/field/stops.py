"""The table of the field sheet: each point somebody goes to, with all the crew has to know and room to write."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core.revisit_contracts import OTHER_METHOD, SECOND, VISITS
from geoqa.outputs.field import sketch
from geoqa.outputs.field.listing import coordinates
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

_WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_LONGEST = {"name": 60, "cover": 40, "reason": 260, "from": 30}


def table(shown: pd.DataFrame, until: Any, job: Job) -> list[str]:
    """Return the table as HTML, group by group in walking order.

    Parameters
    ----------
    shown
        Rows of `revisits` in walking order.
    until
        When the site's last occupation ended, a time or null: what was before has passed.
    """
    places = list(zip(*coordinates(shown, job, 1).values(), strict=True))
    rows = shown.assign(place=[" ".join(place) for place in places]).to_dict("records")
    lines = [
        '<table class="stops"><colgroup><col class="n"><col class="p"><col><col class="w"><col class="o"></colgroup>',
        "<thead><tr><th>No.</th><th>Point, way from the one before</th><th>What to do, and why</th>"
        "<th>When, how long</th><th>Notes</th></tr></thead><tbody>",
    ]
    last = shown.groupby("group")["walk"].max()
    drawn = {group: sketch.area(part, job.input.unit) for group, part in shown.groupby("group") if len(part) > 2}
    drawn = drawn if len(shown) > sketch.MANY else {}
    group, before = None, 0
    for row in rows:
        if row["group"] != group:
            group = row["group"]
            numbers = (
                f"numbers {row['walk']} to {last[group]}" if last[group] > row["walk"] else f"number {row['walk']}"
            )
            lines.append(
                f'<tr><th colspan="5">{map_text(titled(group, 60))}, {numbers}{drawn.get(group, "")}</th></tr>'
            )
        lines.append(
            f'<tr><td><span class="number">{row["walk"]}</span><span class="box"></span></td>'
            f"<td>{_where(row, before, job)}</td><td>{_what(row)}</td><td>{_when(row, until, job)}</td><td></td></tr>"
        )
        before = row["walk"]
    return [*lines, "</tbody></table>"]


def _where(row: dict[str, Any], before: int, job: Job) -> str:
    """Return name, cover, way and coordinates; where the way begins unless at the row before, number `before`."""
    about = ", ".join(str(row[c]) for c in ("role", "canopy") if isinstance(row[c], str) and row[c])
    azimuth = row["walk_azimuth_deg"]
    wind = "" if azimuth != azimuth else f" {_WINDS[round(azimuth / 45) % 8]} ({azimuth:.0f}°)"
    begins = before == 0 or row["walk"] != before + 1
    came = f" from {map_text(cut(str(row['walk_from']), _LONGEST['from']))}" if begins else ""
    return (
        f'<span class="name">{map_text(cut(str(row["point"]), _LONGEST["name"]))}</span>'
        f"{map_text(cut(about, _LONGEST['cover']))}"
        f'<span class="figure"><b>{far(row["walk_m"], job)}{wind}</b>{came}</span>'
        f'<span class="figure">{map_text(row["place"])}</span>'
    )


def _what(row: dict[str, Any]) -> str:
    nth = f", visit {row['tries'] + 1}" if row["action"] in VISITS and row["action"] != SECOND else ""
    # Who and when is suspected stands on the first page.
    reason, suspected, what = str(row["reason"]).partition("; suspected: ")
    why = titled(f"{reason}{suspected}{what.partition(' (')[0]}", _LONGEST["reason"])
    return f'<span class="action">{map_text(titled(row["action"]))}</span>{nth}<span class="why">{map_text(why)}</span>'


def _when(row: dict[str, Any], until: Any, job: Job) -> str:
    """Return how long, from when, not when, how often it helped, and when to stop."""
    if row["action"] == OTHER_METHOD:
        return '<span class="figure">No more visits with the receiver</span>'
    told = []
    if row["observe_s"] == row["observe_s"]:
        told.append(f"Observe <b>{spell(row['observe_s'])}</b>")
    if row["earliest_utc"] == row["earliest_utc"]:
        later = not row["earliest_utc"] <= until  # an unknown end compares false
        told += [f"From <b>{local(row['earliest_utc'], job)}</b>"] if later else []
    if row["avoid_from_utc"] == row["avoid_from_utc"]:
        begin = local(row["avoid_from_utc"], job)
        told.append(f"Not {begin} to {local(row['avoid_to_utc'], job, day=False)}")
    if row["chance"] == row["chance"]:
        told.append(f"Worked at {round(row['chance'] * row['chance_n'])} of {row['chance_n']}")
    if row["give_up_after"]:
        told.append(f"Give up after {row['give_up_after']} more")
    return "".join(f'<span class="figure">{text}</span>' for text in told)


def titled(text: Any, longest: int = 60) -> str:
    """Return text with a capital letter in front, cut to a length."""
    shown = cut(str(text), longest)
    return shown[:1].upper() + shown[1:]


def local(when: Any, job: Job, *, day: bool = True, year: bool = False) -> str:
    """Return a time in the job's time zone: Wed 11 Feb 09:06."""
    at = when.tz_convert(job.input.timezone or "UTC")
    return f"{at:%a} {at.day} {at:%b}{f' {at:%Y}' if year else ''} {at:%H:%M}" if day else f"{at:%H:%M}"


def zone(job: Job) -> str:
    """Return which time zone times are told in."""
    return f"in the time zone {job.input.timezone}" if job.input.timezone else "in UTC"


def far(metres: float, job: Job) -> str:
    """Return a length for walking, in whole units of the job; kilometres from two on."""
    if job.input.unit == "m":
        return f"{metres / 1000:.1f} km" if metres >= 2000 else f"{metres:.0f} m"
    return f"{metres / job.input.metres_per_unit:,.0f} ft"


def spell(seconds: float) -> str:
    """Return a length of time in words: 40 s, 3 min 20 s, 1 h 5 min; a dash for none."""
    whole = int(np.round(seconds)) if seconds == seconds else 0
    if whole < 60:
        return f"{whole} s" if whole else "–"
    if whole < 3600:
        return f"{whole // 60} min" + (f" {whole % 60} s" if whole % 60 else "")
    return f"{whole // 3600} h" + (f" {whole % 3600 // 60} min" if whole % 3600 // 60 else "")
