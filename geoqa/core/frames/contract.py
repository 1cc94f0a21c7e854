"""What the contract of a frame is made of: what a column holds and where people see it; a column checked against it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Self

from geoqa.core.arrays import np, pd
from geoqa.core.errors import Fault

#: The outputs that show columns: points.csv and revisits.csv, what `--also` delivers, the tables of a click on a point,
#: what a desktop GIS tells where the pointer rests, what the map filters by, and tables of the report.
CSV, DELIVERED, JUDGEMENT, POSITION, TIP, FILTER = "csv", "delivered", "judgement", "position", "tip", "filter"
BEYOND, WITHHELD, REVISITED = "beyond", "withheld", "revisited"
#: Endings of column names that are units, and how people write them; a trailing _h or _v is an axis.
UNITS = {"_m": "m", "_m2": "m²", "_deg": "°", "_s": "s", "_min": "min", "_ppm": "ppm", "_ft": "ft", "_ftUS": "ftUS"}
#: Parts of a column's name that say it is a height, or a difference or uncertainty of one.
VERTICAL = frozenset(("height", "du", "up", "up95", "u", "v", "vertical"))


def is_height(name: str) -> bool:
    """Return whether a length is in the unit of heights."""
    return not VERTICAL.isdisjoint(name.removesuffix("_m").split("_"))


def title(name: str) -> str:
    """Return a column's name as people read it: ``worst_horizontal_m`` is "worst horizontal (m)"."""
    for ending, unit in UNITS.items():
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    kind
        ``text``, ``float``, ``int``, ``bool``, ``time`` or ``geometry``; the end of its name tells its unit.
    about
        What it means.
    minimum, above, words, nulls
        Limits of its values.
    quantity
        How people are told a number that has no unit of its own: ``probability``, ``share`` (counted), ``bound``
        (of an error, on either side), ``metres`` (in any job).
    decimals
        Decimals that files are written with.
    shown
        Where people see it: by output, its place among the columns there, and its words; a file's are its name.
    """

    kind: str
    about: str
    minimum: float | None = None
    above: float | None = None
    words: tuple[str, ...] = ()
    nulls: bool = True
    quantity: str = ""
    decimals: int = 4
    shown: Mapping[str, tuple[float, str]] = field(default_factory=dict)

    def at(self, *files: str, **places: tuple[float, str]) -> Self:
        """Return the column as these outputs show it: in the order of its frame, or at a place under words."""
        return replace(self, shown={**self.shown, **dict.fromkeys(files, (0.0, "")), **places})


@dataclass(frozen=True)
class Frame:
    """One frame: its key, its columns, and the columns it must have from the start."""

    key: tuple[str, ...]
    columns: dict[str, Column]
    base: tuple[str, ...] = field(default=())


def seen_in(columns: Mapping[str, Column], where: str) -> dict[str, tuple[float, str]]:
    """Return what an output shows, in its order: place and words by the column's name."""
    found = {name: column.shown[where] for name, column in columns.items() if where in column.shown}
    return dict(sorted(found.items(), key=lambda one: one[1][0]))


def text_column(about: str, words: tuple[str, ...] = (), nulls: bool = True) -> Column:
    """Return a column of words."""
    return Column("text", about, words=words, nulls=nulls)


def float_column(
    about: str, minimum: float | None = None, above: float | None = None, nulls: bool = True, quantity: str = "",
    decimals: int = 4,
) -> Column:  # fmt: skip
    """Return a column of numbers."""
    return Column("float", about, minimum, above, (), nulls, quantity, decimals)


def int_column(about: str, minimum: float | None = None, nulls: bool = False) -> Column:
    """Return a column of whole numbers."""
    return Column("int", about, minimum=minimum, nulls=nulls, decimals=0)


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
