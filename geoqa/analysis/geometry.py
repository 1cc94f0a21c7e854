"""Geometry of occupations, closures, points and error ellipses in the job's CRS, made when something needs a place."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from geoqa.analysis.occupations import differences, expected_precision
from geoqa.analysis.occupations.expected_precision import Spread
from geoqa.analysis.occupations.measured_rows import codes_in, ends, is_direct
from geoqa.analysis.precision.calibration import EXPECTED
from geoqa.core.arrays import Array, Frames, gpd, np, pd, shapely
from geoqa.core.frames.contract import UNPROVEN
from geoqa.core.frames.control import UNSEEN_M
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result


@dataclass(frozen=True, kw_only=True)
class OccupationPlaces(Analysis):
    """Place each occupation at its coordinate."""

    name = "occupation-places"
    needs = ("occupations",)
    gives = ("occupations.geometry",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return Point Z geometry in the job's CRS."""
        occupations = frames["occupations"]
        keyed = occupations[["occupation_id"]].copy()
        keyed["geometry"] = _placed(differences.places(occupations).T, job).array
        return Result({"occupations": keyed})


@dataclass(frozen=True, kw_only=True)
class ClosureLines(Analysis):
    """Draw each closure as the line from the earlier to the later occupation, to scale."""

    name = "closure-lines"
    needs = ("occupations", "closures")
    gives = ("closures.geometry",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return LineString geometry in the job's CRS."""
        occupations, closures = frames["occupations"], frames["closures"]
        both = np.column_stack(ends(occupations, closures))
        east, north = (occupations[c].to_numpy()[both] for c in ("easting_m", "northing_m"))
        keyed = closures[["pair_id"]].copy()
        keyed["geometry"] = _lines(east, north, job).array
        return Result({"closures": keyed})


@dataclass(frozen=True, kw_only=True)
class PointPlaces(Analysis):
    """Place each point at its coordinate; one without a coordinate in the middle of its occupations."""

    name = "point-places"
    needs = ("occupations", "occupations.visit", "points", "points.easting_m", "points.northing_m", "points.height_m")
    gives = ("points.geometry",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return Point Z geometry in the job's CRS."""
        points = frames["points"]
        keyed = points[["point"]].copy()
        keyed["geometry"] = _placed(places_of_points(frames["occupations"], points), job).array
        return Result({"points": keyed})


@dataclass(frozen=True, kw_only=True)
class CheckLines(Analysis):
    """Draw each measured check as the line between its points, by way of the one where an angle was turned."""

    name = "check-lines"
    needs = ("checks", *PointPlaces.needs)
    gives = ("checks.geometry",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return LineString geometry in the job's CRS; null where one of the points has no place."""
        checks, points = frames["checks"], frames["points"]
        plan = np.column_stack(places_of_points(frames["occupations"], points)[:2])
        names = pd.Index(points["point"].astype("str"))
        at = np.column_stack([codes_in(checks[c], names) for c in ("from", "at", "to")])
        way = np.where(at[:, :, None] >= 0, plan[at], np.nan)
        # Without a third point the line goes straight.
        way[:, 1] = np.where(checks["at"].isna().to_numpy()[:, None], way[:, 0], way[:, 1])
        keyed = checks[["check_id"]].copy()
        lines = _lines(np.nan_to_num(way[:, :, 0]), np.nan_to_num(way[:, :, 1]), job)
        keyed["geometry"] = lines.where(~np.isnan(way).any(axis=(1, 2))).array
        return Result({"checks": keyed})


def places_of_points(occupations: pd.DataFrame, points: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return east, north and height of each point, metres; the middle of its occupations where it has no coordinate.

    Parameters
    ----------
    points
        With its coordinate columns.
    """
    columns = ["easting_m", "northing_m", "height_m"]
    # Only points without a coordinate, or without its height, are placed by their occupations.
    lacking = points.loc[points[columns].isna().any(axis=1), "point"]
    rows = occupations[occupations["point"].isin(lacking)]
    names = pd.Index(lacking)
    code = codes_in(rows["point"], names)
    # Rows of another kind place a point only where it has no direct one.
    direct = is_direct(rows)
    has_direct = np.bincount(code[direct], minlength=len(names)) > 0
    counts = direct | ~has_direct[code]
    middle = rows.loc[counts, columns].groupby(code[counts]).median().reindex(range(len(names)))
    east, north, up = (points[c].fillna(pd.Series(middle[c].to_numpy(), lacking.index)).to_numpy() for c in columns)
    return east, north, up


@dataclass(frozen=True, kw_only=True)
class Ellipses(Analysis):
    """Draw the ellipse of every occupation, of every independent closure, and of every point, to scale.

    Each at the confidence of its point's requirement, from the calibrated covariance. The ellipse of
    a closure lies about its later end: it holds the earlier one as often as the confidence says when
    nothing is wrong. About a point that measured checks agree with and do not prove lies what they would not see: an
    error within it, drawn up to 5 m.
    """

    name = "ellipses"
    needs = (*EXPECTED,
        "occupations", "closures", "classes", "points", "points.easting_m", "points.northing_m", "points.var_e_m2",
        "points.var_n_m2", "points.cov_en_m2", "points.confidence",
    )  # fmt: skip
    uses = ("point_checks",)
    gives = ("ellipses",)

    vertices: int = param(48, unit="1", minimum=12, maximum=720, help="Corners of each polygon")
    most: int = param(
        200_000, unit="1", minimum=0,
        help="Polygons above which those of occupations, then of closures, then of points are left out",
    )  # fmt: skip

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the `ellipses` frame, polygons in the CRS's own unit."""
        cov = expected_precision.calibrated(frames["occupations"], frames["classes"])
        drawn, messages, room = [], [], self.most
        for subject, make in (
            ("point", _points), ("unseen", _unseen), ("closure", _closures), ("occupation", _occupations),
        ):  # fmt: skip
            part = make(frames, cov)
            part = part[part["var_e"].notna() & part["easting_m"].notna()]
            if len(part) > room:
                messages.append(
                    f"{len(part)} ellipses of {subject}s are not drawn: more than `most` in [step.ellipses]"
                )
                continue
            room -= len(part)
            drawn.append(part.assign(subject=subject))
        table = pd.concat(drawn[::-1], ignore_index=True) if drawn else part.assign(subject=subject).iloc[:0]
        return Result({"ellipses": ellipse_polygons(table, self.vertices, job)}, tuple(messages))


def _occupations(frames: Frames, cov: Spread) -> pd.DataFrame:
    occupations = frames["occupations"]
    return _table(frames, occupations["occupation_id"], occupations["point"], occupations["easting_m"],
                  occupations["northing_m"], cov.var_e, cov.var_n, cov.cov_en, cov.nu_h)  # fmt: skip


def _closures(frames: Frames, cov: Spread) -> pd.DataFrame:
    occupations, closures = frames["occupations"], frames["closures"]
    shows = closures[~closures["independence_h"].isin(NO_EVIDENCE)]
    a, b = ends(occupations, shows)
    east, north = (occupations[c].to_numpy()[b] for c in ("easting_m", "northing_m"))
    return _table(frames, shows["pair_id"], shows["point"], east, north,
                  cov.var_e[a] + cov.var_e[b], cov.var_n[a] + cov.var_n[b], cov.cov_en[a] + cov.cov_en[b],
                  np.minimum(cov.nu_h[a], cov.nu_h[b]))  # fmt: skip


def _points(frames: Frames, _: Spread) -> pd.DataFrame:
    points = frames["points"]
    nu = expected_precision.freedom_of_points(points)[0]
    return _table(frames, points["point"], points["point"], points["easting_m"], points["northing_m"],
                  points["var_e_m2"], points["var_n_m2"], points["cov_en_m2"], nu)  # fmt: skip


def _unseen(frames: Frames, cov: Spread) -> pd.DataFrame:
    """Return the errors that measured checks which agree would not see, of points that they do not prove."""
    from geoqa.core.statistics import covariance

    points = frames["points"]
    if "point_checks" not in frames:
        return _points(frames, cov).iloc[:0]
    told = frames["point_checks"]
    told = told[~told["proved_h"] & told["seen_h_m"].notna()]
    at = codes_in(told["point"], pd.Index(points["point"].astype("str")))
    unproven = points["status_h"].iloc[at].isin(UNPROVEN).to_numpy()
    told, at = told[unproven], at[unproven]
    mine, nu = points.iloc[at], np.full(len(at), np.inf)
    factor = covariance.ellipse_factor(mine["confidence"].to_numpy(float), nu)
    major, minor = (
        (np.fmin(told[name].fillna(UNSEEN_M).to_numpy(), UNSEEN_M) / factor) ** 2
        for name in ("detectable_h_m", "seen_h_m")
    )
    east, north = (turn(np.radians(told["unseen_azimuth_deg"].to_numpy())) for turn in (np.sin, np.cos))
    return _table(frames, mine["point"], mine["point"], mine["easting_m"], mine["northing_m"],
                  major * east**2 + minor * north**2, major * north**2 + minor * east**2,
                  (major - minor) * east * north, nu)  # fmt: skip


def _table(
    frames: Frames, ids: pd.Series, point: pd.Series, east: object, north: object,
    var_e: object, var_n: object, cov_en: object, nu: object,
) -> pd.DataFrame:  # fmt: skip
    """Return the ellipses to draw: key, point, centre, covariance, degrees of freedom and confidence, a row each."""
    numbers = {"easting_m": east, "northing_m": north, "var_e": var_e, "var_n": var_n, "cov_en": cov_en, "nu": nu}
    at = codes_in(point, pd.Index(frames["points"]["point"]))
    return pd.DataFrame(
        {name: values.astype(str).to_numpy() for name, values in (("id", ids), ("point", point))}
        | {name: np.asarray(values, float) for name, values in numbers.items()}
        | {"confidence": frames["points"]["confidence"].to_numpy()[at]}
    )


CHUNK = 8192


def ellipse_polygons(table: pd.DataFrame, vertices: int, job: Job) -> gpd.GeoDataFrame:
    """Return the `ellipses` frame of a table of centres, covariances and confidences.

    The boundary is the unit circle through the Cholesky factor of the covariance; the axes are its
    eigenvalues' roots.

    Parameters
    ----------
    table
        Columns subject, id, point, easting_m, northing_m, var_e, var_n, cov_en, nu (degrees of freedom of
        the covariance's scale), confidence.
    """
    from geoqa.core.statistics import covariance

    var_e, var_n, cov_en, confidence = (table[c].to_numpy() for c in ("var_e", "var_n", "cov_en", "confidence"))
    factor = covariance.ellipse_factor(confidence, table["nu"].to_numpy())
    major, minor, azimuth = covariance.ellipse(var_e, var_n, cov_en)
    ll = np.sqrt(var_e)
    with np.errstate(invalid="ignore", divide="ignore"):
        lower = np.where(ll > 0, cov_en / ll, 0.0)
    rest = np.sqrt(np.maximum(var_n - lower**2, 0))
    shapes = np.empty(len(table), dtype=object)
    turn = np.linspace(0, 2 * np.pi, vertices, endpoint=False)
    c, s = np.cos(turn), np.sin(turn)
    east, north = table["easting_m"].to_numpy(), table["northing_m"].to_numpy()
    for begin in range(0, len(table), CHUNK):
        k = slice(begin, begin + CHUNK)
        scale = factor[k, None]
        x = east[k, None] + scale * ll[k, None] * c
        y = north[k, None] + scale * (lower[k, None] * c + rest[k, None] * s)
        shapes[k] = shapely.polygons(np.stack(in_crs(x, y, job), axis=-1))
    frame = table[["subject", "id", "point"]].assign(
        semi_major_m=major * factor, semi_minor_m=minor * factor, azimuth_deg=azimuth, confidence=confidence
    )
    return gpd.GeoDataFrame(frame, geometry=shapes, crs=job.grid.system.crs)


def in_crs(easting_m: Array, northing_m: Array, job: Job) -> tuple[Array, Array]:
    """Return coordinates in the CRS's own unit, east (or longitude) first; any shape."""
    x, y = job.grid.system.coordinates(easting_m, northing_m)
    if job.grid.system.geographic:
        # Counted from the local origin, so that nothing at the date line spans the world.
        origin = (job.local_origin or (0.0, 0.0))[0]
        x = origin + (x - origin + 180) % 360 - 180
    return x, y


def _placed(place: Iterable[Array], job: Job) -> gpd.GeoSeries:
    """Return Point Z geometry in the CRS's own unit; a plain point where no height is known, none without a place."""
    easting_m, northing_m, height_m = place
    x, y = in_crs(easting_m, northing_m, job)
    placed = ~np.isnan(x)
    shapes = np.full(len(x), None, dtype=object)
    deep = placed & ~np.isnan(height_m)
    shapes[placed] = shapely.points(x[placed], y[placed])
    shapes[deep] = shapely.points(x[deep], y[deep], height_m[deep] / job.grid.system.metres_per_unit)
    return gpd.GeoSeries(shapes, crs=job.grid.system.crs)


def _lines(east_m: Array, north_m: Array, job: Job) -> gpd.GeoSeries:
    """Return lines; `east_m` and `north_m` of shape (n, points of each)."""
    x, y = in_crs(east_m, north_m, job)
    return gpd.GeoSeries(shapely.linestrings(np.stack([x, y], axis=-1)), crs=job.grid.system.crs)
