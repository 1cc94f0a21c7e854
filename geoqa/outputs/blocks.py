"""Drawings as a packed block: what is drawn, and what a click shows, which a browser unpacks when it is asked.

Positions are metres of the spherical Mercator projection that the map library draws in (EPSG:3857),
kept to a millimetre; lengths to a tenth of one, azimuths to a hundredth of a degree.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoqa.core import worst
from geoqa.core.drawing import PLACE, Drawing, Facet, Style
from geoqa.core.errors import StepError
from geoqa.outputs import grid_fit, told_tables
from geoqa.outputs.mercator import first_known, lonlat, mercator
from geoqa.outputs.packing import Pack, counts
from geoqa.outputs.text import display_text
from geoqa.outputs.told_tables import in_order, numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

PLACE_STEP_M, LENGTH_STEP_M, AZIMUTH_STEP_DEG = 0.001, 0.0001, 0.01
#: The ends of vectors are drawn to the millimetre.
_STEPS = {"mark": 1.0, "east_m": PLACE_STEP_M, "north_m": PLACE_STEP_M, "urgency": worst.STEP}
#: Columns with a rule of their own below; every other column of a drawing is a number.
_TEXT = ("label", "group")


def packed(drawings: Sequence[Drawing], grid: Mapping[str, Any] | None = None) -> tuple[list[dict[str, Any]], Pack]:
    """Return the head of every drawing, and the block their columns are in.

    Parameters
    ----------
    grid
        The polynomial of the job's grid, see `geoqa.outputs.grid_fit`.

    Raises
    ------
    StepError
        If a drawing holds what cannot be drawn.
    """
    pack = Pack()
    sites = [drawing for drawing in drawings if drawing.points]
    if len(sites) > 1:
        raise StepError(f"{len(sites)} drawings hold the points of the site; only one may.")
    names = pd.Index(sites[0].columns["label"], dtype=object) if sites else pd.Index([], dtype=object)
    lon0 = _first_lon(drawings) if grid is None else _middle_lon(grid)
    return [_head(drawing, pack, names, lon0, grid) for drawing in drawings], pack


def _first_lon(drawings: Sequence[Drawing]) -> float:
    """Return the first known longitude, next to which all others are packed."""
    for drawing in drawings:
        if "path" in drawing.columns:
            lon = numbers(drawing, "path", [place[0] for path in drawing.columns["path"] for place in path])
        else:
            lon = numbers(drawing, "lon_deg", drawing.columns.get("lon_deg", ()))
        if np.isfinite(lon).any():
            return first_known(lon)
    return 0.0


def _middle_lon(grid: Mapping[str, Any]) -> float:
    """Return the longitude of the polynomial's middle: what is drawn must lie on its side of the date line."""
    return float(lonlat(*(np.array([z]) for z in grid["centre"]))[0][0])


def _head(drawing: Drawing, pack: Pack, names: pd.Index, lon0: float, grid: Mapping[str, Any] | None) -> dict[str, Any]:
    codes, words = pd.factorize(np.asarray(drawing.columns["style"], dtype=object))
    style = pd.Index([style.key for style in drawing.styles]).get_indexer([str(word) for word in words])[codes]
    columns = {"style": pack.numbers(style), **_columns(drawing, pack, names, lon0)}
    told = told_tables.Told(drawing, pack, _near(drawing, columns, lon0, grid))
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
        "columns": columns,
        "facets": [_facet(facet, pack, len(drawing)) for facet in drawing.facets],
        "tables": [told.table(table) for table in drawing.tables],
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
            x, y = _places(drawing, lon0)
            columns |= {"x": pack.numbers(x, PLACE_STEP_M), "y": pack.numbers(y, PLACE_STEP_M)}
        elif name == "point":
            columns["point"] = pack.numbers(_found(drawing, values, names))
        elif name in ("url", "picture"):
            columns[name] = [str(value) for value in values]
        elif name in _TEXT:
            columns[name] = pack.texts(values)
        else:
            columns[name] = pack.numbers(numbers(drawing, name, values), _step(name))
    return columns


def _places(drawing: Drawing, lon0: float) -> tuple[Array, Array]:
    lon, lat = (numbers(drawing, name, drawing.columns[name]) for name in PLACE)
    return mercator(lon, lat, lon0)


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
    lon, lat = (numbers(drawing, "path", [place[axis] for ring in rings for place in ring]) for axis in (0, 1))
    if not (np.isfinite(lon).all() and np.isfinite(lat).all()):
        raise StepError(f"the drawing {drawing.title!r} holds in path a number that is not finite.")
    x, y = mercator(lon, lat, lon0)
    return {
        "rings": pack.numbers([len(entry) for entry in entries]),
        "vertices": pack.numbers([len(ring) for ring in rings]),
        "x": pack.numbers(x, PLACE_STEP_M),
        "y": pack.numbers(y, PLACE_STEP_M),
    }


def _near(
    drawing: Drawing, columns: Mapping[str, Any], lon0: float, grid: Mapping[str, Any] | None
) -> dict[str, tuple[Array, dict[str, Any]]]:
    """Return the job's coordinates of the entries' places by the polynomial, and how a browser finds them."""
    if grid is None or "lon_deg" not in drawing.columns:
        return {}
    x, y = _places(drawing, lon0)
    # The places as the browser has them: whole steps, divided as it divides them.
    per = round(1 / PLACE_STEP_M)
    found = grid_fit.apply(grid, *(np.rint(z / PLACE_STEP_M) / per for z in (x, y)))
    head = {"x": columns["x"], "y": columns["y"]}
    return {name: (values, {"grid": name, **head}) for name, values in zip(("easting", "northing"), found, strict=True)}


def _facet(facet: Facet, pack: Pack, entries: int) -> dict[str, Any]:
    order, each = counts(facet.entry, entries)
    values = in_order(facet.texts, order)
    return {"title": display_text(facet.title), "each": pack.numbers(each), **pack.texts(values)}
