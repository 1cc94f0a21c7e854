"""What the columns of a recipe ask of its format: positions, fixed columns, dates, units, angles."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.errors import Fault, GeodesyError
from geoqa.core.source import TIMES, sources, wanted
from geoqa.core.units import spoken
from geoqa.readers import times

if TYPE_CHECKING:
    from geoqa.readers.rules import Draft

GPS = "gps-week-seconds"


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
        times.check_pattern(f"%Y-%m-%d {pattern}" if clock else pattern)
    except ValueError as error:
        text = str(error)
        if "does not give a full date" in text and not clock:
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
