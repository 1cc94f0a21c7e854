"""Is one part of the work off against the part before it? Second visits against first, a set-up cut in two. Kernels.

Errors that all points share for half an hour, and what set-ups differ by anyway, do not average out over points: the
variance of a difference of two parts has them as a floor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from geoqa.analysis.occupations import expected_precision
from geoqa.analysis.shifts import adjustment
from geoqa.analysis.shifts._setups import JOINS, STANDS
from geoqa.core.arrays import Array, Flags, Index, np, special
from geoqa.core.statistics import groups

#: Points that must show a difference.
FEWEST = 5
#: A rest as long as this parts a set-up's work, seconds.
REST_S = 1800.0
#: Bins of time within which a shared error is one, and how many there are at most: wider ones are a larger floor.
BIN_S, MOST_BINS = 600.0, 1500
#: Deviations beyond this many standard deviations count no more when a moment is looked for.
CLIP = 3.0
#: Square of a difference over its noise, by axis, that is worth a closer look.
LOOK = 5.0
#: The square that a search over moments must reach at least: what it is worth in single tests grows with it.
SURE = 40.0
#: How much more a steady drift must tell than a jump before it is one: where all gaps are alike they are the same.
CLEARLY = 1.1


class Floor(NamedTuple):
    """What stays in a mean however many points: metres, seconds.

    `drift_m` is the standard deviation per axis of what all points share at a time, fading with `fades_s`; `own_m` that
    of what each set-up adds, shape (set-ups,).
    """

    drift_m: float
    fades_s: float
    own_m: Array


@dataclass(frozen=True)
class Halves:
    """Stops of a later and an earlier part, and of how many.

    `since_s` is the first of the later ones and `until_s` the last of the earlier ones, NaN where they mingle; `crew`
    is the one whose later stops of a set-up these are, -1 for all.
    """

    scope: str
    number: int
    later: Index
    earlier: Index
    since_s: float = np.nan
    until_s: float = np.nan
    tried: float = 1.0
    crew: int = -1


@dataclass(frozen=True)
class Half:
    """What a later part differs by from the earlier one: `d` (axes,), metres, later minus earlier.

    Attributes
    ----------
    noise, variance
        Per axis, from the closures alone and with the floor, metres squared.
    p
        Probability of a larger one when there is none, this test alone.
    tried
        How many such tests there were.
    points
        Points that show it.
    off
        1 where the later part is off, -1 the earlier, 0 where nothing says which.
    says
        What says so: control or the rest of the site; empty for nothing.
    """

    part: Halves
    d: Array
    noise: float
    variance: float
    p: float
    points: int
    off: int
    says: str = ""

    @property
    def gain(self) -> float:
        """How much it tells."""
        return float((self.d**2).sum()) / self.noise


def shared(weight: Array, time_s: Array, setup: Index, floor: Floor) -> float:
    """Return the variance that a weighted sum of stops has from errors they share, metres squared.

    Parameters
    ----------
    weight, time_s, setup
        What each stop counts in the sum, when it was, its set-up (-1 for none); shape (n,).
    """
    known = np.nan_to_num(time_s, nan=np.nanmin(time_s) if np.isfinite(time_s).any() else 0.0)
    width = BIN_S
    bins = np.floor(known / width).astype(np.int64)
    while len(distinct := np.unique(bins)) > MOST_BINS:
        width *= 2
        bins = np.floor(known / width).astype(np.int64)
    total = np.bincount(np.searchsorted(distinct, bins), weight)
    fading = np.exp(-np.abs(distinct[:, None] - distinct) * width / floor.fades_s)
    named = setup >= 0
    of_setup = np.bincount(setup[named], weight[named], minlength=len(floor.own_m))
    return float(floor.drift_m**2 * total @ fading @ total + (of_setup**2 * floor.own_m**2).sum())


def measure(
    y: Array, variance: Array, point: Index, setup: Index, start_s: Array, control: Flags, least: Array, part: Halves,
    floor: Floor, fewest: int = FEWEST, level: float = np.inf,
) -> Half | None:  # fmt: skip
    """Return what the later part differs by, robustly; None for too few points, or where it cannot be below `level`.

    Where one of the two stands apart from control, or else the rest of the site, and the other does not, it is off.

    Parameters
    ----------
    y, variance, point, setup, start_s, control, least
        Stops sorted by point: (n, axes) and (n,) each; `control` marks known coordinates, `least` is that of `adjust`.
    fewest
        Points that must show it.
    level
        What the probability that there is none, times how many such tests there were, must be below.
    """
    side = np.full(len(y), 2 if part.scope == "set-up" else -1)
    side[control] = 3
    side[part.earlier], side[part.later] = 0, 1
    concerned = np.zeros(groups.above(point), bool)
    concerned[point[part.earlier]] = concerned[point[part.later]] = True
    at = np.flatnonzero(concerned[point] & (side >= 0))
    made = adjustment.adjust(y[at], variance[at], point[at], side[at], 4, least=least[at])
    points = int(min(made.points[0], made.points[1]))
    if points < fewest or made.part[0] != made.part[1]:
        return None
    whole = at[made.kept]
    free = y.shape[1] * (len(whole) - np.count_nonzero(np.bincount(point[whole])) - 1)
    if free < fewest - 1 or made.factor <= 0:
        return None

    def between(one: int, other: int) -> tuple[Array, float, float, float]:
        """Return the difference of two parts, its variance without and with the floor, and its probability."""
        contrast = np.zeros(4)
        contrast[one], contrast[other] = 1.0, -1.0
        d, noise = contrast @ made.x, max(float(contrast @ made.cov @ contrast), 1e-12)
        each = adjustment.counts(made, contrast, variance[whole], point[whole], side[whole])
        each[side[whole] == 3] = 0.0  # control shares nothing
        full = noise + shared(each, start_s[whole], setup[whole], floor)
        # The floor is taken as known; what the closures tell of their own scatter has its degrees of freedom.
        freedom = free * (full / noise) ** 2
        p = float(expected_precision.probability(np.array([(d**2).sum() / full]), len(d), freedom)[0])
        return d, noise, full, p

    first = made.x[1] - made.x[0]
    noise = max(float(made.cov[0, 0] + made.cov[1, 1] - 2 * made.cov[0, 1]), 1e-12)
    # As if noise were all and known: whatever stays in a mean, and few closures, only make it more probable by chance.
    if special.chdtrc(len(first), (first**2).sum() / noise) * part.tried >= level:
        return None
    d, noise, full, p = between(1, 0)
    off, says = 0, ""
    for witness, few, word in ((2, FEWEST, "the rest of the site"), (3, 1, "control")):
        if made.points[witness] >= few and made.part[witness] == made.part[0]:
            later, earlier = (between(one, witness)[3] for one in (1, 0))
            now = int(later < STANDS and earlier > JOINS) - int(earlier < STANDS and later > JOINS)
            off, says = (now, word) if now else (off, says)
    return Half(part, d, noise, full, p, points, off, says)


def split(part: Halves, label: Index, point: Index, name: str) -> list[Halves]:
    """Return a part by the label of its later stops, each against the earlier ones of the same points.

    Parameters
    ----------
    label, point
        Stops, shape (n,); -1 for no label.
    name
        The label's own: ``crew`` or ``base``.
    """
    numbers = np.unique(label[part.later])
    made = []
    for number in numbers[numbers >= 0]:
        later = part.later[label[part.later] == number]
        earlier = part.earlier[np.isin(point[part.earlier], point[later])]
        one = replace(part, later=later, earlier=earlier, tried=part.tried * len(numbers))
        of_setup = part.scope == "set-up"
        made.append(replace(one, crew=int(number)) if of_setup else replace(one, scope=name, number=int(number)))
    return made if len(made) > 1 else []


def guilty(whole: Half, parts: list[Half], level: float) -> list[Half]:
    """Return those that make the difference of the whole, if some of its parts have no share in it; else the whole.

    Free of it is what is compatible with zero and not with the surest part.
    """
    sure = [one for one in parts if one.p * one.part.tried < level]
    if not sure:
        return [whole]
    most = max(sure, key=lambda one: one.gain)
    free = [
        one for one in parts
        if one.p > JOINS and ((one.d - most.d) ** 2).sum() > -2 * np.log(STANDS) * (one.noise + most.noise)
    ]  # fmt: skip
    return sure if free else [whole]


def visits_apart(point: Index, start_s: Array, label: Index, scope: str) -> list[Halves]:
    """Return, for each value of a label, the later visits of its points against their first ones.

    Parameters
    ----------
    point, start_s, label
        Stops sorted by point and start, shape (n,); -1 for no label.
    """
    parts = []
    timed = ~np.isnan(start_s) & (label >= 0)
    for number in np.unique(label[timed]):
        at = np.flatnonzero(timed & (label == number))
        first = np.r_[True, point[at][1:] != point[at][:-1]]
        if (~first).sum() >= FEWEST:
            later, earlier = at[~first], at[first]
            since, until = float(start_s[later].min()), float(start_s[earlier].max())
            since, until = (since, until) if since > until else (np.nan, np.nan)
            parts.append(Halves(scope, int(number), later, earlier, since, until))
    return parts


def moments(
    y: Array, variance: Array, point: Index, start_s: Array, setup: Index, labels: tuple[Index, ...], known: Flags
) -> list[Halves]:
    """Return, for each set-up, the cut and the moment that part it best, as far as worth a closer look.

    A moment may be any; a cut is a rest, or where a crew, an antenna height or a file comes or goes. Found from
    deviations from each point's mean, clipped so that a false fix counts little; one pass over the stops of a set-up.

    Parameters
    ----------
    known
        Set-ups that are no set-ups but known coordinates.
    """
    there = np.flatnonzero(~np.isnan(y).any(axis=1) & (variance > 0))
    there = there[np.bincount(point[there], minlength=1)[point[there]] > 1] if len(there) else there
    if not len(there):
        return []
    _, of = np.unique(point[there], return_inverse=True)
    weight = 1 / variance[there]
    total = np.bincount(of, weight).astype(float)
    limit = CLIP * np.sqrt(variance[there])[:, None]
    left = np.clip(adjustment.about_points(y[there], weight, of, len(total)), -limit, limit)
    left = adjustment.about_points(left, weight, of, len(total))
    found: list[Halves] = []
    for number in np.unique(setup[there]):
        if number < 0 or known[number]:
            continue
        mine = np.flatnonzero((setup[there] == number) & ~np.isnan(start_s[there]))
        mine = mine[np.argsort(start_s[there[mine]], kind="stable")]
        if len(mine) >= 2 * FEWEST:
            found += _of_setup(int(number), there, mine, left, weight, of, total, start_s, labels)
    count = max(len({one.number for one in found}), 1)
    setups = max(int((~known).sum()), count)
    return [replace(one, tried=one.tried * setups) for one in found]


def _of_setup(
    number: int, there: Index, mine: Index, left: Array, weight: Array, of: Index, total: Array, start_s: Array,
    labels: tuple[Index, ...],
) -> list[Halves]:  # fmt: skip
    """Return the best cut and the best moment of one set-up; `mine` in order of time."""
    gain = _gains(left[mine], weight[mine], of[mine], total)
    n, time = len(mine), start_s[there[mine]]
    if _steady(left[mine], weight[mine], of[mine], total, time) > CLEARLY * gain.max():
        return []  # it drifts rather than jumps: what changes within a set-up has a search of its own
    may = np.zeros(n, bool)
    may[FEWEST - 1 : n - FEWEST] = True
    may[:-1] &= time[1:] > time[:-1]
    is_cut = np.zeros(n, bool)
    is_cut[:-1] = np.diff(time) >= REST_S
    for label in labels:
        values = label[there[mine]]
        for value in np.unique(values):  # where a crew, an antenna height or a file comes, and where it goes
            inside = np.flatnonzero(values == value)
            is_cut[[max(inside[0] - 1, 0), inside[-1]]] = True
    found: list[Halves] = []
    tries = int((may & is_cut).sum())
    for among, tried in ((may & is_cut, float(tries)), (may, 0.0)):
        if not among.any():
            continue
        k = int(np.argmax(np.where(among, gain, -1.0)))
        if gain[k] < LOOK or any(one.since_s == time[k + 1] for one in found):
            continue
        tried = tried or _tries(max(float(gain[k]), SURE), int(may.sum()))
        found.append(
            Halves("set-up", number, np.sort(there[mine[k + 1 :]]), np.sort(there[mine[: k + 1]]), float(time[k + 1]),
                 float(time[k]), tried)
        )  # fmt: skip
    return found


def _tries(square: float, moments_: int) -> float:
    """Return how many tests a search over moments is worth: the tail of a maximum over that of one statistic.

    P(max) = phi(b) ((b - 1/b) log(odds) + 4/b) over moments from one share of the observations to another (Miller and
    Siegmund 1982, Biometrics 38:1011-1016); at most one for each moment.
    """
    b = max(float(np.sqrt(square)), 1.5)
    edge = min(max(FEWEST / (moments_ + 2 * FEWEST), 1e-6), 0.45)
    odds = 2 * np.log((1 - edge) / edge)
    density = np.exp(-(b**2) / 2) / np.sqrt(2 * np.pi)
    whole = density * ((b - 1 / b) * odds + 4 / b)
    return float(np.clip(whole / special.erfc(b / np.sqrt(2)), 1.0, max(moments_, 1)))


def _gains(left: Array, weight: Array, of: Index, total: Array) -> Array:
    """Return the square of the difference of the stops after each one from those before it, over its variance; (n,).

    The set-up's own level is estimated beside it where the points' other stops tell it.
    """
    point = np.unique(of, return_inverse=True)[1]
    inverse = 1 / total[of]
    mine = np.bincount(point, weight)[point]  # of each stop: its point's weight inside the set-up
    before = _running(weight, point)
    after = mine - before  # weight of later stops of its point

    # Sums over the stops after each moment; a stop joins them from behind, where `after` of its point was there.
    def behind(values: Array) -> Array:
        return np.cumsum(values[::-1], axis=0)[::-1] - values

    xx = behind(weight - (2 * after * weight + weight**2) * inverse)
    xz = behind(weight * (1 - mine * inverse))
    zz = float((weight * (1 - mine * inverse)).sum())
    xy, zy = behind(weight[:, None] * left), (weight[:, None] * left).sum(axis=0)
    if zz > 1e-9 * weight.sum():
        xy = xy - xz[:, None] * zy / zz
        xx = xx - xz**2 / zz
    with np.errstate(invalid="ignore", divide="ignore"):
        gain = (xy**2).sum(axis=1) / xx
    return np.where(xx > 1e-9 * weight.sum(), gain, -1.0)


def _steady(left: Array, weight: Array, of: Index, total: Array, time: Array) -> float:
    """Return the square of a steady change with time over its variance, as `_gains` has it for a jump."""
    point = np.unique(of, return_inverse=True)[1]
    n = int(point.max()) + 1
    whole = np.empty(n)
    whole[point] = total[of]
    x = time - time.mean()
    wx, w = np.bincount(point, weight * x, minlength=n), np.bincount(point, weight, minlength=n)
    xx = float((weight * x**2).sum() - (wx**2 / whole).sum())
    xz, zz = float(wx.sum() - (wx * w / whole).sum()), float(w.sum() - (w**2 / whole).sum())
    xy, zy = (weight[:, None] * x[:, None] * left).sum(axis=0), (weight[:, None] * left).sum(axis=0)
    if zz > 1e-9 * weight.sum():
        xy, xx = xy - xz * zy / zz, xx - xz**2 / zz
    return float((xy**2).sum() / xx) if xx > 0 else 0.0


def _running(weight: Array, point: Index) -> Array:
    """Return the sum of the weights of each stop's point up to it, itself counted; stops in order of time."""
    order = np.argsort(point, kind="stable")
    total = np.cumsum(weight[order])
    first = np.r_[True, np.diff(point[order]) != 0]
    start = np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))
    result = np.empty(len(order))
    result[order] = total - (total - weight[order])[start]
    return result
