"""One closure for each pair of visits: what a site can learn its own precision from. Kernels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geoqa.analysis import mixture, spread, taking_part
from geoqa.analysis.rows import codes_of, ends

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.analysis.taking_part import Offsets, Part

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]


#: Correlation lengths of network RTK, seconds, taken as e-folding times (an assumption): about 17 min horizontally
#: and 36 min in height (Odolinski 2012, GPS Solutions 16:147-155, abstract).
FADES_H_S, FADES_V_S = 17 * 60.0, 36 * 60.0
#: One place's visits all share its own trees: beyond this many independent pairs of one point, each further one is
#: worth ever less (their number goes by its root), or a mark visited all summer would speak for the whole site.
ALONE = 8.0


@dataclass(frozen=True)
class VisitPairs:
    """Closures between first occupations of different visits.

    Attributes
    ----------
    stated
        Closures over their stated covariance; those without one are NaN.
    plain
        The same closures over a covariance of one square metre.
    a, b
        Rows of the two occupations in the frame, shape (pairs,).
    part
        How each pair takes part, a shift's offset already taken off.
    """

    stated: mixture.Closed
    plain: mixture.Closed
    a: Index
    b: Index
    part: Part

    @property
    def all_stated(self) -> bool:
        """Whether there are pairs and every one states its precision, along each axis it has."""
        pairs = ((getattr(one, f"square_{axis}") for one in (self.stated, self.plain)) for axis in "hv")
        same = [bool((np.isnan(stated) == np.isnan(plain)).all()) for stated, plain in pairs]
        return bool(len(self.a)) and all(same)

    def by(self, of: Index) -> VisitPairs:
        """Return the same pairs in other classes."""
        return replace(self, stated=replace(self.stated, of=of), plain=replace(self.plain, of=of))


def of(
    closures: pd.DataFrame, occupations: pd.DataFrame, explained: Offsets | None = None, single: bool = False
) -> VisitPairs:
    """Return the pairs of different visits, all in one class.

    Visits that follow soon share part of their error still: Var(closure) = 2 sigma^2 (1 - rho), with rho
    fading over the published correlation lengths.

    Parameters
    ----------
    explained
        Suspicious shifts, from `taking_part.of_frames`; what they explain is taken off, or the pair left out.
    single
        See `taking_part.decide`.
    """
    pick, a, b, weight = _pick(closures, occupations)
    part = taking_part.decide(explained or taking_part.NOTHING, a, b, len(occupations), single)
    out_h, out_v = (use == taking_part.LEFT_OUT for use in (part.use_h, part.use_v))
    d = np.column_stack([closures[c].to_numpy(dtype=float, na_value=np.nan)[pick] for c in ("de_m", "dn_m", "du_m")])
    # An offset that such pairs gave themselves leaves them a little too near to it: one degree of freedom is spent.
    de, dn, du = ((d - part.off) / np.sqrt(np.column_stack([part.left_h, part.left_h, part.left_v]))).T
    de, dn = (np.where(out_h, np.nan, values) for values in (de, dn))
    du = np.where(_shows_height(closures, occupations, pick, a, b) & ~out_v, du, np.nan)
    weight = np.where(out_h & out_v, 0.0, weight * np.minimum(part.left_h, part.left_v))
    told = spread.reported(occupations)
    gap = closures["gap_s"].to_numpy(dtype=float, na_value=np.inf)[pick]
    apart_h, apart_v = (-np.expm1(-np.maximum(gap, 60.0) / fades) for fades in (FADES_H_S, FADES_V_S))
    var_e, var_n, cov_en = (apart_h * (v[a] + v[b]) for v in (told.var_e, told.var_n, told.cov_en))
    var_u = apart_v * (told.var_u[a] + told.var_u[b])
    # The rounding of both ends, last digit^2 / 12 each: closures of exactly zero are no more exact than that.
    rounding_h, rounding_v = (
        np.nan_to_num(occupations[f"resolution_{axis}_m"].to_numpy(dtype=float, na_value=np.nan)[a] ** 2 / 6)
        for axis in "hv"
    )
    of_ = np.zeros(len(a), np.int64)
    with np.errstate(invalid="ignore"):
        per_axis = np.sqrt(var_e * var_n - cov_en**2)
    square_h = spread.square_h(de, dn, var_e, var_n, cov_en)
    stated = mixture.Closed(
        of_, weight, square_h, spread.square_v(du, var_u), np.where(np.isnan(square_h), 1.0, per_axis),
        np.where(np.isnan(var_u), 1.0, var_u), rounding_h, rounding_v,
    )  # fmt: skip
    plain = mixture.Closed(
        of_, weight, (de**2 + dn**2) / apart_h, du**2 / apart_v, apart_h, apart_v, rounding_h, rounding_v
    )
    return VisitPairs(stated, plain, a, b, part)


def classes_of(occupations: pd.DataFrame, column: str, pairs: VisitPairs) -> tuple[list[str], Index]:
    """Return the labels of a column and each pair's class: where both ends agree their label, else one more class."""
    labels = occupations[column].astype("category").cat
    code = labels.codes.to_numpy().astype(np.int64)
    a, b = code[pairs.a], code[pairs.b]
    names = [str(name) for name in labels.categories]
    return names, np.where((a == b) & (a >= 0), a, len(names))


def _pick(closures: pd.DataFrame, occupations: pd.DataFrame) -> tuple[Index, Index, Index, Array]:
    """Return one closure per pair of visits: its row, the rows of its occupations, and its weight."""
    grade = closures["independence_h"]
    pick = np.flatnonzero(grade.isin(["separated", "staggered"]).to_numpy())
    a, b = ends(occupations, closures.iloc[pick])
    visit = occupations["visit"].to_numpy()
    point = codes_of(closures["point"])[pick]
    first = _first(point, visit[a], visit[b])
    pick, a, b, point = pick[first], a[first], b[first], point[first]
    per_point = np.bincount(point, minlength=1)[point] if len(point) else np.zeros(0)
    visits = (1 + np.sqrt(1 + 8 * per_point)) / 2  # m visits make m (m - 1) / 2 pairs, worth m - 1
    worth = np.minimum(visits - 1, np.sqrt(ALONE * (visits - 1)))
    return pick, a, b, worth / per_point


def _shows_height(
    closures: pd.DataFrame, occupations: pd.DataFrame, pick: Index, a: Index, b: Index
) -> NDArray[np.bool_]:
    """Return which pairs are different visits for the height too, each pair of those once."""
    separate = closures["independence_v"].isin(["separated", "staggered"]).to_numpy()[pick]
    visit = occupations["visit_v"].to_numpy()
    key = np.where(separate, 0, np.arange(1, len(pick) + 1))  # pairs that show nothing never repeat one
    return separate & _first(codes_of(closures["point"])[pick], visit[a], visit[b], key)


def _first(*keys: Index) -> NDArray[np.bool_]:
    """Return the first of each combination: closures stand in order of time."""
    return ~pd.DataFrame(dict(enumerate(keys))).duplicated().to_numpy()
