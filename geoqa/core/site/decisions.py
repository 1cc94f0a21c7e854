"""A reviewer's decisions put on the rows they are meant for; one that no longer fits its row is an error.

Decisions on points come first, on the names that matching gave; decisions on single rows after
them; a point is accepted under the name it has in the end.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Any, TypeAlias

from geoqa.core.arrays import Index, np, pd
from geoqa.core.errors import Fault, InputError
from geoqa.core.frames.schema import ACTIONS, DECIDED
from geoqa.core.job import Job
from geoqa.core.recipe import sources
from geoqa.core.site import labels
from geoqa.core.units import METRES_PER

Entry: TypeAlias = "dict[str, Any]"

_WORD = dict(zip(ACTIONS, range(len(DECIDED)), strict=True))
#: Of several decisions on one row the weightiest stands there; the last is none.
_WEIGHTS = (1, 3, 2, 0)
_NO_CELL = re.compile("[\0\r\n\ud800-\udfff]")
_COORDINATE = re.compile(r"([-+]?\d+(?:\.\d+)?)[\s,;/]+([-+]?\d+(?:\.\d+)?)")


def target(name: str) -> str | None:
    """Return the name of a point or a file as a file of decisions has it; None where none can hold it."""
    text = unicodedata.normalize("NFC", name)
    back = labels.as_read(unicodedata.normalize("NFC", labels.inert(text).strip()))
    return text if back == text and not _NO_CELL.search(text) else None


def apply(frame: pd.DataFrame, entries: pd.DataFrame, job: Job) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows with `decision` and `name_read`, reassigned as a reviewer says, and what decisions concern.

    Parameters
    ----------
    frame
        Rows with `occupation_id`, `point`, `source_file`, `source_line` and coordinates.
    entries
        Decisions as read: `action`, `kind`, `target`, `guard`, `new_point`, `source_file`, `source_line`.

    Raises
    ------
    InputError
        Naming every decision whose row or point is not there, or is no longer the one it was meant for.
    """
    if entries.empty:
        return frame, _applied_entries(entries, [], [], [])
    site = _Site(frame, job)
    faults: list[Fault] = []
    of_point = (entries["kind"] == "point").to_numpy(dtype=bool)
    late = of_point & (entries["action"] == "accept").to_numpy(dtype=bool)
    records: list[Entry] = entries.astype(object).where(entries.notna(), "").to_dict("records")
    concerned: dict[int, tuple[Index, str]] = {}
    for now in (of_point & ~late, ~of_point, late):
        if now is late:
            site.regroup()
        for at in np.flatnonzero(now).tolist():
            entry = records[at]
            problem = site.take(entry, concerned, at)
            if problem:
                faults.append(Fault(f"{entry['source_file']}: line {entry['source_line']}", *problem))
    if faults:
        title = "reviewer's decisions no longer fit what was read (nothing was decided):"
        raise InputError.from_faults(title, faults)
    return site.frame(), site.told(entries, concerned)


class _Site:
    """The rows while decisions are put on them."""

    def __init__(self, frame: pd.DataFrame, job: Job) -> None:
        self._frame, self._job, self._units_m = frame, job, _units_m(job)
        points = frame["point"].astype("category").cat
        self._names = [str(name) for name in points.categories]
        self._read = frame["name_read" if "name_read" in frame else "point"]
        self._known = {name: i for i, name in enumerate(self._names)}
        self._code = points.codes.to_numpy().astype(np.int64)
        self._decision = np.full(len(frame), -1, np.int64)
        self.regroup()
        files = frame["source_file"].astype("category").cat
        # A target is read in composed form, and some systems keep names in another.
        self._files = [unicodedata.normalize("NFC", str(name)) for name in files.categories]
        line = frame["source_line"].to_numpy().astype(np.int64)
        self._most = int(line.max(initial=0)) + 1
        key = files.codes.to_numpy().astype(np.int64) * self._most + line
        self._order = np.argsort(key, kind="stable")
        self._key = key[self._order]

    def regroup(self) -> None:
        """Take the rows of each point as they are named now for what is decided of points from here on."""
        self._grouped = np.argsort(self._code, kind="stable")
        self._cuts = np.searchsorted(self._code[self._grouped], np.arange(len(self._names) + 1))

    def take(self, entry: Entry, concerned: dict[int, tuple[Index, str]], at: int) -> tuple[str, str] | None:
        """Carry out one decision and note what it concerns; return why it does not fit, if so."""
        rows = self._of_point(entry["target"]) if entry["kind"] == "point" else self._of_line(entry["target"])
        if not len(rows):
            return _missing(entry)
        if not any(self._fits(row, entry["guard"]) for row in rows.tolist()):
            return self._misfit(entry, int(rows[0]))
        before = self._names[self._code[rows[0]]]
        if entry["action"] == "reassign":
            if before == entry["new_point"]:
                return f"{entry['target']!r:.80} is {before!r:.60} already.", "Remove the entry."
            self._code[rows] = self._code_of(str(entry["new_point"]))
        if entry["kind"] == "occupation" or entry["action"] != "accept":
            word = _WORD[entry["action"]]
            weaker = np.array(_WEIGHTS)[self._decision[rows]] < _WEIGHTS[word]
            self._decision[rows] = np.where(weaker, word, self._decision[rows])
        concerned[at] = (rows, before)
        return None

    def _code_of(self, name: str) -> int:
        if name not in self._known:
            self._known[name] = len(self._names)
            self._names.append(name)
        return self._known[name]

    def _of_point(self, name: str) -> Index:
        i = self._known.get(name, len(self._cuts))
        return self._grouped[slice(*self._cuts[i : i + 2])] if i + 1 < len(self._cuts) else np.zeros(0, np.int64)

    def _of_line(self, target: str) -> Index:
        file, _, line = target.rpartition(":")
        if file not in self._files or int(line) >= self._most:
            return np.zeros(0, np.int64)
        key = self._files.index(file) * self._most + int(line)
        return self._order[slice(*np.searchsorted(self._key, [key, key + 1]))]

    def _fits(self, row: int, guard: str) -> bool:
        """Return whether a row has the name as read, or to the digits given the coordinate, that it was meant for."""
        if not guard or guard == str(self._read.iloc[row]):
            return True
        numbers = _COORDINATE.fullmatch(guard)
        if numbers is None:
            return False
        digits = [len(text.partition(".")[2]) for text in numbers.groups()]
        # Half of the last digit given, and a little for numbers that lie in the middle.
        return any(
            all(
                abs(float(text) - value) <= 0.5001 * 10.0**-places
                for text, value, places in zip(numbers.groups(), self._coordinate(row, unit_m), digits, strict=True)
            )
            for unit_m in self._units_m
        )

    def _coordinate(self, row: int, unit_m: float) -> tuple[float, float]:
        """Return a row's coordinate in units of so many metres, or in degrees where the input is."""
        geographic = self._job.grid.system.geographic
        names, factor = (("lon_deg", "lat_deg"), 1.0) if geographic else (("easting_m", "northing_m"), unit_m)
        east, north = (float(self._frame[name].iloc[row]) / factor for name in names)
        return east, north

    def _misfit(self, entry: Entry, row: int) -> tuple[str, str]:
        east, north = self._coordinate(row, self._job.grid.unit_m)
        there = f"{str(self._read.iloc[row])[:60]!r} at {east:.10g} {north:.10g}"
        problem = f"{entry['target']!r:.80} was meant for {entry['guard']!r:.60}, and is {there} now."
        return problem, "Find the row it was meant for and correct target and guard, or remove the entry."

    def frame(self) -> pd.DataFrame:
        """Return the rows with their decisions."""
        point = pd.Categorical(pd.Series(self._names, dtype="str").take(self._code))
        decision = pd.Categorical.from_codes(self._decision, categories=list(DECIDED))
        return self._frame.assign(point=point, name_read=self._read, decision=decision)

    def told(self, entries: pd.DataFrame, concerned: dict[int, tuple[Index, str]]) -> pd.DataFrame:
        """Return the decisions with the point and the rows they concern."""
        ids = self._frame["occupation_id"].to_numpy()
        every = [concerned[at] for at in range(len(entries))]
        after = [self._names[self._code[rows[0]]] for rows, _ in every]
        return _applied_entries(entries, [before for _, before in every], after, [ids[rows] for rows, _ in every])


def _units_m(job: Job) -> list[float]:
    """Return the metres in each unit that some input file may have its eastings in, the whole job's first."""
    found = []
    for one in (job, *(rule.recipe for rule in job.files)):
        own = sources(one.columns).get("easting")
        found += [one.grid.unit_m, *([METRES_PER[own.unit]] if own and own.unit else [])]
    return list(dict.fromkeys(found))


def _applied_entries(entries: pd.DataFrame, before: list[str], after: list[str], ids: list[Index]) -> pd.DataFrame:
    return entries.assign(
        point_before=pd.Series(before, dtype="str"),
        point=pd.Series(after, dtype="str"),
        occupations=np.array([len(rows) for rows in ids], np.int64),
        occupation_id=np.array([rows.min() for rows in ids], np.int64),
    )


def _missing(entry: Entry) -> tuple[str, str]:
    if entry["kind"] == "point":
        return f"no row belongs to a point {entry['target']!r:.80}.", "Correct the target, or remove the entry."
    problem = f"no row was used from {entry['target']!r:.80}: no such file or line, or the row was set aside."
    return problem, "Correct the target (file:line as review.gpkg and the map have them), or remove the entry."
