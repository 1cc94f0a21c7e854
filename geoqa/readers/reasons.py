"""Why rows are set aside: the first reason found for each row, and the account of them."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Reasons:
    """The first reason each of `rows` rows is set aside for, if any."""

    def __init__(self, rows: int) -> None:
        self.code = np.zeros(rows, np.int64)
        self.words: list[str] = [""]
        self.bad: list[bool] = [False]

    @property
    def open(self) -> NDArray[np.bool_]:
        """Rows without a reason so far."""
        return np.equal(self.code, 0)

    def note(self, rows: NDArray[np.bool_], reason: str, bad: bool = True) -> None:
        """Give `reason` to those of `rows` that have none yet; `bad` says whether it is a fault of the row."""
        hit = rows & self.open
        if hit.any():
            self.words.append(reason)
            self.bad.append(bad)
            self.code[hit] = len(self.words) - 1

    def note_each(self, index: NDArray[np.int64], reasons: list[str]) -> None:
        """Give each row without a reason the one at its `index`; -1 for none."""
        hit = (index >= 0) & self.open
        self.code[hit] = len(self.words) + index[hit]
        self.words += reasons
        self.bad += [True] * len(reasons)

    def text(self) -> NDArray[np.object_]:
        """Return each row's reason, empty where there is none."""
        return np.array(self.words, dtype=object)[self.code]

    def is_bad(self) -> NDArray[np.bool_]:
        """Return which rows are bad, as against left out on purpose."""
        return np.array(self.bad)[self.code]


def counted(reasons: list[str], lines: list[int], most: int = 5) -> list[str]:
    """Return the commonest reasons in words, each with its count and its first lines."""
    places: dict[str, list[int]] = {}
    for reason, line in zip(reasons, lines, strict=True):
        places.setdefault(reason, []).append(line)
    common = Counter({reason: len(at) for reason, at in places.items()}).most_common()
    told = []
    for reason, count in common[:most]:
        first = ", ".join(map(str, sorted(places[reason])[:3])) + (", ..." if count > 3 else "")
        told.append(f"{count} x {reason} (line{'s' if count > 1 else ''} {first})")
    if len(common) > most:
        told.append(f"{len(common) - most} other reasons")
    return told
