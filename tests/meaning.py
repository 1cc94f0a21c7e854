"""Do two maps say the same? Numbers within one step of how they are kept, all else to the letter.

The last digits of a double differ from one processor to another, so a committed map is compared by
what it means: its columns are unpacked, the polynomial of the job's grid is worked out at places, and
in words a decimal number may differ by one in its last digit. Whole numbers, names, colours, codes and the
order of everything must be equal.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np
from outputs.unpacked import DATA_BLOCK, Page, numbers, texts

from geoqa.outputs.map import grid_fit
from geoqa.outputs.map.block import PLACE_STEP_M

_DECIMAL = re.compile(r"(-?\d+\.\d+)")
#: How a column is stored, which may change with one value in it.
_STORED = {"type", "at", "n", "step", "base", "rises", "guess", "words", "bytes", "index"}


def differences(page: str, other: str) -> list[str]:
    """Return in which places two maps differ in meaning, none where they say the same."""
    a, b = Page(page), Page(other)
    outside = (DATA_BLOCK.sub("", text).splitlines() for text in (page, other))
    found = list(_values("page", *outside))
    fits = [dict(p.context).pop("grid") for p in (a, b)]
    found += _grids(*fits)
    contexts = [
        {**p.context, "grid": None}
        | {name: _read(p.data, p.context[name], None) for name in ("settled", "tried") if name in p.context}
        for p in (a, b)
    ]
    found += _values("context", *contexts)
    found += _values("drawings", *(_read(p.data, p.drawings, fit) for p, fit in zip((a, b), fits, strict=True)))
    return found


class _Column:
    """Numbers of a column, and by how much they may differ."""

    def __init__(self, values: np.ndarray, may_differ: float) -> None:
        self.values, self.may_differ = values, may_differ


def _read(data: bytes, node: Any, fit: Any) -> Any:
    """Return a head with what its columns hold in place of where they are stored."""
    if isinstance(node, list):
        return [_read(data, item, fit) for item in node]
    if not isinstance(node, dict):
        return node
    said = {name: _read(data, value, fit) for name, value in node.items() if name not in _STORED}
    if "words" in node:
        said["texts"] = texts(data, node)
    elif "type" in node:
        # A whole step of a style, a point or a count is another style, point or count; a measured number is not.
        measured = node["type"] == "f8" or node["step"] < 1 or "kind" in node
        values = numbers(data, node, fit)
        last = 1e-9 * np.nanmax(np.abs(values), initial=0.0) if node["type"] == "f8" else node["step"]
        said["numbers"] = _Column(values, 1.001 * last if measured else 0.0)
    return said


def _grids(fit: Any, other: Any) -> Iterator[str]:
    if fit is None or other is None:
        yield from _values("grid", fit, other)
        return
    u, v = (side.ravel() for side in np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)))
    x, y = (fit["centre"][k] + side * fit["half"][k] for k, side in enumerate((u, v)))
    apart = np.abs(np.subtract(grid_fit.apply(fit, x, y), grid_fit.apply(other, x, y))).max()
    if not apart <= PLACE_STEP_M:
        yield f"grid: {apart} m apart"


def _values(where: str, a: Any, b: Any) -> Iterator[str]:
    if isinstance(a, _Column) and isinstance(b, _Column):
        if a.values.shape != b.values.shape:
            yield f"{where}: {a.values.size} and {b.values.size} numbers"
            return
        alike = (np.abs(a.values - b.values) <= max(a.may_differ, b.may_differ)) | (
            np.isnan(a.values) & np.isnan(b.values)
        )
        yield from (f"{where}[{k}]: {a.values[k]} and {b.values[k]}" for k in np.flatnonzero(~alike)[:1])
    elif isinstance(a, dict) and isinstance(b, dict):
        if list(a) != list(b):
            yield f"{where}: {list(a)} and {list(b)}"
            return
        for name in a:
            yield from _values(f"{where}.{name}", a[name], b[name])
    elif isinstance(a, list) and isinstance(b, list):
        if len(a) != len(b):
            yield f"{where}: {len(a)} and {len(b)} entries"
            return
        for k, (one, two) in enumerate(zip(a, b, strict=True)):
            yield from _values(f"{where}[{k}]", one, two)
    elif not (_same_words(a, b) if isinstance(a, str) and isinstance(b, str) else a == b):
        yield f"{where}: {a!r} and {b!r}"


def _same_words(a: str, b: str) -> bool:
    if a == b:
        return True
    parts, others = _DECIMAL.split(a), _DECIMAL.split(b)
    return len(parts) == len(others) and all(
        one == two if k % 2 == 0 else _same_number(one, two)
        for k, (one, two) in enumerate(zip(parts, others, strict=True))
    )


def _same_number(a: str, b: str) -> bool:
    decimals = len(a.split(".")[1])
    return decimals == len(b.split(".")[1]) and abs(float(a) - float(b)) < 1.001 * 10.0**-decimals
