"""Log files to frames: chained, read, searched for stops, accounted for, and a recipe proposed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path, PurePath
from typing import Any

import numpy as np
import pandas as pd

from geoqa.core import clock, geodesy, input_files
from geoqa.core.arrays import Flags, Index
from geoqa.core.errors import InputError
from geoqa.core.frames.schema import complete_occupations
from geoqa.core.job import Recipe
from geoqa.core.steps import ReadResult
from geoqa.readers.nmea import epochs as nmea_epochs
from geoqa.readers.nmea import frames as nmea_frames
from geoqa.readers.nmea import sentences as nmea_sentences
from geoqa.readers.nmea import stillness, stops
from geoqa.readers.nmea.epochs import Epochs
from geoqa.readers.nmea.sentences import Sentences
from geoqa.readers.nmea.settings import LogSettings
from geoqa.readers.nmea.stops import FoundStops, Mark, Occupation
from geoqa.readers.tables import coordinate_checks
from geoqa.readers.tables.mapped_table import counted
from geoqa.readers.text import numbers, text_file

#: A file whose first time lies this close behind the last of another continues it, in seconds.
JOIN_S = 10.0
#: ... unless its receiver would have had to move faster than this, in metres a second.
FASTEST_M_S = 50.0
#: Bytes at either end of a file that are looked at.
_PEEK = 1 << 14
_LINE = 1 << 10
_METRES_PER_DEGREE = 111_320.0


@dataclass(frozen=True)
class _End:
    """One end of a file: time of day, day (None where it tells none), latitude and longitude (NaN for none)."""

    us: int
    day: int | None
    place: tuple[float, float]


def chains(paths: Sequence[PurePath], contents: Sequence[bytes], kin: Sequence[object]) -> list[list[int]]:
    """Return the files by the log they make, each log's in order.

    A file continues the one before it by name (numbers count as numbers) where a sentence that one breaks off
    is completed by the other, or where its time goes on within `JOIN_S` at a place that can be reached. One that
    tells no time continues the one numbered before it.

    Parameters
    ----------
    paths, contents
        The files.
    kin
        Only files with the same object here can be one log: the recipe that holds for them.
    """
    if len(paths) == 1:
        return [[0]]
    order = sorted(range(len(paths)), key=lambda i: _natural(paths[i].as_posix()))
    found: list[list[int]] = []
    last: _End | None = None
    for i in order:
        one = found[-1][-1] if found else -1
        first, final = _end(contents[i][:_PEEK], last=False), _end(contents[i][-_PEEK:], last=True)
        goes_on = found and kin[one] is kin[i] and (
            _completes(contents[one], contents[i])
            or _goes_on(last, first)
            or (first is None and _is_next(paths[one].as_posix(), paths[i].as_posix()))
        )  # fmt: skip
        if goes_on:
            found[-1].append(i)
            last = final or last
        else:
            found.append([i])
            last = final
    return found


def _natural(name: str) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdigit() else (-1, part) for part in re.split(r"([0-9]{1,18})", name)]


def _is_next(one: str, other: str) -> bool:
    """Return whether two names differ in one number alone, that goes up by one."""
    before, behind = _natural(one), _natural(other)
    if len(before) != len(behind):
        return False
    differ = [(a, b) for a, b in zip(before, behind, strict=True) if a != b]
    return len(differ) == 1 and differ[0][0][0] >= 0 and differ[0][1][0] == differ[0][0][0] + 1


def _completes(one: bytes, other: bytes) -> bool:
    """Return whether a sentence begins in the last line of one file and ends in the first of the other."""
    tail = re.split(rb"[\r\n]", one[-_LINE:])[-1]
    head = re.split(rb"[\r\n]", other[:_LINE])[0]
    if not tail:
        return False
    for block in nmea_sentences.blocks(tail + head):
        good = block.state == nmea_sentences.GOOD
        if (good & (block.start < len(tail)) & (block.end + 3 > len(tail))).any():
            return True
    return False


def _end(content: bytes, *, last: bool) -> _End | None:
    """Return the last or first timed sentence of some bytes; None without any."""
    found = nmea_sentences.read(content)
    when = nmea_epochs.moments(found, 0)
    known = np.flatnonzero(when.us != nmea_epochs.NO_TIME)
    if not len(known):
        return None
    us = int(when.us[known[-1 if last else 0]])
    places = found.kinds["GGA"] if len(found.kinds["GGA"]["at"]) else found.kinds["GNS"]
    placed = np.flatnonzero(np.isfinite(places["lat"]) & np.isfinite(places["lon"]))
    place = (float("nan"), float("nan"))
    if len(placed):
        k = placed[-1 if last else 0]
        lat, lon = (float(v // 100 + v % 100 / 60) for v in (places["lat"][k], places["lon"][k]))
        place = (-lat if places["ns"][k] == ord("S") else lat, -lon if places["ew"][k] == ord("W") else lon)
    return _End(us % nmea_epochs.DAY_US, us // nmea_epochs.DAY_US if when.dated else None, place)


def _goes_on(one: _End | None, other: _End | None) -> bool:
    if one is None or other is None:
        return False
    gap = (other.us - one.us) % nmea_epochs.DAY_US
    if one.day is not None and other.day is not None:
        gap = (other.day - one.day) * nmea_epochs.DAY_US + other.us - one.us
    if not 0 <= gap <= JOIN_S * 1e6:
        return False
    north = (other.place[0] - one.place[0]) * _METRES_PER_DEGREE
    east = ((other.place[1] - one.place[1] + 180) % 360 - 180) * _METRES_PER_DEGREE
    far = float(np.hypot(north, east * np.cos(np.radians(one.place[0]))))
    return not far > FASTEST_M_S * (gap / 1e6 + 1)


def file_results(step: LogSettings, log: Log, labels: list[str | None], before: int) -> list[tuple[int, ReadResult]]:
    """Return what each file of a log holds, with its place among the files given."""
    columns = log.epochs.columns
    file_of = log.file_of(columns["at"])
    line = columns["line"] - log.sentences.lines_before[file_of]
    stop = np.where(log.found.stop > 0, log.found.stop + before, 0)
    messages = [*log.messages]
    whole = _occupations(step, log, labels, before, line, messages)
    home = np.array([file_of[one.used[0]] for one in log.found.occupations], np.int64)
    aside = _set_aside(log)
    told = [f"{log.name}: {text}" for text in messages] + [*coordinate_checks.check_extent(log.name, whole, log.job)]
    results = []
    for k, i in enumerate(log.files):
        name = log.paths[k].name
        which = np.flatnonzero(file_of == k)
        own = aside[aside["file"] == k]
        epochs = own[own["kind"] == "epoch"]
        frames = {
            "occupations": _of_file(whole, np.flatnonzero(home == k), name),
            "set_aside": _aside_frame(own, name),
            "epochs": nmea_frames.epochs_frame(log.epochs, which, stop[which], line[which], name),
        }
        accounts = {
            "sentences": _account(int(log.sentences.good[k]), len(own) - len(epochs)),
            "epochs": _account(len(which), len(epochs)),
        }
        said = told if k == 0 else []
        if len(epochs):
            reasons = "; ".join(counted(epochs["why"].tolist(), epochs["line"].tolist()))
            said = [*said, f"{name}: {len(epochs)} epochs set aside: {reasons}"]
        results.append((i, ReadResult(frames, accounts, tuple(said))))
    return results


def set_aside(name: str, sentences: Sentences, k: int, job: Recipe, said: str) -> ReadResult:
    """Return what file `k` of a log without positions gives: nothing, all of its sentences accounted for."""
    columns: dict[str, Any] = {key: [] for key in (*nmea_frames.EMPTY, "resolution_h_m")}
    if not job.grid.system.geographic:
        columns |= {"easting_m": [], "northing_m": []}
    nothing = complete_occupations(columns, name)
    aside = pd.DataFrame({key: pd.Series(dtype="str") for key in ("source_file", "reason", "row")})
    frames = {"occupations": nothing, "set_aside": aside.assign(source_line=pd.Series(dtype="int64"))}
    return ReadResult(frames, {"sentences": _account(0, int(sentences.good[k]))}, (said,) if k == 0 else ())


def _occupations(
    step: LogSettings, log: Log, labels: list[str | None], before: int, line: Index, messages: list[str]
) -> pd.DataFrame:
    """Return the occupations of a whole log."""
    heights = _wants_heights(step, log, messages)
    found = log.found.occupations
    facts = [_facts(step, one, log, labels, before, int(line[one.used[0]]), heights) for one in found]
    digits = (log.epochs.digit_m, log.epochs.digit_up_m)
    frame = nmea_frames.occupations_frame(found, log.epochs, log.job.grid.system, facts, log.name, digits)
    place = frame[["easting_m", "northing_m"]].to_numpy(float)
    if not log.job.grid.system.geographic and not np.isfinite(place).all():
        raise InputError(f"{log.name}: its positions lie where {log.job.site.crs} is not defined. Check [site] crs.")
    return frame


def _of_file(whole: pd.DataFrame, which: Index, name: str) -> pd.DataFrame:
    """Return the occupations of a log that begin in one of its files."""
    part = whole.take(which).reset_index(drop=True)
    file = pd.Categorical.from_codes(np.zeros(len(part), np.int8), pd.Index([name], dtype="str"))
    return part.assign(occupation_id=np.arange(1, len(part) + 1), source_file=file)


def _account(used: int, aside: int) -> dict[str, int]:
    return {"read": used + aside, "used": used, "set_aside": aside}


def _wants_heights(step: LogSettings, log: Log, messages: list[str]) -> bool:
    """Return whether the heights of a log are used; say why not."""
    if not step.heights or not log.found.occupations:
        return False
    stated = [_antenna_height(step, one) is not None for one in log.found.occupations]
    if not all(stated):
        missing = "no" if not any(stated) else f"{stated.count(False)} of its occupations have no"
        messages.append(
            f"{missing} antenna height is stated: positions are the antenna's, and heights are not judged. Add "
            "antenna_height_m under [step.nmea], or a column antenna_height_m to the marks"
        )
    if not any(stated):
        return False
    coordinate_checks.refuse_system(log.name, coordinate_checks.own_heights(log.job, step.name))
    limit, step_m = log.job.tolerance.vertical_m, log.epochs.digit_up_m
    if limit is not None and step_m is not None and step_m > limit and not log.epochs.heights_told:
        messages.append(
            f"its heights are written to {step_m:g} m, coarser than the tolerance of {limit:g} m: they are judged with "
            f"half of that as guard and no sigma below {step_m / 12**0.5:.2g} m, and closures below it cannot be seen. "
            "Let the receiver write altitudes with three decimals"
        )
    return True


def _antenna_height(step: LogSettings, one: Occupation) -> float | None:
    own = one.mark.antenna_height_m if one.mark else None
    return step.antenna_height_m if own is None else own


def _facts(
    step: LogSettings, one: Occupation, log: Log, labels: list[str | None], before: int, line: int, heights: bool
) -> dict[str, Any]:
    """Return what is known of an occupation beside its own epochs."""
    fixes = log.found.fixes
    us = log.epochs.columns["us"]
    label = labels[one.fix] if one.fix >= 0 else None
    if label and one.part:
        label = f"{label}, solution {one.part + 1} at stop {before + one.number}"
    height, mean = _antenna_height(step, one), float(one.average.mean[2])
    up = mean - height if heights and height is not None else float("nan")
    facts: dict[str, Any] = {
        "point": one.mark.point if one.mark else f"stop-{before + one.number}",
        "initialization": label,
        "antenna_height_m": float("nan") if height is None else height,
        "height_m": up,
        "source_line": line,
        "stop": one.number + before,
        "first_fix_utc": us[fixes.first[one.fix]] if one.fix >= 0 and fixes.found[one.fix] else nmea_epochs.NO_TIME,
        "hold_utc": round(fixes.hold_s[one.fix] * 1e6) if one.fix >= 0 else nmea_epochs.NO_TIME,
    }
    if not np.isfinite(up):
        facts |= dict.fromkeys(("sigma_u_m", "cov_eu_m2", "cov_nu_m2"), float("nan"))
    for name in ("canopy", "role", "operator", "base"):
        facts[name] = one.mark.words.get(name) if one.mark else None
    return facts


def _set_aside(log: Log) -> pd.DataFrame:
    """Return what is set aside of a log, sentences and then epochs: its file, the line there, why, and its text."""
    of, before = log.sentences.aside, [(at, line, why, "") for at, line, why in log.epochs.aside]
    found = [*zip(of.at, of.line, of.reason, of.text, strict=True), *before]
    table = pd.DataFrame(found, columns=["at", "line", "why", "row"]).astype({"at": "int64", "line": "int64"})
    table["kind"] = np.repeat(["sentence", "epoch"], [len(of.at), len(before)])
    table["file"] = file = log.file_of(table["at"].to_numpy())
    table["line"] -= log.sentences.lines_before[file]
    is_epoch = (table["kind"] == "epoch").to_numpy()
    at = (table["at"].to_numpy() - log.begins[file])[is_epoch]
    table.loc[is_epoch, "row"] = [f"position at byte {byte}" for byte in at.tolist()]
    return table


def _aside_frame(own: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return what is set aside of one file, one row a line."""
    table = pd.DataFrame({"source_line": own["line"], "reason": own["kind"] + ": " + own["why"], "row": own["row"]})
    if table["source_line"].duplicated().any():
        joined = table.groupby("source_line", sort=False)
        table = joined.agg({"reason": lambda r: "; ".join(dict.fromkeys(r)), "row": " | ".join}).reset_index()
    table = table.sort_values("source_line", kind="stable", ignore_index=True).astype({"reason": "str", "row": "str"})
    table.insert(0, "source_file", pd.Categorical.from_codes([0] * len(table), pd.Index([name], dtype="str")))
    return table.astype({"reason": "category"})


@dataclass
class Log:
    """One log: the files that make it, where each begins, and what was found in it.

    Attributes
    ----------
    files
        Places of its files among those given, in the order of the log.
    begins
        Where each of them starts in the log, bytes.
    """

    files: list[int]
    paths: list[Path]
    job: Recipe
    begins: Index
    sentences: Sentences
    epochs: Epochs
    messages: list[str]
    found: FoundStops = field(init=False)

    @property
    def name(self) -> str:
        """What people call it."""
        return self.paths[0].name + (f" and {len(self.paths) - 1} more" if len(self.paths) > 1 else "")

    def file_of(self, at: Index) -> Index:
        """Return the file, counted within the log, in which each place of the log lies."""
        return np.searchsorted(self.begins, at, "right") - 1


def read(step: LogSettings, paths: Sequence[Path], jobs: Sequence[Recipe]) -> list[ReadResult]:
    """Return what each log file holds.

    Raises
    ------
    InputError
        See `geoqa.readers.nmea.nmea.NmeaReader.read`.
    """
    if any(job.site.crs == geodesy.LOCAL for job in jobs):
        raise InputError(
            '[site] crs is "local", and a receiver\'s log holds longitudes and latitudes. State the system that the '
            "corrections are in, or its projected one, as crs."
        )
    stated = stops.read_marks(jobs[0].beside(step.marks), jobs[0]) if step.marks is not None else None
    contents = [input_files.unpacked(path, text_file.read_bytes(path)) for path in paths]
    logs = []
    results: list[ReadResult | None] = [None] * len(paths)
    for files in chains(paths, contents, jobs):
        parts, job = [contents[i] for i in files], jobs[files[0]]
        begins = np.cumsum([0, *(len(part) for part in parts)])[:-1].astype(np.int64)
        sentences = nmea_sentences.read(b"".join(parts), begins.tolist())
        if _has_positions(sentences):
            logs.append(_log(step, files, [paths[i] for i in files], begins, sentences, job))
        elif not sentences.good.any():
            raise InputError(without_positions(paths[files[0]].name, sentences))
        else:
            said = without_positions(paths[files[0]].name, sentences)
            for k, i in enumerate(files):
                results[i] = set_aside(paths[i].name, sentences, k, job, said)
        for i in files:
            contents[i] = b""
    _search(step, logs, stated)
    labels = _labels(step, logs)
    before = 0
    for k in sorted(range(len(logs)), key=lambda k: _start(logs[k])):
        for i, result in file_results(step, logs[k], labels[k], before):
            results[i] = result
        before += int(logs[k].found.stop.max(initial=0))
    ready = [result for result in results if result is not None]
    first = _with_marks_told(ready[0], step, stated, logs)
    return [replace(first, messages=(*first.messages, *_zone(jobs[0]))), *ready[1:]]


def _zone(job: Recipe) -> list[str]:
    """Return that times are told in UTC where nobody stated the zone of the site: a log counts in nothing else."""
    if job.site.timezone is not None or job.input.timezone is not None:
        return []
    line = 'timezone = "Pacific/Auckland"'
    return [f"times are told in UTC, for the recipe names no time zone: add {line}, or where the site is, under [site]"]


def _search(step: LogSettings, logs: list[Log], stated: list[Mark] | None) -> None:
    """Find the occupations of each log, in what no earlier one holds already."""
    rules = stops.StopRules(
        step.still_m_s, step.gap_s, step.least_s, step.lost_s, step.hold_s, step.correlation_s, step.vehicle_m_s,
        *(clock.zone_of(log.job) for log in logs[:1]),
    )  # fmt: skip
    order = sorted(logs, key=_start)
    own = nmea_epochs.without_copies([log.epochs for log in order], [log.paths[0].name for log in order])
    for log, epochs in zip(order, own, strict=True):
        log.epochs = epochs
        marks = None if stated is None else [mark for mark in stated if mark.is_in(log.paths)]
        log.found = stops.find_stops(epochs, log.job.grid.system, rules, marks)
        log.messages += log.found.messages


def _has_positions(sentences: Sentences) -> bool:
    return any(bool(np.isfinite(sentences.kinds[kind]["lat"]).any()) for kind in ("GGA", "GNS"))


def _log(
    step: LogSettings, files: list[int], paths: list[Path], begins: Index, sentences: Sentences, job: Recipe
) -> Log:  # fmt: skip
    name = paths[0].name
    when = nmea_epochs.moments(sentences, _day(job))
    if not when.dated and job.input.date is None:
        raise InputError(
            f"{name}: no sentence with a right checksum tells the date (RMC or ZDA). State the day of its first "
            'position, in UTC: add date = "2026-02-09" under [input], or, beside tables and other logs, under [[file]] '
            f'with path = "{name}": input.date = "2026-02-09".'
        )
    epochs = nmea_epochs.epochs(sentences, when)
    nmea_frames.clean(epochs)
    messages = [*_about(sentences), *epochs.messages]
    messages.append(
        f"its positions are in the system of the corrections: that this is {job.site.crs} is taken at the recipe's word"
    )
    if when.dated and job.input.date is not None and when.own_day not in (None, _day(job)):
        own = np.datetime64(when.own_day, "D")
        messages.append(f"the log itself says {own}: the recipe's date, {job.input.date}, is not used for it")
    if len(epochs) and epochs.digit_m > (limit := job.tolerance.horizontal_m):
        messages.append(
            f"its positions are written to {epochs.digit_m:.2g} m ({nmea_epochs.digits_said(epochs.digit_m)}), "
            f"coarser than the tolerance of {limit:g} m: they are judged with half of that as guard and no sigma below "
            f"{epochs.digit_m / 12**0.5:.2g} m, and closures below it cannot be seen. Let the receiver write latitude "
            "and longitude with 7 decimals of a minute (0.2 mm), or 6"
        )
    epochs = _on_grids(replace(epochs, digit_up_m=_heights(epochs, job, messages)), step, job, messages)
    return Log(files, paths, job, begins, sentences, epochs, messages)


def without_positions(name: str, sentences: Sentences) -> str:
    """Return why a log without positions cannot be used."""
    reasons = counted(sentences.aside.reason, sentences.aside.line)
    told = f" Set aside: {'; '.join(reasons)}." if reasons else ""
    count = int(sentences.good.sum())
    if any(len(sentences.kinds[kind]["at"]) for kind in ("GGA", "GNS")):
        what = f"no GGA or GNS sentence of it holds a position ({count} sentences are good): it never saw enough sky"
        return f"{name}: is set aside: {what}.{told}"
    return (
        f"{name}: holds no GGA or GNS sentence with a right checksum: {count} other sentences are "
        f"good.{told} Let the receiver write GGA, with checksums."
    )


def _day(job: Recipe) -> int | None:
    """Return the recipe's date as days since 1970."""
    return None if job.input.date is None else (date.fromisoformat(job.input.date) - date(1970, 1, 1)).days


def _about(sentences: Sentences) -> list[str]:
    """Return what was set aside and what was passed over."""
    said = []
    aside = sentences.aside
    if aside.at:
        said.append(f"{len(aside.at)} sentences set aside: {'; '.join(counted(aside.reason, aside.line))}")
    if sentences.others:
        listed = ", ".join(
            f"{n} {word or 'unnamed'}" for word, n in sorted(sentences.others.items(), key=lambda x: -x[1])[:8]
        )
        listed = listed.replace(" P,", " proprietary,") + ("" if not listed.endswith(" P") else "roprietary")
        said.append(f"good sentences that hold nothing used here, passed over: {listed}")
    return said


def _on_grids(epochs: Epochs, step: LogSettings, job: Recipe, messages: list[str]) -> Epochs:
    """Return the epochs with the steps that their values lie on, where these are coarser than their last digits.

    A receiver that stands repeats its height, and the way between stops may too: only where it stands is it counted.
    """
    columns, limits = epochs.columns, job.tolerance
    per_degree, digit_up = 60 * nmea_epochs.METRES_PER_MINUTE, epochs.digit_up_m
    here = columns["lat"][np.isfinite(columns["lat"])]
    along = max(float(np.cos(np.radians(here[0]))), 1e-6) if len(here) else 1.0
    finest = epochs.digit_m / per_degree
    looked: list[tuple[str, list[numbers.View], float | None]] = [
        (word, [numbers.View(columns[name] * k, finest * k, metres / k) for k in (60.0, 1.0)], limits.horizontal_m)
        for word, name, metres in (("latitudes", "lat", per_degree), ("longitudes", "lon", per_degree * along))
    ]
    if digit_up:
        looked.append(("heights", [numbers.View(columns["up"], digit_up, 1.0)], limits.vertical_m))
    steps = dict.fromkeys(("latitudes", "longitudes", "heights"), 0.0)
    for word, views, limit in looked:
        counted = _standing(epochs, step, job) if word == "heights" else None
        found = numbers.step_m(views, np.isfinite(views[0].number), counted)
        if found is None:
            continue
        steps[word] = float(np.nanmedian(found))
        if steps[word] >= numbers.TOLD_M:
            decimals = max(round(-np.log10(views[0].finest)), 0)
            messages.append(numbers.step_told(f"its {word}", steps[word], decimals, limit))
    plan = max(epochs.digit_m, steps["latitudes"], steps["longitudes"])
    up = max(digit_up, steps["heights"]) if digit_up else digit_up
    return replace(epochs, digit_m=plan, digit_up_m=up, heights_told=steps["heights"] >= numbers.TOLD_M)


def _standing(epochs: Epochs, step: LogSettings, job: Recipe) -> Flags:
    """Return at which epochs the receiver stands, shape (n,)."""
    columns, system = epochs.columns, job.grid.system
    stands = np.zeros(len(columns["lat"]) + 1, np.int64)
    placed = np.flatnonzero(np.isfinite(columns["lat"]))
    if len(placed):
        lon, lat = columns["lon"][placed], columns["lat"][placed]
        place = stillness.metres(lon, lat, system.semi_major_m, system.flattening)
        limit = step.still_m_s * stops.WANDERS[columns["solution"][placed]]
        first, last = stillness.stops(columns["us"][placed] / 1e6, *place, limit, step.gap_s)
        np.add.at(stands, placed[first], 1)
        np.add.at(stands, placed[last] + 1, -1)
    return np.cumsum(stands)[:-1] > 0


def _heights(epochs: Epochs, job: Recipe, messages: list[str]) -> float | None:
    """Add the height in the job's reference to the epochs; return its last digit."""
    altitude, separation = epochs.columns["altitude"], epochs.columns["separation"]
    if job.site.height in (None, "ellipsoidal"):
        epochs.columns["up"] = altitude + separation
        lacking = int((np.isnan(separation) & ~np.isnan(altitude)).sum())
        if lacking:
            messages.append(f"{lacking} epochs state no separation of geoid and ellipsoid: they have no height")
        # A separation that is one all over is one offset, however coarse.
        varied = len(np.unique(separation[np.isfinite(separation)])) > 1
        coarse = nmea_frames.last_digit(separation) if varied else None
        return epochs.digit_up_m if coarse is None else max(coarse, epochs.digit_up_m or 0.0)
    epochs.columns["up"] = altitude.copy()
    messages.append(
        f"its altitudes are above the geoid that the receiver knows: that these are {job.site.height} heights is taken "
        "at the recipe's word"
    )
    return epochs.digit_up_m


def _start(log: Log) -> tuple[int, str]:
    us = log.epochs.columns["us"]
    return (int(us[0]) if len(us) else 0, log.name)


def _labels(step: LogSettings, logs: list[Log]) -> list[list[str | None]]:
    """Return the label of each fix of each log; None for one that was never held.

    A log that begins fixed does not show where that fix was found: it is the one that the last log before it ended
    with, if little enough time lies between.
    """
    labels: list[list[str | None]] = [[] for _ in logs]
    ended: list[tuple[int, str]] = []
    for k in sorted(range(len(logs)), key=lambda k: _start(logs[k])):
        fixes, us = logs[k].found.fixes, logs[k].epochs.columns["us"]
        held = np.isfinite(fixes.hold_s)
        names: list[str | None] = [
            f"{logs[k].paths[0].name} fix {i + 1}" if held[i] else None for i in range(len(fixes.first))
        ]
        before = [one for one in ended if len(us) and 0 < us[0] - one[0] <= step.carried_h * 3.6e9]
        if before and names and not fixes.found[0]:
            names[0] = max(before)[1]
        labels[k] = names
        if names and fixes.last[-1] == len(us) - 1 and names[-1]:
            ended.append((int(us[-1]), str(names[-1])))
    return labels


def _with_marks_told(
    result: ReadResult, step: LogSettings, stated: list[Mark] | None, logs: Sequence[Log]
) -> ReadResult:
    """Return the first result with the marks that no log covers told."""
    if stated is None:
        return result
    spans = [(log.epochs.columns["us"][[0, -1]] / 1e6, log.paths) for log in logs if len(log.epochs)]
    lone = [
        mark for mark in stated
        if not any(a <= mark.end_s and mark.start_s <= b and mark.is_in(paths) for (a, b), paths in spans)
    ]  # fmt: skip
    if not lone:
        return result
    said = f"{step.marks}: no log covers the times of {stops.marks_named(lone)}"
    return replace(result, messages=(*result.messages, said))


def propose(path: Path) -> str:
    """Return a recipe proposed for the log at `path`; what must be stated is left open."""
    content = input_files.unpacked(path, text_file.read_bytes(path))
    found = nmea_sentences.read(content)
    if not len(found.kinds["GGA"]["at"]) and not len(found.kinds["GNS"]["at"]):
        raise InputError(without_positions(path.name, found))
    dated = nmea_epochs.moments(found, None).dated
    day = "" if dated else '[input]\ndate = "?"                # of the first position, in UTC: the log tells none\n\n'
    return _RECIPE.replace("[match]", f"{day}[match]", 1)


_RECIPE = """\
# Recipe for a receiver log. Replace every "?": these lines must be stated.
[site]
name = "?"
crs = "?"                 # the system the corrections are in, such as "EPSG:4326", or its projected one
timezone = "?"            # of the site's clocks, such as "Pacific/Auckland": logs count in UTC
height = "ellipsoidal"    # altitude plus separation; heights count once the antenna height is stated

[match]
by = "place"              # stops have no names; or by = "name" with marks under [step.nmea]
radius_m = 0.5            # inferred: nothing; how far apart two stops at one mark may be

[tolerance]
horizontal_m = "?"
vertical_m = "?"

[requirement]
horizontal_m = "?"
vertical_m = "?"

# [step.nmea]
# marks = "marks.csv"       # point,start,end
# antenna_height_m = 2.000
"""
