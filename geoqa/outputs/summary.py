"""The summary on the terminal: what came of the review, on one screen, and the whole of it where that is asked for."""

from __future__ import annotations

import collections
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from geoqa.core import clock, recipe
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames import procedure, wording
from geoqa.core.frames.contract import CONTRADICTORY, OVER, STATUS, STATUS_REASONS, STATUSES
from geoqa.core.frames.control import CHECK, REFUSED
from geoqa.core.frames.revisits import CHANGED, DONE, to_visit
from geoqa.core.frames.schema import OWN
from geoqa.core.job import Job
from geoqa.core.units import counted, expected, length, probability, walked
from geoqa.outputs import key_tables
from geoqa.outputs.text import cut, display_text

#: Columns that lines are wrapped at where nothing is known of the terminal, and the most characters of one message.
WIDTH, LONGEST = 110, 1_000
#: What to do about conflicts that control settles.
SETTLED = "control shows which set-ups are off: see above"


class Line(NamedTuple):
    """A line of the summary: what stands first, to be made to stand out where the terminal can, and the rest."""

    text: str
    head: str = ""
    look: str = ""


class _Table(NamedTuple):
    """Rows of cells, the first of them the headings; the last cell of a row is free text."""

    rows: Sequence[Sequence[str]]
    numbers: Sequence[int] = ()


def lines(
    frames: Frames,
    accounts: Mapping[str, Any],
    messages: Iterable[str],
    job: Job,
    failed: Mapping[str, str] | None = None,
    width: int = WIDTH,
) -> list[str]:
    """Return the whole summary as lines of text, in the job's unit.

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
    width
        Columns of the terminal.
    """
    points = frames["points"]
    source = cut(display_text(job.tolerance.reference), 300)
    text: list[str | _Table] = [
        *failures(failed or {}, width),
        f"{cut(display_text(job.site.name), 80)}: {counted(len(points), 'point')}, "
        f"{counted(int(points['occupations'].sum()), 'direct occupation')}, "
        f"{counted(len(frames['closures']), 'closure')}",
        *([cut(display_text(off), LONGEST)] if (off := wording.off_control(frames, job)) else []),
        f"Tolerance: {job.tolerance.spoken(*job.grid.units)}. Source: {source}",
        f"Requirement: {job.requirement.spoken(*job.grid.units)}",
        *_roles(job),
        *([alone] if (alone := recipe.judged_words(points)) else []),
        "",
    ]
    deliver = (points["deliver"] == "yes").to_numpy()
    clash = points["status"].isin(CONTRADICTORY).to_numpy(bool)
    settled = clash.any() and wording.settles(frames)[clash].all()
    rows = [("status", "points", "deliver", "what to do")]
    for name in STATUSES:
        at = (points["status"] == name).to_numpy()
        remedy = SETTLED if settled and name in CONTRADICTORY else _remedy(name, points[at])
        rows.append((name, str(int(at.sum())), str(int((at & deliver).sum())), remedy))
    rows.append(("all", str(len(points)), str(int(deliver.sum())), ""))
    text += [_Table(rows, (1, 2)), ""]
    text += _risk(points) + _withheld(points) + _worst(points, job) + _precision(frames["classes"], job)
    text += _procedure(frames, job) + _statements(frames) + _decided(frames)
    text += _account(accounts, frames["set_aside"])
    text += (f"Note: {cut(display_text(message), LONGEST)}" for message in messages)
    return [row for one in text for row in (_laid(one, width) if isinstance(one, _Table) else _wrapped(one, width))]


def _laid(table: _Table, width: int) -> list[str]:
    """Return a table that fits: free text below it where it has no room, and what a row holds one by one at the worst.

    No cell is ever broken.
    """
    starts = _starts(table)
    if max(len(start) + 2 + len(row[-1]) for start, row in zip(starts, table.rows, strict=True)) <= width:
        return [f"{start}  {row[-1]}".rstrip() for start, row in zip(starts, table.rows, strict=True)]
    head, *rows = table.rows
    if len(starts[0]) > width:
        told = [
            f"  {row[0]}: " + "; ".join(f"{name} {cell}" for name, cell in zip(head[1:], row[1:], strict=True) if cell)
            for row in rows
        ]
        return [line for text in told for line in _wrapped(text, width)]
    of_last: dict[str, list[str]] = {}
    for row in rows:
        of_last.setdefault(row[-1], []).append(row[0])
    below = [f"  {', '.join(names)}: {text}" for text, names in of_last.items() if text]
    return [*(start.rstrip() for start in starts), *(line for text in below for line in _wrapped(text, width))]


def _starts(table: _Table) -> list[str]:
    """Return what stands before the last cell of each row, below each other."""
    wide = [max(map(len, cells)) for cells in zip(*table.rows, strict=True)]
    return [
        "  " + "  ".join(f"{cell:{'>' if k in table.numbers else '<'}{wide[k]}}" for k, cell in enumerate(row[:-1]))
        for row in table.rows
    ]


def _remedy(status: str, points: pd.DataFrame) -> str:
    """Return what to do about the points of a status; those that a shift explains are not to be blamed on the place."""
    shifted = int(points["explained"].notna().sum()) if status in OVER and "explained" in points else 0
    if not shifted:
        return STATUS[status].remedy
    settle = "a suspicious shift explains them: settle it first"
    return settle if shifted == len(points) else f"{shifted}: {settle}; others: {STATUS[status].remedy}"


def failures(failed: Mapping[str, str], width: int = WIDTH, most: int = 40) -> list[str]:
    """Return what failed, and that all else is whole: what stands first and last of what a review prints."""
    if not failed:
        return []
    rows = _wrapped(
        f"FAILED, and left out; everything else is made ({counted(len(failed), 'failure')}, run.json has them):", width
    )
    for name, reason in list(failed.items())[:most]:
        rows += _wrapped(f"  {cut(display_text(name), 80)}: {cut(display_text(reason), 300)}", width)
    return [*rows, *([f"  and {len(failed) - most} more"] if len(failed) > most else []), ""]


def _roles(job: Job) -> list[str]:
    """Return a line for each role that is judged by values of its own."""
    found = []
    for name, role in job.roles.items():
        if (role.tolerance, role.requirement) == (job.tolerance, job.requirement):
            continue
        words = f"{role.tolerance.spoken(*job.grid.units)}; required {role.requirement.spoken(*job.grid.units)}"
        source = "" if role.tolerance.reference == job.tolerance.reference else f". Source: {role.tolerance.reference}"
        found.append(f"Role {cut(display_text(name), 24)}: {words}{display_text(source)}")
    return found


def _withheld(points: pd.DataFrame) -> list[str]:
    counts = wording.delivery_reasons(points[points["deliver"] == "no"]).value_counts()
    return ["Not delivered:", *(f"  {n:>5}  {reason}" for reason, n in counts.items()), ""] if len(counts) else []


def _worst(points: pd.DataFrame, job: Job, most: int = 8) -> list[str | _Table]:
    """Return the points that are farthest beyond what is accepted, both components beside their limits."""
    unit, unit_up = job.grid.units
    shown = points.iloc[wording.worst_first(points)[:most]]
    shown = shown[shown["excess"].notna()]
    if shown.empty:
        return []
    # What is done about a status is said above, once for all.
    said = shown["reason_key"].isin({key for key, reason in STATUS_REASONS.items() if reason.by_status})
    why = shown["reason"].astype("object").mask(said & shown["explained"].isna(), shown["finding"].astype("object"))
    cells = [("point", "status", "horizontal", "height", "why")]
    cells += [
        (
            cut(display_text(point), 24),
            status,
            wording.beside_limit(h, limit_h, unit),
            wording.beside_limit(v, limit_v, unit_up),
            cut(display_text(reason), LONGEST),
        )
        for point, status, h, limit_h, v, limit_v, reason in zip(
            *(
                shown[c]
                for c in ("point", "status", "worst_horizontal_m", "limit_h_m", "worst_vertical_m", "limit_v_m")
            ),
            why,
            strict=True,
        )
    ]
    return [f"Worst first. {wording.ABOUT_LIMIT}", _Table(cells), ""]


def _precision(classes: pd.DataFrame, job: Job, most: int = 12) -> list[str | _Table]:
    """Return what the stated precision is worth under each cover, and how often a fix is wrong."""
    rows = key_tables.class_table(classes, job)
    if not rows:
        return []
    about = "Precision stated → reckoned with (one sigma, 95 % bounds), wrong fixes, and where most of it comes from:"
    lines: list[str | _Table] = [about, _Table([key_tables.class_head(job), *rows[: most + 1]])]
    if len(rows) > most + 1:
        lines.append(f"  and {len(rows) - most - 1} more in the layer classes of review.gpkg")
    return [*lines, *(f"  {text}." for text in key_tables.class_sentences(classes, job)[: most // 2]), ""]


def _risk(points: pd.DataFrame) -> list[str]:
    """Return how many of the delivered points are expected to be outside the requirement."""
    given = points.loc[points["deliver"] == "yes", "risk"].dropna() if "risk" in points else points.iloc[:0, 0]
    if given.empty:
        return []
    sentence = (
        f"Of the {counted(len(given), 'point')} that may be delivered {expected(given.sum())} are expected to be "
        f"outside the requirement; the highest risk of any one point is {probability(given.max())}."
    )
    return [sentence, ""]


def _procedure(frames: Frames, job: Job) -> list[str]:
    """Return how many points meet the procedure asked for, and what is most often missing."""
    said = procedure.sentences(frames)
    if not said:
        return []
    rows = [f"  {cut(display_text(sentence[:1].upper() + sentence[1:]), LONGEST)}." for sentence in said]
    return [f"Procedure: {cut(display_text(job.procedure.reference), LONGEST)}", *rows, ""]


def _statements(frames: Frames) -> list[str]:
    """Return each statement as its standard has it, then those refused; those refused for one reason share theirs."""
    if "statements" not in frames or frames["statements"].empty:
        return []
    table = frames["statements"]
    refused = (table["outcome"] == REFUSED).to_numpy()
    said = list(table["text"][~refused])
    by_reason = table[refused].groupby("reason", sort=False, observed=True)["statement"]
    said += [f"not stated: {', '.join(names)}: {reason}" for reason, names in by_reason]
    about = "What may be stated of accuracy and precision, in each standard's own terms:"
    return [about, *(f"  {cut(display_text(sentence), LONGEST)}." for sentence in said), ""]


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
        rows.append(f"  {display_text(file)}:{line}  {cut(display_text(reason), LONGEST)}")
    if len(set_aside) > most:
        rows.append(f"  and {len(set_aside) - most} more in the layer set_aside of review.gpkg")
    return [*rows, ""]


def _wrapped(line: str, width: int, hang: int = 6) -> list[str]:
    """Return one line as lines that fit a terminal, the later ones indented; nothing is left out."""
    if len(line) <= width:
        return [line]
    lead = len(line) - len(line.lstrip())
    lines = textwrap.wrap(
        line[lead:], width, initial_indent=" " * lead, subsequent_indent=" " * hang, break_on_hyphens=False
    )
    return lines or [line]


#: Points up to which the short summary is shorter, its lines up to there and above (a command adds two), and points
#: it names.
FEW, LINES, MANY_LINES, NAMED = 40, 28, 38, 5
#: Lines that one matter of the whole site may take, and those kept for the reasons that hold points back.
_EACH, _REASONS = 2, 4
#: What is said where nothing known was observed, and where nothing shows fresh fixes.
NO_CONTROL = "no known point was checked: an error that all occupations share would not show"
NO_FIXES = "nothing shows which fixes are fresh: no two occupations are known to be independent"
CAUTION = "A review of internal evidence, not a certification. Precision is not accuracy."


def brief(
    frames: Frames,
    accounts: Mapping[str, Any],
    job: Job,
    failed: Mapping[str, str],
    told: Mapping[str, Any],
    width: int = WIDTH,
) -> list[Line]:
    """Return the review on one screen: at most `LINES` lines of text, `MANY_LINES` for many points.

    Parameters
    ----------
    frames, accounts, job, failed
        As those of `lines`.
    told
        Of what was written ``id``, ``folder``, ``files`` and what is ``lacking``; ``messages``; and
        ``applied``, the names of shifts that were taken off.
    width
        Columns of the terminal.
    """
    points = frames["points"]
    kinds = collections.Counter[str]()
    for one in accounts.values():
        kinds.update({kind: n["read"] for kind, n in one.items()})
    read = ", ".join(counted(n, kind.removesuffix("s")) for kind, n in kinds.items())
    aside = sum(n["set_aside"] for kinds in accounts.values() for n in kinds.values())
    first = [
        *(Line(text, look="bad") for text in _fewer(failures(failed, width)[:-1], 4, "failures: run.json")),
        *_short(
            Line(
                f": {counted(len(points), 'point')}, {counted(int(points['occupations'].sum()), 'occupation')}; "
                f"{read} read, {aside:,} set aside. {_limits(job)}",
                cut(display_text(job.site.name), 60),
            ),
            width,
        ),
        *_to_go(frames, job, width),
        *_given(points, width),
    ]
    last = [
        Line(""),
        *_short(Line(f" of review {told['id']} in {told['folder']}: {', '.join(told['files'])}", "Files"), width, 4),
        *(_short(Line(told["lacking"]), width) if told["lacking"] else ()),
        *_short(Line(f"All of it, with {counted(len(told['messages']), 'note')}: option -v, or the report."), width),
        *_short(Line(CAUTION, look="soft"), width),
    ]
    room = (LINES if len(points) <= FEW else MANY_LINES) - sum(bool(one.text) for one in (*first, *last))
    counts = wording.delivery_reasons(points[points["deliver"] == "no"]).value_counts()
    reasons = [Line(cut(f"{n:>6}  {display_text(reason)}", width)) for reason, n in counts.items()]
    kept = min(len(reasons), _REASONS)
    site = [line for text in _to_mend(told["messages"]) for line in _short(Line(f"  {text}"), width, 4)]
    site += [
        line for text in _of_site(frames, job, told["applied"]) for line in _short(Line(f"  {text}"), width, _EACH)
    ]
    site = _fewer(site, room - kept - 2, "lines: -v has them")
    reasons = _fewer(reasons, room - len(site) - 2, "reasons")
    held = [Line(""), Line(f": {int(counts.sum()):,}", "Held back", "bad"), *reasons] if reasons else []
    whole = [Line(""), Line(":", "The whole site", "warn"), *site] if site else []
    return [*first, *held, *whole, *last]


def _short(line: Line, width: int, most: int = 2) -> list[Line]:
    """Return a line as at most so many that fit; what is left out is marked."""
    first, *rest = _wrapped(line.head + line.text, width, 4)
    if len(rest) >= most:
        rest = [*rest[: most - 2], cut(f"    {' '.join(one.strip() for one in rest[most - 2 :])}", width)]
    return [Line(first[len(line.head) :], line.head, line.look), *(Line(one, look=line.look) for one in rest)]


def _fewer(lines: list[Any], most: int, more: str) -> list[Any]:
    """Return at most so many lines, the last of which says how many are left out."""
    if len(lines) <= most:
        return lines
    left = f"  and {len(lines) - most + 1} more {more}"
    return [*lines[: max(most - 1, 0)], Line(left) if isinstance(lines[0], Line) else left]


def _limits(job: Job) -> str:
    unit, up = job.grid.units
    both = [(job.tolerance.horizontal_m, unit, "horizontal"), (job.tolerance.vertical_m, up, "height")]
    return "Tolerance: " + ", ".join(f"{word} {length(m, u)}" for m, u, word in both if m is not None)


def _to_go(frames: Frames, job: Job, width: int) -> list[Line]:
    """Return how many points to go back to, and the first of them in the order of need: size, when, why."""
    if "revisits" not in frames:
        return []
    rows, look_up = to_visit(frames["revisits"].sort_values("rank", kind="stable"))
    if rows.empty:
        return [Line(""), Line(" to no point.", "Go back", "good")]
    way = walked(float(rows["walk_m"].sum()), job.grid.unit)
    said = [f"{counted(int(look_up.sum()), 'other')} to look up in the field book first"] * bool(look_up.any())
    said.append(f"all {way} on foot, in revisits.html")
    head = Line(f" to {counted(int((~look_up).sum()), 'point')}; {'; '.join(said)}.", "Go back", "bad")
    rows = rows[~look_up]
    table = _first_to_go(rows.head(NAMED), frames, job)
    more = [Line(f"  and {len(rows) - NAMED:,} more")] if len(rows) > NAMED else []
    return [Line(""), *_short(head, width), *(Line(row) for row in _cut_to(table, width)), *more]


def _first_to_go(rows: pd.DataFrame, frames: Frames, job: Job) -> list[tuple[str, ...]]:
    points = frames["points"].set_index(frames["points"]["point"].astype("str"))
    mine = points.loc[rows["point"].astype("str")]
    ends = frames["occupations"][["start_utc", "end_utc"]].max().max()
    units, zone = job.grid.units, clock.zone_of(job)
    table: list[tuple[str, ...]] = [("point", "differs by", "not before", "why")] if len(rows) else []
    for row, one in zip(rows.to_dict("records"), mine.to_dict("records"), strict=True):
        over = [
            one[f"worst_{axis}_m"] / one[f"limit_{name}_m"] for axis, name in (("horizontal", "h"), ("vertical", "v"))
        ]
        up = not over[0] >= over[1] and over[1] == over[1]
        size = one["worst_vertical_m" if up else "worst_horizontal_m"]
        told = f"{length(size, units[up])}{' in height' if up else ''}"
        when = row["earliest_utc"]
        later = clock.moment(when, zone, "%a %d %b %H:%M") if when == when and not when <= ends else "any time"
        why = _plainly(one) if row["finding"] == one["finding"] else row["finding"]
        table.append((cut(display_text(row["point"]), 16), told, later, display_text(why)))
    return table


def _plainly(point: Mapping[str, Any]) -> str:
    """Return why a point has its status without the axes, which its size tells."""
    try:
        return STATUS_REASONS[point["reason_key"]].words.format(axis="").strip()
    except KeyError:  # a reason with other blanks, or another step's
        return str(point["finding"])


def _cut_to(table: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return a table whose last cells are cut where they are too long, below the row where there is no room beside."""
    starts, last = _starts(_Table(table)), max((len(row[-1]) for row in table), default=0)
    if starts and len(starts[0]) + 2 + min(last, 24) > width:
        both = zip(starts[1:], table[1:], strict=True)
        return [cut(text, width).rstrip() for start, row in both for text in (start, f"    {row[-1]}")]
    return [cut(f"{start}  {row[-1]}", width) for start, row in zip(starts, table, strict=True)]


def _given(points: pd.DataFrame, width: int) -> list[Line]:
    """Return how many points may be delivered, and what of them is expected to be wrong."""
    n = int((points["deliver"] == "yes").sum())
    risk = _risk(points)[0].partition(" may be delivered ")[2] if n else ""
    return [
        Line(""),
        *_short(Line(f" {n:,} of {counted(len(points), 'point')}{risk and ': '}{risk}", "Deliver", "good"), width),
    ]


#: What a message has that says what to write in the recipe: a key and its value, or a table.
_KEY = re.compile(r"\b(?!p )[a-z_]+ = |\bAdd \[")


def _to_mend(messages: Sequence[str]) -> list[str]:
    """Return the messages that say what the recipe lacks, the job's own fault or a file's."""
    return [cut(display_text(text[:1].upper() + text[1:]), LONGEST) for text in messages if _KEY.search(text)]


def _of_site(frames: Frames, job: Job, applied: Sequence[str]) -> list[str]:
    """Return what is wrong with, or not known of, the whole site, the gravest first."""
    points, classes = frames["points"], frames["classes"]
    said = [wording.off_control(frames, job), *key_tables.shift_lines(frames.get("shifts"), job)]
    said += [f"applied as asked, and recorded: {', '.join(applied)}"] if applied else []
    checks = frames.get("control_checks")
    own = checks is not None and (checks["use"].astype("str") == CHECK).any()
    if not own:
        said.append(NO_CONTROL)
    elif not job.control.source:
        said.append("where the control's coordinates come from is not stated")
    said.append({"unknown": NO_FIXES}.get(job.input.initialization or "", ""))
    said += [recipe.judged_words(points)]
    for zone in frames["zones"].drop(columns="geometry").to_dict("records") if "zones" in frames else ():
        where = f", {wording.under(zone['canopy'])}" if isinstance(zone["canopy"], str) else ""
        said.append(
            f"{zone['zone']}: {zone['beyond']} of {counted(zone['judged'], 'judged point')} beyond tolerance{where}"
        )
    if "basis_h" in classes:
        names = np.array(key_tables.named(classes), dtype=object)
        strange = (classes["basis_h"] != OWN).to_numpy() & (np.arange(len(classes)) > 0)
        lent = [display_text(name) for name in names[strange]]
        said += [f"no pairs show what stated precision is worth under: {'; '.join(lent)}"] if lent else []
    if "changes" in frames:
        changes = frames["changes"]
        moved, met = int((changes["change"] == CHANGED).sum()), int((changes["revisit"] == DONE).sum())
        said.append(f"since the earlier review: {counted(moved, 'point')} changed, {counted(met, 'revisit')} done")
    decided = frames.get("decisions")
    said += (
        [f"{counted(len(decided), 'decision')} of the reviewer applied"] if decided is not None and len(decided) else []
    )
    return [cut(display_text(one[:1].upper() + one[1:]), LONGEST) for one in said if one]
