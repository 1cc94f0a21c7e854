"""Sessions of one visit and set-up, the site adjustment over them, and their common offsets. Arrays in, arrays out.

Stops are the direct rows of one visit of a point under one set-up and crew: errors are shared within a visit, so a
stop counts once however many rows it has. The site adjustment x = point + set-up + error gives what each set-up adds
to its positions. The points are a diagonal block of the normal equations and are eliminated; what is left has one
unknown a set-up (least squares with nuisance parameters eliminated; robust by iterated weights of Student's t with
four degrees of freedom, then plain on what those do not contradict). Only differences of set-ups that share points
are seen: the equations are solved with zero mean over each group of set-ups that hang together. Cells are what a
group of stops shows at one point against the point's other stops.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.statistics import groups

#: The columns of east, north, up that are horizontal, and those that are height.
AXES = (slice(0, 2), slice(2, 3))


@dataclass(frozen=True)
class Sessions:
    """Stops sorted by point and start.

    Attributes
    ----------
    y
        East, north, up from the point's reference, shape (n, 3), metres; NaN for no height.
    place
        East, north, up, shape (n, 3), metres.
    var
        Variance per horizontal axis and of the height, shape (n, 2), metres squared.
    least
        Share of it that the step of the coordinates makes, shape (n, 2).
    point
        Number of the point, shape (n,).
    start_s
        Start, seconds since 1970, NaN where unknown.
    label
        Set-up, file, crew and antenna height of each stop as numbers, -1 for none; by name.
    of_row
        Stop of each row that took part, shape (rows,).
    row, row_place
        Which row of the frame that was, and its east, north, up; shapes (rows,) and (rows, 3).
    """

    y: Array
    place: Array
    var: Array
    least: Array
    point: Index
    start_s: Array
    label: dict[str, Index]
    of_row: Index
    row: Index
    row_place: Array

    @property
    def points(self) -> int:
        """How many point numbers there are."""
        return groups.above(self.point)


def sessions(
    row: Index, point: Index, visit: Index, start_s: Array, place: Array, variance: Array, step_m: Array,
    label: dict[str, Index],
) -> Sessions:  # fmt: skip
    """Return the stops of the rows that take part.

    Parameters
    ----------
    row, point, visit, start_s
        Rows that take part, arrays of shape (rows,).
    place
        East, north, up, shape (rows, 3).
    variance, step_m
        Per horizontal axis and of the height, shape (rows, 2).
    label
        What a stop has in common beside its point and visit, shape (rows,).
    """
    keys = pd.DataFrame(dict(enumerate((point, visit, *label.values()))))
    group = keys.groupby([*keys]).ngroup().to_numpy()
    head = np.unique(group, return_index=True)[1]
    n = len(head)
    start = -groups.largest(-start_s, group, n)
    sort = np.lexsort((start, point[head]))
    group, head, start = sort.argsort()[group], head[sort], start[sort]
    reference = np.full((groups.above(point), 3), np.nan)
    for axis in range(3):  # any known value of a point serves as its reference
        known = np.flatnonzero(~np.isnan(place[:, axis]))[::-1]
        reference[point[known], axis] = place[known, axis]
    y, var, step = (
        groups.means(one, group, n) for one in (place - reference[point], variance, np.nan_to_num(step_m) ** 2 / 12)
    )
    return Sessions(
        y=y, place=y + reference[point[head]], var=var, point=point[head], start_s=start,
        least=np.clip(np.divide(step, var, out=np.zeros_like(step), where=var > 0), 0.0, 1.0),
        label={name: values[head] for name, values in label.items()}, of_row=group, row=row, row_place=place,
    )  # fmt: skip


#: Degrees of freedom of the weights, and the square beyond which a residual contradicts, by number of axes
#: (chi-square at 99.9 %).
FLANKS, CONTRADICTS = 4.0, {1: 10.828, 2: 13.816}
#: Median of chi-square by number of axes.
MEDIAN = {1: 0.45494, 2: 1.38629}
#: A stop with less than this share of its point's weight, a sigma a thousand times that of the others, tells nothing
#: beside them, and they, without it, would have nothing to be compared with.
FAINT = 1e-6
#: Steps of the solution that no longer matter, metres.
SETTLED_M = 1e-4
#: A closure's weight between two set-ups stops growing here, metres.
SMALL_M = 0.002


@dataclass(frozen=True)
class Adjusted:
    """What an adjustment found.

    Attributes
    ----------
    x
        What each set-up adds, shape (setups, d), metres, mean zero over each `part`.
    cov
        Covariance of one axis, shape (setups, setups), metres squared, scatter as seen.
    part
        Number of the group of set-ups that hang together, shape (setups,).
    points
        Points each set-up shares with others, shape (setups,).
    kept
        Which stops the solution rests on, shape (n,).
    factor
        Seen over expected variance of the stops.
    """

    x: Array
    cov: Array
    part: Index
    points: Index
    kept: Flags
    factor: float


def adjust(
    y: Array, variance: Array, point: Index, setup: Index, count: int, rounds: int = 6, least: Array | None = None
) -> Adjusted:
    """Return the adjustment of stops by set-ups.

    Parameters
    ----------
    y
        Positions from each point's reference, shape (n, d), sorted by point, d 1 or 2.
    variance
        Per axis, shape (n,).
    point, setup
        Numbers, shape (n,); a stop of set-up -1 takes no part.
    count
        Number of set-ups.
    least
        Share of each variance that the step of the coordinates makes, shape (n,): closures that happen to agree do not
        take it away.

    Examples
    --------
    Three points from two set-ups, the second a decimetre east of the first:

    >>> east = np.array([[0.0], [0.1], [0.0], [0.102], [0.0], [0.098]])
    >>> found = adjust(east, np.full(6, 1e-4), point=np.repeat([0, 1, 2], 2), setup=np.tile([0, 1], 3), count=2)
    >>> found.x.round(3).tolist()
    [[-0.05], [0.05]]
    """
    d = y.shape[1]
    there = np.flatnonzero(~np.isnan(y).any(axis=1) & (setup >= 0) & (variance > 0))
    if len(there):
        weight = 1 / variance[there]
        there = there[weight > FAINT * np.bincount(point[there], weight)[point[there]]]
        there = there[np.bincount(point[there])[point[there]] > 1]
    kept = np.zeros(len(y), bool)
    if not len(there):
        return Adjusted(
            np.zeros((count, d)), np.zeros((count, count)), np.arange(count), np.zeros(count, int), kept, 1.0
        )
    of = np.cumsum(np.r_[False, np.diff(point[there]) != 0])
    y, weight, setup = y[there], 1 / variance[there], setup[there]
    floor = 1e-6 if least is None else max(float(least[there].mean()), 1e-6)
    system = _System(of, setup, count)
    part = system.parts(weight)
    redundancy = 1 - weight / np.bincount(of, weight)[of]
    x = _start(y, of, setup, count, part)
    now = weight
    factor = 1.0
    for _ in range(rounds):
        square = system.square(y - x[setup], now, weight) / redundancy
        factor = max(float(np.median(square)) / MEDIAN[d], floor)
        now = weight * (FLANKS + d) / (FLANKS + square / factor)
        step = system.solve(y - x[setup], now, part)
        x = x + step
        if np.abs(step).max(initial=0.0) < SETTLED_M:
            break
    square = system.square(y - x[setup], now, weight) / redundancy
    sound = square <= CONTRADICTS[d] * factor
    plain = np.where(sound, weight, 0.0)
    part = system.parts(plain)  # what held set-ups together may be contradicted
    x = x + system.solve(y - x[setup], plain, part)
    cov, freedom = system.covariance(plain, part), d * system.redundancy(sound, part)
    left = (system.square(y - x[setup], plain, weight) * sound).sum()
    factor = max(float(left / freedom), floor if least is not None else 0.0) if freedom > 0 else factor
    kept[there[sound]] = True
    return Adjusted(x, cov * factor, part, system.shared(sound), kept, factor)


def counts(made: Adjusted, contrast: Array, variance: Array, point: Index, setup: Index) -> Array:
    """Return what each stop counts in a contrast of set-ups, shape (n,).

    Parameters
    ----------
    made, variance, point, setup
        The adjustment, and the stops it rests on, shape (n,).
    contrast
        Shape (setups,), zero in all.
    """
    pull, weight = (made.cov / made.factor @ contrast)[setup], 1 / variance
    return weight * about_points(pull[:, None], weight, point, groups.above(point))[:, 0]


def about_points(y: Array, weight: Array, point: Index, n: int) -> Array:
    """Return values, shape (n, d), minus the weighted mean of their point's; of `n` points."""
    total = np.bincount(point, weight, minlength=n)
    mean = groups.sums(y * weight[:, None], point, n) / np.where(total > 0, total, 1.0)[:, None]
    return np.asarray(y - mean[point])


class _System:
    """The reduced normal equations of one set of stops, over cells: what one set-up has at one point."""

    def __init__(self, point: Index, setup: Index, count: int) -> None:
        self._point, self._setup, self._count = point, setup, count
        self.points = int(point.max()) + 1
        keys, self._cell = np.unique(point * count + setup, return_inverse=True)
        self._at, self._of = np.divmod(keys, count)
        starts = groups.starts_of(self._at)
        self._first, self._second, _ = groups.pairs(starts, groups.counts_of(starts, len(keys)))
        self._tie = self._of[self._first] * count + self._of[self._second]

    def _tied(self, values: Array) -> Array:
        """Return the sum of what the pairs of cells of one point say of their two set-ups, shape (setups, setups)."""
        found = np.bincount(self._tie, values, minlength=self._count**2).reshape(self._count, self._count)
        return np.asarray(found + found.T)

    def _normal(self, weight: Array) -> Array:
        cells = groups.sums(weight, self._cell, len(self._at))
        total = groups.sums(weight, self._point, self.points)
        inverse = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)[self._at]
        normal = -self._tied(cells[self._first] * cells[self._second] * inverse[self._first])
        own = np.bincount(self._of, cells * (1 - cells * inverse), minlength=self._count)
        normal[np.diag_indices(self._count)] = own
        return normal

    def parts(self, weight: Array) -> Index:
        """Return which set-ups hang together through shared points."""
        there = np.bincount(self._cell, weight, minlength=len(self._at)) > 0
        tied = self._tied(np.where(there[self._first] & there[self._second], 1.0, 0.0))
        label = np.arange(self._count)
        while True:  # each takes the least number among those it is tied to
            least = np.minimum(np.where(tied > 0, label, self._count).min(axis=1), label)
            if (least == label).all():
                return np.unique(label, return_inverse=True)[1].astype(np.int64)
            label = least

    def solve(self, y: Array, weight: Array, part: Index) -> Array:
        """Return what the set-ups add, shape (setups, d), mean zero over each part."""
        left = about_points(y, weight, self._point, self.points)
        right = groups.sums(left * weight[:, None], self._setup, self._count)
        return _solve(self._normal(weight), right, part)

    def covariance(self, weight: Array, part: Index) -> Array:
        """Return the covariance of the set-ups, zero mean over each part."""
        return _solve(self._normal(weight), np.eye(self._count), part)

    def redundancy(self, sound: Flags, part: Index) -> int:
        """Return how many stops are left over once points and set-ups are determined, all but one of each part."""
        points = int(np.count_nonzero(np.bincount(self._point[sound])))
        setups = np.unique(self._setup[sound])
        return max(int(sound.sum()) - points - (len(setups) - len(np.unique(part[setups]))), 0)

    def shared(self, sound: Flags) -> Index:
        """Return how many points each set-up shares with others."""
        there = np.bincount(self._cell, sound, minlength=len(self._at)) > 0
        several = np.bincount(self._at, there, minlength=self.points) > 1
        return np.bincount(self._of[there & several[self._at]], minlength=self._count).astype(np.int64)

    def square(self, y: Array, now: Array, weight: Array) -> Array:
        """Return the weighted square of residuals about the points, shape (n,)."""
        left = about_points(y, now, self._point, self.points)
        return np.asarray(np.einsum("nd,nd,n->n", left, left, weight))


def _solve(normal: Array, right: Array, part: Index) -> Array:
    """Return the solution with zero mean over each part (the inner constraints of a free network)."""
    same = part[:, None] == part[None, :]
    size = np.bincount(part)[part]
    scale = max(float(np.trace(normal)) / len(normal), 1e-12)
    # A set-up whose stops are all contradicted hangs on nothing: it keeps what it has.
    loose = np.diag(normal) <= 1e-9 * scale
    lifted = normal + scale * same / size[:, None] + np.diag(np.where(loose, scale, 0.0))
    # Stops left out may take a part asunder: the least solution leaves what hangs on nothing where it is.
    found = np.linalg.lstsq(lifted, right, rcond=1e-12)[0]
    mean = groups.sums(found, part, int(part.max()) + 1) / np.bincount(part)[:, None]
    return np.asarray(found - mean[part])


def _start(y: Array, point: Index, setup: Index, count: int, part: Index) -> Array:
    """Return set-ups that fit the median closure between each two of them: gross closures do not move a median."""
    a = np.flatnonzero((point[1:] == point[:-1]) & (setup[1:] != setup[:-1]))
    b = a + 1
    if not len(a):
        return np.zeros((count, y.shape[1]))
    turn = setup[a] > setup[b]
    low, high = np.where(turn, setup[b], setup[a]), np.where(turn, setup[a], setup[b])
    keys, of = np.unique(low * count + high, return_inverse=True)
    low, high = np.divmod(keys, count)
    middle = groups.medians(np.where(turn, -1.0, 1.0)[:, None] * (y[b] - y[a]), of, len(keys))
    return _least_absolute(middle, low, high, np.bincount(of).astype(float), count, part)


def _least_absolute(d: Array, low: Index, high: Index, size: Array, count: int, part: Index) -> Array:
    """Return x that makes the sum of size * |d - (x_high - x_low)| small, by iterated weights."""
    x = np.zeros((count, d.shape[1]))
    weight = size
    for _ in range(6):
        beside = np.bincount(low * count + high, weight, minlength=count**2).reshape(count, count)
        beside = beside + beside.T
        normal = np.asarray(np.diag(beside.sum(axis=1)) - beside, float)
        pull = weight[:, None] * d
        right = groups.sums(pull, high, count) - groups.sums(pull, low, count)
        new = _solve(normal, right, part)
        done = np.abs(new - x).max() < SMALL_M / 4
        x = new
        if done:
            break
        weight = size / np.maximum(np.sqrt(((d - x[high] + x[low]) ** 2).sum(axis=1)), SMALL_M)
    return x


FEWEST = 3  # cells of an effect
#: Degrees of freedom that the expected scatter of cells counts for beside their own.
WORTH = 4.0


@dataclass(frozen=True)
class CommonOffsets:
    """One entry for each point and group that the point's other stops can be compared with.

    Attributes
    ----------
    d
        Mean of the group's stops minus mean of the others, shape (k, axes), metres.
    variance
        Per axis, shape (k,).
    group, point
        Numbers, shape (k,).
    place, start_s
        Where and when the group was there, shapes (k, 3) and (k,).
    """

    d: Array
    variance: Array
    group: Index
    point: Index
    place: Array
    start_s: Array

    def of(self, group: int) -> CommonOffsets:
        """Return the cells of one group."""
        return self.at(np.flatnonzero(self.group == group))

    def at(self, at: Index) -> CommonOffsets:
        """Return some of the cells."""
        return CommonOffsets(*(getattr(self, name)[at] for name in self.__dataclass_fields__))


def form_offsets(y: Array, variance: Array, point: Index, group: Index, place: Array, start_s: Array) -> CommonOffsets:
    """Return the cells of every group; stops of group -1 are others to all.

    Parameters
    ----------
    y, variance, point, group, place, start_s
        Stops: shapes (n, axes), (n,), (n,), (n,), (n, 3), (n,).
    """
    known = np.flatnonzero(~np.isnan(y).any(axis=1) & (variance > 0))
    point, weight = point[known], 1 / variance[known]
    n = groups.above(point)
    total, weighted = np.bincount(point, weight, minlength=n), groups.sums(y[known] * weight[:, None], point, n)
    mine = np.flatnonzero(group[known] >= 0)
    key = group[known[mine]] * n + point[mine]
    distinct, of = np.unique(key, return_inverse=True)
    own, own_sum = np.bincount(of, weight[mine]), groups.sums((y[known] * weight[:, None])[mine], of, len(distinct))
    at = distinct % max(n, 1)
    rest = total[at] - own
    several = rest > 1e-9 * total[at]
    size = np.bincount(of)
    where = groups.sums(place[known[mine]], of, len(distinct)) / size[:, None]
    when = np.bincount(of, start_s[known[mine]], minlength=len(distinct)) / size
    pick = np.flatnonzero(several)
    own, own_sum, rest, at = own[pick], own_sum[pick], rest[pick], at[pick]
    return CommonOffsets(
        d=own_sum / own[:, None] - (weighted[at] - own_sum) / rest[:, None],
        variance=1 / own + 1 / rest, group=distinct[pick] // max(n, 1), point=at, place=where[pick], start_s=when[pick],
    )  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """The common difference of cells: `value` (axes,), `noise` per axis (variance), and what shows it."""

    value: Array
    noise: float
    points: int
    support: float


def common_offset(cells: CommonOffsets, least: float = 0.0) -> Effect | None:
    """Return the robust mean of cells, None where they are too few.

    `least` is the share of their variance that the step of the coordinates makes: no agreement takes it away.
    `support` is the share of all cells that lie nearer to the common difference than to nothing.
    """
    d, k = cells.d, cells.d.shape[1]
    if len(d) < FEWEST:
        return None
    value = np.median(d, axis=0)
    weight = 1 / cells.variance
    factor = 1.0
    for _ in range(8):
        square = ((d - value) ** 2).sum(axis=1) * weight
        factor = max(float(np.median(square)) / MEDIAN[k], 0.05)
        now = weight * (FLANKS + k) / (FLANKS + square / factor)
        value = (d * now[:, None]).sum(axis=0) / now.sum()
    square = ((d - value) ** 2).sum(axis=1) * weight
    sound = square <= CONTRADICTS[k] * factor
    if sound.sum() < FEWEST:
        return None
    value = (d * weight[:, None])[sound].sum(axis=0) / weight[sound].sum()
    left = (((d - value) ** 2).sum(axis=1) * weight)[sound].sum() / (k * (sound.sum() - 1))
    nearer = ((d - value) ** 2).sum(axis=1) < (d**2).sum(axis=1)
    # Few cells tell their own scatter badly: the expected one counts like some more. It is no floor, since what many
    # cells have in common may have widened the calibration that it comes from.
    freedom = k * (sound.sum() - 1.0)
    scatter = max((WORTH + freedom * float(left)) / (WORTH + freedom), least)
    return Effect(value, float(scatter / weight[sound].sum()), int(sound.sum()), float(nearer.mean()))
