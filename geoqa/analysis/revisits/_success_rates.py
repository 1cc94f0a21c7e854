"""What one more visit brought on this site: points judged as they stood earlier, and after the visit that followed."""

from __future__ import annotations

from geoqa.analysis.occupations.measured_rows import codes_in, ends, is_direct
from geoqa.analysis.points.combination import Combination
from geoqa.analysis.points.delivery import Delivery
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.points.procedure import Procedure
from geoqa.analysis.points.risk import Risk
from geoqa.core.arrays import Array, Flags, Frames, NDArray, np, pd
from geoqa.core.frames.contract import UNPROVEN
from geoqa.core.frames.schema import judged_again
from geoqa.core.frames.wording import under
from geoqa.core.job import Job
from geoqa.core.statistics import sample_tests
from geoqa.core.units import counted

#: Visits of a point looked back on; few points have more.
MOST_VISITS = 4
#: What shifts say of a point, whichever of its visits are looked at.
_OF_SHIFTS = ("shift", "explained", "shift_h_m", "shift_v_m")
#: What a procedure is judged by, where one is asked for.
_OF_PROCEDURE = ("procedure_asked", "check_log")
_KINDS = {"canopy": "str", "visits": "int64", "status": "str", "helped": bool}


def record(frames: Frames, job: Job) -> pd.DataFrame:
    """Return a row for each point and number of visits after which it could not be delivered and was visited again.

    Every point is judged from its first visits alone, as the steps judge it, with what the whole site shows of its
    classes; that is a little more than was known at the time.

    Parameters
    ----------
    frames
        ``occupations`` with `visit` and `visit_v`, ``closures``, ``classes``, ``gross_scales``, ``repeats``, and
        ``points`` with `shift` and what it may move.

    Returns
    -------
    DataFrame
        ``canopy``, ``visits``, ``status`` after them, and ``helped``: whether it could be
        delivered after one more.
    """
    occupations = frames["occupations"]
    direct = occupations[is_direct(occupations)]
    most = direct.groupby(direct["point"].astype("category"), observed=True)["visit"].max()
    parts = []
    before: pd.DataFrame | None = None
    for k in range(1, min(int(most.max() if len(most) else 0), MOST_VISITS) + 1):
        now = _after(frames, job, k, most[most >= max(k, 2)])
        if before is not None:
            parts.append(_followed(before, now, k - 1))
        before = now
    return pd.concat(parts, ignore_index=True).astype(_KINDS) if parts else nothing()


def nothing() -> pd.DataFrame:
    """Return a record without rows."""
    return pd.DataFrame(columns=list(_KINDS)).astype(_KINDS)


def _followed(before: pd.DataFrame, now: pd.DataFrame, visits: int) -> pd.DataFrame:
    """Return what became of the points that could not be delivered after `visits` visits and had one more.

    A visit after which nothing shows a fresh initialization yet was no trial: the crew is asked for one.
    """
    again = now["deliver"].where(~now["status"].isin(UNPROVEN)).reindex(before.index)
    held = before.assign(now=again)[(before["deliver"] == "no") & again.notna()]
    return pd.DataFrame(
        {
            "canopy": held["canopy"].astype("str").array,
            "visits": visits,
            "status": held["status"].astype("str").to_numpy(),
            "helped": (held["now"] == "yes").to_numpy(),
        }
    )


def _after(frames: Frames, job: Job, visits: int, had: pd.Series) -> pd.DataFrame:
    """Return status, delivery and canopy of points after so many of the visits they `had`, by name."""
    # After all its visits a point is judged already, but for what checks by other methods said of it.
    whole = frames["points"].set_index(frames["points"]["point"].astype("str"))[["status", "deliver", "canopy"]]
    done = (had == visits).to_numpy() & ("weighed_checks" not in frames)
    told = [whole.loc[had.index[done].astype("str")], _judged(frames, job, visits, had.index[~done])]
    return pd.concat([part.astype("object") for part in told])


def _judged(frames: Frames, job: Job, visits: int, names: pd.Index) -> pd.DataFrame:
    """Return the same of the points called `names` from those visits alone."""
    occupations, closures = frames["occupations"], frames["closures"]
    early = occupations["visit"].between(1, visits).to_numpy() & (codes_in(occupations["point"], names) >= 0)
    kept = occupations[early].reset_index(drop=True)
    kept = kept.assign(point=kept["point"].astype("category").cat.remove_unused_categories())
    within = np.logical_and(*(early[at] for at in ends(occupations, closures)))
    known = {name: frames[name] for name in ("classes", "gross_scales", "repeats", *_OF_PROCEDURE) if name in frames}
    view = known | {"occupations": kept, "closures": closures[within].reset_index(drop=True)}
    judged = judged_again([PointStatus.as_set(job)], view, job)
    points, whole = judged["points"], frames["points"]
    of_whole = whole[list(_OF_SHIFTS)].take(codes_in(points["point"], pd.Index(whole["point"]))).set_axis(points.index)
    view = known | {"occupations": judged["occupations"], "points": points.assign(**of_whole)}
    asked = (Procedure.as_set(job),) if _OF_PROCEDURE[0] in frames else ()
    steps = (Combination.as_set(job), Risk.as_set(job), *asked, Delivery.as_set(job))
    points = judged_again(steps, view, job)["points"]
    return points.set_index(points["point"].astype("str"))[["status", "deliver", "canopy"]]


def chances(past: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """Return the chance of one more visit for points from the record of their own class and status.

    Of points with as many visits where there are any, else of those with any number of visits.

    Parameters
    ----------
    past
        From `record`.
    now
        The points: ``canopy``, ``visits``, ``status``.

    Returns
    -------
    DataFrame
        ``chance``, ``chance_low``, ``chance_high``: share that was helped and its 95 % bounds, NaN without a record;
        ``chance_n``, points of the record; ``chance_basis``, which they are, or why there is none.
    """
    exact = _counts(past, now, ["canopy", "status", "visits"])
    loose = _counts(past, now, ["canopy", "status"])
    narrow = exact[:, 0] > 0
    n, helped = np.where(narrow[:, None], exact, loose).T
    low, high = sample_tests.shares(helped, n)
    share = np.divide(helped, n, out=np.full(len(n), np.nan), where=n > 0)
    told = {"chance": share, "chance_low": low, "chance_high": high, "chance_n": n.astype(np.int64)}
    return pd.DataFrame(told | {"chance_basis": _basis(now, narrow, n)})


def _counts(past: pd.DataFrame, now: pd.DataFrame, keys: list[str]) -> Array:
    """Return how many points of the record share the `keys`, and how many of them were helped; shape (n, 2)."""
    counted = past.groupby(keys, observed=True, dropna=False)["helped"].agg(["size", "sum"]).reset_index()
    joined = now[keys].merge(counted.astype({"size": float, "sum": float}), on=keys, how="left")
    return joined[["size", "sum"]].fillna(0.0).to_numpy(dtype=float)


def _basis(now: pd.DataFrame, narrow: Flags, n: Array) -> NDArray[np.object_]:
    """Return the record of each point in words; one phrase per distinct case."""
    cases = now[["canopy", "visits", "status"]].assign(narrow=narrow, empty=n == 0).reset_index(drop=True)
    code = cases.groupby(list(cases.columns), sort=False, dropna=False).ngroup().to_numpy()
    distinct = cases[~pd.Series(code).duplicated().to_numpy()]
    words = [_phrase(*case) for case in distinct.itertuples(index=False)]
    return np.array(words, dtype=object)[code]


def _phrase(canopy: str, visits: int, status: str, narrow: bool, empty: bool) -> str:
    where = under(canopy) if isinstance(canopy, str) else "without one canopy label"
    if empty:
        return f"no point {where}, {status}, has had another visit under a fresh initialization yet"
    return f"points {where}, {status}" + (f" after {counted(visits, 'visit')}" if narrow else "")
