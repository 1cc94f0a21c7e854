"""Survey sites with known truth: what receivers report under trees, and what is so.

Every number here is a *simulation choice*: invented, set out in `Choices` so that it can be read and
changed, and evidence of nothing. Only the correlation times of the first generator are published
(Odolinski 2012, GPS Solutions 16:147-155: about 17 min horizontally, 36 min vertically; that they are
e-folding times is an assumption). Two generators, so that nothing is tuned to one:

``trees``
    Normal errors whose shared part fades with time; false fixes with a lognormal tail that come back
    when the next occupation is soon; one crew in three stops as soon as a pair closes.
``students``
    A Student core, points quieter or wilder than their class, elongated error ellipses; false fixes
    never come back; other covers, false fixes and schedule; nobody stops early.

`site` makes a whole site, `twice_wrong` a scenario and `pairs` what a calibration is fed; `joined` mixes
them. The same seed gives the same bits; each kind of chance has a stream of its own, so that switching one
option off leaves the others as they were.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.signal import lfilter

MOST = 4  # occupations a point
DAY_S = 86_400
DAY_ONE = pd.Timestamp("2026-02-02", tz="UTC")
CORNER = (1_600_000.0, 5_400_000.0)
BASE_PLACE = (350.0, 420.0)
CREWS = ("crew 1", "crew 2", "crew 3")
ANTENNA_M = (2.0, 1.8, 2.0)
GAPS = ("minutes", "soon", "hours", "day")
MINUTES, SOON, HOURS, DAY = range(len(GAPS))


@dataclass(frozen=True)
class Cover:
    """One canopy class: simulation choices.

    `sigma_h_m` (per axis) and `sigma_v_m` are the true standard deviations of a right fix, receiver and
    all; the receiver states them divided by `optimism`. `false_rate` is per initialization.
    """

    name: str
    share: float
    sigma_h_m: float
    sigma_v_m: float
    optimism: float
    false_rate: float


@dataclass(frozen=True)
class Choices:
    """Everything a generator is made of: simulation choices, the defaults those of ``trees``."""

    covers: tuple[Cover, ...] = (
        Cover("open", 0.30, 0.008, 0.014, 1.1, 0.002),
        Cover("light", 0.28, 0.011, 0.020, 1.3, 0.01),
        Cover("mixed leaf", 0.25, 0.016, 0.030, 1.6, 0.03),
        Cover("dense conifer", 0.17, 0.024, 0.045, 2.2, 0.125),
    )
    # Right fixes. `shared` is the part of the variance that fades with time; the rest is each occupation's own.
    shared: float = 0.7
    efold_h_s: float = 17 * 60
    efold_v_s: float = 36 * 60
    nu: float = np.inf  # degrees of freedom of the core: normal
    sigma_scatter: float = 0.15  # lognormal, of an occupation's true sigma about its class; the receiver sees it
    report_scatter: float = 0.20  # lognormal, of what the receiver states beside that
    effect_share: float = 0.0  # points with a spread of their own
    effect: tuple[float, float] = (1.0, 1.0)  # times that of the class, uniform
    effect_seen: float = 0.5  # power of it that the receiver states
    elongation: float = 1.0  # largest ratio of the axes of an error ellipse, uniform from 1; 1 states no covariance
    # False fixes.
    false_kind: str = "lognormal"  # or "half-normal and uniform"
    false_m: float = 0.25  # median, or sigma of the half-normal part
    false_log_sigma: float = 0.9
    false_limits_m: tuple[float, float] = (0.05, 5.0)  # the uniform part fills them
    false_uniform: float = 0.0  # share of the uniform part
    false_tall: float = 0.6  # share whose height error is 1 to 3 times the horizontal one, the others' 0 to 1
    false_report: float = 0.95  # times the precision a right fix would state
    repeat: float = 0.30  # chance that a false fix comes back at once
    repeat_efold_s: float = 30 * 60
    # Schedule.
    second: float = 0.94
    third: float = 0.20
    fourth: float = 0.15  # of those with a third
    gap_shares: tuple[float, ...] = (0.15, 0.25, 0.35, 0.25)
    gap_s: tuple[tuple[int, int], ...] = ((120, 900), (1200, 3600), (2 * 3600, 8 * 3600))
    later_days: int = 3  # "another day" is the next 1 to 3
    first_days: int = 4
    hours: tuple[int, int] = (7, 19)
    # Crews who stop when a pair closes.
    stopping_crews: int = 1  # of the three
    closes_m: tuple[float, float] = (0.05, 0.10)
    again_open: float = 0.8  # chance of one more occupation while no pair closes
    again_closed: float = 0.1
    again_soon: float = 0.5  # share of those that follow at once
    # Base set-ups, one a half-day; blunders; what is missing.
    base_h_m: float = 0.003
    base_v_m: float = 0.005
    shift_rate: float = 0.0  # base set-ups moved
    shift_m: tuple[float, float] = (0.05, 0.20)
    typo_rate: float = 0.002  # occupations: half of them the antenna height, half two digits of the height swapped
    typo_antenna_m: float = 0.1
    # Errors that all points share for half an hour, such as the troposphere's: standard deviation, e-folding time.
    drift_h_m: float = 0.0
    drift_v_m: tuple[float, float] = (0.0, 0.0)  # drawn for each site
    drift_efold_s: float = 36 * 60
    missing_precision: float = 0.0
    missing_time: float = 0.0
    missing_base: float = 0.0
    # From job to job: lognormal, of a class's true precision under what is stated, and of its rate of false fixes.
    job_precision: float = 0.0
    job_false: float = 0.0
    mislabelled: float = 0.0  # points under another class's name
    common_m: tuple[float, float] = (0.0, 0.0)  # errors that all occupations of half an hour share: per axis, height


TREES = Choices()
STUDENTS = Choices(
    covers=(
        Cover("clearing", 0.26, 0.007, 0.013, 1.0, 0.001),
        Cover("scrub", 0.31, 0.010, 0.017, 1.4, 0.008),
        Cover("broadleaf", 0.26, 0.015, 0.027, 1.8, 0.04),
        Cover("pine", 0.17, 0.021, 0.040, 2.0, 0.125),
    ),
    shared=0.5, efold_h_s=12 * 60, efold_v_s=30 * 60, nu=5.0, sigma_scatter=0.10, report_scatter=0.25,
    effect_share=0.4, effect=(0.6, 1.8), elongation=1.8,
    false_kind="half-normal and uniform", false_m=0.35, false_limits_m=(0.06, 2.5), false_uniform=0.4,
    false_tall=0.4, false_report=1.0, repeat=0.0,
    third=0.12, fourth=0.25, gap_shares=(0.12, 0.18, 0.20, 0.50),
    gap_s=((60, 1080), (1500, 5400), (3 * 3600, 9 * 3600)), later_days=6, first_days=5,
    stopping_crews=0, base_h_m=0.004, base_v_m=0.004,
)  # fmt: skip
GENERATORS = {"trees": TREES, "students": STUDENTS}
#: How many seconds the errors last that all points share.
COMMON_S = 1800
#: Classes that differ from job to job, and what else may be so: changes of either generator.
WORLDS: dict[str, dict[str, object]] = {
    "base": {},
    "optimism": {"times_optimism": 2.5},
    "mislabels": {"mislabelled": 0.25},
    "false fixes": {"times_false": 3.0},
    "repeats": {"repeat": 0.7},
    "heavy tails": {"nu": 4.0},
    "common errors": {"common_m": (0.005, 0.008)},
    "open fields": {"in_the_open": True},  # every class as the first is: what a crew of the fields learns
}
JOB_PRECISION, JOB_FALSE = 0.25, 0.5
#: On small jobs four in ten revisits come within minutes: the crew stands there still.
SMALL_GAPS = (0.42, 0.13, 0.20, 0.25)


@dataclass(frozen=True)
class Simulated:
    """A site and its truth.

    Attributes
    ----------
    occupations
        As `geoqa.core.site.assembly.occupations` leaves them, before any analysis: sorted by point and time.
    truth
        One row a point, by name: `easting_m`, `northing_m`, `height_m`, `canopy`, `crew`, `stops`, `effect`,
        `occupations`, `false`, `repeats` (counts), `sound` (no false fix, typing error or shifted base).
    occupation_truth
        One row an occupation, by `occupation_id`: `point`, `canopy`, errors `e_m`, `n_m`, `u_m` (recorded minus true),
        true `sigma_h_m` and `sigma_v_m` of its core, `is_false`, `is_repeat`, `is_shifted_base`, `is_typo`,
        `gap` (kind of the gap before it, "first" for none), `gap_s` (from the end of the one before).
    choices, seed
        What it was made with.
    """

    occupations: pd.DataFrame
    truth: pd.DataFrame
    occupation_truth: pd.DataFrame
    choices: Choices
    seed: int


def site(seed: int, points: int = 1500, generator: str = "trees", **changes: object) -> Simulated:
    """Return a site of `points` points; `changes` replace choices of the generator."""
    dice = _Dice(seed, generator)
    choices = _of_this_job(replace(GENERATORS[generator], **changes), dice)
    ground = _ground(choices, dice, points)
    return _finished(ground, _fieldwork(ground, dice), dice, seed, "P")


def _of_this_job(choices: Choices, dice: _Dice) -> Choices:
    """Return the choices with each class as good or bad as it is on this job; what is stated stays."""
    rng = dice("job")
    drawn = np.exp(rng.normal(size=(len(choices.covers), 2)) * [choices.job_precision, choices.job_false])
    covers = tuple(
        replace(
            c, sigma_h_m=c.sigma_h_m * k, sigma_v_m=c.sigma_v_m * k, optimism=c.optimism * k,
            false_rate=min(c.false_rate * f, max(0.6, c.false_rate)),
        )
        for c, (k, f) in zip(choices.covers, drawn.tolist(), strict=True)
    )  # fmt: skip
    return replace(choices, covers=covers)


def small_job(seed: int, points: int, world: str = "base", generator: str = "trees") -> Simulated:
    """Return a job of a few points in one of `WORLDS`: classes differ from job to job, points draw theirs at random."""
    changes = {"job_precision": JOB_PRECISION, "job_false": JOB_FALSE, "gap_shares": SMALL_GAPS}
    return site(seed, points, generator, **(changes | _choices(world, generator)))


def _choices(world: str, generator: str) -> dict[str, object]:
    changes = dict(WORLDS[world])
    optimism, false = (float(changes.pop(f"times_{what}", 1.0)) for what in ("optimism", "false"))
    covers = GENERATORS[generator].covers
    if changes.pop("in_the_open", False):
        covers = tuple(replace(covers[0], name=c.name, share=c.share) for c in covers)
    covers = tuple(
        replace(c, optimism=c.optimism * optimism, false_rate=min(c.false_rate * false, 0.5)) for c in covers
    )
    return {"covers": covers, **changes}


def twice_wrong(seed: int, points: int = 500, generator: str = "trees", **changes: object) -> Simulated:
    """Return points with one wrong fix shot twice in a visit and one right visit hours before or after.

    Every class alike. The wrong fix is 0.3 to 1 m off, its height by nothing or by up to 1 m; its two shots are
    2 to 10 minutes apart and agree within 10 mm horizontally and 15 mm vertically.
    """
    choices = replace(
        GENERATORS[generator], second=1.0, typo_rate=0.0, base_h_m=0.0, base_v_m=0.0, stopping_crews=0, **changes
    )  # fmt: skip
    dice = _Dice(seed, generator)
    ground = replace(_ground(choices, dice, points), cover=np.arange(points) % len(choices.covers))
    rng = dice("twice wrong")
    n, wrong_last = points, np.arange(points) // len(choices.covers) % 2 == 1
    apart, between = rng.integers(120, 600, n), rng.integers(4 * 3600, 7 * 3600, n)
    duration = _durations(dice, n)
    start = np.zeros((n, MOST), np.int64)
    start[:, 0] = rng.integers(0, choices.first_days, n) * DAY_S + 7 * 3600 + rng.integers(0, 3600, n)
    start[:, 1] = start[:, 0] + duration[:, 0] + np.where(wrong_last, between, apart)
    start[:, 2] = start[:, 1] + duration[:, 1] + np.where(wrong_last, apart, between)
    start[:, 3] = start[:, 2] + DAY_S  # does not exist
    wrong = np.column_stack([~wrong_last, np.ones(n, bool), wrong_last, np.zeros(n, bool)])
    length, azimuth = rng.uniform(0.3, 1.0, n), rng.uniform(0, 2 * np.pi, n)
    up = np.where(rng.random(n) < 0.5, 0.0, rng.uniform(-1, 1, n))
    offset = np.stack([length * np.sin(azimuth), length * np.cos(azimuth), up], axis=-1)[:, None, :] * wrong[..., None]
    core, sigma = _core(ground, dice, start)
    # Both shots of the wrong fix carry the error of its middle shot, and a few millimetres of their own.
    near = rng.uniform(-1, 1, core.shape) * np.array([0.0033, 0.0033, 0.007])
    core = np.where(wrong[..., None], core[:, 1:2] + near, core)
    work = _Work(
        start, duration, np.full((n, MOST), HOURS), core, sigma, offset, wrong, np.zeros_like(wrong),
        np.broadcast_to(np.arange(MOST) < 3, (n, MOST)), *_bases(ground, dice, start), *_typos(ground, dice),
    )  # fmt: skip
    return _finished(ground, work, dice, seed, "W")


def pairs(
    seed: int, counts: dict[str, int], gross: float = 0.10, generator: str = "trees", **changes: object
) -> Simulated:
    """Return `counts` pairs of each named class, on different days, a share `gross` of each class with a gross outlier.

    A gross outlier is a false fix at least 0.15 m off horizontally and at least as far vertically; there is no
    other blunder, and exactly round(gross * count) of them.
    """
    choices = replace(
        GENERATORS[generator], second=1.0, third=0.0, gap_shares=(0.0, 0.0, 0.0, 1.0), stopping_crews=0,
        typo_rate=0.0, false_tall=1.0, **changes,
    )  # fmt: skip
    low, high = choices.false_limits_m
    choices = replace(choices, false_limits_m=(max(low, 0.15), high), third=0.0)
    dice = _Dice(seed, generator)
    names = [cover.name for cover in choices.covers]
    cover = np.concatenate([np.full(count, names.index(name)) for name, count in counts.items()])
    outlier = np.concatenate([np.arange(count) < round(gross * count) for count in counts.values()])
    ground = replace(_ground(choices, dice, len(cover)), cover=cover)
    work = _fieldwork(ground, dice)
    is_false = np.zeros((len(cover), MOST), bool)
    is_false[outlier, dice("which shot").integers(0, 2, outlier.sum())] = True
    offset = _offsets(choices, dice, len(cover)) * is_false[..., None]
    work = replace(work, is_false=is_false, is_repeat=np.zeros_like(is_false), offset=offset)
    return _finished(ground, work, dice, seed, "C")


def joined(first: Simulated, second: Simulated) -> Simulated:
    """Return the points of both as one site, occupations numbered anew."""
    frames = [one.occupations for one in (first, second)]
    frame = pd.concat(
        [f.astype(dict.fromkeys(f.columns[f.dtypes == "category"], "str")) for f in frames], ignore_index=True
    )
    for column in frames[0].columns[frames[0].dtypes == "category"]:
        frame[column] = frame[column].astype("category")
    frame["occupation_id"] = np.arange(1, len(frame) + 1)
    frame["source_line"] = frame["occupation_id"] + 1
    told = pd.concat([first.occupation_truth, second.occupation_truth])
    told.index = pd.Index(frame["occupation_id"], name="occupation_id")
    return replace(first, occupations=frame, truth=pd.concat([first.truth, second.truth]), occupation_truth=told)


class _Dice:
    """A stream of chance for each purpose: what one draws does not move the others."""

    def __init__(self, seed: int, generator: str) -> None:
        self._seed = (seed, zlib.crc32(generator.encode()))
        self._streams: dict[str, np.random.Generator] = {}

    def __call__(self, purpose: str) -> np.random.Generator:
        if purpose not in self._streams:
            self._streams[purpose] = np.random.default_rng([*self._seed, zlib.crc32(purpose.encode())])
        return self._streams[purpose]


@dataclass(frozen=True)
class _Ground:
    """The points: arrays of shape (n,), `place` (n, 3) metres from the corner."""

    choices: Choices
    place: np.ndarray
    cover: np.ndarray
    crew: np.ndarray
    effect: np.ndarray
    elongation: np.ndarray
    azimuth: np.ndarray

    def of_cover(self, what: str) -> np.ndarray:
        return np.array([getattr(cover, what) for cover in self.choices.covers])[self.cover]

    @property
    def stops(self) -> np.ndarray:
        return self.crew < self.choices.stopping_crews


@dataclass(frozen=True)
class _Work:
    """What would happen at each occupation, shape (n, MOST), vectors (n, MOST, 3), and which of them exist."""

    start: np.ndarray
    duration: np.ndarray
    kind: np.ndarray
    core: np.ndarray
    sigma: np.ndarray
    offset: np.ndarray
    is_false: np.ndarray
    is_repeat: np.ndarray
    exists: np.ndarray
    setup: np.ndarray
    base: np.ndarray
    is_shifted: np.ndarray
    antenna: np.ndarray
    swap: np.ndarray


def _ground(choices: Choices, dice: _Dice, n: int) -> _Ground:
    rng = dice("ground")
    shares = np.array([cover.share for cover in choices.covers])
    own = dice("effect").random(n) < choices.effect_share
    return _Ground(
        choices=choices,
        place=np.column_stack([rng.uniform(0, 1500, n), rng.uniform(0, 1200, n), rng.uniform(80, 180, n)]),
        cover=rng.choice(len(shares), n, p=shares / shares.sum()),
        crew=rng.integers(0, len(CREWS), n),
        effect=np.where(own, dice("effect").uniform(*choices.effect, n), 1.0),
        elongation=dice("shape").uniform(1, choices.elongation, n),
        azimuth=dice("shape").uniform(0, np.pi, n),
    )


def _fieldwork(ground: _Ground, dice: _Dice) -> _Work:
    """Go through the occupations in order: when, how wrong, and whether the crew makes one more."""
    choices, n = ground.choices, len(ground.cover)
    duration = _durations(dice, n)
    start, kind = _schedule(ground, dice, duration)
    core, sigma = _core(ground, dice, start)
    is_false, is_repeat, offset = _false(ground, dice, start)
    bases, typos = _bases(ground, dice, start), _typos(ground, dice)
    seen = core + offset + bases[1]
    seen[..., 2] -= typos[0]
    exists = np.zeros((n, MOST), bool)
    exists[:, 0] = True
    chance = dice("one more").random((n, MOST))
    usual = (1.0, choices.second, choices.third / choices.second, choices.fourth)
    for k in range(1, MOST):
        wanted = np.full(n, usual[k])
        if k > 1:
            again = np.where(_closes(seen[:, :k], choices.closes_m), choices.again_closed, choices.again_open)
            wanted = np.where(ground.stops, again, wanted)
        exists[:, k] = exists[:, k - 1] & (chance[:, k] < wanted)
    return _Work(start, duration, kind, core, sigma, offset, is_false, is_repeat, exists, *bases, *typos)


def _durations(dice: _Dice, n: int) -> np.ndarray:
    return dice("duration").integers(60, 181, (n, MOST))


def _schedule(ground: _Ground, dice: _Dice, duration: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the start of each occupation, seconds after day one, and the kind of the gap before it."""
    choices, rng = ground.choices, dice("schedule")
    n = len(ground.cover)
    opens, closes = (hour * 3600 for hour in choices.hours)
    kind = rng.choice(len(GAPS), (n, MOST), p=choices.gap_shares)
    soon = ground.stops[:, None] & (rng.random((n, MOST)) < choices.again_soon)
    kind[:, 2:] = np.where(soon, MINUTES, kind)[:, 2:]
    gap = np.stack([rng.integers(low, high + 1, (n, MOST)) for low, high in choices.gap_s], axis=-1)
    gap = np.take_along_axis(gap, np.minimum(kind, HOURS)[..., None], axis=-1)[..., 0]
    room = closes - opens - np.where(kind[:, 1] == DAY, 0, gap[:, 1] + duration[:, 0])
    days = rng.integers(1, choices.later_days + 1, (n, MOST))
    start = np.empty((n, MOST), np.int64)
    start[:, 0] = rng.integers(0, choices.first_days, n) * DAY_S + opens + (rng.random(n) * room).astype(np.int64)
    for k in range(1, MOST):
        later = start[:, k - 1] + duration[:, k - 1] + gap[:, k]
        if k > 1:  # hours that run into the night become another day
            kind[:, k] = np.where((kind[:, k] == HOURS) & (later % DAY_S > closes), DAY, kind[:, k])
        other_day = (start[:, k - 1] // DAY_S + days[:, k]) * DAY_S + rng.integers(opens, closes, n)
        start[:, k] = np.where(kind[:, k] == DAY, other_day, later)
    return start, kind


def _core(ground: _Ground, dice: _Dice, start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the errors of right fixes, (n, MOST, 3) metres, and their true sigma, (n, MOST, 2): per axis, height."""
    choices, rng = ground.choices, dice("core")
    n = len(ground.cover)
    z = rng.normal(size=(n, MOST, 3))
    own = rng.normal(size=(n, MOST, 3))
    efold = np.array([choices.efold_h_s, choices.efold_h_s, choices.efold_v_s])
    for k in range(1, MOST):  # exact steps of a first-order process at the times of the occupations
        rho = np.exp(-(start[:, k] - start[:, k - 1])[:, None] / efold)
        z[:, k] = rho * z[:, k - 1] + np.sqrt(1 - rho**2) * z[:, k]
    z = np.sqrt(choices.shared) * z + np.sqrt(1 - choices.shared) * own
    if np.isfinite(choices.nu):  # unit variance whatever nu
        z *= np.sqrt((choices.nu - 2) / dice("student").chisquare(choices.nu, (n, MOST)))[..., None]
    scatter = np.exp(choices.sigma_scatter * dice("sigma").normal(size=(n, MOST)) - choices.sigma_scatter**2)
    scale = scatter * ground.effect[:, None]
    sigma = np.stack([ground.of_cover(s)[:, None] * scale for s in ("sigma_h_m", "sigma_v_m")], axis=-1)
    root = _shape(ground)
    plan = np.einsum("nij,nkj->nki", root, z[..., :2]) * sigma[..., :1]
    return np.concatenate([plan, z[..., 2:] * sigma[..., 1:]], axis=-1) + _common(choices, dice, start), sigma


def _common(choices: Choices, dice: _Dice, start: np.ndarray) -> np.ndarray:
    """Return the errors that all occupations of one half hour share, (n, MOST, 3) metres."""
    slot = start // COMMON_S
    drawn = dice("common").normal(size=(int(slot.max(initial=0)) + 1, 3))
    return (drawn * [choices.common_m[0], choices.common_m[0], choices.common_m[1]])[slot]


def _shape(ground: _Ground) -> np.ndarray:
    """Return the root of each point's horizontal covariance, (n, 2, 2), its mean variance per axis 1."""
    major = np.sqrt(2 / (1 + ground.elongation**-2.0))
    minor = major / ground.elongation
    sin, cos = np.sin(ground.azimuth), np.cos(ground.azimuth)
    return np.stack([np.stack([major * sin, minor * cos], -1), np.stack([major * cos, -minor * sin], -1)], axis=1)


def _offsets(choices: Choices, dice: _Dice, n: int) -> np.ndarray:
    """Return the displacement of a fresh false fix at every occupation, (n, MOST, 3) metres."""
    rng, shape = dice("false fix"), (n, MOST)
    low, high = choices.false_limits_m
    if choices.false_kind == "lognormal":
        length = choices.false_m * np.exp(choices.false_log_sigma * rng.normal(size=shape))
    else:
        uniform = rng.random(shape) < choices.false_uniform
        length = np.where(
            uniform, rng.uniform(low, high, shape), low + np.abs(rng.normal(size=shape)) * choices.false_m
        )
    length = np.clip(length, low, high)
    tall = rng.random(shape) < choices.false_tall
    up = length * np.where(tall, rng.uniform(1, 3, shape), rng.uniform(0, 1, shape)) * rng.choice([-1, 1], shape)
    azimuth = rng.uniform(0, 2 * np.pi, shape)
    return np.stack([length * np.sin(azimuth), length * np.cos(azimuth), up], axis=-1)


def _false(ground: _Ground, dice: _Dice, start: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return which occupations are false, which repeat the one before, and their displacement."""
    choices, n = ground.choices, len(ground.cover)
    offset = _offsets(choices, dice, n)
    is_false = dice("false").random((n, MOST)) < ground.of_cover("false_rate")[:, None]
    is_repeat = np.zeros((n, MOST), bool)
    again = dice("repeat").random((n, MOST))
    for k in range(1, MOST):
        chance = choices.repeat * np.exp(-(start[:, k] - start[:, k - 1]) / choices.repeat_efold_s)
        is_repeat[:, k] = is_false[:, k - 1] & (again[:, k] < chance)
        is_false[:, k] |= is_repeat[:, k]
        offset[:, k] = np.where(is_repeat[:, k, None], offset[:, k - 1], offset[:, k])
    return is_false, is_repeat, offset * is_false[..., None]


def _bases(ground: _Ground, dice: _Dice, start: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the base set-up of each occupation, its error, (n, MOST, 3) metres, and whether it was shifted."""
    choices, rng = ground.choices, dice("base")
    setup = 2 * (start // DAY_S) + (start % DAY_S >= 13 * 3600)
    count = 2 * (choices.first_days + MOST * choices.later_days + 2)
    error = rng.normal(size=(count, 3)) * np.array([choices.base_h_m, choices.base_h_m, choices.base_v_m])
    shift = rng.uniform(*choices.shift_m, count)[:, None] * _directions(rng, count)
    shifted = rng.random(count) < choices.shift_rate
    return setup, (error + shift * shifted[:, None])[setup] + _drift(choices, dice, start), shifted[setup]


def _drift(choices: Choices, dice: _Dice, start: np.ndarray) -> np.ndarray:
    """Return what all points share at a time, (n, MOST, 3) metres: a first-order process, a value each minute."""
    rng = dice("drift")
    up = rng.uniform(*choices.drift_v_m)
    size = np.array([choices.drift_h_m, choices.drift_h_m, up])
    if not size.any():
        return np.zeros((*start.shape, 3))
    minutes = int(start.max()) // 60 + 1
    rho = np.exp(-60 / choices.drift_efold_s)
    push = rng.normal(size=(minutes, 3)) * np.sqrt(1 - rho**2)
    push[0] /= np.sqrt(1 - rho**2)
    return (lfilter([1.0], [1.0, -rho], push, axis=0) * size)[start // 60]


def _directions(rng: np.random.Generator, n: int) -> np.ndarray:
    vector = rng.normal(size=(n, 3))
    return vector / np.linalg.norm(vector, axis=1, keepdims=True)


def _typos(ground: _Ground, dice: _Dice) -> tuple[np.ndarray, np.ndarray]:
    """Return what is typed too much into the antenna height, metres, and where two digits of the height swap."""
    choices, rng = ground.choices, dice("typing")
    shape = (len(ground.cover), MOST)
    chance, sign = rng.random(shape), rng.choice([-1, 1], shape)
    antenna = np.where(chance < choices.typo_rate / 2, choices.typo_antenna_m * sign, 0.0)
    return antenna, (chance >= choices.typo_rate / 2) & (chance < choices.typo_rate)


def _closes(seen: np.ndarray, within_m: tuple[float, float]) -> np.ndarray:
    """Return whether any two of the occupations so far, (n, k, 3) metres, agree."""
    closed = np.zeros(len(seen), bool)
    for a in range(seen.shape[1]):
        for b in range(a):
            d = seen[:, a] - seen[:, b]
            closed |= (np.hypot(d[:, 0], d[:, 1]) <= within_m[0]) & (np.abs(d[:, 2]) <= within_m[1])
    return closed


def _swapped(height_mm: np.ndarray) -> np.ndarray:
    """Return heights, whole millimetres, with their decimetre and centimetre digits swapped."""
    tenth, hundredth = height_mm // 100 % 10, height_mm // 10 % 10
    return height_mm + (hundredth - tenth) * 90


def _reported(ground: _Ground, work: _Work, dice: _Dice) -> tuple[np.ndarray, ...]:
    """Return what the receiver states: sigma east, north, up, and the covariance of east and north, (n, MOST)."""
    choices = ground.choices
    # The point's own spread is seen in part; the optimism is that of the class.
    worth = ground.effect[:, None] ** (choices.effect_seen - 1) / ground.of_cover("optimism")[:, None]
    noise = np.exp(choices.report_scatter * dice("report").normal(size=work.start.shape))
    told = work.sigma * (worth * noise * np.where(work.is_false, choices.false_report, 1.0))[..., None]
    root = _shape(ground)
    cov = (root @ root.transpose(0, 2, 1))[:, None] * told[..., :1, None] ** 2
    sigma_e, sigma_n = np.sqrt(cov[..., 0, 0]), np.sqrt(cov[..., 1, 1])
    return sigma_e, sigma_n, told[..., 1], cov[..., 0, 1]


def _finished(ground: _Ground, work: _Work, dice: _Dice, seed: int, letter: str) -> Simulated:
    """Return the occupations that exist as a frame, with the truth beside it."""
    choices, n = ground.choices, len(ground.cover)
    here = work.exists
    point, k = np.nonzero(here)
    true = ground.place + np.array([*CORNER, 0.0])
    # A receiver's file has whole millimetres.
    read = np.rint((true[:, None] + work.core + work.offset + work.base) * 1000).astype(np.int64)
    swapped = np.where(work.swap, _swapped(read[..., 2]), read[..., 2])
    is_typo = (swapped != read[..., 2]) | (work.antenna != 0)
    read[..., 2] = swapped - np.rint(work.antenna * 1000).astype(np.int64)
    read = (read / 1000)[here]
    sigma_e, sigma_n, sigma_u, cov_en = (values[here] for values in _reported(ground, work, dice))
    names = np.array([f"{letter}{i:05d}" for i in range(n)], dtype=object)
    lost = {what: dice(what).random(here.shape)[here] for what in ("precision", "time", "base label")}
    start = work.start[here]
    untold, untimed = lost["precision"] < choices.missing_precision, lost["time"] < choices.missing_time
    count = len(point)
    times = {
        name: pd.Series(DAY_ONE + pd.to_timedelta(seconds, unit="s")).dt.as_unit("us").mask(untimed)
        for name, seconds in (("start_utc", start), ("end_utc", start + work.duration[here]))
    }
    duration = work.duration[here].astype(float)
    columns = {
        "occupation_id": np.arange(1, count + 1),
        "point": _labels(point, names),
        **times,
        "duration_s": np.where(untimed, np.nan, duration),
        "epochs": duration,
        "effective_epochs": np.nan,
        "easting_m": read[:, 0], "northing_m": read[:, 1], "height_m": read[:, 2],
        "lon_deg": np.nan, "lat_deg": np.nan,
        "resolution_h_m": 0.001, "resolution_v_m": 0.001,
        "sigma_e_m": np.where(untold, np.nan, np.round(sigma_e, 4)),
        "sigma_n_m": np.where(untold, np.nan, np.round(sigma_n, 4)),
        "sigma_u_m": np.where(untold, np.nan, np.round(sigma_u, 4)),
        "cov_en_m2": np.where(untold | (choices.elongation <= 1), np.nan, cov_en),
        "cov_eu_m2": np.nan, "cov_nu_m2": np.nan,
        "base_distance_m": np.round(np.hypot(*(ground.place[point, :2] - BASE_PLACE).T), 1),
        "antenna_height_m": np.round(np.array(ANTENNA_M)[ground.crew[point]] + work.antenna[here], 3),
        "satellites": dice("sky").integers(9, 24, here.shape)[here].astype(float),
        "pdop": np.round(dice("sky").uniform(1.1, 3.0, here.shape)[here], 1),
        "correction_age_s": 1.0,
        "solution": _labels(np.zeros(count, int), ["fixed"]),
        "method": _labels(np.zeros(count, int), ["direct"]),
        "origin": _labels(np.zeros(count, int), ["measured"]),
        "role": _labels(np.zeros(count, int), ["mark"]),
        "initialization": _labels(np.arange(count), [f"{letter} fix {i:06d}" for i in range(count)]),
        "base": _labels(np.where(lost["base label"] < choices.missing_base, -1, work.setup[here]), _setups(work.setup)),
        "operator": _labels(ground.crew[point], CREWS),
        "canopy": _labels(_called(ground, dice)[point], [cover.name for cover in choices.covers]),
        "source_file": _labels(np.zeros(count, int), ["simulated.csv"]),
        "source_line": np.arange(2, count + 2),
    }  # fmt: skip
    error = read - true[point]
    covers = np.array([cover.name for cover in choices.covers], dtype=object)
    gap_s = np.diff(work.start, axis=1, prepend=0) - np.roll(work.duration, 1, axis=1)
    told = pd.DataFrame(
        {
            "point": names[point], "canopy": covers[ground.cover[point]],
            "e_m": error[:, 0], "n_m": error[:, 1], "u_m": error[:, 2],
            "sigma_h_m": work.sigma[here][:, 0], "sigma_v_m": work.sigma[here][:, 1],
            "is_false": work.is_false[here], "is_repeat": work.is_repeat[here],
            "is_shifted_base": work.is_shifted[here], "is_typo": is_typo[here],
            "gap": np.where(k == 0, "first", np.array(GAPS)[work.kind[here]]),
            "gap_s": np.where(k == 0, np.nan, gap_s[here]),
        },
        index=pd.Index(columns["occupation_id"], name="occupation_id"),
    )  # fmt: skip
    wrong = (work.is_false | work.is_shifted | is_typo) & here
    truth = pd.DataFrame(
        {
            "easting_m": true[:, 0], "northing_m": true[:, 1], "height_m": true[:, 2],
            "canopy": covers[ground.cover], "crew": np.array(CREWS, dtype=object)[ground.crew], "stops": ground.stops,
            "effect": ground.effect, "occupations": here.sum(axis=1), "false": (work.is_false & here).sum(axis=1),
            "repeats": (work.is_repeat & here).sum(axis=1), "sound": ~wrong.any(axis=1),
        },
        index=pd.Index(names, name="point"),
    )  # fmt: skip
    return Simulated(pd.DataFrame(columns), truth, told, choices, seed)


def _called(ground: _Ground, dice: _Dice) -> np.ndarray:
    """Return the class each point is called, which may be another one than it is."""
    rng, classes = dice("label"), len(ground.choices.covers)
    other = (ground.cover + rng.integers(1, max(classes, 2), len(ground.cover))) % classes
    return np.where(rng.random(len(ground.cover)) < ground.choices.mislabelled, other, ground.cover)


def _setups(setup: np.ndarray) -> list[str]:
    return [f"base day {i // 2 + 1:02d} {('am', 'pm')[i % 2]}" for i in range(int(setup.max()) + 1)]


def _labels(codes: np.ndarray, words: list[str] | tuple[str, ...] | np.ndarray) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, categories=pd.Index(words, dtype="str"))
