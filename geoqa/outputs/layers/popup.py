"""What a click on a point shows, as tables of columns, and what points may be chosen by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from geoqa.core import clock, units
from geoqa.core.arrays import Array, Frames, Index, np, pd
from geoqa.core.drawing import Cells, Facet, Table
from geoqa.core.frames import wording
from geoqa.core.frames.contract import FILTER, JUDGEMENT, POSITION, Column, is_height, seen_in
from geoqa.core.frames.revisits import NOTHING_TO_DO, REVISITS
from geoqa.core.frames.schema import OWN, POINTS
from geoqa.core.job import Job
from geoqa.outputs import csv_tables
from geoqa.outputs.layers.positions import Places
from geoqa.outputs.text import display_text

numbers = csv_tables.numbers
START = "start"
#: What no click shows: for what a person has to decide on a point; and of a row its file, line and coordinate, by
#: which a decision names it (`geoqa.core.site.decisions`).
QUEUE, ROW = "queue", ("file", "line", "easting", "northing")
#: Said of a pair whose satellites stood alike.
SAME_SKY = "the same again"
#: Columns of `points` that say what its verdict rests on; they stand in a table of their own.
RESTS_ON = ("decision", "checks", "procedure", "procedure_lacks", "basis", "risk", "untested")
RESTS = "What this rests on"
#: A smaller probability of a wrong fix is not worth a line.
WORTH_TELLING = 0.001


@dataclass(frozen=True)
class Length:
    """How lengths are written: in the job's unit, with metres beside where that is a foot."""

    unit: str

    @property
    def spoken(self) -> str:
        """The unit as a heading has it."""
        return self.unit if self.unit == "m" else f"{self.unit} (m)"

    def line(self, head: str, values_m: Array, **more: Any) -> Cells:
        """Return lengths that stand behind their name, with their unit."""
        return self._cells(head, values_m, unit=self.unit, **more)

    def column(self, head: str, values_m: Array, metres: bool = True, minus: str = "", **more: Any) -> Cells:
        """Return lengths below a heading that has their unit; `metres` puts metres beside a foot."""
        return self._cells(self._head(head, metres), values_m, metres, minus=self._head(minus, metres), **more)

    def written(self, values_m: Array) -> Array:
        """Return lengths in metres as they read where they are written."""
        step_m = units.METRES_PER[self.unit] * 10.0 ** -units.decimals(self.unit)
        return np.rint(np.asarray(values_m, dtype=float) / step_m) * step_m

    def _head(self, head: str, metres: bool) -> str:
        return f"{head}, {self.spoken if metres else self.unit}"

    def _cells(self, head: str, values_m: Array, metres: bool = True, finer: int = 0, **more: Any) -> Cells:
        values = np.asarray(values_m, dtype=float)
        beside = values if metres and self.unit != "m" else None
        decimals = units.decimals(self.unit) + finer
        return Cells(head, values / units.METRES_PER[self.unit], "number", decimals, beside=beside, **more)


def lengths(job: Job) -> tuple[Length, Length]:
    """Return how the job writes horizontal lengths, and heights."""
    return Length(job.grid.unit), Length(job.grid.unit_up)


def in_time(occupations: pd.DataFrame) -> pd.DataFrame:
    """Return the occupations in the order they were made."""
    return occupations.sort_values("start_utc", kind="stable") if "start_utc" in occupations else occupations


def with_revisits(points: pd.DataFrame, revisits: pd.DataFrame | None) -> pd.DataFrame:
    """Return the points with what is to be done at each, when, for how long, and when to stop."""
    if revisits is None:
        return points
    at = pd.Index(revisits["point"].astype("str")).get_indexer(points["point"].astype("str"))
    stop = revisits["give_up_after"].astype(float).replace(0.0, np.nan)
    told = {name: revisits[name] for where in (FILTER, JUDGEMENT) for name in seen_in(REVISITS.columns, where)}
    told["give_up_after"] = stop
    return points.assign(**{name: values.array.take(at, allow_fill=True) for name, values in told.items()})


def tables(
    points: pd.DataFrame,
    occupations: pd.DataFrame,
    at: Index,
    frames: Frames,
    places: Places,
    job: Job,
) -> tuple[Table, ...]:
    """Return the tables of the points, whose entries are in the order of `points`.

    Parameters
    ----------
    points
        With what is to be done at each, see `with_revisits`.
    occupations
        In the order of time, as `in_time` gives them.
    at
        Index of the point of each.
    frames
        ``closures``; ``shifts`` with ``shifted``, and ``control_checks``, where they are there.
    """
    plane, height = lengths(job)
    closures = frames["closures"]
    # A pair is named by the numbers that its occupations have among those of their point.
    number = (occupations.groupby(at).cumcount() + 1).to_numpy()
    row = pd.Index(occupations["occupation_id"])
    first, second = (row.get_indexer(closures[f"occupation_{end}"]) for end in "ab")
    visits = "Visits and occupations"
    return (
        Table("Judgement", _judgement(points, plane, height)),
        Table(RESTS, _rests(points, plane, height)),
        Table("Position and uncertainty", _position(points, places, plane, height, job)),
        Table(
            visits,
            (*_occupations(points, occupations, at, number, places, plane, height), *_rows(occupations, plane, job)),
            at,
        ),
        Table(
            "Closures, later minus earlier",
            _closures(closures, number[first], number[second], plane, height),
            found(points, closures),
            (visits, first, second),
        ),
        *(_shifts(points, frames, plane, height) if {"shifts", "shifted"} <= set(frames) else ()),
        *(_control(points, frames["control_checks"], plane, height) if "control_checks" in frames else ()),
    )


def _shifts(points: pd.DataFrame, frames: Frames, plane: Length, height: Length) -> tuple[Table, ...]:
    """Return the suspicious shifts that occupations of each point are part of, and what would settle each."""
    shifts = frames["shifts"]
    shifts = shifts[shifts["suspicious"].astype(bool)]
    of = frames["shifted"][["point", "setup", "kind"]].astype("str").drop_duplicates()
    at = pd.MultiIndex.from_frame(shifts[["setup", "kind"]].astype("str")).get_indexer(
        pd.MultiIndex.from_frame(of[["setup", "kind"]])
    )
    entry = found(points, of)
    kept = (at >= 0) & (entry >= 0)
    told, entry = shifts.iloc[at[kept]], entry[kept]
    if told.empty:
        return ()
    columns = (
        Cells("of", text(told, "setup"), role="shift"),
        Cells("looks like", text(told, "looks_like"), role="looks_like"),
        Cells("what settles it", text(told, "remedy"), role="remedy"),
        plane.column("east", numbers(told, "de_m"), sign=True),
        plane.column("north", numbers(told, "dn_m"), sign=True),
        height.column("up", numbers(told, "du_m"), sign=True),
    )
    return (Table("Suspected shifts", columns, entry),)


def _control(points: pd.DataFrame, checks: pd.DataFrame, plane: Length, height: Length) -> tuple[Table, ...]:
    """Return what was determined minus what is known, at the points that have a known coordinate."""
    checks = checks[checks["setup"].isna()] if "setup" in checks else checks
    entry = found(points, checks)
    checks, entry = checks[entry >= 0], entry[entry >= 0]
    if checks.empty:
        return ()
    columns = (
        Cells("use", text(checks, "use")),
        plane.column("east", numbers(checks, "de_m"), sign=True),
        plane.column("north", numbers(checks, "dn_m"), sign=True),
        height.column("up", numbers(checks, "du_m"), sign=True),
        plane.column("known to, per axis", numbers(checks, "sigma_h_m")),
        height.column("known to, in height", numbers(checks, "sigma_v_m")),
    )
    return (Table("Against its known coordinate, determined minus known", columns, entry),)


def _rules() -> dict[str, Column]:
    """Return the contract of what is told of points: their own columns, and what is to be done at them."""
    return {**REVISITS.columns, **POINTS.columns}


def _told(points: pd.DataFrame, where: str, plane: Length, height: Length) -> dict[float, Cells]:
    """Return the lines that the contract has for a table, by their place."""
    shown = seen_in(_rules(), where).items()
    return {place: _line(points, name, head, plane, height) for name, (place, head) in shown if name not in RESTS_ON}


def _line(points: pd.DataFrame, name: str, head: str, plane: Length, height: Length) -> Cells:
    rule = _rules()[name]
    if rule.kind == "text":
        return Cells(head, text(points, name), role=name)
    if rule.kind == "time":
        return Cells(head, points[name] if name in points else _none(points), "time", role=name)
    values = numbers(points, name)
    if rule.quantity == "probability":
        return Cells(head, values, "probability", before="probability")
    if rule.quantity == "share":
        return Cells(head, values, "share")
    if rule.quantity == "metres":
        return Cells(head, values, "number", 1, unit="m")
    if name.endswith("_s"):
        return Cells(head, values, "span", role=name)
    if name.endswith("_deg"):
        return Cells(head, values, "number", 0, unit="°", role=name)
    if name.endswith("_m"):
        bound = "±" * (rule.quantity == "bound")
        return (height if is_height(name) else plane).line(head, values, before=bound, role=name)
    return Cells(head, values, "number", rule.decimals)


def _in_order(lines: dict[float, Cells]) -> tuple[Cells, ...]:
    return tuple(lines[place] for place in sorted(lines))


def _judgement(points: pd.DataFrame, plane: Length, height: Length) -> tuple[Cells, ...]:
    wrong = np.fmax(numbers(points, "wrong_h"), numbers(points, "wrong_v"))
    wrong = np.where(wrong > WORTH_TELLING, wrong, np.nan)
    return _in_order(
        _told(points, JUDGEMENT, plane, height)
        | {
            10: Cells("status", _status(points)),
            70: Cells("beyond what is accepted", _failing(*_of_points(points))),
            150: Cells("stop after", _counted(numbers(points, "give_up_after"), "more visit")),
            190: Cells("rests on a wrong fix", wrong, "probability", before="probability"),
            900: Cells(QUEUE, wording.queue(points), told=False),
        }
    )


def _rests(points: pd.DataFrame, plane: Length, height: Length) -> tuple[Cells, ...]:
    """Return whose knowledge a verdict rests on, other witnesses, and what nothing of it can see."""
    heads = {name: head for name, (_, head) in seen_in(_rules(), JUDGEMENT).items()}
    if "basis" in points:  # pairs of its own class are the rule, and said of the classes
        points = points.assign(basis=points["basis"].astype("object").mask(points["basis"] == OWN))
    return tuple(_line(points, name, heads[name], plane, height) for name in RESTS_ON)


def _status(points: pd.DataFrame) -> pd.Series:
    """Return the status, with what the horizontal and the height say where they differ."""

    def say(whole: str, h: str, v: str) -> str:
        return f"{whole} (horizontal {h}, height {v})" if h and v and h != v else whole

    return combined(say, *(text(points, name) for name in ("status", "status_h", "status_v")))


def _position(points: pd.DataFrame, places: Places, plane: Length, height: Length, job: Job) -> tuple[Cells, ...]:
    given = np.isfinite(numbers(points, "easting_m"))
    where = pd.Series(np.where(given, "", "none given; drawn at the place of its visits"))
    if job.grid.system.geographic:
        place = tuple(
            Cells(name, np.where(given, values, np.nan), "number", 8, unit="°")
            for name, values in (("longitude", places.lon_deg), ("latitude", places.lat_deg))
        )
    else:
        place = tuple(plane.line(name, numbers(points, f"{name}_m"), grid=name) for name in ("easting", "northing"))
    stated = [f"{units.percent(c)} ellipse" for c in np.unique(numbers(points, "confidence")) if c == c]
    head = stated[0] if stated else "ellipse"
    return _in_order(
        _told(points, POSITION, plane, height)
        | {
            10: Cells("coordinate", where),
            20: place[0],
            30: place[1],
            60: Cells("no radius", _why_none(points, "radius95_m", "var_e_m2", "within_h")),
            80: Cells("no bound of the height", _why_none(points, "up95_m", "var_u_m2", "within_v")),
            90: plane.line(f"{head}, long half axis", numbers(points, "semi_major_m"), finer=1, role="semi_major_m"),
            100: plane.line("short half axis", numbers(points, "semi_minor_m"), finer=1, role="semi_minor_m"),
        }
    )


def _why_none(points: pd.DataFrame, radius: str, variance: str, within: str) -> pd.Series:
    """Return why a position with a variance has no radius (it may rest on a wrong fix), and what does hold."""
    none = np.isfinite(numbers(points, variance)) & np.isnan(numbers(points, radius))
    share = np.round(numbers(points, within), 3)
    distinct, of = np.unique(share[none], return_inverse=True)
    holds = [f"; what is required holds with {units.percent(p)}" if np.isfinite(p) else "" for p in distinct.tolist()]
    said = np.full(len(points), "", dtype=object)
    words = [f"none holds 95 %: a wrong fix may have gone unseen{one}" for one in holds]
    said[none] = np.array(words, dtype=object)[of]
    return pd.Series(said)


def _occupations(
    points: pd.DataFrame,
    occupations: pd.DataFrame,
    at: Index,
    number: Index,
    places: Places,
    plane: Length,
    height: Length,
) -> tuple[Cells, ...]:
    """Return the table of occupations: offsets count from the point's place, as it is written, and mean height."""
    here = at >= 0
    level = numbers(points, "height_m")
    own = numbers(occupations, "height_m")
    mean = pd.Series(own).groupby(at).mean().reindex(range(len(points))).to_numpy()
    level = np.where(np.isnan(level), mean, level)
    # Written beside the place they give the coordinate of the row, to the last digit.
    east, north = (
        plane.written(numbers(occupations, name)) - np.where(here, plane.written(getattr(places, name))[at], np.nan)
        for name in ("easting_m", "northing_m")
    )
    up = own - np.where(here, level[at], np.nan)
    visit, fix = numbers(occupations, "visit"), numbers(occupations, "fix")
    stated = {axis: numbers(occupations, f"sigma_{axis}_m") for axis in "enu"}
    alike = np.array_equal(stated["e"], stated["n"], equal_nan=True)
    return (
        Cells("no.", number.astype(float), "number", 0, role="number"),
        Cells("name as read", text(occupations, "name_read")),
        Cells("visit", np.where(visit > 0, visit, np.nan), "number", 0, role="visit"),
        Cells(
            START, occupations["start_utc"] if "start_utc" in occupations else _none(occupations), "time", role="start"
        ),
        Cells("use", _uses(occupations), role="use"),
        Cells("fix", np.where(fix > 0, fix, np.nan), "number", 0),
        Cells("base", text(occupations, "base"), role="base"),
        Cells("crew", text(occupations, "operator"), role="crew"),
        plane.column("east", east, sign=True, role="east"),
        plane.column("north", north, sign=True, role="north"),
        height.column("up", up, sign=True, role="up"),
        plane.column("stated E N" if alike else "stated E", stated["e"], metres=False),
        *(() if alike else (plane.column("stated N", stated["n"], metres=False),)),
        height.column("stated U", stated["u"], metres=False),
    )


def files(occupations: pd.DataFrame) -> list[str]:
    """Return the names of the files that occupations came from, in the order that `ROW` counts them in."""
    return sorted(text(occupations, "source_file").dropna().astype("str").unique().tolist())


def _rows(occupations: pd.DataFrame, plane: Length, job: Job) -> tuple[Cells, ...]:
    """Return where each occupation stands: its file, its line and its coordinate."""
    file = pd.Index(files(occupations)).get_indexer(text(occupations, "source_file").astype("str"))
    whole = (
        Cells(ROW[0], np.where(file < 0, np.nan, file), "number", 0, told=False),
        Cells(ROW[1], numbers(occupations, "source_line"), "number", 0, told=False, runs=(ROW[0], START)),
    )
    if job.grid.system.geographic:
        sides = (Cells(name, numbers(occupations, f"{axis}_deg"), "number", 8, told=False)
                 for name, axis in zip(ROW[2:], ("lon", "lat"), strict=True))  # fmt: skip
    else:
        sides = (plane.line(name, numbers(occupations, f"{name}_m"), metres=False, told=False, grid=name,
                            plus=plane.column(side, np.zeros(0)).head)
                 for name, side in zip(ROW[2:], ("east", "north"), strict=True))  # fmt: skip
    return *whole, *sides


def _uses(occupations: pd.DataFrame) -> pd.Series:
    """Return the use of each row, and of one that is no direct measurement what it is."""

    def say(use: str, *what: str) -> str:
        return ", ".join([use, *(word for word in what if word not in ("", "measured", "direct"))])

    return combined(say, *(text(occupations, name) for name in ("use", "origin", "method")))


def _closures(closures: pd.DataFrame, first: Index, second: Index, plane: Length, height: Length) -> tuple[Cells, ...]:
    """Return the table of closures, whose ends have these numbers."""
    return (
        Cells("pair", combined(lambda a, b: f"{a} → {b}", pd.Series(first), pd.Series(second)), role="pair"),
        Cells("gap", numbers(closures, "gap_s"), "span", minus=START),
        Cells("sky", combined(lambda same: SAME_SKY if same else "", _flags(closures, "sky_repeats")), role="sky"),
        Cells("independence", text(closures, "independence_h")),
        plane.column("east", numbers(closures, "de_m"), sign=True, minus="east"),
        plane.column("north", numbers(closures, "dn_m"), sign=True, minus="north"),
        height.column("up", numbers(closures, "du_m"), sign=True, minus="up"),
        plane.column("horizontal", numbers(closures, "horizontal_m")),
        plane.column("accepted", numbers(closures, "tolerance_h_m")),
        height.column("accepted up", numbers(closures, "tolerance_v_m")),
        Cells("beyond", _failing(*_of_closures(closures))),
        Cells("status", text(closures, "status")),
    )


def _flags(frame: pd.DataFrame, name: str) -> pd.Series:
    return frame[name].fillna(False).astype(bool) if name in frame else pd.Series(np.zeros(len(frame), bool))


def combined(say: Callable[..., str], *columns: pd.Series) -> pd.Series:
    """Return what `say` makes of the columns' values, asked once for each combination that occurs."""
    parts = [pd.factorize(column, use_na_sentinel=False) for column in columns]
    codes = np.zeros(len(columns[0]), dtype=np.intp)
    for own, values in parts:
        codes = codes * max(len(values), 1) + own
    _, first, back = np.unique(codes, return_index=True, return_inverse=True)
    rows = zip(*(np.asarray(values, dtype=object)[own[first]].tolist() for own, values in parts), strict=True)
    words = [say(*("" if value != value else value for value in row)) for row in rows]
    return pd.Series(np.asarray(words, dtype=object)[back])


def found(points: pd.DataFrame, frame: pd.DataFrame) -> Index:
    """Return, per row of `frame`, the position of its point in `points`; -1 where there is none."""
    codes, names = pd.factorize(frame["point"], use_na_sentinel=False)
    at = pd.Index(points["point"].astype("str")).get_indexer(pd.Index(names).astype("str"))
    return at[codes] if len(codes) else np.zeros(0, dtype=np.intp)


def text(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a column of text; all of it missing where the frame has none."""
    if name not in frame:
        return pd.Series([None] * len(frame), dtype="str")
    return (wording.cover(frame) if name == "canopy" else frame[name]).reset_index(drop=True)


def texts(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a column as a list of text."""
    return [str(value) for value in text(frame, name).astype("str").fillna("").tolist()]


def _of_points(points: pd.DataFrame) -> tuple[Array, ...]:
    names = ("worst_horizontal_m", "limit_h_m", "worst_vertical_m", "limit_v_m")
    return tuple(numbers(points, name) for name in names)


def _of_closures(closures: pd.DataFrame) -> tuple[Array, ...]:
    names = ("horizontal_m", "tolerance_h_m", "du_m", "tolerance_v_m")
    return tuple(np.abs(numbers(closures, name)) for name in names)


def _failing(h: Array, limit_h: Array, v: Array, limit_v: Array) -> pd.Series:
    """Return which components of closures are beyond their limits, so that they stand out; empty where none is."""
    return combined(wording.failing, pd.Series(h > limit_h), pd.Series(v > limit_v))


def _counted(values: Array, noun: str) -> pd.Series:
    """Return whole numbers with their noun; missing where there is none."""
    return combined(lambda n: units.counted(int(n), noun) if n != "" else "", pd.Series(values))


def _none(frame: pd.DataFrame) -> pd.Series:
    return pd.Series(pd.NaT, index=range(len(frame)), dtype="datetime64[s, UTC]")


def facets(points: pd.DataFrame, occupations: pd.DataFrame, at: Index, job: Job) -> tuple[Facet, ...]:
    """Return what tells the points apart: every facet with more than one value.

    Parameters
    ----------
    at
        Index of the point of each occupation.
    """
    own = np.arange(len(points))
    offered = (
        *(Facet(head, own, _chosen_by(points, name)) for name, (_, head) in seen_in(_rules(), FILTER).items()),
        Facet("Base", at, text(occupations, "base")),
        Facet(f"Day, {clock.name(job)}", at, _days(occupations, job)),
        Facet("Crew", at, text(occupations, "operator")),
    )
    return tuple(facet for facet in offered if len({display_text(text) for text in pd.unique(facet.texts)}) > 1)


def _chosen_by(points: pd.DataFrame, name: str) -> pd.Series:
    """Return what points are chosen by; where some are to be visited, nothing is to be done at the others."""
    words = text(points, name)
    return words.astype("object").fillna(NOTHING_TO_DO) if name == "action" and words.notna().any() else words


def _days(occupations: pd.DataFrame, job: Job) -> pd.Series:
    """Return the day each occupation began on, as the crew counts days."""
    if "start_utc" not in occupations:
        return text(occupations, "start_utc")
    codes, days = pd.factorize(clock.days(occupations["start_utc"], job))
    return pd.Series(pd.Categorical.from_codes(codes, days.strftime(clock.DAY)))
