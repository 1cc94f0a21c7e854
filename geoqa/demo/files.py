"""The files of the demo site: field book, recipe, receiver logs, and the truth behind them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from geoqa.core.errors import OutputError
from geoqa.demo.fieldwork import (
    BookLine,
    Dice,
    Point,
    altered,
    csv_text,
    lines,
    occupations,
    points,
    spoiled,
    text,
    visits,
)

RECIPE = """\
# How geoqa is to read and judge the occupations of Totara Saddle, an invented place.
# Copy this file and change it for a job of your own. A line that starts with # is a comment.

[site]
name = "Totara Saddle"
crs = "EPSG:2193"                  # New Zealand Transverse Mercator 2000; east always comes first
height = "NZVD2016"                # what the heights are above; two references are never mixed

[input]
unit = "m"                         # of the coordinates: m, ft (international) or ftUS (US survey)
unit_height = "m"                  # if left out, the same as unit
unit_precision = "m"               # likewise
precision = "sigma"                # SigmaH is one standard deviation per axis, not a 95 % radius
precision_v = "sigma"              # SigmaV is one standard deviation of the height
time_format = "iso"                # 2026-02-09T08:15:30
timezone = "Pacific/Auckland"      # the times are local and do not carry a zone
initialization = "column"          # a column says under which initialization each row was measured
delimiter = ","
header = true                      # the first line holds the headings
skip = 0                           # no lines before it
comment = "#"
decimal = "."
where = "Deleted != 'Y'"           # rows marked as deleted are set aside, and counted
max_bad_rows = 0.20                # more unreadable rows than this share stop the run

# Which heading holds what: on the left geoqa's word, on the right the file's.
[input.columns]
point = "Mark"
easting = "East"
northing = "North"
height = "Height"
precision_h = "SigmaH"
precision_v = "SigmaV"
start = "Start"
end = "End"
initialization = "Init"
base = "Base"
base_distance = "BaseDist"
operator = "Crew"
antenna_height = "AntHt"
canopy = "Cover"
role = "Role"
method = "Method"
origin = "Origin"
solution = "Solution"
satellites = "Sats"
pdop = "PDOP"
note = "Note"

# The file's words on the left, geoqa's (or your own, for canopy and role) on the right.
[input.values.solution]
"RTK FIX" = "fixed"
"RTK FLT" = "float"

[input.values.method]
"DIRECT" = "direct"
"STAKE" = "staking"

[input.values.origin]
"MEAS" = "measured"
"KNOWN" = "control"                # the coordinate of a control point, from an earlier survey
"AVG" = "averaged"                 # made in the office from other rows: it proves nothing new

[input.values.canopy]
"OPEN" = "open"
"LIGHT" = "light"
"BROADLEAF" = "broadleaf"
"PINE" = "dense conifer"

[input.values.role]
"BDY" = "corner"
"TRK" = "track"
"TOPO" = "topo"
"CTL" = "control"

[match]
by = "name"                        # rows with the same name are the same point

# The largest difference between two occupations that this job accepts. There is no default: a
# surveyor answers for these numbers.
[tolerance]
horizontal_m = 0.05
horizontal_ppm = 0.0               # added per distance to the base
vertical_m = 0.08
vertical_ppm = 0.0
convention = "closure"             # compare two occupations with each other, not with their mean

# The largest error that this job accepts in a delivered coordinate, and how sure it must be.
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
confidence = 0.95
judge = "hv"                       # horizontal and vertical both decide

# A role not named here has the values above.
[roles.topo]
single_by_plan = true              # ground shape: one occupation each was planned
fresh_fix_suffices = true

[roles.track]
fresh_fix_suffices = true          # two fixes of one visit are enough for a walking track

[roles.track.tolerance]
horizontal_m = 0.10
vertical_m = 0.15

[roles.track.requirement]
horizontal_m = 0.15
vertical_m = 0.20

# How well the base's own coordinate is known: no comparison of occupations can show its error.
[base]
sigma_h_m = 0.010
sigma_v_m = 0.015

# Where the known coordinates come from. Without it no accuracy is stated: control that this survey
# itself made, or was fitted to, agrees with it whatever its error.
[control]
source = "static survey of the district network, 2024"
oriented_by = []                   # known points the job was fitted to would be named here: they are no check
bases = []                         # likewise marks that a base stood on

# How each corner was to be observed, whatever its closures show. In place of the keys, purpose = "..." names a
# published procedure; required = true holds back every point that is not shown to meet what is asked of it.
[procedure]
occupations = 2                    # visits, each
separation_min = 30                # so long after the one before
new_setup = true                   # the pole set up anew for each
new_initialization = true          # and a fresh fix
duration_s = 40
pdop = 2.8
mask_deg = 10                      # what was set stands in [report]
roles = ["corner"]                 # of topo and track points nothing of this was asked
metadata = ["firmware", "weather"] # what the record must state of the job

# What was measured between points without satellites. It moves no coordinate, and proves a point along what it sees.
[checks]
file = "checks.csv"
record_proves = false              # a distance of record may cast doubt, and proves nothing

# What the report names beside what it computes. What is left out it says is not stated.
[report]
client = "Totara Saddle Trust (invented)"
project = "Boundary and track survey"
prepared_by = "Ridge and Valley Surveys (invented)"
equipment = "two receivers on 2 m poles"
corrections = "a base of one's own"
base_coordinates = "those of the known marks the bases stood on"
base_source = "static survey of the district network, 2024"
datum = "NZGD2000"
epoch = "2000.0"
mask_deg = 10
weather = "dry, light wind; showers on the third afternoon"

# Corners in their order: how precise one is relative to the next. Only the surveyor knows which are adjacent.
[[line]]
name = "north-west boundary"
points = ["TS105", "TS106", "TS107", "TS108", "TS109", "TS110", "TS111", "TS112"]

[[line]]
name = "south boundary"
points = ["TS186", "TS187", "TS188", "TS189", "TS190", "TS191"]
"""


#: Measured checks: from, to, at, kind, how far it is off the truth (metres, degrees), sigma, method, instrument, who,
#: note. Grid distances there are so many times those on the ground, and so high stand the instrument and the target.
GRID_OVER_GROUND, INSTRUMENT_M, TARGET_M = 1.0000426, 1.55, 1.80
_TAPE, _STATION, _LEVEL = ("tape", "tape 2"), ("total station", "station 1"), ("level", "level 1")
CHECKS = (
    ("TS137", "TS138", "", "horizontal distance", 0.006, 0.010, *_TAPE, "KR", ""),
    ("TS138", "TS139", "", "horizontal distance", -0.004, 0.010, *_TAPE, "KR", ""),
    ("TS140", "TS138", "TS139", "angle", 0.004, 0.008, *_STATION, "TM", "through a gap in the trees"),
    ("TS139", "TS138", "", "slope distance", 0.002, 0.004, *_STATION, "TM", ""),
    ("TS139", "TS138", "", "height difference", -0.002, 0.004, *_LEVEL, "TM", "two turns"),
    ("TS134", "TS135", "", "horizontal distance", 0.005, 0.010, *_TAPE, "KR", ""),
    ("TS135", "TS136", "", "horizontal distance", -0.007, 0.010, *_TAPE, "KR", ""),
    ("TS134", "TS136", "", "horizontal distance", 0.100, 0.010, *_TAPE, "KR", ""),
    ("CP9", "TS172", "", "horizontal distance", -0.001, 0.003, *_STATION, "TM", ""),
    ("CP10", "TS172", "CP9", "angle", -0.002, 0.004, *_STATION, "TM", ""),
    ("CP9", "TS172", "", "height difference", 0.001, 0.003, *_LEVEL, "TM", ""),
    ("CP2", "TS189", "", "horizontal distance", 0.002, 0.004, *_STATION, "TM", ""),
    ("CP1", "TS189", "CP2", "angle", -0.003, 0.004, *_STATION, "TM", ""),
    ("TS190", "TS189", "", "horizontal distance", -0.005, 0.010, *_TAPE, "KR", ""),
    ("CP2", "TS189", "", "height difference", 0.001, 0.003, *_LEVEL, "TM", "one turn"),
    ("TS108", "TS109", "", "record distance", 0.030, 0.020, "record", "", "", "plan of 1962"),
)
CHECK_HEADINGS = (
    "from", "to", "at", "kind", "value", "unit", "sigma", "method", "instrument", "who", "when", "note",
    "from_height", "to_height",
)  # fmt: skip

SEED = 20260211
TRUTH_HEADINGS = ("kind", "line", "point", "east_m", "north_m", "height_m", "canopy", "true_point", "what")


def write_site(folder: str | Path) -> tuple[Path, Path]:
    """Write ``occupations.csv``, ``checks.csv`` and ``site.toml`` into `folder`, made if it is not there.

    Returns
    -------
    tuple of Path
        The occupations and the recipe.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    folder = Path(folder)
    marks, book = _simulated()
    table = "".join(line.text for line in book)
    written = _write(folder / "occupations.csv", table)
    _write(folder / "checks.csv", "".join(map(csv_text, (CHECK_HEADINGS, *_checks(marks)))))
    return written, _write(folder / "site.toml", RECIPE)


def _checks(marks: list[Point]) -> Iterator[tuple[str, ...]]:
    """Return the rows of ``checks.csv``: what is between the true places, and what each is off."""
    at = {mark.name: [axis / 1000 for axis in mark.true_mm] for mark in marks}
    for start, end, middle, kind, off, sigma, *how in CHECKS:
        east, north, up = (b - a for a, b in zip(at[start], at[end], strict=True))
        ground, raised, unit = math.hypot(east, north) / GRID_OVER_GROUND, ("", ""), "m"
        if kind == "angle":
            turn, unit = (math.atan2(at[p][0] - at[middle][0], at[p][1] - at[middle][1]) for p in (end, start)), "deg"
            value = math.degrees(next(turn) - next(turn)) % 360
        elif kind == "slope distance":
            raised = (f"{INSTRUMENT_M:.3f}", f"{TARGET_M:.3f}")
            value = math.hypot(ground, up + TARGET_M - INSTRUMENT_M)
        else:
            value = up if kind == "height difference" else ground
        *told, note = how
        digits = 4 if unit == "deg" else 3
        yield (
            start,
            end,
            middle,
            kind,
            f"{value + off:.{digits}f}",
            unit,
            f"{sigma:.3f}",
            *told,
            "2026-02-12",
            note,
            *raised,
        )


def truth_rows() -> list[dict[str, str]]:
    """Return the truth: a row for every point, then one for every line of ``occupations.csv`` after the headings.

    ``kind`` is ``point`` (with coordinates in metres and the canopy) or ``row`` (with its line, the
    name it is filed under, the point it was really measured at, and ``what`` is special about it;
    empty for an ordinary good occupation).
    """
    marks, table = _simulated()
    rows = [_of_point(mark) for mark in marks] + [_of_line(n, line) for n, line in enumerate(table, 1) if n > 1]
    return [dict(zip(TRUTH_HEADINGS, row, strict=True)) for row in rows]


def write_truth(path: str | Path) -> Path:
    """Write `truth_rows` as CSV to `path`; raise OutputError if it cannot be written."""
    rows = [TRUTH_HEADINGS, *(tuple(row.values()) for row in truth_rows())]
    return _write(Path(path), "".join(map(csv_text, rows)))


def _simulated() -> tuple[list[Point], list[BookLine]]:
    dice = Dice(SEED)
    marks = points(dice)
    return marks, lines(spoiled(occupations(altered(visits(marks, dice), dice), dice)), marks, dice)


def _of_point(mark: Point) -> tuple[str, ...]:
    return ("point", "", mark.name, *map(text, mark.true_mm), mark.canopy, mark.name, "")


def _of_line(number: int, line: BookLine) -> tuple[str, ...]:
    if line.row is None:
        return ("row", str(number), "", "", "", "", "", "", line.what)
    point = line.row.point
    return ("row", str(number), line.row.cells["Mark"], "", "", "", point.canopy, point.name, line.what)


def _write(path: Path, content: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode())
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}): name a folder you may write to.") from error
    return path


LOG_SEED = 20260212
LAT, LON, HEIGHT_M, SEPARATION_M = -38.8412, 176.1273, 512.0, 27.4
#: Metres in a degree there, by the radii of curvature of GRS 80 at that latitude.
NORTH_M, EAST_M = 111_022.0, 86_825.0
#: The crew comes back after so long, and walks so long from point to point; seconds.
LATER_S, WALK_S = 5 * 3600, 25
POINTS, SPACING_M = 8, 27.0
#: Under dense conifers one fix of the second visit is a false one, so far east of the truth; metres.
FALSE_FIX, FALSE_M = 1, 0.42
FLOAT, FIXED = 5, 4

LOG_RECIPE = """\
# Three receiver logs of Totara Saddle, an invented place: how long to wait for a fix, and how long to stay.
[site]
name = "Totara Saddle, receiver logs"
crs = "EPSG:4167"                  # New Zealand Geodetic Datum 2000, the system of the corrections
height = "ellipsoidal"             # altitude plus separation
timezone = "Pacific/Auckland"      # logs count in UTC; people read this

[match]
by = "name"                        # the marks name the points

[tolerance]
horizontal_m = 0.05
vertical_m = 0.08

[requirement]
horizontal_m = 0.05
vertical_m = 0.10

[step.nmea]
marks = "marks.csv"                # which point was occupied when, and under what
antenna_height_m = 2.000
"""


@dataclass(frozen=True)
class LogCover:
    """What a canopy class does to a receiver.

    Attributes
    ----------
    name, canopy, prefix
        Of the log, of the class, of its points.
    wait_s, spread
        Median wait for a fix, and the standard deviation of its logarithm.
    patience_s, stay_s
        When the crew gives up, and how long it stays once fixed.
    offset_m, noise_m, lasting_s
        What a whole fix is off, what an epoch is, and how long that lasts.
    day
        On which it was logged.
    north_m
        Where its points lie.
    """

    name: str
    canopy: str
    prefix: str
    wait_s: float
    spread: float
    patience_s: int
    stay_s: int
    offset_m: float
    noise_m: float
    lasting_s: float
    day: int
    north_m: float


COVERS = (
    LogCover("open", "open", "O", 7, 0.3, 90, 60, 0.003, 0.003, 15, 10, 0.0),
    LogCover("light", "light", "L", 28, 0.5, 180, 90, 0.006, 0.006, 25, 11, 90.0),
    LogCover("dense", "dense conifer", "D", 170, 0.6, 270, 120, 0.012, 0.012, 40, 12, 180.0),
)


@dataclass(frozen=True)
class Epoch:
    """One epoch: seconds from the start of the log, metres from its first point, state, stated sigma."""

    s: int
    east: float
    north: float
    up: float
    quality: int
    sigma: float


def write_logs(folder: str | Path) -> list[Path]:
    """Write ``open.nmea``, ``light.nmea``, ``dense.nmea``, ``marks.csv`` and ``logs.toml``; return the logs.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    folder = Path(folder)
    marks = ["point,start,end,canopy,file"]
    files: dict[str, str] = {}
    for cover in COVERS:
        dice = Dice(LOG_SEED + cover.day)
        start = datetime(2026, 2, cover.day, 20, 0, tzinfo=UTC)
        epochs: list[Epoch] = []
        for visit, point in ((v, k) for v in range(2) for k in range(POINTS)):
            begin = (epochs[-1].s + 1 if epochs else 0) + (LATER_S if visit and not point else 0)
            wrong = FALSE_M if cover is COVERS[-1] and visit and point == FALSE_FIX else 0.0
            epochs += _occupation(cover, point, begin, wrong, dice)
            first, last = (f"{start + timedelta(seconds=s):%Y-%m-%dT%H:%M:%SZ}" for s in (begin, epochs[-1].s))
            marks.append(f"{cover.prefix}{point + 1},{first},{last},{cover.canopy},{cover.name}.nmea")
            epochs += _walk(cover, point, epochs[-1], dice)
        files[f"{cover.name}.nmea"] = "".join(f"{line}\r\n" for epoch in epochs for line in _sentences(epoch, start))
    files |= {"marks.csv": "\n".join(marks) + "\n", "logs.toml": LOG_RECIPE}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (folder / name).write_bytes(content.encode())
    except OSError as error:
        raise OutputError(f"{folder} cannot be written ({error.strerror}): name a folder you may write to.") from error
    return [folder / name for name in files if name.endswith(".nmea")]


def _occupation(cover: LogCover, point: int, begin: int, wrong_m: float, dice: Dice) -> list[Epoch]:
    """Return what a receiver at rest says: a float solution that settles, then a fix, unless the crew gives up."""
    wait = max(3, round(cover.wait_s * math.exp(cover.spread * dice.normal())))
    lost = wait > cover.patience_s
    truth = (point * SPACING_M + wrong_m, cover.north_m + point * SPACING_M / 3, 0.0)
    fix = [axis + cover.offset_m * dice.normal() for axis in truth]
    far = [math.copysign(0.2 + abs(0.3 * z), z) for z in (dice.normal(), dice.normal(), dice.normal())]
    keep = math.exp(-1 / cover.lasting_s)
    error = [cover.noise_m * dice.normal() for _ in range(3)]
    found = []
    for s in range(cover.patience_s if lost else wait + cover.stay_s):
        error = [keep * e + math.sqrt(1 - keep * keep) * cover.noise_m * dice.normal() for e in error]
        fixed = s >= wait
        away = 0.0 if fixed else 0.3 + 0.7 * math.exp(-s / max(wait, 1))
        settled = 0.6 * cover.noise_m + 0.008 + 0.05 * math.exp(-(s - wait) / 6) if fixed else 0.1 + 0.5 * away
        place = [at + away * off + e for at, off, e in zip(fix, far, error, strict=True)]
        found.append(Epoch(begin + s, place[0], place[1], place[2], FIXED if fixed else FLOAT, settled))
    return found


def _walk(cover: LogCover, point: int, last: Epoch, dice: Dice) -> Iterator[Epoch]:
    """Return the way from one point to the next, or back to the first; the fix is dropped on the way."""
    goal = (point + 1) % POINTS * SPACING_M
    for k in range(1, WALK_S + 1):
        east = last.east + (goal - last.east) * k / WALK_S + 0.05 * dice.normal()
        north = last.north + (cover.north_m + goal / 3 - last.north) * k / WALK_S + 0.05 * dice.normal()
        yield Epoch(last.s + k, east, north, 0.05 * dice.normal(), FLOAT, 0.5)


def _sentences(epoch: Epoch, start: datetime) -> Iterator[str]:
    moment = start + timedelta(seconds=epoch.s)
    clock = moment.strftime("%H%M%S.00")
    lat, lon = (
        _angle(abs(origin + value / metres), width)
        for origin, value, metres, width in ((LAT, epoch.north, NORTH_M, 2), (LON, epoch.east, EAST_M, 3))
    )
    height = f"{HEIGHT_M + epoch.up:.3f},M,{SEPARATION_M:.3f},M"
    yield _summed(f"GNGGA,{clock},{lat},S,{lon},E,{epoch.quality},17,0.7,{height},1.0,0001")
    sigma = epoch.sigma
    yield _summed(
        f"GNGST,{clock},{sigma:.3f},{1.1 * sigma:.3f},{0.9 * sigma:.3f},0.0,{1.1 * sigma:.3f},{0.9 * sigma:.3f},"
        f"{1.8 * sigma:.3f}"
    )
    if epoch.s % 60 == 0:
        yield _summed(f"GNRMC,{clock},A,{lat},S,{lon},E,0.0,0.0,{moment:%d%m%y},,,A")


def _angle(degrees: float, width: int) -> str:
    whole, minutes = divmod(round(degrees * 60, 7), 60)
    return f"{int(whole):0{width}d}{minutes:010.7f}"


def _summed(body: str) -> str:
    total = 0
    for byte in body.encode():
        total ^= byte
    return f"${body}*{total:02X}"
