"""The sections on the evidence: tolerance, independence, classes, shifts, control, logs, canopy and zones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from geoqa.core.control_contracts import REFUSED, YES
from geoqa.core.figure import Figure
from geoqa.core.schema import GRADES, STATUSES
from geoqa.core.units import METRES_PER, length, signed
from geoqa.outputs import class_words, control_words, shift_words
from geoqa.outputs.report.document import Block, Facts, Items, Section, Table, Text, shown

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

Frames = Mapping[str, "pd.DataFrame"]
#: Rows shown of a long table; the rest stands in the files.
MOST = 60


def sections(frames: Frames, job: Job, figures: Sequence[Figure]) -> list[Section]:
    """Return the sections, in the order of the review, each with the figures that belong to it."""
    made: list[tuple[str, list[Block], tuple[str, ...]]] = [
        ("Tolerance and requirement", _limits(job), ()),
        ("How independent the observations are", _independence(frames, job), ()),
        ("What the stated precision is worth", _classes(frames, job), ("classes", "closures")),
        ("Errors that observations share", _shifts(frames, job), ()),
        ("Control", _control(frames, job), ()),
        ("What may be stated of accuracy", _statements(frames), ()),
        ("Receivers' logs", _logs(frames), ("waits", "durations", "positions", "series")),
        ("What canopy costs", _canopy(frames), ("canopy",)),
        ("Problem zones", _zones(frames, job), ()),
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


def has(frames: Frames, name: str) -> bool:
    """Return whether a frame is there and holds something."""
    return name in frames and not frames[name].empty


def table(
    caption: str,
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    numbers: Sequence[int],
    where: str,
    most: int = MOST,
) -> Table:
    """Return a table of at most `most` rows; the others are in `where`, a file or a layer of review.gpkg."""
    left = len(rows) - most
    place = where if "." in where else f"the layer {where} of review.gpkg"
    more = f"and {left:,} more in {place}" if left > 0 else ""
    return Table(caption, tuple(head), tuple(tuple(row) for row in rows[:most]), tuple(numbers), more=more)


def none(text: str) -> list[Block]:
    """Return what is said of a section without data."""
    return [Text(text)]


def _limits(job: Job) -> list[Block]:
    unit, factor = job.input.unit, METRES_PER[job.input.unit]
    rows = [
        ("whole job", job.tolerance.spoken(unit, factor), job.requirement.spoken(unit, factor), job.tolerance.reference)
    ]
    rows += [
        (
            shown(name, 40),
            role.tolerance.spoken(unit, factor),
            role.requirement.spoken(unit, factor) + ("; single by plan" if role.single_by_plan else ""),
            role.tolerance.reference,
        )
        for name, role in job.roles.items()
    ]
    rows = [(*row[:3], shown(row[3])) for row in rows]
    convention = {
        "closure": "A tolerance limits the difference between two independent observations of a point.",
        "from-mean": "A tolerance limits each visit against the average: two visits may differ by twice it.",
    }[job.tolerance.convention]
    head = ("role", "tolerance", "requirement of a delivered coordinate", "source of the tolerance")
    return [Text(convention), table("What was accepted", head, rows, (), "points")]


def _independence(frames: Frames, job: Job) -> list[Block]:
    closures = frames["closures"]
    if closures.empty:
        return none("No point was observed twice: there is no pair.")
    counts = [
        (
            grade,
            *(f"{int((closures[f'independence_{axis}'].astype('str') == grade).sum()):,}" for axis in "hv"),
            _GRADES[grade],
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
        Table(
            "Pairs of observations by independence", ("grade", "horizontal", "height", "meaning"), tuple(counts), (1, 2)
        ),
        Text(
            f"{bases:,} of {len(closures):,} pairs are shown to have another base set-up; in {repeat:,} the satellites "
            "stand as they stood before."
        ),
    ]


_GRADES = {
    "copied": "the same row again: no evidence",
    "same-fix": "one initialization: no evidence",
    "fresh-fix": "another initialization, minutes later",
    "separated": "20 minutes apart or more; for the height 45",
    "staggered": "4 hours apart or more, under another sky",
}


def _classes(frames: Frames, job: Job) -> list[Block]:
    classes = frames["classes"]
    rows = class_words.table(classes, job)
    if not rows:
        return none("There are no canopy classes.")
    found: list[Block] = [Text(class_words.ABOUT, small=True)]
    found.append(table(class_words.TITLE, class_words.head(job), rows, (1,), "classes"))
    sentences = class_words.sentences(classes, job)
    if sentences:
        found.append(Items(tuple(f"{shown(text)}." for text in sentences[:MOST])))
    shares = [
        (shown(str(row["canopy"]), 40), *(_percent(row.get(f"share_{status}")) for status in STATUSES))
        for _, row in classes.iterrows()
    ]
    head = ("cover", *(f"{status}, %" for status in STATUSES))
    found.append(table("Share of observed points", head, shares, range(1, 6), "classes"))
    return found


def _percent(share: object) -> str:
    return "–" if not isinstance(share, float) or share != share else f"{100 * share:.0f}"


def _shifts(frames: Frames, job: Job) -> list[Block]:
    if not has(frames, "shifts"):
        return none("Base set-ups, files and crews could not be compared: too few observations.")
    shifts = frames["shifts"]
    rows = shift_words.table(shifts, job)
    if not rows:
        return none(f"{len(shifts):,} comparisons of set-ups, files, crews and stretches of work: none stands out.")
    suspicious = shifts[shifts["suspicious"].astype(bool)]
    told = tuple(f"{shown(str(row.setup), 80)}: {shown(row.message, 800)}" for row in suspicious.itertuples())
    cells = [tuple(shown(cell, 120) for cell in row) for row in rows]
    return [
        Text(shift_words.ABOUT),
        table(shift_words.TITLE, shift_words.head(job), cells, (2, 3, 4, 5), "shifts"),
        Items(told[:MOST]),
    ]


def _control(frames: Frames, job: Job) -> list[Block]:
    if not has(frames, "control_checks"):
        return none("No known point was observed: nothing here shows an error that all observations share.")
    checks = frames["control_checks"]
    rows = [tuple(shown(cell, 60) for cell in row) for row in control_words.table(checks, job)]
    source = shown(job.control.source or "not stated")
    return [
        Facts((("Source of the known coordinates", source),)),
        Table(f"{control_words.TITLE}. {control_words.about(checks)}", control_words.head(job), tuple(rows), (1, 2, 3)),
    ]


def _statements(frames: Frames) -> list[Block]:
    if not has(frames, "statements"):
        return none("No statement of accuracy was tried: there is no control, line or field test.")
    made, conditions = frames["statements"], frames.get("statement_conditions")
    refused = (made["outcome"] == REFUSED).to_numpy()
    found: list[Block] = []
    if (~refused).any():
        found.append(Items(tuple(f"{shown(text, 800)}." for text in made["text"][~refused])))
    if refused.any():
        rows = [(shown(r.statement, 80), shown(r.reason, 600)) for r in made[refused].itertuples(index=False)]
        found.append(table("Withheld, and why", ("statement", "reason"), rows, (), "statements"))
    if conditions is not None and not conditions.empty:
        found += _conditions(conditions)
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
    return [
        Text(f"{said}statement_conditions of review.gpkg."),
        *([table("Conditions not met, or not known to be", head, rows, (), "statement_conditions")] if rows else []),
    ]


def _logs(frames: Frames) -> list[Block]:
    if not has(frames, "epochs"):
        return none("No receiver's log was given: nothing is known of waiting times.")
    counts = frames["epochs"]["solution"].astype("str").value_counts()
    sentence = ", ".join(f"{n:,} {name}" for name, n in counts.items())
    found: list[Block] = [Text(f"{len(frames['epochs']):,} positions: {sentence}.")]
    if has(frames, "waits"):
        rows = [
            (
                shown(str(row.canopy), 40), str(row.until), f"{row.attempts:,}", f"{row.reached:,}",
                _seconds(row.half_s), _seconds(row.most_s),
            )
            for row in frames["waits"].itertuples(index=False)
        ]  # fmt: skip
        head = ("cover", "until", "attempts", "came there", "half of them after, s", "nine in ten after, s")
        found.append(table("Waiting", head, rows, (2, 3, 4, 5), "waits"))
    return found


def _seconds(value: float) -> str:
    return "not seen" if value != value else f"{value:,.0f}"


def _canopy(frames: Frames) -> list[Block]:
    names = {str(name) for name in frames["points"]["canopy"].dropna().unique()}
    if not names:
        return none("No canopy is stated.")
    return none(f"Canopy classes: {', '.join(shown(name, 40) for name in sorted(names))}.")


def _zones(frames: Frames, job: Job) -> list[Block]:
    if "zones" not in frames:
        return none("Problem zones were not looked for.")
    zones = frames["zones"]
    if zones.empty:
        return none("Nowhere do points fail, or differ, more than chance would spread over the site.")
    unit, up = job.input.unit, job.input.height_unit
    rows = [
        (
            shown(row.zone, 40), f"{row.points:,}", f"{row.beyond:,} of {row.judged:,}", _percent(row.share),
            _percent(row.share_site), length(row.median_closure_m, unit), signed(row.bias_e_m, unit),
            signed(row.bias_n_m, unit), signed(row.bias_u_m, up), f"{row.p:.2g}", shown(str(row.canopy), 40),
        )
        for row in zones.itertuples(index=False)
    ]  # fmt: skip
    head = (
        "zone", "points", "beyond tolerance", "%", "site, %", "median closure", f"east, {unit}", f"north, {unit}",
        f"up, {up}", "p", "cover",
    )  # fmt: skip
    told = tuple(f"{shown(text, 600)}" for text in zones["message"])
    return [table("Where the site is bad beyond chance", head, rows, range(1, 10), "zones"), Items(told[:MOST])]
