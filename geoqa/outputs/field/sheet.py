"""revisits.html: the field sheet, all a crew must know on its first page; what stands behind it follows."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoqa.core import clock
from geoqa.core.arrays import Frames, Index, np, pd
from geoqa.core.frames import wording
from geoqa.core.frames.revisits import ACCEPT, ACTIONS, CHECK_RECORDS
from geoqa.core.job import Job
from geoqa.core.units import counted, duration, length, walked
from geoqa.outputs import csv_tables, offline
from geoqa.outputs.field import walk
from geoqa.outputs.header import CAUTIONS, FIELD_CAUTIONS, FINDING_ONLY
from geoqa.outputs.text import cut, map_text

#: What is done at every point.
HOW = (
    "Read the mark's number. Plumb the pole; measure and enter the antenna height anew.",
    "Fresh initialization: make the receiver drop its fix and find a new one. Reconnecting the data link does "
    "not count.",
    "Wait until it is fixed and has settled, observe as long as stated, store under the same name, tick.",
)
AGAIN = (
    "Have the day's data reviewed before you leave. Where visits disagree again, come back as often as “Stop after” "
    "says, then no more: the point is tied to two control points set in the open, by offset or traverse."
)
#: How to read a column, by its heading.
WHEN = "before that time the errors of its last visit are still there."
NOT = "“Not”: then the satellites stand as they did at the last visit, each day later 4 minutes earlier."
UNTOLD = "a dash: nothing on this site tells how long; not shorter than the visits before."


#: Points named of a zone.
MOST_ZONES = 6


def zone_notice(frames: Frames, job: Job) -> list[str]:
    """Return a box that names such zones and what settles them, as HTML; nothing where there is none.

    Parameters
    ----------
    frames
        ``zones`` and ``points``; `points.zone` where there are zones.
    """
    if "zones" not in frames or "zone" not in frames["points"]:
        return []
    points = frames["points"]
    lines = []
    for zone in frames["zones"].drop(columns="geometry").to_dict("records"):
        mine = (points["zone"] == zone["zone"]) & (points["deliver"] == "yes")
        if not zone["rests_on_direction"] or not mine.any():
            continue
        names = points.loc[mine, "point"].astype("str").tolist()
        told = ", ".join(map_text(cut(name, 24)) for name in names[:MOST_ZONES])
        more = f" and {len(names) - MOST_ZONES:,} more" if len(names) > MOST_ZONES else ""
        away = length(float(np.hypot(zone["bias_e_m"], zone["bias_n_m"])), job.grid.unit)
        lines.append(
            f"<li>{map_text(zone['zone'])}, by {away} ({map_text(cut(zone['bias_of'], 60))}): {told}{more}</li>"
        )
    if not lines:
        return []
    return [
        '<div class="boxed"><h2>Off together, though their visits agree</h2><ul>',
        *lines,
        "</ul><p>One more visit does not show which is right: tie a point of each to control in the open, or observe "
        "it from another base.</p></div>",
    ]


_WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
_LONGEST = {"point": 40, "canopy": 24, "zone": 30, "from": 30}
#: Headings of a line, with the class that sets each one's width.
_HEADS = (
    ("n", "No."), ("b", "Done"), ("p", "Point"), ("c", "Cover"), ("y", "Way"), ("w", "What to do"), ("t", "When"),
    ("o", "Observe"), ("s", "Stop after"),
)  # fmt: skip


def stops_table(shown: pd.DataFrame, until: Any, job: Job) -> list[str]:
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
    for row in shown.assign(canopy=wording.cover(shown)).to_dict("records"):
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
    return f"{walked(row['walk_m'], job.grid.unit)}{wind}{came}"


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
    at = when.tz_convert(clock.zone_of(job))
    return f"{at:%a} {at.day} {at:%b}{f' {at:%Y}' if year else ''} {at:%H:%M}" if day else f"{at:%H:%M}"


def spell(seconds: float) -> str:
    """Return a length of time in words; a dash for none."""
    return duration(seconds) if seconds > 0 else "–"


_LONGEST_DETAIL = {"point": 40, "role": 24, "reason": 260}


def details_table(shown: pd.DataFrame, job: Job) -> list[str]:
    """Return the table as HTML, group by group in walking order; of a long walk each group has its sketch.

    Parameters
    ----------
    shown
        Rows of `revisits` in walking order.
    """
    east, north = (csv_tables.field("revisits", shown, name, job, 1).written() for name in csv_tables.DEGREES)
    places = [f"{first} {second}" for first, second in zip(east, north, strict=True)]
    lines = [
        '<table class="details"><colgroup><col class="n"><col class="p"><col><col class="h"><col class="e"><col '
        'class="r"></colgroup><thead><tr><th>No.</th><th>Point</th><th>Why</th><th>Worked at</th><th>Place</th>'
        "<th>Notes</th></tr></thead><tbody>",
    ]
    parts = dict(list(shown.groupby("group"))) if len(shown) > walk.MANY else {}
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
    drawn = walk.area(part, job.grid.unit) if len(part) > 2 else ""
    return f'<tr><th colspan="6">{map_text(titled(group))}, {numbers}{drawn}</th></tr>'


def _line(row: dict[str, Any]) -> str:
    role = f", {map_text(cut(row['role'], _LONGEST_DETAIL['role']))}" if isinstance(row["role"], str) else ""
    # Who and when is suspected stands on the first page.
    suspected = f"; suspected: {row['looks_like']}" if isinstance(row["looks_like"], str) else ""
    why = titled(f"{row['finding']}{suspected}", _LONGEST_DETAIL["reason"])
    chance = f"{round(row['chance'] * row['chance_n'])} of {row['chance_n']}" if row["chance"] == row["chance"] else "–"
    return (
        f"<tr><td>{row['walk']}</td><td><b>{map_text(cut(str(row['point']), _LONGEST_DETAIL['point']))}</b>{role}</td>"
        f"<td>{map_text(why)}</td><td>{chance}</td><td>{map_text(row['place'])}</td><td></td></tr>"
    )


#: Points on a sheet at most, those most in need; a longer one nobody carries.
MOST = 1000


def build(
    revisits: pd.DataFrame, occupations: pd.DataFrame, job: Job, besides: Sequence[str] = (), review_id: str = ""
) -> str:
    """Return the field sheet as the text of one HTML file that needs nothing else.

    Parameters
    ----------
    revisits
        The `revisits` frame.
    occupations
        For the time of the last one.
    besides
        HTML of what else the crew must know.
    review_id
        What tells the review from others.
    """
    shown = revisits[(revisits["walk"] > 0).to_numpy() & (revisits["rank"] <= MOST).to_numpy()]
    shown = shown.sort_values("walk", kind="stable")
    until = occupations[["start_utc", "end_utc"]].max().max()
    body = [*_nothing(), *besides] if shown.empty else _walk(shown, revisits, until, job, besides)
    title = map_text(cut(job.site.name, 120))
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>Points to observe again: {title}</title>",
            f"<style>{offline.static_text('field.css')}</style></head><body>",
            f'<p class="id">Review {map_text(review_id)}</p>' if review_id else "",
            f"<h1>{title}: points to observe again</h1>",
            *body,
            *_planned(revisits),
            *_fine_print(shown, len(occupations), job),
            "</body></html>",
            "",
        ]
    )


def _nothing() -> list[str]:
    return ['<p class="lead"><b>No point has to be observed again.</b></p>']


def _walk(shown: pd.DataFrame, revisits: pd.DataFrame, until: Any, job: Job, besides: Sequence[str]) -> list[str]:
    long = len(shown) > walk.MANY
    drawn = [walk.whole(shown, job.grid.unit), *_words(shown)]
    beside = [
        *_records(shown),
        *besides,
        '<div class="boxed"><h2>At every point</h2><ol>',
        *(f"<li>{map_text(text)}</li>" for text in HOW),
        f'</ol></div><div class="boxed"><h2>If it disagrees again</h2><p>{map_text(AGAIN)}</p></div>',
    ]
    return [
        *_lead(shown, revisits, until, job),
        *([*drawn, *beside] if long else ['<div class="top"><div>', *drawn, "</div><div>", *beside, "</div></div>"]),
        f'<p class="small"><b>Take care.</b> {map_text(" ".join(FIELD_CAUTIONS))}</p>',
        *(_summary(shown, job) if long else []),
        *stops_table(shown, until, job),
        '<table class="sign small"><tr><td>Crew</td><td>Date</td><td>Receiver</td><td>Base, antenna height</td></tr>'
        "</table>",
        "<h2>Why, where, and notes</h2>",
        f'<p class="small">{map_text(FINDING_ONLY)} They are {map_text(_frame(job))}. Worked at: how many points of '
        "this site, of the same cover and finding, one more visit settled.</p>",
        *details_table(shown, job),
    ]


def _lead(shown: pd.DataFrame, revisits: pd.DataFrame, until: Any, job: Job) -> list[str]:
    """Return how many points, how far, how long, from where, and which times these are."""
    total = int((revisits["walk"] > 0).sum())
    look_up = (shown["action_key"] == CHECK_RECORDS).to_numpy()
    told = [_amount(shown[~look_up], "to walk to")] if not look_up.all() else []
    told += [_amount(shown[look_up], "to look up first")] if look_up.any() else []
    way = walked(float(shown["walk_m"].sum()), job.grid.unit)
    more = f" These are the {len(shown):,} of {total:,} that need it most; the others are in revisits.csv."
    last = f"After the data up to {local(until, job, year=True)}; t" if until == until else "T"
    begin = map_text(cut(str(shown.iloc[0]["walk_from"]), 60))
    return [
        f'<p class="lead">{"; ".join(told)}. All of them are <b>{way}</b> on foot, besides waiting for fixes. Begin at '
        f"<b>{begin}</b>, the square on the sketch, and go in the order of the numbers."
        f"{more if total > len(shown) else ''}</p>",
        f'<p class="small">{last}{map_text(clock.zone_sentence(job)[1:])} Grid north is up; ways are straight lines: '
        "terrain, fences, water and tracks are not known here. What is crowded is drawn again below, larger.</p>",
    ]


def _amount(rows: pd.DataFrame, what: str) -> str:
    """Return how many points there are of a kind, and how long they are observed, as HTML."""
    held = float(np.nansum(rows["observe_s"].to_numpy(dtype=float)))
    book = rows["action_key"].iloc[0] == CHECK_RECORDS
    also = " where the field book does not explain them" if book else ""
    return f"<b>{len(rows):,} {what}</b>" + (f", <b>{spell(held)}</b> of observing{also}" if held else "")


def _words(shown: pd.DataFrame) -> list[str]:
    """Return what each action means that is asked for, and how to read when and how long."""
    asked = set(shown["action_key"].astype("str"))
    means = "; ".join(f"<b>{one.words}</b>: {map_text(one.means)}" for key, one in ACTIONS.items() if key in asked)
    visited = shown[shown["give_up_after"] > 0]
    told = [f"{means[:3]}{means[3:4].upper()}{means[4:]}."]
    told += [f"<b>When</b>: {WHEN}"] if visited["earliest_utc"].notna().any() else []
    told += [NOT] if visited["avoid_from_utc"].notna().any() else []
    told += [f"<b>Observe</b>, {UNTOLD}"] if visited["observe_s"].isna().any() else []
    return [f'<p class="small">{" ".join(told)}</p>']


def _frame(job: Job) -> str:
    system = job.grid.system
    unit = "degrees" if system.geographic else job.grid.unit
    height = f"; heights {job.site.height}" if job.site.height else ""
    first = "longitude" if system.geographic else "easting"
    return f"in {system.name}, {unit}, {first} first{height}"


def _records(shown: pd.DataFrame) -> list[str]:
    """Return what to look up before anybody leaves, a line for each suspicion."""
    mine = shown[(shown["action_key"] == CHECK_RECORDS).to_numpy()]
    if mine.empty:
        return []
    suspicion = (mine["looks_like"] + " (" + mine["shift"] + ")").fillna("a shift")
    lines = [
        f"<li>{map_text(cut(what, 160))}: <b>{_spans(rows['walk'].to_numpy())}</b></li>"
        for what, rows in mine.groupby(suspicion.to_numpy(), sort=False)
    ]
    return [
        '<div class="boxed"><h2>First look in the field book</h2><ul>',
        *lines,
        "</ul><p>Where the field book explains it, leave these numbers out and tell the office.</p></div>",
    ]


def _spans(numbers: Index) -> str:
    """Return ascending numbers as text, stretches of three or more as first to last."""
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) != 1) + 1)
    told = [f"{part[0]} to {part[-1]}" if len(part) > 2 else ", ".join(map(str, part)) for part in parts]
    return ", ".join(told)


def _summary(shown: pd.DataFrame, job: Job) -> list[str]:
    """Return a line for each group: its numbers, what there is to do, how far and how long."""
    lines = []
    for group, rows in shown.groupby("group", sort=False):
        counts = rows["action_key"].astype("str").value_counts()
        todo = ", ".join(f"{counts[key]} × {action.words}" for key, action in ACTIONS.items() if key in counts)
        numbers = f"{rows['walk'].iloc[0]}" + (f" to {rows['walk'].iloc[-1]}" if len(rows) > 1 else "")
        held = rows["observe_s"].to_numpy(dtype=float)
        lines.append(
            f"<tr><td><b>{map_text(titled(group, 40))}</b></td><td>{numbers}</td><td>{todo}</td>"
            f"<td>{walked(float(rows['walk_m'].sum()), job.grid.unit)}</td>"
            f"<td>{spell(float(np.nansum(held)))}</td></tr>"
        )
    return [
        '<table class="summary"><thead><tr><th>Where</th><th>Numbers</th><th>What there is to do</th>'
        "<th>Way</th><th>Observing</th></tr></thead><tbody>",
        *lines,
        "</tbody></table>",
    ]


def _planned(revisits: pd.DataFrame) -> list[str]:
    planned = revisits.loc[(revisits["action_key"] == ACCEPT).to_numpy(), "point"].astype("str").tolist()
    if not planned:
        return []
    names = ", ".join(map_text(cut(name, 24)) for name in planned[:30])
    more = f" and {len(planned) - 30:,} more" if len(planned) > 30 else ""
    return [f'<p class="small">Single by plan, nothing to do: {names}{more}.</p>']


def _fine_print(shown: pd.DataFrame, rows: int, job: Job) -> list[str]:
    """Return where the figures come from, the tolerance, and what the review is."""
    read = counted(rows, "stored row")
    observed = shown.loc[shown["observe_s"].notna(), ["observe_s", "observe_basis"]].drop_duplicates("observe_basis")
    basis = "; ".join(map_text(cut(str(text), 160)) for text in observed["observe_basis"])
    return [
        "<h2>Where this comes from</h2>",
        *([f'<p class="small">How long to observe: {basis}.</p>'] if basis else []),
        f'<p class="small">From {read}. Two visits may differ by: '
        f"{map_text(job.tolerance.spoken(*job.grid.units))}. "
        f"{map_text(' '.join(CAUTIONS))}</p>",
    ]


def write(folder: Path, frames: Frames, job: Job, review_id: str = "") -> None:
    """Write the field sheet, the waypoints and the table of what is to be observed again into `folder`.

    Parameters
    ----------
    frames
        ``revisits``, without which nothing is written, ``occupations`` for the time of the last one, ``points``, and
        ``zones`` where they were looked for.
    review_id
        What tells the review from others.
    """
    if "revisits" not in frames:
        return
    table = frames["revisits"]
    page = build(table, frames["occupations"], job, zone_notice(frames, job), review_id)
    (folder / "revisits.html").write_text(page, encoding="utf-8")
    (folder / "revisits.gpx").write_text(walk.build(table, job), encoding="utf-8")
    csv_tables.write(folder / "revisits.csv", csv_tables.fields("revisits", table, job))
