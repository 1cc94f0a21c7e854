"""What a click shows, as packed columns: the tables of one drawing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geoqa.core.drawing import Cells, Drawing, Table
from geoqa.core.errors import StepError
from geoqa.core.units import METRES_PER
from geoqa.outputs.packing import Guess, Pack, counts
from geoqa.outputs.text import display_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Rows = NDArray[np.intp]

#: Steps of what a cell holds: a hundredth of a percent, a second.
STEPS = {"share": 0.0001, "probability": 0.0001, "span": 1.0, "time": 1.0}


class Told:
    """The tables of one drawing on their way into a block; later ones may be guessed from earlier ones.

    Parameters
    ----------
    near
        Easting and northing in metres near the entries, each with how a browser finds it.
    """

    def __init__(self, drawing: Drawing, pack: Pack, near: Mapping[str, tuple[Array, dict[str, Any]]]) -> None:
        self._drawing, self._pack, self._near = drawing, pack, near
        #: Of each table: where its rows went, the first row of each entry, and its columns by head.
        self._made: dict[str, tuple[Rows, Rows, dict[str, tuple[dict[str, Any], Array]]]] = {}

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

    def _ends(self, table: Table, order: Rows) -> tuple[str, list[Rows], list[dict[str, Any]]] | None:
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
        order: Rows | None,
        ends: tuple[str, list[Rows], list[dict[str, Any]]] | None,
    ) -> dict[str, Any] | None:
        head: dict[str, Any] = {"head": display_text(cells.head), "kind": cells.kind}
        head |= {name: display_text(text) for name in ("unit", "before") if (text := getattr(cells, name))}
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
        packed = self._pack.numbers(found, step, self._guess(cells, step, ends))
        if order is not None:
            self._made[table.title][2][cells.head] = (packed, np.rint(found / step))
        head |= packed
        if cells.kind == "number":
            head |= {"decimals": cells.decimals, "sign": cells.sign}
        if cells.beside is not None:
            beside = in_order(numbers(self._drawing, where, cells.beside), order)
            head["beside"] = self._pack.numbers(beside, step)
        return head

    def _guess(
        self, cells: Cells, step: float, ends: tuple[str, list[Rows], list[dict[str, Any]]] | None
    ) -> Guess | None:
        if cells.grid in self._near:
            metres, head = self._near[cells.grid]
            per = METRES_PER[cells.unit]
            return Guess(np.floor(metres / per / step + 0.5), {**head, "per": per})
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


def in_order(values: Any, order: Rows | None) -> Any:
    """Return values in an order, or as they are."""
    if order is None:
        return values
    return values[order] if isinstance(values, np.ndarray) else pd.Series(values).iloc[order]
