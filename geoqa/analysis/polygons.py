"""Polygons and lines from columns: geometry built at the boundary, in chunks, in the CRS's own unit."""

from __future__ import annotations

from geoqa.core.arrays import Array, gpd, np, pd, shapely
from geoqa.core.job import Job
from geoqa.core.statistics import covariance

CHUNK = 8192


def ellipses(table: pd.DataFrame, vertices: int, job: Job) -> gpd.GeoDataFrame:
    """Return the `ellipses` frame of a table of centres, covariances and confidences.

    The boundary is the unit circle through the Cholesky factor of the covariance; the axes are its
    eigenvalues' roots.

    Parameters
    ----------
    table
        Columns subject, id, point, easting_m, northing_m, var_e, var_n, cov_en, nu (degrees of freedom of
        the covariance's scale), confidence.
    """
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


def points(easting_m: Array, northing_m: Array, height_m: Array, job: Job) -> gpd.GeoSeries:
    """Return Point Z geometry in the CRS's own unit; a plain point where no height is known, none without a place."""
    x, y = in_crs(easting_m, northing_m, job)
    placed = ~np.isnan(x)
    shapes = np.full(len(x), None, dtype=object)
    deep = placed & ~np.isnan(height_m)
    shapes[placed] = shapely.points(x[placed], y[placed])
    shapes[deep] = shapely.points(x[deep], y[deep], height_m[deep] / job.grid.system.metres_per_unit)
    return gpd.GeoSeries(shapes, crs=job.grid.system.crs)


def lines(east_m: Array, north_m: Array, job: Job) -> gpd.GeoSeries:
    """Return two-point lines; `east_m` and `north_m` of shape (n, 2)."""
    x, y = in_crs(east_m, north_m, job)
    return gpd.GeoSeries(shapely.linestrings(np.stack([x, y], axis=-1)), crs=job.grid.system.crs)
