"""revisits.html: the field sheet, one page to print and what follows it, for the crew that goes out again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.core import geodesy
from geoqa.core.revisit_contracts import ACCEPT, ACTIONS, CHECK_RECORDS
from geoqa.core.units import METRES_PER
from geoqa.outputs import offline
from geoqa.outputs.cautions import CAUTIONS, FIELD_CAUTIONS, FINDING_ONLY
from geoqa.outputs.field import sketch, stops
from geoqa.outputs.text import cut, map_text

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Points on a sheet at most, those most in need; a longer one nobody carries.
MOST = 1000
HOW = (
    "Go in the order of the numbers. Lengths and directions are straight lines on the plan: terrain, fences, water and "
    "tracks are not known here.",
    "At the mark: read its number, put the pole up plumb, measure the antenna height anew and enter it anew.",
    "Fresh initialization: make the receiver give up its fixed solution and find a new one. A data link that drops and "
    "comes back is no fresh initialization.",
    "Wait until the solution is fixed and the shown precision no longer falls, then observe as long as stated. Store "
    "it under the same point name.",
    "Tick the box. Write down what you saw: cover, anything that reflects, the mark, why you left one out.",
)


def build(revisits: pd.DataFrame, occupations: pd.DataFrame, job: Job) -> str:
    """Return the field sheet as the text of one HTML file that needs nothing else.

    Parameters
    ----------
    revisits
        The `revisits` frame.
    occupations
        For the time of the last one.
    """
    shown = revisits[(revisits["walk"] > 0).to_numpy() & (revisits["rank"] <= MOST).to_numpy()]
    shown = shown.sort_values("walk", kind="stable")
    until = occupations[["start_utc", "end_utc"]].max().max()
    body = _nothing() if shown.empty else _walk(shown, revisits, until, job)
    title = map_text(cut(job.site.name, 120))
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">",
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>Points to observe again: {title}</title>",
            f"<style>{offline.static_text('field.css')}</style></head><body>",
            f"<h1>{title}: points to observe again</h1>",
            *_reviewed(len(occupations), until, job),
            *body,
            *_planned(revisits),
            *_fine_print(shown, job),
            "</body></html>",
            "",
        ]
    )


def _reviewed(rows: int, until: Any, job: Job) -> list[str]:
    last = f" up to {stops.local(until, job, year=True)}" if until == until else ""
    return [f"<p>From {rows:,} stored rows{last}. Times are {map_text(stops.zone(job))}.</p>"]


def _nothing() -> list[str]:
    return ['<p class="lead"><b>No point has to be observed again.</b></p>']


def _walk(shown: pd.DataFrame, revisits: pd.DataFrame, until: Any, job: Job) -> list[str]:
    total = int((revisits["walk"] > 0).sum())
    first = shown.iloc[0]
    far = stops.far(float(shown["walk_m"].sum()), job)
    more = f" These are the {len(shown):,} of {total:,} that need it most; the others are in revisits.csv."
    points = "1 point" if len(shown) == 1 else f"{len(shown):,} points"
    return [
        f'<p class="lead"><b>{points}</b>, <b>{far}</b> on foot in straight lines, beginning at '
        f"<b>{map_text(cut(str(first['walk_from']), 60))}</b> (the square on the sketch)."
        f"{more if total > len(shown) else ''}</p>",
        f"<p>{map_text(FINDING_ONLY)} They are {map_text(_frame(job))}.</p>",
        *_records(shown),
        sketch.whole(shown, job.input.unit),
        '<p class="small">Grid north is up. What would overlap is left out.</p>',
        '<div class="boxed"><h2>Take care</h2><ul>',
        *(f"<li>{map_text(text)}</li>" for text in FIELD_CAUTIONS),
        "</ul></div>",
        *_summary(shown, job),
        '<div class="boxed"><h2>At every point</h2><ol>',
        *(f"<li>{map_text(text)}</li>" for text in HOW),
        "</ol></div>",
        *_words(shown),
        *stops.table(shown, until, job),
        '<table class="sign small"><tr><td>Crew</td><td>Date</td><td>Receiver</td><td>Base, antenna height</td></tr>'
        "</table>",
    ]


def _words(shown: pd.DataFrame) -> list[str]:
    """Return what each action means that is asked for, and how to read the rest of a line."""
    once = shown.drop_duplicates("action").set_index("action")["instruction"]
    means = [
        f"<dt>{map_text(stops.titled(action))}</dt><dd>{map_text(once[action])}</dd>"
        for action in ACTIONS
        if action in once.index
    ]
    figures = {
        "From": "Not earlier: until then the errors of the last visit are still there. Where nothing stands, any time.",
        "Not": "Then the satellites stand where they stood at the last visit. Each day later it is 4 minutes earlier.",
        "Worked at": "How many points of this site, of the same cover and finding, one more visit settled.",
        "Give up after": "So many more visits that settle nothing; then another method from control in the open.",
    }
    read = [f"<dt>{word}</dt><dd>{map_text(text)}</dd>" for word, text in figures.items()]
    return ['<div class="boxed"><h2>What the words mean</h2><dl>', *means, *read, "</dl></div>"]


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
        f"<li><b>{map_text(cut(what, 160))}</b>: {_listed(rows['walk'].tolist(), rows['point'].tolist())}</li>"
        for what, rows in mine.groupby(suspicion.to_numpy(), sort=False)
    ]
    return [
        '<div class="boxed"><h2>Before you leave: look in the field book</h2><ul>',
        *lines,
        "</ul><p>Where the field book explains it, these points need no visit: tell the office and leave them out.</p>"
        "</div>",
    ]


def _listed(numbers: list[int], names: list[str], most: int = 12) -> str:
    told = ", ".join(f"{n}&nbsp;{map_text(cut(str(name), 24))}" for n, name in zip(numbers[:most], names, strict=False))
    return told + (f" and {len(numbers) - most} more" if len(numbers) > most else "")


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
            f"<td>{stops.far(float(rows['walk_m'].sum()), job)}</td><td>{stops.spell(float(np.nansum(held)))}</td></tr>"
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


def _fine_print(shown: pd.DataFrame, job: Job) -> list[str]:
    """Return where the figures come from, the tolerance, and what the review is."""
    unit = job.input.unit
    observed = shown.loc[shown["observe_s"].notna(), ["observe_s", "observe_basis"]].drop_duplicates("observe_basis")
    basis = "; ".join(map_text(cut(str(text), 160)) for text in observed["observe_basis"])
    return [
        "<h2>Where this comes from</h2>",
        *([f'<p class="small">How long to observe: {basis}.</p>'] if basis else []),
        f'<p class="small">Two visits may differ by: {map_text(job.tolerance.spoken(unit, METRES_PER[unit]))}. '
        f"{map_text(' '.join(CAUTIONS))}</p>",
    ]
