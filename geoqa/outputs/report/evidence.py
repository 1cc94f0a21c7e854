"""The sections on the evidence: tolerance, independence, classes, shifts, control, statements, circumstances."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from geoqa.core.arrays import Frames, pd
from geoqa.core.frames import procedure, wording
from geoqa.core.frames.contract import STATUSES
from geoqa.core.frames.control import REFUSED, YES
from geoqa.core.frames.schema import GRADES, WHOLE_SITE
from geoqa.core.job import Job
from geoqa.core.steps import Figure
from geoqa.core.units import bare, bounded, counted, duration, part, probability, signed, small_bare, small_unit
from geoqa.outputs import key_tables
from geoqa.outputs.report import conditions
from geoqa.outputs.report.document import (
    MOST,
    Block,
    FactList,
    Items,
    Section,
    TableBlock,
    Text,
    has,
    none,
    shown,
    table,
)
from geoqa.outputs.report.first_page import FIXED


def sections(frames: Frames, job: Job, record: Mapping[str, Any], figures: Sequence[Figure]) -> list[Section]:
    """Return the sections, in the order of the review, each with the figures that belong to it.

    Parameters
    ----------
    record
        What run.json holds; its steps are read.
    """
    late_s = conditions.parameter(record, "canopy-costs", "patience_s")
    made: list[tuple[str, list[Block], tuple[str, ...]]] = [
        ("Tolerance and requirement", _limits(frames, job), ()),
        ("How independent the observations are", _independence(frames, job, record), ()),
        *([("How the points were to be observed", _procedure(frames, job), ())] if "procedure" in frames else []),
        ("What the stated precision is worth", _classes(frames, job), ("classes", "closures")),
        ("How long, and how many times", _plan(frames, job), ()),
        ("Errors that observations share", _shifts(frames, job, record), ()),
        ("Control", _control(frames, job), ()),
        *([("Measured by other methods", _checks(frames, job), ())] if has(frames, "point_checks") else []),
        ("What may be stated of accuracy", _statements(frames, job), ()),
        ("Receivers' logs", conditions.logs(frames, job), ("waits", "durations", "positions", "series")),
        (
            "What canopy costs",
            conditions.canopy(frames, job, late_s),
            ("canopy",),
        ),
        ("Problem zones", conditions.zones(frames, job), ()),
    ]
    placed = {name for _, _, names in made for name in names}
    found = [
        Section(title, (*blocks, *(one for one in figures if _kind(one) in names))) for title, blocks, names in made
    ]
    others = [one for one in figures if _kind(one) not in placed]
    return [*found, *([Section("Single points, and further figures", tuple(others))] if others else [])]


def _kind(figure: Figure) -> str:
    """Return what a figure shows: the first word of its name."""
    return figure.name.partition("-")[0]


def _limits(frames: Frames, job: Job) -> list[Block]:
    limits = (job.tolerance.spoken(*job.grid.units), job.requirement.spoken(*job.grid.units))
    rows = [("whole job", *limits, job.tolerance.signed_reference)]
    rows += [
        (
            shown(name, 40),
            role.tolerance.spoken(*job.grid.units),
            role.requirement.spoken(*job.grid.units) + ("; single by plan" if role.single_by_plan else ""),
            role.tolerance.signed_reference,
        )
        for name, role in job.roles.items()
    ]
    fixed = [(a, b.replace(" %", f"{FIXED}%"), c.replace(" %", f"{FIXED}%"), shown(d)) for a, b, c, d in rows]
    convention = {
        "closure": "A tolerance limits the difference between two independent observations of a point.",
        "from-mean": "A tolerance limits each visit against the average: two visits may differ by twice it.",
    }[job.tolerance.convention]
    head = ("role", "tolerance", "requirement of a delivered coordinate", "source of the tolerance")
    judged = {"h": "positions alone", "v": "heights alone", "hv": "positions and heights"}[job.requirement.judge]
    if "v" in job.requirement.judge and not frames["points"]["height_m"].notna().any():
        judged = "positions alone, as no height is known"
    return [
        Text(f"{convention} A requirement limits the error of a delivered coordinate; it is as the recipe states it. "
             f"Judged: {judged}."),
        table("What was accepted", head, fixed, (), "points"),
    ]  # fmt: skip


def _independence(frames: Frames, job: Job, record: Mapping[str, Any]) -> list[Block]:
    closures = frames["closures"]
    if closures.empty:
        return none("No point was observed twice: there is no pair.")
    meanings = _meanings(record)
    counts = [
        (
            grade,
            *(f"{int((closures[f'independence_{axis}'].astype('str') == grade).sum()):,}" for axis in "hv"),
            meanings[grade],
        )
        for grade in GRADES
    ]
    said = {
        "column": "Initializations are read from the input.",
        "asserted": f"That every row is a fresh initialization is asserted, not shown: {shown(job.input.asserted_by)}.",
        "unknown": "Initializations are unknown: nothing shows that two observations are independent.",
    }.get(job.input.initialization or "", "Initializations are taken from the input.")
    bases = int(closures["new_base"].astype(bool).sum())
    repeat = int(closures["sky_repeats"].astype(bool).sum())
    return [
        Text(said),
        TableBlock(
            "Pairs of observations by independence", ("grade", "horizontal", "height", "meaning"), tuple(counts), (1, 2)
        ),
        Text(
            f"Pairs shown to have another base set-up: {bases:,} of {len(closures):,}. Pairs in which the satellites "
            f"stand as they stood before: {repeat:,}."
        ),
    ]


def _procedure(frames: Frames, job: Job) -> list[Block]:
    """Return what was asked of how points were observed, by which document, and at how many points it is met."""
    if not job.procedure.signable:
        return [Text(f"{procedure.UNSIGNED[:1].upper()}{procedure.UNSIGNED[1:]}. What of it is met stands in the layer "
                     "procedure of review.gpkg.")]  # fmt: skip
    asked, table_of = frames["procedure_asked"], frames["procedure"]
    met = pd.crosstab(table_of["condition"].astype("str"), table_of["met"].astype("str"))
    counts = met.reindex(index=asked["condition"].astype("str"), columns=list(procedure.MET), fill_value=0)
    rows = [
        (shown(procedure.called(name), 40), shown(words, 120), *(f"{n:,}" for n in row), "yes" if must else "")
        for name, words, must, row in zip(
            counts.index, asked["asked"], asked["required"].astype(bool), counts.to_numpy().tolist(), strict=True
        )
    ]
    said = tuple(f"{shown(text[:1].upper() + text[1:], 800)}." for text in procedure.sentences(frames))
    head = ("condition", "asked", "met", "not met", "not shown", "required")
    return [
        FactList((("Source", shown(job.procedure.reference, 600)),)),
        Items(said),
        table("Points by condition", head, rows, (2, 3, 4), "procedure"),
        Text("Asked of points that were measured directly and are not known from before; of what is single by plan no "
             "second occupation. A value that nobody wrote shows nothing: it is neither met nor not met. The record "
             "has each point on a line.", small=True),
    ]  # fmt: skip


def _plan(frames: Frames, job: Job) -> list[Block]:
    """Return what visits of each number, length and separation would bring, and which of them pays."""
    if not has(frames, "plan"):
        return none("How long and how many times to observe was not worked out.")
    plan = frames["plan"]
    known = plan[plan["needs_more"].notna() & (plan["needs_more"] < 1)]
    if known.empty:
        return none(f"Nothing that was tried leads to a point that can be delivered: {shown(plan['basis'].iloc[0])}.")
    unit, up = job.grid.units

    def ends(row: Any, name: str) -> tuple[float, ...]:
        return tuple(getattr(row, f"{name}{end}") for end in ("", "_low", "_high"))

    def lengths(row: Any, name: str, unit: str) -> str:
        middle, low, high = (small_bare(metres, unit) for metres in ends(row, name))
        return middle if low == high else f"{middle} ({low} to {high})"

    names = wording.class_words(plan)[known.index]
    if names.nunique() > 1:  # what the whole site would do is told of its covers
        known = known[names != WHOLE_SITE]
    rows = [
        (
            shown(name, 40) + ": least time" * row.chosen, f"{row.visits}", duration(60 * row.minutes),
            duration(60 * row.separation_min), lengths(row, "radius95_m", unit), lengths(row, "up95_m", up),
            f"{probability(row.risk)} (to {probability(row.risk_high)})", bounded(*ends(row, "needs_more")),
            duration(row.time_s),
        )
        for name, row in zip(names[known.index], known.itertuples(index=False), strict=True)
    ]  # fmt: skip
    head = ("cover", "visits", "each", "apart", f"radius, {small_unit(unit)}", f"height, {small_unit(up)}", "risk",
            "one more", "on the point")  # fmt: skip
    said = tuple(f"{shown(text[:1].upper() + text[1:], 800)}." for text in wording.plan_sentences(plan))
    return [
        *([Items(said)] if said else [Text("Nothing that was tried meets requirement and risk.")]),
        table("What visits would bring, by what is known of each cover", head, rows, range(1, 9), "plan"),
        Text("Tried on drawn points that the steps of this review judged, by the job's own tolerance and requirement; "
             "in brackets, of a cover as good and as bad as its 95 % bounds. Radius and height: what 95 % of errors "
             "stay within; risk: of a delivered point to be further off than required; one more: points that cannot be "
             "delivered after that. A single visit is never delivered: nothing confirms it. A length is left out "
             "where no receiver's log shows what it does.", small=True),
    ]  # fmt: skip


def _meanings(record: Mapping[str, Any]) -> dict[str, str]:
    """Return what each grade of independence means, with the gaps that the run had."""

    def gap(step: str, name: str, per_s: float) -> str:
        value = conditions.parameter(record, step, name)
        return "far enough" if value is None else duration(value * per_s)

    apart = gap("visits", "separation_h_min", 60), gap("visits", "separation_v_min", 60)
    return {
        "copied": "the same row again: no evidence",
        "same-fix": "one initialization: no evidence",
        "fresh-fix": "another initialization, in the same visit",
        "separated": f"{apart[0]} apart or more; for the height {apart[1]}",
        "staggered": f"{gap('closures', 'staggered_h', 3600)} apart or more, under another sky",
    }


def _classes(frames: Frames, job: Job) -> list[Block]:
    classes = frames["classes"]
    rows = key_tables.class_table(classes, job)
    if not rows:
        return none("There are no canopy classes.")
    found: list[Block] = [Text(key_tables.CLASS_ABOUT, small=True)]
    found.append(table(key_tables.CLASS_TITLE, key_tables.class_head(job), rows, (1,), "classes"))
    sentences = key_tables.class_sentences(classes, job)
    if sentences:
        found.append(Items(tuple(f"{shown(text)}." for text in sentences[:MOST])))
    if f"share_{STATUSES[0]}" not in classes:
        return found
    shares = [
        (
            shown(name, 40), f"{row['points']:,}",
            *(part(round(row[f"share_{status}"] * row["points"]), row["points"]) for status in STATUSES),
        )
        for name, (_, row) in zip(
            wording.class_words(classes),
            classes.fillna({f"share_{status}": 0.0 for status in STATUSES}).iterrows(),
            strict=True,
        )
    ]  # fmt: skip
    head = ("cover", "observed points", *STATUSES)
    found.append(table("Observed points by cover and status", head, shares, range(1, 7), "classes"))
    return found


def _shifts(frames: Frames, job: Job, record: Mapping[str, Any]) -> list[Block]:
    """Return what was corrected before the review, and what stands out in it."""
    said = tuple(shown(one["said"], 800) for one in record.get("shifts_applied", ()))
    before: list[Block] = [Text("Corrected before this review, because it was asked:"), Items(said)] if said else []
    return [*before, *_suspicious(frames, job, key_tables.SHIFT_AFTER if said else key_tables.SHIFT_ABOUT)]


def _suspicious(frames: Frames, job: Job, about: str) -> list[Block]:
    if not has(frames, "shifts"):
        return none("Base set-ups, files and crews could not be compared: too few observations.")
    shifts = frames["shifts"]
    rows = key_tables.shift_table(shifts, job)
    if not rows:
        return none(f"{len(shifts):,} comparisons of set-ups, files, crews and stretches of work: none stands out.")
    suspicious = shifts[shifts["suspicious"].astype(bool)]
    told = tuple(f"{shown(str(row.setup), 80)}: {shown(row.message, 800)}" for row in suspicious.itertuples())
    cells = [tuple(shown(cell, 120) for cell in row) for row in rows]
    return [
        Text(about),
        table(key_tables.SHIFT_TITLE, key_tables.shift_head(job), cells, (2, 3, 4, 5), "shifts"),
        Items(told[:MOST]),
    ]


def _control(frames: Frames, job: Job) -> list[Block]:
    if not has(frames, "control_checks"):
        return [Text("No known point was observed: nothing here shows an error that all observations share.")]
    checks = frames["control_checks"]
    rows = [tuple(shown(cell, 60) for cell in row) for row in key_tables.control_table(checks, job)]
    source = shown(job.control.source or "not stated")
    return [
        FactList((("Source of the known coordinates", source),)),
        table(
            f"{key_tables.CONTROL_TITLE}. {key_tables.control_about(checks)}",
            key_tables.control_head(job),
            rows,
            (1, 2, 3),
            "control_checks",
        ),
    ]


def _checks(frames: Frames, job: Job) -> list[Block]:
    checks, told = frames["checks"], frames["point_checks"]
    unit = job.grid.unit
    between = [
        f"{shown(start, 40)} to {shown(end, 40)}" + ("" if pd.isna(at) else f", at {shown(at, 40)}")
        for start, end, at in zip(checks["from"], checks["to"], checks["at"], strict=True)
    ]
    rows = [
        (
            name, shown(row.kind, 40), f"{row.value:.10g} {shown(row.unit, 8)}", signed(row.closure_m, unit),
            bare(row.limit_m, unit), shown(row.verdict, 20),
            "" if pd.isna(row.instrument) else shown(row.instrument, 40),
        )
        for name, row in zip(between, checks.itertuples(index=False), strict=True)
    ]  # fmt: skip
    head = (
        "between", "measured", "as read", f"minus coordinates ({unit})", f"limit ({unit})", "verdict",
        "with",
    )  # fmt: skip
    about = (
        "What was measured between points without satellites moves no coordinate. It is compared with them, reduced "
        "to the grid by the scale of the projection and the height, and weighed with every way their fixes could be "
        "right or wrong. It proves a point along the directions it sees, and never the base."
    )
    of_points = [(shown(row.point, 60), shown(row.message, 200)) for row in told.itertuples(index=False)]
    return [
        Text(about),
        table("Measured checks", head, rows, (3, 4), "checks"),
        *([table("What they say of each point", ("point", "measured checks"), of_points, (), "point_checks")]),
    ]


def _statements(frames: Frames, job: Job) -> list[Block]:
    """Return what is stated in the terms of standards that the job's country or its recipe ask for."""
    if not has(frames, "statements"):
        return none("No statement of accuracy was tried: there is no control, line or field test.")
    every, conditions = frames["statements"], frames.get("statement_conditions")
    made = every[every["signed"].astype(bool)] if "signed" in every else every
    refused = (made["outcome"] == REFUSED).to_numpy()
    found: list[Block] = []
    if (~refused).any():
        found.append(Items(tuple(f"{shown(text, 800)}." for text in made["text"][~refused])))
    if refused.any():
        rows = [(shown(r.statement, 80), shown(r.reason, 600)) for r in made[refused].itertuples(index=False)]
        found.append(table("Withheld, and why", ("statement", "why"), rows, (), "statements"))
    if conditions is not None and not conditions.empty:
        found += _conditions(conditions[conditions["statement"].isin(made["statement"])])
    if left := len(every) - len(made):
        by = "" if job.american else '; those of American standards where statements = "american" stands under [report]'
        told = f"{counted(left, 'further statement')} stand{'s' * (left == 1)} in the layer statements of review.gpkg, "
        found.append(
            Text(f"{told}not here: a report states no values that nobody compared with their text{by}.", small=True)
        )
    return found


def _conditions(conditions: pd.DataFrame) -> list[Block]:
    """Return the conditions that are not met or not known; of the others only how many there are."""
    met = (conditions["met"] == YES).to_numpy()
    said = f"{int(met.sum()):,} of {len(conditions):,} conditions of these statements are met; all stand in the layer "
    rows = [
        (shown(row.statement, 80), shown(row.condition, 200), shown(row.met, 40), shown(row.found, 200))
        for row in conditions[~met].itertuples(index=False)
    ]
    head = ("statement", "condition", "met", "found")
    if conditions.empty:
        return []
    return [
        Text(f"{said}statement_conditions of review.gpkg."),
        *([table("Conditions not met, or not known to be", head, rows, (), "statement_conditions")] if rows else []),
    ]
