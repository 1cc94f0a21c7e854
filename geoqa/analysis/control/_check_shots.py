"""Shots on control and check points, by day and base set-up, and the drift between first and last. Kernels."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.closures import agreement
from geoqa.analysis.occupations import differences, expected_precision, measured_rows, roles
from geoqa.analysis.occupations.measured_rows import codes_of, is_direct, seconds
from geoqa.core.arrays import Array, Index, np, pd
from geoqa.core.frames.control import CHECK, NO, NO_BASE, NO_DAY, UNKNOWN, YES, days
from geoqa.core.job import Job
from geoqa.core.recipe import CHECKING_ROLES

#: Rows that show nothing of a base set-up.
_IDLE = (measured_rows.COPIED, measured_rows.NOT_SETTLED, measured_rows.REJECTED_ROW)
_AXES = ("de_m", "dn_m", "du_m")


@dataclass(frozen=True)
class Shots:
    """Check shots, earliest first, and what each is compared with.

    Attributes
    ----------
    frame
        The contract of `check_shots`, with `setup`, the number of its day and base.
    own, reference
        Variances east and north, their covariance, and the variance of the height, shape (n, 4): of the
        shot, and of the control it is compared with (zero where that is its own point's first shot).
    nu
        Degrees of freedom of the scale of `own`, horizontal and height, shape (n, 2).
    limit, guard
        The largest closure the job accepts of such a point, and half the last digit of what is compared,
        horizontal and height, shape (n, 2); NaN for none.
    """

    frame: pd.DataFrame
    own: Array
    reference: Array
    nu: Array
    limit: Array
    guard: Array


def setups(occupations: pd.DataFrame, job: Job) -> tuple[Index, pd.DataFrame]:
    """Return the number of each row's day and base set-up, -1 for rows that measure nothing, and their table.

    Returns
    -------
    setup
        Shape (n,).
    table
        One row a day and base, sorted: `day`, `base`, `start_utc`, `end_utc`, `occupations`.
    """
    measured = np.flatnonzero(is_direct(occupations))
    rows = occupations.iloc[measured]
    keyed = pd.DataFrame(
        {
            "day": days(rows["start_utc"], job).to_numpy(),
            "base": rows["base"].astype("str").where(rows["base"].notna(), NO_BASE).to_numpy(),
            "start_utc": rows["start_utc"].array,
            "end_utc": rows["end_utc"].fillna(rows["start_utc"]).array,
        }
    )
    grouped = keyed.groupby(["day", "base"], sort=True)
    table = grouped.agg(start_utc=("start_utc", "min"), end_utc=("end_utc", "max"), occupations=("day", "size"))
    setup = np.full(len(occupations), -1, np.int64)
    setup[measured] = grouped.ngroup().to_numpy()
    return setup, table.reset_index()


def shots(occupations: pd.DataFrame, classes: pd.DataFrame, setup: Index, job: Job) -> Shots:
    """Return the shots on control and check points that the job was not oriented by, earliest first.

    A shot is compared with its point's control row where there is one, otherwise with the first shot of its
    point: a check point without a known coordinate shows drift and no more.
    """
    point = codes_of(occupations["point"])
    names = occupations["point"].astype("category").cat.categories.astype("str").tolist()
    control = differences.first_of(point, differences.known_rows(occupations))
    role = occupations["role"].astype("str").str.casefold().isin(CHECKING_ROLES).to_numpy(bool)
    is_check = differences.known_uses(names, occupations, job) == CHECK
    wanted = (setup >= 0) & ((control[point] >= 0) | role) & is_check[point]
    wanted &= ~np.isin(measured_rows.use_codes(occupations["use"]), _IDLE)
    place = differences.places(occupations)
    # Equal to the control to the last digit and without a time: copied, not measured.
    untimed = occupations["start_utc"].isna().to_numpy() & (control[point] >= 0)
    wanted &= ~(untimed & (place[:, :2] == place[control[point], :2]).all(axis=1))
    rows = np.flatnonzero(wanted)
    start = occupations["start_utc"].iloc[rows]
    rows = rows[np.lexsort((rows, np.nan_to_num(seconds(start), nan=np.inf)))]
    first = differences.first_of(point, rows)
    has = control[point[rows]] >= 0
    to = np.where(has, control[point[rows]], first[point[rows]])
    if not differences.heights_compare(job):
        place[differences.known_rows(occupations), 2] = np.nan
    keyed = {c: occupations[c].array[rows] for c in ("occupation_id", "point", "start_utc")}
    frame = pd.DataFrame(
        {
            **keyed,
            "setup": setup[rows],
            "against": np.where(has, "control", "first shot of the point"),
            **differences.differences(place[rows], place[to]),
        }
    )
    expected, stated = expected_precision.calibrated(occupations, classes), expected_precision.reported(occupations)
    own = np.column_stack([expected.var_e, expected.var_n, expected.cov_en, expected.var_u])[rows]
    theirs = np.column_stack([stated.var_e, stated.var_n, stated.cov_en, stated.var_u])[to]
    nu = np.column_stack([expected.nu_h, expected.nu_v])[rows]
    limit = occupations[["tolerance_h_m", "tolerance_v_m"]].to_numpy(dtype=float, na_value=np.nan)
    limit = limit * roles.pair_factor(occupations["role"], job)[:, None]
    digits = occupations[["resolution_h_m", "resolution_v_m"]].to_numpy(dtype=float, na_value=np.nan)
    return Shots(frame, own, np.where(has[:, None], np.nan_to_num(theirs), 0.0), nu, limit[rows], digits[rows] / 2)


def drift(found: Shots, n: int, shape: float, visit_s: float) -> pd.DataFrame:
    """Return the first and last check shot of each set-up, and the drift between them with its test; n rows.

    `beyond` says whether it is larger than the job accepts of a closure.

    Drift is the last difference minus the first, between shots that both have known coordinates or are of
    one point, and are as far apart as two visits: nearer ones share a sky, and what differs is not drift. The
    statistic is d' C^-1 d with the calibrated covariance of both shots, and that of the control where they are of
    different points.

    Parameters
    ----------
    n
        Number of set-ups.
    shape
        Degrees of freedom of Student's t that errors follow, infinite for a normal one.
    visit_s
        The gap that makes two visits, seconds.
    """
    frame = found.frame
    at = np.arange(len(frame))
    first, last = np.full(n, -1, np.int64), np.full(n, -1, np.int64)
    setup = frame["setup"].to_numpy()
    first[setup[::-1]], last[setup] = at[::-1], at
    table = pd.DataFrame({"checks": np.bincount(setup, minlength=n)[:n]})
    for name, which in (("first", first), ("last", last)):
        table[f"{name}_point"] = frame["point"].astype("str").reindex(which).array
        table[f"{name}_utc"] = frame["start_utc"].reindex(which).array
    tested = np.flatnonzero(first != last)
    a, b = first[tested], last[tested]
    start = seconds(frame["start_utc"])
    point = codes_of(frame["point"])
    same = point[a] == point[b]
    known = (frame["against"] == "control").to_numpy()
    known_both = known[a] & known[b]
    keep = (same | known_both) & (start[b] - start[a] >= visit_s)
    tested, a, b, same = tested[keep], a[keep], b[keep], same[keep]
    place = frame[list(_AXES)].to_numpy()
    gone = place[b] - place[a]
    var = found.own[a] + found.own[b] + np.where(same[:, None], 0.0, found.reference[a] + found.reference[b])
    nu = np.minimum(found.nu[a], found.nu[b])
    (narrow_h, free_h), (narrow_v, free_v) = (expected_precision.tail_factors(own, shape) for own in nu.T)
    t_h = expected_precision.square_h(gone[:, 0], gone[:, 1], *(var[:, :3].T * narrow_h))
    t_v = expected_precision.square_v(gone[:, 2], var[:, 3] * narrow_v)
    tests = {
        "p_h": expected_precision.probability(t_h, 2, free_h),
        "p_v": expected_precision.probability(t_v, 1, free_v),
    }
    limit, guard = np.maximum(found.limit[a], found.limit[b]), np.maximum(found.guard[a], found.guard[b])
    far = np.column_stack([np.hypot(gone[:, 0], gone[:, 1]), np.abs(gone[:, 2])])
    values = dict(zip(_AXES, gone.T, strict=True)) | {"horizontal_m": far[:, 0]} | tests
    values |= {"tolerance_h_m": limit[:, 0], "tolerance_v_m": limit[:, 1]}
    table["beyond"] = False
    table.loc[tested, "beyond"] = (far > agreement.at_most(limit, guard)).any(axis=1)
    return table.join(pd.DataFrame(values, index=tested))


def near_ends(table: pd.DataFrame, within_s: float) -> pd.DataFrame:
    """Return whether the first check shot is near the start of each set-up and the last near its end, in words."""
    timed = table["start_utc"].notna() & (table["day"] != NO_DAY)
    some = table["checks"] > 0
    reach = pd.Timedelta(seconds=within_s)
    ends = {
        "at_start": table["first_utc"] - table["start_utc"] <= reach,
        "at_end": table["end_utc"] - table["last_utc"] <= reach,
    }
    return table.assign(
        **{name: np.where(~some, NO, np.where(~timed, UNKNOWN, np.where(near, YES, NO))) for name, near in ends.items()}
    )
