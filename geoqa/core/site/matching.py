"""Which rows are the same point: by pattern, note, lookup or place, as ``[match]`` says.

The name as read stays in the column ``name_read``. Names are handled once each, as categories;
patterns run in RE2, whose time grows only with the length of the text.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TypeAlias

from geoqa.core.arrays import Array, Flags, Index, NDArray, csgraph, np, pd, recoded, sparse, spatial
from geoqa.core.errors import InputError
from geoqa.core.frames.schema import UNNAMED
from geoqa.core.job import Job
from geoqa.core.units import listed

Matched: TypeAlias = "tuple[pd.DataFrame, tuple[str, ...]]"

#: Pairs of stops within twice the radius above which the radius is taken for a mistake.
MOST_PAIRS = 20_000_000
#: How far a stop that was never fixed may lie from where it was, metres, by solution (common practice, no published
#: source).
REACH_M = {"float": 2.0, "differential": 5.0, "autonomous": 10.0, "none": 10.0}


def match(frame: pd.DataFrame, job: Job, lookup: Mapping[str, str] | None = None) -> Matched:
    """Return the rows with `point` as ``[match]`` makes it, and what people should know.

    Parameters
    ----------
    frame
        Rows with `point`, `easting_m`, `northing_m` and, for notes, `note`.
    job
        The recipe.
    lookup
        For ``by = "lookup"``: names by names as read.
    """
    by = job.match.by
    if by == "name":
        return frame, ()
    if by == "place":
        return _by_place(frame, float(job.match.radius_m or 0.0))
    names = _text(frame["point"])
    codes = names.codes.astype(np.int64)
    if by == "note":
        new, said = _from_notes(names, _text(frame["note"]), str(job.match.pattern))
    else:
        by_lookup = _looked_up(names, lookup or {}) if by == "lookup" else None
        words, said = by_lookup or _from_names(names, job.match.pattern, job.match.offset)
        new = _named(codes, words)
    counts = f"matched by {by}: {len(names.categories)} names as read are {len(new.categories)} points"
    return frame.assign(point=new, name_read=names), (counts, *said)


def _named(codes: Index, words: Iterable[str]) -> pd.Categorical:
    """Return sorted categories from codes into `words`, which may repeat."""
    found = recoded(codes, [*words, None]).remove_unused_categories()
    return found.reorder_categories(found.categories.sort_values())


def _text(values: pd.Series) -> pd.Categorical:
    found = values.astype("category").cat.remove_unused_categories()
    return found.cat.rename_categories(found.cat.categories.astype("str")).array


def _group(words: pd.Index, pattern: str) -> tuple[NDArray[np.object_], Flags]:
    """Return the group ``point`` of each word, and whether it was found and holds something."""
    import pyarrow as pa
    import pyarrow.compute as pc

    made = pc.extract_regex(pa.array(words.astype("object"), pa.string()), pattern)
    part = pc.utf8_trim_whitespace(pc.struct_field(made, "point"))
    text = np.asarray(part.fill_null("").to_numpy(zero_copy_only=False), dtype=object)
    return text, np.asarray(text != "", dtype=bool)


def _from_names(
    names: pd.Categorical, pattern: str | None, offset: int | None
) -> tuple[NDArray[np.object_], list[str]]:
    words, said = np.asarray(names.categories, dtype=object), []
    if pattern is not None:
        part, found = _group(names.categories, f"^(?:{pattern})$")
        if not found.all():
            said.append(f"names the pattern does not describe, kept as they are: {listed(words[~found])}")
        words = np.where(found, part, words)
    return (_without_offset(words, offset) if offset else words), said


def _without_offset(words: NDArray[np.object_], offset: int) -> NDArray[np.object_]:
    """Return numbers less the multiples of `offset`, where the site has a point of the number that is left."""
    text = pd.Series(words, dtype="str")
    number = np.zeros(len(words), np.int64)
    numeric = text.str.fullmatch("[0-9]{1,15}").to_numpy(dtype=bool)
    number[numeric] = text[numeric].astype(np.int64)
    # A number written with leading zeros is a name of its own.
    plain = numeric & (number.astype(str).astype(object) == words)
    left = number % offset
    there = np.isin(left, number[plain & (number < offset)])
    return np.where(plain & (number >= offset) & there, left.astype(str).astype(object), words)


def _from_notes(names: pd.Categorical, notes: pd.Categorical, pattern: str) -> tuple[pd.Categorical, list[str]]:
    part, found = _group(notes.categories, pattern)
    codes = notes.codes.astype(np.int64)
    told = np.append(found, False)[codes]
    own = np.asarray(names.categories, dtype=object)
    # The names told by notes stand behind those of the rows.
    both = np.where(told, codes + len(own), names.codes.astype(np.int64))
    new = _named(both, np.concatenate([own, np.where(found, part, "")]))
    fresh = sorted(set(part[found]) - set(own))
    said = [f"{int(told.sum())} rows are named by their note"]
    if not told.any():
        said = [
            f"the pattern stands in no note, so every row keeps its name: correct pattern = {pattern!r} under [match]"
        ]
    return new, said + ([f"notes name points that no row is called by: {listed(fresh)}"] if fresh else [])


def _looked_up(names: pd.Categorical, lookup: Mapping[str, str]) -> tuple[NDArray[np.object_], list[str]]:
    words = pd.Series(names.categories, dtype="object")
    new = words.map(dict(lookup))
    unused = sorted(set(lookup) - set(words))
    said = [f"names of the lookup that no row has: {listed(unused)}"] if unused else []
    return new.where(new.notna(), words).to_numpy(dtype=object), said


def _by_place(frame: pd.DataFrame, radius_m: float) -> Matched:
    east, north = (frame[c].to_numpy(dtype=float) for c in ("easting_m", "northing_m"))
    number = places(east, north, radius_m, _linked(frame))
    number, more = _with_unfixed(frame, np.column_stack([east, north]), number, radius_m)
    count = int(number.max(initial=0))
    words = [f"place {k}" for k in range(1, count + 1)]
    point = pd.Categorical.from_codes(number - 1, pd.Index(words, dtype="str"))
    read = frame["point"].astype("object").where(frame["point"].astype("object") != UNNAMED, None)
    said = f"matched by place, {radius_m:g} m, as the recipe asks: {len(frame)} stops are {count} places"
    return frame.assign(point=point, name_read=pd.Categorical(read)), (said, *more)


def never_fixed(frame: pd.DataFrame) -> Flags:
    """Return which rows say that their solution was not fixed; shape (n,)."""
    solution = frame["solution"]
    return np.asarray(solution.notna() & (solution != "fixed"), dtype=bool)


def _with_unfixed(frame: pd.DataFrame, place: Array, number: Index, radius_m: float) -> tuple[Index, list[str]]:
    """Return the places, those where no stop was ever fixed made part of the one they can belong to.

    How far a solution that is not fixed lies off says its own sigma, and at least `REACH_M`. Where several places
    are as near, none is chosen.
    """
    loose = never_fixed(frame)
    count = int(number.max(initial=0))
    held = np.bincount(number - 1, ~loose, minlength=count) > 0
    if held.all():
        return number, []
    if not held.any():
        return number, ["no stop was ever fixed: nobody is sent to any of these places"]
    kept, lost = np.flatnonzero(held), np.flatnonzero(~held)
    weight = np.where(held[number - 1], ~loose, True)
    of_place = np.bincount(number - 1, weight, minlength=count)
    sums = [np.bincount(number - 1, axis * weight, minlength=count) for axis in place.T]
    middle = np.column_stack(sums) / of_place[:, None]
    sigma = np.nan_to_num(frame[["sigma_e_m", "sigma_n_m"]].max(axis=1).to_numpy(dtype=float))
    own = frame["solution"].astype("object").map(REACH_M).fillna(0.0).to_numpy(dtype=float)
    reach = np.zeros(count)
    np.maximum.at(reach, number - 1, radius_m + np.maximum(own, 3 * sigma))
    far, nearest = spatial.cKDTree(middle[kept]).query(middle[lost], k=[1, 2])
    joins = (far[:, 0] <= reach[lost]) & ((far[:, 1] > reach[lost]) | (far[:, 1] > 2 * far[:, 0]))
    target = np.arange(count)
    target[lost[joins]] = kept[nearest[joins, 0]]
    new, said = pd.factorize(target[number - 1])[0] + 1, []
    if joins.any():
        said.append(
            f"{joins.sum()} places where no stop was ever fixed are counted to the one they can belong to, up to "
            f"{far[joins, 0].max():.1f} m away"
        )
    if not joins.all():
        alone = new[np.isin(number - 1, lost[~joins])]
        names = listed(f"place {k}" for k in np.unique(alone))
        said.append(f"never fixed and near no other place, or near several alike: {names}. Nobody is sent there")
    return new, said


def _linked(frame: pd.DataFrame) -> Index:
    """Return pairs of rows that a log shows to be one place whatever lies between: taken without moving on."""
    if "stop" not in frame:
        return np.zeros((0, 2), np.int64)
    stop = frame["stop"].to_numpy(dtype=float, na_value=0.0)
    at = np.flatnonzero(stop > 0)
    at = at[np.argsort(stop[at], kind="stable")]
    same = stop[at[1:]] == stop[at[:-1]]
    return np.column_stack([at[:-1][same], at[1:][same]])


def places(east_m: Array, north_m: Array, radius_m: float, linked: Index | None = None) -> Index:
    """Return the number of each stop's place, from 1 in reading order; shape (n,).

    Stops linked by steps of at most `radius_m` are one place, and so are those `linked` in pairs, shape (m, 2).

    Raises
    ------
    InputError
        If so many stops lie within the radius that it cannot be meant.
    """
    n = len(east_m)
    tree = spatial.cKDTree(np.column_stack([east_m, north_m]))
    if tree.count_neighbors(tree, 2 * radius_m) > 2 * MOST_PAIRS + n:
        raise InputError(
            f"[match] radius_m = {radius_m:g}: more than {MOST_PAIRS:,} pairs of stops lie within twice the radius. "
            "Is it in metres? Write a smaller one."
        )
    pairs = tree.query_pairs(radius_m, output_type="ndarray")
    pairs = pairs if linked is None else np.concatenate([pairs.reshape(-1, 2), linked])
    links = sparse.coo_matrix((np.ones(len(pairs), bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, label = csgraph.connected_components(links, directed=False)
    return pd.factorize(label)[0] + 1
