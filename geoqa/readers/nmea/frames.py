"""The frames of a receiver log: its epochs and its occupations, in metres and UTC."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geoqa.core.arrays import Array, Index
from geoqa.core.frames.schema import complete_occupations
from geoqa.core.geodesy import System
from geoqa.core.job import SOLUTIONS
from geoqa.readers.nmea.epochs import Epochs
from geoqa.readers.nmea.stops import Occupation

_EPOCHS = {
    "lon_deg": "lon", "lat_deg": "lat", "height_m": "up", "altitude_m": "altitude", "separation_m": "separation",
    "satellites": "satellites", "satellites_in_view": "in_view", "hdop": "hdop", "pdop": "pdop",
    "correction_age_s": "age", "sigma_e_m": "sigma_e", "sigma_n_m": "sigma_n", "sigma_u_m": "sigma_u",
    "cov_en_m2": "cov_en", "ellipse_major_m": "major", "ellipse_minor_m": "minor", "ellipse_azimuth_deg": "azimuth",
}  # fmt: skip
#: Columns of occupations beside the contract's.
OWN = (
    "stop", "starts_because", "ends_because", "first_fix_utc", "hold_utc", "epochs_outlying",
    *(f"epochs_{word}" for word in SOLUTIONS),
)  # fmt: skip
EMPTY = ("point", "source_line", "lon_deg", "lat_deg", *OWN)
#: Numbers that are a count, an age or a dilution: below zero they are none.
_NOT_NEGATIVE = ("satellites", "in_view", "hdop", "pdop", "age")


def epochs_frame(epochs: Epochs, which: Index, stop: Index, line: Index, name: str) -> pd.DataFrame:
    """Return epochs as the frame ``epochs`` has them.

    Parameters
    ----------
    epochs
        Those of the whole log.
    which
        The ones of one file.
    stop, line
        Stop and line of each of these, shape (len(which),).
    name
        Name of the file.
    """
    columns = {ours: epochs.columns[theirs][which] for ours, theirs in _EPOCHS.items()}
    n = len(which)
    return pd.DataFrame(
        {
            "epoch_id": np.arange(1, n + 1),
            "stop": stop,
            "time_utc": moments(epochs.columns["us"][which]),
            **columns,
            "solution": pd.Categorical.from_codes(epochs.columns["solution"][which], list(SOLUTIONS)),
            "source_file": pd.Categorical.from_codes(np.zeros(n, np.int8), pd.Index([name], dtype="str")),
            "source_line": line,
        },
        copy=False,
    )


def clean(epochs: Epochs) -> None:
    """Take away numbers that cannot be: negative counts and ages."""
    for name in _NOT_NEGATIVE:
        values = epochs.columns[name]
        values[~(values >= 0)] = np.nan


def moments(us: Index) -> pd.DatetimeIndex:
    """Return microseconds since 1970 as times in UTC."""
    return pd.DatetimeIndex(us.astype("datetime64[us]")).tz_localize("UTC")


def occupations_frame(
    found: Sequence[Occupation], epochs: Epochs, job_system: System, facts: Sequence[dict[str, Any]], name: str,
    digits_m: tuple[float, float | None],
) -> pd.DataFrame:  # fmt: skip
    """Return occupations as the frame ``occupations`` has them.

    Parameters
    ----------
    found
        Occupations of one file.
    epochs
        Those of the whole log.
    job_system
        The job's coordinate system; the positions are taken to be in its datum.
    facts
        For each occupation what is known beside the log: point, initialization, antenna_height_m and so on.
    name
        Name of the file.
    digits_m
        Last digit of positions and heights as written.
    """
    columns: dict[str, list[Any]] = {}
    for one, fact in zip(found, facts, strict=True):
        for key, value in (_row(one, epochs) | fact).items():
            columns.setdefault(key, []).append(value)
    if not found:
        columns = {key: [] for key in EMPTY}
    ready: dict[str, Any] = {key: _typed(key, values) for key, values in columns.items()}
    _place(ready, found, job_system)
    ready["resolution_h_m"] = np.full(len(found), digits_m[0])
    ready["resolution_v_m"] = np.full(len(found), digits_m[1] if digits_m[1] else np.nan)
    return complete_occupations(ready, name)


def _typed(key: str, values: list[Any]) -> Any:
    if key.endswith("_utc"):
        return moments(np.array(values, np.int64))
    if key.startswith("epochs_") or key == "stop":
        return np.array(values, np.int64)
    if key.endswith("_because"):
        return pd.Series(values, dtype="str").astype("category")
    return values


def _row(one: Occupation, epochs: Epochs) -> dict[str, Any]:
    """Return one occupation but for its place."""
    columns, used = epochs.columns, one.used
    own = slice(one.own[0], one.own[1] + 1)
    counts = np.bincount(columns["solution"][own], minlength=len(SOLUTIONS))
    us = columns["us"]
    covariance = one.average.covariance
    sigma = np.sqrt(np.diag(covariance))
    return {
        "start_utc": us[used[0]], "end_utc": us[used[-1]], "duration_s": (us[used[-1]] - us[used[0]]) / 1e6,
        "epochs": float(len(used)), "effective_epochs": one.average.effective,
        "sigma_e_m": sigma[0], "sigma_n_m": sigma[1], "sigma_u_m": sigma[2],
        "cov_en_m2": covariance[0, 1], "cov_eu_m2": covariance[0, 2], "cov_nu_m2": covariance[1, 2],
        "solution": SOLUTIONS[one.solution],
        "satellites": middle(columns["satellites"][used]), "pdop": middle(columns["pdop"][used]),
        "correction_age_s": middle(columns["age"][used]),
        "stop": one.number, "starts_because": one.starts, "ends_because": one.ends,
        "epochs_outlying": one.average.outlying,
        **{f"epochs_{word}": int(count) for word, count in zip(SOLUTIONS, counts, strict=True)},
    }  # fmt: skip


def middle(values: Array) -> float:
    """Return the median of the numbers there are, NaN of none."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _place(columns: dict[str, Any], found: Sequence[Occupation], system: System) -> None:
    """Add the place of each occupation: degrees for a geographic system, else easting and northing of the grid."""
    means = np.array([one.average.mean[:2] for one in found]).reshape(-1, 2)
    lon, lat = (np.array([getattr(one, axis) for one in found], float) for axis in ("lon", "lat"))
    e2 = system.flattening * (2 - system.flattening)
    w2 = 1 - e2 * np.sin(np.radians(lat)) ** 2
    lat = lat + np.degrees(means[:, 1] / (system.semi_major_m * (1 - e2) / w2**1.5))
    parallel = np.maximum(np.cos(np.radians(lat)), 1e-12)  # at a pole any longitude will do
    lon = lon + np.degrees(means[:, 0] / (system.semi_major_m / np.sqrt(w2) * parallel))
    if system.geographic:
        columns["lon_deg"], columns["lat_deg"] = (lon + 180) % 360 - 180, lat
        return
    columns.pop("lon_deg", None)
    columns.pop("lat_deg", None)
    columns["easting_m"], columns["northing_m"] = system.from_lonlat(lon, lat)
    if len(lon):
        _turn(columns, np.radians(system.convergence_deg(lon, lat)))


def _turn(columns: dict[str, Any], convergence: Array) -> None:
    """Turn covariances from true to grid north: a grid azimuth is the true one less the convergence."""
    c, s = np.cos(convergence), np.sin(convergence)
    e, n, en, eu, nu = (
        np.asarray(columns[name], float) for name in ("sigma_e_m", "sigma_n_m", "cov_en_m2", "cov_eu_m2", "cov_nu_m2")
    )
    columns["sigma_e_m"] = np.sqrt(c**2 * e**2 - 2 * c * s * en + s**2 * n**2)
    columns["sigma_n_m"] = np.sqrt(s**2 * e**2 + 2 * c * s * en + c**2 * n**2)
    columns["cov_en_m2"] = c * s * (e**2 - n**2) + (c**2 - s**2) * en
    columns["cov_eu_m2"], columns["cov_nu_m2"] = c * eu - s * nu, s * eu + c * nu


def last_digit(values: Array) -> float | None:
    """Return the last digit of numbers as written, from the numbers: 0.01 where none has more than two decimals."""
    known = values[np.isfinite(values)][:5000]
    if not len(known):
        return None
    for places in range(5):
        scaled = known * 10.0**places
        if (np.abs(scaled - np.rint(scaled)) < 1e-5).all():
            return float(10.0**-places)
    return 1e-5


def places(frame: pd.DataFrame, job: Any) -> pd.Series:
    """Return the geometry of epochs, points in the unit of the job's system; None where there is no position."""
    import geopandas as gpd

    system = job.grid.system
    lon, lat, up = (frame[name].to_numpy(dtype=float) for name in ("lon_deg", "lat_deg", "height_m"))
    x, y = system.from_degrees(lon, lat)
    known = ~np.isnan(x)
    made = np.full(len(lon), None, dtype=object)
    flat = known & np.isnan(up)
    made[flat] = shapely.points(x[flat], y[flat])
    deep = known & ~np.isnan(up)
    made[deep] = shapely.points(x[deep], y[deep], up[deep] / system.metres_per_unit)
    return pd.Series(gpd.array.GeometryArray(made), index=frame.index)
