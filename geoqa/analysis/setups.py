"""Set-ups of the base: which rows one placement of the base has served. Arrays in, arrays out."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from geoqa.analysis.rows import codes_of, seconds
from geoqa.core import clock

if TYPE_CHECKING:
    from datetime import tzinfo

    import pandas as pd
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]

NO_BASE = "no base named"


class Labels(NamedTuple):
    """A number for each row of the frame, -1 for none, and the name of each number."""

    code: Index
    names: list[str]


def placements(occupations: pd.DataFrame, rest_s: float, job: Job) -> Labels:
    """Return the base set-up of each row: the rows of one base label with no longer rest between them.

    A base set again on the same mark the next day is another set-up, and a working day may run past midnight
    of the clock the file is written in: so the rest decides, not the date. Rows without a label count as one
    more base; rows without a time join the label's first set-up.

    Parameters
    ----------
    occupations
        The frame.
    rest_s
        Seconds without an occupation after which the base counts as set up anew.
    """
    label = occupations["base"].astype("category")
    words = [*(str(name) for name in label.cat.categories), NO_BASE]
    base = codes_of(label)
    base = np.where(base < 0, len(words) - 1, base)
    start = seconds(occupations["start_utc"])
    order = np.lexsort((start, base))
    here, before = order[1:], order[:-1]
    new = (base[here] != base[before]) | (start[here] - start[before] > rest_s)  # NaN compares false
    code = np.empty(len(order), np.int64)
    code[order] = np.cumsum(np.r_[False, new][: len(order)])
    # Rows without a time stand last of their base: they join its first part.
    first = np.full(len(words), np.iinfo(np.int64).max)
    np.minimum.at(first, base, code)
    code = np.where(np.isnan(start), first[base], code)
    heads = order[np.r_[True, new][: len(order)]]
    return Labels(code, _named([words[k] for k in base[heads]], start[heads], clock.of(job)))


def busiest(labels: Labels, point: Index, most: int) -> tuple[Labels, int]:
    """Return at most `most` set-ups, those that share the most points, the others as -1; and how many others there are.

    A network that names a base of its own for every connection gives thousands of set-ups; an adjustment holds
    a square of their number, and those that share next to nothing have nothing to show.

    Parameters
    ----------
    labels
        Set-ups, each used by a row; rows of none are -1.
    point
        Number of each row's point, shape (n,).
    """
    count = len(labels.names)
    if count <= most:
        return labels, 0
    at = np.flatnonzero(labels.code >= 0)
    pairs = np.unique(point[at] * count + labels.code[at])
    several = np.bincount(pairs // count)[pairs // count] > 1
    shared = np.bincount(pairs[several] % count, minlength=count)
    kept = np.sort(np.argsort(-shared, kind="stable")[:most])
    number = np.full(count + 1, -1, np.int64)  # the last is for rows of none
    number[kept] = np.arange(len(kept))
    return Labels(number[labels.code], [labels.names[k] for k in kept]), count - most


def _named(words: list[str], start_s: Array, zone: tzinfo) -> list[str]:
    """Return distinct names of set-ups: the label, with the day where it stands on several, with the time if needed."""
    names = words
    for pattern in (" %Y-%m-%d", " %Y-%m-%d %H:%M", " %Y-%m-%d %H:%M:%S"):
        counts = Counter(names)
        if len(counts) == len(names):
            return names
        twice = {word for word, name in zip(words, names, strict=True) if counts[name] > 1}
        names = [
            word + clock.moment(at, zone, pattern) if word in twice else name
            for word, name, at in zip(words, names, start_s, strict=True)
        ]
    counts = Counter(names)
    return [f"{name} ({i})" if counts[name] > 1 else name for i, name in enumerate(names, 1)]
