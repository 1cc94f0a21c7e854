"""Revisits: what each point that cannot be delivered needs, when, how likely it helps, and in which order to walk."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.precision.calibration import EXPECTED, TOLERANCE, WRONG
from geoqa.analysis.revisits import _candidates, _walk
from geoqa.core.arrays import Frames, Index, np, pd
from geoqa.core.frames.revisits import ACCEPT, KEYS, LONGER
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class Revisits(Analysis):
    """List the points that need something, in order of need: what to do, from when, how long, with what chance.

    Roles with the strictest requirement come first; within a role conflict before loose before unproven before the
    rest; among these the point that one more visit is likelier to settle. The chance is the share of this site's own
    points of that class and status that one more visit made deliverable; where there is no such point there is none.
    The walk goes by problem zone, or by area of near points, along straight lines: terrain, fences and water are not
    known here. Points that are single by plan are listed and not walked to; those a reviewer accepted are not listed.
    """

    name = "revisits"
    needs = (
        *EXPECTED, *WRONG, *TOLERANCE,
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.copy_of", "occupations.use",
        "occupations.fix", "closures", "closures.status", "classes", "gross_scales", "repeats", "points",
        "points.shift", "points.shift_h_m", "points.shift_v_m",
        "points.risk", "points.deliver", "points.deliver_reason", "points.deliver_key", "points.geometry", "shifts",
    )  # fmt: skip
    uses = (
        "points.zone", "points.procedure_lacks", "waits", "durations", "decisions", "procedure_asked", "check_log",
        "plan", "weighed_checks",
    )  # fmt: skip
    gives = ("revisits",)

    start: str | None = param(
        None, help="Where the walk begins: a point, or E,N in the job's unit; else the last base, or a known point"
    )
    most_visits: int = param(
        3, unit="1", minimum=2, maximum=20,
        help="Visits that do not agree after which another method is used: of three, no two agree then",
    )  # fmt: skip
    most_expected: float = param(
        3.0, unit="1", minimum=1, maximum=100,
        help="Expected further visits above which another method is used: setting control in the open costs about so "
        "many (common practice, no published source)",
    )  # fmt: skip
    other_mark_m: float = param(
        3.0, unit="m", above=0, maximum=10_000,
        help="Closure above which two marks are likelier than a wrong fix, which is mostly off by decimetres "
        "(common practice, no published source)",
    )  # fmt: skip
    longer: float = param(
        2.0, unit="1", minimum=1, maximum=100, help="A longer occupation lasts so many times the point's longest"
    )
    near_m: float = param(
        120.0, unit="m", above=0, maximum=10_000, help="Points linked by steps no longer than this are one area"
    )
    across_m: float = param(
        300.0, unit="m", above=0, maximum=100_000, help="An area is no longer than this; minutes to walk through"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `revisits`, one row per point that needs something, in order of need."""
        wanting = _candidates.candidates(frames, job)
        table = self._told(wanting, frames, job)
        table = table.iloc[_candidates.order_of_candidates(table, wanting, job)].reset_index(drop=True)
        table.insert(0, "rank", range(1, len(table) + 1))
        walked, said = self._walked(table, frames, job)
        return Result({"revisits": walked}, said)

    def _told(self, wanting: pd.DataFrame, frames: Frames, job: Job) -> pd.DataFrame:
        """Return what to do about each point, from when, how long and with what chance."""
        from geoqa.analysis.revisits import _candidates, _success_rates, _visit_times

        names = pd.Index(wanting["point"])
        past = _success_rates.record(frames, job) if len(wanting) else _success_rates.nothing()
        chances = _success_rates.chances(past, wanting)
        own_s = _visit_times.longest_own(frames["occupations"], names)
        flat = _visit_times.more_buys_nothing(frames, wanting["canopy"], own_s)
        hopeless = _candidates.is_hopeless(chances["chance_high"].to_numpy(), self.most_expected)
        facts = _candidates.candidate_facts(wanting, frames["closures"], hopeless, ~flat)
        action = _candidates.actions(facts, self.most_visits, self.other_mark_m)
        visits = wanting["visits"].to_numpy()
        is_visit = _candidates.is_visit(action)
        times = _times(wanting, frames, action, job)
        observe_s, basis = _visit_times.lengths(frames, wanting["canopy"])
        observe_s = np.fmax(observe_s, job.procedure.duration_s or np.nan)
        longer_s = np.fmax(observe_s, np.where(action == KEYS.index(LONGER), own_s * self.longer, np.nan))
        observed = _candidates.may_observe(action)
        figures = chances.loc[is_visit, ["chance", "chance_low", "chance_high"]].reindex(chances.index)
        return wanting[_KEPT].assign(
            action=pd.Categorical(_candidates.told(action, "words")),
            action_key=pd.Categorical.from_codes(action, list(KEYS)),
            instruction=pd.Categorical(_candidates.told(action, "instruction")),
            **times,
            observe_s=np.where(observed, _visit_times.rounded(longer_s), np.nan),
            observe_basis=pd.Series(basis).where(observed),
            **figures,
            chance_n=np.where(is_visit, chances["chance_n"], 0),
            chance_basis=np.where(is_visit, chances["chance_basis"], _candidates.told(action, "instead")),
            tries=visits,
            give_up_after=_candidates.limits(action, visits, self.most_visits),
        )

    def _walked(self, table: pd.DataFrame, frames: Frames, job: Job) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """Return the rows with their groups, their places in the walk, and a sentence on the walk."""
        names, place = _walk.places(frames["points"], job)
        goes = (table["action_key"] != ACCEPT).to_numpy()
        begin = (
            _walk.stated_start(self.start, names, place[:, :2], job)
            if self.start is not None
            else _walk.usual_start(frames["occupations"], names, place[:, :2], job)
        )
        made = _walk.walk(table, goes, names, place, begin, (self.near_m, self.across_m))
        return _walk.placed(made, frames["points"], names), _walk.walk_told(made, begin[0], job)


_KEPT = ["point", "zone", "role", "status", "canopy", "canopy_mixed", "reason", "finding", "looks_like", "shift"]


def _times(wanting: pd.DataFrame, frames: Frames, action: Index, job: Job) -> dict[str, pd.DatetimeIndex]:
    """Return from when each point may be visited again, and when its sky repeats."""
    from geoqa.analysis.revisits import _candidates, _visit_times

    gaps = _visit_times.RevisitGaps.of(job)
    ended = _visit_times.last_end(frames["occupations"], pd.Index(wanting["point"]))
    ended = np.where(_candidates.may_observe(action), ended, np.nan)
    other_sky = wanting["other_sky"].to_numpy()
    site_ended = _visit_times.last_end(frames["occupations"], pd.Index(frames["points"]["point"].astype("str")))
    avoid = _visit_times.repeating_sky(ended, np.fmax.reduce(site_ended), other_sky, gaps)
    apart = _visit_times.earliest(ended, wanting["judges_height"].to_numpy(), other_sky, gaps)
    return {
        "earliest_utc": _visit_times.as_times(np.fmax(apart, ended + 60 * (job.procedure.separation_min or 0.0))),
        "avoid_from_utc": _visit_times.as_times(avoid[0]),
        "avoid_to_utc": _visit_times.as_times(avoid[1]),
    }
