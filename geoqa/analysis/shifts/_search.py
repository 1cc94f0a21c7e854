"""The search for common errors: files, set-ups, crews, stretches of work, single occupations, one after the other.

The largest common cause is set right first, in a working copy, and the rest is looked at again; so that what
one cause explains is not found a second time under another name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from geoqa.analysis.shifts import _blunders, _setups, adjustment, at_control, halves
from geoqa.analysis.shifts._blunders import Misfiled, Mixup, Moved, Split
from geoqa.analysis.shifts.adjustment import AXES, Adjusted, Sessions
from geoqa.analysis.shifts.at_control import AtControl
from geoqa.analysis.shifts.halves import Half
from geoqa.core.arrays import Array, Flags, Index, np, special
from geoqa.core.statistics import groups

#: Most common heights that are set right, and most mixups of files.
MOST = 25
#: A cause that tells nearly as much as the best, and is simpler, goes before it.
NEARLY = 0.8
#: Points that a set-up must share before it is called suspicious.
FEWEST = 5
#: Share of a set-up's shift from which a point is left out to see what the others say, and how many are at most.
CARRIES, MOST_TIES = 1 / 3, 6
#: Share of the points of a stretch that must lie nearer to its offset than to nothing.
SUPPORT = 0.65


@dataclass(frozen=True)
class SearchRules:
    """What the search takes as usual, a pair for horizontal and height; see the parameters of the step."""

    own_m: tuple[float, float]
    level: float
    rest_s: float
    near_m: float
    far_m: float
    apart_s: float
    drift_m: tuple[float, float]
    fades_s: float
    limit_m: tuple[float, float]


@dataclass(frozen=True)
class CommonHeight:
    """Heights off by one amount: of a set-up, of a crew's antenna height, of a crew, or of a stretch of work.

    `others` are all stops of the one crew and set-up that it is compared with, if it is one; `off` and `says`
    are those of a `Half`, -1 where these are off.
    """

    scope: str
    number: int
    stops: Index
    du: float
    variance: float
    p: float
    points: int
    others: Index = field(default_factory=lambda: np.zeros(0, np.int64))
    off: int = 0
    says: str = ""


#: Scopes that name an antenna height.
_POLES = ("antenna", "usual", "pole")
_Candidate = tuple[float, float, CommonHeight]
_Parts = Callable[[int], list[halves.Halves]]


def _alike(one: Index, other: Index) -> float:
    """Return the share of stops that two sets have in common, of all in either."""
    return len(np.intersect1d(one, other)) / max(len(np.union1d(one, other)), 1)


@dataclass
class Search:
    """A search: what it looks at, and everything found; numbers are those of set-ups, files and stops.

    Attributes
    ----------
    stops
        With the labels ``setup``, ``file``, ``crew`` and ``antenna``.
    known
        Set-ups that are known coordinates, shape (setups,).
    y, place
        Those of the stops, set right as far as causes are found.
    adjusted, apart, halved
        Horizontally and in height.
    """

    stops: Sessions
    known: Flags
    rules: SearchRules
    y: Array = field(init=False)
    place: Array = field(init=False)
    mixups: list[Mixup] = field(default_factory=list)
    adjusted: dict[int, Adjusted] = field(default_factory=dict)
    apart: dict[int, _setups.OutlierTest] = field(default_factory=dict)
    heights: list[CommonHeight] = field(default_factory=list)
    control: AtControl | None = None
    off_control: Flags = field(default_factory=lambda: np.zeros((0, 2), bool))
    halved: tuple[list[Half], list[Half]] = field(default_factory=lambda: ([], []))
    shapes: dict[int, _setups.Transformation] = field(default_factory=dict)
    strangers: Misfiled | None = None
    split: Split | None = None
    moved: list[Moved] = field(default_factory=list)
    shifted_h: Index = field(default_factory=lambda: np.zeros(0, np.int64))

    def __post_init__(self) -> None:
        self.y, self.place, label = self.stops.y.copy(), self.stops.place.copy(), self.stops.label
        self._setup = label["setup"]
        self._control = np.append(self.known, False)[self._setup]
        # A quarter of the level is for position and height of the set-ups; a quarter for four changes within each,
        # the crews and antenna heights; a quarter for stretches of work and one for halves, which bring their own
        # number.
        labels = (label["crew"], np.maximum(label["antenna"], label["usual"]), label["pole"])
        count = max(int((~self.known).sum()), 1)
        self._tests = 8 * count
        self._further = 4 * (4 * count + sum(groups.above(one) for one in labels))

    def run(self) -> None:
        """Find what is common to the stops of a site."""
        self._settle_files()
        self._adjust(0)
        apart = self.apart[0]
        enough = ~self.known & (self.adjusted[0].points >= FEWEST)
        sure = np.flatnonzero((apart.p * self._tests < self.rules.level) & enough)
        self.shifted_h = np.array([k for k in sure if self._of_several(int(k), 0)], np.int64)
        for number in np.flatnonzero(self.known):  # what known coordinates differ by from all is no crew's height
            self._adjust(1)
            self.y[self._setup == number] -= np.nan_to_num(np.r_[apart.d[number], self.apart[1].d[number]])
        settled = self._settle_heights()
        for number in self.shifted_h:
            self.y[self._setup == number, :2] -= apart.d[number]
        self._settle_halves(self._moments, (0,) if settled else (0, 1))
        self._fit_shapes()
        self._settle_halves(self._visits)
        self._against_control()
        self._settle_single()

    def _adjusted(self, axis: int, at: Index | slice = slice(None)) -> Adjusted:
        stops = self.stops
        return adjustment.adjust(
            self.y[at, AXES[axis]], stops.var[at, axis], stops.point[at], self._setup[at], len(self.known),
            least=stops.least[at, axis],
        )  # fmt: skip

    def _apart(self, adjusted: Adjusted, axis: int) -> _setups.OutlierTest:
        mass = adjusted.points.astype(float)
        return _setups.outlier_tests(adjusted.x, adjusted.cov, adjusted.part, mass, self.rules.own_m[axis], self.known)

    def _adjust(self, axis: int) -> None:
        self.adjusted[axis] = self._adjusted(axis)
        self.apart[axis] = self._apart(self.adjusted[axis], axis)

    def _floor(self, axis: int, own_m: Array) -> halves.Floor:
        return halves.Floor(self.rules.drift_m[axis], self.rules.fades_s, own_m)

    def _formed(self, axis: int, group: Index, place: Array) -> adjustment.CommonOffsets:
        stops = self.stops
        y = self.y[:, AXES[axis]]
        return adjustment.form_offsets(y, stops.var[:, axis], stops.point, group, place, stops.start_s)

    def _of_several(self, number: int, axis: int) -> bool:
        """Return whether a set-up stands apart whichever point is left out: a wrong fix may tie two groups of them."""
        adjusted, apart, stops = self.adjusted[axis], self.apart[axis], self.stops
        others = apart.held & (adjusted.part == adjusted.part[number])
        others[number] = False
        contrast = np.where(others, -1 / max(others.sum(), 1), 0.0)
        contrast[number] = 1.0
        at = np.flatnonzero(adjusted.kept)
        each = adjustment.counts(adjusted, contrast, stops.var[at, axis], stops.point[at], self._setup[at])
        share = np.bincount(stops.point[at], np.abs(each), minlength=stops.points) / 2
        for point in np.argsort(-share)[:MOST_TIES]:
            if share[point] < CARRIES:
                break
            left = self._adjusted(axis, np.flatnonzero(stops.point != point))
            told = np.arange(len(self.known)) == number
            # Control says which is off, closures whether one is.
            if self._control[stops.point == point].any():
                told = ~self.known & (left.part == left.part[number])
            p = self._apart(left, axis).p[told]
            if not (p * self._tests < self.rules.level).any():  # NaN: nothing else ties it
                return False
        return True

    def _settle_files(self) -> None:
        """Set files right one by one; where there is one file, its set-ups stand in."""
        file = self.stops.label["file"]
        group = file if len(np.unique(file)) > 1 else self._setup
        if len(np.unique(group)) < 2:
            return
        size = np.bincount(np.maximum(group, 0), group >= 0)
        for _ in range(min(len(size) - 1, MOST)):
            mixup = _blunders.find_mixups(self.place, self.stops.var[:, 0], self.stops.point, group, size)
            if mixup is None:
                return
            self.mixups.append(mixup)
            mine = group == mixup.group
            right = mixup.change.apply(self.place[mine])
            self.y[mine] += right - self.place[mine]
            self.place[mine] = right

    def _settle_heights(self) -> bool:
        """Find what heights have in common, the largest cause first; set each right in `y`; return if none is left."""
        sequence = _blunders.height_sequences(
            self.stops.label["crew"], self.stops.start_s, self._setup, self.rules.rest_s
        )
        for _ in range(MOST):
            self._adjust(1)
            candidates = self._of_setups() + self._of_labels() + self._of_stretch(sequence)
            sure: list[tuple[float, CommonHeight | Half]] = [
                (gain, one) for gain, tried, one in candidates if one.p * tried < self.rules.level
            ]
            parted = self._sure_halves(1, self._moments)
            # Where nothing says which of two halves is off, no name of one of them goes before.
            open_, told = (
                [(half.gain, half) for half in parted if (half.off == 0) == is_open] for is_open in (True, False)
            )
            sure = [*open_, *sure, *told]
            if not sure:
                return True
            best = max(gain for gain, _ in sure)
            chosen = next(one for gain, one in sure if gain >= NEARLY * best)
            names = [one for _, one in sure if isinstance(one, CommonHeight) and one.scope in _POLES]
            chosen = next((one for one in names if self._is_of(chosen, one)), chosen)
            if isinstance(chosen, CommonHeight):
                chosen = self._beside(chosen)
                self.heights.append(chosen)
                if chosen.off < 0:
                    self.y[chosen.others, 2] += chosen.du
                else:
                    self.y[chosen.stops, 2] -= chosen.du
            else:
                self._take_off(chosen, 1)
        return False

    def _is_of(self, chosen: CommonHeight | Half, name: CommonHeight) -> bool:
        """Return whether what was found is that of a name: of a half it holds nearly whole, or of a part of a set-up.

        However loud the other is: a large shift widens the calibration by which names are weighed.
        """
        if isinstance(chosen, Half):
            off = chosen.part.earlier if chosen.off < 0 else chosen.part.later
            return chosen.off != 0 and _alike(name.stops, off) >= NEARLY
        if chosen.scope != "set-up" or not set(name.stops) < set(chosen.stops):
            return False
        part = halves.Halves("set-up", chosen.number, name.stops, np.setdiff1d(chosen.stops, name.stops))
        return any(
            half.p < _setups.STANDS and half.d[0] * chosen.du > 0 and abs(half.d[0]) >= NEARLY * abs(chosen.du)
            for half in self._measured([part], self.y, 1, adjustment.FEWEST)
        )

    def _beside(self, one: CommonHeight) -> CommonHeight:
        """Return a common height with the work of one crew under one set-up, if that is all it is compared with."""
        point, key = self.stops.point, np.column_stack([self._setup, self.stops.label["crew"]])
        others = ~self._control
        others[one.stops] = False
        keys = np.unique(key[others & np.isin(point, point[one.stops])], axis=0)
        if one.scope == "set-up" or len(keys) != 1:
            return one
        at = np.flatnonzero(others & (key == keys[0]).all(axis=1))
        part = halves.Halves("set-up", one.number, one.stops, at)
        half = self._measured([part], self.y, 1, adjustment.FEWEST)
        return replace(one, others=at, off=half[0].off, says=half[0].says) if half else replace(one, others=at)

    def _moments(self, axis: int) -> list[halves.Halves]:
        """Return the best cut and the best moment of each set-up, as far as worth a closer look."""
        stops = self.stops
        labels = tuple(stops.label[name] for name in ("crew", "antenna", "file"))
        y, variance = self.y[:, AXES[axis]], stops.var[:, axis]
        return halves.moments(y, variance, stops.point, stops.start_s, self._setup, labels, self.known)

    def _visits(self, axis: int) -> list[halves.Halves]:
        """Return the second visits against the first: of the site, of each base, of each crew."""
        stops = self.stops
        work = (self._setup >= 0) & ~self._control & np.isfinite(self.y[:, AXES[axis]]).all(axis=1)
        site = {"site": np.zeros(len(work), np.int64)}
        parts = []
        for scope, label in (site | {name: stops.label[name] for name in ("base", "crew")}).items():
            if scope == "site" or len(np.unique(label[label >= 0])) > 1:
                parts += halves.visits_apart(stops.point, stops.start_s, np.where(work, label, -1), scope)
        return [replace(one, tried=float(len(parts))) for one in parts]

    def _sure_halves(self, axis: int, of: _Parts) -> list[Half]:
        """Return the parts that differ: a quarter of the level, shared by two axes, moments, cuts and visits."""
        level = self.rules.level / (4 * 6)
        kept: list[Half] = []
        for half in self._measured(of(axis), self.y, axis, level=level):
            if half.p * half.part.tried >= level:
                continue
            told = [half]
            for name in ("base", "crew"):  # the fewest that explain it: all, or those whose own visits show it
                if half.part.scope == "site" or (name == "crew" and half.part.scope != "crew"):
                    parts = halves.split(half.part, self.stops.label[name], self.stops.point, name)
                    told = halves.guilty(half, self._measured(parts, self.y, axis), level)
                if told[0] is not half:
                    break
            kept += told
        # What is left of somebody's visits once another's difference is taken off everybody's is not theirs.
        return [half for half in kept if half.part.scope not in ("base", "crew") or self._own(half, axis)]

    def _measured(
        self, parts: list[halves.Halves], y: Array, axis: int, fewest: int = halves.FEWEST, level: float = np.inf
    ) -> list[Half]:
        """Return what parts differ by, those that enough points show and may reach a level, beside control as read."""
        stops, floor = self.stops, self._floor(axis, self.apart[axis].own)
        beside = np.where(self._control[:, None], stops.y, y)[:, AXES[axis]]
        at = (beside, stops.var[:, axis], stops.point, self._setup, stops.start_s, self._control, stops.least[:, axis])
        made = (halves.measure(*at, one, floor, fewest, level) for one in parts)
        return [half for half in made if half is not None]

    def _own(self, half: Half, axis: int) -> bool:
        """Return whether the visits show the difference as they were read as well."""
        as_read = self._measured([half.part], self.stops.y, axis)
        return any(one.p < _setups.JOINS and float(one.d @ half.d) > 0 for one in as_read)

    def _settle_halves(self, of: _Parts, axes: tuple[int, ...] = (0, 1)) -> None:
        """Find parts of the work that differ from those before them, those that tell most first; set right in `y`."""
        for axis in axes:
            for _ in range(MOST):
                sure = self._sure_halves(axis, of)
                if not sure:
                    break
                self._take_off(max(sure, key=lambda half: half.gain), axis)

    def _take_off(self, half: Half, axis: int) -> None:
        """Keep a half, and set the later part right in `y`, or the earlier where that is the one that is off."""
        self.halved[axis].append(half)
        if half.off < 0:
            self.y[half.part.earlier, AXES[axis]] += half.d
        else:
            self.y[half.part.later, AXES[axis]] -= half.d

    def _against_control(self) -> None:
        """Find set-ups that are off where something is known, whatever the others say; set right in `y`."""
        # What set-ups usually differ by, not what those of this site do: all of them may be off.
        floors = (self._floor(axis, np.full(len(self.known), self.rules.own_m[axis])) for axis in (0, 1))
        self.control = at_control.by_setup(self.stops, self.y, self.known, *floors)
        self.off_control = self.control.shifts(self.rules.level, self.rules.limit_m)
        for number, d, off in zip(self.control.setup, self.control.d, self.off_control, strict=True):
            self.y[self._setup == number] -= np.nan_to_num(d * off[[0, 0, 1]])

    def _of_setups(self) -> list[_Candidate]:
        apart, points = self.apart[1], self.adjusted[1].points
        at = np.flatnonzero(~self.known & ~np.isnan(apart.p) & (points >= FEWEST))
        gain = apart.d[:, 0] ** 2 / np.maximum(apart.noise, 1e-12)
        for number in at[np.argsort(-gain[at])].tolist():
            if not apart.p[number] * self._tests < self.rules.level or self._of_several(number, 1):
                mine = np.flatnonzero(self._setup == number)
                told = (float(apart.d[number, 0]), float(apart.variance[number]), float(apart.p[number]))
                one = CommonHeight("set-up", number, mine, *told, int(points[number]))
                return [(float(gain[number]), self._tests, one)]
        return []

    def _of_labels(self) -> list[_Candidate]:
        """Return the antenna height of a crew, and the crew, that stand out most."""
        made: list[_Candidate] = []
        # Of two antenna heights of a crew the odd one is named first, and either before the crew that had them both;
        # one that several crews typed before a crew's share of it.
        for scope in ("antenna", "usual", "pole", "crew"):
            label = self.stops.label[scope]
            if len(np.unique(label[label >= 0])) < (2 if scope == "crew" else 1):
                continue
            formed = self._formed(1, label, self.stops.place)
            each = (
                self._height_of(scope, number, formed.of(number), np.flatnonzero(label == number))
                for number in np.unique(formed.group).tolist()
            )
            best = max((one for one in each if one), key=lambda one: one[0], default=None)
            if best:
                shared = scope == "pole" and all(one.points < NEARLY * best[2].points for *_, one in made)
                made.insert(0 if shared else len(made), (best[0], self._further, best[2]))
        return made

    def _of_stretch(self, sequence: tuple[Index, Index]) -> list[_Candidate]:
        residual, variance = _blunders.against_others(self.y[:, 2], self.stops.var[:, 1], self.stops.point)
        run, tried = _blunders.most_likely(residual, variance, *sequence)
        if len(run) < adjustment.FEWEST:
            return []
        group = np.full(len(self.y), -1)
        group[run] = 0
        made = self._height_of("stretch", 0, self._formed(1, group, self.stops.place), np.sort(run))
        return [(made[0], 4 * tried, made[2])] if made else []

    def _height_of(self, scope: str, number: int, formed: adjustment.CommonOffsets, at: Index) -> _Candidate | None:
        """Return the common height of cells with the gain it brings; None where it is not what most of them show."""
        effect = adjustment.common_offset(formed, float(self.stops.least[at, 1].mean()))
        # One height that was typed wrong a few times.
        least = adjustment.FEWEST if scope in ("antenna", "pole") else FEWEST
        if effect is None or effect.points < least or effect.support < SUPPORT:
            return None
        du = float(effect.value[0])
        nowhere, equally = np.full(len(at), -1), np.full(len(at), 1 / len(at))
        drift = halves.shared(equally, self.stops.start_s[at], nowhere, self._floor(1, np.zeros(0)))
        variance = effect.noise + self.rules.own_m[1] ** 2 + drift
        # Few cells: Student's t for a scatter of their own.
        p = float(2 * special.stdtr(effect.points - 1, -abs(du) / np.sqrt(variance)))
        return du**2 / effect.noise, 1.0, CommonHeight(scope, number, at, du, variance, p, effect.points)

    def _fit_shapes(self) -> None:
        """Fit every set-up's change with place and time, and set right in `y` what matters, the surest first.

        A set-up mostly compared with one that turns seems to turn itself: once that one is set right it is fitted
        anew.
        """
        waiting = [int(number) for number in np.flatnonzero(~self.known)]
        for _ in range(MOST):
            made = self._fitted(waiting)
            self.shapes |= made
            waiting = [number for number, shape in made.items() if shape.changes]
            if not waiting:
                return
            surest = min(waiting, key=lambda number: made[number].surest)
            waiting.remove(surest)
            mine, shape = self._setup == surest, made[surest]
            self.y[mine] -= shape.change(self.place[mine], self.stops.start_s[mine])
            # What is left of the set-up's shift once its change within is told.
            for axis, fitted in enumerate((shape.h, shape.v)):
                if fitted and fitted.chosen:
                    self.y[mine, AXES[axis]] -= fitted.shift

    def _fitted(self, numbers: list[int]) -> dict[int, _setups.Transformation]:
        """Return how each of some set-ups changes within itself, those that share enough points."""
        if not numbers:
            return {}
        plane, up = (self._formed(axis, self._setup, self.place) for axis in (0, 1))
        made = {}
        for number in numbers:
            own_h, own_v = (float(self.apart[axis].own[number]) for axis in (0, 1))
            level = self.rules.level / self._further
            shape = _setups.fit_transformation(plane.of(number), up.of(number), own_h, own_v, level)
            if shape is not None:
                made[number] = shape
        return made

    def _settle_single(self) -> None:
        """Find occupations under another point's name, names at two places, and marks that moved."""
        stops, rules, at = self.stops, self.rules, self.stops.of_row
        # Row by row: two rows of one visit may lie at two points.
        now = stops.row_place + (self.y - stops.y)[at]
        order = np.argsort(stops.point[at], kind="stable")
        now, at = now[order], at[order]
        sigma = np.nan_to_num(np.sqrt(stops.var))[at]
        made = _blunders.elsewhere(now, sigma, stops.point[at], rules.near_m, max(1.0, 10 * rules.near_m))
        sure = made.chance < 0.05
        made = Misfiled(made.stop[sure], made.belongs[sure], made.vector[sure], made.chance[sure])
        is_stranger = np.isin(np.arange(len(now)), made.stop)
        split = _blunders.two_places(now, stops.point[at], is_stranger, rules.far_m)
        self.strangers = made._replace(stop=stops.row[order[made.stop]])
        self.split = split._replace(stops=[stops.row[order[one]] for one in split.stops])
        strangers = np.isin(np.arange(len(self.y)), at[is_stranger])
        steady = np.flatnonzero(~strangers & (stops.var[:, 0] > 0) & ~np.isnan(stops.start_s))
        level = rules.level / max(stops.points, 1)
        moved = _blunders.moved_marks(
            self.y[steady], stops.var[steady], stops.point[steady], stops.start_s[steady], rules.apart_s, level
        )
        self.moved = [one._replace(after=steady[one.after]) for one in moved]
