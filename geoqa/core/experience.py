"""What a firm's earlier jobs taught: the file it is kept in, and how a job is known again.

No coordinates, names, people or files are kept: per class and solution sums of squares and counts, under the
reference prior and before any experience, and of the rows the smallest `SKETCH` of their salted hashes, which tell
only how many rows two jobs have in common. Nothing is ever taken out of the file: each change is a state, so that a
verdict can be repeated.
"""

from __future__ import annotations

import hashlib
import heapq
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from geoqa.core.arrays import np, pd, stats
from geoqa.core.errors import InputError
from geoqa.core.params import Declared, param
from geoqa.core.units import p_value

FORMAT = "geoqa-experience-1"
#: Smallest hashes of a job's rows that are kept, and the share that two of one job have in common.
SKETCH, SAME = 256, 0.5
#: Jobs that a month or group needs to be compared, and the probability below which it differs.
FEWEST, DIFFERENT = 3, 0.01
_SALT = b"geoqa experience, rows of a job"
#: What is kept of a class of a job: sums of squares over their stated variance and degrees of freedom, wrong fixes and
#: those that could show one.
SUMS = ("total_h", "freedom_h", "total_v", "freedom_v", "wrong", "fixes")
#: Hashes of what was read and found sound: a process that reviews many jobs asks once.
_SOUND = set[bytes]()


@dataclass(frozen=True, kw_only=True)
class Experience(Declared):
    """[experience]: what earlier jobs taught."""

    file: str | None = param(None, help="File that `geoqa experience add` made, named from the recipe's folder")
    group: str | None = param(None, help="Receiver, crew or network that this job is of; absent means all jobs count")
    weight: float = param(
        0.9, unit="1", above=0, below=1, help="Probability, before it is looked at, that this job is like the earlier"
    )


def sketch(occupations: pd.DataFrame) -> list[str]:
    """Return the smallest salted hashes of a job's rows: time and place, to the millimetre."""
    place = np.column_stack([occupations[c].to_numpy(dtype=float) for c in ("easting_m", "northing_m", "height_m")])
    start = occupations["start_utc"].astype("datetime64[us, UTC]").astype("int64").to_numpy()
    rows = np.column_stack([np.rint(np.nan_to_num(place) * 1000).astype(np.int64), start])
    data, wide = rows.tobytes(), rows.strides[0]
    hashes = {hashlib.sha256(_SALT + data[at : at + wide]).digest()[:8] for at in range(0, len(data), wide)}
    return [one.hex() for one in heapq.nsmallest(SKETCH, hashes)]


def overlap(one: Sequence[str], other: Sequence[str]) -> float:
    """Return which share of the smaller job's rows the other has, from their sketches."""
    if not one or not other:
        return 0.0
    reach = min(one[-1] if len(one) >= SKETCH else "g", other[-1] if len(other) >= SKETCH else "g")
    a, b = ({h for h in hashes if h <= reach} for hashes in (one, other))
    return len(a & b) / max(min(len(a), len(b)), 1)


def taught(run: Mapping[str, Any], where: str) -> dict[str, Any]:
    """Return what a finished review's run.json says that it taught.

    Raises
    ------
    InputError
        If it is of a version that did not store it.
    """
    found = run.get("experience", {}).get("taught")
    if not isinstance(found, dict) or not isinstance(found.get("rows"), list):
        raise InputError(
            f"{where}: the review stores nothing of what it taught. Review the job again with this version."
        )
    return found


def read(path: Path) -> dict[str, Any]:
    """Return the content of an experience file.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        raw = path.read_bytes()
        content = json.loads(raw.decode())
    except FileNotFoundError:
        raise InputError(
            f"{path}: there is no such file. `geoqa experience add RESULT --to {path.name}` makes it."
        ) from None
    except (OSError, ValueError) as error:
        raise InputError(f"{path}: cannot be read as experience: {error}.") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise InputError(f"{path}: is no experience file of this version (format {FORMAT}).")
    if (stamp := hashlib.sha256(raw).digest()) in _SOUND:
        return content
    try:
        for one in content["states"]:
            sums = frame(content, one["jobs"])[list(SUMS)]
            rows = all(isinstance(content["jobs"][name]["rows"], list) for name in one["jobs"])
            told = isinstance(one["date"], str) and one["hash"] == _hash(content, sorted(one["jobs"]))
            if not (rows and told and (sums >= 0).all(axis=None)):
                raise ValueError
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(f"{path}: is damaged. Restore an earlier copy, or add the results again.") from None
    _SOUND.add(stamp)
    return content


def nothing() -> dict[str, Any]:
    """Return an experience without jobs."""
    return {"format": FORMAT, "jobs": {}, "states": []}


def add_all(
    content: dict[str, Any], jobs: Sequence[tuple[Mapping[str, Any], str | None]], now: datetime | None = None
) -> list[tuple[str, str, str]]:
    """Put jobs in, each with its group; one that shares most of its rows is the same on another day, and replaced.

    Returns
    -------
    list of (str, str, str)
        Of each job its id, that of the one it replaces, and what speaks against it, "" for none: it is then left out.
    """
    active, told = Shared(content), []
    for job, group in jobs:
        same_ = active.same(job["rows"])
        fuller = sorted(key for key in same_ if len(content["jobs"][key]["rows"]) > len(job["rows"]))
        if fuller:
            fault = f"the job {fuller[0]} holds more rows of this one; `geoqa experience remove` it to go back."
            told.append(("", "", fault))
            continue
        kept = {**{key: job.get(key) for key in ("month", "convention", "repeats", "classes", "rows")}, "group": group}
        # Another content is another job: what a state's hash stands for never changes.
        name = hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()[:8]
        content["jobs"][name] = kept
        active.replace(same_, name)
        told.append((name, ", ".join(sorted(same_ - {name})), ""))
    if any(name for name, *_ in told):
        _note(content, set(active.names), now)
    return told


class Shared:
    """The jobs of a state: found again by their rows, and what they say together."""

    def __init__(self, content: Mapping[str, Any]) -> None:
        self._jobs, self.names = content["jobs"], dict[str, None]()
        self._of_row, self._sums = dict[str, list[str]](), dict[str | None, dict[Any, np.ndarray]]()
        for name in current(content):
            self.replace((), name)

    def replace(self, gone: Iterable[str], name: str) -> None:
        """Put a job of the content in, in place of others."""
        for one in gone:
            del self.names[one]
        self.names[name] = None
        for row in self._jobs[name]["rows"]:
            self._of_row.setdefault(row, []).append(name)

    def same(self, rows: Sequence[str]) -> set[str]:
        """Return the jobs that share most of these rows."""
        near = {name for row in rows for name in self._of_row.get(row, ()) if name in self.names}
        return {name for name in near if overlap(self._jobs[name]["rows"], rows) >= SAME}

    def thought(self, rows: Sequence[str], group: str | None) -> list[list[Any]]:
        """Return what the jobs of a group but that with these rows say, as `thought` does."""
        if group not in self._sums:
            mine = [name for name in self.names if group is None or self._jobs[name]["group"] == group]
            self._sums[group] = _summed(self._jobs[name]["classes"] for name in mine)
        own = [name for name in self.same(rows) if group is None or self._jobs[name]["group"] == group]
        less = _summed(self._jobs[name]["classes"] for name in own)
        return _told({key: sums - less.get(key, 0.0) for key, sums in self._sums[group].items()})


def thought(table: pd.DataFrame) -> list[list[Any]]:
    """Return what jobs say together, by class: ratios and share of wrong fixes, of how many jobs, all rounded.

    Rounded so far that one job more among many changes nothing: what is the same here gives the same verdicts but for
    their last digits.

    Parameters
    ----------
    table
        From `frame`.
    """
    return _told(_summed([table.astype("object").where(table.notna(), None).to_dict("records")]))


def _summed(jobs: Iterable[Sequence[Mapping[str, Any]]]) -> dict[tuple[Any, Any], np.ndarray]:
    """Return the sums of jobs by class, and last how many there are."""
    sums: dict[tuple[Any, Any], np.ndarray] = {}
    for classes in jobs:
        for one in classes:
            key = one["canopy"], one["solution"]
            sums[key] = sums.get(key, 0.0) + np.array([*(one[name] or 0.0 for name in SUMS), 1.0])
    return sums


def _told(sums: Mapping[tuple[Any, Any], np.ndarray]) -> list[list[Any]]:
    """Return sums as what is thought of each class, rounded."""

    def short(value: float, digits: int) -> float:
        return float(f"{value:.{digits - 1}e}")

    told = []
    for (canopy, solution), (total_h, free_h, total_v, free_v, wrong, fixes, jobs) in sums.items():
        shares = [short(over / under if under > 0.5 else 0.0, 2) for over, under in
                  ((total_h, free_h), (total_v, free_v), (wrong, fixes))]  # fmt: skip
        if round(jobs):
            told.append([canopy, solution, *shares, short(round(jobs), 1)])
    return sorted(told, key=lambda one: (str(one[0]), str(one[1])))


def same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Return whether two contents have the same jobs now."""
    return bool(state(one)["hash"] == state(other)["hash"])


def as_text(content: Mapping[str, Any]) -> str:
    """Return the content as its file has it."""
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def remove(content: dict[str, Any], name: str, now: datetime | None = None) -> None:
    """Leave a job out from now on.

    Raises
    ------
    InputError
        If there is no such job.
    """
    active = set(current(content))
    if name not in active:
        raise InputError(f"there is no job {name!r}; `geoqa experience show` lists them.")
    _note(content, active - {name}, now)


def _note(content: dict[str, Any], active: set[str], now: datetime | None) -> None:
    when = (now or datetime.now(UTC)).replace(microsecond=0).isoformat()
    jobs = sorted(active)
    content["states"].append({"date": when, "hash": _hash(content, jobs), "jobs": jobs})


def _hash(content: Mapping[str, Any], jobs: list[str]) -> str:
    told = json.dumps({name: content["jobs"][name] for name in jobs}, sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()[:16]


def state(content: Mapping[str, Any], as_of: str | None = None) -> dict[str, Any]:
    """Return the last state, or that of a date (ISO, the whole day) or of a hash.

    Raises
    ------
    InputError
        If there is none.
    """
    states = content["states"]
    if not states and as_of is None:
        return {"date": None, "hash": None, "jobs": []}
    if as_of is not None:
        by_hash = [one for one in states if len(as_of) >= 6 and one["hash"].startswith(as_of)]
        is_date = as_of[:4].isdigit() and "-" in as_of
        states = by_hash or [one for one in states if is_date and one["date"][: len(as_of)] <= as_of]
    if not states:
        raise InputError(f"the experience has no state of {as_of!r}: give a date such as 2026-02-28, or a hash.")
    return dict(states[-1])


def current(content: Mapping[str, Any]) -> list[str]:
    """Return the jobs of the last state."""
    return list(content["states"][-1]["jobs"]) if content["states"] else []


def frame(content: Mapping[str, Any], jobs: Sequence[str]) -> pd.DataFrame:
    """Return one row a job and class."""
    rows = [
        {"job": name, "group": content["jobs"][name]["group"], "month": content["jobs"][name]["month"], **one}
        for name in jobs
        for one in content["jobs"][name]["classes"]
    ]
    words = ("job", "group", "month", "canopy", "solution")
    table = pd.DataFrame(rows, columns=[*words, *SUMS])
    text = {name: table[name].astype("str").where(table[name].notna(), None) for name in words}
    return table.assign(**text, **{name: table[name].astype(float) for name in SUMS})


def differences(table: pd.DataFrame) -> list[str]:
    """Return where ratios differ between months or groups by more than jobs do: old jobs are kept until somebody looks.

    Kruskal and Wallis's test of the jobs' ratios of a class, where at least two months or groups have `FEWEST` jobs.

    Parameters
    ----------
    table
        From `frame`.
    """
    told = []
    for (canopy, _), rows in table[table["freedom_h"] > 0].groupby(["canopy", "solution"], dropna=False):
        ratio = rows["total_h"] / rows["freedom_h"]
        for by in ("month", "group"):
            parts = [part.to_numpy() for _, part in ratio.groupby(rows[by]) if len(part) >= FEWEST]
            if len(parts) < 2:
                continue
            p = float(stats.kruskal(*parts).pvalue)
            if p < DIFFERENT:
                told.append(
                    f"{canopy}: {by}s differ by more than their jobs do ({p_value(p)}); --group keeps them apart"
                )
    return told


def of_job(
    content: Mapping[str, Any], occupations: pd.DataFrame, group: str | None, as_of: str | None = None
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Return the jobs that may inform this one, a row a job and class, and the state they are of.

    A job that shares most of its rows with this one is this one and is left out.
    """
    chosen, mine, every = state(content, as_of), sketch(occupations), content["jobs"]
    jobs = [name for name in chosen["jobs"] if group is None or every[name]["group"] == group]
    jobs = [name for name in jobs if overlap(every[name]["rows"], mine) < SAME]
    return frame(content, jobs), {**chosen, "jobs": jobs}
