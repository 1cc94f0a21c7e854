"""The search for common errors: files, set-ups, crews, stretches of work, single occupations, one after the other.

The largest common cause is set right first, in a working copy, and the rest is looked at again; so that what
one cause explains is not found a second time under another name.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from geoqa.analysis.shifts import _blunders, _setups, adjustment, at_control, halves
from geoqa.analysis.shifts._blunders import Misfiled, Mixup, Moved, Split
from geoqa.analysis.shifts._setups import Transformation
from geoqa.analysis.shifts.adjustment import Adjusted, Sessions
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


#: The axes of a position, and of the height, in `y`.
_PLANE, _UP = slice(0, 2), slice(2, 3)


@dataclass(frozen=True)
class SearchRules:
    """What the search takes as usual; see the parameters of the step."""

    own_h_m: float
    own_v_m: float
    level: float
    rest_s: float
    near_m: float
    far_m: float
    apart_s: float
    drift_h_m: float
    drift_v_m: float
    fades_s: float
    limit_h_m: float
    limit_v_m: float


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


@dataclass
class Findings:
    """Everything found; numbers are those of set-ups, files and stops."""

    mixups: list[Mixup] = field(default_factory=list)
    horizontal: Adjusted | None = None
    vertical: Adjusted | None = None
    apart_h: _setups.OutlierTest | None = None
    apart_v: _setups.OutlierTest | None = None
    heights: list[CommonHeight] = field(default_factory=list)
    control: AtControl | None = None
    off_control: Flags = field(default_factory=lambda: np.zeros((0, 2), bool))
    halves_h: list[Half] = field(default_factory=list)
    halves_v: list[Half] = field(default_factory=list)
    shapes: dict[int, Transformation] = field(default_factory=dict)
    strangers: Misfiled | None = None
    split: Split | None = None
    moved: list[Moved] = field(default_factory=list)
    shifted_h: Index = field(default_factory=lambda: np.zeros(0, np.int64))
    tests: int = 1
    further: int = 1


def search(stops: Sessions, setups: int, known: Flags, rules: SearchRules) -> Findings:
    """Return what is common to the stops of a site.

    Parameters
    ----------
    stops
        With the labels ``setup``, ``file``, ``crew`` and ``antenna``.
    setups
        Number of set-ups; `known`, shape (setups,), marks those that are known coordinates.
    """
    found = Findings()
    y, place = stops.y.copy(), stops.place.copy()
    _settle_files(found, stops, y, place)
    setup = stops.label["setup"]
    # A quarter of the level is for position and height of the set-ups; a quarter for four changes within each, the
    # crews and antenna heights; a quarter for stretches of work and one for halves, which bring their own number.
    labels = (stops.label["crew"], np.maximum(stops.label["antenna"], stops.label["usual"]), stops.label["pole"])
    count = max(int((~known).sum()), 1)
    found.tests = 8 * count
    found.further = 4 * (4 * count + sum(groups.above(label) for label in labels))
    found.horizontal = adjustment.adjust(y[:, :2], stops.var_h, stops.point, setup, setups, least=stops.least_h)
    found.apart_h = _apart(found.horizontal, rules.own_h_m, known)
    enough = ~known & (found.horizontal.points >= FEWEST)
    sure = np.flatnonzero((found.apart_h.p * found.tests < rules.level) & enough)
    found.shifted_h = np.array(
        [k for k in sure if _of_several(int(k), found, stops, y, _PLANE, known, rules)], np.int64
    )
    for number in np.flatnonzero(known):  # what known coordinates differ by from all is no crew's height
        vertical = _apart(
            adjustment.adjust(y[:, 2:], stops.var_v, stops.point, setup, setups, least=stops.least_v),
            rules.own_v_m,
            known,
        )
        y[setup == number, :2] -= np.nan_to_num(found.apart_h.d[number])
        y[setup == number, 2] -= np.nan_to_num(vertical.d[number, 0])
    _settle_heights(found, stops, y, setups, known, rules)
    for number in found.shifted_h:
        y[setup == number, :2] -= found.apart_h.d[number]
    _settle_halves(found, stops, y, known, rules, _moments)
    _shapes(found, stops, y, place, known, rules)
    _settle_halves(found, stops, y, known, rules, _visits)
    _against_control(found, stops, y, known, rules)
    _settle_single(found, stops, y, rules)
    return found


def _apart(adjusted: Adjusted, floor_m: float, known: Flags) -> _setups.OutlierTest:
    return _setups.outlier_tests(adjusted.x, adjusted.cov, adjusted.part, adjusted.points.astype(float), floor_m, known)


def _of_several(
    number: int, found: Findings, stops: Sessions, y: Array, axes: slice, known: Flags, rules: SearchRules
) -> bool:
    """Return whether a set-up stands apart whichever point is left out: one wrong fix may tie two groups of set-ups."""
    adjusted, apart = (found.vertical, found.apart_v) if axes == _UP else (found.horizontal, found.apart_h)
    assert adjusted is not None and apart is not None
    variance, least, floor = stops.var_h, stops.least_h, rules.own_h_m
    if axes == _UP:
        variance, least, floor = stops.var_v, stops.least_v, rules.own_v_m
    others = apart.held & (adjusted.part == adjusted.part[number])
    others[number] = False
    contrast = np.where(others, -1 / max(others.sum(), 1), 0.0)
    contrast[number] = 1.0
    at, setup = np.flatnonzero(adjusted.kept), stops.label["setup"]
    each = adjustment.counts(adjusted, contrast, variance[at], stops.point[at], setup[at])
    share = np.bincount(stops.point[at], np.abs(each), minlength=stops.points) / 2
    for point in np.argsort(-share)[:MOST_TIES]:
        if share[point] < CARRIES:
            break
        rest = stops.point != point
        left = adjustment.adjust(
            y[rest, axes], variance[rest], stops.point[rest], setup[rest], len(known), least=least[rest]
        )
        told = np.arange(len(known)) == number
        if (np.append(known, False)[setup] & ~rest).any():  # control says which is off, closures whether one is
            told = ~known & (left.part == left.part[number])
        if not (_apart(left, floor, known).p[told] * found.tests < rules.level).any():  # NaN: nothing else ties it
            return False
    return True


def _settle_files(found: Findings, stops: Sessions, y: Array, place: Array) -> None:
    """Set files right one by one; where there is one file, its set-ups stand in."""
    file = stops.label["file"]
    group = file if len(np.unique(file)) > 1 else stops.label["setup"]
    if len(np.unique(group)) < 2:
        return
    size = np.bincount(np.maximum(group, 0), group >= 0)
    for _ in range(min(len(size) - 1, MOST)):
        mixup = _blunders.find_mixups(place, stops.var_h, stops.point, group, size)
        if mixup is None:
            return
        found.mixups.append(mixup)
        mine = group == mixup.group
        right = mixup.change.apply(place[mine])
        y[mine] += right - place[mine]
        place[mine] = right


def _settle_heights(found: Findings, stops: Sessions, y: Array, setups: int, known: Flags, rules: SearchRules) -> None:
    """Find what heights have in common, the largest cause first; set each right in `y`."""
    setup = stops.label["setup"]
    sequence = _blunders.height_sequences(stops.label["crew"], stops.start_s, setup, rules.rest_s)
    for _ in range(MOST):
        found.vertical = adjustment.adjust(y[:, 2:], stops.var_v, stops.point, setup, setups, least=stops.least_v)
        found.apart_v = _apart(found.vertical, rules.own_v_m, known)
        candidates = (
            _of_setups(found, stops, y, known, rules)
            + _of_labels(found, stops, y, rules)
            + _of_stretch(stops, y, sequence, rules)
        )
        sure: list[tuple[float, CommonHeight | Half]] = [
            (gain, one) for gain, tried, one in candidates if one.p * tried < rules.level
        ]
        parted = _sure_halves(found, stops, y, _UP, known, rules, _moments)
        # Where nothing says which of two halves is off, no name of one of them goes before.
        open_, told = (
            [(half.gain, half) for half in parted if (half.off == 0) == is_open] for is_open in (True, False)
        )
        sure = [*open_, *sure, *told]
        if not sure:
            return
        best = max(gain for gain, _ in sure)
        chosen = next(one for gain, one in sure if gain >= NEARLY * best)
        if isinstance(chosen, CommonHeight):
            chosen = _beside(chosen, found.apart_v, stops, y, known, rules)
            found.heights.append(chosen)
            if chosen.off < 0:
                y[chosen.others, 2] += chosen.du
            else:
                y[chosen.stops, 2] -= chosen.du
        else:
            found.halves_v.append(chosen)
            _take_off(chosen, y, _UP)


def _beside(
    one: CommonHeight, apart: _setups.OutlierTest, stops: Sessions, y: Array, known: Flags, rules: SearchRules
) -> CommonHeight:
    """Return a common height with the work of one crew under one set-up, if that is all it is compared with."""
    key = np.column_stack([stops.label["setup"], stops.label["crew"]])
    others = ~np.append(known, False)[key[:, 0]]
    others[one.stops] = False
    keys = np.unique(key[others & np.isin(stops.point, stops.point[one.stops])], axis=0)
    if one.scope == "set-up" or len(keys) != 1:
        return one
    at = np.flatnonzero(others & (key == keys[0]).all(axis=1))
    part = halves.Halves("set-up", one.number, one.stops, at)
    floor = halves.Floor(rules.drift_v_m, rules.fades_s, apart.own)
    half = _measured([part], stops, y, _UP, known, floor, adjustment.FEWEST)
    return replace(one, others=at, off=half[0].off, says=half[0].says) if half else replace(one, others=at)


_Parts = Callable[["Sessions", "Array", slice, "Flags"], list[halves.Halves]]


def _moments(stops: Sessions, y: Array, axes: slice, known: Flags) -> list[halves.Halves]:
    """Return the best cut and the best moment of each set-up, as far as worth a closer look."""
    variance = stops.var_v if axes == _UP else stops.var_h
    labels = tuple(stops.label[name] for name in ("crew", "antenna", "file"))
    setup = stops.label["setup"]
    return halves.moments(y[:, axes], variance, stops.point, stops.start_s, setup, labels, known)


def _visits(stops: Sessions, y: Array, axes: slice, known: Flags) -> list[halves.Halves]:
    """Return the second visits against the first: of the site, of each base, of each crew."""
    setup = stops.label["setup"]
    work = (setup >= 0) & ~np.append(known, True)[setup] & np.isfinite(y[:, axes]).all(axis=1)
    parts = []
    for scope, label in (
        ("site", np.zeros(len(y), np.int64)),
        ("base", stops.label["base"]),
        ("crew", stops.label["crew"]),
    ):
        if scope == "site" or len(np.unique(label[label >= 0])) > 1:
            parts += halves.visits_apart(stops.point, stops.start_s, np.where(work, label, -1), scope)
    return [replace(one, tried=float(len(parts))) for one in parts]


def _sure_halves(
    found: Findings, stops: Sessions, y: Array, axes: slice, known: Flags, rules: SearchRules, of: _Parts
) -> list[halves.Half]:
    """Return the parts that differ: a quarter of the level, shared by two axes, moments, cuts and visits."""
    apart, drift = (found.apart_v, rules.drift_v_m) if axes == _UP else (found.apart_h, rules.drift_h_m)
    assert apart is not None
    floor = halves.Floor(drift, rules.fades_s, apart.own)
    level = rules.level / (4 * 6)

    def measured(parts: list[halves.Halves], values: Array) -> list[halves.Half]:
        return _measured(parts, stops, values, axes, known, floor)

    kept: list[halves.Half] = []
    for half in measured(of(stops, y, axes, known), y):
        if half.p * half.part.tried >= level:
            continue
        told = [half]
        for name in ("base", "crew"):  # the fewest that explain it: all, or those whose own visits show it
            if half.part.scope == "site" or (name == "crew" and half.part.scope != "crew"):
                parts = measured(halves.split(half.part, stops.label[name], stops.point, name), y)
                told = halves.guilty(half, parts, level)
            if told[0] is not half:
                break
        kept += told
    # What is left of somebody's visits once another's difference is taken off everybody's is not theirs.
    return [half for half in kept if half.part.scope not in ("base", "crew") or _own(half, measured, stops.y)]


def _measured(
    parts: list[halves.Halves], stops: Sessions, y: Array, axes: slice, known: Flags, floor: halves.Floor,
    fewest: int = halves.FEWEST,
) -> list[halves.Half]:  # fmt: skip
    """Return what parts differ by, those that enough points show, beside control as it was read."""
    variance = stops.var_v if axes == _UP else stops.var_h
    control = np.append(known, False)[stops.label["setup"]]
    at = (np.where(control[:, None], stops.y, y)[:, axes], variance, stops.point, stops.label["setup"], stops.start_s)
    least = stops.least_v if axes == _UP else stops.least_h
    made = (halves.measure(*at, control, least, one, floor, fewest) for one in parts)
    return [half for half in made if half is not None]


def _own(
    half: halves.Half, measured: Callable[[list[halves.Halves], Array], list[halves.Half]], as_read: Array
) -> bool:
    """Return whether the visits show the difference as they were read as well."""
    return any(one.p < _setups.JOINS and float(one.d @ half.d) > 0 for one in measured([half.part], as_read))


def _settle_halves(found: Findings, stops: Sessions, y: Array, known: Flags, rules: SearchRules, of: _Parts) -> None:
    """Find parts of the work that differ from the parts before them, those that tell most first; set right in `y`."""
    for axes, kept in ((_PLANE, found.halves_h), (_UP, found.halves_v)):
        for _ in range(MOST):
            sure = _sure_halves(found, stops, y, axes, known, rules, of)
            if not sure:
                break
            kept.append(max(sure, key=lambda half: half.gain))
            _take_off(kept[-1], y, axes)


def _against_control(found: Findings, stops: Sessions, y: Array, known: Flags, rules: SearchRules) -> None:
    """Find set-ups that are off where something is known, whatever the others say; set right in `y`."""
    # What set-ups usually differ by, not what those of this site do: all of them may be off.
    floors = (
        halves.Floor(drift, rules.fades_s, np.full(len(known), own))
        for drift, own in ((rules.drift_h_m, rules.own_h_m), (rules.drift_v_m, rules.own_v_m))
    )
    found.control = at_control.by_setup(stops, y, known, *floors)
    limit = (rules.limit_h_m, rules.limit_v_m)
    found.off_control = found.control.shifts(rules.level, limit)
    for number, d, off in zip(found.control.setup, found.control.d, found.off_control, strict=True):
        mine = stops.label["setup"] == number
        y[mine] -= np.nan_to_num(d * off[[0, 0, 1]])


def _take_off(half: Half, y: Array, axes: slice) -> None:
    """Set the later part right in `y`, or the earlier where that is the one that is off."""
    if half.off < 0:
        y[half.part.earlier, axes] += half.d
    else:
        y[half.part.later, axes] -= half.d


_Candidate = tuple[float, float, CommonHeight]


def _of_setups(found: Findings, stops: Sessions, y: Array, known: Flags, rules: SearchRules) -> list[_Candidate]:
    assert found.apart_v is not None and found.vertical is not None
    apart, setup = found.apart_v, stops.label["setup"]
    at = np.flatnonzero(~known & ~np.isnan(apart.p) & (found.vertical.points >= FEWEST))
    if not len(at):
        return []
    gain = apart.d[at, 0] ** 2 / np.maximum(apart.noise[at], 1e-12)
    k = next(
        (
            int(k) for k in np.argsort(-gain)
            if not apart.p[at[k]] * found.tests < rules.level
            or _of_several(int(at[k]), found, stops, y, _UP, known, rules)
        ),
        -1,
    )  # fmt: skip
    if k < 0:
        return []
    number = int(at[k])
    one = CommonHeight(
        "set-up", number, np.flatnonzero(setup == number), float(apart.d[number, 0]), float(apart.variance[number]),
        float(apart.p[number]), int(found.vertical.points[number]),
    )  # fmt: skip
    return [(float(gain[k]), found.tests, one)]


def _of_labels(found: Findings, stops: Sessions, y: Array, rules: SearchRules) -> list[_Candidate]:
    """Return the antenna height of a crew, and the crew, that stand out most."""
    made: list[_Candidate] = []
    # Of two antenna heights of a crew the odd one is named first, and either before the crew that had them both; one
    # that several crews typed before a crew's share of it.
    for scope in ("antenna", "usual", "pole", "crew"):
        label = stops.label[scope]
        if len(np.unique(label[label >= 0])) < (2 if scope == "crew" else 1):
            continue
        formed = adjustment.form_offsets(y[:, 2:], stops.var_v, stops.point, label, stops.place, stops.start_s)
        best: _Candidate | None = None
        for number in np.unique(formed.group):
            one = _height_of(scope, int(number), formed.of(int(number)), np.flatnonzero(label == number), stops, rules)
            if one and (best is None or one[0] > best[0]):
                best = one
        if best:
            shared = scope == "pole" and all(one.points < NEARLY * best[2].points for *_, one in made)
            made.insert(0 if shared else len(made), (best[0], found.further, best[2]))
    return made


def _of_stretch(stops: Sessions, y: Array, sequence: tuple[Index, Index], rules: SearchRules) -> list[_Candidate]:
    residual, variance = _blunders.against_others(y[:, 2], stops.var_v, stops.point)
    run = _blunders.most_likely(residual, variance, *sequence)
    if len(run.stops) < adjustment.FEWEST:
        return []
    group = np.full(len(y), -1)
    group[run.stops] = 0
    formed = adjustment.form_offsets(y[:, 2:], stops.var_v, stops.point, group, stops.place, stops.start_s)
    made = _height_of("stretch", 0, formed, np.sort(run.stops), stops, rules)
    return [(made[0], 4 * run.tried, made[2])] if made else []


def _height_of(
    scope: str, number: int, formed: adjustment.CommonOffsets, at: Index, stops: Sessions, rules: SearchRules
) -> _Candidate | None:
    """Return the common height of cells with the gain it brings; None where it is not what most of them show."""
    effect = adjustment.common_offset(formed, float(stops.least_v[at].mean()))
    least = adjustment.FEWEST if scope in ("antenna", "pole") else FEWEST  # one height that was typed wrong a few times
    if effect is None or effect.points < least or effect.support < SUPPORT:
        return None
    du = float(effect.value[0])
    nowhere = np.full(len(at), -1)
    floor = halves.Floor(rules.drift_v_m, rules.fades_s, np.zeros(0))
    drift = halves.shared(np.full(len(at), 1 / len(at)), stops.start_s[at], nowhere, floor)
    variance = effect.noise + rules.own_v_m**2 + drift
    # Few cells: Student's t for a scatter of their own.
    p = float(2 * special.stdtr(effect.points - 1, -abs(du) / np.sqrt(variance)))
    return du**2 / effect.noise, 1.0, CommonHeight(scope, number, at, du, variance, p, effect.points)


def _shapes(found: Findings, stops: Sessions, y: Array, place: Array, known: Flags, rules: SearchRules) -> None:
    """Fit every set-up's change with place and time, and set right in `y` what matters, the surest first.

    A set-up mostly compared with one that turns seems to turn itself: once that one is set right it is fitted anew.
    """
    waiting = [int(number) for number in np.flatnonzero(~known)]
    for _ in range(MOST):
        made = _fitted(found, stops, y, place, waiting, rules)
        found.shapes |= made
        waiting = [number for number, shape in made.items() if shape.changes]
        if not waiting:
            return
        surest = min(waiting, key=lambda number: made[number].surest)
        waiting.remove(surest)
        mine, shape = stops.label["setup"] == surest, made[surest]
        y[mine] -= shape.change(place[mine], stops.start_s[mine])
        # What is left of the set-up's shift once its change within is told.
        if shape.h.chosen:
            y[mine, :2] -= shape.h.shift
        if shape.v and shape.v.chosen:
            y[mine, 2] -= shape.v.shift[0]


def _fitted(
    found: Findings, stops: Sessions, y: Array, place: Array, numbers: list[int], rules: SearchRules
) -> dict[int, _setups.Transformation]:
    """Return how each of some set-ups changes within itself, those that share enough points."""
    assert found.apart_h is not None and found.apart_v is not None
    setup, made = stops.label["setup"], {}
    if not numbers:
        return {}
    formed = [
        adjustment.form_offsets(y[:, columns], variance, stops.point, setup, place, stops.start_s)
        for columns, variance in (([0, 1], stops.var_h), ([2], stops.var_v))
    ]
    for number in numbers:
        own_h, own_v = float(found.apart_h.own[number]), float(found.apart_v.own[number])
        level = rules.level / found.further
        shape = _setups.fit_transformation(formed[0].of(number), formed[1].of(number), own_h, own_v, level)
        if shape is not None:
            made[number] = shape
    return made


def _settle_single(found: Findings, stops: Sessions, y: Array, rules: SearchRules) -> None:
    """Find occupations under another point's name, names at two places, and marks that moved."""
    at = stops.of_row
    # Row by row: two rows of one visit may lie at two points.
    now = stops.row_place + (y - stops.y)[at]
    order = np.lexsort((np.arange(len(at)), stops.point[at]))
    now, at = now[order], at[order]
    sigma = np.nan_to_num(np.sqrt(np.column_stack([stops.var_h, stops.var_v])))[at]
    made = _blunders.elsewhere(now, sigma, stops.point[at], rules.near_m, max(1.0, 10 * rules.near_m))
    sure = made.chance < 0.05
    made = _blunders.Misfiled(made.stop[sure], made.belongs[sure], made.vector[sure], made.chance[sure])
    is_stranger = np.zeros(len(now), bool)
    is_stranger[made.stop] = True
    split = _blunders.two_places(now, stops.point[at], is_stranger, rules.far_m)
    found.strangers = made._replace(stop=stops.row[order[made.stop]])
    found.split = split._replace(stops=[stops.row[order[one]] for one in split.stops])
    strangers = np.zeros(len(y), bool)
    strangers[at[is_stranger]] = True
    steady = np.flatnonzero(~strangers & (stops.var_h > 0) & ~np.isnan(stops.start_s))
    found.moved = _blunders.moved_marks(
        y[steady], (stops.var_h[steady], stops.var_v[steady]), stops.point[steady], stops.start_s[steady],
        rules.apart_s, rules.level / max(stops.points, 1),
    )  # fmt: skip
    found.moved = [one._replace(after=steady[one.after]) for one in found.moved]
