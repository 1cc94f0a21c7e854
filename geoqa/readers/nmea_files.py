"""Log files to frames: chained, read, searched for stops, and accounted for file by file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core import clock, compressed, geodesy
from geoqa.core.errors import InputError
from geoqa.core.steps import ReadResult
from geoqa.readers import (
    grids,
    log_frames,
    log_results,
    log_stops,
    marks,
    nmea_clock,
    nmea_epochs,
    nmea_logs,
    nmea_sentences,
    stillness,
    textfile,
)  # fmt: skip
from geoqa.readers.reasons import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job
    from geoqa.readers.log_stops import Found
    from geoqa.readers.marks import Mark
    from geoqa.readers.nmea_epochs import Epochs
    from geoqa.readers.nmea_sentences import Sentences
    from geoqa.readers.nmea_settings import LogSettings

    Index = NDArray[np.int64]


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
    job: Job
    begins: Index
    sentences: Sentences
    epochs: Epochs
    messages: list[str]
    found: Found = field(init=False)

    @property
    def name(self) -> str:
        """What people call it."""
        return self.paths[0].name + (f" and {len(self.paths) - 1} more" if len(self.paths) > 1 else "")

    def file_of(self, at: Index) -> Index:
        """Return the file, counted within the log, in which each place of the log lies."""
        return np.searchsorted(self.begins, at, "right") - 1


def read(step: LogSettings, paths: Sequence[Path], jobs: Sequence[Job]) -> list[ReadResult]:
    """Return what each log file holds.

    Raises
    ------
    InputError
        See `geoqa.readers.nmea.NmeaReader.read`.
    """
    if any(job.site.crs == geodesy.LOCAL for job in jobs):
        raise InputError(
            '[site] crs is "local", and a receiver\'s log holds longitudes and latitudes. State the system that the '
            "corrections are in, or its projected one, as crs."
        )
    stated = marks.read_marks(jobs[0].beside(step.marks), jobs[0]) if step.marks is not None else None
    contents = [compressed.unpacked(path, textfile.read_bytes(path)) for path in paths]
    logs = []
    results: list[ReadResult | None] = [None] * len(paths)
    for files in nmea_logs.chains(paths, contents, jobs):
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
                results[i] = log_results.set_aside(paths[i].name, sentences, k, job, said)
        for i in files:
            contents[i] = b""
    _search(step, logs, stated)
    labels = _labels(step, logs)
    before = 0
    for k in sorted(range(len(logs)), key=lambda k: _start(logs[k])):
        for i, result in log_results.results(step, logs[k], labels[k], before):
            results[i] = result
        before += int(logs[k].found.stop.max(initial=0))
    ready = [result for result in results if result is not None]
    first = _with_marks_told(ready[0], step, stated, logs)
    return [replace(first, messages=(*first.messages, *_zone(jobs[0]))), *ready[1:]]


def _zone(job: Job) -> list[str]:
    """Return that times are told in UTC where nobody stated the zone of the site: a log counts in nothing else."""
    if job.site.timezone is not None or job.input.timezone is not None:
        return []
    line = 'timezone = "Pacific/Auckland"'
    return [f"times are told in UTC, for the recipe names no time zone: add {line}, or where the site is, under [site]"]


def _search(step: LogSettings, logs: list[Log], stated: list[Mark] | None) -> None:
    """Find the occupations of each log, in what no earlier one holds already."""
    rules = log_stops.Rules(
        step.still_m_s, step.gap_s, step.least_s, step.lost_s, step.hold_s, step.correlation_s, step.vehicle_m_s,
        *(clock.of(log.job) for log in logs[:1]),
    )  # fmt: skip
    order = sorted(logs, key=_start)
    own = nmea_epochs.without_copies([log.epochs for log in order], [log.paths[0].name for log in order])
    for log, epochs in zip(order, own, strict=True):
        log.epochs = epochs
        marks = None if stated is None else [mark for mark in stated if mark.is_in(log.paths)]
        log.found = log_stops.find(epochs, geodesy.of(log.job), rules, marks)
        log.messages += log.found.messages


def _has_positions(sentences: Sentences) -> bool:
    return any(bool(np.isfinite(sentences.kinds[kind]["lat"]).any()) for kind in ("GGA", "GNS"))


def _log(
    step: LogSettings, files: list[int], paths: list[Path], begins: Index, sentences: Sentences, job: Job
) -> Log:  # fmt: skip
    name = paths[0].name
    when = nmea_clock.moments(sentences, _day(job))
    if not when.dated and job.input.date is None:
        raise InputError(
            f"{name}: no sentence with a right checksum tells the date (RMC or ZDA). State the day of its first "
            'position, in UTC: add date = "2026-02-09" under [input], or, beside tables and other logs, under [[file]] '
            f'with path = "{name}": input.date = "2026-02-09".'
        )
    epochs = nmea_epochs.epochs(sentences, when)
    log_frames.clean(epochs)
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


def _day(job: Job) -> int | None:
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


def _on_grids(epochs: Epochs, step: LogSettings, job: Job, messages: list[str]) -> Epochs:
    """Return the epochs with the steps that their values lie on, where these are coarser than their last digits.

    A receiver that stands repeats its height, and the way between stops may too: only where it stands is it counted.
    """
    columns, limits = epochs.columns, job.tolerance
    per_degree, digit_up = 60 * nmea_epochs.METRES_PER_MINUTE, epochs.digit_up_m
    here = columns["lat"][np.isfinite(columns["lat"])]
    along = max(float(np.cos(np.radians(here[0]))), 1e-6) if len(here) else 1.0
    finest = epochs.digit_m / per_degree
    looked: list[tuple[str, list[grids.View], float | None]] = [
        (word, [grids.View(columns[name] * k, finest * k, metres / k) for k in (60.0, 1.0)], limits.horizontal_m)
        for word, name, metres in (("latitudes", "lat", per_degree), ("longitudes", "lon", per_degree * along))
    ]
    if digit_up:
        looked.append(("heights", [grids.View(columns["up"], digit_up, 1.0)], limits.vertical_m))
    steps = dict.fromkeys(("latitudes", "longitudes", "heights"), 0.0)
    for word, views, limit in looked:
        counted = _standing(epochs, step, job) if word == "heights" else None
        found = grids.step_m(views, np.isfinite(views[0].values), counted)
        if found is None:
            continue
        steps[word] = float(np.nanmedian(found))
        if steps[word] >= grids.TOLD_M:
            decimals = max(round(-np.log10(views[0].finest)), 0)
            messages.append(grids.told(f"its {word}", steps[word], decimals, limit))
    plan = max(epochs.digit_m, steps["latitudes"], steps["longitudes"])
    return replace(epochs, digit_m=plan, digit_up_m=max(digit_up, steps["heights"]) if digit_up else digit_up)


def _standing(epochs: Epochs, step: LogSettings, job: Job) -> NDArray[np.bool_]:
    """Return at which epochs the receiver stands, shape (n,)."""
    columns, system = epochs.columns, geodesy.of(job)
    stands = np.zeros(len(columns["lat"]) + 1, np.int64)
    placed = np.flatnonzero(np.isfinite(columns["lat"]))
    if len(placed):
        lon, lat = columns["lon"][placed], columns["lat"][placed]
        place = stillness.metres(lon, lat, system.semi_major_m, system.flattening)
        limit = step.still_m_s * log_stops.WANDERS[columns["solution"][placed]]
        first, last = stillness.stops(columns["us"][placed] / 1e6, *place, limit, step.gap_s)
        np.add.at(stands, placed[first], 1)
        np.add.at(stands, placed[last] + 1, -1)
    return np.cumsum(stands)[:-1] > 0


def _heights(epochs: Epochs, job: Job, messages: list[str]) -> float | None:
    """Add the height in the job's reference to the epochs; return its last digit."""
    altitude, separation = epochs.columns["altitude"], epochs.columns["separation"]
    if job.site.height in (None, "ellipsoidal"):
        epochs.columns["up"] = altitude + separation
        lacking = int((np.isnan(separation) & ~np.isnan(altitude)).sum())
        if lacking:
            messages.append(f"{lacking} epochs state no separation of geoid and ellipsoid: they have no height")
        # A separation that is one all over is one offset, however coarse.
        varied = len(np.unique(separation[np.isfinite(separation)])) > 1
        coarse = log_frames.last_digit(separation) if varied else None
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
    named = ", ".join(f"{mark.point} (line {mark.line})" for mark in lone[:5])
    more = f" and {len(lone) - 5} more" if len(lone) > 5 else ""
    said = f"{step.marks}: no log covers the times of {named}{more}"
    return ReadResult(result.frames, result.accounts, (*result.messages, said))
