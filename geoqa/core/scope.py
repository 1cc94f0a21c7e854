"""What is judged of a point: position and height, or one of them alone; everything people see says it in these words.

The step ``delivery`` decides it point by point and puts it behind the reason of its decision; what is told elsewhere
is read from there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.units import counted

if TYPE_CHECKING:
    import pandas as pd

#: What stands behind a reason, in the order of the codes that `geoqa.analysis.delivery` gives: both axes, one alone.
POSITION_ONLY, HEIGHT_ONLY = "position only", "height only"
WORDS = ("", POSITION_ONLY, HEIGHT_ONLY)
_ENDS = tuple(f"; {word}" if word else "" for word in WORDS)
_UNJUDGED = {POSITION_ONLY: "heights", HEIGHT_ONLY: "positions"}


def with_scope(reasons: tuple[str, ...]) -> list[str]:
    """Return every reason with every word of what is judged behind it: the reasons with the first, then the next."""
    return [reason + end for end in _ENDS for reason in reasons]


def without_scope(reasons: pd.Series) -> pd.Series:
    """Return reasons without the words of what is judged."""
    return reasons.astype("str").str.replace(f"({'|'.join(_ENDS[1:])})$", "", regex=True)


def said(points: pd.DataFrame) -> str:
    """Return a sentence that says which axis alone is judged, of how many points and why; empty where both always are.

    Parameters
    ----------
    points
        The frame, with its ``deliver_reason`` where that is known.
    """
    if "deliver_reason" not in points:
        return ""
    reasons, told = points["deliver_reason"].astype("str"), []
    for word, end in zip(WORDS[1:], _ENDS[1:], strict=True):
        alone = reasons.str.endswith(end).to_numpy(dtype=bool)
        if not alone.any():
            continue
        whom = "" if alone.all() else f" for {int(alone.sum()):,} of {counted(len(points), 'point')}"
        flat = word == POSITION_ONLY and points.loc[alone, "status_v"].isna().all()
        why = "no row has a height that is used" if flat else "as the recipe says"
        told.append(f"{word.capitalize()}{whom}: {_UNJUDGED[word]} are not judged, {why}.")
    return " ".join(told)
