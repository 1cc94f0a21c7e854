"""What a recipe's keys ask of each other; each rule adds every fault it finds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime

import pyarrow as pa
import pyarrow.compute as pc

from geoqa.core import clock, geodesy
from geoqa.core.errors import Fault, GeodesyError, RecipeError
from geoqa.core.job import Match, Recipe, Role, tolerance_table
from geoqa.core.recipe import TIMES, InputFormat, Requirement, Site, Source, Tolerance, sources, wanted
from geoqa.core.units import spoken
from geoqa.readers.text import numbers, row_filter
from geoqa.readers.text.numbers import GPS


def positions(draft: Draft) -> list[Fault]:
    """Return headings, positions and fixed columns that such a file cannot have."""
    fmt, faults = draft.input, []
    for name, place in wanted(draft.columns).items():
        here = f"[input.columns] {name}"
        if fmt.delimiter == "fixed" and not isinstance(place, tuple):
            problem = f'{place!r:.60} is no fixed column, and delimiter = "fixed".'
            remedy = "Write [first, last], the 1-based characters it starts and ends at, such as [11, 24]."
            faults.append(Fault(here, problem, remedy))
        elif fmt.delimiter != "fixed" and isinstance(place, tuple):
            problem = f"{list(place)} is a fixed column, and the delimiter is {fmt.delimiter!r}."
            faults.append(
                Fault(here, problem, 'Add delimiter = "fixed" under [input], or write a heading or a position.')
            )
        elif not fmt.header and isinstance(place, str):
            problem = f"{place!r:.60} is a heading, and header = false."
            faults.append(Fault(here, problem, "Write a 1-based position."))
    return faults + _overlaps(
        {name: place for name, place in wanted(draft.columns).items() if isinstance(place, tuple)}
    )


def _overlaps(spans: dict[str, tuple[int, int]]) -> list[Fault]:
    """Return fixed columns of which each has a part of the other; one may stand in another whole."""
    faults, names = [], sorted(spans, key=lambda name: spans[name])
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            (a, b), (c, d) = spans[one], spans[other]
            if a < c <= b < d:
                problem = f"{list(spans[other])} shares characters {c} to {b} with {one}, {list(spans[one])}."
                faults.append(
                    Fault(f"[input.columns] {other}", problem, "Count the characters from 1 and correct one.")
                )
    return faults


def units(draft: Draft) -> list[Fault]:
    """Return units of easting and northing that differ, and an angle's form where there are no angles."""
    faults, given = [], sources(draft.columns)
    if {"easting", "northing"} <= set(given) and given["easting"].unit != given["northing"].unit:
        own = {name: given[name].unit or draft.input.unit for name in ("easting", "northing")}
        if own["easting"] != own["northing"]:
            problem = f"is in {own['northing']}, and easting is in {own['easting']}."
            faults.append(Fault("[input.columns] northing", problem, "State one unit for both."))
    if draft.input.angle != "dd" and not {"longitude", "latitude"} & draft.names:
        problem = f"is {draft.input.angle!r}, and there is no longitude and latitude."
        faults.append(Fault("[input] angle", problem, "Map longitude and latitude, or remove the line."))
    return faults


def feet(draft: Draft) -> list[Fault]:
    """Return units that are the other foot than the system's or than each other's, unless the recipe says why."""
    if draft.site is None or (draft.input.unit_differs or "").strip():
        return []
    try:
        apart = geodesy.feet_apart(draft.site, draft.input, draft.columns)
    except (GeodesyError, ValueError, RuntimeError):
        return []  # what is wrong with the system is said elsewhere
    return [
        Fault(
            place,
            f"is {unit!r} ({spoken(unit)}), and {what} counts in {spoken(other)}: two million of one are four more of "
            "the other.",
            f'Write "{other}" there; or, if the file truly counts so, unit_differs = "why" under [input].',
        )
        for place, unit, what, other in apart
    ]


def dates(draft: Draft) -> list[Fault]:
    """Return faults of the time format, the columns of times, and the date for rows without one."""
    fmt, faults, given = draft.input, [], sources(draft.columns)
    for name in (name for name in TIMES if name in given):
        here, source = f"[input.columns] {name}", given[name]
        if source.week is not None and fmt.time_format != GPS:
            faults.append(Fault(here, "is a GPS week and seconds.", f'Add time_format = "{GPS}" under [input].'))
        elif source.date is not None and fmt.time_format == GPS:
            problem = f'is a date and a time, and time_format is "{GPS}".'
            faults.append(Fault(here, problem, "State the format of date and time joined by one blank."))
        elif source.date is not None and fmt.date is not None:
            faults.append(Fault(here, "has a date column, and [input] date is stated.", "Keep one of the two."))
    return faults + _date(draft) + _time_format(draft)


def _date(draft: Draft) -> list[Fault]:
    fmt = draft.input
    if fmt.date is None:
        return []
    faults = []
    try:
        if len(fmt.date) != 10:
            raise ValueError
        date.fromisoformat(fmt.date)
    except ValueError:
        faults.append(Fault("[input] date", f"{fmt.date[:60]!r} is not a date.", "Write year-month-day: 2026-02-09."))
    if "start" not in draft.names and not draft.itself:
        faults.append(Fault("[input] date", "stands without a time.", 'Add start = "heading" to [input.columns].'))
    if fmt.time_format == GPS:
        faults.append(Fault("[input] date", f'stands beside "{GPS}", which holds the date.', "Remove it."))
    return faults


def _time_format(draft: Draft) -> list[Fault]:
    fmt = draft.input
    if fmt.time_format in ("iso", GPS):
        return []
    pattern, clock = fmt.time_format, fmt.date is not None
    try:
        if clock and _holds_a_date(pattern):
            raise ValueError(f"{pattern[:60]!r} holds a date, and [input] date states one. Keep one of the two.")
        numbers.check_pattern(f"%Y-%m-%d {pattern}" if clock else pattern)
    except ValueError as error:
        text = str(error)
        if isinstance(error, numbers.PartOfTimeError) and not clock:
            text += f' For rows without a date add date = "2026-02-09"; GPS weeks are "{GPS}".'
        return [Fault("[input] time_format", text)]
    return []


def _holds_a_date(pattern: str) -> bool:
    """Return whether two days are written differently."""
    days = (datetime(2024, 2, 3, 4, 5, 6, tzinfo=UTC), datetime(2025, 3, 5, 4, 5, 6, tzinfo=UTC))
    try:
        one, other = (day.strftime(pattern) for day in days)
    except ValueError:
        return False
    return one != other


#: Which keys say something beside each way of matching.
_KEYS = {
    "name": (),
    "pattern": ("pattern", "offset"),
    "note": ("pattern",),
    "lookup": ("file",),
    "place": ("radius_m",),
}
_EXAMPLES = {
    "pattern": r"pattern = '^(?P<point>\d+)(?:CHK|[A-Z]|-\d+)?$', or offset = 1000",
    "note": r"pattern = 'CK (?P<point>\d+)'",
    "lookup": 'file = "names.csv" (two columns, from and to)',
    "place": "radius_m = 0.5 (metres)",
}


def match_faults(draft: Draft) -> list[Fault]:
    """Return what is wrong with ``[match]``, each key sound for itself."""
    match = draft.match
    if match is None:
        return []
    own = _KEYS[match.by]
    stated = [key for key in ("pattern", "offset", "file", "radius_m") if getattr(match, key) is not None]
    found = []
    if own and not set(own) & set(stated):
        problem = f'must be stated beside by = "{match.by}".'
        found.append(Fault(f"[match] {own[0]}", problem, f"Add {_EXAMPLES[match.by]}."))
    for key in stated:
        if key not in own:
            users = " or ".join(f'"{by}"' for by, keys in _KEYS.items() if key in keys)
            remedy = f"Remove the line, or write by = {users}."
            found.append(Fault(f"[match] {key}", f'says nothing where by = "{match.by}".', remedy))
    if match.by == "note" and "note" not in draft.names:
        remedy = 'Add note = "heading" under [input.columns].'
        found.append(Fault("[match] by", 'is "note", and no column holds one.', remedy))
    if match.pattern is not None:
        found += _pattern(match.pattern)
    return found


def _pattern(pattern: str) -> list[Fault]:
    """Return what is wrong with a pattern, as the engine that will use it sees it."""
    try:
        made = pc.extract_regex(pa.array([""], pa.string()), f"^(?:{pattern})$")
    except (pa.ArrowInvalid, UnicodeEncodeError) as error:
        reason = (
            str(error).removeprefix("Invalid regular expression: ").replace(f"^(?:{pattern})$", "the end is reached")
        )
        problem = f"{pattern!r:.80} is not a pattern that can be used: {reason[:120]}."
        remedy = (
            "Write (?P<point>...) around the part that is the point's name and (?:...) for any other group; looking "
            "ahead or behind and references are not known."
        )
        return [Fault("[match] pattern", problem, remedy)]
    names = [field.name for field in made.type]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        problem = f"{pattern!r:.80} has two groups called {twice[0][:40]}."
        return [Fault("[match] pattern", problem, "Write (?:...|...) inside one group.")]
    if row_filter.cuts_letters(pattern):
        problem = rf"{pattern!r:.80} holds \C, which cuts letters into bytes."
        return [Fault("[match] pattern", problem, "Write . for any sign.")]
    if "point" in names:
        return []
    remedy = r"Put (?P<point>...) around the part that is the point's name."
    return [Fault("[match] pattern", f"{pattern!r:.80} has no group called point.", remedy)]


#: Columns that say where a point is; a recipe that maps none leaves that, and the unit, to the file.
COORDINATES = frozenset({"easting", "northing", "longitude", "latitude"})


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A recipe's tables, each checked for itself; None where one is at fault.

    Attributes
    ----------
    height
        The height reference stated under ``[site]``, sound or not.
    input
        What is sound of ``[input]``, with stand-ins for the rest.
    keys
        The keys stated under ``[input]``, sound or not.
    columns
        What is sound of ``[input.columns]``.
    names
        The columns stated there, sound or not.
    itself
        Whether the recipe leaves all that rows hold to the files, as receivers' logs say it.
    read
        Whether a file has been looked at: what is still missing, it does not say.
    """

    site: Site | None
    height: str | None
    input: InputFormat
    keys: frozenset[str]
    columns: Mapping[str, str | int | Source]
    names: frozenset[str]
    itself: bool
    match: Match | None
    tolerance: Tolerance | None
    requirement: Requirement | None
    roles: Mapping[str, Role]
    read: bool = False

    @property
    def left(self) -> bool:
        """Whether names and places are left to a file that is still to be read."""
        return not self.read and not COORDINATES & self.names

    def judged(self) -> list[tuple[str, Tolerance, Requirement]]:
        """Return the table, tolerance and requirement of the whole job and of each role."""
        whole = [("[tolerance]", self.tolerance, self.requirement)] if self.tolerance and self.requirement else []
        own = ((tolerance_table(name), role.tolerance, role.requirement) for name, role in self.roles.items())
        return [*whole, *own]


def check(draft: Draft, at: str, faults: list[Fault]) -> InputFormat:
    """Add to `faults` what does not go together; return the input's format completed by the rest."""
    for rule in RULES:
        faults += [Fault(f"{at}: {fault.where}", fault.problem, fault.remedy) for fault in rule(draft)]
    if draft.input.initialization is None and "initialization" in draft.names:
        return replace(draft.input, initialization="column")
    return draft.input


def _coordinates(draft: Draft) -> list[Fault]:
    plane, globe = {"easting", "northing"} & draft.names, {"longitude", "latitude"} & draft.names
    faults = []
    if "point" not in draft.names and not draft.left and not (draft.match and draft.match.by == "place"):
        faults.append(_column("point", "must be stated."))
    if plane and globe:
        problem = "holds both easting, northing and longitude, latitude."
        faults.append(Fault("[input.columns]", problem, "Keep the pair that was measured and remove the other."))
    elif draft.read and not (plane or globe):
        problem = "says not where the coordinates are, and the file does not say it itself."
        remedy = "Add easting and northing, or longitude and latitude; `geoqa recipe FILE` proposes them."
        faults.append(Fault("[input.columns]", problem, remedy))
    elif plane or globe:
        pair = ("easting", "northing") if plane else ("longitude", "latitude")
        faults += [_column(name, "must be stated beside the other.") for name in pair if name not in draft.names]
    return faults


def _column(name: str, problem: str) -> Fault:
    return Fault(f"[input.columns] {name}", problem, f'Add {name} = "heading" (or its 1-based position).')


_GEOGRAPHIC = "State the geographic system the file is in, or map easting and northing."


def _system(draft: Draft) -> list[Fault]:
    if draft.site is None:
        return []
    try:
        system = geodesy.system(draft.site.crs, unit=draft.input.unit)
    except GeodesyError as error:
        stated = repr(draft.site.crs)
        return [Fault("[site] crs", str(error).replace(stated, stated if len(stated) <= 80 else f"{stated[:77]}..."))]
    except (ValueError, RuntimeError) as error:
        return [Fault("[site] crs", f"cannot be used ({str(error)[:80]}).", "Write its code, such as EPSG:2193.")]
    globe, plane = ({"longitude", "latitude"} & draft.names, {"easting", "northing"} & draft.names)
    if draft.site.crs == geodesy.LOCAL and globe:
        problem = 'is "local", a plain frame, and the columns are longitude and latitude.'
        return [Fault("[site] crs", problem, _GEOGRAPHIC)]
    if draft.site.crs == geodesy.LOCAL:
        return []
    named = [key for key in ("combined_factor", "localization") if getattr(draft.site, key) is not None]
    if named:
        problem = f"belongs to a local frame, and crs is {draft.site.crs!r}."
        return [Fault(f"[site] {key}", problem, 'State crs = "local", or remove the line.') for key in named]
    if system.geographic and plane:
        problem = f"{draft.site.crs!r} ({system.name}) counts in degrees, and the columns are easting and northing."
        remedy = "State the projected system the file is in, or map longitude and latitude."
        return [Fault("[site] crs", problem, remedy)]
    if not system.geographic and globe:
        problem = f"{draft.site.crs!r} ({system.name}) is projected, and the columns are longitude and latitude."
        return [Fault("[site] crs", problem, _GEOGRAPHIC)]
    return []


def _pairs(draft: Draft) -> list[Fault]:
    """Columns that need each other, and columns that say the same thing."""
    names, faults = draft.names, []
    needs = (
        ("sigma_e", "sigma_n"), ("sigma_n", "sigma_e"), ("cov_en", "sigma_e"), ("cov_eu", "sigma_e"),
        ("cov_eu", "sigma_u"), ("cov_nu", "sigma_e"), ("cov_nu", "sigma_u"), ("end", "start"),
        ("precision_v", "height"), ("sigma_u", "height"),
    )  # fmt: skip
    for name, other in needs:
        if name in names and other not in names and not (other == "height" and draft.left):
            remedy = f'Add {other} = "heading" (or its 1-based position), or remove {name}.'
            faults.append(Fault(f"[input.columns] {name}", f"needs {other} beside it.", remedy))
    for one, other in (("precision_h", "sigma_e"), ("precision_h", "sigma_n"), ("precision_v", "sigma_u")):
        if one in names and other in names:
            faults.append(Fault(f"[input.columns] {one}", f"stands beside {other}.", "Keep one of the two."))
    return faults


def _heights(draft: Draft) -> list[Fault]:
    if draft.left and "height" not in draft.names:
        return []
    if "height" not in draft.names:
        return [
            Fault(table.replace("tolerance", "requirement"), 'judge = "v", and there is no height.', _HEIGHT_COLUMN)
            for table, _, requirement in draft.judged()
            if requirement.judge == "v"
        ]
    remedy = 'Add height = "ellipsoidal", or a label such as height = "NZVD2016".'
    stated = [Fault("[site] height", "must be stated: the input has heights.", remedy)] if draft.height is None else []
    problem = "must be stated: the input has heights and they are judged."
    remedy = 'Add vertical_m = ... (metres), or judge = "h" under [requirement].'
    return stated + _whole_first(
        [
            Fault(f"{table} vertical_m", problem, remedy)
            for table, tolerance, requirement in draft.judged()
            if "v" in requirement.judge and tolerance.vertical_m is None
        ]
    )


def _requirements(draft: Draft) -> list[Fault]:
    """Find requirements that state one limit and not the other one they judge: nothing could be delivered."""
    faults, problem = [], "must be stated: it is judged, and without it nothing can be delivered."
    for table, _, requirement in draft.judged():
        limits = {"h": requirement.horizontal_m, "v": requirement.vertical_m}
        judged = requirement.judge if "height" in draft.names else requirement.judge.replace("v", "")
        for axis, name in (("h", "horizontal_m"), ("v", "vertical_m")):
            other = "v" if axis == "h" else "h"
            if axis in judged and limits[axis] is None and limits[other] is not None:
                remedy = f'Add {name} = ... (metres), or judge = "{other}".'
                faults.append(Fault(f"{table.replace('tolerance', 'requirement')} {name}", problem, remedy))
    return _whole_first(faults)


def _whole_first(faults: list[Fault]) -> list[Fault]:
    """Return the whole job's faults alone where there are any: a role that inherits one would repeat it."""
    return [fault for fault in faults if not fault.where.startswith("[roles.")] or faults


_HEIGHT_COLUMN = 'Add height = "heading" under [input.columns], or judge = "h".'


def _precision(draft: Draft) -> list[Fault]:
    conventional: list[str] = [name for name in ("precision_h", "precision_v") if name in draft.names]
    plain: list[str] = [name for name in ("sigma_e", "sigma_n", "sigma_u") if name in draft.names]
    if conventional and "precision" not in draft.keys:
        problem = f"must be stated: {' and '.join(conventional)} can mean several things."
        remedy = 'Add precision = "sigma" (per axis), "drms", "2drms", "cep50" or "radius95".'
        return [Fault("[input] precision", problem, remedy)]
    if draft.input.precision == "none" and conventional + plain:
        problem = f'is "none", and a column is mapped ({", ".join(conventional + plain)}).'
        return [Fault("[input] precision", problem, "State what the column means, or remove it from [input.columns].")]
    return []


def _distances(draft: Draft) -> list[Fault]:
    faults = []
    for table, tolerance, _ in draft.judged():
        if (tolerance.horizontal_ppm > 0 or tolerance.vertical_ppm > 0) and "base_distance" not in draft.names:
            key = "horizontal_ppm" if tolerance.horizontal_ppm > 0 else "vertical_ppm"
            remedy = 'Add base_distance = "heading" under [input.columns], or set the ppm to 0.'
            faults.append(Fault(f"{table} {key}", "needs the distances to the base.", remedy))
        if tolerance.vertical_ppm > 0 and tolerance.vertical_m is None:
            faults.append(
                Fault(f"{table} vertical_ppm", "needs a constant beside it.", "Add vertical_m = ... (metres).")
            )
    return _whole_first(faults)


def _format(draft: Draft) -> list[Fault]:
    fmt, faults = draft.input, []
    for table, stated, key, test in (
        ("site", draft.site, "timezone", clock.zone), ("input", fmt, "timezone", clock.zone),
        ("input", fmt, "where", row_filter.parse_where),
    ):  # fmt: skip
        text = getattr(stated, key, None)
        try:
            if text is not None:
                test(text)
        except (ValueError, RecipeError) as error:
            faults.append(Fault(f"[{table}] {key}", str(error)))
    if fmt.delimiter == fmt.decimal == ",":
        problem = "is a comma, and so is the decimal sign."
        remedy = (
            'State the delimiter the file has; where it is a comma and numbers stand in quotes, delimiter = "auto".'
        )
        faults.append(Fault("[input] delimiter", problem, remedy))
    return faults


def _initialization(draft: Draft) -> list[Fault]:
    fmt, place, mapped = draft.input, "[input] initialization", "initialization" in draft.names
    stated = fmt.initialization
    choices = (
        '"column" (with a column that names the initialization), "asserted" (with asserted_by = "...") or "unknown"'
    )
    faults = []
    if "initialization" not in draft.keys and not mapped and not draft.itself:
        problem = "must be stated: nothing in the file shows which fixes are fresh."
        faults.append(Fault(place, problem, f"Add initialization = {choices}."))
    if stated == "column" and not mapped:
        faults.append(
            Fault(place, 'is "column", and none is mapped.', 'Add initialization = "heading" to [input.columns].')
        )
    if mapped and stated in ("asserted", "unknown"):
        faults.append(Fault(place, f'is "{stated}", and a column is mapped.', "Keep one of the two."))
    if stated == "asserted" and not (fmt.asserted_by or "").strip():
        faults.append(Fault("[input] asserted_by", "must be stated.", 'Add asserted_by = "name of who asserts it".'))
    if fmt.asserted_by is not None and stated != "asserted":
        remedy = 'Add initialization = "asserted", or remove the line.'
        faults.append(Fault("[input] asserted_by", "asserts nothing here.", remedy))
    return faults


RULES = (
    _coordinates, _system, _pairs, _heights, _requirements, _precision, _distances, _format, _initialization,
    match_faults, positions, units, feet, dates,
)  # fmt: skip
Rule = Callable[[Draft], list[Fault]]
OF_HEIGHTS: tuple[Rule, ...] = (_heights,)
#: Those that a file decides which says itself what the recipe leaves to it.
OF_FILES: tuple[Rule, ...] = (_coordinates, _pairs, _heights, _requirements, _initialization, feet)


def unsaid(job: Recipe, asked: Sequence[Rule] = OF_FILES) -> list[Fault]:
    """Return what neither the recipe says nor the file, whose columns and units `job` already has."""
    keys = {name for name, value in job.input.as_table().items() if value is not None}
    draft = Draft(
        site=job.site, height=job.site.height, input=job.input, keys=frozenset(keys), columns=job.columns,
        names=frozenset(job.columns), itself=False, match=job.match, tolerance=job.tolerance,
        requirement=job.requirement, roles=job.roles, read=True,
    )  # fmt: skip
    faults = [fault for rule in asked for fault in rule(draft)]
    if job.unit_stated or asked is not OF_FILES:
        return faults
    problem = "must be stated: the file does not say it."
    return [Fault("[input] unit", problem, 'Add unit = "m", "ft" or "ftUS".'), *faults]
