"""What a click on a point shows: its judgement, its visits and occupations, its closures, as text.

Text is made a column at a time; the rows of one point are then a slice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoqa.core import geodesy, units

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job
    from geoqa.outputs.layers.place import Places

    Array = NDArray[np.float64]

Section = dict[str, Any]
MISSING = "–"


@dataclass(frozen=True)
class Length:
    """How lengths are written: in the job's unit, with metres beside where that is a foot."""

    unit: str

    @property
    def spoken(self) -> str:
        """The unit as a heading has it."""
        return self.unit if self.unit == "m" else f"{self.unit} (m)"

    def texts(self, values_m: Any, sign: bool = False, metres: bool = True) -> list[str]:
        """Return lengths as text without their unit; `metres` puts metres beside a foot."""
        values = np.asarray(values_m, dtype=float)
        plus = "+" if sign else ""
        own = [f"{v:{plus}.{units.decimals(self.unit)}f}" for v in (values / units.METRES_PER[self.unit]).tolist()]
        if self.unit != "m" and metres:
            own = [f"{a} ({v:{plus}.3f})" for a, v in zip(own, values.tolist(), strict=True)]
        return [MISSING if gone else text for gone, text in zip(np.isnan(values), own, strict=True)]

    def with_unit(self, values_m: Any) -> list[str]:
        """Return lengths as text with their unit."""
        if self.unit == "m":
            return [text if text == MISSING else f"{text} m" for text in self.texts(values_m)]
        return [
            text if text == MISSING else text.replace(" (", f" {self.unit} (").replace(")", " m)")
            for text in self.texts(values_m)
        ]


def details(
    points: pd.DataFrame, occupations: pd.DataFrame, closures: pd.DataFrame, places: Places, job: Job
) -> list[list[Section]]:
    """Return the sections of every point, in the order of `points`."""
    plane, height = Length(job.input.unit), Length(job.input.unit_height or job.input.unit)
    if "start_utc" in occupations:
        occupations = occupations.sort_values("start_utc", kind="stable")
    judgement = _judgement(points, plane, height)
    position = _position(points, places, plane, height, job)
    row_head, columns = _said(_occupation_head(plane, height), _occupations(points, occupations, places, plane, height))
    rows = _by_point(points, occupations, columns)
    pair_head, columns = _said(_closure_head(plane, height), _closures(occupations, closures, plane, height))
    pairs = _by_point(points, closures, columns)
    return [
        [
            {"title": "Judgement", "rows": judgement[i]},
            {"title": "Position and uncertainty", "rows": position[i]},
            *_table("Visits and occupations", row_head, rows[i]),
            *_table("Closures, later minus earlier", pair_head, pairs[i]),
        ]
        for i in range(len(points))
    ]


def _said(head: list[str], columns: list[list[str]]) -> tuple[list[str], list[list[str]]]:
    """Return the head and the columns that say something anywhere on the site."""
    kept = [(name, column) for name, column in zip(head, columns, strict=True) if set(column) - {"", MISSING}]
    return [name for name, _ in kept], [column for _, column in kept]


def _table(title: str, head: list[str], rows: list[Any]) -> list[Section]:
    return [{"title": title, "head": head, "rows": rows}] if rows else []


def _judgement(points: pd.DataFrame, plane: Length, height: Length) -> list[list[tuple[str, str]]]:
    parts = {
        "status": _status(points),
        "why": texts(points, "reason"),
        "deliver": texts(points, "deliver"),
        "because": texts(points, "deliver_reason"),
        "reviewer": texts(points, "decision"),
        "risk": _risk(points),
        "untested": texts(points, "untested"),
        "canopy": texts(points, "canopy"),
        "largest closure": _pair(
            plane.with_unit(numbers(points, "worst_horizontal_m")),
            height.with_unit(numbers(points, "worst_vertical_m")),
        ),
    }
    return _lines(parts)


def _status(points: pd.DataFrame) -> list[str]:
    """Return the status, with what the horizontal and the height say where they differ."""
    parts = zip(*(texts(points, name) for name in ("status", "status_h", "status_v")), strict=True)
    return [f"{whole} (horizontal {h}, height {v})" if h and v and h != v else whole for whole, h, v in parts]


def _position(
    points: pd.DataFrame, places: Places, plane: Length, height: Length, job: Job
) -> list[list[tuple[str, str]]]:
    given = np.isfinite(numbers(points, "easting_m"))
    where = ["" if known else "none given; drawn at the place of its visits" for known in given]
    if geodesy.of(job).geographic:
        names, values = ("longitude", "latitude"), _degrees(places, given)
    else:
        names = ("easting", "northing")
        values = [plane.with_unit(np.where(given, numbers(points, f"{name}_m"), np.nan)) for name in names]
    confidence = [f"{units.percent(c)} " if c == c else "" for c in numbers(points, "confidence").tolist()]
    axes = zip(
        confidence, plane.with_unit(numbers(points, "semi_major_m")), plane.with_unit(numbers(points, "semi_minor_m")),
        numbers(points, "azimuth_deg").tolist(), strict=True,
    )  # fmt: skip
    ellipses = [
        "" if a == MISSING else f"{c}{a} by {b}" + (f", long axis {z:.0f}° from grid north" if z == z else "")
        for c, a, b, z in axes
    ]
    parts = {
        "coordinate": where,
        **dict(zip(names, values, strict=True)),
        "height": height.with_unit(numbers(points, "height_m")),
        "radius, 95 %": _or_why_none(points, plane.with_unit(numbers(points, "radius95_m")), "var_e_m2"),
        "height, 95 %": _or_why_none(
            points,
            [text if text == MISSING else f"± {text}" for text in height.with_unit(numbers(points, "up95_m"))],
            "var_u_m2",
        ),
        "ellipse": ellipses,
    }
    return _lines(parts)


def _risk(points: pd.DataFrame) -> list[str]:
    """Return the risk in words, and the probability of a wrong fix where it is worth telling."""
    wrong = np.fmax(numbers(points, "wrong_h"), numbers(points, "wrong_v"))
    return [
        ""
        if risk != risk
        else f"{_percent(risk)} to be outside the requirement"
        + (f"; {_percent(unseen)} to rest on a wrong fix" if unseen > 0.001 else "")
        for risk, unseen in zip(numbers(points, "risk").tolist(), wrong.tolist(), strict=True)
    ]


def _percent(share: float) -> str:
    if share < 0.0001:
        return "under 0.01 %"
    return f"{100 * share:.2g} %" if share < 0.0995 else f"{100 * share:.0f} %"


def _or_why_none(points: pd.DataFrame, said: list[str], variance: str) -> list[str]:
    """Return radii in words; a position with a variance and no radius may too easily rest on a wrong fix."""
    some = np.isfinite(numbers(points, variance)).tolist()
    why = "none holds 95 %: a wrong fix may have gone unseen"
    return [why if known and text == MISSING else text for text, known in zip(said, some, strict=True)]


def _degrees(places: Places, given: NDArray[np.bool_]) -> list[list[str]]:
    return [
        [f"{v:.8f}°" if known else MISSING for v, known in zip(values.tolist(), given, strict=True)]
        for values in (places.lon_deg, places.lat_deg)
    ]


def _occupation_head(plane: Length, height: Length) -> list[str]:
    return [
        "no.", "name as read", "visit", "start, UTC", "use", "initialization", "base",
        f"east, {plane.spoken}", f"north, {plane.spoken}", f"up, {height.spoken}",
        f"stated E N U, {plane.unit}",
    ]  # fmt: skip


def _occupations(
    points: pd.DataFrame, occupations: pd.DataFrame, places: Places, plane: Length, height: Length
) -> list[list[str]]:
    """Return the columns of the table of occupations: offsets count from the point's place and mean height."""
    at = found(points, occupations)
    here = at >= 0
    level = numbers(points, "height_m")
    mean = occupations.groupby(at)["height_m"].mean() if "height_m" in occupations else pd.Series(dtype=float)
    level = np.where(np.isnan(level), mean.reindex(range(len(points))).to_numpy(), level)
    offset = {
        name: numbers(occupations, f"{name}_m") - np.where(here, centre[at], np.nan)
        for name, centre in (("easting", places.easting_m), ("northing", places.northing_m), ("height", level))
    }
    stated = zip(*(plane.texts(numbers(occupations, f"sigma_{axis}_m"), metres=False) for axis in "enu"), strict=True)
    return [
        [str(number) for number in _numbered(occupations).tolist()],
        texts(occupations, "name_read"),
        [MISSING if visit == "0" else visit for visit in texts(occupations, "visit")],
        times(occupations, "start_utc"),
        _uses(occupations),
        texts(occupations, "initialization"),
        texts(occupations, "base"),
        plane.texts(offset["easting"], sign=True),
        plane.texts(offset["northing"], sign=True),
        height.texts(offset["height"], sign=True),
        [MISSING if parts == (MISSING,) * 3 else " ".join(parts) for parts in stated],
    ]


def _uses(occupations: pd.DataFrame) -> list[str]:
    """Return the use of each row, and of one that is no direct measurement what it is."""
    parts = zip(*(texts(occupations, name) for name in ("use", "origin", "method")), strict=True)
    plain = ("", "measured", "direct")
    return [", ".join([use, *(word for word in what if word not in plain)]) for use, *what in parts]


def _closure_head(plane: Length, height: Length) -> list[str]:
    return [
        "pair", "gap", "independence",
        f"east, {plane.spoken}", f"north, {plane.spoken}", f"up, {height.spoken}",
        f"horizontal, {plane.spoken}", f"accepted, {plane.spoken}", f"accepted up, {height.spoken}", "status",
    ]  # fmt: skip


def _closures(occupations: pd.DataFrame, closures: pd.DataFrame, plane: Length, height: Length) -> list[list[str]]:
    """Return the columns of the table of closures; a pair is named by the numbers of its occupations."""
    number = pd.Series(_numbered(occupations).to_numpy(), index=occupations["occupation_id"].to_numpy())
    ends = [number.reindex(closures[f"occupation_{end}"].to_numpy()).to_numpy() for end in "ab"]
    return [
        [f"{a:.0f} → {b:.0f}" for a, b in zip(*ends, strict=True)],
        [spoken_gap(seconds) for seconds in numbers(closures, "gap_s").tolist()],
        texts(closures, "independence_h"),
        plane.texts(numbers(closures, "de_m"), sign=True),
        plane.texts(numbers(closures, "dn_m"), sign=True),
        height.texts(numbers(closures, "du_m"), sign=True),
        plane.texts(numbers(closures, "horizontal_m")),
        plane.texts(numbers(closures, "tolerance_h_m")),
        height.texts(numbers(closures, "tolerance_v_m")),
        texts(closures, "status"),
    ]


def _numbered(occupations: pd.DataFrame) -> pd.Series[int]:
    """Return the number of each occupation within its point, from 1."""
    return occupations.groupby("point", observed=True).cumcount() + 1


def _by_point(points: pd.DataFrame, frame: pd.DataFrame, columns: Sequence[list[str]]) -> list[list[tuple[str, ...]]]:
    """Return the rows of `columns` that belong to each point, in their own order."""
    at = found(points, frame)
    order = np.argsort(at, kind="stable")
    cuts = np.searchsorted(at[order], np.arange(len(points) + 1))
    rows = list(zip(*columns, strict=True))
    sorted_rows = [rows[k] for k in order.tolist()]
    return [sorted_rows[a:b] for a, b in zip(cuts[:-1].tolist(), cuts[1:].tolist(), strict=True)]


def _lines(parts: dict[str, list[str]]) -> list[list[tuple[str, str]]]:
    """Return, per point, the lines that say something."""
    names = list(parts)
    return [
        [(name, text) for name, text in zip(names, row, strict=True) if text not in ("", MISSING)]
        for row in zip(*parts.values(), strict=True)
    ]


def _pair(horizontal: Iterable[str], vertical: Iterable[str]) -> list[str]:
    both = zip(horizontal, vertical, strict=True)
    named = ([(word, text) for word, text in zip(("horizontal", "height"), pair, strict=True)] for pair in both)
    return [", ".join(f"{word} {text}" for word, text in pair if text != MISSING) for pair in named]


def found(points: pd.DataFrame, frame: pd.DataFrame) -> NDArray[np.intp]:
    """Return, per row of `frame`, the position of its point in `points`; -1 where there is none."""
    return pd.Index(points["point"].astype(str)).get_indexer(pd.Index(frame["point"].astype(str)))


def texts(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a column as text, empty where it is missing or the frame has none."""
    if name not in frame:
        return [""] * len(frame)
    column = frame[name].astype(object)
    return [str(value) for value in column.where(column.notna(), "").tolist()]


def numbers(frame: pd.DataFrame, name: str) -> Array:
    """Return a column of numbers, NaN where it is missing or the frame has none."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return frame[name].to_numpy(dtype=float, na_value=np.nan)


def times(frame: pd.DataFrame, name: str) -> list[str]:
    """Return a column of times to the minute."""
    if name not in frame:
        return [""] * len(frame)
    return [str(text) for text in frame[name].dt.strftime("%Y-%m-%d %H:%M").astype(object).fillna("").tolist()]


def spoken_gap(seconds: float) -> str:
    """Return a span of time as people say it."""
    if seconds != seconds:
        return MISSING
    minutes = seconds / 60
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h" if minutes < 48 * 60 else f"{minutes / 1440:.1f} d"
