"""The rows that can prove something, the use a point makes of each, and the base set-ups that served them. Kernels."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import tzinfo
from typing import NamedTuple

from geoqa.core import clock
from geoqa.core.arrays import Array, Flags, Index, np, pd
from geoqa.core.frames.contract import USED as USED_WORD
from geoqa.core.frames.schema import REJECTED
from geoqa.core.job import Job
from geoqa.core.statistics import groups


@dataclass(frozen=True)
class Rows:
    """Direct measured occupations, sorted by point, start and reading order.

    Attributes
    ----------
    at
        Position of each row in the occupations frame, shape (n,).
    point
        Position of its point in `names`.
    names
        Every point name of the frame, sorted, with or without a direct row.
    start_s, end_s
        Seconds since 1970, NaN where unknown.
    """

    at: Index
    point: Index
    names: pd.Index
    start_s: Array
    end_s: Array

    def take(self, values: pd.Series) -> Array:
        """Return a column of numbers in this order, NaN for null."""
        return values.to_numpy(dtype=float, na_value=np.nan)[self.at]

    def codes(self, values: pd.Series) -> Index:
        """Return a column of text as codes in this order, -1 for null."""
        return codes_of(values)[self.at]


def codes_of(values: pd.Series) -> Index:
    """Return a text column as codes, -1 for null."""
    return values.astype("category").cat.codes.to_numpy().astype(np.int64)


def codes_in(values: pd.Series, names: pd.Index) -> Index:
    """Return where each name of a text column stands in `names`, -1 for those that do not; shape (n,)."""
    is_coded = isinstance(values.dtype, pd.CategoricalDtype)
    labels, names = (pd.Index(values.cat.categories if is_coded else values).astype("str"), names.astype("str"))
    known = np.arange(len(names)) if labels.equals(names) else names.get_indexer(labels)
    return np.append(known, -1)[values.cat.codes.to_numpy()] if is_coded else known


def positions(ids: Index, wanted: Index) -> Index:
    """Return where each of `wanted` stands in `ids`, which are unique, whole and not negative."""
    table = np.zeros(int(ids.max(initial=0)) + 1, np.int64)
    table[ids] = np.arange(len(ids))
    return table[wanted]


def ends(occupations: pd.DataFrame, closures: pd.DataFrame) -> tuple[Index, Index]:
    """Return the rows of the frame that the earlier and the later occupation of each closure stand in."""
    ids = occupations["occupation_id"].to_numpy()
    a, b = (positions(ids, closures[name].to_numpy()) for name in ("occupation_a", "occupation_b"))
    return a, b


def shown_labels(occupations: pd.DataFrame) -> Index:
    """Return the initialization of each row of the frame as a code, -1 where none is shown.

    A row whose solution is stated and is not fixed has resolved no ambiguities: its label shows nothing. Of a point
    that is judged without a fixed solution each visit stands for itself: no ambiguities could be wrong in both, and
    the errors of float and code solutions fade with the sky.
    """
    solution = occupations["solution"]
    fixed = (solution.isna() | (solution == "fixed")).to_numpy(dtype=bool, na_value=True)
    label = np.where(fixed, codes_of(occupations["initialization"]), -1)
    if "unfixed" not in occupations:
        return label
    visit = occupations["visit"].to_numpy(dtype=np.int64)
    own = flags(occupations, "unfixed", True) & (visit > 0)
    return np.where(own, label.max(initial=-1) + visit, label)


def seconds(values: pd.Series) -> Array:
    """Return times as seconds since 1970, NaN for null."""
    stamps = values.to_numpy(dtype="datetime64[us]")
    result = stamps.astype(np.int64) / 1e6
    result[np.isnat(stamps)] = np.nan
    return result


def is_direct(occupations: pd.DataFrame) -> Flags:
    """Return which occupations form pairs, as the step `visits` says: measured, taken directly, not rejected."""
    return occupations["visit"].to_numpy() > 0


def is_rejected(occupations: pd.DataFrame) -> Flags:
    """Return which occupations a reviewer has rejected."""
    return flags(occupations, "decision", REJECTED)


def flags(frame: pd.DataFrame, column: str, word: str | bool) -> Flags:
    """Return which rows hold `word` in a column of text; none where the frame has no such column."""
    if column not in frame:
        return np.zeros(len(frame), bool)
    return (frame[column] == word).to_numpy(dtype=bool, na_value=False)


def direct_rows(occupations: pd.DataFrame, direct: Flags | None = None) -> Rows:
    """Return the direct measured rows of an occupations frame, sorted; `direct` says which, before visits do.

    A frame that came through `geoqa.core.site.assembly` is sorted already.
    """
    points = occupations["point"].astype("category")
    codes = points.cat.codes.to_numpy()
    if not (np.bincount(codes, minlength=len(points.cat.categories)) > 0).all():
        points = points.cat.remove_unused_categories()
        codes = points.cat.codes.to_numpy()
    at = np.flatnonzero(is_direct(occupations) if direct is None else direct)
    point = codes[at].astype(np.int64)
    start = seconds(occupations["start_utc"])[at]
    late = (point[1:] == point[:-1]) & ~(start[1:] >= start[:-1]) & ~np.isnan(start[1:])
    if (point[1:] < point[:-1]).any() or late.any():
        order = np.lexsort((start, point))  # stable: equal times stay in reading order
        at, point, start = at[order], point[order], start[order]
    return Rows(
        at=at,
        point=point,
        names=points.cat.categories,
        start_s=start,
        end_s=np.fmax(start, seconds(occupations["end_utc"])[at]),
    )


USES = (
    USED_WORD, "height left out", "only the height used", "left out by the majority", "in conflict", "copied",
    "initialization not shown", "time unknown", "not settled", "takes no part", "rejected by reviewer",
)  # fmt: skip
(
    USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED, DISPUTED, COPIED, NO_FIX, NO_TIME, NOT_SETTLED, NO_PART, REJECTED_ROW,
) = range(len(USES))  # fmt: skip
#: Uses that take a row into the position, and into the height.
IN_POSITION, IN_HEIGHT = (USED, NO_HEIGHT), (USED, HEIGHT_ONLY)
#: Uses of direct rows that tell of a place; copies, unsettled rows and rows that stand back do not.
TELLING = (USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED, DISPUTED)
#: Uses that leave a row out of the coordinate although the point has one.
LEFT_OUT = (OUTVOTED, COPIED, NO_FIX, NO_TIME, NOT_SETTLED)


def use_codes(use: pd.Series) -> Index:
    """Return the column ``use`` as positions in `USES`, whatever order its categories are stored in."""
    return pd.Categorical(use, categories=list(USES)).codes.astype(np.int64)


def screen(
    point: Index, copied: Flags, start_s: Array, label: Index, stated: Array, limit: Array, visit: Index, ratio: float
) -> Index:
    """Return the use of each row before anything is compared.

    A row whose initialization is not shown stands back where others show theirs; so does a row without a
    time where others have one, since it may belong to any of their visits.

    Parameters
    ----------
    point, start_s, label, visit
        Sorted rows, shape (n,); `label` is the code of the initialization, -1 for none.
    copied
        Which rows repeat another, shape (n,).
    stated, limit
        Stated horizontal sigma and tolerance, metres, shape (n,); NaN where unknown.
    ratio
        A row whose sigma exceeds the tolerance, and this many times the best of its visit, was stored
        before its precision settled.
    """
    n = groups.above(point)
    use = np.where(copied, COPIED, USED)
    labelled = np.zeros(n, bool)
    labelled[point[(label >= 0) & (use == USED)]] = True
    use = np.where((use == USED) & labelled[point] & (label < 0), NO_FIX, use)
    timed = np.zeros(n, bool)
    timed[point[(use == USED) & ~np.isnan(start_s)]] = True
    use = np.where((use == USED) & timed[point] & np.isnan(start_s), NO_TIME, use)
    _, group = np.unique(point * (visit.max(initial=0) + 1) + visit, return_inverse=True)
    best = np.full(groups.above(group), np.inf)
    fine = (use == USED) & ~np.isnan(stated)
    np.minimum.at(best, group[fine], stated[fine])
    unsettled = (stated > limit) & (stated > ratio * best[group])
    return np.where((use == USED) & unsettled, NOT_SETTLED, use)


def fix_numbers(point: Index, label: Index, base: Index) -> Index:
    """Return the number of the initialization of each row within its point, from 1.

    Equal labels are one initialization unless the base set-up is known to differ: no solution outlives
    its base. Rows without a label are one.

    Parameters
    ----------
    point, label, base
        Sorted rows, shape (n,); codes, -1 where unknown.
    """
    _, labelled = np.unique(point * (label.max(initial=-1) + 2) + label + 1, return_inverse=True)
    # A row whose base is unknown may belong to any of its label: the label stays one.
    unknown = np.zeros(len(point), bool)
    unknown[labelled[base < 0]] = True
    keys = [point, label, np.where(unknown[labelled] | (label < 0), -1, base)]
    order = np.lexsort(keys[::-1])
    changed = np.zeros(len(point), bool)
    for key in keys:
        changed[1:] |= key[order][1:] != key[order][:-1]
    running = np.cumsum(changed)
    opens = np.r_[True, point[order][1:] != point[order][:-1]][: len(point)]
    first = running[opens]
    number = np.empty(len(point), np.int64)
    number[order] = running - np.repeat(first, np.diff(np.r_[np.flatnonzero(opens), len(point)])) + 1
    return number


def shared_labels(labels: pd.Series, group: Index, n: int) -> tuple[pd.Categorical, Flags]:
    """Return the label that the rows of each of `n` groups share, null where they differ, and where they do."""
    known = labels.astype("category").cat
    code, mixed = groups.first_known(known.codes.to_numpy(), group, n)
    return pd.Categorical.from_codes(np.where(mixed, -1, code), categories=known.categories.astype("str")), mixed


def settle(use: Index, point: Index, keep_h: Flags, keep_v: Flags, placed: Flags, conflict: Flags) -> Index:
    """Return the use of each row after the verdict.

    Parameters
    ----------
    use
        From `screen`, shape (n,).
    keep_h, keep_v
        Whether the row's visit is one the status rests on, along each axis, shape (n,).
    placed
        Whether the horizontal status rests on any visit, shape (points,). Where it does not and only
        the height is judged, the rows still serve the height.
    conflict
        Whether the point has no coordinate, shape (points,).
    """
    high = keep_v & ~placed[point]
    use = np.where((use == USED) & ~keep_h, np.where(high, HEIGHT_ONLY, OUTVOTED), use)
    use = np.where((use == USED) & ~keep_v, NO_HEIGHT, use)
    disputed = conflict[point] & np.isin(use, (USED, NO_HEIGHT, HEIGHT_ONLY, OUTVOTED))
    return np.where(disputed, DISPUTED, use)


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
    return Labels(code, _named([words[k] for k in base[heads]], start[heads], clock.zone_of(job)))


def setups(occupations: pd.DataFrame) -> Labels:
    """Return the base set-up of each row, as the step `shifts` says."""
    setup = occupations["setup"].astype("category").cat
    return Labels(setup.codes.to_numpy().astype(np.int64), setup.categories.astype("str").tolist())


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
