"""The summary on the terminal: what came of the review, on one screen."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from typing import Any

from geoqa.core import recipe
from geoqa.core.arrays import Frames, pd
from geoqa.core.frames import procedure, wording
from geoqa.core.frames.contract import CONTRADICTORY, OVER, STATUS, STATUS_REASONS, STATUSES
from geoqa.core.frames.control import REFUSED
from geoqa.core.job import Job
from geoqa.core.units import counted, expected, probability
from geoqa.outputs import key_tables
from geoqa.outputs.text import cut, display_text

#: Columns of a terminal that lines are wrapped at, and the most characters of one message.
WIDTH, LONGEST = 110, 1_000
#: What to do about conflicts that control settles.
SETTLED = "control shows which set-ups are off: see above"


def lines(
    frames: Frames,
    accounts: Mapping[str, Any],
    messages: Iterable[str],
    job: Job,
    failed: Mapping[str, str] | None = None,
) -> list[str]:
    """Return the summary as lines of text, in the job's unit.

    Parameters
    ----------
    frames
        `points`, `closures`, `classes` and `set_aside`.
    accounts
        Per file and kind: read, used, set aside.
    messages
        What people should know.
    failed
        What failed without the review, and why.
    """
    points = frames["points"]
    source = cut(display_text(job.tolerance.reference), 300)
    text = [
        *failures(failed or {}),
        f"{cut(display_text(job.site.name), 80)}: {counted(len(points), 'point')}, "
        f"{counted(int(points['occupations'].sum()), 'direct occupation')}, "
        f"{counted(len(frames['closures']), 'closure')}",
        *(_wrapped(cut(display_text(off), LONGEST)) if (off := wording.off_control(frames, job)) else []),
        *_wrapped(f"Tolerance: {job.tolerance.spoken(*job.grid.units)}. Source: {source}"),
        *_wrapped(f"Requirement: {job.requirement.spoken(*job.grid.units)}"),
        *_roles(job),
        *(_wrapped(alone) if (alone := recipe.judged_words(points)) else []),
        "",
        f"  {'status':<10} {'points':>7} {'deliver':>8}   what to do",
    ]
    deliver = (points["deliver"] == "yes").to_numpy()
    clash = points["status"].isin(CONTRADICTORY).to_numpy(bool)
    settled = clash.any() and wording.settles(frames)[clash].all()
    for name in STATUSES:
        at = (points["status"] == name).to_numpy()
        remedy = SETTLED if settled and name in CONTRADICTORY else _remedy(name, points[at])
        head = f"  {name:<10} {int(at.sum()):>7} {int((at & deliver).sum()):>8}   "
        text += _wrapped(head + remedy, hang=len(head))
    text += [f"  {'all':<10} {len(points):>7} {int(deliver.sum()):>8}", ""]
    text += _risk(points) + _withheld(points) + _worst(points, job) + _precision(frames["classes"], job)
    text += _procedure(frames, job) + _statements(frames) + _decided(frames)
    text += _account(accounts, frames["set_aside"])
    for message in messages:
        text += _wrapped(f"Note: {cut(display_text(message), LONGEST)}")
    return text


def _remedy(status: str, points: pd.DataFrame) -> str:
    """Return what to do about the points of a status; those that a shift explains are not to be blamed on the place."""
    shifted = int(points["explained"].notna().sum()) if status in OVER and "explained" in points else 0
    if not shifted:
        return STATUS[status].remedy
    settle = "a suspicious shift explains them: settle it first"
    return settle if shifted == len(points) else f"{shifted}: {settle}; others: {STATUS[status].remedy}"


def failures(failed: Mapping[str, str], most: int = 40) -> list[str]:
    """Return what failed, and that all else is whole: what stands first and last of what a review prints."""
    if not failed:
        return []
    rows = [f"FAILED, and left out; everything else is made ({counted(len(failed), 'failure')}, run.json has them):"]
    for name, reason in list(failed.items())[:most]:
        rows += _wrapped(f"  {cut(display_text(name), 80)}: {cut(display_text(reason), 300)}")
    return [*rows, *([f"  and {len(failed) - most} more"] if len(failed) > most else []), ""]


def _roles(job: Job) -> list[str]:
    """Return a line for each role that is judged by values of its own."""
    found = []
    for name, role in job.roles.items():
        if (role.tolerance, role.requirement) == (job.tolerance, job.requirement):
            continue
        words = f"{role.tolerance.spoken(*job.grid.units)}; required {role.requirement.spoken(*job.grid.units)}"
        source = "" if role.tolerance.reference == job.tolerance.reference else f". Source: {role.tolerance.reference}"
        found += _wrapped(f"Role {cut(display_text(name), 24)}: {words}{display_text(source)}")
    return found


def _withheld(points: pd.DataFrame) -> list[str]:
    counts = wording.delivery_reasons(points[points["deliver"] == "no"]).value_counts()
    return ["Not delivered:", *(f"  {n:>5}  {reason}" for reason, n in counts.items()), ""] if len(counts) else []


def _worst(points: pd.DataFrame, job: Job, most: int = 8) -> list[str]:
    """Return the points that are farthest beyond what is accepted, both components beside their limits."""
    unit, unit_up = job.grid.units
    shown = points.iloc[wording.worst_first(points)[:most]]
    shown = shown[shown["excess"].notna()]
    if shown.empty:
        return []
    cells = [("point", "status", "horizontal", "height")]
    cells += [
        (
            cut(display_text(point), 24),
            status,
            wording.beside_limit(h, limit_h, unit),
            wording.beside_limit(v, limit_v, unit_up),
        )
        for point, status, h, limit_h, v, limit_v in zip(
            *(
                shown[c]
                for c in ("point", "status", "worst_horizontal_m", "limit_h_m", "worst_vertical_m", "limit_v_m")
            ),
            strict=True,
        )
    ]
    widths = [max(len(row[k]) for row in cells) for k in range(4)]
    rows = [f"Worst first. {wording.ABOUT_LIMIT}"]
    # What is done about a status is said above, once for all.
    said = shown["reason_key"].isin({key for key, reason in STATUS_REASONS.items() if reason.by_status})
    why = shown["reason"].astype("object").mask(said & shown["explained"].isna(), shown["finding"].astype("object"))
    for row, reason in zip(cells, ("why", *why), strict=True):
        head = "  " + "".join(f"{cell:<{width}}  " for cell, width in zip(row, widths, strict=True))
        rows += _wrapped(head + cut(display_text(reason), LONGEST), hang=len(head))
    return [*_wrapped(rows[0]), *rows[1:], ""]


def _precision(classes: pd.DataFrame, job: Job, most: int = 12) -> list[str]:
    """Return what the stated precision is worth under each cover, and how often a fix is wrong."""
    rows = key_tables.class_table(classes, job)
    if not rows:
        return []
    cells = [key_tables.class_head(job), *rows[: most + 1]]
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]) - 1)]
    lines = ["Precision stated → reckoned with (one sigma, 95 % bounds), wrong fixes, and where most of it comes from:"]
    for *first, last in cells:
        start = "  " + "".join(f"{cell:<{width}}  " for cell, width in zip(first, widths, strict=True))
        fits = len(start) + len(last) <= WIDTH
        lines += [start + last] if fits else [start.rstrip(), f"{'':<{WIDTH - 30}}{cut(last, 30)}"]
    if len(rows) > most + 1:
        lines.append(f"  and {len(rows) - most - 1} more in the layer classes of review.gpkg")
    for sentence in key_tables.class_sentences(classes, job)[: most // 2]:
        lines += _wrapped(f"  {sentence}.")
    return [*lines, ""]


def _risk(points: pd.DataFrame) -> list[str]:
    """Return how many of the delivered points are expected to be outside the requirement."""
    given = points.loc[points["deliver"] == "yes", "risk"].dropna() if "risk" in points else points.iloc[:0, 0]
    if given.empty:
        return []
    sentence = (
        f"Of the {counted(len(given), 'point')} that may be delivered {expected(given.sum())} are expected to be "
        f"outside the requirement; the largest risk of one is {probability(given.max())}."
    )
    return [*_wrapped(sentence), ""]


def _procedure(frames: Frames, job: Job) -> list[str]:
    """Return how many points meet the procedure asked for, and what is most often missing."""
    said = procedure.sentences(frames)
    if not said:
        return []
    rows = _wrapped(f"Procedure: {cut(display_text(job.procedure.reference), LONGEST)}")
    for sentence in said:
        rows += _wrapped(f"  {cut(display_text(sentence[:1].upper() + sentence[1:]), LONGEST)}.")
    return [*rows, ""]


def _statements(frames: Frames) -> list[str]:
    """Return each statement as its standard has it, then those refused; those refused for one reason share theirs."""
    if "statements" not in frames or frames["statements"].empty:
        return []
    table = frames["statements"]
    refused = (table["outcome"] == REFUSED).to_numpy()
    said = list(table["text"][~refused])
    by_reason = table[refused].groupby("reason", sort=False, observed=True)["statement"]
    said += [f"not stated: {', '.join(names)}: {reason}" for reason, names in by_reason]
    rows = ["What may be stated of accuracy and precision, in each standard's own terms:"]
    for sentence in said:
        rows += _wrapped(f"  {cut(display_text(sentence), LONGEST)}.")
    return [*rows, ""]


def _decided(frames: Frames, most: int = 40) -> list[str]:
    """Return the reviewer's decisions, a line each."""
    if "decisions" not in frames or frames["decisions"].empty:
        return []
    table = frames["decisions"]
    rows = [f"Reviewer's decisions ({len(table)}; status and delivery stay what the evidence says):"]
    for entry in table.head(most).itertuples(index=False):
        moved = f" from {entry.point_before} to {entry.point}" if entry.action == "reassign" else ""
        what = f"{entry.action:<8} {entry.kind} {entry.target}{moved}"
        rows.append(cut(display_text(f"  {what}, {entry.who}, {entry.when}: {entry.why}"), 160))
    if len(table) > most:
        rows.append(f"  and {len(table) - most} more in the layer decisions of review.gpkg")
    return [*rows, ""]


def _account(accounts: Mapping[str, Any], set_aside: pd.DataFrame, most: int = 6) -> list[str]:
    rows = []
    for file, kinds in accounts.items():
        for kind, n in kinds.items():
            rows.append(
                f"{display_text(file)}: {n['read']} {kind} read = {n['used']} used + {n['set_aside']} set aside"
            )
    for file, line, reason in set_aside[["source_file", "source_line", "reason"]].head(most).itertuples(index=False):
        rows += _wrapped(f"  {display_text(file)}:{line}  {cut(display_text(reason), LONGEST)}")
    if len(set_aside) > most:
        rows.append(f"  and {len(set_aside) - most} more in the layer set_aside of review.gpkg")
    return [*rows, ""]


def _wrapped(line: str, hang: int = 6) -> list[str]:
    """Return one line as lines that fit a terminal, the later ones indented; nothing is left out."""
    if len(line) <= WIDTH:
        return [line]
    lead = len(line) - len(line.lstrip())
    lines = textwrap.wrap(
        line[lead:], WIDTH, initial_indent=" " * lead, subsequent_indent=" " * hang, break_on_hyphens=False
    )
    return lines or [line]
