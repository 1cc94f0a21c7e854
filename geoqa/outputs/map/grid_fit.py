"""Coordinates of the job for a place on the map, as a polynomial that a browser can work out.

The map is drawn in EPSG:3857. Over a site the job's grid is a smooth function of a place in it; a
polynomial fitted to exact values stands for the projection, with the largest error it makes stated.

The fit is the one by Chebyshev polynomials at their own extrema, where they are orthogonal: each
coefficient is a weighted sum of its own, no equations are solved, and nothing grows the last digits
in which one processor differs from another. Coefficients are whole steps of a micrometre.
Source: J. P. Boyd, Chebyshev and Fourier Spectral Methods, 2nd ed. 2001, section 4.5.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from numpy.polynomial import chebyshev

from geoqa.core.arrays import Array, np
from geoqa.core.geodesy import System
from geoqa.outputs.layers.positions import first_known, lonlat, mercator

DEGREE = 5
#: Nodes along each side of the fitted box, and the part of the box's size added around it.
NODES, MARGIN = 25, 0.5
#: No box is smaller than this, nor is one larger fitted: a continent is no site.
LEAST_M, MOST_M = 1_000.0, 1_000_000.0
#: Decimals of a coefficient in metres: far above the last digit of a double, far below a drawn millimetre.
DECIMALS = 6


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
        ``easting`` and ``northing`` coefficients in metres, ``error_m`` the largest error along an axis at
        nodes twice as dense.
    """
    x, y = mercator(lon_deg, lat_deg, first_known(lon_deg))
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return None
    low, high = (np.array([f(x[known]), f(y[known])]) for f in (np.min, np.max))
    half = np.ceil(np.maximum((high - low) * (0.5 + MARGIN), LEAST_M))
    if half.max() > MOST_M:
        return None
    centre = np.round((low + high) / 2)
    exact = _grid(system, *_nodes(NODES, centre, half))
    if not np.isfinite(exact).all():
        return None
    powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    solved = np.round(_coefficients(exact)[tuple(np.transpose(powers))], DECIMALS)
    found = {
        "centre": centre.tolist(), "half": half.tolist(), "powers": powers,
        "easting": solved[:, 0].tolist(), "northing": solved[:, 1].tolist(),
    }  # fmt: skip
    x, y = _nodes(2 * NODES - 1, centre, half)
    error = np.abs(np.stack(apply(found, x, y), axis=1) - _grid(system, x, y)).max()
    return found | {"error_m": float(np.ceil(error * 10**DECIMALS) / 10**DECIMALS)}


def _nodes(count: int, centre: Array, half: Array) -> tuple[Array, Array]:
    """Return places in the box, closer together towards its sides, where polynomials err; y runs slowest."""
    side = -np.cos(np.pi * np.arange(count) / (count - 1))
    u, v = np.meshgrid(side, side)
    return centre[0] + u.ravel() * half[0], centre[1] + v.ravel() * half[1]


def _coefficients(exact: Array) -> Array:
    """Return the coefficients of powers of both places, shape (powers of x, powers of y, 2), of values at the nodes."""
    side = -np.cos(np.pi * np.arange(NODES) / (NODES - 1))
    weight = np.full(NODES, 2 / (NODES - 1))
    weight[[0, -1]] /= 2
    basis = chebyshev.chebvander(side, DEGREE) * weight[:, None]
    basis[:, 0] /= 2
    # Large numbers stay out of the sums.
    middle = np.round(exact.mean(axis=0))
    part = np.einsum("vj,vuk,ui->ijk", basis, (exact - middle).reshape(NODES, NODES, 2), basis)
    order = np.arange(DEGREE + 1)
    part[order[:, None] + order > DEGREE] = 0
    in_powers = np.zeros((DEGREE + 1, DEGREE + 1))
    for i in order:
        in_powers[: i + 1, i] = chebyshev.cheb2poly(np.eye(DEGREE + 1)[i])[: i + 1]
    whole = np.einsum("pi,qj,ijk->pqk", in_powers, in_powers, part)
    whole[0, 0] += middle
    return np.asarray(whole)


def _grid(system: System, x: Array, y: Array) -> Array:
    """Return easting and northing of places in EPSG:3857, shape (n, 2)."""
    return np.stack(system.from_lonlat(*lonlat(x, y)), axis=1)
