"""Figures of residuals: mean, standard deviation, root mean square, and the rest. Arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]


@dataclass(frozen=True)
class Residuals:
    """Figures per column of residuals; arrays of shape (d,), NaN where a column has nothing.

    Attributes
    ----------
    n
        Residuals that are known, shape (d,).
    mean, sd
        Mean (the bias) and standard deviation about it with n - 1.
    rmse, mae, median, worst
        Root mean square, mean, median and largest of their absolute values.
    """

    n: NDArray[np.int64]
    mean: Array
    sd: Array
    rmse: Array
    mae: Array
    median: Array
    worst: Array

    @property
    def rmse_r(self) -> float:
        """Radial root mean square of the first two columns."""
        return float(np.hypot(self.rmse[0], self.rmse[1]))


def of(values: Array) -> Residuals:
    """Return the figures of residuals, shape (n, d); NaN are passed over column by column."""
    columns = [column[~np.isnan(column)] for column in values.T]
    sizes = np.array([len(column) for column in columns], np.int64)

    def each(figure, fewest: int = 1) -> Array:  # type: ignore[no-untyped-def]
        return np.array([figure(column) if len(column) >= fewest else np.nan for column in columns], float)

    return Residuals(
        n=sizes,
        mean=each(np.mean),
        sd=each(lambda x: np.std(x, ddof=1), 2),
        rmse=each(lambda x: np.sqrt(np.mean(x**2))),
        mae=each(lambda x: np.mean(np.abs(x))),
        median=each(lambda x: np.median(np.abs(x))),
        worst=each(lambda x: np.max(np.abs(x))),
    )
