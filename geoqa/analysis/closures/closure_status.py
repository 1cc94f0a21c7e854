"""The status of each closure: within or beyond tolerance, usual or unusual for its precision."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import roles
from geoqa.analysis.occupations.measured_rows import ends
from geoqa.analysis.precision.calibration import EXPECTED
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.frames.contract import STATUSES
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result

#: The level of the closure tests, declared once for closures and points.
UNUSUAL = 0.01


@dataclass(frozen=True, kw_only=True)
class ClosureStatus(Analysis):
    """Test each closure against its calibrated covariance and compare it with its tolerance.

    T = d' C^-1 d against chi-square, or F with the calibration's degrees of freedom, and wider flanks
    where the site's errors show them (two occupations: a blunder is detected and cannot be located;
    Baarda 1968 reliability theory).
    """

    name = "closure-status"
    needs = (*EXPECTED, "occupations", "closures", "classes")
    gives = tuple(f"closures.{c}" for c in ("t_h", "p_h", "t_v", "p_v", "status_h", "status_v", "status"))

    unusual: float = param(
        UNUSUAL, unit="1", above=0, below=0.5, help="Probability below which a closure is unusual for its precision"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the tests and the status of each closure; unproven where a pair shows nothing."""
        from geoqa.analysis.closures import agreement
        from geoqa.analysis.occupations import expected_precision

        closures, occupations = frames["closures"], frames["occupations"]
        a, b = ends(occupations, closures)
        cov = expected_precision.calibrated(occupations, frames["classes"])
        de, dn, du = (closures[c].to_numpy() for c in ("de_m", "dn_m", "du_m"))
        t_h = expected_precision.square_h(de, dn, *(v[a] + v[b] for v in (cov.var_e, cov.var_n, cov.cov_en)))
        t_v = expected_precision.square_v(du, cov.var_u[a] + cov.var_u[b])
        keyed = closures[["pair_id"]].copy()
        codes = {}
        for axis, length, t, dims, nu in (
            ("h", closures["horizontal_m"].to_numpy(), t_h, 2, np.minimum(cov.nu_h[a], cov.nu_h[b])),
            ("v", np.abs(du), t_v, 1, np.minimum(cov.nu_v[a], cov.nu_v[b])),
        ):
            last_digit = occupations[f"resolution_{axis}_m"].to_numpy(dtype=float, na_value=np.nan)
            guard = np.fmax(last_digit[a], last_digit[b]) / 2
            tolerance = closures[f"tolerance_{axis}_m"].to_numpy()
            narrow, nu_all = expected_precision.tail_factors(nu, cov.shape)
            p = expected_precision.probability(t / narrow, dims, nu_all)
            code = agreement.of_closures(length, tolerance, guard, p, self.unusual)
            shows = ~closures[f"independence_{axis}"].isin(NO_EVIDENCE).to_numpy()
            code = np.where(shows, code, agreement.UNPROVEN)
            codes[axis] = np.where(np.isnan(length) | np.isnan(tolerance + guard), -1, code)
            keyed[f"t_{axis}"], keyed[f"p_{axis}"] = t, p
        judged = roles.axes(occupations["role"], job)
        both = agreement.combine(codes["h"], codes["v"], *(axis[a] for axis in judged))
        for name, code in (("status_h", codes["h"]), ("status_v", codes["v"]), ("status", both)):
            keyed[name] = pd.Categorical.from_codes(code, categories=list(STATUSES))
        return Result({"closures": keyed})
