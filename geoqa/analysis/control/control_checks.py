"""Checks against control: what the site determined beside what was known before, with the uncertainty of both."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import differences, measured_rows
from geoqa.analysis.occupations.roles import by_role
from geoqa.analysis.shifts.shifts import Shifts
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames import wording
from geoqa.core.frames.control import BY_SETUP, CHECK, COPIED
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.statistics import sample_tests
from geoqa.core.statistics.sample_tests import Bias
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted, length, listed, p_value


@dataclass(frozen=True, kw_only=True)
class ControlChecks(Analysis):
    """Compare each point that has a control row, a known coordinate, with it: determined minus known.

    The mean of the differences is tested: it shows what no closure can, an error that all occupations
    share. A check that stands out (robust score above 3.5) is named and stays in every figure. Points the
    job was oriented by, and marks a base stood on, are listed and are no checks. Each base set-up is compared by
    all its occupations at known points, whatever those points' status.
    """

    name = "control-checks"
    needs = (
        "occupations", "occupations.visit", "occupations.copy_of", "occupations.tolerance_h_m", "occupations.setup",
        "first_classes", "points", "points.easting_m", "points.shift", "points.northing_m", "points.height_m",
        "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
    )  # fmt: skip
    gives = ("control_checks",)

    unusual: float = param(0.01, unit="1", above=0, below=0.5, help="Level of the test that there is no bias")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `control_checks`, one row per point with a control row and a coordinate of its own."""
        occupations, points = frames["occupations"], frames["points"]
        rows = differences.known_rows(occupations)
        names = points["point"].astype("str")
        at = pd.Index(names).get_indexer(occupations["point"].astype("str").iloc[rows])
        place = differences.places(points)[at]
        has = ~np.isnan(place[:, 0])
        lone = names.iloc[at[~has]].tolist()
        rows, at, place = rows[has], at[has], place[has]
        table = _table(occupations, points, rows, at, place, job)
        used = differences.known_uses(table["point"].astype("str").tolist(), occupations, job)
        is_copy = differences.known_copies(table, occupations)
        table["use"] = pd.Series(np.where(is_copy & (used == CHECK), COPIED, used), dtype="str")
        table = _scored(table, occupations.iloc[rows])
        table = table.assign(setup=pd.Series([None] * len(table), dtype="str"), occupations=0, p_h=np.nan, p_v=np.nan)
        own, setups = table, _by_setup(occupations, frames["first_classes"], job)
        table = _joined(table, setups)
        messages = [
            *_compared(table, lone, int((points["shift"].notna().to_numpy()[at] & (own["use"] == CHECK)).sum()), job),
            *_bias(own, points.iloc[at], job, self.unusual),
        ]
        strange = differences.unknown_names(names.tolist(), job)
        if strange:
            messages.append(f"[control] names {listed(strange)}, and no row is called that")
        return Result({"control_checks": table}, tuple(messages))


def _joined(table: pd.DataFrame, setups: pd.DataFrame) -> pd.DataFrame:
    """Return the points' own comparisons, and those of set-ups below them."""
    none = [np.nan] * len(setups)
    joined = pd.DataFrame({c: [*table[c], *setups.get(c, none)] for c in table})
    return joined.astype(table.dtypes.to_dict() | dict.fromkeys(("point", "canopy"), "str"))


def _table(
    occupations: pd.DataFrame, points: pd.DataFrame, rows: np.ndarray, at: np.ndarray, own: np.ndarray, job: Job
) -> pd.DataFrame:
    """Return the comparisons without their use; `rows` are control rows, `at` the points they belong to."""
    from geoqa.core.statistics import covariance

    reference = differences.places(occupations)[rows]
    if not differences.heights_compare(job):
        own = np.column_stack([own[:, :2], np.full(len(own), np.nan)])
    given = {c: occupations[c].to_numpy(dtype=float, na_value=np.nan)[rows] for c in _SIGMAS}
    var = {c: points[c].to_numpy(dtype=float, na_value=np.nan)[at] for c in ("var_e_m2", "var_n_m2", "var_u_m2")}
    table = pd.DataFrame(
        {
            "point": points["point"].array[at],
            **differences.differences(own, reference),
            "sigma_h_m": np.fmax(given["sigma_e_m"], given["sigma_n_m"]),
            "sigma_v_m": given["sigma_u_m"],
            "determined_sigma_h_m": np.sqrt(np.maximum(var["var_e_m2"], var["var_n_m2"])),
            "determined_sigma_v_m": np.sqrt(var["var_u_m2"]),
        }
    )
    plan, up = table[["de_m", "dn_m"]].to_numpy(), table[["du_m"]].to_numpy()
    both_h, both_v = (
        np.hypot(np.nan_to_num(table[f"sigma_{a}_m"].to_numpy()), table[f"determined_sigma_{a}_m"].to_numpy())
        for a in "hv"
    )
    limit_h = by_role(points["role"], job, lambda r: r.requirement.horizontal_m)[at]
    limit_v = by_role(points["role"], job, lambda r: r.requirement.vertical_m)[at]
    with np.errstate(invalid="ignore", divide="ignore"):
        far = np.hypot(*plan.T)
        table["conforms_h"] = np.clip(1 - covariance.beyond(far, limit_h, both_h**2), 0, 1)
        table["conforms_v"] = np.clip(1 - covariance.beyond_height(np.abs(up[:, 0]), limit_v, both_v**2), 0, 1)
    place = dict(zip(("easting_m", "northing_m", "height_m"), reference.T, strict=True))
    return table.assign(canopy=points["canopy"].array[at], **place)


def _scored(table: pd.DataFrame, control: pd.DataFrame) -> pd.DataFrame:
    """Return the comparisons with how far each check stands out among the checks; null for what is none."""
    is_check = (table["use"] == CHECK).to_numpy(bool)
    scores = {}
    for axis, columns in (("h", ["de_m", "dn_m"]), ("v", ["du_m"])):
        ours, theirs = (table[f"{word}sigma_{axis}_m"].to_numpy() for word in ("determined_", ""))
        rounding = control[f"resolution_{axis}_m"].to_numpy(dtype=float, na_value=np.nan) / 12**0.5
        values = np.where(is_check[:, None], table[columns].to_numpy(), np.nan)
        scores[f"score_{axis}"] = sample_tests.scores(values, np.hypot(np.nan_to_num(theirs), ours), rounding)
    outlying = (np.column_stack(list(scores.values())) > sample_tests.OUTLYING).any(axis=1)
    return table.assign(**scores, outlier=outlying & (is_check.sum() > 1))  # one stands out from no others


def _by_setup(occupations: pd.DataFrame, classes: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return one row for each base set-up with occupations at checks: their mean difference, and its test."""
    from geoqa.analysis.shifts import at_control, halves, searched_rows

    rules = Shifts.as_set(job)
    site = searched_rows.searched_site(occupations, classes, measured_rows.setups(occupations), job)
    if not len(site.stops.point) or not site.known.any():
        return pd.DataFrame()
    floors = (
        halves.Floor(drift, rules.drift_fades_s, np.full(len(site.known), own))
        for drift, own in (
            (rules.drift_sigma_h_m, rules.setup_sigma_h_m),
            (rules.drift_sigma_v_m, rules.setup_sigma_v_m),
        )
    )
    at = at_control.by_setup(site.stops, site.stops.y, site.known, *floors)
    limit = (job.tolerance.horizontal_m, job.tolerance.vertical_m or np.nan)
    stops, row = site.stops, site.stops.row
    stop = np.flatnonzero(np.isin(stops.point, stops.point[stops.label["check"] >= 0]))
    names, first = [], []
    for number in at.setup:
        mine = stop[stops.label["setup"][stop] == number]
        called = [site.names.point[k] for k in np.unique(stops.point[mine])]
        names.append(listed(called))
        first.append(mine[0])
    of_check = {int(stops.point[k]): k for k in np.flatnonzero(stops.label["check"] >= 0)[::-1]}
    place = stops.place[[of_check[int(stops.point[k])] for k in first]]
    canopy = occupations["canopy"].iloc[[row[np.flatnonzero(stops.of_row == k)[0]] for k in first]]
    own_h, own_v = np.sqrt(np.maximum(at.variance - at.known, 0.0)).T
    return pd.DataFrame(
        {
            "point": pd.Series(names, dtype="str"),
            "setup": pd.Series([site.names.setup[k] for k in at.setup], dtype="str"),
            "occupations": at.rows, "de_m": at.d[:, 0], "dn_m": at.d[:, 1], "du_m": at.d[:, 2],
            "horizontal_m": np.hypot(*at.d[:, :2].T), "p_h": at.p[:, 0], "p_v": at.p[:, 1],
            "sigma_h_m": np.sqrt(at.known[:, 0]), "sigma_v_m": np.sqrt(at.known[:, 1]), "determined_sigma_h_m": own_h,
            "determined_sigma_v_m": own_v, "outlier": at.off(rules.level, limit).any(axis=1),
            "use": pd.Series([BY_SETUP] * len(names), dtype="str"), "canopy": canopy.astype("object").to_numpy(),
            **dict(zip(("easting_m", "northing_m", "height_m"), place.T, strict=True)),
        }
    )  # fmt: skip


def _compared(table: pd.DataFrame, lone: list[str], shifted: int, job: Job) -> list[str]:
    """Return how many were compared, the farthest of them, what stands out and what could not be compared."""
    unit, checks = job.grid.unit, table[table["use"] == CHECK]
    said = []
    if len(checks):
        worst = checks.loc[checks["horizontal_m"].idxmax()]
        farthest = f"{worst['point']}, {length(worst['horizontal_m'], unit)} off"
        said.append(f"points compared with their control: {len(checks)}, the farthest is {farthest}")
        if shifted:
            rest = "rests" if shifted == 1 else "rest"
            said.append(f"{shifted} of them {rest} on occupations of a suspicious shift, which is not taken off here")
        if job.control.source:
            said.append(f"control is independent of this survey, as [control] states: {job.control.source}")
    told = wording.off_control_sentence(table, job)
    said = [told, *said] if told else said
    setups = wording.ordered(table[table["use"] == BY_SETUP])
    if len(setups) and not told:
        said.append(f"{counted(len(setups), 'base set-up')} compared with control: all agree with it")
    for use, held in table[~table["use"].isin([CHECK, BY_SETUP])].groupby("use", sort=True):
        named = ", ".join(map(str, held["point"].head(5))) + (" and others" if len(held) > 5 else "")
        said.append(f"control that is no check ({use}): {named}")
    out = checks[checks["outlier"]]
    if len(out):
        named = listed(f"{row.point} ({length(row.horizontal_m, unit)})" for row in out.itertuples())
        rule = "robust score above 3.5, Iglewicz and Hoaglin 1993"
        said.append(f"control checks that stand out from the others ({rule}): {named}; they stay in every figure")
    if lone:
        said.append(f"control of {counted(len(lone), 'point')} without a coordinate of its own: {listed(lone)}")
    said += [_which(name, setups) for name in lone[:MOST] if (setups["point"] == name).any()]
    if len(table) and not differences.heights_compare(job):
        said.append(
            f"known heights are above {job.control.height}, the site's above {job.site.height or 'what is not stated'}:"
            f" no height is compared with control"
        )
    return said


def _which(name: str, setups: pd.DataFrame) -> str:
    """Return which visits of a known mark are wrong by what is known of it."""
    mine = setups[setups["point"] == name]
    off, right = (mine.loc[mine["outlier"] == is_off, "setup"].astype("str").tolist() for is_off in (True, False))
    if not off:
        return f"its occupations are compared by base set-up: at {name} all agree with it"
    agree = f", those of {', '.join(right)} are not" if right else ""
    return f"at {name} control says which visits are wrong: those of {', '.join(off)} are off{agree}"


def _bias(table: pd.DataFrame, points: pd.DataFrame, job: Job, level: float) -> list[str]:
    """Return whether the checks agree in being off, horizontally and in height."""
    unit, up = job.grid.units
    plan, height = biases(table, points, job)
    said = []
    if plan.p < level:
        east, north = (length(m, unit) for m in plan.mean)
        said.append(_shared("position", plan, f"{east} east, {north} north"))
    if height.p < level:
        said.append(_shared("height", height, f"{length(height.mean[0], up)} up"))
    return said


def biases(table: pd.DataFrame, points: pd.DataFrame, job: Job) -> tuple[Bias, Bias]:
    """Return the mean of what the checks are off, horizontally and in height, with its test."""
    is_check = (table["use"] == CHECK).to_numpy()
    base_h, base_v = job.base.variances_m2
    checks = table[is_check]
    var = points[["var_e_m2", "var_n_m2", "cov_en_m2", "var_u_m2"]].to_numpy(dtype=float, na_value=np.nan)[is_check]
    known_h, known_v = (np.nan_to_num(checks[f"sigma_{a}_m"].to_numpy()) ** 2 for a in "hv")
    cov = np.empty((len(checks), 2, 2))
    cov[:, 0, 0], cov[:, 1, 1] = var[:, 0] - base_h + known_h, var[:, 1] - base_h + known_h
    cov[:, 0, 1] = cov[:, 1, 0] = var[:, 2]
    high = checks["du_m"].notna().to_numpy()
    var_u = (var[:, 3] - base_v + known_v)[high, None, None]
    return (
        sample_tests.bias(checks[["de_m", "dn_m"]].to_numpy(), cov, base_h * np.eye(2)),
        sample_tests.bias(checks[["du_m"]].to_numpy()[high], var_u, base_v * np.eye(1)),
    )


def _shared(what: str, found: Bias, off: str) -> str:
    return (
        f"against {counted(found.n, 'control point')} the {what} is off by {off} in the mean, more than "
        f"chance ({p_value(found.p)}): an error that all occupations share, such as the base's coordinate, "
        f"the antenna height, the datum or the localization"
    )


#: Points that are named one by one.
MOST = 5
_SIGMAS = ("sigma_e_m", "sigma_n_m", "sigma_u_m")
