"""How long and how many times: what visits of each number, length and separation would bring under each cover here."""

from __future__ import annotations

from dataclasses import dataclass, replace

from geoqa.analysis.closures.closures import Closures, ClosureStatus
from geoqa.analysis.occupations import roles
from geoqa.analysis.occupations.expected_precision import core_shape
from geoqa.analysis.occupations.measured_rows import is_direct, seconds
from geoqa.analysis.occupations.roles import by_role
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.combination import Combination, Uncertainty
from geoqa.analysis.points.delivery import Delivery
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.points.risk import Risk
from geoqa.core.arrays import Array, Flags, Frames, np, pd, special
from geoqa.core.frames.procedure import PLAN
from geoqa.core.frames.schema import complete_occupations, judged_again
from geoqa.core.frames.wording import plan_sentences, under
from geoqa.core.geodesy import LOCAL
from geoqa.core.job import Job, unfixed
from geoqa.core.params import param
from geoqa.core.recipe import Procedure
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import duration

#: What is tried: visits, minutes on the fix at each, and minutes between them.
VISITS, MINUTES, SEPARATIONS_MIN = (1, 2, 3, 4), (1.0, 2.0, 3.0, 5.0, 10.0), (0.0, 30.0, 240.0)
#: A fresh initialization takes so long, where nothing separates two visits.
_AGAIN_S = 60.0
#: Points of each case whose radii are worked out: they hardly differ.
_WITH_RADIUS = 12
#: How long an occupation that is drawn lasts.
_HELD_S = 60.0
_SEED = 20261201
#: Degrees of freedom of what is taken as known.
_MANY = 1e6
#: Figures of a row; each has bounds.
_FIGURES = ("radius95_m", "up95_m", "risk", "needs_more")
#: Where in what is known of a class a point's precision and share of wrong fixes lie: drawn, and at the 95 % bounds.
_ENDS = {"": float("nan"), "_low": 0.025, "_high": 0.975}


@dataclass(frozen=True, kw_only=True)
class Plan(Analysis):
    """Try out on points that follow what is known of each class how long and how many times it pays to observe.

    Points are drawn as the calibration knows the class, its degrees of freedom and all: errors of right fixes, wrong
    fixes by the class's share and the site's gross errors, wrong ones that come back soon as `repeats` says, errors
    that visits near in time share over the published correlation lengths. The steps of this review then judge them, by
    the job's own tolerance and requirement, so that nothing is modelled twice. Bounds are those of a class that is as
    good, or as bad, as its 95 % bounds allow. What time on the fix does for precision comes from receivers' logs;
    where there is none, figures stand at the length that crews stayed here alone.
    """

    name = "plan"
    needs = ("occupations", "occupations.visit", "classes", "gross_scales", "repeats")
    uses = ("durations", "waits")
    gives = ("plan",)

    trials: int = param(60, unit="1", minimum=20, maximum=10_000, help="Points tried for each row, and for each bound")
    most_more: float = param(
        0.5, unit="1", minimum=0, maximum=1,
        help="Share of points that may need one more visit where a row is chosen; common practice, no published source",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `plan`, a row per class, number of visits, length and separation."""
        classes = frames["classes"]
        rows = pd.concat([_rows(k, frames) for k in range(len(classes))], ignore_index=True)
        learnt = np.isfinite(_expected(classes, "h"))[rows["of"]]
        known = rows["factor"].notna().to_numpy() & learnt
        rows["basis"] = rows["basis"].where(learnt, "no precision is stated or learnt here")
        rows[[f"{name}{end}" for name in _FIGURES for end in _ENDS]] = np.nan
        if known.any():
            tried = self._tried(rows[known], frames, job)
            rows.loc[known, list(tried)] = tried.to_numpy()
        for name in ("canopy", "solution"):
            rows[name] = classes[name].astype("object").to_numpy()[rows["of"]]
        rows["chosen"] = self._chosen(rows, job)
        table = PLAN.filled(rows[list(PLAN.columns)])
        return Result({"plan": table}, tuple(plan_sentences(table)))

    def _chosen(self, rows: pd.DataFrame, job: Job) -> Flags:
        """Return the row of each class with the least time on the point that meets requirement and risk."""
        fits = rows["needs_more"].le(self.most_more).to_numpy(bool, copy=True)
        role = _roles(rows["solution"], job)
        judged, limits = roles.axes(role, job), roles.requirements(role, job)
        for judge, limit, name in zip(judged, limits, ("radius95_m", "up95_m"), strict=True):
            flat = name == "up95_m" and not rows[name].notna().any()
            fits &= ~judge | np.isnan(limit) | flat | (rows[name].to_numpy(float) <= limit)
        fits &= rows["risk"].to_numpy(float) <= 1 - by_role(role, job, lambda one: one.requirement.confidence)
        cost = rows["time_s"].fillna(rows["visits"].astype(float)).to_numpy(float)
        order = np.lexsort((rows["separation_min"].fillna(0.0), rows["visits"], cost, rows["of"]))
        order = order[fits[order]]
        first = order[np.diff(rows["of"].to_numpy()[order], prepend=-1) != 0]
        return np.isin(np.arange(len(rows)), first)

    def _tried(self, rows: pd.DataFrame, frames: Frames, job: Job) -> pd.DataFrame:
        """Return the figures of rows and their bounds; lengths that do the same for precision are tried once."""
        case = rows.groupby(["of", "visits", "separation_min", "factor"], dropna=False, sort=False).ngroup().to_numpy()
        cases = rows.iloc[np.unique(case, return_index=True)[1]]
        whole = pd.concat([cases.assign(at=at) for at in _ENDS.values()], ignore_index=True)
        told = _judged(whole, frames, job, self.trials)[list(_FIGURES)].to_numpy().reshape(len(_ENDS), len(cases), -1)
        told[1], told[2] = np.fmin(told[0], told[1]), np.fmax(told[0], told[2])  # what is drawn may cross by chance
        columns = [f"{name}{end}" for end in _ENDS for name in _FIGURES]
        return pd.DataFrame(np.concatenate(told[:, case], axis=1), columns=columns)


def _roles(solution: pd.Series, job: Job) -> pd.Series:
    """Return the role that points of each solution are judged as: that of the job, or of what was never fixed."""
    floats = solution.notna() & (solution != "fixed") & (job.unfixed_role(None) is not None)
    return pd.Series(unfixed(None), index=solution.index, dtype="str").where(floats)


def _expected(classes: pd.DataFrame, axis: str) -> Array:
    """Return the standard deviation to expect of each class along an axis, metres, NaN where none is known."""
    ratio, stated, plain = (
        classes[name].to_numpy(dtype=float, na_value=np.nan)
        for name in (f"used_ratio_{axis}", f"stated_{axis}_m", f"used_repeatability_{axis}_m")
    )
    return np.where(np.isnan(ratio * stated), plain, ratio * stated)


def _rows(k: int, frames: Frames) -> pd.DataFrame:
    """Return the rows of class `k`: what is tried, what a length does to its standard deviation, the time it takes."""
    classes = frames["classes"]
    row = classes.iloc[k]
    usual_s = _usual(frames["occupations"], row, bool(row[["canopy", "solution"]].isna().all()))
    minutes = sorted({*MINUTES, *([float(np.ceil(usual_s / 60))] if usual_s > 60 * max(MINUTES) else [])})
    lengths = np.array(minutes if usual_s == usual_s else [*minutes, np.nan])
    tried = [(1, np.nan), *((n, apart) for n in VISITS[1:] for apart in SEPARATIONS_MIN)]
    table = pd.DataFrame(
        [(n, length, apart) for n, apart in tried for length in lengths],
        columns=["visits", "minutes", "separation_min"],
    )
    # Logs tell what averages of fixed positions do.
    logs = frames.get("durations") if pd.isna(row["solution"]) or row["solution"] == "fixed" else None
    factor, basis = _by_length(logs, row["canopy"], lengths, usual_s)
    at = np.tile(np.arange(len(lengths)), len(tried))
    wait_s = _wait(frames.get("waits"), row["canopy"])
    time_s = table["visits"] * (60 * table["minutes"] + wait_s)
    return table.assign(of=k, factor=factor[at], basis=np.array(basis, dtype=object)[at], time_s=time_s)


def _usual(occupations: pd.DataFrame, row: pd.Series, whole: bool) -> float:
    """Return how long crews stayed on a fix under a class in the middle, seconds; NaN where nobody wrote it."""
    mine = is_direct(occupations)
    for name in () if whole else ("canopy", "solution"):
        own = occupations[name].astype("object")
        mine &= (own.isna() if pd.isna(row[name]) else own == row[name]).to_numpy(bool) | (
            name == "solution" and pd.isna(row[name])
        )
    stated = occupations["duration_s"].to_numpy(dtype=float, na_value=np.nan)
    timed = seconds(occupations["end_utc"]) - seconds(occupations["start_utc"])
    held = np.where(np.isnan(stated), timed, stated)[mine]
    held = held[held > 0]
    return float(np.median(held)) if len(held) else np.nan


def _by_length(
    durations: pd.DataFrame | None, canopy: object, minutes: Array, usual_s: float
) -> tuple[Array, list[str]]:
    """Return how many times as large the standard deviation is at each length, and what says so; NaN where nothing."""
    where = under(canopy)
    if durations is not None and usual_s == usual_s:
        own = durations["canopy"].isna() if pd.isna(canopy) else durations["canopy"].astype("str") == canopy
        known = durations[own & durations["spread_h_m"].gt(0)].sort_values("duration_s")
        if len(known) > 1:
            return _of_logs(known, minutes, usual_s, where)
    if usual_s != usual_s:
        nothing = "how long crews stayed is not stated, and no log shows what time on the fix does"
        return np.where(np.isnan(minutes), 1.0, np.nan), [
            "as long as the crews stayed, which no row states" if m != m else nothing for m in minutes.tolist()
        ]
    at = int(np.argmax(60 * minutes >= usual_s - 1e-9))
    stayed = f"as long as crews stayed {where}: {duration(usual_s)} in the middle"
    other = f"no log shows what more or less than {duration(usual_s)} does {where}"
    return np.where(np.arange(len(minutes)) == at, 1.0, np.nan), [
        stayed if k == at else other for k in range(len(minutes))
    ]


def _of_logs(known: pd.DataFrame, minutes: Array, usual_s: float, where: str) -> tuple[Array, list[str]]:
    """Return the same from what averages of each length spread across fixes in receivers' logs."""
    length, spread = known["duration_s"].to_numpy(float), known["spread_h_m"].to_numpy(float)
    level = np.exp(np.interp(np.log([usual_s, *(60 * minutes)]), np.log(length), np.log(spread)))
    flat = bool(known["flat"].astype(bool).any())
    asked = np.array([usual_s, *(60 * minutes)])
    seen = (asked >= length[0] - 1e-9) & ((asked <= length[-1] + 1e-9) | flat)
    factor = np.where(seen[1:] & seen[0], level[1:] / level[0], np.nan)
    longest = duration(length[-1])
    told = f"receivers' logs {where}, averages of up to {longest}"
    beyond = f"no fix {where} was held longer than {longest}, and it still paid"
    return factor, [told if value == value else beyond for value in factor.tolist()]


def _wait(waits: pd.DataFrame | None, canopy: object) -> float:
    """Return the usual wait for a fix that holds, seconds; 0 where no log shows it."""
    if waits is None:
        return 0.0
    own = waits["canopy"].isna() if pd.isna(canopy) else waits["canopy"].astype("str") == canopy
    half = waits.loc[own & (waits["until"].astype("str") == "hold"), "half_s"].dropna()
    return float(half.iloc[0]) if len(half) else 0.0


def _judged(cases: pd.DataFrame, frames: Frames, job: Job, trials: int) -> pd.DataFrame:
    """Return what this review's own steps make of drawn points: the figures of each case.

    Parameters
    ----------
    cases
        ``of`` (the class), ``visits``, ``separation_min``, ``factor``; ``at``, the probability in what is known of the
        class at which it is taken, not a number to draw it for each point.
    trials
        Points of each case; all cases have the same draws.
    """
    # Drawn points lie nowhere on the Earth, and no procedure is asked of them.
    job = replace(job, procedure=Procedure(), site=replace(job.site, crs=LOCAL, combined_factor=None))
    known = {name: frames[name] for name in ("classes", "gross_scales", "repeats")}
    first = (Visits.as_set(job), Closures.as_set(job), ClosureStatus.as_set(job), PointStatus.as_set(job))
    judged = judged_again(first, known | {"occupations": _drawn(cases, frames, job, trials)}, job)
    none = pd.Series(None, index=judged["points"].index, dtype="str")
    points = judged["points"].assign(shift=none, explained=none, shift_h_m=np.nan, shift_v_m=np.nan)
    view = known | {name: judged[name] for name in ("occupations", "closures")} | {"points": points}
    then = (Combination.as_set(job), Risk.as_set(job), Delivery.as_set(job))
    points = judged_again(then, view, job)["points"]
    of = points["point"].astype("str").str.split("-").str[0].astype(int).to_numpy()
    n, given = len(cases), (points["deliver"] == "yes").to_numpy()
    # Of the points that come to be delivered; where none does, of all.
    told = given | (np.bincount(of[given], minlength=n) == 0)[of]
    few = np.flatnonzero(told)[pd.Series(of[told]).groupby(of[told]).cumcount().to_numpy() < _WITH_RADIUS]
    rows = judged["occupations"][judged["occupations"]["point"].isin(points["point"].iloc[few]).to_numpy()]
    rows = rows.assign(point=rows["point"].cat.remove_unused_categories()).reset_index(drop=True)
    view |= {"points": points.iloc[few].reset_index(drop=True), "occupations": rows}
    radii = judged_again((Uncertainty.as_set(job),), view, job)["points"]
    found = radii.groupby(of[few])[["radius95_m", "up95_m"]].median()
    found["risk"] = points["risk"][told].groupby(of[told]).mean()
    return found.reindex(range(n)).assign(needs_more=1 - np.bincount(of[given], minlength=n) / trials)


@dataclass(frozen=True)
class _Draws:
    """Random numbers that all cases share, so that what differs between two of them is not chance.

    Attributes
    ----------
    place
        Where in what is known of a class a point lies, along each axis and in its share of wrong fixes, as
        probabilities, shape (3, trials).
    chance, back
        Below its share a fix is wrong, below that of a repeat it comes back, shape (trials, visits).
    plain, gross
        Errors of right fixes, of variance 1, and gross ones, metres; shape (trials, visits, 3).
    """

    place: Array
    chance: Array
    back: Array
    plain: Array
    gross: Array

    @classmethod
    def of(cls, trials: int, shape: float, scales: pd.DataFrame) -> _Draws:
        """Return the draws; errors are Student's of `shape` degrees of freedom, gross ones of these scales."""
        dice, most = np.random.default_rng(_SEED), max(VISITS)
        place = np.stack([(dice.permutation(trials) + 0.5) / trials for _ in range(3)])
        chance, back, pick, flank = dice.random((4, trials, most))
        plain, gross = dice.normal(size=(2, trials, most, 3))
        if np.isfinite(shape):  # Student's t of variance 1: chi-square by its quantile
            plain = plain * np.sqrt((shape - 2) / special.chdtri(shape, flank))[:, :, None]
        scales = scales.sort_values(["scale_h_m", "scale_v_m"])  # in any order the same draws
        share = np.cumsum(scales["share"].to_numpy(float))
        one = np.minimum(np.searchsorted(share / share[-1], pick), len(scales) - 1)
        size = scales[["scale_h_m", "scale_h_m", "scale_v_m"]].to_numpy(float)[one]
        return cls(place, chance, back, plain, size * gross)


def _drawn(cases: pd.DataFrame, frames: Frames, job: Job, trials: int) -> pd.DataFrame:
    """Return occupations of drawn points, named by case and number, with what calibration would say of each."""
    from geoqa.analysis.precision import visit_pairs

    classes, of = frames["classes"], cases["of"].to_numpy()
    draws = _Draws.of(trials, core_shape(classes), frames["gross_scales"])
    at = cases["at"].to_numpy(float)[:, None]
    place = np.where(np.isnan(at), draws.place[:, None, :], at)
    apart_s = np.fmax(60 * cases["separation_min"].fillna(0.0).to_numpy(float), _AGAIN_S)
    told, error = {}, np.empty((len(cases), *draws.plain.shape))
    for k, (axis, fades_s) in enumerate((("h", visit_pairs.FADES_H_S), ("v", visit_pairs.FADES_V_S))):
        sigma = _expected(classes, axis)[of] * cases["factor"].to_numpy(float)
        freedom = classes[f"degrees_of_freedom_{axis}"].to_numpy(dtype=float, na_value=_MANY)[of]
        # Known as an inverse chi-square: what it is at that probability, over what is expected.
        scale = np.sqrt(freedom[:, None] / special.chdtri(freedom[:, None], place[k]))
        told[f"expected_{axis}_m"] = np.where(np.isnan(at[:, 0]), sigma, sigma * scale[:, 0])
        told[f"freedom_{axis}"] = freedom
        parts = slice(0, 2) if axis == "h" else slice(2, 3)
        error[..., parts] = _fading(draws.plain[..., parts], np.exp(-apart_s / fades_s))
        error[..., parts] *= (sigma[:, None] * scale)[:, :, None, None]
    rate, worth = (
        classes[name].to_numpy(dtype=float, na_value=np.nan)[of] for name in ("used_wrong_fix_rate", "wrong_fix_worth")
    )
    rates = special.betaincinv((rate * worth)[:, None], ((1 - rate) * worth)[:, None], place[2])
    rates = np.where(np.isfinite(rates), rates, rate[:, None])
    told |= {"wrong_rate": np.where(np.isnan(at[:, 0]), rate, rates[:, 0]), "wrong_worth": worth}
    repeats = frames["repeats"].iloc[0]
    error += _wrong(draws, rates, repeats["repeat"] * np.exp(-apart_s / repeats["fades_s"]))
    return _occupations(cases, error, apart_s, told, frames, job)


def _fading(plain: Array, rho: Array) -> Array:
    """Return errors of visits of which each shares `rho` with the one before; shape (cases, *plain.shape)."""
    rho = rho[:, None, None]
    made = [np.broadcast_to(plain[:, 0], (len(rho), *plain[:, 0].shape))]
    for visit in range(1, plain.shape[1]):
        made.append(rho * made[-1] + np.sqrt(1 - rho**2) * plain[:, visit])
    return np.stack(made, axis=2)


def _wrong(draws: _Draws, rates: Array, again: Array) -> Array:
    """Return what wrong fixes are off by, zero for right ones; shape (cases, trials, visits, 3)."""
    made: list[Array] = []
    for visit in range(draws.chance.shape[1]):
        own = np.where((draws.chance[:, visit] < rates)[:, :, None], draws.gross[:, visit], 0.0)
        if made:  # a wrong one may come back
            back = (made[-1] != 0) & (draws.back[:, visit] < again[:, None])[:, :, None]
            own = np.where(back, made[-1], own)
        made.append(own)
    return np.stack(made, axis=2)


def _occupations(
    cases: pd.DataFrame, error: Array, apart_s: Array, told: dict[str, Array], frames: Frames, job: Job
) -> pd.DataFrame:
    """Return the occupations of drawn points as a reader would give them, with what calibration says of each."""
    there = np.arange(error.shape[2]) < cases["visits"].to_numpy()[:, None, None]
    case, trial, visit = np.nonzero(np.broadcast_to(there, error.shape[:3]))
    off, real = error[case, trial, visit], frames["occupations"]
    start = pd.Timestamp("2026-01-05", tz="UTC") + pd.to_timedelta(visit * (apart_s[case] + _HELD_S), unit="s")
    row = {name: values[case] for name, values in told.items()}
    high = np.isfinite(row["expected_v_m"])
    step = {f"resolution_{axis}_m": real[f"resolution_{axis}_m"].median() for axis in "hv"}
    solution = frames["classes"]["solution"].astype("object").iloc[cases["of"].to_numpy()[case]]
    role = _roles(solution, job).reset_index(drop=True)
    width = len(str(error.shape[1]))
    names = [f"{c}-{t:0{width}}" for c in range(error.shape[0]) for t in range(error.shape[1])]
    columns = {
        "point": pd.Categorical.from_codes(case * error.shape[1] + trial, pd.Index(names, dtype="str")),
        "start_utc": start, "end_utc": start + pd.to_timedelta(_HELD_S, unit="s"),
        "easting_m": off[:, 0], "northing_m": off[:, 1], "height_m": np.where(high, off[:, 2], np.nan),
        "sigma_e_m": row["expected_h_m"], "sigma_n_m": row["expected_h_m"], "sigma_u_m": row["expected_v_m"],
        "initialization": pd.Series(np.arange(len(case))).astype("str"), "source_line": np.arange(1, len(case) + 1),
        "base_distance_m": np.full(len(case), real["base_distance_m"].median()),
        "solution": solution.to_numpy(), "role": role,
    }  # fmt: skip
    rows = complete_occupations(columns | {name: np.full(len(case), value) for name, value in step.items()}, "drawn")
    one = pd.Categorical.from_codes(np.zeros(len(rows), int), ["drawn"])
    return rows.assign(**row, setup=one, unfixed=role.notna().to_numpy())
