"""What the contract of a frame is made of: columns with their kind and limits."""

from __future__ import annotations

from dataclasses import dataclass, field


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
