"""When a point may be visited again, and how long to observe: from its own times and from the record of its class."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations import measured_rows
from geoqa.analysis.occupations.measured_rows import codes_in, is_direct, seconds
from geoqa.analysis.occupations.visit_means import SKY_REPEAT_S
from geoqa.analysis.occupations.visits import Visits
from geoqa.core.arrays import Array, Flags, Frames, Index, NDArray, np, pd
from geoqa.core.frames.contract import AGREEING
from geoqa.core.frames.wording import plan_words, under
from geoqa.core.job import Job
from geoqa.core.statistics.groups import largest
from geoqa.core.units import duration

Words: TypeAlias = "NDArray[np.object_]"

#: Lengths are given in whole steps of so many seconds, rounded up.
STEP_S = 10.0


@dataclass(frozen=True)
class RevisitGaps:
    """What makes a visit independent of those before, seconds: as the steps that grade it were set."""

    horizontal_s: float
    height_s: float
    staggered_s: float
    sky_window_s: float

    @classmethod
    def of(cls, job: Job) -> RevisitGaps:
        """Return the gaps that the recipe's visits and closures are graded by."""
        visits, closures = Visits.as_set(job), Closures.as_set(job)
        return cls(
            visits.separation_h_min * 60, visits.separation_v_min * 60,
            closures.staggered_h * 3600, closures.sky_window_min * 60,
        )  # fmt: skip


def last_end(occupations: pd.DataFrame, names: pd.Index) -> Array:
    """Return when the last direct occupation of each point ended, seconds since 1970, NaN for none; shape (names,)."""
    direct = is_direct(occupations)
    code = codes_in(occupations["point"], names)
    ends = np.fmax(seconds(occupations["start_utc"]), seconds(occupations["end_utc"]))
    known = direct & (code >= 0)
    return largest(ends[known], code[known], len(names))


def earliest(ended_s: Array, judges_height: Flags, other_sky: Flags, gaps: RevisitGaps) -> Array:
    """Return from when a visit is independent, seconds since 1970; NaN where no time is known.

    Parameters
    ----------
    ended_s
        End of the last occupation, shape (n,).
    judges_height
        Whether the height is judged: its errors last longer.
    other_sky
        Whether the point needs another sky, not just another visit.
    """
    gap = np.where(judges_height, max(gaps.height_s, gaps.horizontal_s), gaps.horizontal_s)
    return ended_s + np.where(other_sky, np.maximum(gap, gaps.staggered_s), gap)


def repeating_sky(ended_s: Array, site_ended_s: float, other_sky: Flags, gaps: RevisitGaps) -> tuple[Array, Array]:
    """Return from when to when the satellites first stand again as at the last visit; NaN where they may.

    After whole sidereal days, the first of which is not over when the site's last occupation ended, seconds since 1970.
    """
    over = (site_ended_s - ended_s - gaps.sky_window_s) / SKY_REPEAT_S
    middle = ended_s + np.maximum(np.ceil(over), 1) * SKY_REPEAT_S
    middle = np.where(other_sky, middle, np.nan)
    return middle - gaps.sky_window_s, middle + gaps.sky_window_s


def as_times(values_s: Array) -> pd.DatetimeIndex:
    """Return seconds since 1970 as times in UTC, whole seconds."""
    whole = np.where(np.isnan(values_s), 0, np.round(values_s)).astype("datetime64[s]").astype("datetime64[us]")
    whole[np.isnan(values_s)] = np.datetime64("NaT")
    return pd.DatetimeIndex(whole).tz_localize("UTC")


def lengths(frames: Frames, canopy: pd.Series) -> tuple[Array, Words]:
    """Return how long to observe under each label, seconds, and what that comes from.

    As the plan has it, where a length of it pays. Else where receiver logs show the class: as long as more time on the
    fix still bought anything. Else the median of the occupations that confirmed, delivered points of the class rest
    on. NaN where neither is there.

    Parameters
    ----------
    frames
        ``occupations`` with `use`, ``points`` with `status` and `deliver`; ``plan``; ``waits`` and ``durations`` where
        there are logs.
    canopy
        Labels, shape (n,); null for none.
    """
    code, names = _classes(canopy)
    known = [_length(frames, name) for name in names]
    held, basis = np.array([one for one, _ in known], float), np.array([words for _, words in known], dtype=object)
    return held[code], basis[code]


def rounded(values_s: Array) -> Array:
    """Return lengths rounded up to whole steps."""
    return np.ceil(np.round(values_s / STEP_S, 6)) * STEP_S


def longest_own(occupations: pd.DataFrame, names: pd.Index) -> Array:
    """Return the longest direct occupation of each point, seconds, NaN where no length is known; shape (names,)."""
    code = codes_in(occupations["point"], names)
    held = _held(occupations)
    known = is_direct(occupations) & (code >= 0) & (held > 0)
    return largest(held[known], code[known], len(names))


def more_buys_nothing(frames: Frames, canopy: pd.Series, held_s: Array) -> Flags:
    """Return where logs of the class show that longer than `held_s` buys nothing; shape (n,)."""
    if "durations" not in frames:
        return np.zeros(len(canopy), bool)
    code, names = _classes(canopy)
    known = np.array([_flat_from(frames["durations"], name) for name in names], float)
    return held_s >= known[code]  # NaN compares false


def _classes(canopy: pd.Series) -> tuple[Index, list[str | None]]:
    """Return the class of each row as a position among the distinct ones, None for none."""
    code, names = pd.factorize(canopy, use_na_sentinel=False)
    return code, [name if isinstance(name, str) else None for name in names]


def _length(frames: Frames, canopy: str | None) -> tuple[float, str]:
    if "plan" in frames:
        plan = frames["plan"]
        mine = plan[plan["chosen"].astype(bool) & plan["minutes"].notna() & _is(plan["canopy"], canopy)]
        if len(mine):
            best = mine.sort_values("time_s", kind="stable").iloc[0].to_dict()
            return 60 * best["minutes"], f"the plan {under(canopy)}: {plan_words(best)}"
    if "waits" in frames and "durations" in frames:
        wait, flat = _wait(frames["waits"], canopy), _flat_from(frames["durations"], canopy)
        if np.isfinite(flat):
            waited = f"; nine in ten had settled after {duration(wait)}" if np.isfinite(wait) else ""
            return flat, f"receiver logs {under(canopy)}: more time than this bought nothing{waited}"
    occupations, points = frames["occupations"], frames["points"]
    good = pd.Index(points["point"][(points["status"].isin(AGREEING)) & (points["deliver"] == "yes")])
    used = np.isin(measured_rows.use_codes(occupations["use"]), measured_rows.IN_POSITION)
    here = used & (codes_in(occupations["point"], good) >= 0)
    if canopy:
        here &= (occupations["canopy"] == canopy).to_numpy(dtype=bool, na_value=False)
    held = _held(occupations)[here]
    held = held[held > 0]
    if not len(held):
        return np.nan, f"no confirmed point {under(canopy)} tells how long it was observed"
    return float(np.median(held)), f"median of {len(held)} occupations at confirmed points {under(canopy)}"


def _held(occupations: pd.DataFrame) -> Array:
    """Return how long each occupation lasted, seconds; NaN where that is not known."""
    stated = occupations["duration_s"].to_numpy(dtype=float, na_value=np.nan)
    timed = seconds(occupations["end_utc"]) - seconds(occupations["start_utc"])
    return np.where(np.isnan(stated), timed, stated)


def _is(words: pd.Series, canopy: str | None) -> pd.Series:
    return words.isna() if canopy is None else words.astype("str") == canopy


def _wait(waits: pd.DataFrame, canopy: str | None) -> float:
    """Return the wait after which nine in ten attempts of a class had settled; NaN where that was not seen."""
    mine = waits[_is(waits["canopy"], canopy)].set_index("until")["most_s"]
    found = [mine.get(until, np.nan) for until in ("precision", "hold")]
    return next((float(one) for one in found if np.isfinite(one)), np.nan)


def _flat_from(durations: pd.DataFrame, canopy: str | None) -> float:
    """Return the length from which more time buys nothing under a class; NaN where that was not seen."""
    mine = durations[_is(durations["canopy"], canopy) & durations["flat"].astype(bool)]
    return float(mine["duration_s"].min()) if len(mine) else np.nan
