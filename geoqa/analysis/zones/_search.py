"""The search for zones, and the outlines around them that leave out clusters of others. Arrays, in metres."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from geoqa.analysis.zones import _evidence
from geoqa.analysis.zones._evidence import SetupOffsets, ZoneEvidence
from geoqa.core.arrays import Array, Flags, Index, NDArray, np, shapely, spatial
from geoqa.core.frames.revisits import BEYOND, DIRECTION, LARGE
from geoqa.core.statistics import local_statistics

Shapes: TypeAlias = "NDArray[np.object_]"

#: How closely an outline follows its places: 0 as closely as can be, 1 the convex hull.
RATIO = 0.4
#: The narrowest seam around an outline, metres: many points may share a place.
SEAM_M = 0.5


def outline_around(
    place: Array, group: Index, bad: Flags, apart: Array, quiet: Flags, uncut: Flags, least: int,
    buffer_m: float | None, hot: Flags,
) -> Shapes:  # fmt: skip
    """Return an outline for each group, those that meet as one.

    Parameters
    ----------
    place
        Shape (n, 2).
    group
        Number of each place's group, -1 for none.
    bad
        Those that an outline is drawn around, shape (n,): a group's others only stand near.
    apart
        Usual distance to the neighbours, shape (n,); half of it is the seam where none is stated.
    quiet
        Places that no outline crosses: each keeps half the way to the nearest place of a group.
    uncut
        Places whose outline is not cut.
    least
        Fewer places of a group make no outline.
    buffer_m
        Seam around the places.
    hot
        Significant places: an outline, or a part cut off from it, that holds none is no zone.
    """
    size = np.bincount(group[group >= 0], minlength=1)
    member = np.flatnonzero((group >= 0) & (size[group] >= least))
    if not len(member):
        return np.zeros(0, dtype=object)
    seam = np.full(len(place), buffer_m) if buffer_m is not None else np.maximum(apart / 2, SEAM_M)
    core = member[bad[member]]
    if not len(core):
        return np.zeros(0, dtype=object)
    hulls = [
        shapely.concave_hull(shapely.MultiPoint(place[mine]), ratio=RATIO).buffer(float(np.median(seam[mine])))
        for mine in (core[group[core] == number] for number in np.unique(group[core]))
    ]
    whole = shapely.get_parts(shapely.union_all(hulls))
    cut = _cut(whole, place, member, np.flatnonzero(quiet), seam, uncut)
    cut = cut[_count(cut, place[hot]) > 0]
    return np.asarray(shapely.normalize(cut[_count(cut, place[member]) >= least]), dtype=object)


def inside(outlines: Shapes, place: Array) -> Index:
    """Return the number of the outline each place is in, -1 for none or for no place; shape (n,)."""
    result, known = np.full(len(place), -1, np.int64), np.flatnonzero(np.isfinite(place).all(axis=1))
    outline, at = _held(outlines, place[known])
    result[known[at[::-1]]] = outline[::-1]  # of two the first stands
    return result


def _cut(whole: Shapes, place: Array, member: Index, quiet: Index, seam: Array, uncut: Flags) -> Shapes:
    """Return the parts of outlines that are left without the surroundings of quiet places."""
    free = _count(whole, place[member[uncut[member]]]) > 0
    if not len(quiet) or free.all():
        return whole
    reach = np.minimum(2 * seam[quiet], spatial.cKDTree(place[member]).query(place[quiet])[0] / 2)
    discs = shapely.buffer(shapely.points(place[quiet]), reach)
    near = np.unique(shapely.STRtree(whole[~free]).query(discs)[0])
    left = shapely.difference(whole[~free], shapely.union_all(discs[near]))
    return np.concatenate([whole[free], shapely.get_parts(left)])


def _held(outlines: Shapes, place: Array) -> Index:
    """Return which outline holds which place, by outline; shape (2, pairs)."""
    return np.asarray(shapely.STRtree(shapely.points(place)).query(outlines, predicate="covers"))


def _count(outlines: Shapes, place: Array) -> Index:
    return np.bincount(_held(outlines, place)[0], minlength=len(outlines))


#: Points with a say from which zones are looked for.
FEWEST = 30
#: A neighbourhood is no larger than this part of the site: what is everywhere is no zone.
PART = 12
#: Cosine of the angle within which a difference points the same way: 45 degrees.
SAME_WAY = 0.7
#: Share of the closest that are beyond tolerance from which a place beside a zone is solid ground of it.
SOLID = 0.4
#: Neighbours that a cluster of confirmed points is made of, and by which significant points hang together; half
#: of those that were compared where that is more.
LINKS = 8


@dataclass(frozen=True)
class ZoneRules:
    """How to search: see the parameters of the step `zones`."""

    neighbours: int
    neighbours_direction: int
    level: float
    least_points: int
    matters: float
    buffer_m: float | None
    draws: int


@dataclass(frozen=True)
class FoundZones:
    """What a search found.

    Attributes
    ----------
    outlines
        Polygons in metres.
    inside
        Number of the outline that each point is in, -1 for none; shape (n,).
    hot
        By kind: which points are significant, shape (n,).
    p, p_canopy
        By kind: probability of each point adjusted for all tests, NaN where not tested; dealt over all
        points, and within canopy classes, the latter for significant points only.
    offsets, hot_offsets
        The differences between set-ups that were tested, and which of them are significant.
    compared
        By kind: how many neighbours were compared; 0 where a kind was not tested.
    """

    outlines: NDArray[np.object_]
    inside: Index
    hot: dict[str, Flags]
    p: dict[str, Array]
    p_canopy: dict[str, Array]
    offsets: SetupOffsets
    hot_offsets: Flags
    compared: dict[str, int]


def search(site: ZoneEvidence, rules: ZoneRules) -> FoundZones:
    """Return the zones of a site: each kind of evidence tested at its part of the level, and joined where they meet."""
    n = len(site.row)
    say = np.flatnonzero(site.has_say)
    k = min(rules.neighbours, max(5, len(say) // PART)) if len(say) >= FEWEST else 0
    offsets, near_offsets = _evidence.nearest(site.offsets, site.place, rules.neighbours_direction)
    compared = {BEYOND: k, LARGE: k, DIRECTION: rules.neighbours_direction if len(offsets.point) else 0}
    kinds = [kind for kind, count in compared.items() if count]
    level = rules.level / max(len(kinds), 1)
    hot = {kind: np.zeros(n, bool) for kind in compared}
    p = {kind: np.full(n, np.nan) for kind in compared}
    p_canopy = {kind: np.full(n, np.nan) for kind in compared}
    if k:
        near = local_statistics.nearest(site.place[say], k)
        of_kind = _of_places(site, say, near, level, rules)
        for kind, (chance, hot_ones, within) in of_kind.items():
            p[kind][say] = np.minimum(len(kinds) * chance, 1.0)
            hot[kind][say] = hot_ones
            p_canopy[kind][say] = np.minimum(len(kinds) * within, 1.0)
    hot_offsets = np.zeros(len(offsets.point), bool)
    if len(offsets.point):
        chance = local_statistics.adjusted(
            local_statistics.directions(offsets.unit, near_offsets, _evidence.once(offsets), rules.draws)
        )
        hot_offsets = _off(site, offsets, near_offsets, chance <= level, rules.matters)
        np.fmin.at(p[DIRECTION], offsets.point, np.minimum(len(kinds) * chance, 1.0))
        hot[DIRECTION][offsets.point[hot_offsets]] = True
    outlines = _outlined(site, hot, np.unique(np.concatenate([say, offsets.point])), max(LINKS, k // 2), rules)
    return FoundZones(outlines, inside(outlines, site.place), hot, p, p_canopy, offsets, hot_offsets, compared)


def _of_places(
    site: ZoneEvidence, say: Index, near: Index, level: float, rules: ZoneRules
) -> dict[str, tuple[Array, Flags, Array]]:
    """Return, by kind, probabilities, significant points, and their probabilities when cover is kept."""
    canopy, beyond = site.canopy[say], site.beyond[say]
    size, alike = site.size[say], site.alike[say]
    cover = np.unique(canopy * 2 + alike, return_inverse=True)[1]
    several = len(np.unique(canopy)) > 1

    def beyond_within(at: Index) -> Array:
        # Those that are not significant over the whole site count as tested, with nothing found.
        p = np.ones(len(say))
        p[at] = local_statistics.yes_no_within(beyond, near, canopy, at)
        return p

    def large_within(_: Index) -> Array:
        return local_statistics.sizes(local_statistics.scores(size, cover), near, rules.draws)

    score = local_statistics.scores(size, alike)
    over_site = {
        BEYOND: (beyond.astype(float), local_statistics.yes_no(beyond, near), beyond_within),
        LARGE: (score.astype(float), local_statistics.sizes(score, near, rules.draws), large_within),
    }
    result = {}
    for kind, (value, chance, within) in over_site.items():
        p, kept = local_statistics.adjusted(chance), np.full(len(say), np.nan)
        at = np.flatnonzero(p <= level)
        if several and len(at):
            kept[at] = local_statistics.adjusted(within(at))[at]
        hot = local_statistics.firm(value[:, None], near, p <= level)
        if kind == LARGE:
            at = np.flatnonzero(hot)
            hot[at] = np.median(site.ratio[say][near[at]], axis=1) >= rules.matters
        result[kind] = (p, hot, kept)
    return result


def _off(site: ZoneEvidence, offsets: SetupOffsets, near: Index, hot: Flags, least: float) -> Flags:
    """Return the significant differences whose neighbourhood is off by enough to matter to the job."""
    hot = local_statistics.firm(offsets.unit, near, hot)
    at = np.flatnonzero(hot)
    if not len(at):
        return hot
    matters = _exceeds(offsets.offset, least * site.tolerance_m[offsets.point])
    hot[at] = _exceeds(_medians(offsets.offset[near[at]]), least * site.tolerance_m[offsets.point[at]])
    return _joined(offsets, near, hot, matters)


def _exceeds(offset: Array, limit: Array) -> Flags:
    """Return which differences, shape (n, 3), reach a limit horizontally or in height, shape (n, 2)."""
    length = np.column_stack([np.hypot(offset[:, 0], offset[:, 1]), np.abs(offset[:, 2])])
    with np.errstate(invalid="ignore"):
        return np.asarray((length >= limit).any(axis=1))


def _joined(offsets: SetupOffsets, near: Index, hot: Flags, matters: Flags) -> Flags:
    """Return the significant differences and those right beside that are off the same way: the edge of a zone."""
    at = np.flatnonzero(hot)
    way = offsets.unit[near[at]].sum(axis=1)
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    beside = near[at, 1 : LINKS + 1]
    same = matters[beside] & ((offsets.unit[beside] * way[:, None]).sum(axis=2) > SAME_WAY)
    result = hot.copy()
    result[beside[same]] = True
    return result


def _medians(values: Array) -> Array:
    """Return the medians over the second axis of (n, m, 3), NaN passed over; NaN where there is nothing."""
    ordered = np.sort(values, axis=1)  # NaN last
    count = (~np.isnan(values)).sum(axis=1)
    low, high = (
        np.take_along_axis(ordered, np.maximum(i, 0)[:, None], 1)[:, 0] for i in ((count - 1) // 2, count // 2)
    )
    return np.asarray(np.where(count > 0, (low + high) / 2, np.nan))


def _outlined(
    site: ZoneEvidence, hot: dict[str, Flags], base: Index, links: int, rules: ZoneRules
) -> NDArray[np.object_]:
    """Return outlines around groups of significant points, cut where clusters of confirmed points are."""
    any_hot = np.logical_or.reduce(list(hot.values()))
    if not any_hot.any():
        return np.zeros(0, dtype=object)
    base = base[local_statistics.places_around(site.place[base], any_hot[base], links)]
    any_hot, place = any_hot[base], site.place[base]
    near = local_statistics.nearest(place, min(links, len(base) - 1))
    group = local_statistics.groups_of_neighbours(any_hot, near, links)
    group[np.bincount(np.maximum(group, 0), any_hot, len(base))[group] < rules.least_points] = -1
    bad, off = site.bad[base], hot[DIRECTION][base]
    beyond = site.beyond[base] & site.has_say[base]
    company = beyond[near[:, : LINKS + 1]].mean(axis=1)
    # The corner of solid ground belongs to it, though half its wider company is good.
    group = np.where(beyond & (company >= SOLID), local_statistics.reached(group, near, LINKS), group)
    quiet = site.has_say[base] & (group < 0) & (company == 0)
    quiet_group = local_statistics.groups_of_neighbours(quiet, near, LINKS)
    quiet &= np.bincount(np.maximum(quiet_group, 0), quiet, len(base))[quiet_group] >= rules.least_points
    apart = local_statistics.spacing(place, near)
    return outline_around(place, group, bad | off, apart, quiet, off, rules.least_points, rules.buffer_m, any_hot)
