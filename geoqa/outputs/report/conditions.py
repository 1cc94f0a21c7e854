"""The sections on what observing was like here: receivers' logs, canopy and problem zones."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from geoqa.core.arrays import Frames, pd
from geoqa.core.frames import wording
from geoqa.core.frames.canopy import CLASS, SPOKEN
from geoqa.core.frames.logs import UNTIL_WORDS
from geoqa.core.job import Job
from geoqa.core.units import (
    NONE,
    bare,
    bounded,
    counted,
    duration,
    number,
    p_figure,
    part,
    share,
    signed,
    small_bare,
    small_unit,
    times,
)
from geoqa.outputs.report.document import Block, Items, Text, has, none, shown, table, word

#: Lengths of averages that are told, s, beside those that are long enough.
LENGTHS_S = (1, 10, 30, 60, 120, 300, 600, 1800, 3600)


def logs(frames: Frames, job: Job) -> list[Block]:
    """Return what the logs hold, how long crews waited, and what averages are worth."""
    if not has(frames, "epochs"):
        return none("No receiver's log was given: nothing is known of waiting times.")
    counts = frames["epochs"]["solution"].astype("str").value_counts()
    sentence = ", ".join(f"{n:,} {shown(name, 20)}" for name, n in counts.items() if n)
    found: list[Block] = [Text(f"{counted(len(frames['epochs']), 'position')} of receivers: {sentence}.")]
    if has(frames, "waits"):
        found.append(_waits(frames["waits"]))
    if has(frames, "wait_tests"):
        found.append(_wait_tests(frames["wait_tests"]))
    if has(frames, "durations"):
        found.append(_durations(frames["durations"], job))
    return found


def _waits(waits: pd.DataFrame) -> Block:
    rows = [
        (
            shown(name, 40), UNTIL_WORDS.get(str(row.until), str(row.until)), f"{row.attempts:,}",
            f"{row.reached:,}", _wait(row.half_s), _wait(row.most_s), duration(row.longest_s),
        )
        for name, row in zip(wording.class_words(waits), waits.itertuples(index=False), strict=True)
    ]  # fmt: skip
    head = ("cover", "until", "attempts", "came there", "half after", "nine in ten after", "longest")
    return table("Waiting", head, rows, (2, 3, 4, 5, 6), "waits")


def _wait(seconds: float) -> str:
    """Return how long it took; where it was not seen for so many, that."""
    return "not seen" if seconds != seconds else duration(seconds)


def _wait_tests(tests: pd.DataFrame) -> Block:
    rows = [
        (
            UNTIL_WORDS.get(str(row.until), str(row.until)), shown(str(row.canopy), 40), shown(str(row.other), 40),
            p_figure(row.p_adjusted),
        )
        for row in tests.itertuples(index=False)
    ]  # fmt: skip
    return table("Do waits differ by chance alone", ("until", "cover", "against", "p"), rows, (3,), "wait_tests")


def _durations(durations: pd.DataFrame, job: Job) -> Block:
    """Return what averages of some lengths spread; the plot and the layer have them all."""
    durations = durations[durations["duration_s"].isin(LENGTHS_S) | durations["flat"].astype(bool)]
    unit, told = job.grid.unit, small_unit(job.grid.unit)
    rows = [
        (
            shown(name, 40), duration(row.duration_s), f"{row.fixes:,}", small_bare(row.spread_h_m, unit),
            small_bare(row.same_fix_h_m, unit), times(row.effective_epochs), "yes" if row.flat else "",
        )
        for name, row in zip(wording.class_words(durations), durations.itertuples(index=False), strict=True)
    ]  # fmt: skip
    head = (
        "cover", "length", "fixes", f"spread across fixes, {told}", f"spread under one fix, {told}",
        "worth epochs", "longer is no better",
    )  # fmt: skip
    return table("What averages of fixed positions spread, per horizontal axis", head, rows, range(1, 6), "durations")


def canopy(frames: Frames, job: Job, patience_s: float | None) -> list[Block]:
    """Return what cover costs by class and by what a raster says, in sentences and numbers, and labels in doubt.

    Parameters
    ----------
    patience_s
        After how long a fix was late; None where canopy costs were not looked at.
    """
    if not frames["points"]["canopy"].notna().any() and not has(frames, "canopy_costs"):
        return none("No canopy is stated: what it costs here is not known.")
    if not has(frames, "canopy_costs") or patience_s is None:
        return none("What canopy costs here was not looked at, or there is too little to say.")
    costs, tests, curves = (frames[f"canopy_{name}"] for name in ("costs", "tests", "curves"))
    said = wording.canopy_sentences(costs, tests, curves, patience_s)
    found: list[Block] = [
        Items(tuple(_sentence(text) for text in said)) if said else Text("No cover is shown to cost more than another.")
    ]
    found += _classes(costs[costs["by"].astype("str") == CLASS], job)
    found += _quarters(costs[costs["by"].astype("str") != CLASS])
    return found + _checks(frames)


def _sentence(text: str) -> str:
    return f"{shown(text[:1].upper() + text[1:], 1200)}."


def _classes(costs: pd.DataFrame, job: Job) -> list[Block]:
    if costs.empty:
        return []
    unit, up = job.grid.units
    rows = [
        (
            shown(row.value, 40), f"{row.points:,}", f"{row.left_out:,}", f"{row.compared:,}",
            _median(row, "closure_h_m", unit), _median(row, "closure_v_m", up), _times(row),
            _of(row, "beyond", row.proven), _of(row, "late", row.waited),
        )
        for row in costs.itertuples(index=False)
    ]  # fmt: skip
    names = costs["reference"].dropna().astype("str").unique()
    reference = names[0] if len(names) else "the class compared with"
    head = (
        "cover", "points", "left out", "compared", f"median closure, {small_unit(unit)}",
        f"in height, {small_unit(up)}", f"times {shown(reference, 20)}", "beyond tolerance, of those proven",
        "late fix, of those timed",
    )  # fmt: skip
    left = (
        "Left out: points that a shift explains. Proven: not unproven. Together points and left out are all observed."
    )
    return [table("Closures between different visits by cover, each point once", head, rows, range(1, 9),
                  "canopy_costs"), Text(left, small=True)]  # fmt: skip


def _quarters(costs: pd.DataFrame) -> list[Block]:
    rows = []
    for row in costs.itertuples(index=False):
        words = shown(row.value, 40)
        if str(row.by) in SPOKEN:
            name, unit = SPOKEN[str(row.by)]
            ends = (row.from_value, row.to_value)
            span = " to ".join(share(end) if unit == "%" else number(end, 1) for end in ends)
            words = f"{name}, {span}{' m' * (unit == 'm')}"
        rows.append((words, f"{row.points:,}", _of(row, "beyond", row.proven)))
    head = ("quarter of the points", "points", "beyond tolerance, of those proven")
    return [table("By what the raster or the crew says in numbers", head, rows, (1, 2), "canopy_costs")] if rows else []


def _checks(frames: Frames) -> list[Block]:
    """Return the points whose label and map differ."""
    if not has(frames, "canopy_checks"):
        return []
    rows = [(shown(row.point, 40), shown(row.message, 200)) for row in frames["canopy_checks"].itertuples(index=False)]
    return [table("Covers that label and map tell differently", ("point", "what differs"), rows, (), "canopy_checks")]


def _median(row: Any, name: str, unit: str) -> str:
    value, low, high = (small_bare(getattr(row, f"{name}{end}"), unit) for end in ("", "_low", "_high"))
    return value if low == NONE else f"{value} ({low} to {high})"


def _site(zone: Any) -> str:
    """Return how many of all judged points of the site are beyond tolerance."""
    return part(round(zone.share_site * zone.judged_site), zone.judged_site) if zone.judged_site else NONE


def _of(row: Any, name: str, whole: int) -> str:
    """Return how many of how many, in percent with its bounds; a dash where there is none to count."""
    own, low, high = (getattr(row, f"{name}{end}") for end in ("", "_low", "_high"))
    return f"{round(own * whole):,} of {whole:,}, {bounded(own, low, high)}" if whole else NONE


def _times(row: Any) -> str:
    bounds = f" ({times(row.ratio_h_low)} to {times(row.ratio_h_high)})" if row.ratio_h_low > 0 else ""
    return times(row.ratio_h) + bounds


def zones(frames: Frames, job: Job) -> list[Block]:
    """Return where the site is bad beyond chance."""
    if "zones" not in frames:
        return none("Problem zones were not looked for.")
    found = frames["zones"]
    if found.empty:
        return none("No problem zone was found; a note says so where too few points were judged to look for one.")
    unit, up = job.grid.units
    rows = [
        (
            shown(row.zone, 40), f"{row.points:,}", part(row.beyond, row.judged),
            _site(row), bare(row.median_closure_m, unit), *_bias(row, unit, up),
            p_figure(row.p), shown(word(row.canopy), 40),
        )
        for row in found.itertuples(index=False)
    ]  # fmt: skip
    head = (
        "zone", "points", "beyond tolerance, of those judged", "on the whole site",
        f"median closure, {unit}", f"east, {unit}", f"north, {unit}", f"up, {up}", "p", "cover",
    )  # fmt: skip
    told = tuple(f"{shown(row.zone, 40)}: {shown(row.message, 600)}." for row in found.head(20).itertuples(index=False))
    return [
        table("Where the site is bad beyond chance", head, rows, range(1, 9), "zones"),
        Text("Judged: shown to agree or to disagree, with a place, and explained by no shift. East, north and up: what "
             "differences have too much there, the median, where their directions agree beyond chance. p: the "
             "probability of such a zone by chance.", small=True),
        Items(told),
    ]  # fmt: skip


def _bias(row: Any, unit: str, up: str) -> list[str]:
    """Return the common direction of a zone, dashes where it may be chance."""
    both = ((row.bias_e_m, unit), (row.bias_n_m, unit), (row.bias_u_m, up))
    return [signed(metres, u) if row.rests_on_direction else NONE for metres, u in both]


def parameter(record: Mapping[str, Any], step: str, name: str) -> float | None:
    """Return a parameter of a step as the run had it; None where the step did not run."""
    for one in record.get("steps", ()):
        if one.get("step") == step:
            return float(one["parameters"][name]["value"])
    return None
