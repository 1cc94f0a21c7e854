"""Closures: every pair of direct occupations of a point, its difference, evidence, tolerance and status."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.analysis.occupations import roles
from geoqa.analysis.occupations.measured_rows import Rows, direct_rows, ends, shown_labels
from geoqa.analysis.precision.calibration import EXPECTED
from geoqa.core import geodesy
from geoqa.core.arrays import Array, Flags, Frames, Index, np, pd
from geoqa.core.errors import InputError
from geoqa.core.frames import schema
from geoqa.core.frames.contract import STATUSES
from geoqa.core.frames.schema import NO_EVIDENCE
from geoqa.core.geodesy import System
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.statistics import groups
from geoqa.core.steps import Analysis, Result

#: The level of the closure tests, declared once for closures and points.
UNUSUAL = 0.01


@dataclass(frozen=True, kw_only=True)
class Closures(Analysis):
    """Form all pairs of each point's direct occupations: later minus earlier, with how independent they are.

    Geographic input is differenced on the ellipsoid, projected input on the grid; no datum
    transformation takes part. Rows that are other rows again, under another clock or other labels, are found by
    how improbable their equality is, and are no evidence of anything.
    """

    name = "closures"
    needs = ("occupations", "occupations.visit", "occupations.visit_v")
    gives = ("closures", "occupations.copy_of", "occupations.tolerance_h_m", "occupations.tolerance_v_m")

    staggered_h: float = param(4.0, unit="h", minimum=0, maximum=240, help="Gap from which a pair may be staggered")
    sky_window_min: float = param(
        20.0, unit="min", minimum=0, maximum=240, help="A gap this near to a sidereal day sees the same sky again"
    )
    largest_group: int = param(
        3000, unit="1", minimum=2, help="Occupations of one name above which the name is taken for a mistake"
    )

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the `closures` frame, sorted by point, earlier occupation first, and which rows repeat another."""
        from geoqa.analysis.closures import _copied_rows

        occupations = frames["occupations"]
        rows = direct_rows(occupations)
        starts = groups.starts_of(rows.point)
        counts = groups.counts_of(starts, len(rows.point))
        self._refuse_crowds(rows, starts, counts)
        first, second, _ = groups.pairs(starts, counts)
        a, b = rows.at[first], rows.at[second]
        column = {c: occupations[c].to_numpy(dtype=float, na_value=np.nan) for c in _NUMBERS if c in occupations}
        de, dn = _difference(column, a, b, job.grid.system)
        du = column["height_m"][b] - column["height_m"][a]
        difference = np.column_stack([de, dn, du])
        same, clock = _copied_rows.find_copies(occupations, rows, first, second, difference)
        rank = _rank(occupations, rows)
        repeats = _copied_rows.repeated(len(rows.at), first[same], second[same], rank)
        # Under another clock a copy pretends to a visit of its own: none of its pairs is one of different visits.
        false = _copied_rows.repeated(len(rows.at), first[clock], second[clock], rank) >= 0
        of_copies = same | false[first] | false[second]
        tol_h, tol_v = roles.of_rows(occupations, job)
        factor = roles.pair_factor(occupations["role"], job)[a]
        names = pd.Categorical.from_codes(rows.point[first], categories=rows.names)
        frame = pd.DataFrame(
            {
                "pair_id": np.arange(1, len(first) + 1),
                "point": names,
                "occupation_a": occupations["occupation_id"].to_numpy()[a],
                "occupation_b": occupations["occupation_id"].to_numpy()[b],
                **self._evidence(occupations, rows, first, second, of_copies),
                "de_m": de,
                "dn_m": dn,
                "du_m": du,
                "horizontal_m": np.hypot(de, dn),
                "azimuth_deg": geodesy.azimuth_deg(de, dn),
                "tolerance_h_m": factor * np.maximum(tol_h[a], tol_h[b]),
                "tolerance_v_m": factor * np.maximum(tol_v[a], tol_v[b]),
                "canopy": _shared_label(occupations["canopy"], a, b),
            },
            copy=False,
        )
        again = np.flatnonzero(repeats >= 0)
        copy, original = rows.at[again], rows.at[repeats[again]]
        of = np.zeros(len(occupations), np.int64)
        of[copy] = occupations["occupation_id"].to_numpy()[original]
        said = _copied_rows.copy_sentences(copy, original, occupations)
        keyed = occupations[["occupation_id"]].assign(copy_of=of, tolerance_h_m=tol_h, tolerance_v_m=tol_v)
        return Result({"closures": frame, "occupations": keyed}, tuple(said))

    def _evidence(
        self, occupations: pd.DataFrame, rows: Rows, first: Index, second: Index, copied: Flags
    ) -> dict[str, object]:
        from geoqa.analysis.occupations import visit_means

        gap = np.maximum(rows.start_s[second] - rows.end_s[first], 0.0)
        base, operator = (rows.codes(occupations[c]) for c in ("base", "operator"))
        label, antenna = shown_labels(occupations)[rows.at], rows.take(occupations["antenna_height_m"])
        new_base = visit_means.differ(base, first, second)
        new_operator = visit_means.differ(operator, first, second)
        labelled = (label[first] >= 0) & (label[second] >= 0)
        evidence = visit_means.Evidence(
            gap_s=gap,
            # No solution outlives its base: a label starts anew with each set-up.
            new_fix=labelled & ((label[first] != label[second]) | new_base),
            new_base=new_base,
            new_antenna_height=np.abs(antenna[second] - antenna[first]) > 1e-6,  # NaN compares false
            new_operator=new_operator,
            sky_repeats=visit_means.sky_repeats(gap, self.sky_window_min * 60),
        )
        result: dict[str, object] = dict(vars(evidence))
        for axis, visits in (("h", "visit"), ("v", "visit_v")):
            number = occupations[visits].to_numpy()[rows.at]
            codes = visit_means.grades(copied, evidence, number, first, second, self.staggered_h * 3600)
            result[f"independence_{axis}"] = pd.Categorical.from_codes(codes, categories=list(schema.GRADES))
        return result

    def _refuse_crowds(self, rows: Rows, starts: Index, counts: Index) -> None:
        if len(counts) and counts.max() > self.largest_group:
            worst = int(counts.argmax())
            name = str(rows.names[rows.point[starts[worst]]])[:60]
            raise InputError(
                f"point {name!r} has {counts[worst]} occupations, which would make "
                f"{int(counts[worst]) * (int(counts[worst]) - 1) // 2} pairs. Is `point` in [input.columns] the column "
                f"that names the points? If it is, set largest_group in [step.closures]."
            )


_NUMBERS = ("easting_m", "northing_m", "height_m", "lon_deg", "lat_deg")


def _rank(occupations: pd.DataFrame, rows: Rows) -> Index:
    """Return the order in which the same rows are kept: what says more, of the file read first, the earlier."""
    silent = shown_labels(occupations)[rows.at] < 0
    flat = np.isnan(rows.take(occupations["height_m"]))
    coarse = rows.take(occupations["resolution_h_m"])
    read = occupations["occupation_id"].to_numpy()[rows.at]
    file = rows.codes(occupations["source_file"])
    began = np.full(int(file.max(initial=-1)) + 2, np.iinfo(np.int64).max)
    np.minimum.at(began, file, read)
    return np.lexsort((read, rows.start_s, began[file], coarse, np.isnan(rows.start_s), silent, flat)).argsort()


def _difference(column: dict[str, Array], a: Index, b: Index, system: System) -> tuple[Array, Array]:
    if system.geographic:
        lon, lat = column["lon_deg"], column["lat_deg"]
        return system.difference(lon[a], lat[a], lon[b], lat[b])
    east, north = column["easting_m"], column["northing_m"]
    return east[b] - east[a], north[b] - north[a]


def _shared_label(values: pd.Series, a: Index, b: Index) -> pd.Categorical:
    """Return the label two rows share, null where they differ or one is unknown."""
    labels = values.astype("category").cat
    codes = labels.codes.to_numpy()
    shared = np.where(codes[a] == codes[b], codes[a], -1)
    return pd.Categorical.from_codes(shared, categories=labels.categories.astype("str"))


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
