"""Several files made one site, and shifts taken off its occupations."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

from geoqa.core import geodesy
from geoqa.core.arrays import np, pd, recoded
from geoqa.core.errors import CallError, InputError
from geoqa.core.frames.control import CHECKS, LEVEL, READ_OF_CHECKS, RISE, TURN
from geoqa.core.job import LEVELLED, TOTAL_STATION, Job, Recipe, unfixed
from geoqa.core.site import decisions as reviewer
from geoqa.core.site import matching
from geoqa.core.statistics import groups
from geoqa.core.units import counted, listed

#: A grid that stretches lengths by more than this is not one that closures may be taken in.
LARGEST_SCALE = 0.01


class Assembled(NamedTuple):
    """One occupations frame, the job with its local origin where it needs one, and what people should know.

    `decisions` are those given, with the point and the rows each concerns; None where none were given.
    """

    frame: pd.DataFrame
    job: Job
    messages: tuple[str, ...]
    decisions: pd.DataFrame | None = None


def occupations(
    frames: Sequence[pd.DataFrame],
    recipe: Recipe,
    lookup: Mapping[str, str] | None = None,
    decisions: pd.DataFrame | None = None,
    **settled: Any,
) -> Assembled:
    """Return the rows of all files as one frame, sorted by point, start and reading order.

    `occupation_id` numbers the rows as they were read. Rows are matched to points as ``[match]`` says, then
    the reviewer's decisions are put on them. A role belongs to a point: the first one its rows state
    holds for all of them. Here the recipe becomes the job: `settled` are those of its fields that the files settle.

    Raises
    ------
    InputError
        If no row can be used, a tolerance grows with a base distance that no row states, or a decision no
        longer fits its row.
    """
    frame = stack(frames)
    if frame.empty:
        raise InputError("no row can be used: every row of the input was set aside. See the reasons above.")
    frame = frame.assign(occupation_id=np.arange(1, len(frame) + 1))
    job = Job.of(recipe, **settled, local_origin=_origin(frame, recipe))
    if job.grid.system.geographic:
        frame = _on_local_grid(frame, job)
    elif job.site.crs != geodesy.LOCAL:
        _refuse_large_scale(frame, job)
    frame, matched = matching.match(frame, job, lookup)
    if decisions is not None:
        frame, decisions = reviewer.apply(frame, decisions, job)
    frame, messages = by_point(frame)
    frame, job, floats = _unfixed(frame, job)
    messages += (*floats, *_shared_labels(frame))
    if job.input.initialization == "asserted" and not job.files:
        frame = frame.assign(initialization=_asserted(frame))
    return Assembled(frame, job, (*matched, *messages, *_distances(frame, job)), decisions)


def by_point(frame: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the rows sorted by point and time, one role a point."""
    points = frame["point"].astype("category").cat.remove_unused_categories()
    point = points.cat.codes.to_numpy().astype(np.int64)
    order = groups.order(point, groups.ticks(frame["start_utc"].to_numpy(dtype="datetime64[us]")))
    point = point[order]
    frame = frame.assign(point=points).take(order).reset_index(drop=True)
    roles = frame["role"].astype("category")
    role, mixed = groups.first_known(roles.cat.codes.to_numpy().astype(np.int64), point, len(points.cat.categories))
    frame = frame.assign(role=pd.Categorical.from_codes(role[point], categories=roles.cat.categories))
    names = points.cat.categories[mixed]
    if not len(names):
        return frame, ()
    return frame, (f"the rows of {listed(names)} state several roles: the first one of each point counts",)


def stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Return the frames one below the other; text stays categorical, columns that one lacks are null."""
    if len(frames) == 1:
        return frames[0].reset_index(drop=True)
    names = list(dict.fromkeys(name for frame in frames for name in frame.columns))
    columns = {}
    for name in names:
        kind = next(frame[name] for frame in frames if name in frame)
        parts = [f[name] if name in f else kind.iloc[:0].reindex(range(len(f))) for f in frames]
        if any(isinstance(part.dtype, pd.CategoricalDtype) for part in parts):
            columns[name] = pd.api.types.union_categoricals([_as_text(part) for part in parts], sort_categories=True)
        else:
            columns[name] = pd.concat(parts, ignore_index=True).array
    return pd.DataFrame(columns)


def _unfixed(frame: pd.DataFrame, job: Job) -> tuple[pd.DataFrame, Job, tuple[str, ...]]:
    """Return the rows with `unfixed`, and the role of points without a fixed solution, where the recipe judges those.

    No row of such a point is measured as fixed or leaves open what it is, and one says that it is not fixed: it is
    judged by ``[tolerance.float]`` and delivered by ``[requirement.float]``, under a role that says so.
    """
    labels = frame["role"].astype("category").cat
    words: list[str | None] = [*map(str, labels.categories), None]
    if all(job.unfixed_role(word) is None for word in words):
        return frame, job, ()
    known = frame["solution"].notna().to_numpy(dtype=bool)
    fixed = (frame["solution"] == "fixed").to_numpy(dtype=bool, na_value=False) | ~known
    measured = (frame["origin"] == "measured").to_numpy(dtype=bool)
    point, code = frame["point"].cat.codes.to_numpy(), labels.codes.to_numpy()
    count = int(point.max()) + 1
    loose = np.bincount(point[measured & ~fixed], minlength=count) > 0
    loose &= np.bincount(point[measured & fixed], minlength=count) == 0
    stated = np.array([job.unfixed_role(word) is not None for word in words])
    here = loose[point] & stated[code]
    if not here.any():
        return frame, job, ()
    rules = {unfixed(word): rule for word in words if (rule := job.unfixed_role(word)) is not None}
    own = np.where(code < 0, len(words) - 1, code)
    role = recoded(np.where(here, len(words) + own, own), [*words, *map(unfixed, words)])
    frame = frame.assign(role=role.remove_unused_categories(), unfixed=here)
    n = int(loose[np.unique(point[here])].sum())
    said = f"{counted(n, 'point')} without a fixed solution: judged by [tolerance.float] as float or code solutions"
    return frame, replace(job, roles={**job.roles, **rules}), (said,)


def _as_text(values: pd.Series) -> pd.Series:
    """Return a categorical column whose categories are text: one without any word has them of another kind."""
    labels = values.astype("category")
    return labels.cat.rename_categories(labels.cat.categories.astype("str"))


def _asserted(frame: pd.DataFrame) -> pd.Categorical:
    """Return a label of its own for every row without one: the user asserts that each is a fresh initialization.

    A log shows its initializations itself; what is asserted of the tables beside it does not hold for it.
    """
    labels = "asserted " + frame["occupation_id"].astype("str")
    if frame["initialization"].isna().all():
        return pd.Categorical.from_codes(np.arange(len(frame)), categories=labels)
    return pd.Categorical(frame["initialization"].astype("str").where(frame["initialization"].notna(), labels))


def _origin(frame: pd.DataFrame, recipe: Recipe) -> tuple[float, float] | None:
    """Return the middle of the rows, from which a geographic job's local grid and a local frame's drawing count."""
    if recipe.grid.system.geographic:
        # Longitudes around the date line are near each other: the middle is taken on the circle.
        turned = np.unwrap(np.radians(np.sort(frame["lon_deg"].to_numpy())))
        middle = (np.degrees(np.median(turned)) + 180) % 360 - 180
        return round(float(middle), 1), round(float(np.median(frame["lat_deg"].to_numpy())), 1)
    if recipe.site.crs == geodesy.LOCAL:
        east, north = frame[["easting_m", "northing_m"]].median()
        return round(float(east), 0), round(float(north), 0)
    return None


def _on_local_grid(frame: pd.DataFrame, job: Job) -> pd.DataFrame:
    lon, lat = frame["lon_deg"].to_numpy(), frame["lat_deg"].to_numpy()
    east, north = job.grid.system.from_lonlat(lon, lat)
    lost = np.flatnonzero(~np.isfinite(east))  # a place off the plane has neither
    if len(lost):
        row = frame.iloc[lost[0]]
        raise InputError(
            f"{len(lost)} of {len(frame)} rows lie a quarter of the Earth from the middle of the others, and no plane "
            f"holds both: {row['source_file']}:{row['source_line']}, point {str(row['point'])[:60]!r}, longitude "
            f"{lon[lost[0]]:g}, latitude {lat[lost[0]]:g}. A site is one place: correct the rows, or leave them out "
            "with where under [input]; are longitude and latitude mapped to the right columns?"
        )
    return frame.assign(easting_m=east, northing_m=north)


def _refuse_large_scale(frame: pd.DataFrame, job: Job) -> None:
    system = job.grid.system
    lon, lat = system.to_lonlat(*(np.array([frame[c].median()]) for c in ("easting_m", "northing_m")))
    scale = float(system.scale(lon, lat)[0]) if np.isfinite(lon).all() and np.isfinite(lat).all() else np.nan
    if not abs(scale - 1) < LARGEST_SCALE:
        raise InputError(
            f"the coordinates lie where {job.site.crs} ({system.name}) "
            + ("is not defined" if np.isnan(scale) else f"stretches lengths by the factor {scale:.3f}")
            + ". Are easting and northing mapped to the right columns, in the right unit, and is crs the system of "
            "the file? geoqa compares closures on the grid and needs a system made for the place."
        )


def _shared_labels(frame: pd.DataFrame) -> tuple[str, ...]:
    """Say which initializations stand in several files: a count that starts anew in each looks like one fix."""
    files = frame[["initialization", "source_file"]].dropna().drop_duplicates()["initialization"]
    shared = files[files.duplicated()].astype("str").unique()
    if not len(shared):
        return ()
    rule = "if each file counts its own, make them differ in the files (A-1, B-1), or pairs of them prove nothing"
    return (f"the initializations {listed(shared)} stand in several files and count as one each: {rule}",)


def _distances(frame: pd.DataFrame, job: Job) -> tuple[str, ...]:
    """Refuse a tolerance that grows with a distance nobody states; say how many rows lack theirs."""
    tolerances = {"[tolerance]": job.tolerance} | {f"[roles.{n}.tolerance]": r.tolerance for n, r in job.roles.items()}
    grows = [where for where, t in tolerances.items() if t.horizontal_ppm or t.vertical_ppm]
    if grows and frame["base_distance_m"].isna().all():
        raise InputError(
            f"{', '.join(grows)} adds ppm of the distance to the base, and no row states that distance. "
            f"Map it as base_distance in [input.columns], or set the ppm to 0 (a virtual base gives no distance)."
        )
    missing = int(frame["base_distance_m"].isna().sum())
    if grows and missing:
        return (f"{missing} rows state no distance to the base: their tolerance is the constant alone",)
    return ()


def measured_from(
    occupations: pd.DataFrame, job: Job, checks: pd.DataFrame | None
) -> tuple[pd.DataFrame | None, tuple[str, ...]]:
    """Return the measured checks with those that rows of total stations and levels are, and what people should know.

    The first is None where there are none.

    Such a row was measured from its station and oriented on another point: what it says is a distance from the one,
    an angle from the other and a rise, as its coordinates were worked out of these points' own (of a row that was
    entered or known before it, else the mean of what was measured).
    """
    station = occupations.get("station")
    method = occupations["method"].astype("str")
    if not (by_them := method.isin((*TOTAL_STATION, *LEVELLED))).any():
        return checks, ()
    if station is None:
        return checks, (
            f"{counted(int(by_them.sum()), 'row')} of a total station or a level: no column says from where",
        )
    names = occupations["point"].astype("str")
    place = occupations[["easting_m", "northing_m", "height_m"]].astype(float)
    entered = occupations["origin"].isin(("control", "keyed-in", "averaged")).to_numpy()
    direct = ((occupations["origin"] == "measured") & (method == "direct")).to_numpy()
    used = place[direct].groupby(names[direct]).mean()
    used = pd.concat([place[entered].groupby(names[entered]).first(), used])
    used = used[~used.index.duplicated()]

    def at(column: str, *others: pd.Series) -> Any:
        called = occupations.get(column, pd.Series(np.nan, occupations.index)).astype("str")
        found = used.reindex(called).to_numpy(copy=True)
        found[np.logical_or.reduce([(called == other).to_numpy() for other in others])] = np.nan
        return found

    # A row says nothing of the point that it was measured from, nor by orienting on one of its own two.
    start, back, end = at("station", names), at("orientation", names, station.astype("str")), place.to_numpy()
    scale = geodesy.grid_over_ground(job.site, job.grid, np.nan_to_num(end + start) / 2)
    flat = np.hypot(*(end - start)[:, :2].T)
    sigma = np.sqrt((occupations[["sigma_e_m", "sigma_n_m"]].to_numpy(float) ** 2).mean(axis=1))
    toward, behind = (geodesy.azimuth_deg(*(far - start)[:, :2].T) for far in (end, back))
    common = {
        "to": names, "method": method, "who": occupations["operator"].astype("str"),
        "when": occupations["start_utc"].astype("str").where(occupations["start_utc"].notna()),
        "source_file": occupations["source_file"].astype("str"), "source_line": occupations["source_line"],
    }  # fmt: skip
    mark = station.astype("str")
    by_station, lengths = method.isin(TOTAL_STATION).to_numpy(), {"from": mark, "unit": "m"}
    with np.errstate(invalid="ignore", divide="ignore"):
        kinds = (
            (by_station, {"kind": LEVEL, "value": flat / scale, "sigma": sigma, **lengths}),
            (by_station, {"kind": TURN, "value": (toward - behind) % 360, "sigma": np.degrees(sigma / flat), "at": mark,
                          "unit": "deg", "from": occupations.get("orientation")}),
            (by_them.to_numpy(), {
                "kind": RISE, "value": end[:, 2] - start[:, 2], "sigma": occupations["sigma_u_m"], **lengths}),
        )  # fmt: skip
    parts = [pd.DataFrame(common | own)[some & np.isfinite(own["value"])] for some, own in kinds]
    parts = [part for part in (checks, *parts) if part is not None and len(part)]
    made = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=["check_id"])
    table = CHECKS.filled(made.assign(check_id=np.arange(1, len(made) + 1)), READ_OF_CHECKS)
    lost, turned = (by_them.to_numpy() & np.isnan(one[:, 0]) for one in (start, back))
    said = {
        "name no other point with a coordinate as their station: they say nothing": lost,
        "name no third point with a coordinate that they were oriented on: they say no angle": turned
        & by_station
        & ~lost,
    }
    rows = (np.flatnonzero(some) for some in said.values())
    return table if len(table) else None, tuple(
        f"{counted(len(some), 'row')} of a total station or a level {words}: {listed(names.iloc[some])}"
        for words, some in zip(said, rows, strict=True)
        if len(some)
    )


def chosen(shifts: pd.DataFrame, shifted: pd.DataFrame, names: Iterable[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the shifts that are meant by `names`, and their occupations.

    Parameters
    ----------
    shifts, shifted
        The frames.
    names
        Set-up and kind (``B2 translation``), or the set-up alone for all its suspicious kinds.

    Raises
    ------
    CallError
        Naming each name that no suspicious shift has, or whose shift no correction can set right.
    """
    suspicious = shifts[shifts["suspicious"].to_numpy(dtype=bool)]
    full, named = (frame["setup"] + " " + frame["kind"] for frame in (suspicious, shifted))
    take = full.isna().to_numpy(dtype=bool, copy=True)
    faults, mended = [], set(named[shifted["mends"].to_numpy(dtype=bool)])
    for name in dict.fromkeys(names):
        here = ((full == name) | (suspicious["setup"] == name)).to_numpy(dtype=bool)
        if not here.any():
            known = ", ".join(repr(one) for one in full[full.isin(mended)]) or "none"
            faults.append(f"no suspicious shift is called {name!r}; those that can be applied: {known}")
        elif not full[here].isin(mended).all():
            faults.append(f"{name!r} cannot be set right by a correction: {suspicious['remedy'][here].iloc[0]}")
        take |= here
    if faults:
        raise CallError("--apply-shift: " + "; ".join(faults) + ".")
    return suspicious[take], shifted[named.isin(set(full[take])).to_numpy(dtype=bool)]


def take_off(occupations: pd.DataFrame, shifted: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the occupations with what `shifted` lists taken off them, sorted by point and time.

    Parameters
    ----------
    occupations
        As assembled; it is not changed.
    shifted
        Rows of the frame: an occupation may stand in several shifts, their vectors add up.
    """
    at = pd.Index(occupations["occupation_id"]).get_indexer(shifted["occupation_id"])
    frame = occupations
    system = job.grid.system
    for column, vector in (("easting_m", "de_m"), ("northing_m", "dn_m"), ("height_m", "du_m")):
        off = np.bincount(at, shifted[vector].to_numpy(dtype=float), minlength=len(frame))
        frame = frame.assign(**{column: frame[column] - off})
    if system.geographic:  # closures are taken on the ellipsoid
        moved = np.unique(at)
        lon, lat = (frame[c].to_numpy(dtype=float, copy=True) for c in ("lon_deg", "lat_deg"))
        east, north = (frame[c].to_numpy(dtype=float)[moved] for c in ("easting_m", "northing_m"))
        lon[moved], lat[moved] = system.to_lonlat(east, north)
        frame = frame.assign(lon_deg=lon, lat_deg=lat)
    renamed = shifted["new_point"].notna().to_numpy()
    if renamed.any():
        names = frame["point"].astype("str").to_numpy(dtype=object)
        names[at[renamed]] = shifted["new_point"].to_numpy(dtype=object)[renamed]
        frame = frame.assign(point=pd.Categorical(pd.Series(names, dtype="str")))
    return by_point(frame)[0]


_ALONG = {"de_m": "east", "dn_m": "north", "du_m": "up"}


def corrections_told(shifts: pd.DataFrame, shifted: pd.DataFrame) -> list[dict[str, Any]]:
    """Return what was taken off, as plain values for the record; `said` is for people."""
    still = (shifted[["de_m", "dn_m", "du_m"]] == 0).all(axis=1) & shifted["either"]  # the half that stays
    counts = (shifted["setup"] + " " + shifted["kind"])[~still].value_counts()
    made = []
    for one in shifts.itertuples(index=False):
        name = f"{one.setup} {one.kind}"
        moved = {name: float(getattr(one, name)) for name in ("de_m", "dn_m", "du_m")}
        numbers = {name: round(metres, 4) for name, metres in moved.items() if metres == metres}
        n = int(counts.get(name, 0))
        rows = counted(n, "occupation")
        done = f"taken off {rows}" if one.kind != "name" else f"set right: {rows} went to the point where it lies,"
        size = [f"{metres:+.3f} m {_ALONG[axis]}" for axis, metres in numbers.items() if metres]
        told = f" ({', '.join(size)})" if size else ""
        said = f"shift {name!r}{told} was {done} before the site was judged; it was found as {one.looks_like}"
        made.append({"shift": name, "kind": one.kind, "occupations": n, **numbers, "said": said})
    return made


def with_names(recipe: Recipe, names: Iterable[str]) -> Recipe:
    """Return the recipe with the shifts to apply in its step, after those the recipe names."""
    names, own = tuple(names), recipe.steps.get("shifts", {})
    stated = own.get("apply", ())
    if not names or not isinstance(stated, (list, tuple)):  # a fault of the recipe, which its own check tells
        return recipe
    every = {**own, "apply": tuple(dict.fromkeys([*stated, *names]))}
    return replace(recipe, steps={**recipe.steps, "shifts": every})
