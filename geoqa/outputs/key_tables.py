"""Classes, control and shifts as tables: for the key of the map, the terminal and the report."""

from __future__ import annotations

from typing import Any

from geoqa.core.arrays import np, pd, special
from geoqa.core.frames import wording
from geoqa.core.frames.control import BY_SETUP, CHECK
from geoqa.core.frames.schema import OTHER_CLASSES, OWN
from geoqa.core.frames.wording import class_words, under
from geoqa.core.job import Job
from geoqa.core.units import bounded, counted, length, p_value, probability, signed, small, small_bare, small_unit
from geoqa.outputs.text import cut, display_text

#: Most characters of a class's name in a cell.
LONGEST_NAME = 24
CLASS_TITLE = "What stated precision is worth here"
CLASS_ABOUT = (
    "One sigma as the receivers state it → what is reckoned with, with 95 % bounds; the share of fixes taken to be "
    "wrong (and the bounds that the class's own give); and where most of it comes from."
)
_AXES = (("h", "horizontally"), ("v", "in height"))
#: Where values come from, in few words.
_FROM = {OWN: "own pairs", OTHER_CLASSES: "other classes"}


def class_head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table, with the units its cells go without."""
    horizontal, height = (small_unit(_unit(axis, job)) for axis in "hv")
    return ("cover", "pairs", f"horizontal, {horizontal}", f"height, {height}", "wrong fixes", "known from")


def class_table(classes: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text per class, the whole site first; empty where `classes` is of an older review."""
    if "used_ratio_h" not in classes:
        return []
    return [
        (
            cut(display_text(name), LONGEST_NAME),
            f"{int(row['pairs']):,}",
            _worth(row, "h", job),
            _worth(row, "v", job),
            _wrong(row),
            _basis(row),
        )
        for name, (_, row) in zip(named(classes), classes.iterrows(), strict=True)
    ]


def class_sentences(classes: pd.DataFrame, job: Job) -> list[str]:
    """Return what each class with pairs of its own shows of the stated precision, in plain words."""
    if "used_ratio_h" not in classes:
        return []
    found = []
    for k, (name, (_, row)) in enumerate(zip(named(classes), classes.iterrows(), strict=True)):
        parts = [
            f"the stated {small(row[f'stated_{axis}_m'], _unit(axis, job))} was worth {_seen(row, axis, job)} {word}"
            for axis, word in _AXES
            if row[f"basis_{axis}"] == OWN and row[f"precision_ratio_{axis}"] == row[f"precision_ratio_{axis}"]
        ]
        site = k == 0 and not isinstance(row["canopy"], str)
        where = "On the whole site" if site else display_text(under(row["canopy"]))
        where += f", {display_text(row['solution'])}" if name.endswith(f", {row['solution']}") else ""
        if parts and (not site or len(classes) == 1):
            by = (
                f"{counted(int(row['pairs']), 'pair')} of different visits"
                if row["pairs"]
                else "checks on known points"
            )
            found.append(f"{where[:1].upper()}{where[1:]} {', '.join(parts)}; {by}")
    return found


def named(classes: pd.DataFrame) -> list[str]:
    """Return the canopy of each class, with the solution where the site has several."""
    words = class_words(classes)
    if len(classes["solution"].iloc[1:].drop_duplicates()) > 1:
        words += (", " + classes["solution"].astype("object")).fillna("")
    return words.tolist()


def _worth(row: Any, axis: str, job: Job) -> str:
    ratio, stated, unit = row[f"used_ratio_{axis}"], row[f"stated_{axis}_m"], _unit(axis, job)
    if ratio != ratio or stated != stated:
        return f"none stated → {small_bare(row[f'used_repeatability_{axis}_m'], unit)}"
    low, high = _bounds(row[f"degrees_of_freedom_{axis}"])
    used, least, most = (small_bare(stated * ratio * factor, unit) for factor in (1.0, low, high))
    return f"{small_bare(stated, unit)} → {used} ({least} to {most})"


def _bounds(freedom: float) -> tuple[float, float]:
    """Return what a scale known with so many degrees of freedom is multiplied with for its 95 % bounds."""
    low, high = (float((freedom / special.chdtri(freedom, q)) ** 0.5) for q in (0.025, 0.975))
    return low, high


def _seen(row: Any, axis: str, job: Job) -> str:
    stated, unit = row[f"stated_{axis}_m"], _unit(axis, job)
    middle, low, high = (stated * row[f"precision_ratio_{axis}{end}"] for end in ("", "_low", "_high"))
    return f"{small(middle, unit)} ({small_bare(low, unit)} to {small_bare(high, unit)})"


def _wrong(row: Any) -> str:
    used, low, high = (row[name] for name in ("used_wrong_fix_rate", "wrong_fix_rate_low", "wrong_fix_rate_high"))
    return bounded(used, low, high) if low == low else probability(used)


def _basis(row: Any) -> str:
    first, second = (_FROM.get(row[f"basis_{axis}"], row[f"basis_{axis}"]) for axis, _ in _AXES)
    return first if first == second else f"{first}; height {second}"


def _unit(axis: str, job: Job) -> str:
    """Return the unit of the job's coordinates, or of its heights."""
    return job.grid.unit_up if axis == "v" else job.grid.unit


CONTROL_TITLE = "Checks against control"
#: The first are shown; all stand in the layer of the GeoPackage.
MOST = 30


def control_head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table."""
    unit, up = job.grid.units
    return ("point", f"east, {unit}", f"north, {unit}", f"up, {up}", "remark")


def control_table(checks: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text for each comparison, in the order of the first screen: determined minus known."""
    unit, up = job.grid.units
    return [
        (_called(row), signed(row.de_m, unit), signed(row.dn_m, unit), signed(row.du_m, up), _remark(row))
        for row in wording.ordered(checks).head(MOST).itertuples(index=False)
    ]


def control_about(checks: pd.DataFrame) -> str:
    """Return what the table is, and how many of its rows are shown."""
    more = f" The first {MOST} of {len(checks):,}." if len(checks) > MOST else ""
    by = "base set-ups first, by how far they are beyond their uncertainty; then points, by the farther axis"
    return f"Determined minus known; {by}.{more}"


def control_points(checks: pd.DataFrame) -> list[str]:
    """Return the point of each row of `control_table`."""
    return wording.ordered(checks).head(MOST)["point"].astype("str").tolist()


def _called(row: object) -> str:
    of_setup = row.use == BY_SETUP  # type: ignore[attr-defined]
    return f"{row.setup} at {row.point}" if of_setup else str(row.point)  # type: ignore[attr-defined]


def _remark(row: object) -> str:
    if row.use == BY_SETUP:  # type: ignore[attr-defined]
        return "base set-up off control" if row.outlier else "a base set-up's mean"  # type: ignore[attr-defined]
    if row.use != CHECK:  # type: ignore[attr-defined]
        return f"no check: {row.use}"  # type: ignore[attr-defined]
    return "stands out" if row.outlier else ""  # type: ignore[attr-defined]


SHIFT_TITLE = "Errors that occupations seem to share"
_WHAT = "What the occupations of one base set-up, file, crew or stretch of work have too much, and what it looks like. "
SHIFT_ABOUT = f"{_WHAT}No coordinate was changed: geoqa review --apply-shift NAME does that when it is asked."
#: The same where some were applied.
SHIFT_AFTER = f"{_WHAT}These were not corrected."


def shift_head(job: Job) -> tuple[str, ...]:
    """Return the headings of the table."""
    unit, up = job.grid.units
    return ("of", "looks like", f"east, {unit}", f"north, {unit}", f"up, {up}", "points")


def shift_lines(shifts: pd.DataFrame | None, job: Job) -> list[str]:
    """Return each suspicious shift in a line, the surest first: what it looks like, of what, how large."""
    if shifts is None or "suspicious" not in shifts:
        return []
    unit, up = job.grid.units
    told = []
    for row in shifts[shifts["suspicious"].astype(bool)].sort_values("p", kind="stable").to_dict("records"):
        plan = float(np.hypot(row["de_m"], row["dn_m"]))
        size = f"{signed(row['du_m'], up)} {up} in height" if row["kind"] == "height" else length(plan, unit)
        size = length(row["reach_m"], unit) if row["reach_m"] == row["reach_m"] and row["kind"] != "height" else size
        what = row["looks_like"] if isinstance(row["looks_like"], str) else row["kind"]
        told.append(f"{what} ({row['setup']}): {size}, {counted(int(row['points']), 'point')}; settle it first")
    return told


def shift_table(shifts: pd.DataFrame, job: Job) -> list[tuple[str, ...]]:
    """Return one row of text for each suspicious shift."""
    unit, up = job.grid.units
    shown = shifts[shifts["suspicious"].astype(bool)]
    return [
        (
            str(row.setup),
            str(row.looks_like) if row.looks_like == row.looks_like else str(row.kind),
            signed(row.de_m, unit),
            signed(row.dn_m, unit),
            signed(row.du_m, up),
            f"{int(row.points):,}",
        )
        for row in shown.itertuples(index=False)
    ]


ZONE_TITLE = "Problem zones"
ZONE_HEAD = ("zone", "points", "judged", "beyond", "by chance", "canopy")
ZONE_ABOUT = (
    "Where points fail, or differ, more than chance spreads over a site; beyond: of those judged, beyond tolerance."
)


def zone_table(zones: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return one row of text for each problem zone."""
    return [
        (
            str(row.zone),
            f"{int(row.points):,}",
            f"{int(row.judged):,}",
            f"{int(row.beyond):,}",
            p_value(row.p),
            str(row.canopy) if isinstance(row.canopy, str) else "",
        )
        for row in zones.itertuples(index=False)
    ]
