"""Whether a step answers the same again, and leaves alone what it was given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from geoqa.core.errors import Fault, GeoqaError
from geoqa.core.steps import Result

if TYPE_CHECKING:
    import pandas as pd

    Frames = Mapping[str, pd.DataFrame]

#: Columns that only number the rows of a whole frame, and those that tell rows apart.
_RUNNING = ("pair_id",)
_KEYS = ("point", "canopy", "subject", "id", "occupation_id", "pair_id", "occupation_a", "occupation_b")


def refused(act: Callable[[], object]) -> list[Fault]:
    """Return what geoqa's own checks say against something, as faults."""
    try:
        act()
    except GeoqaError as error:
        return list(error.faults) or [Fault("result", str(error))]
    return []


def changed(before: Frames, after: Frames) -> list[Fault]:
    """Return the frames that are no longer what they were, as faults."""
    return [
        Fault(name, "was changed by the step.", "Work on a copy: frame.assign(...), frame.copy().")
        for name, frame in before.items()
        if not (frame.equals(after[name]) and list(frame.columns) == list(after[name].columns))
    ]


def compared(how: str, result: Result, again: Callable[[], Result], remedy: str = "") -> list[Fault]:
    """Return the frames that come out otherwise, as faults."""
    import pandas as pd

    try:
        other = again().frames
    except GeoqaError as error:
        return [Fault(how, f"it fails: {error}", remedy)]
    faults = []
    for name, frame in result.frames.items():
        if name not in other:
            faults.append(Fault(name, f"is missing when the step is {how}.", remedy))
            continue
        try:
            pd.testing.assert_frame_equal(_plain(frame), _plain(other[name]), rtol=1e-9, atol=1e-9)
        except AssertionError as error:
            told = " ".join(str(error).split())[:200]
            faults.append(Fault(name, f"comes out otherwise {how}: {told}.", remedy))
    return faults


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame as it compares: without running numbers of its own, text as text, rows in one order."""
    import pandas as pd

    columns = {}
    for column in frame.columns:
        values = frame[column]
        if column in _RUNNING and "point" in frame:
            continue
        if str(values.dtype) in ("category", "geometry", "str", "object"):
            values = values.astype("object").map(str)
        columns[column] = values.reset_index(drop=True)
    plain = pd.DataFrame(columns)
    keys = [c for c in plain.columns if c in _KEYS]
    return plain.sort_values(keys or list(plain.columns), kind="stable").reset_index(drop=True)


def mixed(count: int) -> list[int]:
    """Return the row numbers in another order, the same each time."""
    return sorted(range(count), key=lambda i: (i * 7919 % 101, i))


def sample() -> Any:
    """Return the module of the sample, imported when first needed."""
    from geoqa.testing import sample_rows as module

    return module
