"""What a receiver's log gives, file by file: frames, accounts and messages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoqa.core import geodesy
from geoqa.core.completion import complete_occupations
from geoqa.core.errors import InputError
from geoqa.core.steps import ReadResult
from geoqa.readers import area, log_frames, nmea_clock, placing
from geoqa.readers.reasons import counted

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job
    from geoqa.readers.log_stops import Occupation
    from geoqa.readers.nmea_files import Log
    from geoqa.readers.nmea_sentences import Sentences
    from geoqa.readers.nmea_settings import LogSettings

    Index = NDArray[np.int64]


def results(step: LogSettings, log: Log, labels: list[str | None], before: int) -> list[tuple[int, ReadResult]]:
    """Return what each file of a log holds, with its place among the files given."""
    columns = log.epochs.columns
    file_of = log.file_of(columns["at"])
    line = columns["line"] - log.sentences.lines_before[file_of]
    stop = np.where(log.found.stop > 0, log.found.stop + before, 0)
    messages = [*log.messages]
    whole = _occupations(step, log, labels, before, line, messages)
    home = np.array([file_of[one.used[0]] for one in log.found.occupations], np.int64)
    aside_file = log.file_of(np.array([*log.sentences.aside.at, *(at for at, _, _ in log.epochs.aside)], np.int64))
    sentences_aside, epochs_aside = (
        np.bincount(part, minlength=len(log.files)).tolist()
        for part in np.split(aside_file, [len(log.sentences.aside.at)])
    )
    told = [f"{log.name}: {text}" for text in messages] + [*area.check(log.name, whole, log.job)]
    results = []
    for k, i in enumerate(log.files):
        name = log.paths[k].name
        which = np.flatnonzero(file_of == k)
        frames = {
            "occupations": _of_file(whole, np.flatnonzero(home == k), name),
            "set_aside": _aside_frame(log, np.flatnonzero(aside_file == k), k, name),
            "epochs": log_frames.epochs_frame(log.epochs, which, stop[which], line[which], name),
        }
        accounts = {
            "sentences": _account(int(log.sentences.good[k]), sentences_aside[k]),
            "epochs": _account(len(which), epochs_aside[k]),
        }
        said = (*(told if k == 0 else ()), *_told_epochs(log, name, k, aside_file))
        results.append((i, ReadResult(frames, accounts, said)))
    return results


def set_aside(name: str, sentences: Sentences, k: int, job: Job, said: str) -> ReadResult:
    """Return what file `k` of a log without positions gives: nothing, all of its sentences accounted for."""
    columns: dict[str, Any] = {key: [] for key in (*log_frames.EMPTY, "resolution_h_m")}
    if not geodesy.of(job).geographic:
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
    frame = log_frames.occupations_frame(found, log.epochs, geodesy.of(log.job), facts, log.name, digits)
    place = frame[["easting_m", "northing_m"]].to_numpy(float)
    if not geodesy.of(log.job).geographic and not np.isfinite(place).all():
        raise InputError(f"{log.name}: its positions lie where {log.job.site.crs} is not defined. Check [site] crs.")
    return frame


def _of_file(whole: pd.DataFrame, which: Index, name: str) -> pd.DataFrame:
    """Return the occupations of a log that begin in one of its files."""
    part = whole.take(which).reset_index(drop=True)
    file = pd.Categorical.from_codes(np.zeros(len(part), np.int8), pd.Index([name], dtype="str"))
    return part.assign(occupation_id=np.arange(1, len(part) + 1), source_file=file)


def _account(used: int, aside: int) -> dict[str, int]:
    return {"read": used + aside, "used": used, "set_aside": aside}


def _told_epochs(log: Log, name: str, k: int, aside_file: Index) -> tuple[str, ...]:
    own = aside_file[len(log.sentences.aside.at) :] == k
    refused = [log.epochs.aside[j] for j in np.flatnonzero(own).tolist()]
    if not refused:
        return ()
    lines = [line - int(log.sentences.lines_before[k]) for _, line, _ in refused]
    told = "; ".join(counted([why for _, _, why in refused], lines))
    return (f"{name}: {len(refused)} epochs set aside: {told}",)


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
    placing.refuse(log.name, placing.heights(log.job, step.name))
    limit, step_m = log.job.tolerance.vertical_m, log.epochs.digit_up_m
    told = any("heights lie on steps" in text for text in log.messages)  # what is written is finer, and is told
    if limit is not None and step_m is not None and step_m > limit and not told:
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
        "first_fix_utc": us[fixes.first[one.fix]] if one.fix >= 0 and fixes.found[one.fix] else nmea_clock.NONE,
        "hold_utc": round(fixes.hold_s[one.fix] * 1e6) if one.fix >= 0 else nmea_clock.NONE,
    }
    if not np.isfinite(up):
        facts |= dict.fromkeys(("sigma_u_m", "cov_eu_m2", "cov_nu_m2"), float("nan"))
    for name in ("canopy", "role", "operator", "base"):
        facts[name] = one.mark.words.get(name) if one.mark else None
    return facts


def _aside_frame(log: Log, which: Index, k: int, name: str) -> pd.DataFrame:
    """Return what is set aside of one file, one row a line: sentences, then epochs."""
    aside, n = log.sentences.aside, len(log.sentences.aside.at)
    lines, reasons, texts = [], [], []
    for j in which.tolist():
        sentence = j < n
        at, line, why = (aside.at[j], aside.line[j], aside.reason[j]) if sentence else log.epochs.aside[j - n]
        lines.append(line - int(log.sentences.lines_before[k]))
        reasons.append(f"sentence: {why}" if sentence else f"epoch: {why}")
        texts.append(aside.text[j] if sentence else f"position at byte {at - int(log.begins[k])}")
    table = pd.DataFrame({"source_line": np.array(lines, np.int64), "reason": reasons, "row": texts})
    if table["source_line"].duplicated().any():
        joined = table.groupby("source_line", sort=False)
        table = joined.agg({"reason": lambda r: "; ".join(dict.fromkeys(r)), "row": " | ".join}).reset_index()
    table = table.sort_values("source_line", kind="stable", ignore_index=True)
    file = pd.Categorical.from_codes(np.zeros(len(table), np.int8), pd.Index([name], dtype="str"))
    return pd.DataFrame(
        {
            "source_file": file,
            "source_line": table["source_line"].astype(np.int64),
            "reason": table["reason"].astype("str").astype("category"),
            "row": table["row"].astype("str"),
        }
    )
