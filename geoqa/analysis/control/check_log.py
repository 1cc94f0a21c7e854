"""The check log: which days and base set-ups were checked on known points, and whether they drift."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision.calibration import EXPECTED, TOLERANCE
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.control import NO_BASE, NO_DAY, YES
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted, length, listed


@dataclass(frozen=True, kw_only=True)
class CheckLog(Analysis):
    """List the shots on control and check points by day and base set-up, and test the drift between first and last.

    A drift is told where it is beyond the tolerance, or more than chance. A set-up without any check shot is
    named: nothing independent says where its base was. Shots on points the job was
    oriented by, and on marks a base stood on, are no checks.
    """

    name = "check-log"
    needs = (*EXPECTED, *TOLERANCE, "occupations", "occupations.visit", "occupations.use", "classes")
    gives = ("check_log", "check_shots")

    within_s: float = param(
        3600.0, unit="s", above=0, maximum=86400,
        help="How near to the start or end of a set-up a check shot must be; common practice, no published source",
    )  # fmt: skip
    unusual: float = param(
        0.01, unit="1", above=0, below=0.5, help="Level of the test of drift, shared by all set-ups it is made for"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `check_log`, a row a day and base set-up, and `check_shots`, a row a check shot."""
        from geoqa.analysis.control import _check_shots

        occupations, classes = frames["occupations"], frames["classes"]
        setup, table = _check_shots.setups(occupations, job)
        found = _check_shots.shots(occupations, classes, setup, job)
        shape = float(np.nan_to_num(classes["core_shape"].iloc[0], nan=np.inf)) if len(classes) else np.inf
        visit_s = Visits.as_set(job).separation_h_min * 60
        log = pd.concat([table, _check_shots.drift(found, len(table), shape, visit_s)], axis=1)
        log = _check_shots.near_ends(log, self.within_s)
        beyond, moved = log["beyond"].to_numpy(bool), _moved(log, self.unusual)
        log["message"] = pd.Series(_words(log, beyond, moved, job), dtype="str", index=log.index)
        for column in ("at_start", "at_end", "first_point", "last_point"):
            log[column] = log[column].astype("str").where(log[column].notna())
        of = found.frame["setup"].to_numpy()
        shots = found.frame.drop(columns="setup").assign(
            day=table["day"].array[of], base=table["base"].array[of], against=found.frame["against"].astype("str")
        )
        return Result({"check_log": log.drop(columns="beyond"), "check_shots": shots}, _messages(log, beyond | moved))


def _moved(log: pd.DataFrame, level: float) -> np.ndarray:
    """Return which set-ups drift more than chance: each p against the level shared by all tests (Bonferroni)."""
    p = log[["p_h", "p_v"]].to_numpy(dtype=float)
    tests = int(np.isfinite(p).sum())
    return np.asarray((p < level / max(tests, 1)).any(axis=1))


def _words(log: pd.DataFrame, beyond: np.ndarray, moved: np.ndarray, job: Job) -> list[str]:
    """Return a sentence for each set-up."""
    unit, up = job.grid.units
    said = []
    for row, far, drifts in zip(log.itertuples(index=False), beyond.tolist(), moved.tolist(), strict=True):
        if not row.checks:
            said.append("no check shot")
            continue
        where = " and ".join(word for word, met in (("start", row.at_start), ("end", row.at_end)) if met == YES)
        text = counted(row.checks, "check shot") + (f", near the {where}" if where else "")
        if row.horizontal_m == row.horizontal_m:
            height = "" if row.du_m != row.du_m else f", {length(row.du_m, up)} up"
            chance = "beyond tolerance" if far else "more than chance" if drifts else "no more than chance"
            text += f"; drift {length(row.horizontal_m, unit)} horizontally{height}, {chance}"
        said.append(text)
    return said


def _messages(log: pd.DataFrame, moved: np.ndarray) -> tuple[str, ...]:
    """Return which set-ups were checked and how, which were not, and which drift."""
    checked = log["checks"] > 0
    if not checked.any():
        return ("no check shot: nothing independent shows where the base was on any day",)
    both = int(((log["at_start"] == YES) & (log["at_end"] == YES)).sum())
    what = "day and base set-up" if len(log) == 1 else "days and base set-ups"
    said = [
        f"check shots: {int(log['checks'].sum())}, under {int(checked.sum())} of {len(log)} {what}; {both} near both "
        f"the start and the end"
    ]
    if not checked.all():
        said.append(f"without a check shot: {_listed(log[~checked])}; nothing independent shows where the base was")
    one = checked & (log["at_start"] != YES) & (log["at_end"] != YES)
    if one.any():
        said.append(f"with check shots neither near the start nor near the end: {_listed(log[one])}")
    for row in log[moved].head(5).itertuples(index=False):
        said.append(
            f"{_called(row.day, row.base)}: {row.message} between {row.first_point} and {row.last_point}: a base or "
            f"pole that moved, or a wrong fix in one of the two"
        )
    return tuple(said)


def _listed(rows: pd.DataFrame) -> str:
    return listed(map(_called, rows["day"], rows["base"]), 6)


def _called(day: str, base: str) -> str:
    """Return what people call a day and base set-up."""
    parts = [word for word, none in ((day, NO_DAY), (base, NO_BASE)) if word != none]
    return " ".join(parts) or "the whole job (no day and no base stated)"
