"""The status of each point, from its visits, and which shifts explain a disagreement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from geoqa.analysis.closures.closures import UNUSUAL, Closures
from geoqa.analysis.occupations import differences, expected_precision, measured_rows, roles, visit_means
from geoqa.analysis.occupations.measured_rows import Rows, direct_rows, is_rejected, shown_labels
from geoqa.analysis.occupations.visit_means import LocalPositions
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision.calibration import EXPECTED, TOLERANCE
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames import schema
from geoqa.core.frames.contract import BLAMED, CONTRADICTORY, STATUSES
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.site import assembly
from geoqa.core.statistics.groups import largest
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted

if TYPE_CHECKING:
    from geoqa.analysis.points.verdict import Limits, Verdict


@dataclass(frozen=True, kw_only=True)
class PointStatus(Analysis):
    """Judge each point: fresh fixes inside a visit first, then visit against visit, one vote a visit.

    Two visits that disagree are a conflict: they cannot say which is wrong. Of three or more, those
    that the majority disagrees with are left out and named. Where a suspicious shift explains a disagreement the
    reason names it; the status stays what the occupations as they are show.
    """

    name = "point-status"
    needs = (
        *EXPECTED, *TOLERANCE,
        "occupations", "occupations.visit", "occupations.visit_v", "occupations.copy_of", "closures", "classes",
    )  # fmt: skip
    uses = ("shifted", "point_checks")
    gives = ("points", "occupations.use", "occupations.fix")

    unusual: float = param(
        UNUSUAL, unit="1", above=0, below=0.5, help="Probability below which a set of visits is unusual"
    )
    critical: float = param(
        0.001, unit="1", above=0, below=0.5,
        help="Probability below which a visit is named wrong and left out, when the majority is against it",
    )  # fmt: skip
    settled_ratio: float = param(
        5.0, unit="1", minimum=1, maximum=1000,
        help="Stated precision beyond tolerance and this much worse than the best of its visit has not settled",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the `points` frame, one row per name, and what became of each occupation."""
        from geoqa.analysis.closures import agreement
        from geoqa.analysis.points import verdict

        occupations, closures = frames["occupations"], frames["closures"]
        rows = direct_rows(occupations)
        n = len(rows.names)
        role = _roles(occupations, rows)
        use, fix = self.screen(occupations, rows)
        data = visit_means.local(occupations, frames["classes"], rows, fix)
        limits = {axis: self._limits(occupations, rows, role, data, axis, job) for axis in "hv"}
        horizontal, vertical = self._verdicts(data, rows, use, limits)
        (horizontal, vertical), witnessed, told_of_checks = _with_checks(frames, rows, horizontal, vertical)
        height = _of_heights(vertical, occupations)
        judge_h, judge_v = roles.axes(role, job)
        status = agreement.combine(horizontal.status, height, judge_h, judge_v)
        placed = horizontal.kept > 0
        torn = horizontal.split & (horizontal.fixes < 2)  # rows of the only initialization disagree
        conflict = np.isin(status, [STATUSES.index(name) for name in CONTRADICTORY]) | torn
        use = measured_rows.settle(use, rows.point, horizontal.keep_row, vertical.keep_row, placed, conflict)
        count = np.bincount(rows.point, minlength=n)
        axes = (np.where(judge_h | (height < 0), horizontal.status, -1), np.where(judge_v, height, -1))
        is_out = is_rejected(occupations)
        out_of = occupations["point"].astype(rows.names.dtype)[is_out]
        rejected = np.bincount(rows.names.get_indexer(out_of), minlength=n)
        facts = {"rows": count, "rejected": 1 * (rejected > 0), "witnessed": witnessed}
        facts |= _facts(occupations, data, rows, use, role, job)
        canopy, mixed = measured_rows.shared_labels(occupations["canopy"].iloc[rows.at], rows.point, n)
        telling = np.isin(use, measured_rows.TELLING)
        solution = occupations["solution"].iloc[rows.at[telling]]
        points = pd.DataFrame(
            {
                "point": rows.names.astype(str),
                "role": role.array,
                "occupations": count,
                "visits": horizontal.visits,
                "visits_used_h": horizontal.kept,
                "visits_used_v": vertical.kept,
                "set_aside": np.bincount(rows.point[np.isin(use, measured_rows.LEFT_OUT)], minlength=n) + rejected,
                **_worst(closures, rows.names, judge_h | (height < 0), judge_v),
                "status_h": _statuses(horizontal.status),
                "status_v": _statuses(height),
                "status": _statuses(status),
                "degrees_of_freedom_h": _finite(data.nu_h),
                "degrees_of_freedom_v": _finite(data.nu_v),
                "canopy": canopy,
                "canopy_mixed": mixed,
                **told_of_checks,
                "solution": measured_rows.shared_labels(solution, rows.point[telling], n)[0],
                "basis": _basis(occupations, frames["classes"], rows, judge_h, judge_v & (height >= 0)),
            }
        )
        explained = pd.Categorical([None] * n)
        if "shifted" in frames:
            explained = explained_by_shifts(frames["shifted"], occupations, frames["classes"], points, job)
        said = verdict.reasons_of_points(status, horizontal, vertical, axes, facts, limits, explained)
        points = points.assign(reason=said.pop("reason"), explained=explained, **said)
        keyed = occupations[["occupation_id"]].copy()
        code = np.where(is_out, measured_rows.REJECTED_ROW, measured_rows.NO_PART)
        number = np.zeros(len(keyed), np.int64)
        code[rows.at], number[rows.at] = use, fix
        keyed["use"] = pd.Categorical.from_codes(code, categories=list(measured_rows.USES))
        keyed["fix"] = number
        told = _restarting_labels(occupations, rows, status, fix, facts["labelled"])
        return Result({"points": points, "occupations": keyed}, told)

    def screen(
        self, occupations: pd.DataFrame, rows: Rows, factor: np.ndarray | float = 1.0
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the use and the fix number of each row before the verdict; `factor` is on each point's tolerance."""
        copied = occupations["copy_of"].to_numpy()[rows.at] > 0
        limit = rows.take(occupations["tolerance_h_m"]) * np.broadcast_to(factor, len(rows.names))[rows.point]
        stated = _stated(occupations, rows)
        label, base = shown_labels(occupations)[rows.at], rows.codes(occupations["base"])
        visit = rows.take(occupations["visit"]).astype(np.int64)
        use = measured_rows.screen(rows.point, copied, rows.start_s, label, stated, limit, visit, self.settled_ratio)
        return use, measured_rows.fix_numbers(rows.point, label, base)

    def _verdicts(
        self, data: LocalPositions, rows: Rows, use: np.ndarray, limits: Mapping[str, Limits]
    ) -> tuple[Verdict, Verdict]:
        """Return the verdicts along both axes; rows the horizontal majority leaves out have no say in the height."""
        from geoqa.analysis.points import verdict

        n = len(rows.names)
        active = use == measured_rows.USED
        horizontal = verdict.judge_points(data.horizontal.only(active), n, limits["h"], data.typical_h)
        keep = _spread(horizontal.keep_row, active)
        listen = active & (keep | (horizontal.kept == 0)[rows.point]) & data.has_height
        vertical = verdict.judge_points(data.vertical.only(listen), n, limits["v"], data.typical_v)
        # A row without a height cannot be left out of it.
        keep_v = _spread(vertical.keep_row, listen) | ~listen
        # Without a tolerance the heights have no status; they are still compared with their precision.
        unjudged = np.where(np.isnan(limits["v"].tolerance_m), -1, vertical.status)
        return replace(horizontal, keep_row=keep), replace(vertical, keep_row=keep_v, status=unjudged)

    def _limits(
        self, occupations: pd.DataFrame, rows: Rows, role: pd.Series, data: LocalPositions, axis: str, job: Job,
        factor: np.ndarray | float = 1.0,
    ) -> Limits:  # fmt: skip
        """Return what the job accepts of each point along one axis, with a factor on its tolerance."""
        from geoqa.analysis.points import verdict

        limit, step = (
            largest(rows.take(occupations[f"{name}_{axis}_m"]), rows.point, len(rows.names))
            for name in ("tolerance", "resolution")
        )
        narrow, nu = expected_precision.tail_factors(data.nu_h if axis == "h" else data.nu_v, data.shape)
        from_mean = roles.pair_factor(role, job) > 1
        guard = np.nan_to_num(step / 2)
        return verdict.Limits(limit * factor, guard, from_mean, self.unusual, nu, narrow, self.critical)

    def under(self, frames: Frames, job: Job, point: np.ndarray, factor: np.ndarray) -> np.ndarray:
        """Return the status codes that points have by their visits alone with factors on their tolerances.

        Parameters
        ----------
        point, factor
            Positions among the sorted names of the site, each with a factor; arrays of shape (n,).
        """
        occupations = frames["occupations"]
        site = direct_rows(occupations)
        data = visit_means.local(occupations, frames["classes"], site, self.screen(occupations, site)[1])
        role = _roles(occupations, site)
        begin, end = np.searchsorted(site.point, [point, point + 1])
        cuts = np.searchsorted(np.cumsum(end - begin), np.arange(_AT_ONCE, (end - begin).sum(), _AT_ONCE))
        found = [
            self._under(occupations, site, data, role, job, (point[part], begin[part], end[part]), factor[part])
            for part in np.split(np.arange(len(point)), cuts)
        ]
        return np.concatenate(found)

    def _under(
        self, occupations: pd.DataFrame, site: Rows, data: LocalPositions, role: pd.Series, job: Job,
        points: tuple[np.ndarray, np.ndarray, np.ndarray], factor: np.ndarray,
    ) -> np.ndarray:  # fmt: skip
        """Return the status codes of points under factors, each standing once for each of its own as another point."""
        from geoqa.analysis.closures import agreement

        point, begin, end = points
        count = end - begin
        of = np.repeat(np.arange(len(point)), count)
        at = np.arange(len(of)) - np.repeat(np.cumsum(count) - end, count)
        rows = Rows(site.at[at], of, pd.RangeIndex(len(point)), site.start_s[at], site.end_s[at])
        level_h, level_v = (replace(one.only(at), point=of) for one in (data.horizontal, data.vertical))
        data = replace(
            data, horizontal=level_h, vertical=level_v, has_height=data.has_height[at], nu_h=data.nu_h[point],
            nu_v=data.nu_v[point],
        )  # fmt: skip
        role = role.iloc[point]
        use, _ = self.screen(occupations, rows, factor)
        limits = {axis: self._limits(occupations, rows, role, data, axis, job, factor) for axis in "hv"}
        horizontal, vertical = self._verdicts(data, rows, use, limits)
        return agreement.combine(horizontal.status, _of_heights(vertical, occupations), *roles.axes(role, job))


#: Factors on every tolerance of a job that the map lets its reader try.
FACTORS = tuple(k / 10 for k in range(3, 31))
#: Rows judged at once.
_AT_ONCE = 300_000


def tried(frames: Frames, job: Job) -> pd.DataFrame:
    """Return the status of each point under each of `FACTORS` on every tolerance of the job, all else as it was found.

    Precision, wrong fixes and shifts stay those of the review. Only what a factor can change is judged again: above the
    last length, stated precision or step of the coordinates that a tolerance is compared with, nothing changes.

    Parameters
    ----------
    frames
        ``occupations``, ``classes`` and ``points`` as reviewed, and ``point_checks`` where there are any.

    Returns
    -------
    DataFrame
        ``point`` and ``tried``: for each factor the place of the status among `STATUSES`, a digit each; null where
        measured checks bear on the point, which a new review would have to weigh again.
    """
    step, points = PointStatus.as_set(job), frames["points"]
    rows = direct_rows(frames["occupations"])
    names, factors = rows.names.astype("str"), np.array(FACTORS)
    now = measured_rows.codes_in(points["point"], names)
    status = np.empty(len(names), np.int64)
    status[now] = pd.Index(STATUSES).get_indexer(points["status"].astype("str"))
    checked = frames["point_checks"]["point"].astype("str") if "point_checks" in frames else ()
    told = ~names.isin(list(checked))
    last = _last_factor(frames["occupations"], rows)
    # One factor beyond the last stands for all above it; where that is below 1 the review itself has said it.
    most = np.where(told, np.minimum(np.searchsorted(factors, last, side="right") + (last >= 1), len(factors)), 0)
    judged = np.arange(len(factors)) < most[:, None]
    point, rung = np.nonzero(judged)
    found = np.repeat(status[:, None].astype(np.uint8), len(factors), axis=1)
    found[point, rung] = step.under(frames, job, point, factors[rung])
    top = found[np.arange(len(names)), np.maximum(most, 1) - 1]
    found = np.where((last >= 1)[:, None] & ~judged, top[:, None], found)
    words = (found + np.uint8(ord("0"))).view(f"S{len(factors)}").ravel().astype(f"U{len(factors)}")
    said = pd.Series(words, dtype="object").where(told).to_numpy()[now]
    return pd.DataFrame({"point": points["point"].astype("str").array, "tried": pd.Categorical(said)})


def _last_factor(occupations: pd.DataFrame, rows: Rows) -> np.ndarray:
    """Return the factor on each point's tolerance from which on it hides nothing and nothing is beyond it."""
    n = len(rows.names)

    def most(values: np.ndarray) -> np.ndarray:
        return largest(values, rows.point, n)

    east, north, up = (rows.take(occupations[f"{name}_m"]) for name in ("easting", "northing", "height"))
    span_e, span_n, span_u = (most(x) + most(-x) for x in (east, north, up))
    ratios = [most(_stated(occupations, rows) / rows.take(occupations["tolerance_h_m"]))]
    for axis, span in (("h", np.hypot(span_e, span_n)), ("v", span_u)):
        limit, step = (most(rows.take(occupations[f"{name}_{axis}_m"])) for name in ("tolerance", "resolution"))
        ratios += [span / limit, step / limit]
    return np.nan_to_num(np.fmax.reduce(ratios)) * (1 + 1e-6)


def _roles(occupations: pd.DataFrame, rows: Rows) -> pd.Series:
    """Return the role of each point, which is constant within it."""
    first = occupations.drop_duplicates("point")
    return first["role"].set_axis(first["point"].astype(str)).reindex(rows.names.astype(str))


def _stated(occupations: pd.DataFrame, rows: Rows) -> np.ndarray:
    return np.fmax(rows.take(occupations["sigma_e_m"]), rows.take(occupations["sigma_n_m"]))


def _of_heights(vertical: Verdict, occupations: pd.DataFrame) -> np.ndarray:
    """Return the status codes of heights: of a site that has some, a point without one is unproven."""
    from geoqa.analysis.closures.agreement import UNPROVEN

    none = UNPROVEN if occupations["height_m"].notna().any() else -1
    return np.where(vertical.visits > 0, vertical.status, none)


def _with_checks(
    frames: Frames, rows: Rows, horizontal: Verdict, vertical: Verdict
) -> tuple[tuple[Verdict, Verdict], np.ndarray, dict[str, pd.Categorical]]:
    """Return the verdicts with what other methods prove or contradict, by what, and the column `checks` of points.

    The second is 1 where they prove the position, 2 the height, 3 both, 4 where one contradicts what visits confirm, 5
    where one contradicts what nothing confirms.
    """
    from geoqa.analysis.closures.agreement import CONFIRMED, STRAINED, UNPROVEN

    n = len(rows.names)
    if "point_checks" not in frames:
        return (horizontal, vertical), np.zeros(n, np.int64), {}
    told = frames["point_checks"].set_index("point").reindex(rows.names.astype("str"))
    found, proved, against, alone = [], [], np.zeros(n, bool), np.zeros(n, bool)
    for axis, seen in (("h", horizontal), ("v", vertical)):
        good, bad = (told[f"{word}_{axis}"].eq(True).to_numpy(bool) for word in ("proved", "against"))
        proved.append(good & ~bad & (seen.status == UNPROVEN) & (seen.kept > 0))
        doubted = bad & (seen.status == CONFIRMED)
        against |= doubted
        alone |= bad & (seen.status == UNPROVEN) & (seen.kept > 0)
        status = np.where(proved[-1], CONFIRMED, np.where(doubted, STRAINED, seen.status))
        found.append(replace(seen, status=status, hidden=seen.hidden & ~proved[-1]))
    witnessed = np.select([against, alone], [4, 5], 1 * proved[0] + 2 * proved[1])
    return (found[0], found[1]), witnessed, {"checks": pd.Categorical(told["message"])}


def _facts(
    occupations: pd.DataFrame, data: LocalPositions, rows: Rows, use: np.ndarray, role: pd.Series, job: Job
) -> dict[str, np.ndarray]:
    """Return what the reasons tell of each point beside its verdict; arrays of shape (points,)."""

    def has(flag: np.ndarray) -> np.ndarray:
        return np.bincount(rows.point[flag], minlength=len(rows.names)) > 0

    judge_h, judge_v = roles.axes(role, job)
    silent_h = np.isnan(data.horizontal.cov[:, 0, 0])
    silent_v = np.isnan(data.vertical.cov[:, 0, 0]) & data.has_height
    unstated_h, unstated_v = (np.isnan(rows.take(occupations[name])) for name in ("sigma_e_m", "sigma_u_m"))
    at = differences.check_rows(occupations, job)
    named = occupations["point"].astype("str").iloc[at]
    high = occupations["height_m"].notna().to_numpy()[at] & differences.heights_compare(job)
    tied = pd.Series(np.where(high, 2, 1), named)
    return {
        "tied": tied.reindex(rows.names.astype("str"), fill_value=0).to_numpy(np.int64),
        "copied": np.bincount(rows.point[use == measured_rows.COPIED], minlength=len(rows.names)),
        "labelled": has(shown_labels(occupations)[rows.at] >= 0),
        "timed": ~has(np.isnan(rows.start_s)),
        "unstated": (judge_h & has(unstated_h)) | (judge_v & has(unstated_v & data.has_height)),
        "unknown_precision": (judge_h & has(silent_h)) | (judge_v & has(silent_v)),
    }


def _restarting_labels(
    occupations: pd.DataFrame, rows: Rows, status: np.ndarray, fix: np.ndarray, labelled: np.ndarray
) -> tuple[str, ...]:
    """Say how many points are unproven only because one label stands on rows of several visits, or none does."""
    from geoqa.analysis.closures import agreement

    n = len(rows.names)
    visits = largest(rows.take(occupations["visit"]), rows.point, n, empty=0)
    fixes = largest(fix.astype(float), rows.point, n, empty=0)
    alike = (status == agreement.UNPROVEN) & (visits > 1) & (fixes == 1)
    one = (
        "all rows of each carry one initialization. If labels start anew each day or file, make them distinct in the "
        "file"
    )
    none = (
        "no row of them shows a fresh initialization. Where the solution was dropped each time, a column or [input] "
        "initialization must say so"
    )
    return tuple(
        f"{counted(count, 'point')} unproven although visited several times: {why}"
        for some, why in ((alike & labelled, one), (alike & ~labelled, none))
        if (count := int(some.sum()))
    )


def _finite(nu: np.ndarray) -> np.ndarray:
    """Return degrees of freedom, NaN where the scale is taken as known."""
    return np.where(np.isfinite(nu), nu, np.nan)


def _statuses(codes: np.ndarray) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, categories=list(STATUSES))


def _spread(kept: np.ndarray, active: np.ndarray) -> np.ndarray:
    """Return flags of the active rows as flags of all rows."""
    result = active.copy()
    result[active] = kept
    return result


def _worst(closures: pd.DataFrame, names: pd.Index, judge_h: np.ndarray, judge_v: np.ndarray) -> dict[str, np.ndarray]:
    """Return the largest closures between independent fixes of each point, what is accepted of them, and the excess.

    Metres, NaN where there is none or the axis is not judged; arrays of shape (points,).
    """
    codes, found = measured_rows.codes_in(closures["point"], names), {}
    for axis, column, judged in (("h", "horizontal_m", judge_h), ("v", "du_m", judge_v)):
        shows = ~closures[f"independence_{axis}"].isin(schema.NO_EVIDENCE).to_numpy()
        size, limit = (np.abs(closures[c].to_numpy(float)[shows]) for c in (column, f"tolerance_{axis}_m"))
        worst = largest(size, codes[shows], len(names))
        # Of several pairs that are as far apart, that with the smallest limit.
        accepted = -largest(np.where(size == worst[codes[shows]], -limit, np.nan), codes[shows], len(names))
        found[axis] = worst, np.where(judged, accepted, np.nan)
    (worst_h, limit_h), (worst_v, limit_v) = found["h"], found["v"]
    return {
        "worst_horizontal_m": worst_h, "worst_vertical_m": worst_v, "limit_h_m": limit_h, "limit_v_m": limit_v,
        "excess": np.fmax(worst_h / limit_h, worst_v / limit_v),
    }  # fmt: skip


def _basis(
    occupations: pd.DataFrame, classes: pd.DataFrame, rows: Rows, judge_h: np.ndarray, judge_v: np.ndarray
) -> pd.Categorical:
    """Return where most of what is known of each point's precision comes from; of two axes judged the less sure one."""
    words = [schema.OWN, schema.OTHER_CLASSES]
    found = pd.unique(pd.concat([classes["basis_h"], classes["basis_v"]]).dropna().astype("str"))
    words += [*(w for w in found if w not in (*words, schema.DEFAULT_PRIOR)), schema.DEFAULT_PRIOR]
    of_row = expected_precision.class_rows(occupations, classes)[rows.at]
    codes = []
    for axis, judge in (("h", judge_h | ~judge_v), ("v", judge_v)):
        rank = pd.Index(words).get_indexer(classes[f"basis_{axis}"].astype("str"))[of_row]
        codes.append(np.where(judge, largest(rank.astype(float), rows.point, len(rows.names), empty=-1.0), -1))
    return pd.Categorical.from_codes(np.maximum(*codes).astype(np.int64), categories=words)


def shift_names(shifted: pd.DataFrame, points: pd.DataFrame) -> pd.Categorical:
    """Return the names of the shifts of each point, joined; null for none."""
    setup, kind = (shifted[name].astype("str") for name in ("setup", "kind"))
    named = pd.DataFrame({"point": shifted["point"], "name": setup + " " + kind})
    text = named.drop_duplicates().groupby("point", sort=False)["name"].agg("; ".join)
    return pd.Categorical(text.reindex(points["point"].astype("str")).to_numpy(dtype=object, na_value=None))


def explained_by_shifts(
    shifted: pd.DataFrame, occupations: pd.DataFrame, classes: pd.DataFrame, points: pd.DataFrame, job: Job
) -> pd.Categorical:
    """Return the shifts that explain a point's disagreement: judged from a copy without them it would not be blamed.

    A name at two places and a mark that moved explain their point by themselves.
    """
    blamed = points["status"].isin(BLAMED).to_numpy()
    none = pd.Categorical([None] * len(points))
    if not len(shifted) or not blamed.any():
        return none
    names, mending = points["point"].astype("str"), shifted[shifted["mends"]]
    cleared = names.isin(shifted.loc[~shifted["mends"], "point"]).to_numpy(copy=True)
    if len(mending):
        right = {"occupations": assembly.take_off(occupations, mending, job), "classes": classes}
        again = schema.judged_again([Visits.as_set(job), Closures.as_set(job)], right, job)["occupations"]
        asked = np.flatnonzero(blamed & names.isin({*mending["point"], *mending["new_point"]}).to_numpy())
        at = measured_rows.codes_in(points["point"].iloc[asked], direct_rows(again).names)
        right["occupations"], there = again, at >= 0
        cleared[asked[~there]] = True  # one that all its rows have left is not blamed
        status = PointStatus.as_set(job).under(right, job, at[there], np.ones(there.sum()))
        cleared[asked[there]] |= ~np.isin(status, [STATUSES.index(name) for name in BLAMED])
    # A point that a stranger was filed under, and the one it belongs to, are both told.
    both = pd.concat([shifted, shifted.dropna(subset=["new_point"]).assign(point=lambda f: f["new_point"])])
    told = shift_names(both, points)
    return pd.Categorical(np.where(cleared & blamed, told.astype(object), None))
