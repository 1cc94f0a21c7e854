"""Rows that are other rows again: exported twice, under another clock, other labels, other digits or another unit.

Two measurements of a place are hardly ever equal to the last digit; how rarely follows from the precision they state
and the step they are written with, never from what the site's closures show, for copies shrink that. At centimetres
and minutes apart equal pairs are common, and nothing is made of them; at millimetres and hours apart three are no
chance. Kernels on pairs of sorted rows.
"""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations.measured_rows import Rows, seconds
from geoqa.analysis.precision.visit_pairs import FADES_H_S, FADES_V_S
from geoqa.core.arrays import Array, Flags, Index, np, pd, special
from geoqa.core.statistics import groups
from geoqa.core.units import counted, duration

#: Equal pairs that are no copies below this number, and the probability of so many by chance from which they are.
FEWEST, CHANCE = 3, 1e-4
#: Of equal pairs that are common by themselves nearly all that share an offset must be equal.
COMMON, NEARLY_ALL = 0.05, 0.9
#: Chance of a single pair of different visits above which counting such pairs says nothing.
TOO_COMMON = 0.3
#: Sigmas of east, north and up where a row states none: as fine as RTK gets, metres (common practice, no published
#: source).
FINEST_M = (0.005, 0.005, 0.008)
#: How much finer than stated errors are taken to be at most.
FINEST_SHARE = 0.3
#: Rows that follow sooner, or at an unknown time, are taken to follow so soon, seconds.
SOONEST_S = 60.0
#: How many times as many equal pairs as expected no model of errors is trusted to exclude.
CUSHION = 1.5
#: Unequal pairs that show how much finer than stated a site's errors are, at least.
FEW = 10
#: Root mean square of the smaller four fifths of normal errors, in sigmas.
INNER_SHARE, INNER_RMS = 0.8, 0.6616


@dataclass(frozen=True)
class CopiedPairs:
    """Pairs of rows of a point, the earlier first; arrays of shape (pairs,).

    Attributes
    ----------
    difference_m
        East, north and up, NaN where one has none; shape (pairs, 3).
    step_m
        Steps of the two rows along each axis, metres; shape (pairs, 3, 2).
    sigma_m
        Sigma of the difference along each axis, of what the rows state and do not share; shape (pairs, 3).
    later_s
        From the one start to the other, NaN where a time is unknown.
    files
        Number of the two files, whichever is first.
    separate
        Whether they are of different visits.
    """

    difference_m: Array
    step_m: Array
    sigma_m: Array
    later_s: Array
    files: Index
    separate: Flags

    def only(self, which: Flags) -> CopiedPairs:
        """Return some of the pairs."""
        return CopiedPairs(*(getattr(self, name)[which] for name in self.__dataclass_fields__))


def find_copies(
    occupations: pd.DataFrame, rows: Rows, first: Index, second: Index, difference_m: Array
) -> tuple[Flags, Flags]:
    """Return which pairs are one row written twice, and which of them under another clock; shapes (pairs,).

    Rows that are equal and have no time of their own are; so are more equal pairs than chance makes, whether
    equal along all axes or in east and north alone.

    Parameters
    ----------
    occupations
        The frame.
    rows
        Its direct rows.
    first, second
        The pairs, as positions in `rows`.
    difference_m
        Their differences, east, north and up, NaN for no height; shape (pairs, 3).
    """
    step = np.column_stack([rows.take(occupations[f"resolution_{axis}_m"]) for axis in "hhv"])
    step_m = np.stack([step[first], step[second]], axis=-1)
    same, plan = equal(difference_m, step_m), np.column_stack([difference_m[:, :2], np.full(len(first), np.nan)])
    clock = np.zeros(len(same), bool)
    if not equal(plan, step_m).any():
        return same, clock
    later = rows.start_s[second] - rows.start_s[first]
    exact = ~(np.abs(difference_m) > 0).any(axis=1)
    # Two rows of one second are not two occupations, and without times only the last digit can say so.
    found = same & ((exact & np.isnan(later)) | (later == 0))
    file = rows.codes(occupations["source_file"])
    low, high = np.minimum(file[first], file[second]), np.maximum(file[first], file[second])
    files = low * (int(file.max(initial=0)) + 1) + high + 1
    visit = rows.take(occupations["visit"])
    # Another geoid or antenna height changes the heights of copies: the plan is counted by itself as well.
    for seen in (difference_m, plan):
        alike = equal(seen, step_m)
        # Few pairs of files have as many equal rows: nothing is counted in the others.
        which = ~found & (np.bincount(files, alike & ~found)[files] >= FEWEST)
        if not which.any() or (seen is plan and not (alike & ~same).any()):
            continue
        gap = np.maximum(rows.start_s[second] - rows.end_s[first], SOONEST_S)[which]
        clock[which] |= beyond_chance(
            CopiedPairs(
                seen[which], step_m[which], _sigmas(occupations, rows, first[which], second[which], gap),
                later[which], files[which], visit[first[which]] != visit[second[which]],
            ),
            alike[which],
        )  # fmt: skip
    return found | clock, clock


def _sigmas(occupations: pd.DataFrame, rows: Rows, first: Index, second: Index, gap_s: Array) -> Array:
    """Return the sigma of each pair's difference along east, north and up; shape (pairs, 3).

    What follows soon shares most of its error: Var(difference) = (1 - rho) (Var a + Var b); see `visit_pairs`.
    """
    made = []
    for axis, fades, finest in zip("enu", (FADES_H_S, FADES_H_S, FADES_V_S), FINEST_M, strict=True):
        own = rows.take(occupations[f"sigma_{axis}_m"])
        variance = np.where(np.isnan(own), finest, own) ** 2
        apart = -np.expm1(-np.where(np.isnan(gap_s), SOONEST_S, gap_s) / fades)
        made.append(np.sqrt(apart * (variance[first] + variance[second])))
    return np.column_stack(made)


def limits_m(step_m: Array) -> Array:
    """Return how far apart two roundings of one number may lie: half the coarser step, of unequal ones half of both.

    Equal steps are equal numbers. What a finer one is rounded from may be rounded again: half of each may add up.
    """
    fine, coarse = step_m.min(axis=-1), step_m.max(axis=-1)
    return np.where(coarse - fine > 1e-3 * coarse, (fine + coarse) / 2, coarse / 2) + 1e-7


def equal(difference_m: Array, step_m: Array) -> Flags:
    """Return which pairs are equal within their steps along every axis that both have; shape (pairs,)."""
    known = np.isfinite(difference_m)
    near = np.abs(difference_m) <= limits_m(np.nan_to_num(step_m))
    return (near | ~known).all(axis=1) & known[:, 0]


def beyond_chance(pairs: CopiedPairs, same: Flags) -> Flags:
    """Return which equal pairs are more than chance makes; shape (pairs,).

    Counted for each two files (or one file with itself): all equal pairs together, and those that share one offset
    of time to the second.

    Parameters
    ----------
    pairs
        Those that could be copies.
    same
        From `equal`.
    """
    _, files = np.unique(pairs.files, return_inverse=True)
    chance = _chance(pairs, same)
    timed = ~np.isnan(pairs.later_s)
    # How often common pairs are equal is not known so well that counting them would say something.
    use = chance <= np.where(pairs.separate | ~timed, TOO_COMMON, COMMON)
    found = same & use & _too_many(files, same & use, np.where(use, chance, 0.0))
    found[timed] |= _of_one_offset(pairs.only(timed), files[timed], same[timed], chance[timed])
    return found


def _chance(pairs: CopiedPairs, same: Flags) -> Array:
    """Return the probability of each pair to be equal if both rows were measured; shape (pairs,)."""
    sigma = pairs.sigma_m.copy()
    for axes in ([0, 1], [2]):
        sigma[:, axes] *= _finer(pairs.only(~same), axes)
    with np.errstate(divide="ignore"):
        each = special.erf(limits_m(pairs.step_m) / (sigma * 2**0.5))
    return np.asarray(np.where(np.isfinite(pairs.difference_m), each, 1.0).prod(axis=1))


def _finer(unequal: CopiedPairs, axes: list[int]) -> float:
    """Return how much finer than stated errors are along some axes by pairs that are not equal; never above 1.

    A receiver that states twice its error makes equal pairs common. Pairs that differ are no copies, so copies do
    not shrink this.
    """
    off, own = unequal.difference_m[:, axes], unequal.sigma_m[:, axes]
    use = np.isfinite(off) & (own > 0)
    if use.sum() < FEW * len(axes):
        return 1.0
    rounding = (unequal.step_m[:, axes] ** 2).sum(axis=-1) / 12
    square = np.sort(((off**2 - rounding)[use]) / own[use] ** 2)
    inner = float(square[: round(INNER_SHARE * len(square))].mean())
    return float(np.clip(max(inner, 0.0) ** 0.5 / INNER_RMS, FINEST_SHARE, 1.0))


def _too_many(group: Index, same: Flags, chance: Array) -> Flags:
    """Return whether each pair's group has more equal pairs than chance makes (Poisson); shape (pairs,)."""
    seen, expected = np.bincount(group, same), np.bincount(group, chance) * CUSHION
    return np.asarray((seen >= FEWEST) & (special.pdtrc(seen - 1, np.maximum(expected, 1e-12)) < CHANCE))[group]


def _of_one_offset(pairs: CopiedPairs, files: Index, same: Flags, chance: Array) -> Flags:
    """Return which equal pairs share an offset of time to the second as only copies do; shape (pairs,)."""
    later = np.rint(pairs.later_s).astype(np.int64)
    _, group = groups.distinct(files, later)
    seen, all_of = np.bincount(group, same).astype(np.int64), np.bincount(group)
    usual = np.bincount(group, chance) / np.maximum(all_of, 1)
    tail = special.bdtrc(np.maximum(seen - 1, 0), all_of, np.clip(usual, 1e-12, 1 - 1e-12))
    rare = (tail < CHANCE) & ((usual < COMMON) | (seen >= NEARLY_ALL * all_of))
    # Offsets of different visits do not repeat to the second by chance, unless times are written to the minute.
    to_the_second = np.bincount(files, later % 60 != 0)[files] > 0
    irregular = np.bincount(group, ~pairs.separate | ~to_the_second) == 0
    shared = irregular & (seen == all_of) & (tail < CHANCE**0.5)
    return np.asarray(same & ((seen >= FEWEST) & (rare | shared))[group])


def repeated(n: int, a: Index, b: Index, rank: Index) -> Index:
    """Return for each row the one that it repeats, -1 for rows that repeat none; shape (n,).

    Of two rows that are the same the one of the lower rank is kept.

    Parameters
    ----------
    a, b
        Rows that are the same, in pairs.
    rank
        Of each row, all different, from 0; shape (n,).
    """
    kept, copy = np.where(rank[a] < rank[b], a, b), np.where(rank[a] < rank[b], b, a)
    first = np.full(n, n)
    np.minimum.at(first, copy, rank[kept])
    of_rank = np.append(np.argsort(rank), -1)
    return of_rank[first]


def copy_sentences(copy: Index, original: Index, occupations: pd.DataFrame) -> list[str]:
    """Return what is said of copies: how many rows, of which files, how much later.

    Parameters
    ----------
    copy, original
        The rows, in pairs.
    occupations
        The frame that they are positions in.
    """
    if not len(copy):
        return []
    start_s = seconds(occupations["start_utc"])
    file = occupations["source_file"].astype("str").to_numpy()
    height = occupations["height_m"].to_numpy(dtype=float, na_value=np.nan)
    step = occupations["resolution_v_m"].to_numpy(dtype=float, na_value=np.nan)
    higher = height[copy] - height[original]
    moved = np.abs(higher) > limits_m(np.nan_to_num(np.column_stack([step[copy], step[original]])))
    table = pd.DataFrame(
        {"copy": file[copy], "original": file[original], "later_s": start_s[copy] - start_s[original],
         "higher_m": np.where(moved, higher, 0.0)}
    )  # fmt: skip
    said = []
    for (mine, other), part in table.groupby(["copy", "original"]):
        later = part["later_s"]
        rows = f"{counted(len(later), 'row')} of {mine} {'is a row' if len(later) == 1 else 'are rows'} of "
        rows += f"{'it' if mine == other else other} again{_offset(later.to_numpy())}"
        rows += _raised(part["higher_m"].to_numpy())
        said.append(f"{rows}: {'a copy is' if len(later) == 1 else 'copies are'} no evidence and no visit")
    return said


def _raised(higher_m: Array) -> str:
    if not higher_m.any():
        return ""
    usual = float(np.median(higher_m))
    if (np.abs(higher_m - usual) <= 0.002).mean() < NEARLY_ALL:
        return ", with other heights"
    return f", with heights {abs(usual):.3f} m {'higher' if usual > 0 else 'lower'}"


def _offset(later_s: Array) -> str:
    known = np.rint(later_s[np.isfinite(later_s)])
    if not len(known):
        return ""
    values, counts = np.unique(known, return_counts=True)
    usual = float(values[counts.argmax()])
    if counts.max() < NEARLY_ALL * len(known):
        return ", at other times"
    if usual == 0:
        return f", at the same time{'s' * (len(known) > 1)}"
    return f", {duration(abs(usual))} {'later' if usual > 0 else 'earlier'}"
