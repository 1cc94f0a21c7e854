"""Findings as rows of the `shifts` frame: what each looks like, how it shows, and what to do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

from geoqa.analysis.shifts._search import CommonHeight, Search
from geoqa.analysis.shifts._setups import Term, Transformation
from geoqa.analysis.shifts.adjustment import AXES, Sessions
from geoqa.analysis.shifts.halves import Half
from geoqa.core import clock
from geoqa.core.arrays import Array, Index, np, pd
from geoqa.core.frames.shifts import SHIFTS
from geoqa.core.frames.wording import LOOK
from geoqa.core.units import METRES_PER, by_chance, counted, length, signed, small

#: Pole heights and steps of poles, metres: common practice, no published source.
POLES_M = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.5, 1.0, 1.5, 1.8, 2.0, 2.5)
FOOT_M = 0.3048
#: Steps of a foot count from here on: a tenth of one is near every length.
NEAR_M = 0.01


def near_step(du: float) -> str:
    """Return what a height offset is near to: a step of poles, feet; empty for nothing."""
    size = abs(du)
    step = min(POLES_M, key=lambda step: abs(size - step))
    if abs(size - step) <= NEAR_M:
        return f"; near {step:.2f} m, a common pole height or step (common practice, no published source)"
    feet = round(size / FOOT_M)
    if feet and abs(size - feet * FOOT_M) <= NEAR_M:
        return f"; near {feet} ft"
    # A pole of some feet entered as metres, or metres as feet.
    for pole in (1.5, 1.8, 2.0):
        if abs(size - pole * (1 - FOOT_M)) <= NEAR_M or abs(size - pole * (1 / FOOT_M - 1)) <= NEAR_M:
            return f"; what feet and metres confused make of a {pole:.1f} m pole"
    return ""


Z95 = 1.959964


@dataclass
class Shift:
    """One row of `shifts`; `rows` and `vectors` (metres, too much) are the occupations concerned.

    `new_point` is the number of the point they belong to, where that is what is wrong; `mends` says whether
    `--apply-shift` can set it right; `opposite` are the occupations of the other side, which may as well be off.
    """

    scope: str
    setup: str
    kind: str
    d: Array
    sigma: Array
    p: float
    points: int
    suspicious: bool = False
    looks_like: str = ""
    evidence: str = ""
    remedy: str = ""
    reach_m: tuple[float, float] = (np.nan, np.nan)
    rate: float = np.nan
    rows: Index = field(default_factory=lambda: np.zeros(0, np.int64))
    vectors: Array = field(default_factory=lambda: np.zeros((0, 3)))
    new_point: int = -1
    mends: bool = True
    off_control: bool = False
    opposite: Index = field(default_factory=lambda: np.zeros(0, np.int64))

    @property
    def name(self) -> str:
        """The name people apply it by."""
        return f"{self.setup} {self.kind}"

    @property
    def message(self) -> str:
        """The finding in words, or that there is none."""
        if not self.suspicious:
            return "no more than set-ups differ by"
        return f"{self.looks_like}: {self.evidence}. {self.remedy}"


@dataclass(frozen=True)
class Names:
    """What numbers stand for, and the rows of the frame behind them.

    Attributes
    ----------
    setup, file, crew, antenna, base, point
        Names by number.
    recorded
        How each antenna height compares with its crew's usual one, that with the next.
    pole, beside
        The same of antenna heights whatever the crew.
    rows_of
        Rows of the frame by kind of label and number.
    unit, unit_up
        In which lengths and heights are told.
    """

    setup: list[str]
    file: list[str]
    crew: list[str]
    antenna: list[str]
    recorded: list[str]
    pole: list[str]
    beside: list[str]
    base: list[str]
    point: list[str]
    rows_of: Callable[[str, int], Index]
    zone: tzinfo
    unit: str = "m"
    unit_up: str = "m"

    def up(self, metres: float) -> str:
        """Return a difference of heights in words."""
        return f"{signed(metres, self.unit_up)} {self.unit_up}"


def of_findings(found: Search, place: Array, start_s: Array, names: Names) -> list[Shift]:
    """Return every test as a row, the suspicious ones named.

    Parameters
    ----------
    place, start_s
        East, north, up (rows, 3) and start of the rows of the frame.
    """
    stops = found.stops
    made = _of_files(found, place, names)
    for number in np.flatnonzero(~found.known):
        made += _of_setup(found, int(number), place, start_s, names)
    made += [_of_height(one, stops, start_s, names) for one in found.heights if one.scope != "set-up"]
    # Those of control stand first, and in place of tests of the same set-up that showed nothing.
    told = _of_control(found, names)
    named = {one.name for one in told}
    made = [*told, *(one for one in made if one.suspicious or one.name not in named)]
    made += [_of_half(one, axis, stops, start_s, names) for axis in (0, 1) for one in found.halved[axis]]
    return _distinct(made + _of_single(found, names))


def _along(axis: int, values: Any) -> Array:
    """Return values along the horizontal axes, or of the height, as east, north, up; NaN along the others."""
    found = np.full(3, np.nan)
    found[AXES[axis]] = values
    return found


def _distinct(made: list[Shift]) -> list[Shift]:
    """Return the rows with names that no two share."""
    taken: set[str] = set()
    seen: dict[str, int] = {}
    for one in made:
        setup, name = one.setup, one.name
        while one.name in taken:  # a point may be called "A (2)"
            seen[name] = seen.get(name, 1) + 1
            one.setup = f"{setup} ({seen[name]})"
        taken.add(one.name)
    return made


def _of_files(found: Search, place: Array, names: Names) -> list[Shift]:
    by_file = len(np.unique(found.stops.label["file"])) > 1
    label = "file" if by_file else "setup"
    groups = np.unique(found.stops.label[label])
    alone = len(groups) == 2 and groups[0] >= 0 and not found.known.any()
    made = []
    for mixup in found.mixups:
        rows = names.rows_of(label, mixup.group)
        change = mixup.change
        apart = float(np.linalg.norm(mixup.d))
        ppm = apart / max(float(np.linalg.norm(np.nanmedian(place[rows], axis=0)[:2])), 1.0) * 1e6
        share = f", {ppm:.2f} ppm of the coordinates" if change.kind == "unit" and change.up == 1 and ppm < 100 else ""
        made.append(
            Shift(
                "file" if by_file else "set-up", (names.file if by_file else names.setup)[mixup.group], change.kind,
                mixup.d, np.full(3, np.nan), 0.0, mixup.points, True,
                looks_like=change.said,
                evidence=f"at {mixup.points} points it lies {_far(apart, names.unit)} from the others{share}, "
                f"{_far(mixup.left_m, names.unit)} once that is set right",
                remedy="Which of the two is right only their origin can say: state the unit and the columns of each "
                "file under [[file]] in the recipe",
                rows=rows, vectors=place[rows] - change.apply(place[rows]),
                opposite=names.rows_of(label, int(groups.sum()) - mixup.group) if alone else rows[:0],
            )
        )  # fmt: skip
    return made


def _far(metres: float, unit: str) -> str:
    whole = f"{metres / METRES_PER[unit]:,.0f} {unit}"
    return length(metres, unit) if metres < 100 else whole if metres < 10_000 else f"{metres / 1000:,.0f} km"


def _of_setup(found: Search, number: int, place: Array, start_s: Array, names: Names) -> list[Shift]:
    apart_h, apart_v, plan, up = found.apart[0], found.apart[1], found.adjusted[0], found.adjusted[1]
    setup, rows = names.setup[number], names.rows_of("setup", number)
    raised = [one for one in found.heights if one.scope == "set-up" and one.number == number]
    du = sum(one.du for one in raised)
    level, noise_v, p_v = float(apart_v.d[number, 0]), float(apart_v.noise[number]), float(apart_v.p[number])
    if raised:
        level, noise_v, p_v = du, raised[0].variance, raised[0].p
    shape = found.shapes.get(number)
    is_shifted = number in found.shifted_h
    shift = apart_h.d[number]
    turned = shape is not None and bool(shape.h.chosen)
    if shape is not None and turned:
        shift = shape.h.shift + (shift if is_shifted else 0.0)
    if np.isnan(shift[0]) and np.isnan(level):
        return []
    sigma_h = np.sqrt(apart_h.noise[number])
    plane = Shift(
        "set-up", setup, "translation", np.r_[shift, level], np.r_[sigma_h, sigma_h, np.sqrt(noise_v)],
        float(apart_h.p[number]), int(plan.points[number]), is_shifted or turned,
    )  # fmt: skip
    height = Shift(
        "set-up", setup, "height", _along(1, level), _along(1, np.sqrt(noise_v)), p_v, int(up.points[number]),
        bool(raised),
    )  # fmt: skip
    terms = _terms(setup, shape, names) if shape else []
    chosen = {one.kind for one in terms if one.suspicious}
    plane.opposite, height.opposite = (_other_setup(found, axis, number, names) for axis in (0, 1))
    if plane.suspicious:
        _name_translation(plane, chosen, bool(raised), bool(apart_h.alone[number]), names)
    if height.suspicious:
        _name_height(height, plane.suspicious, bool(apart_v.alone[number]), names)
    plane.rows = height.rows = rows
    plane.vectors = np.tile(np.r_[shift, 0.0], (len(rows), 1))
    tilt = shape.v.shift[0] if shape and shape.v and shape.v.chosen else 0.0
    height.vectors = np.tile(np.r_[0.0, 0.0, du + tilt], (len(rows), 1))
    for one in terms:
        if one.suspicious:
            assert shape is not None
            one.rows, one.vectors = rows, shape.change(place[rows], start_s[rows], one.kind)
            one.opposite = height.opposite if one.kind == "tilt" else plane.opposite
    return [one for one in (plane, height) if one.suspicious or not np.isnan(one.p)] + terms


def _other_setup(found: Search, axis: int, number: int, names: Names) -> Index:
    """Return the rows of the other one of two set-ups of which nothing says which is off."""
    alone, part = found.apart[axis].alone, found.adjusted[axis].part
    mine = alone & (part == part[number]) & alone[number]
    other = [names.rows_of("setup", int(k)) for k in np.flatnonzero(mine) if k != number]
    return np.concatenate([np.zeros(0, np.int64), *other])


def _terms(setup: str, shape: Transformation, names: Names) -> list[Shift]:
    """Return rotation, scale, tilt and drift of a set-up, as far as they could be tested."""
    made: dict[str, Shift] = {}
    for axis, fitted in enumerate((shape.h, shape.v)):
        for kind, term in fitted.terms.items() if fitted else ():
            one = _term_row(setup, kind, term, axis, shape, names)
            # A drift shows in one axis or the other; the surer one speaks.
            if kind not in made or (one.suspicious, -term.p) > (made[kind].suspicious, -made[kind].p):
                made[kind] = one
    return list(made.values())


def _term_row(setup: str, kind: str, term: Term, axis: int, shape: Transformation, names: Names) -> Shift:
    fitted, unit = (shape.h, names.unit) if axis == 0 else (shape.v, names.unit_up)
    is_chosen = fitted is not None and kind in fitted.chosen
    size = float(np.linalg.norm(term.value))
    rate = float(term.value[0]) if len(term.value) == 1 else size
    span = term.reach_m / size if size > 0 else 0.0
    d = np.full(3, np.nan)
    if kind == "drift":
        d = _along(axis, term.value * span)
        said = f"{small(abs(size) * 3600, unit)} an hour"
    else:
        said = f"{np.degrees(rate) * 3600:.1f} arc seconds" if kind == "rotation" else f"{rate * 1e6:.1f} ppm"
    said += f", {small(term.reach_m, unit)} at the {'later' if kind == 'drift' else 'farther'} points"
    looks, remedy = {
        "rotation": ("turned against the others: a localization done again, or another orientation",
                     "Find which localization this set-up ran on, and compute its occupations with the one of the job"),
        "scale": ("grows with distance: grid and ground mixed, or a localization with a scale of its own",
                  "Check the combined factor and the projection in the rover for this set-up"),
        "tilt": ("heights tilt across the site: a localization done again, or another geoid",
                 "Find which height reference and localization this set-up ran on"),
        "drift": ("drifts with time: a tripod or a base mount that was bumped or sank, or corrections that wandered",
                  "Look at the base's log; observe the points of this set-up again"),
    }[kind]  # fmt: skip
    return Shift(
        "set-up", setup, kind, d, np.full(3, np.nan), term.p, shape.points, is_chosen, looks,
        f"{said}, from {shape.points} shared points", remedy, reach_m=(term.reach_m, float(np.max(term.sigma)) * span),
        rate=float(np.degrees(rate)) if kind == "rotation" else rate * 1e6,
    )  # fmt: skip


def _name_translation(one: Shift, chosen: set[str], is_raised: bool, alone: bool, names: Names) -> None:
    (de, dn), unit = one.d[:2], names.unit
    azimuth = np.degrees(np.arctan2(de, dn)) % 360
    up = f" and {names.up(one.d[2])} in height" if is_raised else ""
    against = "the other set-up" if alone else "the majority of set-ups"
    one.evidence = (
        f"its {one.points} shared points lie {length(np.hypot(de, dn), unit)} at grid azimuth {azimuth:.0f} deg{up} "
        f"from {against} (east {signed(de, unit)} {unit}, north {signed(dn, unit)} {unit}, each +/- "
        f"{length(Z95 * one.sigma[0], unit)} at 95 %)"
    )
    one.looks_like = "base on another coordinate" if not chosen else "base on another coordinate or localization"
    if chosen & {"rotation", "tilt"}:
        one.looks_like = "a localization done again"
    which = "Which of the two is off closures cannot say: a control tie can. " if alone else ""
    one.remedy = (
        f"{which}Compare the base coordinate entered for this set-up with the others'; if it was another, "
        f"apply this shift or compute anew"
    )


def _name_height(one: Shift, with_plane: bool, alone: bool, names: Names) -> None:
    against = "the other set-up's" if alone else "those of the majority of set-ups"
    one.evidence = (
        f"the heights of its {one.points} shared points are {names.up(one.d[2])} against {against} (+/- "
        f"{length(Z95 * one.sigma[2], names.unit_up)} at 95 %)"
    )
    if with_plane:
        one.looks_like, one.remedy = "height of the base coordinate", "Settle it with the position of this base"
        return
    one.looks_like = "antenna height of the base, or the height of its coordinate"
    one.evidence += f", the position agrees{near_step(one.d[2])}"
    one.remedy = "Compare the base's antenna height and height in the field book with what was entered"


def _of_height(one: CommonHeight, stops: Sessions, start_s: Array, names: Names) -> Shift:
    """Return a crew's, an antenna height's or a stretch's common height as a row."""
    rows = names.rows_of(one.scope, one.number) if one.scope != "stretch" else _stretch_rows(one, stops, start_s, names)
    crew = stops.label["crew"][one.stops]
    who = names.crew[crew[0]] if len(crew) and crew[0] >= 0 and (crew == crew[0]).all() else "no crew named"
    begin, end = (f(stops.start_s[one.stops]) for f in (np.nanmin, np.nanmax))
    when = clock.moment(float(begin), names.zone)
    until = _until(begin, end, names)
    label = {"antenna": names.antenna, "usual": names.antenna, "pole": names.pole, "crew": names.crew}.get(one.scope)
    setup = label[one.number] if label else f"{who} {when} to {until}"
    usual = _typed(one, stops, names)
    scope = "crew" if one.scope == "crew" else "antenna height" if label else "stretch of work"
    others = stops.row[np.isin(stops.of_row, one.others)]
    which = {0: "Which of the two is off closures cannot say: a control tie can. " if len(one.others) else "",
             1: f"The others agree with {one.says}. ",
             -1: f"These agree with {one.says}: the others are off. "}[one.off]  # fmt: skip
    if one.off < 0:
        setup, rows, others = f"what is compared with {setup}", others, rows[:0]
    du = -one.du if one.off < 0 else one.du
    return Shift(
        scope, setup, "height",
        _along(1, du), _along(1, np.sqrt(one.variance)), one.p, one.points, True,
        looks_like="antenna height mistyped",
        evidence=f"from {when} to {until} the heights of {one.points} points are {names.up(one.du)} (+/- "
        f"{length(Z95 * np.sqrt(one.variance), names.unit_up)} at 95 %) against their other visits, the positions "
        f"agree{usual}{near_step(one.du)}",
        remedy=f"{which}Compare the antenna height in the field book with the one entered; apply this shift, or "
        f"observe again",
        rows=rows, vectors=np.tile([0.0, 0.0, du], (len(rows), 1)), opposite=others if one.off == 0 else others[:0],
    )  # fmt: skip


def _until(begin: float, end: float, names: Names) -> str:
    """Return when something ended, the time alone where it began on the same day or nearly."""
    return clock.moment(float(end), names.zone, "%H:%M" if end - begin < 20 * 3600 else clock.MOMENT)


def _of_control(found: Search, names: Names) -> list[Shift]:
    """Return the set-ups that are off where something is known."""
    made: list[Shift] = []
    if found.control is None:
        return made
    at = found.control
    first = at.order
    for k, axis in zip(*np.nonzero(found.off_control[first]), strict=True):
        k = int(first[k])
        setup, rows = names.setup[at.setup[k]], names.rows_of("setup", int(at.setup[k]))
        own_sigma = float(np.sqrt(at.variance[k, axis]))
        d, sigma = _along(axis, at.d[k, AXES[axis]]), _along(axis, own_sigma)
        unit = names.unit if axis == 0 else names.unit_up
        alone = LOOK if at.rows[k] == 1 else "that they agree with each other does not speak against it"
        size = f"{names.up(d[2])} in height"
        if axis == 0:
            size = f"{signed(d[0], unit)} {unit} east, {signed(d[1], unit)} {unit} north"
        made.append(
            Shift(
                "set-up", setup, "translation" if axis == 0 else "height", d, sigma, float(at.p[k, axis]),
                int(at.points[k]), True, "off control",
                f"{counted(int(at.rows[k]), 'occupation')} of this set-up at "
                f"{counted(int(at.points[k]), 'known point')} {'is' if at.rows[k] == 1 else 'are'} "
                f"{size} from what is known, in the mean (+/- "
                f"{length(Z95 * own_sigma, unit)} at 95 %; "
                f"{by_chance(float(at.p[k, axis]))}); {alone}",
                "Compare what this set-up's base or network stood on, its antenna height and its datum with the "
                "control's; apply this shift or observe again",
                rows=rows, vectors=np.tile(np.nan_to_num(d), (len(rows), 1)), off_control=True,
            )
        )  # fmt: skip
    return made


def _of_half(one: Half, axis: int, stops: Sessions, start_s: Array, names: Names) -> Shift:
    """Return what a later part differs by from an earlier one as a row, with every name its rows may have."""
    part = one.part
    later, earlier = (stops.row[np.isin(stops.of_row, side)] for side in (part.later, part.earlier))
    if part.scope == "set-up":  # those of points seen once too
        mine = names.rows_of("setup", part.number)
        if part.crew < 0:
            earlier = mine[start_s[mine] < part.since_s]
        else:
            mine = np.intersect1d(mine, names.rows_of("crew", part.crew))
        later = mine[start_s[mine] >= part.since_s]
    label = {"site": [""], "crew": names.crew, "base": names.base, "set-up": names.setup}[part.scope]
    begin, until = (clock.moment(at, names.zone) for at in (part.since_s, part.until_s))
    owner = label[part.number] if part.scope != "site" else ""
    by_moment = part.scope == "set-up"
    owner = f"{names.crew[part.crew]} under {owner}" if part.crew >= 0 else owner
    setup = f"{owner} from {begin}" if by_moment else "second visits" + (f" of {owner}" if owner else "")
    d, sigma = _along(axis, one.d * (-1 if one.off < 0 else 1)), float(np.sqrt(one.variance))
    unit = (names.unit, names.unit_up)[axis]
    size = f"{names.up(one.d[0])} in height"
    if axis == 0:
        size = f"{signed(one.d[0], unit)} {unit} east, {signed(one.d[1], unit)} {unit} north"
    size += f" (+/- {length(Z95 * sigma, unit)} at 95 %)"
    moment = f", from {begin} on (the occupation before is of {until})" if begin else ""
    chance = by_chance(min(one.p * part.tried, 1.0))
    called, others = (_called(a, b, stops, names) for a, b in ((part.later, part.earlier), (part.earlier, part.later)))
    rows, opposite = (earlier, later) if one.off < 0 else (later, earlier)
    who = {0: "Which of the two is off closures cannot say: control, or a third visit, can. ",
           1: f"The earlier part agrees with {one.says}. ",
           -1: f"The later part agrees with {one.says}. "}[one.off]  # fmt: skip
    return Shift(
        "part of a set-up" if by_moment else "second visits", setup, ("translation", "height")[axis], d,
        _along(axis, sigma), one.p, one.points, True,
        looks_like="one half of the work off against the other: a base, pole or antenna height that was changed",
        evidence=f"at {one.points} points the second visits minus the first are {size}{moment}; {chance}; "
        f"the later occupations are "
        f"{_listed(called)}, the earlier {_listed(others)}",
        remedy=f"{who}Compare base, pole and antenna height of both halves in the field book; applying this shift "
        f"takes it off the {'earlier' if one.off < 0 else 'later'} ones",
        rows=rows, vectors=np.tile(np.nan_to_num(d), (len(rows), 1)),
        opposite=opposite if one.off == 0 else opposite[:0],
    )  # fmt: skip


def _called(mine: Index, others: Index, stops: Sessions, names: Names) -> list[str]:
    """Return every name that some stops have and the others have not."""
    labels = {"setup": names.setup, "crew": names.crew, "antenna": names.antenna, "file": names.file}
    found = []
    for name, words in labels.items():
        label = stops.label[name]
        own = label[mine]
        if len(own) and own[0] >= 0 and (own == own[0]).all() and not (label[others] == own[0]).any():
            found.append(f"{name} {words[own[0]]}" if name == "file" else words[own[0]])
    start = stops.start_s[mine]
    if np.isfinite(start).any():
        begin, end = float(np.nanmin(start)), float(np.nanmax(start))
        apart = np.nanmax(stops.start_s[others]) < begin or np.nanmin(stops.start_s[others]) > end
        since = clock.moment(begin, names.zone)
        if apart:
            found.append(f"those of {since} to {_until(begin, end, names)}")
            noon = clock.moment(begin, names.zone, "%H") >= "12"
            same_day = clock.moment(begin, names.zone, "%d") == clock.moment(end, names.zone, "%d")
            if same_day and (noon or clock.moment(end, names.zone, "%H") < "13"):
                found.append("the afternoon's" if noon else "the morning's")
    return found


def _listed(words: list[str]) -> str:
    return " or ".join(words) if words else "of several crews and times"


def _stretch_rows(one: CommonHeight, stops: Sessions, start_s: Array, names: Names) -> Index:
    """Return the rows of a stretch: those of its crew, or of its set-up, from its first to its last stop."""
    crew, setup = (int(stops.label[name][one.stops[0]]) for name in ("crew", "setup"))
    mine = names.rows_of("crew", crew) if crew >= 0 else names.rows_of("setup", setup)
    begin, end = (f(stops.start_s[one.stops]) for f in (np.nanmin, np.nanmax))
    last = start_s[stops.row[np.isin(stops.of_row, one.stops)]]
    return mine[(start_s[mine] >= begin) & (start_s[mine] <= max(end, float(np.nanmax(last))))]


def _typed(one: CommonHeight, stops: Sessions, names: Names) -> str:
    """Return what the recorded antenna heights say of a common height."""
    if one.scope == "pole":
        return f"; the antenna height recorded there is {names.beside[one.number]}"
    antenna = np.maximum(stops.label["antenna"], stops.label["usual"])[one.stops]
    if not len(antenna) or antenna[0] < 0 or not (antenna == antenna[0]).mean() > 0.9:
        return ""
    return f"; the antenna height recorded there is {names.recorded[antenna[0]]}"


def _of_single(found: Search, names: Names) -> list[Shift]:
    assert found.strangers is not None and found.split is not None
    made, stops = [], found.stops
    order = np.argsort(stops.row)
    stop_of = stops.of_row[order[np.searchsorted(stops.row, found.strangers.stop, sorter=order)]]
    for row, belongs, vector, chance, stop in zip(*found.strangers, stop_of.tolist(), strict=True):
        own, other = names.point[stops.point[stop]], names.point[belongs]
        when = clock.moment(float(stops.start_s[stop]), names.zone)
        made.append(
            Shift(
                "occupation", f"{own} at {other}" + (f" {when}" if when else ""), "name", vector, np.full(3, np.nan),
                float(chance), 1, True, "an occupation under another point's name",
                f"an occupation of {own} lies {_far(float(np.hypot(*vector[:2])), names.unit)} from its others, where "
                f"{other} is; {by_chance(chance)}",
                f"If the field book agrees, reassign it to {other} in the decisions file, or apply this shift",
                rows=np.array([row]), vectors=np.zeros((1, 3)), new_point=int(belongs),
            )
        )  # fmt: skip
    for point, rows, vector in zip(*found.split, strict=True):
        name = names.point[point]
        made.append(
            Shift(
                "point", name, "name", vector, np.full(3, np.nan), 0.0, 1, True, "one name for two points",
                f"{name} lies at two places {_far(float(np.hypot(*vector[:2])), names.unit)} apart, "
                f"{counted(len(rows), 'occupation')} at the second, and no other point is there",
                "Give one of them a name of its own (reassign in the decisions file), or observe again",
                rows=rows, vectors=np.zeros((len(rows), 3)), mends=False,
            )
        )  # fmt: skip
    for one in found.moved:
        rows = stops.row[np.isin(stops.of_row, one.after)]
        name, since = names.point[one.point], clock.moment(one.since_s, names.zone)
        d_h = length(float(np.hypot(*one.d[:2])), names.unit)
        made.append(
            Shift(
                "point", f"mark {name} from {since}", "translation", one.d, np.sqrt(one.variance[[0, 0, 1]]), np.nan, 1,
                True, "a disturbed mark",
                f"{one.before} visits of {name} before {since} agree, {counted(len(one.after), 'visit')} after it "
                f"agree, and {d_h} and {names.up(one.d[2])} in height lie between",
                "Look at the mark; coordinates before and after are two",
                rows=rows, vectors=np.zeros((len(rows), 3)), mends=False,
            )
        )  # fmt: skip
    return made


def table_of(made: list[Shift]) -> pd.DataFrame:
    """Return the `shifts` frame, the suspicious ones first."""
    as_they_are = ("setup", "kind", "scope", "p", "points", "suspicious", "off_control", "message")
    numbers = pd.DataFrame({name: [getattr(one, name) for one in made] for name in as_they_are})
    d, sigma = (np.array([getattr(one, name) for one in made]).reshape(-1, 3) for name in ("d", "sigma"))
    reach, spread = np.array([one.reach_m for one in made], float).reshape(-1, 2).T
    for name, value, half in (
        *zip(("de_m", "dn_m", "du_m"), d.T, Z95 * sigma.T, strict=True), ("reach_m", reach, Z95 * spread)
    ):  # fmt: skip
        numbers[name], numbers[f"{name}_low"], numbers[f"{name}_high"] = value, value - half, value + half
    numbers["reach_m_low"] = np.maximum(numbers["reach_m_low"], 0)
    rate = pd.Series([one.rate for one in made], dtype=float)
    for name, unit in (("rotation", "deg"), ("scale", "ppm"), ("tilt", "ppm")):
        numbers[f"{name}_{unit}"] = rate.where(numbers["kind"] == name)
    for name in ("looks_like", "remedy"):
        numbers[name] = [getattr(one, name) if one.suspicious else None for one in made]
    return SHIFTS.filled(numbers).sort_values("suspicious", ascending=False, kind="stable", ignore_index=True)
