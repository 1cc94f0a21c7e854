"""The keys of a recipe, one below the other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any


def flat(table: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    """Return the keys of nested tables with their values, as ``[table] key``; deeper ones are joined by points."""
    if not isinstance(table, Mapping):
        yield name, table
        return
    for key, item in table.items():
        inner = f"[{key}]" if not name else f"{name} {key}" if name.endswith("]") else f"{name}.{key}"
        yield from flat(item, inner)
