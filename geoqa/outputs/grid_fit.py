"""Coordinates of the job for a place on the map, as a polynomial that a browser can work out.

The map is drawn in EPSG:3857. Over a site the job's grid is a smooth function of a place in it; a
polynomial fitted to exact values stands for the projection, with the largest error it makes stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from geoqa.outputs.mercator import first_known, lonlat, mercator

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.geodesy import System

    Array = NDArray[np.float64]

DEGREE = 5
#: Nodes along each side of the fitted box, and the part of the box's size added around it.
NODES, MARGIN = 25, 0.5
#: No box is smaller than this, nor is one larger fitted: a continent is no site.
LEAST_M, MOST_M = 1_000.0, 1_000_000.0


def apply(found: Mapping[str, Any], x: Array, y: Array) -> tuple[Array, Array]:
    """Return easting and northing in metres by a fitted polynomial, by the very operations a browser does."""
    u, v = ((z - found["centre"][k]) / found["half"][k] for k, z in enumerate((x, y)))
    across, up = ([np.ones(len(u))] for _ in range(2))
    for _ in range(DEGREE):
        across.append(across[-1] * u)
        up.append(up[-1] * v)
    east, north = np.zeros(len(u)), np.zeros(len(u))
    for (i, j), e, n in zip(found["powers"], found["easting"], found["northing"], strict=True):
        term = across[i] * up[j]
        east, north = east + e * term, north + n * term
    return east, north


def fit(system: System, lon_deg: Array, lat_deg: Array) -> dict[str, Any] | None:
    """Return the polynomial around places, or None where there are none, or they lie too far apart for one.

    Returns
    -------
    dict
        ``centre`` and ``half`` of the box in metres of EPSG:3857, ``powers`` of x and y a term,
        ``easting`` and ``northing`` coefficients in metres, ``error_m`` the largest error at the nodes
        of a grid twice as dense.
    """
    x, y = mercator(lon_deg, lat_deg, first_known(lon_deg))
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return None
    low, high = (np.array([f(x[known]), f(y[known])]) for f in (np.min, np.max))
    half = np.maximum((high - low) * (0.5 + MARGIN), LEAST_M)
    if half.max() > MOST_M:
        return None
    centre = np.round((low + high) / 2)
    powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    u, v = _nodes(NODES)
    exact = _grid(system, centre[0] + u * half[0], centre[1] + v * half[1])
    if not np.isfinite(exact).all():
        return None
    terms = _terms(u, v, powers)
    solved = np.linalg.lstsq(terms, exact, rcond=None)[0]
    u, v = _nodes(2 * NODES - 1)
    error = _terms(u, v, powers) @ solved - _grid(system, centre[0] + u * half[0], centre[1] + v * half[1])
    return {
        "centre": centre.tolist(), "half": half.tolist(), "powers": powers,
        "easting": solved[:, 0].tolist(), "northing": solved[:, 1].tolist(), "error_m": float(np.abs(error).max()),
    }  # fmt: skip


def _nodes(count: int) -> tuple[Array, Array]:
    """Return the nodes of a square from -1 to 1, closer together towards its sides, where polynomials err."""
    side = -np.cos(np.pi * np.arange(count) / (count - 1))
    u, v = np.meshgrid(side, side)
    return u.ravel(), v.ravel()


def _terms(u: Array, v: Array, powers: list[tuple[int, int]]) -> Array:
    return np.stack([u**i * v**j for i, j in powers], axis=1)


def _grid(system: System, x: Array, y: Array) -> Array:
    """Return easting and northing of places in EPSG:3857, shape (n, 2)."""
    return np.stack(system.from_lonlat(*lonlat(x, y)), axis=1)
