"""Epochs from the sentences of a log, and their moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoqa.core.arrays import Array, Flags, Index
from geoqa.core.job import SOLUTIONS
from geoqa.readers.nmea.sentences import Sentences

Columns = dict[str, NDArray[Any]]


DAY_US = 86_400_000_000
#: What stands for no date, no time.
NO_TIME = np.iinfo(np.int64).min
#: The clock falls back by more than this at midnight; by less it is set, or sentences changed places.
HALF_US = DAY_US // 2
#: Two-digit years from here on are of the last century: GPS began in 1980.
CENTURY = 80
#: Kinds with a time of day.
TIMED = ("GGA", "GNS", "GST", "RMC", "ZDA")


@dataclass(frozen=True)
class Moments:
    """Moments of the sentences that carry a time.

    Attributes
    ----------
    of
        Microseconds since 1970 of each kind's sentences, `NONE` where there is no time; by kind.
    at, us
        Where the timed sentences start in the log, and their moments, in the order of the log.
    dated
        Whether the log tells a date.
    own_day
        Day since 1970 of the log's first position as the log tells it, None where it does not.
    """

    of: dict[str, Index]
    at: Index
    us: Index
    dated: bool
    own_day: int | None


def time_of_day(clock: Array) -> Index:
    """Return microseconds since midnight from hhmmss.ss as a number, `NONE` where it is none; shape (n,)."""
    fine = np.isfinite(clock) & (clock >= 0) & (clock < 240000)
    whole = np.rint(np.where(fine, clock, 0) * 1e6).astype(np.int64)
    seconds, rest = whole % 100_000_000, whole // 100_000_000
    minutes, hours = rest % 100, rest // 100
    fine &= (seconds < 61_000_000) & (minutes < 60) & (hours < 24)
    return np.where(fine, hours * 3_600_000_000 + minutes * 60_000_000 + seconds, NO_TIME)


def day_number(day: Array, month: Array, year: Array) -> Index:
    """Return days since 1970, `NONE` where the three are no date; shape (n,)."""
    known = np.isfinite(day) & np.isfinite(month) & np.isfinite(year)
    d, m, y = (np.where(known, value, 1).astype(np.int64) for value in (day, month, year))
    known &= (m >= 1) & (m <= 12) & (y >= 1980) & (y < 2100)
    months = np.where(known, (y - 1970) * 12 + m - 1, 0).astype("datetime64[M]")
    first = months.astype("datetime64[D]").astype(np.int64)
    length = (months + 1).astype("datetime64[D]").astype(np.int64) - first
    return np.where(known & (d >= 1) & (d <= length), first + d - 1, NO_TIME)


def moments(found: Sentences, day: int | None) -> Moments:
    """Return when each sentence was written.

    A sentence is of the day that RMC or ZDA of the same time tell; without them the day of the nearest one
    before, else behind, is counted on over midnight. RMC that calls itself void tells nothing.

    Parameters
    ----------
    found
        The sentences of a log.
    day
        Day since 1970 of the first position, for a log that tells no date; None where nobody knows.
    """
    clocks = {kind: time_of_day(found.kinds[kind]["clock"]) for kind in TIMED}
    days = {kind: np.full(len(clock), NO_TIME) for kind, clock in clocks.items()}
    days["RMC"], days["ZDA"] = _stated_days(found)
    at = np.concatenate([found.kinds[kind]["at"] for kind in TIMED])
    order = np.argsort(at, kind="stable")
    clock, told = (np.concatenate([part[kind] for kind in TIMED])[order] for part in (clocks, days))
    sure = np.concatenate([_is_sure(found, kind) for kind in TIMED])[order]
    dated = bool(((told != NO_TIME) & (clock != NO_TIME)).any())
    resolved = _days(clock, told, sure, day)
    us = np.where((clock == NO_TIME) | (resolved == NO_TIME), NO_TIME, resolved * DAY_US + clock)
    back = np.empty(len(us), np.int64)
    back[order] = us
    ends = np.cumsum([len(clocks[kind]) for kind in TIMED])[:-1]
    own = resolved[sure & (resolved != NO_TIME)]
    return Moments(
        of=dict(zip(TIMED, np.split(back, ends), strict=True)), at=at[order], us=us, dated=dated,
        own_day=int(own[0]) if dated and len(own) else None,
    )  # fmt: skip


def _stated_days(found: Sentences) -> tuple[Index, Index]:
    """Return the days that RMC and ZDA sentences tell."""
    rmc, zda = found.kinds["RMC"], found.kinds["ZDA"]
    date = np.where((rmc["status"] == ord("A")) & (rmc["date"] >= 10100) & (rmc["date"] < 320000), rmc["date"], np.nan)
    year = date % 100
    of_rmc = day_number(date // 10000, date // 100 % 100, np.where(year >= CENTURY, 1900, 2000) + year)
    return of_rmc, day_number(zda["day"], zda["month"], zda["year"])


def _is_sure(found: Sentences, kind: str) -> Flags:
    """Return which sentences a clock that is set stands behind: before the first fix it may show anything."""
    columns: dict[str, NDArray[Any]] = dict(found.kinds[kind])
    if kind in ("GGA", "GNS"):
        return np.isfinite(columns["lat"]) & ~(columns.get("quality", np.ones(len(columns["lat"]))) == 0)
    return columns["status"] == ord("A") if kind == "RMC" else np.zeros(len(columns["at"]), bool)


def _days(clock: Index, told: Index, sure: Flags, first_day: int | None) -> Index:
    """Return the day of each timed sentence, `NONE` where nothing tells it."""
    n, place = len(clock), np.arange(len(clock))
    known = clock != NO_TIME
    steady = known & sure
    # Midnights passed, counted over sentences whose clock is set; the others are of the day of the one before.
    last = np.maximum.accumulate(np.where(steady, place, -1))
    jump = np.zeros(n, np.int64)
    seen = np.flatnonzero(steady)
    fall = np.diff(clock[seen])
    jump[seen[1:]] = (fall < -HALF_US).astype(np.int64) - (fall > HALF_US)
    passed = np.cumsum(jump)
    # A sentence that is not sure, right behind midnight, is a day on from the last sure one.
    lone = known & ~steady & (last >= 0)
    step = np.where(lone, clock - clock[np.maximum(last, 0)], 0)
    passed = passed + np.where(lone, (step < -HALF_US).astype(np.int64) - (step > HALF_US), 0)
    anchor = known & (told != NO_TIME)
    # Before the first fix the clock may show anything, also in ZDA.
    anchor &= sure | (last >= 0) | ~(anchor & (sure | (last >= 0))).any()
    if not anchor.any():
        begin = int(seen[0]) if len(seen) else 0
        return np.full(n, NO_TIME) if first_day is None or not n else first_day + passed - passed[begin]
    before = np.maximum.accumulate(np.where(anchor, place, -1))
    behind = np.minimum.accumulate(np.where(anchor, place, n)[::-1])[::-1]
    same_behind = (behind < n) & (clock[np.minimum(behind, n - 1)] == clock)
    same_before = (before >= 0) & (clock[np.maximum(before, 0)] == clock)
    use = np.where(same_before | ((before >= 0) & ~same_behind), before, np.minimum(behind, n - 1))
    same = np.where(same_before, True, same_behind)
    return np.where(same, told[use], told[use] + passed - passed[use])


FIXED, FLOAT, DIFFERENTIAL, AUTONOMOUS, NONE = range(len(SOLUTIONS))
_NOT_MEASURED = {6: "it is estimated, not measured (quality 6)", 7: "it was keyed in by hand (quality 7)",
                 8: "it is simulated (quality 8)"}  # fmt: skip
#: GGA quality: 0 none, 1 autonomous, 2 differential, 3 PPS, 4 fixed, 5 float.
_SOLUTION_OF = np.array([NONE, AUTONOMOUS, DIFFERENTIAL, AUTONOMOUS, FIXED, FLOAT], np.int8)
#: The letters of GNS, one a satellite system; a position is worth its least sure one.
_LETTERS = (("E", 6), ("M", 7), ("S", 8), ("A", 1), ("P", 3), ("D", 2), ("F", 5), ("R", 4))
#: A minute of latitude, near enough for the size of a last digit, in metres.
METRES_PER_MINUTE = 1855.3
_SIGMAS = ("sigma_e", "sigma_n", "sigma_u", "major", "minor", "azimuth")


@dataclass(frozen=True)
class Epochs:
    """The epochs of a log, by growing time.

    Attributes
    ----------
    columns
        Arrays of shape (n,): ``us`` (microseconds since 1970), ``lon``, ``lat`` (degrees, NaN where there is no
        position), ``altitude``, ``separation`` (metres), ``solution`` (position in `SOLUTIONS`), ``satellites``,
        ``hdop``, ``age``, ``sigma_e`` ... ``azimuth`` (as GST has them), ``cov_en``, ``pdop``, ``in_view``, ``at``
        (in the log), ``line``.
    aside
        Where epochs set aside start in the log, their line and why.
    digit_m, digit_up_m
        Step of the positions as written, in metres along the meridian, and of the heights, metres; None for none.
    messages
        What a person should know.
    heights_told
        Whether they say that heights lie on steps coarser than they are written.
    """

    columns: Columns
    aside: tuple[tuple[int, int, str], ...]
    digit_m: float
    digit_up_m: float | None
    messages: tuple[str, ...]
    heights_told: bool = False

    def __len__(self) -> int:
        return len(self.columns["us"])

    @property
    def digits_m(self) -> Array:
        """Step of east, north and up, metres; shape (3,)."""
        return np.array([self.digit_m, self.digit_m, self.digit_up_m or 0.0])


def without_copies(streams: Sequence[Epochs], names: Sequence[str]) -> list[Epochs]:
    """Return streams, in order of their names given, without epochs that an earlier one holds: set aside.

    One stream logged twice, by two programs for instance, has the same positions at the same moments, to the last
    digit: they are one fix and no second witness of it.
    """
    if len(streams) < 2:
        return list(streams)
    of = np.repeat(np.arange(len(streams)), [len(one) for one in streams])
    us, lat, lon = (np.concatenate([one.columns[name] for one in streams]) for name in ("us", "lat", "lon"))
    order = np.lexsort((of, lon, lat, us))
    # Without a position nothing is the same: NaN is not equal to itself.
    same = (np.diff(us[order]) == 0) & (np.diff(lat[order]) == 0) & (np.diff(lon[order]) == 0)
    first = np.maximum.accumulate(np.where(np.append(True, ~same), np.arange(len(us)), 0)) if len(us) else order
    holder = np.empty(len(us), np.int64)
    holder[order] = of[order[first]]
    return [_kept(one, holder[of == k] == k, [names[j] for j in holder[of == k]]) for k, one in enumerate(streams)]


def _kept(one: Epochs, kept: Flags, holders: list[str]) -> Epochs:
    if kept.all():
        return one
    at, line = one.columns["at"], one.columns["line"]
    copies = [(int(at[i]), int(line[i]), f"it stands in {holders[i]} already") for i in np.flatnonzero(~kept).tolist()]
    columns = {name: values[kept] for name, values in one.columns.items()}
    return replace(one, columns=columns, aside=(*one.aside, *copies))


def epochs(found: Sentences, moments: Moments) -> Epochs:
    """Return the epochs of a log.

    Parameters
    ----------
    found
        Its sentences.
    moments
        When they were written.
    """
    columns = _positions(found, moments)
    order = np.argsort(columns["us"], kind="stable")
    columns = {name: values[order] for name, values in columns.items()}
    why, words = _refused(columns)
    aside = tuple(
        (int(columns["at"][i]), int(columns["line"][i]), words[int(why[i])]) for i in np.flatnonzero(why).tolist()
    )
    columns = {name: values[why == 0] for name, values in columns.items() if name not in ("odd", "unit")}
    nowhere = np.isnan(columns["lat"])
    columns["solution"] = np.where(nowhere, NONE, _SOLUTION_OF[np.clip(columns.pop("quality"), 0, 5)]).astype(np.int8)
    messages = _precision(found, moments, columns)
    columns["pdop"] = _since(found.kinds["GSA"], "pdop", moments, columns["us"])
    columns["in_view"] = _in_view(found.kinds["GSV"], moments, columns["us"])
    digit = 10.0 ** -_digits(columns) * METRES_PER_MINUTE
    up = columns.pop("decimals_up")[np.isfinite(columns["altitude"])]
    for name in ("decimals", "minutes"):
        columns.pop(name)
    return Epochs(columns, aside, digit, 10.0 ** -int(up.max()) if len(up) else None, messages)


def _positions(found: Sentences, moments: Moments) -> Columns:
    """Return the positions of GGA, and of GNS where there is no GGA of that moment."""
    gga, gns = found.kinds["GGA"], found.kinds["GNS"]
    of_gga, of_gns = moments.of["GGA"], moments.of["GNS"]
    # GNS without a position continues one with it, for another satellite system.
    alone = ~np.isin(of_gns, of_gga)
    placed = np.isfinite(gns["lat"])
    alone &= placed | ~np.isin(of_gns, of_gns[placed])
    alone[alone] &= placed[alone] | ~_repeated(of_gns[alone])
    quality = np.concatenate([_whole(gga["quality"]), _of_letters(gns["mode"])[alone]])
    made: Columns = {"us": np.concatenate([of_gga, of_gns[alone]]), "quality": quality}
    kept = [
        "lat", "lon", "altitude", "separation", "satellites", "hdop", "age", "at", "line", "decimals", "decimals_up",
    ]  # fmt: skip
    made |= {name: np.concatenate([gga[name], gns[name][alone]]) for name in kept}
    side = {name: np.concatenate([gga[name], gns[name][alone]]) for name in ("ns", "ew")}
    metres = (gga["altitude_unit"] == ord("M")) & ((gga["separation_unit"] == ord("M")) | np.isnan(gga["separation"]))
    made["unit"] = np.concatenate([metres | np.isnan(gga["altitude"]), np.ones(int(alone.sum()), bool)])
    made["minutes"] = made["lat"]
    lat, odd_lat = _degrees(made["lat"], side["ns"] == ord("N"), side["ns"] == ord("S"), 90)
    lon, odd_lon = _degrees(made["lon"], side["ew"] == ord("E"), side["ew"] == ord("W"), 180)
    nothing = (quality == 0) | (np.isnan(made["lat"]) & np.isnan(made["lon"]))
    made["lat"], made["lon"] = np.where(nothing, np.nan, lat), np.where(nothing, np.nan, lon)
    return made | {"odd": ~nothing & (odd_lat | odd_lon)}


def _repeated(values: Index) -> Flags:
    """Return which values repeat an earlier one."""
    found = np.ones(len(values), bool)
    found[np.unique(values, return_index=True)[1]] = False
    return found


def _whole(values: Array) -> Index:
    return np.where(np.isfinite(values) & (np.abs(values) < 1e6), values, -1).astype(np.int64)


def _of_letters(mode: NDArray[Any]) -> Index:
    """Return the GGA quality that each GNS mode stands for; -1 where it is no mode."""
    words, which = np.unique(mode.astype(str), return_inverse=True)
    worth = [
        next((quality for letter, quality in _LETTERS if letter in word), 0 if set(word) <= {"N"} else -1)
        for word in words.tolist()
    ]
    return np.array(worth, np.int64)[which]


def _degrees(value: Array, plus: Flags, minus: Flags, most: float) -> tuple[Array, Flags]:
    """Return degrees from dddmm.mmm, and which are none."""
    degrees = np.floor(value / 100)
    angle = degrees + (value - 100 * degrees) / 60
    fine = np.isfinite(value) & (value >= 0) & (value - 100 * degrees < 60) & (angle <= most) & (plus | minus)
    return np.where(fine, np.where(minus, -angle, angle), np.nan), ~fine


def _refused(columns: Columns) -> tuple[Index, list[str]]:
    """Return why each position is set aside, as a place in the words, 0 for none."""
    us, quality = columns["us"], columns["quality"]
    # The first with a position stands for its moment; a moment that is none has no others.
    order = np.lexsort((np.isnan(columns["lat"]), us))
    repeats = np.zeros(len(us), bool)
    repeats[order[1:]] = (us[order[1:]] == us[order[:-1]]) & (us[order[1:]] != NO_TIME)
    reasons: list[tuple[Flags, str]] = [
        (us == NO_TIME, "its time is none"),
        (columns["odd"], "its latitude or longitude is none"),
        *((quality == number, text) for number, text in _NOT_MEASURED.items()),
        ((quality < 0) | (quality > 8), "its quality is none that is known here"),
        (~columns["unit"], "its heights are not in metres"),
        (repeats, "it is a second position of the same moment"),
    ]
    why = np.zeros(len(us), np.int64)
    for number, (hit, _) in enumerate(reasons, 1):
        why[hit & (why == 0)] = number
    return why, ["", *(text for _, text in reasons)]


def _precision(found: Sentences, moments: Moments, columns: Columns) -> tuple[str, ...]:
    """Add what GST says of each epoch; return where its ellipse and its sigmas contradict each other."""
    gst, us = found.kinds["GST"], moments.of["GST"]
    here, there = _joined(us, columns["us"])
    for name in _SIGMAS:
        values = np.full(len(columns["us"]), np.nan)
        values[here] = gst[name][there]
        # Nothing is known to the last digit: a zero stands for nothing.
        columns[name] = values if name == "azimuth" else np.where(values > 0, values, np.nan)
    sigma_e, sigma_n, major, minor = (columns[name] for name in ("sigma_e", "sigma_n", "major", "minor"))
    turn = np.radians(columns["azimuth"])
    half = (major**2 - minor**2) / 2
    cov = half * np.sin(2 * turn)
    seen_n = np.sqrt((major**2 + minor**2) / 2 + half * np.cos(2 * turn))
    seen_e = np.sqrt((major**2 + minor**2) / 2 - half * np.cos(2 * turn))
    # The correlation of the ellipse with the sigmas as stated: always a covariance.
    with np.errstate(divide="ignore", invalid="ignore"):
        columns["cov_en"] = cov / (seen_e * seen_n) * sigma_e * sigma_n
    wrong = _contradict(columns, seen_e, seen_n)
    if not wrong.any():
        return ()
    line = int(columns["line"][np.argmax(wrong)])
    return (
        f"in {int(wrong.sum())} of {len(here)} epochs with GST the error ellipse and the sigmas contradict each other "
        f"beyond rounding (first in the epoch of line {line}): both are kept, the sigmas are used",
    )


def _joined(us: Index, epochs_us: Index) -> tuple[Index, Index]:
    """Return which epochs have a sentence of their moment, and the first such sentence."""
    order = np.argsort(us, kind="stable")
    place = np.searchsorted(us[order], epochs_us)
    there = np.append(us[order], NO_TIME)[place] == epochs_us
    return np.flatnonzero(there), order[place[there]]


def _contradict(columns: Columns, seen_e: Array, seen_n: Array) -> Flags:
    """Return in which epochs the sigmas differ from those of the ellipse by more than rounding makes."""
    stated = np.concatenate([columns[name][:200] for name in ("sigma_e", "sigma_n", "major", "minor")])
    stated = stated[np.isfinite(stated)]
    digits = next((d for d in range(7) if (np.abs(stated * 10**d - np.rint(stated * 10**d)) < 1e-6).all()), 6)
    # Half a digit of each of four numbers, and half a tenth of a degree of the azimuth.
    limit = 2 * 10.0**-digits + 0.002 * np.abs(columns["major"] - columns["minor"])
    off = np.fmax(np.abs(seen_e - columns["sigma_e"]), np.abs(seen_n - columns["sigma_n"]))
    return np.isfinite(off) & (off > limit)


def _since(kind: Columns, name: str, moments: Moments, us: Index) -> Array:
    """Return a value that stands behind a timed sentence, for the epochs of that sentence's moment."""
    values, when = kind[name], _last_moment(kind["at"], moments)
    known = np.isfinite(values) & (when != NO_TIME)
    here, there = _joined(when[known], us)
    result = np.full(len(us), np.nan)
    result[here] = values[known][there]
    return result


def _last_moment(at: Index, moments: Moments) -> Index:
    """Return the moment of the last timed sentence before each place in the log."""
    place = np.searchsorted(moments.at, at) - 1
    return np.where(place >= 0, np.append(moments.us, NO_TIME)[place], NO_TIME)


def _in_view(gsv: Columns, moments: Moments, us: Index) -> Array:
    """Return the satellites in view at each epoch: the sum over the systems, of each the largest count."""
    first = np.isfinite(gsv["in_view"])
    when, talker, count = _last_moment(gsv["at"], moments)[first], gsv["talker"][first], gsv["in_view"][first]
    order = np.lexsort((count, talker, when))
    when, talker, count = when[order], talker[order], count[order]
    last = np.append((when[1:] != when[:-1]) | (talker[1:] != talker[:-1]), True)[: len(when)]
    at, total = np.unique(when[last], return_inverse=True)
    sums = np.bincount(total, count[last], minlength=len(at))
    here, there = _joined(at, us)
    result = np.full(len(us), np.nan)
    result[here] = sums[there]
    return result


def _digits(columns: Columns) -> int:
    """Return the decimals of the minutes that say something: zeros that every position ends with say nothing."""
    placed = ~np.isnan(columns["lat"])
    if not placed.any():
        return 0
    digits = min(int(columns["decimals"][placed].max()), 11)
    whole = np.rint(columns["minutes"][placed] * 10.0**digits)
    # A few positions can end in zeros by chance.
    while digits > 0 and len(np.unique(whole[:10_000])) >= 20 and not (whole % 10).any():
        whole, digits = whole / 10, digits - 1
    return digits


def digits_said(digit_m: float) -> str:
    """Return in words how many decimals of a minute a last digit in metres stands for."""
    return f"{round(np.log10(METRES_PER_MINUTE / digit_m))} decimals of a minute"
