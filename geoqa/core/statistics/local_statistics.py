"""Neighbours, and whether it is worse among them than chance makes it.

Every neighbourhood has the same number of members, so one null distribution serves all of them: exact for
yes and no, drawn for sizes and directions. What is compared is where things happen; how often they happen on
the whole site changes nothing.
"""

from __future__ import annotations

from typing import TypeAlias

from geoqa.core.arrays import Array, Flags, Index, NDArray, csgraph, np, sparse, spatial, special
from geoqa.core.statistics import sample_tests

Whole: TypeAlias = "NDArray[np.int32]"


def nearest(place: Array, k: int) -> Index:
    """Return each place with its `k` nearest others, itself first; shape (n, k + 1).

    Which of several equally near ones are taken depends on the order of the rows: sort them by something
    that the caller's order does not touch.

    Parameters
    ----------
    place
        Shape (n, d), metres, without NaN; n must exceed `k`.
    """
    n = len(place)
    local = place - place.min(axis=0)
    tree = spatial.cKDTree(local)
    by = tree.indices  # asked in the tree's own order, which goes round the site: many places take half the time
    found = np.empty((n, k + 1), np.int64)
    found[by] = tree.query(local[by], k + 1, workers=-1)[1].reshape(n, k + 1)
    own = np.arange(n)[:, None]
    # Among many points at one place a point may not be its own nearest: it then takes the last one's seat.
    is_own = found == own
    is_own[~is_own.any(axis=1), -1] = True
    found[is_own] = np.where(is_own.any(axis=1), found[:, 0], 0)
    found[:, 0] = own[:, 0]
    return found


def spacing(place: Array, near: Index, count: int = 4) -> Array:
    """Return the median distance of each place to its `count` nearest others, metres; shape (n,)."""
    others = near[:, 1 : count + 1]
    return np.asarray(np.median(np.hypot(*(place[others] - place[:, None]).transpose(2, 0, 1)), axis=1))


def groups_of_neighbours(flagged: Flags, near: Index, links: int) -> Index:
    """Return the number of the group each flagged place belongs to, -1 for the others; shape (n,).

    Two belong together where each is among the `links` nearest of the other (connected components, as in
    density clustering with mutual neighbours): a group never leaps over a gap, nor into denser ground.
    """
    n = len(near)
    others = near[:, 1 : links + 1]
    at, to = np.repeat(np.arange(n), others.shape[1]), others.ravel()
    both = flagged[at] & flagged[to]
    one_way = sparse.coo_array((np.ones(both.sum(), np.int8), (at[both], to[both])), shape=(n, n)).tocsr()
    number = csgraph.connected_components(one_way.multiply(one_way.T), directed=False)[1].astype(np.int64)
    return np.where(flagged, number, -1)


def reached(group: Index, near: Index, links: int) -> Index:
    """Return the groups, joined by the places among the `links` nearest of one of theirs; -1 for none; shape (n,)."""
    at = np.flatnonzero(group >= 0)
    result = group.copy()
    np.maximum.at(result, near[at, 1 : links + 1].ravel(), np.repeat(group[at], near[at, 1 : links + 1].shape[1]))
    return np.where(group >= 0, group, result)


def places_around(place: Array, flagged: Flags, links: int) -> Index:
    """Return the places near flagged ones, twice as far as their `links` nearest reach: what an outline can touch."""
    marked = place[flagged]
    reach = 2 * spatial.cKDTree(place).query(marked, min(links + 1, len(place)))[0][:, -1].max()
    away = spatial.cKDTree(marked).query(place, distance_upper_bound=1.001 * reach + 1e-6)[0]
    return np.flatnonzero(away <= reach)


#: Draws begin here on every run: the same site gives the same zones.
SEED = 8
#: Whole steps that scores are counted in, so that equal sums are equal to the last digit.
STEPS = 2**16
#: Closest neighbours, the place among them, that tell on which side of an edge a place is; a third where that is more.
FEWEST_CLOSE = 5
#: Numbers drawn at a time.
CHUNK = 50_000


def adjusted(p: Array) -> Array:
    """Return probabilities adjusted for their number, shape (n,).

    Benjamini and Hochberg 1995, J. R. Statist. Soc. B 57:289-300: of those below a level, the expected share
    that is mere chance is below that level; where nothing is anywhere, so is the chance of seeing anything.
    """
    order = np.argsort(p)
    raised = p[order] * len(p) / np.arange(1, len(p) + 1)
    result = np.empty(len(p))
    result[order] = np.minimum(np.minimum.accumulate(raised[::-1])[::-1], 1.0)
    return result


def yes_no(flag: Flags, near: Index) -> Array:
    """Return the probability of as many flagged in each neighbourhood by chance; shape (n,).

    The local count G* of Getis and Ord 1992 (Geographical Analysis 24:189-206) with its permutation test exact:
    flags dealt over the places anew, the count is hypergeometric.

    Parameters
    ----------
    flag
        Shape (n,).
    near
        Members of each neighbourhood, the place itself among them, shape (n, m).
    """
    n, m = near.shape
    exactly = _hypergeometric(np.arange(m + 1), n, int(flag.sum()), m)
    or_more = np.minimum(np.cumsum(exactly[::-1])[::-1], 1.0)
    return np.asarray(or_more[flag[near].sum(axis=1)])


def yes_no_within(flag: Flags, near: Index, group: Index, at: Index) -> Array:
    """Return the same with flags dealt anew inside each group only, for the places `at`; shape (len(at),).

    The count is a sum of independent hypergeometric counts, one a group: their distributions are convolved.

    Parameters
    ----------
    group
        Number of each place's group, from 0, shape (n,).
    """
    members = near[at]
    counts = np.arange(near.shape[1] + 1)
    spread = np.zeros((len(at), len(counts)))
    spread[:, 0] = 1.0
    for number in np.unique(group[members]):
        mine = group == number
        total, flagged = int(mine.sum()), int((flag & mine).sum())
        table = _hypergeometric(counts[None, :], total, flagged, counts[:, None])
        spread = _convolved(spread, table[mine[members].sum(axis=1)])
    upper = np.cumsum(spread[:, ::-1], axis=1)[:, ::-1]
    return np.asarray(np.minimum(upper[np.arange(len(at)), flag[members].sum(axis=1)], 1.0))


def scores(size: Array, group: Index) -> Whole:
    """Return how large each size is among those of its group, in whole steps; shape (n,).

    Expected order statistics of an exponential distribution (Savage 1956, Ann. Math. Statist. 27:590-615): only
    the rank counts, and large ranks the most.

    Parameters
    ----------
    size
        Shape (n,).
    group
        Sizes are comparable within a group; whole numbers from 0.
    """
    result = np.zeros(len(size))
    for number in np.unique(group):
        mine = np.flatnonzero(group == number)
        rank = sample_tests.ranks(size[mine])
        result[mine] = -np.log1p(-(rank - 0.5) / len(mine))
    return np.rint(result * STEPS).astype(np.int32)


def sizes(score: Whole, near: Index, least: int) -> Array:
    """Return the probability of as large a sum of scores in each neighbourhood by chance; shape (n,).

    The permutation test of the local sum G*; neighbourhoods are equally large and share one null distribution.

    Parameters
    ----------
    least
        Draws of the null distribution at least.
    """
    drawn = _drawn(score[:, None], near.shape[1], least)[:, 0]
    return _upper(score[near].sum(axis=1), np.sort(drawn))


def directions(vector: Array, near: Index, dealt: Index, least: int) -> Array:
    """Return the probability of as long a sum of vectors in each neighbourhood by chance; shape (n,).

    Parameters
    ----------
    vector
        Unit vectors, or zero, shape (n, d).
    dealt
        The rows that chance is made of.
    """
    whole = np.rint(vector * STEPS).astype(np.int32)
    drawn = (_drawn(whole[dealt], near.shape[1], least) ** 2).sum(axis=1)
    seen = np.stack([column[near].sum(axis=1) for column in whole.T])
    return _upper((seen**2).sum(axis=0), np.sort(drawn))


def firm(value: Array, near: Index, hot: Flags) -> Flags:
    """Return the significant places whose closer neighbours, a third of them, are more like it than like the site.

    A wide neighbourhood finds a zone and blurs its edge: a place just outside has half of it in the zone.

    Parameters
    ----------
    value
        What the neighbourhoods were summed over, shape (n, d).
    hot
        Significant places, shape (n,).
    """
    if not hot.any():
        return hot
    close = near[:, : max(near.shape[1] // 3, min(FEWEST_CLOSE, near.shape[1]))]
    mean = np.linalg.norm(value[close].mean(axis=1), axis=1)
    return np.asarray(hot & (mean >= (mean.mean() + mean[hot].mean()) / 2))


def _drawn(value: Whole, m: int, least: int) -> Index:
    """Return the sums of at least `least` draws of `m` rows without replacement; shape (draws, d).

    A draw is every so many-th card of a shuffled deck, begun anywhere: as exact as shuffling for each draw, and
    much quicker. The deck has a prime number of cards, so that no draw meets a card twice, and is shuffled anew
    after as many draws as it has cards.

    Parameters
    ----------
    value
        Shape (n, d), n larger than `m`.
    """
    rng = np.random.default_rng(SEED)
    n, cards = len(value), _prime(len(value))
    at_once = min(max(n, 1000), CHUNK)
    sums = np.zeros((value.shape[1], -(-least // at_once), at_once), np.int64)
    for deal in range(sums.shape[1]):
        deck = np.ascontiguousarray(value[rng.permutation(n)[:cards]].T)
        card, step = rng.integers(0, cards, at_once), rng.integers(1, cards, at_once)
        for _ in range(m):
            for total, column in zip(sums[:, deal], deck, strict=True):
                total += column[card]
            card += step
            card -= cards * (card >= cards)
    return sums.reshape(len(sums), -1).T


def _prime(n: int) -> int:
    """Return the largest prime up to `n`, which is 2 at least."""
    return next(k for k in range(n, 1, -1) if all(k % i for i in range(2, int(k**0.5) + 1)))


def _upper(seen: Index, null: Index) -> Array:
    """Return the share of a sorted null distribution that reaches what was seen, itself counted in."""
    reached = len(null) - np.searchsorted(null, seen, side="left")
    return np.asarray((1.0 + reached) / (1.0 + len(null)), dtype=float)


def _hypergeometric(seen: Index, total: int, flagged: int, drawn: Index) -> Array:
    """Return the probability of `seen` flagged among `drawn` out of `total`, 0 where that cannot be."""
    can = (seen <= drawn) & (seen <= flagged) & (drawn - seen <= total - flagged)
    at, of = np.where(can, seen, 0), np.where(can, drawn, 0)
    ways = _log_ways(flagged, at) + _log_ways(total - flagged, of - at) - _log_ways(total, of)
    return np.asarray(np.where(can, np.exp(ways), 0.0))


def _log_ways(n: int, k: Index) -> Array:
    """Return the logarithm of the number of ways to take k out of n."""
    return np.asarray(special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1))


def _convolved(a: Array, b: Array) -> Array:
    """Return the distribution of the sum of two counts, row by row; shapes (n, m + 1)."""
    total = np.zeros_like(a)
    for count in range(a.shape[1]):
        total[:, count:] += a[:, : a.shape[1] - count] * b[:, count, None]
    return total
