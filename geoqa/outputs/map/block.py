"""Drawings as a packed block: what is drawn, and what a click shows, which a browser unpacks when it is asked.

Positions are metres of the spherical Mercator projection that the map library draws in (EPSG:3857),
kept to a millimetre; lengths to a tenth of one, azimuths to a hundredth of a degree.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from geoqa.core.arrays import Array, Index, np, pd
from geoqa.core.drawing import PLACE, Cells, Drawing, Facet, Style, Table
from geoqa.core.errors import StepError
from geoqa.core.frames import wording
from geoqa.core.units import METRES_PER
from geoqa.outputs.layers.positions import first_known, lonlat, mercator
from geoqa.outputs.map import grid_fit
from geoqa.outputs.map.packing import Guess, Pack, counts
from geoqa.outputs.text import display_text

#: Steps of what a cell holds: a hundredth of a percent, a second.
STEPS = {"share": 0.0001, "probability": 0.0001, "span": 1.0, "time": 1.0}


class PopupTables:
    """The tables of one drawing on their way into a block; later ones may be guessed from earlier ones.

    Parameters
    ----------
    near
        Easting and northing in metres near the entries, each with how a browser finds it.
    """

    def __init__(self, drawing: Drawing, pack: Pack, near: Mapping[str, tuple[Array, dict[str, Any]]]) -> None:
        self._drawing, self._pack, self._near = drawing, pack, near
        #: The coordinates of the entries as they are written, and where they went.
        self._known: dict[str, tuple[dict[str, Any], Array]] = {}
        #: Of each table: where its rows went, the first row of each entry, and its columns by head.
        self._made: dict[str, tuple[Index, Index, dict[str, tuple[dict[str, Any], Array]]]] = {}

    def table(self, table: Table) -> dict[str, Any]:
        """Return a table with its rows in the order of the entries, without columns that say nothing anywhere."""
        head: dict[str, Any] = {"title": display_text(table.title)}
        order, ends = None, None
        if table.entry is not None:
            order, each = counts(table.entry, len(self._drawing))
            head["each"] = self._pack.numbers(each)
            went = np.empty(len(table.entry), dtype=np.intp)
            went[order] = np.arange(len(order))
            self._made[table.title] = (went, np.cumsum(each) - each, {})
            ends = self._ends(table, order)
        columns = (self._cells(table, cells, order, ends) for cells in table.columns)
        return {**head, "columns": [column for column in columns if column]}

    def _ends(self, table: Table, order: Index) -> tuple[str, list[Index], list[dict[str, Any]]] | None:
        """Return the rows that the rows of a table join, and their descriptions: counted from their entry's first."""
        if table.ends is None:
            return None
        title, *ends = table.ends
        went, first, _ = self._made[title]
        start = first[np.asarray(table.entry)[order]].astype(float)
        guess = Guess(start, {"terms": [{"of": self._pack.numbers(start), "sign": 1}]})
        rows = [went[np.asarray(end)[order]] for end in ends]
        return title, rows, [self._pack.numbers(row, guess=guess) for row in rows]

    def _cells(
        self,
        table: Table,
        cells: Cells,
        order: Index | None,
        ends: tuple[str, list[Index], list[dict[str, Any]]] | None,
    ) -> dict[str, Any] | None:
        head: dict[str, Any] = {"head": display_text(cells.head), "kind": cells.kind}
        head |= {name: display_text(text) for name in ("unit", "before", "role") if (text := getattr(cells, name))}
        head |= {} if cells.told else {"told": False}
        if cells.kind == "text":
            values = pd.Series(cells.values, dtype=None if hasattr(cells.values, "dtype") else object)
            said = values.notna() & (values != "")
            return {**head, **self._pack.texts(in_order(values, order))} if said.any() else None
        where = f"the column {cells.head!r} of a table"
        found = times(cells.values) if cells.kind == "time" else numbers(self._drawing, where, cells.values)
        if not np.isfinite(found).any():
            return None
        found = in_order(found, order)
        step = STEPS.get(cells.kind) or 10.0**-cells.decimals
        if cells.runs:
            packed = self._running(table, cells, found)
        else:
            packed = self._pack.numbers(found, step, self._guess(table, cells, step, ends))
        if order is not None:
            self._made[table.title][2][cells.head] = (packed, np.rint(found / step))
        elif cells.grid in self._near:
            self._known[cells.grid] = (packed, np.rint(found / step))
        head |= packed
        if cells.kind == "number":
            head |= {"decimals": cells.decimals, "sign": cells.sign}
        if cells.beside is not None:
            beside = in_order(numbers(self._drawing, where, cells.beside), order)
            head["beside"] = self._pack.numbers(beside, step)
        return head

    def _running(self, table: Table, cells: Cells, found: Array) -> dict[str, Any]:
        """Pack whole numbers by their steps, in the order in which they fall least often: as they stand, or `runs`."""
        columns = self._made[table.title][2]
        by = [columns[head] for head in cells.runs if head in columns]
        order = np.lexsort([whole for _, whole in reversed(by)] or [np.arange(len(found))])
        if np.sum(np.diff(found[order]) < 0) >= np.sum(np.diff(found) < 0):
            return self._pack.numbers(found, rises=True)
        return self._pack.numbers(found[order], rises=True) | {"by": [packed for packed, _ in by]}

    def _guess(
        self, table: Table, cells: Cells, step: float, ends: tuple[str, list[Index], list[dict[str, Any]]] | None
    ) -> Guess | None:
        if cells.grid in self._near:
            metres, head = self._near[cells.grid]
            per = METRES_PER[cells.unit]
            steps, head = np.floor(metres / per / step + 0.5), {**head, "per": per}
            if table.entry is None:
                return Guess(steps, head)
            # Of rows: the place of their entry, and what another column says of how far off it they lie.
            _, first, columns = self._made[table.title]
            if cells.plus not in columns:
                return None
            of, offset = columns[cells.plus]
            each = np.diff(first, append=len(offset))
            if cells.grid in self._known:
                head["known"], known = self._known[cells.grid]
                steps = np.where(np.isnan(known), steps, known)
            steps = np.nan_to_num(np.repeat(steps, each)) + np.nan_to_num(offset)
            return Guess(steps, {**head, "each": self._pack.numbers(each), "terms": [{"of": of, "sign": 1}]})
        if cells.minus and ends:
            title, (a, b), (at_a, at_b) = ends
            if cells.minus in (columns := self._made[title][2]):
                of, whole = columns[cells.minus]
                terms = [{"of": of, "at": at_b, "sign": 1}, {"of": of, "at": at_a, "sign": -1}]
                return Guess(whole[b] - whole[a], {"terms": terms})
        return None


def numbers(drawing: Drawing, name: str, values: Any) -> Array:
    """Return a column of a drawing as numbers.

    Raises
    ------
    StepError
        If it holds what is none.
    """
    try:
        return np.asarray(values, dtype=float)
    except (TypeError, ValueError) as error:
        raise StepError(f"the drawing {drawing.title!r} holds in {name} what is no number ({error}).") from error


def times(values: Any) -> Array:
    """Return times as seconds since 1970, UTC."""
    given = pd.Series(pd.to_datetime(values, utc=True))
    seconds = given.dt.tz_convert(None).to_numpy("datetime64[s]").astype(float)
    return np.where(given.isna().to_numpy(), np.nan, seconds)


def in_order(values: Any, order: Index | None) -> Any:
    """Return values in an order, or as they are."""
    if order is None:
        return values
    return values[order] if isinstance(values, np.ndarray) else pd.Series(values).iloc[order]


PLACE_STEP_M, LENGTH_STEP_M, AZIMUTH_STEP_DEG = 0.001, 0.0001, 0.01
#: The ends of vectors are drawn to the millimetre.
_STEPS = {
    "mark": 1.0,
    "east_m": PLACE_STEP_M,
    "north_m": PLACE_STEP_M,
    "rise_m": PLACE_STEP_M,
    "urgency": wording.EXCESS_STEP,
}
#: Columns with a rule of their own below; every other column of a drawing is a number.
_TEXT = ("label", "group")


def packed(drawings: Sequence[Drawing], grid: Mapping[str, Any] | None = None) -> tuple[list[dict[str, Any]], Pack]:
    """Return the head of every drawing, and the block their columns are in.

    Parameters
    ----------
    grid
        The polynomial of the job's grid, see `geoqa.outputs.map.grid_fit`.

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
    told = PopupTables(drawing, pack, _near(drawing, columns, lon0, grid))
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


def _found(drawing: Drawing, values: Any, names: pd.Index) -> Index:
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
