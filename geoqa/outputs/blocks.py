"""Drawings as a packed block: what is drawn, and what a click shows, which a browser unpacks when it is asked.

Positions are metres of the spherical Mercator projection that the map library draws in (EPSG:3857),
kept to a millimetre; lengths to a tenth of one, azimuths to a hundredth of a degree.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoqa.core.drawing import PLACE, Cells, Drawing, Facet, Style, Table
from geoqa.core.errors import StepError
from geoqa.core.geodesy import SHEET_RADIUS_M
from geoqa.outputs.packing import Pack, counts
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

#: Latitude beyond which the projection's map ends.
LAST_LAT_DEG = 85.06
PLACE_STEP_M, LENGTH_STEP_M, AZIMUTH_STEP_DEG = 0.001, 0.0001, 0.01
#: Steps of what a cell holds: a hundredth of a percent, a minute.
STEPS = {"share": 0.0001, "span": 60.0, "time": 60.0}
#: Spans are shown in minutes, from the first of these on in tenths of hours, from the second in tenths of days.
SPANS_S = ((90 * 60.0, 360.0), (48 * 3600.0, 8640.0))
#: The ends of vectors are drawn to the millimetre.
_STEPS = {"mark": 1.0, "east_m": PLACE_STEP_M, "north_m": PLACE_STEP_M, "urgency": STEPS["share"]}
#: Columns with a rule of their own below; every other column of a drawing is a number.
_TEXT = ("label", "group")


def packed(drawings: Sequence[Drawing]) -> tuple[list[dict[str, Any]], Pack]:
    """Return the head of every drawing, and the block their columns are in.

    Raises
    ------
    StepError
        If a drawing holds what cannot be pack.
    """
    pack = Pack()
    sites = [drawing for drawing in drawings if drawing.points]
    if len(sites) > 1:
        raise StepError(f"{len(sites)} drawings hold the points of the site; only one may.")
    names = pd.Index(sites[0].columns["label"], dtype=object) if sites else pd.Index([], dtype=object)
    lon0 = _first_lon(drawings)
    return [_head(drawing, pack, names, lon0) for drawing in drawings], pack


def mercator(lon_deg: Array, lat_deg: Array, lon0_deg: float) -> tuple[Array, Array]:
    """Return places in metres of EPSG:3857, unwrapped across the date line next to `lon0_deg`; NaN off its map."""
    lon = lon0_deg + (np.asarray(lon_deg, float) - lon0_deg + 180) % 360 - 180
    lat = np.asarray(lat_deg, float)
    lat = np.where(np.abs(lat) <= LAST_LAT_DEG, lat, np.nan)
    return SHEET_RADIUS_M * np.radians(lon), SHEET_RADIUS_M * np.arctanh(np.sin(np.radians(lat)))


def _first_lon(drawings: Sequence[Drawing]) -> float:
    """Return the first known longitude, next to which all others are pack."""
    for drawing in drawings:
        if "path" in drawing.columns:
            lon = _numbers(drawing, "path", [place[0] for path in drawing.columns["path"] for place in path])
        else:
            lon = _numbers(drawing, "lon_deg", drawing.columns.get("lon_deg", ()))
        if np.isfinite(lon).any():
            return float(lon[np.isfinite(lon)][0])
    return 0.0


def _head(drawing: Drawing, pack: Pack, names: pd.Index, lon0: float) -> dict[str, Any]:
    codes, words = pd.factorize(np.asarray(drawing.columns["style"], dtype=object))
    style = pd.Index([style.key for style in drawing.styles]).get_indexer([str(word) for word in words])[codes]
    return {
        "kind": drawing.kind,
        "title": display_text(drawing.title),
        "about": display_text(drawing.about),
        "n": len(drawing),
        "exaggerated": drawing.exaggerated,
        "shown": drawing.shown,
        "listed": drawing.listed,
        "points": drawing.points,
        "styles": [_style(style) for style in drawing.styles],
        "columns": {"style": pack.numbers(style), **_columns(drawing, pack, names, lon0)},
        "facets": [_facet(facet, pack, len(drawing)) for facet in drawing.facets],
        "tables": [_table(drawing, table, pack) for table in drawing.tables],
    }


def _style(style: Style) -> dict[str, Any]:
    values = {**asdict(style), "dark": style.dark or style.colour}
    return {name: display_text(value) if isinstance(value, str) else value for name, value in values.items()}


def _columns(drawing: Drawing, pack: Pack, names: pd.Index, lon0: float) -> dict[str, Any]:
    columns: dict[str, Any] = {}
    for name, values in drawing.columns.items():
        if name in ("style", "holes", "lat_deg"):
            continue
        if name == "path":
            columns |= _outlines(drawing, pack, lon0)
        elif name == "lon_deg":
            x, y = mercator(*(_numbers(drawing, n, drawing.columns[n]) for n in PLACE), lon0)
            columns |= {"x": pack.numbers(x, PLACE_STEP_M), "y": pack.numbers(y, PLACE_STEP_M)}
        elif name == "point":
            columns["point"] = pack.numbers(_found(drawing, values, names))
        elif name == "url":
            columns["url"] = [str(value) for value in values]
        elif name in _TEXT:
            columns[name] = pack.texts(values)
        else:
            columns[name] = pack.numbers(_numbers(drawing, name, values), _step(name))
    return columns


def _step(name: str) -> float:
    return _STEPS.get(name) or (AZIMUTH_STEP_DEG if name.endswith("_deg") else LENGTH_STEP_M)


def _found(drawing: Drawing, values: Any, names: pd.Index) -> NDArray[np.intp]:
    """Return the index of each entry's point, which may be given as such."""
    if isinstance(values, np.ndarray) and values.dtype.kind == "i":
        return values
    given = pd.Index(values, dtype=object)
    at = names.get_indexer(given)
    if len(at) and at.min() < 0:
        raise StepError(f"the drawing {drawing.title!r} names the point {given[at < 0][0]!r}, which the site has not.")
    return at


def _outlines(drawing: Drawing, pack: Pack, lon0: float) -> dict[str, Any]:
    """Return lines and polygons: rings an entry has, vertices a ring has, and their places."""
    holes = drawing.columns.get("holes") or [()] * len(drawing)
    entries = [[path, *inner] for path, inner in zip(drawing.columns["path"], holes, strict=True)]
    rings = list(itertools.chain.from_iterable(entries))
    lon, lat = (_numbers(drawing, "path", [place[axis] for ring in rings for place in ring]) for axis in (0, 1))
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        raise StepError(f"the drawing {drawing.title!r} holds in path a number that is not finite.")
    x, y = mercator(lon, lat, lon0)
    return {
        "rings": pack.numbers([len(entry) for entry in entries]),
        "vertices": pack.numbers([len(ring) for ring in rings]),
        "x": pack.numbers(x, PLACE_STEP_M),
        "y": pack.numbers(y, PLACE_STEP_M),
    }


def _numbers(drawing: Drawing, name: str, values: Any) -> Array:
    try:
        return np.asarray(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise StepError(f"the drawing {drawing.title!r} holds in {name} what is no number ({error}).") from error


def _facet(facet: Facet, pack: Pack, entries: int) -> dict[str, Any]:
    order, each = counts(facet.entry, entries)
    return {"title": display_text(facet.title), "each": pack.numbers(each), **pack.texts(_sorted(facet.values, order))}


def _table(drawing: Drawing, table: Table, pack: Pack) -> dict[str, Any]:
    """Return a table with its rows in the order of the entries; columns that say nothing anywhere are left out."""
    head: dict[str, Any] = {"title": display_text(table.title)}
    order = None
    if table.entry is not None:
        order, each = counts(table.entry, len(drawing))
        head["each"] = pack.numbers(each)
    columns = (_cells(drawing, cells, order, pack) for cells in table.columns)
    return {**head, "columns": [column for column in columns if column]}


def _cells(drawing: Drawing, cells: Cells, order: NDArray[np.intp] | None, pack: Pack) -> dict[str, Any] | None:
    head = {"head": display_text(cells.head), "kind": cells.kind}
    head |= {name: display_text(text) for name in ("unit", "before") if (text := getattr(cells, name))}
    if cells.kind == "text":
        values = pd.Series(cells.values, dtype=None if hasattr(cells.values, "dtype") else object)
        said = values.notna() & (values != "")
        return {**head, **pack.texts(_sorted(values, order))} if said.any() else None
    where = f"the column {cells.head!r} of a table"
    numbers = _times(cells.values) if cells.kind == "time" else _numbers(drawing, where, cells.values)
    numbers = _spans(numbers) if cells.kind == "span" else numbers
    if not np.isfinite(numbers).any():
        return None
    step = STEPS.get(cells.kind) or 10.0**-cells.decimals
    head |= pack.numbers(_sorted(numbers, order), step)
    if cells.kind == "number":
        head |= {"decimals": cells.decimals, "sign": cells.sign}
    if cells.beside is not None:
        head["beside"] = pack.numbers(_sorted(_numbers(drawing, where, cells.beside), order), step)
    return head


def _sorted(values: Any, order: NDArray[np.intp] | None) -> Any:
    return values if order is None else values[order] if isinstance(values, np.ndarray) else values.iloc[order]


def _spans(seconds: Array) -> Array:
    """Return spans rounded to what is shown of them."""
    step = np.full(seconds.shape, STEPS["span"])
    for least, wider in SPANS_S:
        step[seconds >= least] = wider
    return np.rint(seconds / step) * step


def _times(values: Any) -> Array:
    """Return times as seconds since 1970, UTC, of the minute begun."""
    times = pd.Series(pd.to_datetime(values, utc=True))
    seconds = times.dt.tz_convert(None).to_numpy("datetime64[s]").astype(float)
    return np.where(times.isna().to_numpy(), np.nan, seconds - seconds % STEPS["time"])
