"""Rows that are no direct measurement, told as what they are."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

#: What people call a row of this method or origin.
_CALLED = {"staking": "staked", "offset": "by offset", "intersection": "by intersection", "traverse": "by traverse"}


def told(occupations: pd.DataFrame) -> tuple[str, ...]:
    """Return one message that counts the rows which form no pairs by what they are; none without any."""
    origin, method = (occupations[name].astype("category") for name in ("origin", "method"))
    counts = {word: int(n) for word, n in origin.value_counts().items() if n and word != "measured"}
    measured = origin == "measured"
    counts |= {word: int(n) for word, n in method[measured].value_counts().items() if n and word != "direct"}
    if not counts:
        return ()
    listed = ", ".join(f"{n} {_CALLED.get(str(word), word)}" for word, n in counts.items())
    rows = sum(counts.values())
    return (f"{rows} rows are no direct measurement, are kept as what they are and form no pairs: {listed}",)
