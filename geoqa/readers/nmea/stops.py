"""Occupations in a stream: who stood where by the field notes, and stops cut by initialization and averaged."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path, PurePath

import numpy as np

from geoqa.core import clock
from geoqa.core.arrays import Array, Index
from geoqa.core.errors import Fault, InputError
from geoqa.core.geodesy import System
from geoqa.core.job import SOLUTIONS, Recipe
from geoqa.core.statistics import averages, groups
from geoqa.core.statistics.averages import Average
from geoqa.core.statistics.groups import Fixes
from geoqa.readers import companions
from geoqa.readers.nmea import stillness
from geoqa.readers.nmea.epochs import FIXED, FLOAT, Epochs

NEEDED = ("point", "start", "end")
OPTIONAL = ("file", "antenna_height_m", "dropped", "canopy", "role", "operator", "base")
_WHERE = "[step.nmea] marks"
_YES, _NO = ("yes", "true", "1", "y"), ("no", "false", "0", "n", "")


@dataclass(frozen=True)
class Mark:
    """One mark.

    Attributes
    ----------
    line
        Its line in the file.
    point
        Name of the point.
    start_s, end_s
        From when to when it was occupied, seconds since 1970.
    file
        Path or pattern of the logs it is in, empty for all.
    antenna_height_m
        None where it is not stated.
    dropped
        Whether the solution was dropped on purpose before it, as stated.
    words
        What else is stated: canopy, role, operator, base.
    """

    line: int
    point: str
    start_s: float
    end_s: float
    file: str
    antenna_height_m: float | None
    dropped: bool
    words: dict[str, str]

    def is_in(self, paths: Sequence[PurePath]) -> bool:
        """Return whether the mark may be in a log that these files make."""
        return not self.file or any(PurePath(path).match(self.file) for path in paths)


def read_marks(path: Path, job: Recipe) -> list[Mark]:
    """Return the marks of the file at `path`, by start.

    Times are ISO 8601; those that carry no zone are in ``[input] timezone``.

    Raises
    ------
    InputError
        If the file cannot be read, or with every fault of it: names missing, times that are none, without zone
        or reversed, marks of one log that overlap.
    """
    faults: list[Fault] = []
    found = []
    for line, row in companions.table_rows(path, NEEDED, _WHERE, OPTIONAL):
        where = f"line {line}"
        start, end = (_moment(row[name], f"{where}: {name}", job, faults) for name in ("start", "end"))
        height = _number(row.get("antenna_height_m", ""), f"{where}: antenna_height_m", faults)
        dropped = row.get("dropped", "").casefold()
        if not row["point"]:
            faults.append(Fault(where, "has no point.", "Name it, or remove the line."))
        if dropped not in (*_YES, *_NO):
            faults.append(Fault(f"{where}: dropped", f"{dropped[:40]!r} is neither yes nor no."))
        if start is None or end is None:
            continue
        if end <= start:
            faults.append(Fault(where, "ends before it starts, or at once.", "Correct its times."))
        words = {name: row[name] for name in ("canopy", "role", "operator", "base") if row.get(name)}
        is_dropped = dropped in _YES
        found.append(Mark(line, row["point"], start, end, row.get("file", ""), height, is_dropped, words))
    found.sort(key=lambda mark: (mark.start_s, mark.line))
    for one, other in itertools.pairwise(found):
        if other.start_s < one.end_s and one.file == other.file:
            problem = f"begins before line {one.line} ends."
            faults.append(Fault(f"line {other.line}", problem, "State the log of each in a column file."))
    if faults:
        raise InputError.from_faults(f"{_WHERE}: {path.name} cannot be used:", faults[:50])
    return found


def _moment(text: str, where: str, job: Recipe, faults: list[Fault]) -> float | None:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        faults.append(Fault(where, f"{text[:40]!r} is no date and time.", "Write it as 2026-02-09T10:15:00Z."))
        return None
    if moment.tzinfo is None:
        if job.input.timezone is None:
            remedy = 'Add timezone = "UTC" (or another) under [input], or write it as 2026-02-09T10:15:00Z.'
            faults.append(Fault(where, f"{text[:40]!r} carries no zone.", remedy))
            return None
        moment = moment.replace(tzinfo=clock.zone(job.input.timezone))
    try:
        return moment.astimezone(UTC).timestamp()
    except (OverflowError, ValueError):
        faults.append(Fault(where, f"{text[:40]!r} is out of reach.", "Correct it."))
        return None


def _number(text: str, where: str, faults: list[Fault]) -> float | None:
    if not text:
        return None
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if 0 <= number <= 100:
        return number
    faults.append(
        Fault(where, f"{text[:40]!r} is no height between 0 and 100 m.", "Write it in metres, or leave it empty.")
    )
    return None


#: No receiver's fixed solution is believed to be better than this from epoch to epoch: east, north, up, metres.
FINEST_M = np.array([0.01, 0.01, 0.015])
#: How much faster than a fixed one each solution wanders by itself, in the order of `SOLUTIONS`.
WANDERS = np.array([1.0, 2.0, 4.0, 4.0, 4.0])
#: Clusters are two solutions where the empty space between them is wider than so many sigmas of one epoch.
APART = 6.0
#: Fixed positions that scatter so many times wider than the receiver states are told.
BEYOND_STATED = 5.0
#: A log with a longer interval is a row of single positions, seconds.
SLOWEST_S = 60.0
#: Fixed positions of one stop that lie farther than this from their middle are told, metres.
METRES_APART_M = 1.0
#: Epochs that make a cluster, at least.
FEWEST = 5


@dataclass(frozen=True)
class StopRules:
    """What makes an occupation; see the parameters of the step ``nmea``."""

    still_m_s: float
    gap_s: float
    least_s: float
    lost_s: float
    hold_s: float
    correlation_s: float
    vehicle_m_s: float
    zone: tzinfo = UTC


@dataclass(frozen=True)
class Stop:
    """A stretch in which the receiver stood still: positions `first` to `last` of the stream, and why it is one."""

    first: int
    last: int
    starts: str
    ends: str
    mark: Mark | None = None


@dataclass
class Occupation:
    """One occupation of a log.

    Attributes
    ----------
    number
        Of the stop it belongs to, from 1.
    used
        The epochs that are averaged, as places in the stream.
    own
        The first and last epoch that it accounts for: with those before the fix and those left out.
    solution, fix
        Place in `SOLUTIONS`, and number of the fix, -1 where none was held.
    part
        0, or the number of a further solution within the fix, from 1.
    lon, lat
        The place that `average` counts from, degrees.
    average
        Its mean and what it is worth.
    scatter_m, stated_m
        Of one epoch, along the worse of east and north: as seen, and as the receiver states it (NaN where it does
        not).
    """

    number: int
    used: Index
    own: tuple[int, int]
    solution: int
    fix: int
    starts: str
    ends: str
    mark: Mark | None = None
    part: int = 0
    lon: float = np.nan
    lat: float = np.nan
    average: Average = field(init=False)
    scatter_m: float = np.nan
    stated_m: float = np.nan


@dataclass(frozen=True)
class FoundStops:
    """What a stream holds: its occupations, its fixes, the stop of each epoch (0 for none), and messages."""

    occupations: list[Occupation]
    fixes: Fixes
    stop: Index
    messages: list[str]


def find_stops(epochs: Epochs, system: System, rules: StopRules, marks: Sequence[Mark] | None) -> FoundStops:
    """Return the occupations of a stream.

    Parameters
    ----------
    epochs
        The stream.
    system
        The job's coordinate system, for its ellipsoid.
    rules
        What makes an occupation.
    marks
        When points were occupied; None to find the stops.
    """
    columns = epochs.columns
    time_s = columns["us"] / 1e6
    interval = min(float(np.median(np.diff(time_s))), SLOWEST_S) if len(time_s) > 2 else 0.0
    rules = _for_rate(rules, interval)
    span = (time_s[0], time_s[-1]) if len(time_s) else (0.0, 0.0)
    within = [mark for mark in marks or () if mark.dropped and span[0] <= mark.end_s and mark.start_s <= span[1]]
    fixed, bare = columns["solution"] == FIXED, columns["solution"] > FLOAT
    anew = groups.restarts(time_s, fixed, bare, 2.5 * interval, rules.lost_s, rules.hold_s)
    dropped = np.append(anew, [mark.start_s for mark in within])
    found = groups.fixes(time_s, fixed, dropped, rules.lost_s, rules.hold_s, rules.gap_s)
    placed = np.flatnonzero(~np.isnan(columns["lat"]))
    messages: list[str] = []
    stops: list[Stop] = []
    if len(placed):
        east, north = stillness.metres(
            columns["lon"][placed], columns["lat"][placed], system.semi_major_m, system.flattening
        )
        speed = rules.still_m_s * WANDERS[columns["solution"][placed]]
        still = stillness.stops(time_s[placed], east, north, speed, rules.gap_s)
        seen = _reasons(placed[still[0]], placed[still[1]], placed, time_s, rules)
        if marks is None:
            halted = stillness.halts(time_s[placed], east, north, still, rules.vehicle_m_s, rules.gap_s)
            messages += _halted([stop for stop, is_halt in zip(seen, halted, strict=True) if is_halt], time_s, rules)
            stops = [stop for stop, is_halt in zip(seen, halted, strict=True) if not is_halt]
        else:
            stops = _of_marks(seen, marks, time_s, messages)
    long = [stop for stop in stops if time_s[stop.last] - time_s[stop.first] >= rules.least_s - 1e-6]
    messages += _short_marks(stops, time_s, rules) + _torn(stops, epochs, system, time_s, rules)
    if marks is None and not long and len(placed):
        messages.append(_no_stop(stops, time_s, rules))
    number_of = np.zeros(len(epochs), np.int64)
    occupations: list[Occupation] = []
    for number, stop in enumerate(long, 1):
        number_of[stop.first : stop.last + 1] = number
        parts = _by_fix(stop, number, found, epochs, time_s, rules)
        occupations += [one for part in parts for one in _solutions(part, epochs, system, time_s, rules, messages)]
    messages += _beyond_stated(occupations, time_s, rules)
    return FoundStops(occupations, found, number_of, messages)


def _for_rate(rules: StopRules, interval: float) -> StopRules:
    """Return the rules for a log's own rate: a slow one is no row of gaps, and one epoch of it is no loss."""
    return replace(rules, gap_s=max(rules.gap_s, 2.5 * interval), lost_s=max(rules.lost_s, 1.5 * interval))


def _reasons(first: Index, last: Index, placed: Index, time_s: Array, rules: StopRules) -> list[Stop]:
    """Return the stretches with why each starts and ends."""
    found = []
    rank = np.searchsorted(placed, np.stack([first, last]))
    for a, b, i, j in zip(first.tolist(), last.tolist(), *rank.tolist(), strict=True):
        starts, ends = "it came to rest", "it moved on"
        if i == 0:
            starts = "the log begins"
        elif time_s[a] - time_s[placed[i - 1]] > rules.gap_s:
            starts = f"the log goes on after a gap of {time_s[a] - time_s[placed[i - 1]]:.0f} s"
        if j == len(placed) - 1:
            ends = "the log ends"
        elif time_s[placed[j + 1]] - time_s[b] > rules.gap_s:
            ends = f"a gap of {time_s[placed[j + 1]] - time_s[b]:.0f} s"
        found.append(Stop(a, b, starts, ends))
    return found


def _of_marks(stops: list[Stop], marks: Sequence[Mark], time_s: Array, messages: list[str]) -> list[Stop]:
    """Return for each mark the longest still stretch within its times."""
    begins, ends = (np.array([getattr(stop, name) for stop in stops], np.int64) for name in ("first", "last"))
    found, missing = [], []
    for mark in marks:
        a, b = np.searchsorted(time_s, [mark.start_s, mark.end_s + 1e-6])
        if a == b:
            continue
        first, last = np.maximum(begins, a), np.minimum(ends, b - 1)
        inside = np.flatnonzero(first < last)
        if not len(inside):
            missing.append(mark)
            continue
        k = inside[np.argmax(time_s[last[inside]] - time_s[first[inside]])]
        stop = stops[k]
        starts = stop.starts if first[k] == begins[k] else "its mark begins"
        until = stop.ends if last[k] == ends[k] else "its mark ends"
        found.append(Stop(int(first[k]), int(last[k]), starts, until, mark))
    if missing:
        messages.append(f"the receiver never stood still within the times of {marks_named(missing)}: no occupation")
    return found


def marks_named(marks: Sequence[Mark]) -> str:
    """Return the first marks by point and line, and how many more there are."""
    named = ", ".join(f"{mark.point} (line {mark.line})" for mark in marks[:5])
    return named + (f" and {len(marks) - 5} more" if len(marks) > 5 else "")


def _short_marks(stops: list[Stop], time_s: Array, rules: StopRules) -> list[str]:
    short = [s.mark for s in stops if s.mark is not None and time_s[s.last] - time_s[s.first] < rules.least_s - 1e-6]
    if not short:
        return []
    named = ", ".join(f"{mark.point} (line {mark.line})" for mark in short[:5])
    return [f"{len(short)} marks hold less than {rules.least_s:g} s of rest and are no occupation: {named}"]


def _no_stop(stops: list[Stop], time_s: Array, rules: StopRules) -> str:
    rest = max((float(time_s[stop.last] - time_s[stop.first]) for stop in stops), default=0.0)
    longest = f"; the longest rest took {rest:.0f} s" if rest else ""
    return f"no stop found: the receiver never stood still for {rules.least_s:g} s{longest}"


def _torn(stops: list[Stop], epochs: Epochs, system: System, time_s: Array, rules: StopRules) -> list[str]:
    """Return what is told of stops, however short, whose fixed positions lie metres apart: a fix was wrong there."""
    told = []
    for stop in stops:
        here = np.arange(stop.first, stop.last + 1)
        used = here[epochs.columns["solution"][here] == FIXED]
        if len(used) < 2:
            continue
        place = _local(epochs, used, system)[0][:, :2]
        far = float(np.hypot(*(place - np.median(place, axis=0)).T).max())
        if far > METRES_APART_M:
            name = stop.mark.point if stop.mark else f"the stop at {_clock(time_s[stop.first], rules)}"
            rest = float(time_s[stop.last] - time_s[stop.first])
            told.append(
                f"{name}: its fixed positions lie up to {far:.1f} m from their middle within {rest:.0f} s of rest: a "
                "fix was wrong there, or the antenna was moved"
            )
    return told


def _halted(stops: list[Stop], time_s: Array, rules: StopRules) -> list[str]:
    """Return what is told of halts that were long enough for an occupation."""
    rest = [float(time_s[stop.last] - time_s[stop.first]) for stop in stops]
    long = [k for k, length in enumerate(rest) if length >= rules.least_s - 1e-6]
    if not long:
        return []
    first, total = _clock(time_s[stops[long[0]].first], rules), sum(rest[k] for k in long)
    return [
        f"{len(long)} stop{'s'[: len(long) > 1]} (from {first} on, {total:.0f} s of rest) taken for halts of a "
        f"vehicle, not for occupations: it came and left faster than {rules.vehicle_m_s:g} m/s within "
        f"{stillness.SOON_S:g} s. If points were measured from the vehicle, name them in marks, or set vehicle_m_s = 0 "
        "under [step.nmea]"
    ]


def _clock(time_s: float, rules: StopRules) -> str:
    """Return the time of day as people of the job read it; UTC is named."""
    return clock.moment(float(round(time_s)), rules.zone, "%H:%M:%S") + (" UTC" if rules.zone is UTC else "")


def _by_fix(stop: Stop, number: int, found: Fixes, epochs: Epochs, time_s: Array, rules: StopRules) -> list[Occupation]:
    """Return one occupation for each fix that lasted long enough in a stop; of one without any, its commonest state."""
    here = np.arange(stop.first, stop.last + 1)
    solution = epochs.columns["solution"][here]
    fix = np.where(solution == 0, found.of[here], -1)
    parts: list[Occupation] = []
    for one in np.unique(fix[fix >= 0]).tolist():
        used = here[fix == one]
        held = np.isfinite(found.hold_s[one])
        if held and time_s[used[-1]] - time_s[used[0]] >= rules.least_s - 1e-6:
            parts.append(Occupation(number, used, (0, 0), 0, one, "", "", stop.mark))
    if not parts:
        counts = np.bincount(solution[~np.isnan(epochs.columns["lat"][here])], minlength=len(SOLUTIONS))
        state = int(np.argmax(counts))
        used = here[(solution == state) & ~np.isnan(epochs.columns["lat"][here])]
        return [Occupation(number, used, (stop.first, stop.last), state, -1, stop.starts, stop.ends, stop.mark)]
    behind = stop.first
    for part in parts:
        first, last = int(part.used[0]), int(part.used[-1])
        is_last = part is parts[-1]
        part.own = (behind, stop.last if is_last else last)
        part.starts = stop.starts if first == stop.first else "the fix was found"
        part.ends = stop.ends if last == stop.last else "the fix was lost"
        if any(mark_s <= time_s[first] for mark_s in _dropped(stop)) and first == stop.first:
            part.starts = "its mark begins, the solution dropped as stated"
        behind = last + 1
    return parts


def _dropped(stop: Stop) -> list[float]:
    return [stop.mark.start_s] if stop.mark is not None and stop.mark.dropped else []


def _solutions(
    part: Occupation, epochs: Epochs, system: System, time_s: Array, rules: StopRules, messages: list[str]
) -> list[Occupation]:
    """Return the occupation with its average, or one for each solution that its positions split into."""
    columns = epochs.columns
    place, part.lon, part.lat = _local(epochs, part.used, system)
    stated = np.column_stack([columns[name][part.used] for name in ("sigma_e", "sigma_n", "sigma_u")])
    interval = float(np.median(np.diff(time_s[part.used]))) if len(part.used) > 1 else 1.0
    cluster = np.zeros(len(part.used), np.int64)
    if part.solution == FIXED:
        axes = np.flatnonzero(np.isfinite(place).all(axis=0))
        apart = _apart(place, stated, epochs.digits_m)[axes]
        fewest = max(FEWEST, round(rules.hold_s / max(interval, 1e-3)))
        cluster = averages.clusters(place[:, axes], apart, fewest)
    count = max(int(cluster.max(initial=0)) + 1, 1)
    if not (cluster >= 0).any():
        cluster[:] = 0
    result = []
    for k in range(count):
        mine = cluster == k
        used = part.used[mine]
        one = part if count == 1 else _solution(part, used, k)
        one.used = used
        made = averages.average(place[mine], stated[mine], interval, epochs.digits_m, rules.correlation_s)
        one.scatter_m, one.stated_m = _strain(place[mine, :2], stated[mine, :2])
        lone = int((cluster < 0).sum()) if k == 0 else 0
        one.average = replace(made, outlying=made.outlying + lone)
        result.append(one)
    if count > 1:
        messages.append(_told_apart(part, result, time_s, rules))
    return result


def _strain(place: Array, stated: Array) -> tuple[float, float]:
    """Return the scatter of east and north and the stated sigma along the axis where they differ most."""
    if len(place) < FEWEST or not np.isfinite(stated).any(axis=0).all():
        return np.nan, np.nan
    seen, said = place.std(axis=0), np.nanmedian(stated, axis=0)
    worst = int(np.argmax(seen / said))
    return float(seen[worst]), float(said[worst])


def _beyond_stated(found: list[Occupation], time_s: Array, rules: StopRules) -> list[str]:
    """Return what is told of fixed stops whose positions scatter far wider than the receiver states."""
    wide = [one for one in found if one.solution == FIXED and one.scatter_m > BEYOND_STATED * one.stated_m]
    if not wide:
        return []
    worst = max(wide, key=lambda one: one.scatter_m)
    name = worst.mark.point if worst.mark else f"the stop at {_clock(time_s[worst.own[0]], rules)}"
    many = f"{len(wide)} occupation{'s'[: len(wide) > 1]}"
    return [
        f"the fixed positions of {many} scatter more than {BEYOND_STATED:g} times as wide as the receiver states, the "
        f"worst, {name}, by {worst.scatter_m:.2f} m where {worst.stated_m:.3f} m is stated: it cannot be taken at its "
        "word there, and the scatter counts"
    ]


def _told_apart(part: Occupation, found: list[Occupation], time_s: Array, rules: StopRules) -> str:
    centres = np.array([one.average.mean[:2] for one in found])
    far = float(np.hypot(*(centres - centres[0]).T).max())
    name = part.mark.point if part.mark else f"the stop at {_clock(time_s[part.own[0]], rules)}"
    return (
        f"{name}: its fixed positions fall into {len(found)} places up to {far:.2f} m apart without the fix being "
        f"lost: {len(found)} solutions, or the antenna was shifted: not one average"
    )


def _solution(part: Occupation, used: Index, k: int) -> Occupation:
    """Return one of several solutions of a fix; the largest accounts for the epochs that belong to none."""
    own = part.own if k == 0 else (int(used[0]), int(used[-1]))
    note = f"solution {k + 1} of a fix that holds several"
    one = Occupation(part.number, used, own, 0, part.fix, note, note, part.mark, k)
    one.lon, one.lat = part.lon, part.lat
    return one


def _local(epochs: Epochs, used: Index, system: System) -> tuple[Array, float, float]:
    """Return east, north and up of epochs from their middle, shape (n, 3), and that middle in degrees."""
    lon, lat = epochs.columns["lon"][used], epochs.columns["lat"][used]
    # Longitudes around the date line are near each other.
    turned = (lon - lon[0] + 180) % 360 - 180
    lon0 = float((np.median(turned) + lon[0] + 180) % 360 - 180)
    lat0 = float(np.median(lat))
    origin = np.full(len(lon), lon0), np.full(len(lat), lat0)
    east, north = system.difference(*origin, lon, lat)
    return np.column_stack([east, north, epochs.columns["up"][used]]), lon0, lat0


def _apart(place: Array, stated: Array, digits_m: Array) -> Array:
    """Return the empty space along each axis that noise does not explain."""
    own = np.zeros(3)
    known = np.isfinite(stated).any(axis=0)
    own[known] = np.nanmedian(stated[:, known], axis=0)
    steps = averages.step_sigma(np.nan_to_num(place))
    sigma = np.maximum(np.maximum(own, steps), FINEST_M)
    return np.maximum(APART * sigma, 3 * digits_m)
