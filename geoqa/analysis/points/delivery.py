"""May a point be delivered: its status, its uncertainty against the requirement, and enough evidence."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import measured_rows, roles
from geoqa.analysis.occupations.roles import by_role
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.contract import DELIVERY_REASONS, HELD, OVER, STATUSES, UNPROVEN, UNTESTED
from geoqa.core.frames.procedure import NO, NOT_SHOWN
from geoqa.core.frames.schema import DELIVERIES, OWN
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.recipe import BOTH, JUDGED
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted

#: Those that ask for a visit under another sky.
HOURS_LATER = ("one_visit", "unseen")
#: Of what too little is known, or what is known to be too uncertain.
_UNCERTAIN = ("unknown", "horizontal", "height", "one_visit", "unseen", "risk")


@dataclass(frozen=True, kw_only=True)
class Delivery(Analysis):
    """Decide on delivery: status confirmed or strained, and the requirement met with its confidence.

    The risk counts noise, the wrong fix nobody saw, and how little may be known of both, so it also says whether fresh
    fixes of one visit are enough; how often a wrong fix repeats is a prior, so there its probability is limited by
    itself, unless the role says that fresh fixes suffice. Occupations of a suspicious shift agree and may be wrong
    together: a coordinate that rests on them waits until the shift is settled, where the shift is along an axis that is
    judged. Where one of two halves of the work is off and nothing says which, it waits only if what the wrong one may
    move it by leaves too little of the requirement for its own uncertainty. Last of all, the conditions of a procedure
    that the job requires are to be met; what is not shown counts as not met.
    """

    name = "delivery"
    needs = (
        "points", "points.var_e_m2", "points.var_u_m2", "points.risk", "points.wrong_h", "points.wrong_v",
        "points.within_h", "points.within_v", "points.shift", "points.shift_h_m", "points.shift_v_m", "occupations",
        "occupations.use",
    )  # fmt: skip
    uses = ("procedure",)
    gives = (
        "points.deliver", "points.deliver_reason", "points.deliver_key", "points.judged", "points.untested",
        "points.untested_keys",
    )  # fmt: skip

    most_repeated: float = param(
        0.02, unit="1", above=0, maximum=1,
        help="Probability of a wrong fix above which one visit is not enough, whatever the risk; a repeat is a prior",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `deliver`, its reason, and what the evidence cannot see."""
        points, keys = frames["points"], list(DELIVERY_REASONS)
        tests = self._tests(points, job) | _procedure(points, frames.get("procedure"), job)
        code = np.argmax(np.column_stack([tests[key] for key in keys]), axis=1)
        # What a shift explains is neither the place's noise nor a wrong fix: the shift is what is to be settled.
        blamed = points["status"].isin(OVER).to_numpy() & points["explained"].notna().to_numpy()
        code = np.where(blamed, keys.index("shift"), code)
        judge_h, judge_v = roles.with_heights(points, job)
        alone = np.where(judge_v, np.where(judge_h, 0, 2), 1)
        keyed = points[["point"]].copy()
        keyed["deliver_key"] = pd.Categorical.from_codes(code, categories=keys)
        keyed["judged"] = pd.Categorical.from_codes(alone, categories=list(JUDGED))
        deliver = keyed["deliver_key"].isin(set(STATUSES) - set(HELD))
        keyed["deliver"] = pd.Categorical.from_codes(np.where(deliver, 0, 1), categories=list(DELIVERIES))
        sentences = [
            reason.sentence + ("" if word == BOTH else f"; {word}")
            for word in JUDGED
            for reason in DELIVERY_REASONS.values()
        ]
        keyed["deliver_reason"] = pd.Categorical.from_codes(code + len(keys) * alone, categories=sentences)
        keyed = keyed.assign(**_untested(points, frames["occupations"]))
        return Result({"points": keyed}, _advice(points, keyed["deliver_key"]))

    def _tests(self, points: pd.DataFrame, job: Job) -> dict[str, np.ndarray]:
        """Return where each of `DELIVERY_REASONS` holds, by key, shape (points,)."""
        role = points["role"]
        judge_h, judge_v = roles.with_heights(points, job)
        limit_h, limit_v = roles.requirements(role, job)
        allowed = 1 - by_role(role, job, lambda r: r.requirement.confidence)
        single = by_role(role, job, lambda r: r.single_by_plan) > 0
        suffices = by_role(role, job, lambda r: r.fresh_fix_suffices) > 0
        risk = points["risk"].to_numpy(dtype=float)
        status = points["status"].astype(str)
        one_h, one_v = ((points[f"visits_used_{axis}"] < 2).to_numpy() for axis in "hv")
        # Of a role that judges one axis alone the other one's visits and wrong fixes say nothing.
        within, wrong_of = (points[[f"{name}_h", f"{name}_v"]].to_numpy(dtype=float).T for name in ("within", "wrong"))
        wrong = np.fmax.reduce(np.where([judge_h, judge_v], wrong_of, np.nan))
        alone = np.where(judge_h, one_h, one_v)
        # What noise has in it: the same probabilities as the risk's, so nothing is held that the risk lets pass.
        noise_h, noise_v = 1 - within - wrong_of
        unknown_h, unknown_v = (points[c].isna().to_numpy() for c in ("var_e_m2", "var_u_m2"))
        # 95 % kept exactly is kept: a decimal confidence has no exact complement.
        too_much = ~(risk <= allowed + 1e-12)
        # A shift along an axis that is not judged says nothing.
        off_h, off_v = (points[f"shift_{axis}_m"].to_numpy(dtype=float, na_value=np.nan) for axis in "hv")
        rests = points["shift"].notna().to_numpy()
        known_off = rests & ((judge_h & np.isnan(off_h)) | (judge_v & np.isnan(off_v)))
        half = too_much & ((judge_h & (off_h > 0)) | (judge_v & (off_v > 0)))
        return {
            **{name: (status == name).to_numpy() for name in STATUSES},
            "planned": (
                status.isin(UNPROVEN).to_numpy()
                & single
                & (points["occupations"] > 0).to_numpy()
                & (points["reason_key"].astype("str") != "contradicted").to_numpy()
            ),
            "no_requirement": (judge_h & np.isnan(limit_h)) | (judge_v & np.isnan(limit_v)),
            "unknown": (judge_h & unknown_h) | (judge_v & unknown_v),
            "horizontal": too_much & judge_h & (noise_h > allowed) & ~half,
            "height": too_much & judge_v & (noise_v > allowed) & ~half,
            "one_visit": alone & ~suffices & (wrong > self.most_repeated),
            "unseen": too_much & (wrong > allowed / 2) & ~half,
            "risk": too_much & ~half,
            "shift": known_off | half,
        }


def _procedure(points: pd.DataFrame, procedure: pd.DataFrame | None, job: Job) -> dict[str, np.ndarray]:
    """Return where a required condition of the procedure is not met, and where it is not shown; shape (points,)."""
    required = bool(job.procedure.required_of)
    if procedure is None:  # the step failed: nothing is shown
        nothing = np.zeros(len(points), bool)
        return {"procedure": nothing, "procedure_not_shown": nothing | required}
    held = procedure[procedure["required"].astype(bool)]
    names = points["point"].astype("str")
    return {
        key: names.isin(held["point"][(held["met"] == word).to_numpy()].astype("str")).to_numpy()
        for key, word in (("procedure", NO), ("procedure_not_shown", NOT_SHOWN))
    }


def _advice(points: pd.DataFrame, key: pd.Series) -> tuple[str, ...]:
    """Return in one sentence what would let most points be delivered; nothing where only faults are left."""
    uncertain, known = key.isin(_UNCERTAIN).to_numpy(), (points["basis"] == OWN).to_numpy(dtype=bool)
    single, thin, noisy = (int(some.sum()) for some in (key.isin(UNPROVEN), uncertain & ~known, uncertain & known))
    if not max(single, thin, noisy):
        return ()
    if thin >= max(single, noisy):
        under = points.loc[uncertain & ~known, "canopy"].dropna().astype("str").value_counts()
        where = f" under {under.index[0]}" if len(under) else ""
        said = (
            f"pairs of visits hours apart{where}, checks on known marks, or the experience of earlier jobs: too little "
            f"is known there to deliver {counted(thin, 'point')}"
        )
    elif single >= noisy:
        said = f"a second visit, hours after the first, at the {counted(single, 'point')} that nothing confirms"
    else:
        said = f"one more visit, hours later, at the {counted(noisy, 'point')} whose uncertainty or risk is too large"
    return (f"what would help most: {said}",)


def _untested(points: pd.DataFrame, occupations: pd.DataFrame) -> dict[str, pd.Categorical]:
    """Return what the used occupations cannot see: an error they all share."""
    used = np.isin(measured_rows.use_codes(occupations["use"]), (*measured_rows.IN_POSITION, *measured_rows.IN_HEIGHT))
    names = pd.Index(points["point"])
    code = names.get_indexer(occupations["point"].astype(names.dtype))[used]

    def varies(column: str) -> np.ndarray:
        values = pd.Series(occupations[column].to_numpy()[used])
        distinct = values.groupby(code).nunique()
        return distinct.reindex(range(len(names)), fill_value=0).to_numpy() > 1

    base, antenna = varies("base"), varies("antenna_height_m")
    seen = [{"setup": setups, "antenna": heights} for setups in (False, True) for heights in (False, True)]
    left = [[key for key in UNTESTED if not known.get(key)] for known in seen]
    told = {
        "untested": [", ".join(UNTESTED[key].words for key in keys) for keys in left],
        "untested_keys": [" ".join(keys) for keys in left],
    }
    return {name: pd.Categorical.from_codes(2 * base + antenna, categories=words) for name, words in told.items()}
