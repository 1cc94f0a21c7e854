"""Shifts: errors that occupations share, which closures between them cannot see."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from geoqa.analysis.occupations import measured_rows
from geoqa.analysis.occupations.measured_rows import direct_rows, positions
from geoqa.analysis.points.combination import Combination, mean_of_visits
from geoqa.analysis.points.point_status import shift_names
from geoqa.analysis.precision.calibration import EXPECTED
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.shifts import SHIFTED
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    from geoqa.analysis.shifts._table import Shift


@dataclass(frozen=True, kw_only=True)
class Shifts(Analysis):
    """Find what occupations of one base set-up, file, crew or stretch of work have in common, and name it.

    A robust site adjustment x = point + set-up + error estimates a translation and a height for each base
    set-up against the majority of set-ups, and rotation, scale, tilt and drift where they fit better than that
    alone. A set-up is suspicious when it differs by more than set-ups of this site do. One half of the work against
    the other: second visits against first, a set-up before and after a rest, a change of crew, or the moment that
    parts it best; which half is off is said only where the rest of the site tells. Further: files in
    another unit or with swapped axes, mistyped antenna heights, occupations under another point's name, marks
    that moved. No coordinate is changed: `geoqa review --apply-shift NAME` does that when asked.
    """

    name = "shifts"
    needs = (
        "occupations", "occupations.visit", "occupations.copy_of", "occupations.tolerance_h_m", "first_classes",
    )  # fmt: skip
    gives = ("shifts", "shifted", "occupations.setup")

    level: float = param(
        0.02, unit="1", above=0, below=0.5,
        help="Probability that a site without any shift shows one, all tests together",
    )  # fmt: skip
    setup_sigma_h_m: float = param(
        0.005, unit="m", above=0, maximum=1,
        help="Standard deviation per axis that set-ups usually differ by, averaged with what the site shows: centring "
        "(common practice, no published source)",
    )  # fmt: skip
    setup_sigma_v_m: float = param(
        0.005, unit="m", above=0, maximum=1,
        help="The same for the height: measuring the antenna height (common practice, no published source)",
    )  # fmt: skip
    drift_sigma_h_m: float = param(
        0.003, unit="m", minimum=0, maximum=1,
        help="Standard deviation per axis of errors that all points share for a while, which no number of points "
        "averages out (common practice, no published source)",
    )  # fmt: skip
    drift_sigma_v_m: float = param(
        0.008, unit="m", minimum=0, maximum=1,
        help="The same for the height: 5 to 8 mm on sites that drift (common practice, no published source)",
    )  # fmt: skip
    drift_fades_s: float = param(
        2160.0, unit="s", above=0, maximum=1e6,
        help="Time after which such errors are down to 37 %: 36 min (Odolinski 2012, GPS Solutions 16:147-155)",
    )  # fmt: skip
    rest_h: float = param(
        5.0, unit="h", above=0, maximum=240,
        help="Time without an occupation after which a base counts as set up anew, and a crew's work as begun anew",
    )  # fmt: skip
    near_m: float = param(0.05, unit="m", above=0, maximum=10, help="Distance that still is another point's place")
    far_m: float = param(
        10.0, unit="m", above=0, maximum=1e6,
        help="Distance no false fix reaches: one name beyond it is two points (common practice, no published source)",
    )  # fmt: skip
    apart_h: float = param(
        2.0, unit="h", above=0, maximum=240,
        help="Time between agreeing visits before, and after, a mark moved: a false fix may soon come back",
    )  # fmt: skip
    apply: tuple[str, ...] = param(
        (), help="Names of shifts that `geoqa review` takes off the occupations before it judges; none unasked"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return every test in `shifts`, and the occupations of suspicious ones in `shifted`."""
        from geoqa.analysis.occupations import measured_rows
        from geoqa.analysis.shifts import _table

        occupations = frames["occupations"]
        placed = measured_rows.placements(occupations, self.rest_h * 3600, job)
        made, left_out = self._found(occupations, frames["first_classes"], placed, job)
        suspicious = [one for one in made if one.suspicious]
        setup = pd.Categorical.from_codes(placed.code, categories=pd.Index(placed.names, dtype="str"))
        keyed = occupations[["occupation_id"]].assign(setup=setup)
        shifted = _shifted(suspicious, occupations)
        given = {"shifts": _table.table_of(made), "shifted": shifted, "occupations": keyed}
        return Result(given, _messages(suspicious, left_out))

    def _found(
        self, occupations: pd.DataFrame, classes: pd.DataFrame, placed: measured_rows.Labels, job: Job
    ) -> tuple[list[Shift], int]:
        from geoqa.analysis.shifts import _search, _table, searched_rows

        rules = _search.SearchRules(
            own_m=(self.setup_sigma_h_m, self.setup_sigma_v_m), level=self.level, rest_s=self.rest_h * 3600,
            near_m=self.near_m, far_m=self.far_m, apart_s=self.apart_h * 3600,
            drift_m=(self.drift_sigma_h_m, self.drift_sigma_v_m), fades_s=self.drift_fades_s,
            limit_m=(job.tolerance.horizontal_m, job.tolerance.vertical_m or float("nan")),
        )  # fmt: skip
        site = searched_rows.searched_site(occupations, classes, placed, job)
        if not len(site.stops.point):
            return [], site.left_out
        found = _search.Search(site.stops, site.known, rules)
        found.run()
        return _table.of_findings(found, site.place, site.start_s, site.names), site.left_out


@dataclass(frozen=True, kw_only=True)
class ShiftsExplain(Analysis):
    """Say which points rest on suspicious shifts, and by how much each may be off for them."""

    name = "shifts-explain"
    needs = (
        *EXPECTED,
        "occupations", "occupations.use", "occupations.fix", "occupations.visit", "occupations.visit_v", "shifts",
        "shifted", "classes", "points",
    )  # fmt: skip
    gives = ("points.shift", "points.shift_h_m", "points.shift_v_m")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the names of the shifts, by point."""
        occupations, shifted, points = frames["occupations"], frames["shifted"], frames["points"]
        keyed = points[["point"]].copy()
        keyed["shift"] = _resting_on(shifted, occupations, points)
        keyed["shift_h_m"], keyed["shift_v_m"] = _may_be_off(frames, job)
        explained = int(points["explained"].notna().sum())
        said = (
            f"{explained} {'point that disagrees is' if explained == 1 else 'points that disagree are'} explained by "
            f"shifts and not to be blamed on the place; "
            f"nothing is changed unasked, --apply-shift NAME judges the site without a shift"
        )
        return Result({"points": keyed}, (said,) if explained else ())


def _shifted(suspicious: list[Shift], occupations: pd.DataFrame) -> pd.DataFrame:
    """Return each occupation of each suspicious shift, with what it has too much and the point it belongs to."""
    rows = [np.concatenate([one.rows, one.opposite]) for one in suspicious]
    vectors = np.concatenate(
        [np.zeros((0, 3)), *(np.r_[one.vectors, np.zeros((len(one.opposite), 3))] for one in suspicious)]
    )
    of = np.repeat(np.arange(len(suspicious)), [len(one) for one in rows])
    at = np.concatenate([np.zeros(0, np.int64), *rows])
    names = [*occupations["point"].astype("category").cat.categories, None]
    told = pd.DataFrame(
        [(one.setup, one.kind, names[one.new_point], one.mends, len(one.opposite) > 0) for one in suspicious],
        columns=["setup", "kind", "new_point", "mends", "either"],
    )
    return SHIFTED.filled(
        told.take(of).assign(
            occupation_id=occupations["occupation_id"].to_numpy()[at],
            point=occupations["point"].astype("str").to_numpy()[at],
            de_m=vectors[:, 0],
            dn_m=vectors[:, 1],
            du_m=np.nan_to_num(vectors[:, 2]),
        )
    ).reset_index(drop=True)


def _resting_on(shifted: pd.DataFrame, occupations: pd.DataFrame, points: pd.DataFrame) -> pd.Categorical:
    """Return the suspicious shifts that the occupations a point's coordinate rests on are part of, null for none."""
    use = measured_rows.use_codes(occupations["use"])
    used = np.isin(use, (*measured_rows.IN_POSITION, *measured_rows.IN_HEIGHT))
    at = positions(occupations["occupation_id"].to_numpy(), shifted["occupation_id"].to_numpy())
    return shift_names(shifted[used[at]], points)


def _may_be_off(frames: Frames, job: Job) -> tuple[np.ndarray, np.ndarray]:
    """Return how far each coordinate may be off where one of two halves of the work is, along each axis, metres.

    Nobody knows which half: the offset, with its 95 % bound, times what either half weighs in the mean, the larger.
    NaN for a point that rests on no shift, or on one that is known to be off along that axis; 0 where a shift it rests
    on says nothing of the axis.
    """
    from geoqa.analysis.occupations import visit_means

    occupations, points, shifts, shifted = (frames[name] for name in ("occupations", "points", "shifts", "shifted"))
    if not len(shifted):
        nothing = np.full(len(points), np.nan)
        return nothing, nothing
    rows = direct_rows(occupations)
    data = visit_means.local(occupations, frames["classes"], rows, occupations["fix"].to_numpy()[rows.at])
    use, ids = measured_rows.use_codes(occupations["use"])[rows.at], occupations["occupation_id"].to_numpy()[rows.at]
    how = Combination.as_set(job).weights
    named, of = (frame["setup"].astype("str") + "\n" + frame["kind"].astype("str") for frame in (shifts, shifted))
    either = shifted["either"].to_numpy(bool)
    vector = shifted[["de_m", "dn_m", "du_m"]].to_numpy(float)
    still = (vector == 0).all(axis=1)
    order = rows.names.get_indexer(points["point"].astype(rows.names.dtype))
    found = []
    for level, typical, used, columns in (
        (data.horizontal, data.typical_h, np.isin(use, measured_rows.IN_POSITION), [0, 1]),
        (data.vertical, data.typical_v, np.isin(use, measured_rows.IN_HEIGHT) & data.has_height, [2]),
    ):
        axis, chosen = ["de_m", "dn_m", "du_m"][columns[0]], level.only(used)

        def share(
            some: np.ndarray, level: visit_means.Level = chosen, typical: float = typical, mine: np.ndarray = ids[used]
        ) -> np.ndarray:
            inside = np.isin(mine, shifted["occupation_id"].to_numpy()[some]).astype(float)
            x = np.repeat(inside[:, None], level.x.shape[1], axis=1)
            return np.nan_to_num(mean_of_visits(replace(level, x=x), len(rows.names), typical, how)[0][:, 0])

        size = np.hypot.reduce(vector[:, columns], axis=1) if len(columns) > 1 else np.abs(vector[:, 2])
        bound = ((shifts[f"{axis}_high"] - shifts[f"{axis}_low"]) / 2).fillna(0.0).groupby(named).max()
        off = np.zeros(len(rows.names))
        for name in of[either & (size > 0)].unique():  # a handful at most
            mine = (of == name).to_numpy()
            largest = float(size[mine].max()) + float(bound[name])
            off += largest * np.maximum(share(mine & ~still), share(mine & still))
        known = share(~either & ((size > 0) | still)) > 0
        found.append(np.where(known, np.nan, off)[order])
    rests = _resting_on(shifted, occupations, points).notna()
    return np.where(rests, found[0], np.nan), np.where(rests, found[1], np.nan)


def _messages(suspicious: list[Shift], left_out: int, most: int = 12) -> tuple[str, ...]:
    """Return a message for each suspicious shift, the largest first of each kind."""
    said = [f"shift {one.name!r}: {one.message}" for one in suspicious[:most]]
    if len(suspicious) > most:
        said.append(f"and {len(suspicious) - most} more shifts in the layer shifts of review.gpkg")
    if left_out:
        said.append(
            f"{left_out:,} base set-ups that share the fewest points with others were not searched for shifts of "
            f"their own: there are too many set-ups to compare"
        )
    return tuple(said)
