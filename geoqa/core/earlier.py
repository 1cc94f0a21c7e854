"""An earlier review as a later one sees it, and what has changed since: contracts, and the view itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.contract import Column, Frame, float_column, int_column, text_column
from geoqa.core.revisit_contracts import ACCEPT

if TYPE_CHECKING:
    import pandas as pd

NEW, GONE, CHANGED, SAME = CHANGES_OF = ("new", "gone", "changed", "same")
DONE, DROPPED, STILL_OPEN, NOT_VISITED, NEWLY_OPEN = OUTCOMES = (
    "done", "no longer asked for", "visited, still open", "not visited, still open", "newly open",
)  # fmt: skip
#: What is carried over from the points of the earlier review.
_CARRIED = ("point", "status", "deliver", "occupations", "easting_m", "northing_m", "height_m")

EARLIER = Frame(
    key=("point",),
    base=(*_CARRIED, "action"),
    columns={
        "point": text_column("name of the point", nulls=False),
        "status": text_column("its status then", nulls=False),
        "deliver": text_column("whether it could be delivered then", nulls=False),
        "occupations": int_column("direct measured occupations it had", minimum=0),
        "easting_m": float_column("its easting then; null where there was none to give, or in another system"),
        "northing_m": float_column("its northing then"),
        "height_m": float_column("its height then"),
        "action": text_column("what was asked for there; null for nothing"),
    },
)
CHANGES = Frame(
    key=("point",),
    base=("point", "change", "status_before", "status", "deliver_before", "deliver"),
    columns={
        "point": text_column("name of the point", nulls=False),
        "change": text_column("what became of it", CHANGES_OF, nulls=False),
        "status_before": text_column("its status in the earlier review; null if it was not there"),
        "status": text_column("its status now; null if it is gone"),
        "deliver_before": text_column("whether it could be delivered then"),
        "deliver": text_column("whether it may be delivered now"),
        "more_occupations": int_column("occupations it has more than then"),
        "moved_h_m": float_column("how far its coordinate moved; null where one of the two is missing", minimum=0),
        "moved_v_m": float_column("how much its height changed, now minus then"),
        "asked": text_column("what the earlier review asked for there"),
        "action": text_column("what is asked for now"),
        "revisit": text_column("what became of that", OUTCOMES),
        "geometry": Column("geometry", "its place now, in the job's CRS"),
    },
)


def view(points: pd.DataFrame, revisits: pd.DataFrame | None) -> pd.DataFrame:
    """Return the points of a review as a later one compares with them; what is single by plan asks for nothing.

    Parameters
    ----------
    points, revisits
        The frames of that review; None where it has no revisits.
    """
    import pandas as pd

    frame = pd.DataFrame({name: points[name].array for name in _CARRIED})
    action = pd.Series(pd.NA, index=frame.index, dtype="str")
    if revisits is not None and len(revisits):
        revisits = revisits[(revisits["action"] != ACCEPT).to_numpy()]
        asked = pd.Series(revisits["action"].astype("str").array, index=revisits["point"].astype("str"))
        action = frame["point"].astype("str").map(asked).astype("str")
    return frame.assign(action=action.astype("category"), point=frame["point"].astype("str"))
