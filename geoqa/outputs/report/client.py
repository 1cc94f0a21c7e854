"""The first page: what was asked, what was checked and how, what may be delivered, what not and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from geoqa.core.schema import STATUSES
from geoqa.core.units import METRES_PER
from geoqa.outputs.cautions import CAUTIONS
from geoqa.outputs.report import marks, site_picture
from geoqa.outputs.report.document import Beside, Block, Facts, Items, Lines, Section, Table, Text, shown

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: What a client may expect of each status, in place of what the surveyor does.
MEANINGS = {
    "confirmed": "observed again independently, and the two agree",
    "strained": "agrees within tolerance, less well than usual here",
    "loose": "too far apart; the place is that noisy",
    "conflict": "contradicts itself: one of its observations is wrong",
    "unproven": "not observed again independently: nothing is shown",
}
SIGN_OFF = ("Name", "Licence", "Date", "Signature")
#: Reasons shown of those that hold points back.
MOST = 6


def sections(frames: Mapping[str, pd.DataFrame], job: Job) -> tuple[Section, ...]:
    """Return the sections of the first page."""
    picture = site_picture.figure(frames, job)
    told: tuple[Block, ...] = (_headline(frames["points"]), _asked(frames, job), _counts(frames["points"]))
    found = (Beside(told, picture),) if picture else told
    return (
        Section("What was found", found),
        Section("What is not delivered, and why", _withheld(frames["points"])),
        Section("What was not tested", _untested(frames["points"])),
        Section("Cautions", (Items(CAUTIONS),)),
        Section("Sign-off", (Lines(SIGN_OFF),)),
    )


def counted(number: int, word: str) -> str:
    """Return a number and what it counts."""
    return f"{number:,} {word}" + ("" if number == 1 else "s")


def _headline(points: pd.DataFrame) -> Text:
    yes = int((points["deliver"] == "yes").sum())
    given = points.loc[points["deliver"] == "yes", "risk"].dropna()
    risk = f" Of these, {given.sum():.1f} are expected to be outside the requirement." if len(given) else ""
    return Text(f"{yes:,} of {counted(len(points), 'point')} may be delivered.{risk}", strong=True)


def _asked(frames: Mapping[str, pd.DataFrame], job: Job) -> Facts:
    unit, factor = job.input.unit, METRES_PER[job.input.unit]
    occupations, points = frames["occupations"], frames["points"]
    days = (
        occupations["start_utc"].dt.tz_convert(job.input.timezone or "UTC").dt.date
        if "start_utc" in occupations
        else None
    )
    when = ""
    if days is not None and days.notna().any():
        first, last = days.min(), days.max()
        when = f"{first}" if first == last else f"{first} to {last}"
    base = int(occupations["base"].nunique()) if "base" in occupations else 0
    again = int((points["visits"] > 1).sum())
    rows = [
        ("For", shown(job.report.client or "")),
        ("Project", shown(job.report.project or "")),
        ("Asked", f"coordinates with errors of at most {job.requirement.spoken(unit, factor)}"),
        ("Observed", when),
        (
            "Checked",
            f"{counted(int(points['occupations'].sum()), 'occupation')} of {counted(len(points), 'point')}"
            + (f" from {counted(base, 'base set-up')}" if base else "")
            + f"; {again:,} points were visited more than once",
        ),
        (
            "How",
            "independent observations of a point are compared with each other: with what the job tolerates "
            f"({job.tolerance.spoken(unit, factor)}), and with what the stated precision gives under such cover here",
        ),
        ("Prepared by", shown(job.report.prepared_by or "")),
    ]
    return Facts(tuple(row for row in rows if row[1]))


def _counts(points: pd.DataFrame) -> Table:
    deliver = (points["deliver"] == "yes").to_numpy()
    status = points["status"].astype("str").to_numpy()
    rows = [
        (name, f"{int((status == name).sum()):,}", f"{int(((status == name) & deliver).sum()):,}", MEANINGS[name])
        for name in STATUSES
    ]
    rows.append(("all", f"{len(points):,}", f"{int(deliver.sum()):,}", ""))
    symbols = (*(marks.symbol(name) for name in STATUSES), "")
    return Table(
        "Points by status", ("status", "points", "may be delivered", "what it means"), tuple(rows), (1, 2), symbols
    )


def _withheld(points: pd.DataFrame) -> tuple[Block, ...]:
    counts = points.loc[points["deliver"] == "no", "deliver_reason"].astype("str").value_counts()
    if counts.empty:
        return (Text("Every point may be delivered."),)
    rows = tuple((f"{n:,}", shown(reason)) for reason, n in list(counts.items())[:MOST])
    more = int(counts.iloc[MOST:].sum())
    left = f"{counted(more, 'point')} for other reasons: see the list of points not delivered." if more else ""
    return (Table("Points held back", ("points", "reason"), rows, (0,), more=left),)


def _untested(points: pd.DataFrame) -> tuple[Block, ...]:
    words: dict[str, int] = {}
    for text, n in points["untested"].dropna().astype("str").value_counts().items():
        for word in str(text).split(", "):
            words[word] = words.get(word, 0) + int(n)
    if not words:
        return (Text("Nothing is recorded as untested."),)
    told = [f"{word} ({'all points' if n == len(points) else counted(n, 'point')})" for word, n in words.items()]
    sentence = "The observations cannot show errors of: " + ", ".join(told) + "."
    return (Text(sentence),)
