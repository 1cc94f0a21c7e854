"""What the contract of a frame is made of, and a column checked against it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from geoqa.core.errors import Fault

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Column:
    """One column: its kind (text, float, int, bool, time, geometry) and limits."""

    kind: str
    about: str
    minimum: float | None = None
    above: float | None = None
    words: tuple[str, ...] = ()
    nulls: bool = True


@dataclass(frozen=True)
class Frame:
    """One frame: its key, its columns, and the columns it must have from the start."""

    key: tuple[str, ...]
    columns: dict[str, Column]
    base: tuple[str, ...] = field(default=())


def text_column(about: str, words: tuple[str, ...] = (), nulls: bool = True) -> Column:
    """Return a column of words."""
    return Column("text", about, words=words, nulls=nulls)


def float_column(about: str, minimum: float | None = None, above: float | None = None, nulls: bool = True) -> Column:
    """Return a column of numbers."""
    return Column("float", about, minimum=minimum, above=above, nulls=nulls)


def int_column(about: str, minimum: float | None = None, nulls: bool = False) -> Column:
    """Return a column of whole numbers."""
    return Column("int", about, minimum=minimum, nulls=nulls)


def bool_column(about: str) -> Column:
    """Return a column of yes and no."""
    return Column("bool", about, nulls=False)


def column_faults(where: str, values: pd.Series, rule: Column) -> list[Fault]:
    """Return what is wrong with a column.

    Parameters
    ----------
    where
        Frame and column, for the message.
    values
        The column.
    rule
        What its contract says of it.
    """
    import numpy as np
    from pandas.api import types

    kinds = {
        "text": _is_text,
        "float": lambda v: types.is_float_dtype(v) or (types.is_integer_dtype(v) and not types.is_bool_dtype(v)),
        "int": types.is_integer_dtype,
        "bool": types.is_bool_dtype,
        "time": lambda v: types.is_datetime64_any_dtype(v) and getattr(v.dtype, "tz", None) is not None,
        "geometry": lambda v: str(v.dtype) == "geometry",
    }
    if not kinds[rule.kind](values):
        wanted = "time in UTC" if rule.kind == "time" else rule.kind
        return [Fault(where, f"holds {values.dtype}, it must hold {wanted} ({rule.about}).")]
    found = []
    empty = values.isna()
    if not rule.nulls and empty.any():
        found.append(Fault(where, f"{int(empty.sum())} values are missing ({rule.about})."))
    if rule.kind in ("float", "int"):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        infinite = int(np.isinf(numbers).sum())
        if infinite:
            found.append(Fault(where, f"{infinite} values are infinite."))
        if rule.minimum is not None and (numbers < rule.minimum).any():
            found.append(Fault(where, f"{int((numbers < rule.minimum).sum())} values are below {rule.minimum:g}."))
        if rule.above is not None and (numbers <= rule.above).any():
            found.append(Fault(where, f"{int((numbers <= rule.above).sum())} values are not above {rule.above:g}."))
    if rule.words:
        strange = sorted(set(map(str, values.dropna().unique())) - set(rule.words))
        if strange:
            found.append(Fault(where, f"holds {strange[:5]}, it must hold one of {', '.join(rule.words)}."))
    return found


def _is_text(values: pd.Series) -> bool:
    from pandas.api import types

    words = values.cat.categories if isinstance(values.dtype, types.CategoricalDtype) else values
    return not len(words) or bool(types.is_string_dtype(words))
