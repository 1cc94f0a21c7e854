"""Whether each point was observed as it was to be: visits that count, set-ups, fixes, bases, what receivers show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geoqa.analysis.occupations import differences, measured_rows
from geoqa.analysis.occupations.measured_rows import codes_in, codes_of, is_direct, seconds
from geoqa.analysis.occupations.roles import by_role
from geoqa.analysis.occupations.visits import Visits
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd
from geoqa.core.frames import control
from geoqa.core.frames.procedure import NO, NOT_SHOWN, UNSIGNED, WORDS, YES, asked_words, said
from geoqa.core.job import Job, unfixed
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import listed

#: The better first: of several the worst is the largest.
_STATES = (YES, NOT_SHOWN, NO)
_MET, _UNSHOWN, _UNMET = range(len(_STATES))
#: Uses of rows that the coordinate rests on, or that contradict each other: what it leaves out does not count.
_COUNTING = (measured_rows.USED, measured_rows.NO_HEIGHT, measured_rows.HEIGHT_ONLY, measured_rows.DISPUTED)
#: Conditions of what a receiver shows: the column, and whether more is better.
_SHOWN = {
    "duration_s": ("duration_s", True), "satellites": ("satellites", True), "pdop": ("pdop", False),
    "largest_age_s": ("correction_age_s", False),
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Procedure(Analysis):
    """Say of each point and condition of ``[procedure]`` whether it is met, not met, or not shown.

    Direct measured occupations count, and of them what the coordinate rests on or cannot choose between: no copies, no
    row that is set aside or outvoted, no stakes, no keyed-in coordinates. `occupations` counts visits that are at
    least `separation_min` apart, the largest such set; where as many as asked meet what is asked of each, they are
    the ones that count, else every visit that counts must meet it. A gap shorter than what makes a visit here is
    counted by occupations. A visit to which nobody wrote a value shows nothing: never met, never not met.

    Points with a known coordinate are not asked, nor are roles that ``[procedure] roles`` does not name; of a role that
    is single by plan no second occupation is asked, and nothing that only a second one could show.
    A new set-up is shown by another crew, another antenna height, or a point that the crew observed in between.
    """

    name = "procedure"
    needs = (
        "procedure_asked", "occupations", "occupations.visit", "occupations.use", "occupations.fix", "points",
    )  # fmt: skip
    uses = ("check_log",)
    gives = ("procedure", "points.procedure", "points.procedure_lacks")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `procedure`, a row a point and condition asked of it, and its summary in `points`."""
        occupations, points = frames["occupations"], frames["points"]
        visit_s = Visits.as_set(job).separation_h_min * 60
        visits = _Visits.of(occupations, points, job, visit_s)
        applies, repeats = _asked_of(occupations, points, job)
        # What one visit that counts lacks is said once; that others are too near it is worth a word.
        said = "occupations" in job.procedure.asked
        once = {
            name: said & (visits.counted < 2) for name, one in WORDS.items() if one.repeats and name != "occupations"
        }
        once["separation_min"] = said & (np.bincount(visits.point, minlength=len(points)) < 2)
        note = pd.Series("" if job.procedure.signable else UNSIGNED, index=range(len(points)), dtype="str")
        parts, lacks = [], {}
        whole = np.full(len(points), -1, np.int64)
        for name in job.procedure.asked:
            met, seen = visits.judged(name, job, frames.get("check_log"))
            mine = applies & (repeats | (not WORDS[name].repeats))
            words = asked_words(name, job, visit_s)
            lacks[name] = _lacking(name, met, seen, words, mine & ~once.get(name, np.zeros(len(points), bool)))
            whole = np.where(mine, np.maximum(whole, met), whole)
            parts.append(_rows(points, name, met, seen, words, mine, name in job.procedure.required_of))
        table = pd.concat(parts, ignore_index=True).sort_values("at", kind="stable", ignore_index=True)
        keyed = points[["point"]].assign(
            procedure=pd.Categorical.from_codes(whole, categories=list(_STATES)),
            procedure_lacks=_joined(lacks, note.where(applies, "")),
        )
        strange = [role for role in job.procedure.roles or () if not (points["role"] == role).any()]
        unknown = f"[procedure] roles names {listed(strange)}, and no point has that role: nothing is asked of it"
        return Result({"procedure": table.drop(columns="at"), "points": keyed}, (unknown,) * bool(strange))


def _asked_of(occupations: pd.DataFrame, points: pd.DataFrame, job: Job) -> tuple[Flags, Flags]:
    """Return of which points anything is asked, and of which a second occupation; shape (points,)."""
    known = occupations["point"].astype("str").iloc[differences.known_rows(occupations)]
    applies = (points["occupations"] > 0).to_numpy() & ~points["point"].astype("str").isin(known).to_numpy()
    if job.procedure.roles is not None:
        named = {*job.procedure.roles, *map(unfixed, job.procedure.roles)}
        applies &= points["role"].isin(named).to_numpy(dtype=bool, na_value=False)
    return applies, ~(by_role(points["role"], job, lambda role: role.single_by_plan) > 0)


def _rows(
    points: pd.DataFrame, name: str, met: Index, seen: pd.Series, asked: str, mine: Flags, required: bool
) -> pd.DataFrame:
    at = np.flatnonzero(mine)
    table = pd.DataFrame({"at": at, "point": points["point"].array[at], "condition": name})
    return table.astype({"condition": "str"}).assign(
        met=pd.Categorical.from_codes(met[at], categories=list(_STATES)),
        seen=seen.array[at],
        asked=pd.Series(asked, index=table.index, dtype="str"),
        required=required,
    )


def _lacking(name: str, met: Index, seen: pd.Series, asked: str, mine: Flags) -> tuple[pd.Series, pd.Series]:
    """Return what is said of each point where a condition is not met, and where it is not shown; empty elsewhere."""
    words = WORDS[name].words
    short = (f"{words} " + seen.fillna("none") + f" (asked: {asked})").where(mine & (met == _UNMET), "")
    unshown = pd.Series(f"{words} (asked: {asked})", index=seen.index, dtype="str").where(mine & (met == _UNSHOWN), "")
    return short, unshown


def _joined(lacks: Mapping[str, tuple[pd.Series, pd.Series]], note: pd.Series) -> pd.Series:
    """Return what each point lacks, and a note, as one text, null where there is none of it; shape (n,)."""
    told = pd.Series("", index=note.index, dtype="str")
    for heading, which in (("not met: ", 0), ("not shown: ", 1)):
        part = pd.Series("", index=note.index, dtype="str")
        for both in lacks.values():
            part = _followed(part, "; ", both[which])
        told = _followed(told, ". ", (heading + part).where(part != "", ""))
    told = _followed(told, ". ", note)
    return told.where(told != "")


def _followed(text: pd.Series, between: str, more: pd.Series) -> pd.Series:
    """Return texts with others behind them; `between` stands where neither is empty."""
    return text + pd.Series(between, index=text.index, dtype="str").where((text != "") & (more != ""), "") + more


@dataclass(frozen=True)
class _Visits:
    """The visits of points, sorted by point and start, and which of them count; arrays of shape (n,) or (rows,).

    Attributes
    ----------
    row, visit, point
        Positions of the counting rows in the occupations, the visit each is of, and the point of each visit.
    start_s, end_s
        Of each visit, NaN where unknown.
    counts
        Whether it is one of the visits that count.
    state
        By condition of what a receiver shows: whether each visit meets it, see `_STATES`; and the value that tells.
    occupations, points
        The frame, and how many points there are.
    """

    row: Index
    visit: Index
    point: Index
    start_s: Array
    end_s: Array
    counts: Flags
    state: Mapping[str, tuple[Index, Array]]
    occupations: pd.DataFrame
    points: int

    @classmethod
    def of(cls, occupations: pd.DataFrame, points: pd.DataFrame, job: Job, visit_s: float) -> _Visits:
        """Return the visits of the points, and which of them count toward what the job asks."""
        asked = job.procedure.asked
        gap_s = visit_s if job.procedure.separation_min is None else 60 * job.procedure.separation_min
        use = measured_rows.use_codes(occupations["use"])
        at = codes_in(occupations["point"], pd.Index(points["point"]))
        start, number = seconds(occupations["start_utc"]), occupations["visit"].to_numpy()
        row = np.flatnonzero(is_direct(occupations) & np.isin(use, _COUNTING) & (at >= 0))
        row = row[np.lexsort((np.nan_to_num(start[row], nan=np.inf), at[row]))]
        timed = ~np.isnan(start[row])
        # A row without a time may be of any visit; a gap shorter than that of visits parts single occupations.
        own = ~timed | (gap_s < visit_s)
        other = np.r_[True, (np.diff(at[row]) != 0) | (np.diff(number[row]) != 0) | own[:-1]][: len(row)]
        opens = own | other
        visit = np.cumsum(opens) - 1
        n, point = groups.above(visit), at[row][opens]
        ends = np.fmax(start, seconds(occupations["end_utc"]))[row]
        start_s, end_s = -groups.largest(-start[row], visit, n), groups.largest(ends, visit, n)
        state = {name: _state(name, asked[name], occupations, row, visit, n, job) for name in asked if name in _SHOWN}
        sound = np.ones(n, bool)
        for met, _ in state.values():
            sound &= met != _UNMET
        wanted = asked.get("occupations", np.inf)
        enough = np.zeros(len(points), np.int64)
        best = _apart(point, start_s, end_s, sound, gap_s)
        np.add.at(enough, point[best], 1)
        counts = np.where((enough >= wanted)[point], best, _apart(point, start_s, end_s, np.ones(n, bool), gap_s))
        return cls(row, visit, point, start_s, end_s, counts, state, occupations, len(points))

    def judged(self, name: str, job: Job, check_log: pd.DataFrame | None) -> tuple[Index, pd.Series]:
        """Return whether each point meets a condition, a position in `_STATES`, and what was seen; shape (points,)."""
        told, wanted = job.procedure.asked[name], max(job.procedure.asked.get("occupations", 2), 2)
        counted = self.counted
        if name == "occupations":
            timed = self._sum(self.counts & ~np.isnan(self.start_s))
            untimed = counted - timed
            shown = np.maximum(timed, np.minimum(counted, 1))
            return _at_least(told, shown, np.where(timed > 0, timed + untimed, counted)), _texts(name, shown)
        if name == "separation_min":
            return self._separated(told)
        if name == "mask_deg":
            set_deg = np.full(self.points, _float(job.report.mask_deg))
            return _compared(set_deg, told, True), _texts(name, set_deg)
        if name == "check_first_and_last":
            return self._checked(check_log, job)
        if name in self.state:
            met, value = self.state[name]
            _, more = _SHOWN[name]
            worst = groups.largest(np.where(self.counts, -value if more else value, np.nan), self.point, self.points)
            return self._worst(met), _texts(name, -worst if more else worst)
        shown, possible = getattr(self, f"_{name}")()
        wanted = 2 if name == "other_base" else wanted
        seen = pd.Series(np.minimum(shown, wanted)).astype("str") + f" of {wanted} shown"
        return _at_least(wanted, shown, possible), seen

    @property
    def counted(self) -> Index:
        """How many visits of each point count; shape (points,)."""
        return self._sum(self.counts)

    def _sum(self, which: Flags) -> Index:
        return np.bincount(self.point[which], minlength=self.points)

    def _distinct(self, codes: Index) -> Index:
        """Return how many known codes the counting visits of each point have."""
        known = self.counts & (codes >= 0)
        pairs = np.unique(self.point[known] * (int(codes.max(initial=0)) + 1) + codes[known])
        return np.bincount(pairs // (int(codes.max(initial=0)) + 1), minlength=self.points)

    def _of_visit(self, codes: Index) -> Index:
        """Return the first known code of each visit's rows, -1 for none."""
        return groups.first_known(codes[self.row], self.visit, len(self.point))[0]

    def _new_initialization(self) -> tuple[Index, Index]:
        """Return in how many counting visits a fix began that is shown, and in how many one may have."""
        label = measured_rows.shown_labels(self.occupations)[self.row]
        fix = self.occupations["fix"].to_numpy()[self.row]
        some = np.flatnonzero(self.counts[self.visit] & (label >= 0))
        _, first = np.unique(
            self.point[self.visit[some]] * (int(fix.max(initial=0)) + 1) + fix[some], return_index=True
        )
        began, labelled = np.zeros(len(self.point), bool), np.zeros(len(self.point), bool)
        began[self.visit[some[first]]], labelled[self.visit[some]] = True, True
        shown = self._sum(began)
        return shown, shown + self._sum(self.counts & ~labelled)

    def _other_base(self) -> tuple[Index, Index]:
        base = self._of_visit(codes_of(self.occupations["base"]))
        shown = self._distinct(base)
        return shown, shown + self._sum(self.counts & (base < 0))

    def _new_setup(self) -> tuple[Index, Index]:
        """Return how many set-ups of the antenna are shown, and how many visits count: nothing shows that it stayed."""
        counted = self.counted
        height = self.occupations["antenna_height_m"].to_numpy(dtype=float, na_value=np.nan)
        heights, _ = pd.factorize(height)
        shown = np.maximum(*(self._distinct(self._of_visit(codes)) for codes in (_stays(self.occupations), heights)))
        return np.maximum(shown, np.minimum(counted, 1)), counted

    def _separated(self, minutes: float) -> tuple[Index, pd.Series]:
        """Return whether two visits are so far apart, and the longest time between two; shape (points,)."""
        n, at = self.points, self.point
        gap_s = groups.largest(self.start_s, at, n) + groups.largest(-self.end_s, at, n)
        several, untimed = (np.bincount(at[which], minlength=n) for which in (slice(None), np.isnan(self.start_s)))
        met = np.where(gap_s >= 60 * minutes - 1e-6, _MET, np.where((untimed > 0) & (several > 1), _UNSHOWN, _UNMET))
        seen = _texts("separation_min", np.where(gap_s >= 0, gap_s / 60, np.nan))
        return met, seen.mask(several < 2, "one visit")

    def _checked(self, log: pd.DataFrame | None, job: Job) -> tuple[Index, pd.Series]:
        """Return whether the days and base set-ups of the visits that count were checked first and last."""
        state = np.full(len(self.occupations), _UNSHOWN)
        if log is not None and len(log):
            day = control.days(self.occupations["start_utc"], job)
            base = self.occupations["base"].astype("object").fillna(control.NO_BASE).astype("str")
            keys = pd.MultiIndex.from_arrays([log["day"].astype("str"), log["base"].astype("str")])
            ends = log[["at_start", "at_end"]].astype("str").to_numpy()
            # One shot is no first and last.
            missed = (ends == control.NO).any(axis=1) | (log["checks"] < 2).to_numpy()
            both = (ends == control.YES).all(axis=1)
            known = np.where(missed, _UNMET, np.where(both, _MET, _UNSHOWN))
            state = np.append(known, _UNSHOWN)[keys.get_indexer(pd.MultiIndex.from_arrays([day, base]))]
        of_visit = np.zeros(len(self.point), np.int64)
        np.maximum.at(of_visit, self.visit, state[self.row])
        met = self._worst(of_visit)
        words = pd.Series(["near both", None, "not near both"], dtype="str")
        return met, words.take(met).reset_index(drop=True)

    def _worst(self, met: Index) -> Index:
        """Return the worst of the visits that count, of shape (n,); of a point without any it is not met."""
        worst = np.full(self.points, -1)
        np.maximum.at(worst, self.point[self.counts], met[self.counts])
        return np.where(worst < 0, _UNMET, worst)


def _state(
    name: str, asked: float, occupations: pd.DataFrame, row: Index, visit: Index, n: int, job: Job
) -> tuple[Index, Array]:
    """Return whether each visit meets what is asked of what its receiver shows, and the value that tells; shape (n,).

    The longest occupation of a visit tells its duration, the worst all else; one that states nothing leaves it open.
    """
    column, more = _SHOWN[name]
    values = occupations[column].to_numpy(dtype=float, na_value=np.nan)[row]
    if name == "duration_s":
        timed = (seconds(occupations["end_utc"]) - seconds(occupations["start_utc"]))[row]
        told = groups.largest(np.where(np.isnan(values), timed, values), visit, n)
        return _compared(told, asked, more), told
    if name == "satellites":
        values = np.where(np.isnan(values), _float(job.report.least_satellites), values)
    sign = -1.0 if more else 1.0
    told = sign * groups.largest(sign * values, visit, n)
    silent = np.bincount(visit, np.isnan(values), minlength=n) > 0
    return np.where(silent, np.maximum(_compared(told, asked, more), _UNSHOWN), _compared(told, asked, more)), told


def _compared(values: Array, asked: float, more: bool) -> Index:
    """Return whether values are at least, or at most, what is asked; not a number shows nothing."""
    met = values >= asked - 1e-9 if more else values <= asked + 1e-9
    return np.where(np.isnan(values), _UNSHOWN, np.where(met, _MET, _UNMET))


def _at_least(asked: float, shown: Index, possible: Index) -> Index:
    """Return whether so many are shown, or at least possible."""
    return np.where(shown >= asked, _MET, np.where(possible >= asked, _UNSHOWN, _UNMET))


def _apart(point: Index, start_s: Array, end_s: Array, allowed: Flags, gap_s: float) -> Flags:
    """Return the largest set of visits of each point that are pairwise so far apart: greedy from the first; shape (n,).

    Visits without a time are all taken: nothing shows that they are near another.

    Parameters
    ----------
    point, start_s, end_s
        Visits sorted by point and start, shape (n,).
    allowed
        Which may be taken, shape (n,).
    """
    taken = allowed & np.isnan(start_s)
    left = np.flatnonzero(allowed & ~np.isnan(start_s))
    while len(left):  # a round takes one visit of every point
        first = left[groups.starts_of(point[left])]
        taken[first] = True
        ended = np.full(groups.above(point), np.nan)
        ended[point[first]] = end_s[first]
        left = left[start_s[left] - ended[point[left]] >= gap_s - 1e-6]
        left = left[~taken[left]]
    return taken


def _stays(occupations: pd.DataFrame) -> Index:
    """Return the stay of its crew at a point that each row is of, -1 where crew or time is unknown; shape (rows,)."""
    crew, point, start = codes_of(occupations["operator"]), codes_of(occupations["point"]), occupations["start_utc"]
    known = np.flatnonzero((crew >= 0) & start.notna().to_numpy() & (occupations["origin"] == "measured").to_numpy())
    known = known[np.lexsort((seconds(start)[known], crew[known]))]
    other = (np.diff(crew[known], prepend=-1) != 0) | (np.diff(point[known], prepend=-1) != 0)
    stay = np.full(len(occupations), -1, np.int64)
    stay[known] = np.cumsum(other)
    return stay


def _texts(name: str, values: Array) -> pd.Series:
    """Return what was seen in words, null where nothing was; shape (n,)."""
    codes, distinct = pd.factorize(np.round(values.astype(float), 6))
    words = pd.Series([said(name, value) for value in distinct.tolist()] + [None], dtype="str")
    return words.take(codes).reset_index(drop=True)  # code -1, not a number, is the last


def _float(value: float | None) -> float:
    return np.nan if value is None else float(value)
