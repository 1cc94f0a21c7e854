"""The table of the field sheet: a line for each point somebody goes to, in walking order, with a box to tick."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from geoqa.core import clock
from geoqa.core.units import duration, walked
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

_WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_LONGEST = {"point": 40, "canopy": 24, "zone": 30, "from": 30}
#: Headings of a line, with the class that sets each one's width.
_HEADS = (
    ("n", "No."), ("b", "Done"), ("p", "Point"), ("c", "Cover"), ("y", "Way"), ("w", "What to do"), ("t", "When"),
    ("o", "Observe"), ("s", "Stop after"),
)  # fmt: skip


def table(shown: pd.DataFrame, until: Any, job: Job) -> list[str]:
    """Return the table as HTML: where one group ends and the next begins the line is thick.

    Parameters
    ----------
    shown
        Rows of `revisits` in walking order.
    until
        When the site's last occupation ended, a time or null: what was before has passed.
    """
    columns = "".join(f'<col class="{name}">' for name, _ in _HEADS)
    heads = "".join(f"<th>{words}</th>" for _, words in _HEADS)
    lines = [f'<table class="stops"><colgroup>{columns}</colgroup><thead><tr>{heads}</tr></thead><tbody>']
    group, before = None, 0
    for row in shown.to_dict("records"):
        begins = row["group"] != group
        group = row["group"]
        cells = (
            ("n", f'<span class="number">{row["walk"]}</span>'),
            ("b", '<span class="box"></span>'),
            ("p", f'<span class="name">{map_text(cut(str(row["point"]), _LONGEST["point"]))}</span>'),
            ("c", map_text(cut(row["canopy"], _LONGEST["canopy"])) if isinstance(row["canopy"], str) else ""),
            ("y", _way(row, before, job)),
            ("w", _what(row)),
            ("t", _when(row, until, job)),
            ("o", spell(row["observe_s"])),
            ("s", f"{row['give_up_after']} more" if row["give_up_after"] else "–"),
        )
        lines.append(
            f'<tr class="{"first" if begins else "on"}">'
            + "".join(f'<td class="{name}">{text}</td>' for name, text in cells)
            + "</tr>"
        )
        before = row["walk"]
    return [*lines, "</tbody></table>"]


def _way(row: dict[str, Any], before: int, job: Job) -> str:
    """Return length and direction of the way, and where it begins if not at the row before, number `before`."""
    azimuth = row["walk_azimuth_deg"]
    wind = "" if azimuth != azimuth else f" {_WINDS[round(azimuth / 45) % 8]}"
    begins = row["walk"] != before + 1
    came = f" from {map_text(cut(str(row['walk_from']), _LONGEST['from']))}" if begins else ""
    return f"{walked(row['walk_m'], job.input.unit)}{wind}{came}"


def _what(row: dict[str, Any]) -> str:
    """Return the action, and the problem zone the point lies in."""
    zone = f", {map_text(cut(row['zone'], _LONGEST['zone']))}" if isinstance(row["zone"], str) else ""
    return f"<b>{map_text(titled(row['action']))}</b>{zone}"


def _when(row: dict[str, Any], until: Any, job: Job) -> str:
    """Return from when, and when not; a dash where nothing is observed, words where the times are not known."""
    if not row["give_up_after"]:
        return "–"
    earliest = row["earliest_utc"]
    if earliest != earliest:
        return "time unknown"
    later = not earliest <= until  # an unknown end compares false
    told = [f"<b>from {local(earliest, job)}</b>"] if later else []
    if row["avoid_from_utc"] == row["avoid_from_utc"]:
        begin = local(row["avoid_from_utc"], job)
        told.append(f"not {begin} to {local(row['avoid_to_utc'], job, day=False)}")
    return ", ".join(told) or "any time"


def titled(text: Any, longest: int = 60) -> str:
    """Return text with a capital letter in front, cut to a length."""
    shown = cut(str(text), longest)
    return shown[:1].upper() + shown[1:]


def local(when: Any, job: Job, *, day: bool = True, year: bool = False) -> str:
    """Return a time in the job's time zone: Wed 11 Feb 09:06."""
    at = when.tz_convert(clock.of(job))
    return f"{at:%a} {at.day} {at:%b}{f' {at:%Y}' if year else ''} {at:%H:%M}" if day else f"{at:%H:%M}"


def spell(seconds: float) -> str:
    """Return a length of time in words; a dash for none."""
    return duration(seconds) if seconds > 0 else "–"
