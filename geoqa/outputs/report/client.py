"""The first page: what was asked, what was checked and how, what may be delivered, what not and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from geoqa.core import clock, off_control, scope
from geoqa.core.control_contracts import CHECK
from geoqa.core.schema import STATUSES
from geoqa.core.units import counted, expected, probability
from geoqa.outputs.cautions import CAUTIONS
from geoqa.outputs.report import marks, site_picture
from geoqa.outputs.report.document import Beside, Block, Facts, Items, Lines, Section, Table, Text, shown
from geoqa.outputs.report.plain_words import MEANINGS, REASONS, UNTESTED, accepted, asked, limit

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

    Frames = Mapping[str, pd.DataFrame]

SIGN_OFF = ("Name", "Licence", "Date", "Signature")
#: Reasons shown of those that hold points back.
MOST = 8
#: Expected number from which none is no longer the likeliest.
MORE_THAN_NONE = 0.5
#: Longest of what the recipe says of client, project and maker.
LONGEST = 140


def sections(frames: Frames, job: Job, corrected: int = 0) -> tuple[Section, ...]:
    """Return the sections of the first page.

    Parameters
    ----------
    corrected
        Errors that observations shared and that were corrected before the review.
    """
    points = frames["points"]
    picture = site_picture.figure(frames, job)
    counts = _counts(points)
    site: Block = Beside((counts,), picture) if picture else counts
    alone = scope.said(points)
    judged = (Text(alone, strong=True),) if alone else ()
    off = off_control.of_frames(frames, job)
    first = (Text(shown(off, 800), strong=True),) if off else ()
    return (
        Section(
            "What was found", (*first, *_headline(points), *judged, Facts(tuple(_asked(frames, job, corrected))), site)
        ),
        Section("What is not delivered, and why", _withheld(points)),
        Section("What was not tested", tuple(_untested(frames, job))),
        Section("Cautions", (Items(CAUTIONS),)),
        Section("Sign-off", (Lines(SIGN_OFF),)),
    )


def _headline(points: pd.DataFrame) -> tuple[Block, ...]:
    given = points[points["deliver"] == "yes"]
    first = Text(f"{len(given):,} of {counted(len(points), 'point')} may be delivered.", strong=True)
    risk = given["risk"].dropna()
    if given.empty:
        return (first,)
    if risk.empty:
        return (first, Text("How likely they are to be further off than asked is not known."))
    if len(given) == 1:
        return (first, Text(f"The chance that it is further off than asked is {probability(risk.max())}."))
    return (first, Text(f"{_expected(risk)} The largest chance of a single point is {probability(risk.max())}."))


def _expected(risk: pd.Series[float]) -> str:
    """Return how many of the delivered points are probably too far off, so that nobody takes it for a list."""
    total, n = float(risk.sum()), f"{len(risk):,}"
    shows = "None of them is certain: by what the observations themselves show,"
    if total < MORE_THAN_NONE:
        return f"{shows} most likely none of these {n} is further off than asked ({expected(total)} expected)."
    return (
        f"{shows} {expected(total)} of these {n} (one in {round(len(risk) / total):,}) are expected to be further "
        "off than asked, and nobody can say which."
    )


def _asked(frames: Frames, job: Job, corrected: int) -> Iterator[tuple[str, str]]:
    """Return what was asked, by whom, and what was checked and how; what is not known is left out."""
    told = job.report
    asked_by = [shown(text, LONGEST) for text in (told.client, told.project) if text]
    if asked_by:
        yield "For", ": ".join(asked_by)
    if told.prepared_by:
        yield "Prepared by", shown(told.prepared_by, LONGEST)
    others = [name for name, role in job.roles.items() if role.requirement != job.requirement]
    other = f"; other limits for {', '.join(shown(name, 20) for name in others[:4])}, see Tolerance and requirement"
    yield "Asked", asked(job.requirement, job) + (other if others else "")
    if when := _days(frames["occupations"], job):
        yield "Observed", when
    yield "Checked", _checked(frames)
    cover = " under such tree cover" if frames["points"]["canopy"].notna().any() else ""
    yield (
        "How",
        "independent observations of a point are compared: do they agree within what the job accepts "
        f"({accepted(job.tolerance, job)}), and as well as observations{cover} usually do here?",
    )
    if corrected:
        yield "Corrected", f"{counted(corrected, 'error')} that observations shared, before they were compared"
    if known := _known(frames, job):
        yield "Control", known


def _days(occupations: pd.DataFrame, job: Job) -> str:
    if "start_utc" not in occupations or not occupations["start_utc"].notna().any():
        return ""
    days = clock.days(occupations["start_utc"], job).dt.strftime(clock.DAY)
    first, last = days.min(), days.max()
    return f"{first}" if first == last else f"{first} to {last}"


def _checked(frames: Frames) -> str:
    points, occupations = frames["points"], frames["occupations"]
    bases = int(occupations["base"].nunique()) if "base" in occupations else 0
    again = int((points["visits"] > 1).sum())
    visited = "point was" if again == 1 else "points were"
    told = f"{counted(int(points['occupations'].sum()), 'observation')} (occupations) of "
    told += counted(len(points), "point")
    told += f", from {counted(bases, 'set-up')} of a base station" if bases else ""
    told += f"; {again:,} {visited} visited more than once"
    heights = "height_m" in points and points["height_m"].notna().any()
    return told + ("" if heights else "; positions only, not heights")


def _known(frames: Frames, job: Job) -> str:
    """Return how far determined points lie from what is known of them."""
    checks = frames.get("control_checks")
    if checks is None or checks.empty:
        return ""
    own = checks[(checks["use"].astype("str") == CHECK) & checks["horizontal_m"].notna()]
    if own.empty:
        return ""
    told = f"{counted(len(own), 'known point')} observed as well: the farthest is "
    told += f"{limit(float(own['horizontal_m'].max()), job.input.unit)} off in position"
    up = own["du_m"].abs()
    told += f", {limit(float(up.max()), job.input.height_unit)} in height" if up.notna().any() else ""
    return told + ("" if job.control.source else "; where their coordinates come from is not stated")


def _counts(points: pd.DataFrame) -> Table:
    deliver = (points["deliver"] == "yes").to_numpy()
    status = points["status"].astype("str").to_numpy()
    rows = [
        (name, f"{int((status == name).sum()):,}", f"{int(((status == name) & deliver).sum()):,}", MEANINGS[name])
        for name in STATUSES
    ]
    rows.append(("all", f"{len(points):,}", f"{int(deliver.sum()):,}", ""))
    symbols = (*(marks.symbol(name) for name in STATUSES), "")
    head = ("status", "points", "may be delivered", "what it means")
    return Table("Points by status", head, tuple(rows), (1, 2), symbols)


def _withheld(points: pd.DataFrame) -> tuple[Block, ...]:
    counts = scope.without_scope(points.loc[points["deliver"] == "no", "deliver_reason"]).value_counts()
    if counts.empty:
        return (Text("Every point may be delivered."),)
    rows = tuple((f"{n:,}", shown(REASONS.get(str(reason), str(reason)))) for reason, n in counts.iloc[:MOST].items())
    more = int(counts.iloc[MOST:].sum())
    left = f"{counted(more, 'point')} for other reasons: see the list of points not delivered." if more else ""
    return (Table("Points held back", ("points", "reason"), rows, (0,), more=left),)


def _untested(frames: Frames, job: Job) -> Iterator[Block]:
    points = frames["points"]
    words: dict[str, int] = {}
    for text, n in points["untested"].dropna().astype("str").value_counts().items():
        for word in str(text).split(", "):
            words[word] = words.get(word, 0) + int(n)
    words = {word: n for word, n in sorted(words.items(), key=lambda one: -one[1]) if n}
    if not words:
        yield Text("Nothing is recorded as untested.")
        return
    told = [
        f"{shown(UNTESTED.get(word, word))} ({'all points' if n == len(points) else counted(n, 'point')})"
        for word, n in words.items()
    ]
    yield Text(
        "An error that all observations of a point share does not show when they are compared. Not tested in this "
        f"way: {'; '.join(told)}."
    )
    if job.base.sigma_h_m is None and not (job.control.source and _known(frames, job)):
        yield Text("How well the base station's own place is known is not stated: coordinates are relative to it.")
