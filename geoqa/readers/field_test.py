"""The sets of a field test from their CSV: series, set, rover point and position, every fault at once."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core.errors import Fault, InputError
from geoqa.readers import lookup

if TYPE_CHECKING:
    import pandas as pd

NUMBERS = ("series", "set", "point")
PLACES = ("x", "y", "h")


def read_field_test(path: Path | None, metres_per_unit: float) -> pd.DataFrame:
    """Return the sets in the file at `path`, one row a position, in metres; no rows without a file.

    Raises
    ------
    InputError
        If the file cannot be read, a cell is no number, or a position stands twice: every fault with its line.
    """
    import numpy as np
    import pandas as pd

    told = lookup.rows(path, (*NUMBERS, *PLACES), "[field_test] file") if path else []
    faults: list[Fault] = []
    rows: list[list[float]] = []
    seen: dict[tuple[float, ...], int] = {}
    for line, entry in told:
        before = len(faults)
        rows.append([_number(entry[name], f"line {line}", name, faults) for name in (*NUMBERS, *PLACES)])
        earlier = seen.setdefault(tuple(rows[-1][:3]), line)
        if earlier != line and len(faults) == before:
            problem = f"gives the series, set and point of line {earlier} again."
            faults.append(Fault(f"line {line}", problem, "Keep the one that holds."))
    if faults:
        raise InputError.from_faults(f"{path.name if path else ''}: the field test cannot be used:", faults)
    values = np.array(rows, float).reshape(len(rows), 6)
    whole = {name: values[:, i].astype(np.int64) for i, name in enumerate(NUMBERS)}
    return pd.DataFrame(whole | {f"{name}_m": values[:, 3 + i] * metres_per_unit for i, name in enumerate(PLACES)})


def _number(text: str, where: str, name: str, faults: list[Fault]) -> float:
    """Return a cell as a number; series, set and point are whole numbers from 1."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    good = 1 <= value <= 1_000_000 and value == int(value) if name in NUMBERS and math.isfinite(value) else True
    if not math.isfinite(value) or not good or abs(value) > 1e9:
        rule = "a whole number from 1" if name in NUMBERS else "a number with a decimal point"
        faults.append(Fault(where, f"{name} is {text[:40]!r}.", f"Write {rule}."))
        return 0.0
    return value
