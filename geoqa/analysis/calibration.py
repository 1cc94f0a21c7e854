"""Calibration: what the receivers' stated precision is worth on this site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.schema import WHOLE_SITE
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.analysis.mixture import CoreAndTail
    from geoqa.core.job import Job

#: A tail that is surely larger than this is told.
LARGE_TAIL = 0.05
_AXES = (("h", 2, "horizontal"), ("v", 1, "height"))


@dataclass(frozen=True, kw_only=True)
class Calibration(Analysis):
    """Learn the ratio of seen to reported precision, and the repeatability, from pairs of different visits.

    Pairs within a visit share errors and would understate both, so they take no part. One closure
    stands for each pair of visits: that of their first occupations, chosen before it is seen.
    """

    name = "calibration"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures")
    gives = ("classes",)

    minimum_pairs: int = param(
        8, unit="1", minimum=3, maximum=1000, help="Pairs of different visits below which nothing is learnt"
    )

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the `classes` frame: one row, the whole site."""
        import numpy as np
        import pandas as pd

        from geoqa.analysis import spread

        closures, occupations = frames["closures"], frames["occupations"]
        told = spread.reported(occupations)
        row: dict[str, object] = {"canopy": WHOLE_SITE, "pairs": 0}
        tails: dict[str, float] = {}
        messages = []
        for axis, dimensions, word in _AXES:
            pick, a, b, weights = _visit_pairs(closures, occupations, axis)
            d = {c: closures[c].to_numpy()[pick] for c in ("de_m", "dn_m", "du_m")}
            if axis == "h":
                row["pairs"] = len(pick)
                var_e, var_n, cov_en = (v[a] + v[b] for v in (told.var_e, told.var_n, told.cov_en))
                told_square = spread.square_h(d["de_m"], d["dn_m"], var_e, var_n, cov_en)
                seen_square = d["de_m"] ** 2 + d["dn_m"] ** 2
            else:
                told_square = spread.square_v(d["du_m"], told.var_u[a] + told.var_u[b])
                seen_square = d["du_m"] ** 2
            # The rounding of both ends, last digit^2 / 12 each: closures of exactly zero are no more exact than that.
            rounding = occupations[f"resolution_{axis}_m"].to_numpy(dtype=float, na_value=np.nan)[a] ** 2 / 6
            stated = told.var_e[a] + told.var_e[b] if axis == "h" else told.var_u[a] + told.var_u[b]
            ratio = self._fit(told_square, dimensions, weights, rounding / stated)
            repeat = self._fit(seen_square, dimensions, weights, rounding)
            row |= _columns(f"precision_ratio_{axis}", ratio, 1.0)
            row |= _columns(f"repeatability_{axis}_m", repeat, 2**-0.5)
            best = ratio or repeat
            row[f"degrees_of_freedom_{axis}"] = best.degrees_of_freedom if best else np.nan
            if axis == "h":
                tails = _tail(best)
            if not ratio and np.isfinite(told.var_e if axis == "h" else told.var_u).any():
                seen = np.isfinite(told_square)
                messages.append(
                    f"{word} precision uncalibrated: {seen.sum()} pairs of different visits are worth "
                    f"{weights[seen].sum():.1f} independent ones and {self.minimum_pairs} are needed; the stated "
                    f"precision is taken at its word"
                )
        if tails["tail_rate_low"] > LARGE_TAIL:
            messages.append(
                f"{tails['tail_rate']:.0%} ({tails['tail_rate_low']:.0%} to {tails['tail_rate_high']:.0%}) of the "
                f"pairs of different visits lie far outside the rest: one ratio for the whole site describes it badly, "
                f"and radii are too small where the site is bad"
            )
        return Result({"classes": pd.DataFrame([row | tails])}, tuple(messages))

    def _fit(
        self, squares: np.ndarray, dimensions: int, weights: np.ndarray, rounding: np.ndarray
    ) -> CoreAndTail | None:
        import numpy as np

        from geoqa.analysis import mixture

        known = np.isfinite(squares)
        if weights[known].sum() < self.minimum_pairs:
            return None
        floor = max(float(np.median(rounding[known])), 1e-12)
        return mixture.fit(squares[known], dimensions, weights[known], floor)


def _visit_pairs(
    closures: pd.DataFrame, occupations: pd.DataFrame, axis: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return one closure per pair of visits: its row, the rows of its occupations, and its weight."""
    import numpy as np
    import pandas as pd

    from geoqa.analysis.rows import codes_of, positions

    grade = closures[f"independence_{axis}"]
    pick = np.flatnonzero(grade.isin(["separated", "staggered"]).to_numpy())
    ids = occupations["occupation_id"].to_numpy()
    a = positions(ids, closures["occupation_a"].to_numpy()[pick])
    b = positions(ids, closures["occupation_b"].to_numpy()[pick])
    visit = occupations["visit" if axis == "h" else "visit_v"].to_numpy()
    point = codes_of(closures["point"])[pick]
    keys = pd.DataFrame({"point": point, "a": visit[a], "b": visit[b]})
    first = ~keys.duplicated().to_numpy()  # closures stand in order of time, so this is the first occupations' one
    pick, a, b, point = pick[first], a[first], b[first], point[first]
    per_point = np.bincount(point, minlength=1)[point] if len(point) else np.zeros(0)
    visits = (1 + np.sqrt(1 + 8 * per_point)) / 2  # m visits make m (m - 1) / 2 pairs, worth m - 1
    return pick, a, b, 2 / visits


def _columns(name: str, fit: CoreAndTail | None, factor: float) -> dict[str, object]:
    values = (fit.scale, fit.scale_low, fit.scale_high) if fit else (float("nan"),) * 3
    return {f"{name}{end}": value * factor for end, value in zip(("", "_low", "_high"), values, strict=True)}


def _tail(fit: CoreAndTail | None) -> dict[str, float]:
    values = (fit.tail_rate, fit.tail_low, fit.tail_high) if fit else (float("nan"),) * 3
    return {f"tail_rate{end}": value for end, value in zip(("", "_low", "_high"), values, strict=True)}
