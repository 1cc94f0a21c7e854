"""Names that may be mistakes: listed for a person to decide, never merged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geoqa.analysis import _neighbouring_names
from geoqa.analysis.occupations import differences, measured_rows
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.contract import NAME_CHECK_KINDS
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import length, stated


@dataclass(frozen=True, kw_only=True)
class NameChecks(Analysis):
    """List near neighbours under different names, one name at places far apart, and gaps in running numbers.

    Nothing is merged: merging by place would hide the large closures a review looks for. Rows that a
    reviewer rejected take no part.
    """

    name = "name-checks"
    needs = ("occupations",)
    gives = ("name_checks",)

    near_m: float = param(
        0.5, unit="m", above=0, maximum=1000, help="Distance below which two names may be one point (common practice)"
    )
    far_m: float = param(
        5.0, unit="m", above=0, maximum=1e6, help="Distance above which one name may be two points (common practice)"
    )
    largest_gap: int = param(
        20, unit="1", minimum=1, maximum=1_000_000, help="Missing numbers in a row above which it is another block"
    )
    shortest_run: int = param(5, unit="1", minimum=2, maximum=1_000_000, help="Names that make a running number")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `name_checks`, and one message for each kind that was seen."""
        occupations = frames["occupations"]
        counts = ~measured_rows.is_rejected(occupations)
        place, point = differences.places(occupations)[counts], measured_rows.codes_of(occupations["point"])[counts]
        names = occupations["point"].astype("category").cat.categories.to_numpy(dtype=object)
        radius = job.match.radius_m if job.match.by == "place" else None
        unit, middle = job.grid.unit, _neighbouring_names.middles(place, point, len(names))
        if radius is not None:
            kind, near = "outside", _neighbouring_names.outside_radius(place, point, radius)
        else:
            kind, near = "near", _neighbouring_names.neighbours(middle, self.near_m)
        a, b = names[near.point], names[near.other]
        apart = zip(a, b, near.distance_m, strict=True)
        said = [f"{one} and {two} lie {length(d, unit)} apart" for one, two, d in apart]
        # Linked stops may make a chain: its ends are one place only by the steps between.
        far_m = self.far_m if radius is None else 2 * radius
        parts = [_table(kind, a, b, near.distance_m, said), self._far(place, point, names, middle, far_m, unit)]
        if radius is None or occupations["name_read"].notna().any():
            parts.append(self._gaps(occupations))
        frame = pd.concat(parts, ignore_index=True)
        metres = {"near": self.near_m, "far": far_m, "twice": 2 * (radius or 0)}
        limits = {name: stated(value, unit) for name, value in metres.items()}
        return Result({"name_checks": frame}, _messages(frame, limits))

    def _far(
        self, place: np.ndarray, point: np.ndarray, names: np.ndarray, middle: np.ndarray, far_m: float, unit: str
    ) -> pd.DataFrame:
        extent = _neighbouring_names.extents(place, point, len(names))
        far = extent > far_m
        guests = _neighbouring_names.visitors(place, point, far, middle, self.near_m)
        host, gap = np.full(len(names), None, dtype=object), np.full(len(names), np.nan)
        host[guests.point], gap[guests.point] = names[guests.other], guests.distance_m
        at = np.flatnonzero(far)
        at = at[np.argsort(-extent[at], kind="stable")]
        said = [
            f"{name} lies at places {length(d, unit)} apart"
            + (f", one of them {length(g, unit)} from {other}" if other else "")
            for name, d, g, other in zip(names[at], extent[at], gap[at], host[at], strict=True)
        ]
        return _table("far", names[at], host[at], extent[at], said)

    def _gaps(self, occupations: pd.DataFrame) -> pd.DataFrame:
        column = "name_read" if "name_read" in occupations and occupations["name_read"].notna().any() else "point"
        read = occupations[column].astype("category").cat.remove_unused_categories().cat.categories
        names = read.to_numpy(dtype=object)
        before, after, missing = _neighbouring_names.gaps(read, self.largest_gap, self.shortest_run)
        a, b = names[before], names[after]
        said = [
            f"{n} {'number is' if n == 1 else 'numbers are'} missing between {one} and {two}"
            for one, two, n in zip(a, b, missing, strict=True)
        ]
        return _table("gap", a, b, np.full(len(a), np.nan), said)


def _table(kind: str, point: np.ndarray, other: np.ndarray, distance_m: np.ndarray, said: list[str]) -> pd.DataFrame:
    table = {"kind": NAME_CHECK_KINDS[kind].words, "kind_key": kind, "point": point, "other": other}
    frame = pd.DataFrame({**table, "distance_m": distance_m.astype(float), "message": said}, index=range(len(point)))
    return frame.astype(dict.fromkeys((*table, "message"), "str"))


def _messages(frame: pd.DataFrame, limits: Mapping[str, str], most: int = 5) -> tuple[str, ...]:
    """Return one message for each kind: how many, and the first of them."""
    said = []
    for key, kind in NAME_CHECK_KINDS.items():
        texts = frame.loc[frame["kind_key"] == key, "message"]
        if len(texts):
            more = f"; and {len(texts) - most} more in name_checks of review.gpkg" if len(texts) > most else ""
            said.append(f"{kind.title.format(**limits)}, {len(texts)} found: {'; '.join(texts[:most])}{more}")
    return tuple(said)
