"""revisits.html: the field sheet, all a crew must know on its first page; what stands behind it follows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import clock, geodesy
from geoqa.core.revisit_contracts import ACCEPT, ACTIONS, CHECK_RECORDS
from geoqa.core.units import counted, walked
from geoqa.outputs import offline
from geoqa.outputs.cautions import CAUTIONS, FIELD_CAUTIONS, FINDING_ONLY
from geoqa.outputs.field import details, sketch, stops, words
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

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
    long = len(shown) > sketch.MANY
    drawn = [sketch.whole(shown, job.input.unit), *_words(shown)]
    beside = [
        *_records(shown),
        *besides,
        '<div class="boxed"><h2>At every point</h2><ol>',
        *(f"<li>{map_text(text)}</li>" for text in words.HOW),
        f'</ol></div><div class="boxed"><h2>If it disagrees again</h2><p>{map_text(words.AGAIN)}</p></div>',
    ]
    return [
        *_lead(shown, revisits, until, job),
        *([*drawn, *beside] if long else ['<div class="top"><div>', *drawn, "</div><div>", *beside, "</div></div>"]),
        f'<p class="small"><b>Take care.</b> {map_text(" ".join(FIELD_CAUTIONS))}</p>',
        *(_summary(shown, job) if long else []),
        *stops.table(shown, until, job),
        '<table class="sign small"><tr><td>Crew</td><td>Date</td><td>Receiver</td><td>Base, antenna height</td></tr>'
        "</table>",
        "<h2>Why, where, and notes</h2>",
        f'<p class="small">{map_text(FINDING_ONLY)} They are {map_text(_frame(job))}. Worked at: how many points of '
        "this site, of the same cover and finding, one more visit settled.</p>",
        *details.table(shown, job),
    ]


def _lead(shown: pd.DataFrame, revisits: pd.DataFrame, until: Any, job: Job) -> list[str]:
    """Return how many points, how far, how long, from where, and which times these are."""
    total = int((revisits["walk"] > 0).sum())
    points = counted(len(shown), "point")
    way = walked(float(shown["walk_m"].sum()), job.input.unit)
    held = float(np.nansum(shown["observe_s"].to_numpy(dtype=float)))
    observing = f", <b>{stops.spell(held)}</b> of observing besides waiting for fixes" if held else ""
    more = f" These are the {len(shown):,} of {total:,} that need it most; the others are in revisits.csv."
    last = f"After the data up to {stops.local(until, job, year=True)}; t" if until == until else "T"
    begin = map_text(cut(str(shown.iloc[0]["walk_from"]), 60))
    return [
        f'<p class="lead"><b>{points}</b>, <b>{way}</b> on foot{observing}. Begin at <b>{begin}</b>, the square on the '
        f"sketch, and go in the order of the numbers.{more if total > len(shown) else ''}</p>",
        f'<p class="small">{last}{map_text(clock.said(job)[1:])} Grid north is up; ways are straight lines: '
        "terrain, fences, water and tracks are not known here. Numbers without room are left out.</p>",
    ]


def _words(shown: pd.DataFrame) -> list[str]:
    """Return what each action means that is asked for, and how to read when and how long."""
    asked = set(shown["action"].astype("str"))
    means = "; ".join(f"<b>{action}</b>: {map_text(words.MEANS[action])}" for action in ACTIONS if action in asked)
    visited = shown[shown["give_up_after"] > 0]
    told = [f"{means[:3]}{means[3:4].upper()}{means[4:]}."]
    told += [f"<b>When</b>: {words.WHEN}"] if visited["earliest_utc"].notna().any() else []
    told += [words.NOT] if visited["avoid_from_utc"].notna().any() else []
    told += [f"<b>Observe</b>, {words.UNTOLD}"] if visited["observe_s"].isna().any() else []
    return [f'<p class="small">{" ".join(told)}</p>']


def _frame(job: Job) -> str:
    system = geodesy.of(job)
    unit = "degrees" if system.geographic else job.input.unit
    height = f"; heights {job.site.height}" if job.site.height else ""
    first = "longitude" if system.geographic else "easting"
    return f"in {system.name}, {unit}, {first} first{height}"


def _records(shown: pd.DataFrame) -> list[str]:
    """Return what to look up before anybody leaves, a line for each suspicion."""
    mine = shown[(shown["action"] == CHECK_RECORDS).to_numpy()]
    if mine.empty:
        return []
    suspicion = mine["reason"].astype("str").str.partition("suspected: ", expand=True)[2].replace("", "a shift")
    lines = [
        f"<li>{map_text(cut(what, 160))}: <b>{_spans(rows['walk'].to_numpy())}</b></li>"
        for what, rows in mine.groupby(suspicion.to_numpy(), sort=False)
    ]
    return [
        '<div class="boxed"><h2>First look in the field book</h2><ul>',
        *lines,
        "</ul><p>Where the field book explains it, leave these numbers out and tell the office.</p></div>",
    ]


def _spans(numbers: NDArray[np.int64]) -> str:
    """Return ascending numbers as text, stretches of three or more as first to last."""
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) != 1) + 1)
    told = [f"{part[0]} to {part[-1]}" if len(part) > 2 else ", ".join(map(str, part)) for part in parts]
    return ", ".join(told)


def _summary(shown: pd.DataFrame, job: Job) -> list[str]:
    """Return a line for each group: its numbers, what there is to do, how far and how long."""
    lines = []
    for group, rows in shown.groupby("group", sort=False):
        counts = rows["action"].astype("str").value_counts()
        todo = ", ".join(f"{counts[action]} × {action}" for action in ACTIONS if action in counts)
        numbers = f"{rows['walk'].iloc[0]}" + (f" to {rows['walk'].iloc[-1]}" if len(rows) > 1 else "")
        held = rows["observe_s"].to_numpy(dtype=float)
        lines.append(
            f"<tr><td><b>{map_text(stops.titled(group, 40))}</b></td><td>{numbers}</td><td>{todo}</td>"
            f"<td>{walked(float(rows['walk_m'].sum()), job.input.unit)}</td>"
            f"<td>{stops.spell(float(np.nansum(held)))}</td></tr>"
        )
    return [
        '<table class="summary"><thead><tr><th>Where</th><th>Numbers</th><th>What there is to do</th>'
        "<th>Way</th><th>Observing</th></tr></thead><tbody>",
        *lines,
        "</tbody></table>",
    ]


def _planned(revisits: pd.DataFrame) -> list[str]:
    planned = revisits.loc[(revisits["action"] == ACCEPT).to_numpy(), "point"].astype("str").tolist()
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
        f"{map_text(job.tolerance.spoken(*job.units))}. "
        f"{map_text(' '.join(CAUTIONS))}</p>",
    ]
