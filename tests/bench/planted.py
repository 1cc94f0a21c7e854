"""Faults that people made by hand: each was, or could have been, made in earnest.

The first seven survived every test there was when they were first put in. A text that stands no more is told: the
fault is then written anew for the code as it is.
"""

from __future__ import annotations

from pathlib import Path

from bench.mutations import Mutation

#: What it is, the module, the text that stands and what stands instead.
PLANTED: tuple[tuple[str, str, str, str], ...] = (
    (
        "east and north sigma swapped in LandXML",
        "outputs/deliver/landxml",
        '{"sigma_n": "northingStdError", "sigma_e": "eastingStdError"',
        '{"sigma_e": "northingStdError", "sigma_n": "eastingStdError"',
    ),
    (
        "covariance of north and up scaled by the variance east",
        "analysis/points/combination",
        '("cov_nu_m2", "sigma_n_m", cov[:, 1, 1])',
        '("cov_nu_m2", "sigma_n_m", cov[:, 0, 0])',
    ),
    (
        "degrees of freedom of the axes the wrong way round",
        "analysis/occupations/expected_precision",
        'return finite_or_known(points["degrees_of_freedom_h"]), finite_or_known(points["degrees_of_freedom_v"])',
        'return finite_or_known(points["degrees_of_freedom_v"]), finite_or_known(points["degrees_of_freedom_h"])',
    ),
    (
        "degrees of freedom of rows the wrong way round",
        "analysis/occupations/expected_precision",
        'nu_h=_finite(_numbers(occupations, "freedom_h"))',
        'nu_h=_finite(_numbers(occupations, "freedom_v"))',
    ),
    (
        "degrees of freedom of points the wrong way round",
        "analysis/occupations/visit_means",
        "nu_v=-groups.largest(-spread.nu_v[rows.at]",
        "nu_v=-groups.largest(-spread.nu_h[rows.at]",
    ),
    (
        "a closure's height in the unit of the plan, in the report",
        "outputs/report/listings",
        "wording.beside_limit(row.du_m, row.tolerance_v_m, up)",
        "wording.beside_limit(row.du_m, row.tolerance_v_m, unit)",
    ),
    (
        "a closure's height in the unit of the plan, on the map",
        "outputs/layers/popup",
        'height.column("up", numbers(closures, "du_m")',
        'plane.column("up", numbers(closures, "du_m")',
    ),
    (
        "the largest height closure in the unit of the plan, in points.csv",
        "outputs/csv_tables",
        '("worst_vertical_m", up, unit_up)',
        '("worst_vertical_m", plan, unit_up)',
    ),
    ("the field sketch upside down", "outputs/field/walk", "/ per_mm * [1, -1], per_mm", "/ per_mm * [1, 1], per_mm"),
    ("a threshold of delivery halved", "analysis/points/delivery", "wrong > allowed / 2", "wrong > allowed / 4"),
    (
        "the threshold of one visit halved",
        "analysis/points/delivery",
        "most_repeated: float = param(\n        0.02",
        "most_repeated: float = param(\n        0.01",
    ),
    (
        "the height bound with the horizontal degrees of freedom",
        "analysis/points/_posterior",
        "covariance.line_factor(HELD, found.nu_v[members])",
        "covariance.line_factor(HELD, found.nu_h[members])",
    ),
    (
        "the height's risk with the horizontal degrees of freedom",
        "analysis/points/_posterior",
        "(found.var_u[:, None], found.nu_v) if height",
        "(found.var_u[:, None], found.nu_h) if height",
    ),
    # Of our own.
    (
        "the base's two sigma swapped",
        "core/job",
        "return (self.sigma_h_m or 0.0) ** 2, (self.sigma_v_m or 0.0) ** 2",
        "return (self.sigma_v_m or 0.0) ** 2, (self.sigma_h_m or 0.0) ** 2",
    ),
    (
        "the height's sigma in the unit of the plan, in delivered files",
        "outputs/deliver/table",
        '"sigma_u": "v", "semi_major"',
        '"sigma_u": "h", "semi_major"',
    ),
    (
        "the height's sigma not converted in LandXML",
        "outputs/deliver/landxml",
        "(1, 1, rise), strict",
        "(1, 1, 1), strict",
    ),
    (
        "heights not converted in DXF",
        "outputs/deliver/dxf",
        "np.nan_to_num(points.height * rise)",
        "np.nan_to_num(points.height)",
    ),
    (
        "longitude and latitude swapped in GPX",
        "outputs/deliver/gpx",
        'lat="{lat:.{DECIMALS}f}" lon="{lon:.{DECIMALS}f}"',
        'lat="{lon:.{DECIMALS}f}" lon="{lat:.{DECIMALS}f}"',
    ),
    (
        "the height tolerance grows with the horizontal ppm",
        "analysis/occupations/roles",
        "lambda r: r.tolerance.vertical_ppm",
        "lambda r: r.tolerance.horizontal_ppm",
    ),
    (
        "a pair's height tolerance is the horizontal one",
        "analysis/occupations/roles",
        "factor * np.maximum(tol_v[a], tol_v[b])",
        "factor * np.maximum(tol_h[a], tol_h[b])",
    ),
    (
        "the shorter base distance counts",
        "analysis/occupations/roles",
        "factor * np.maximum(tol_h[a], tol_h[b]),",
        "factor * np.minimum(tol_h[a], tol_h[b]),",
    ),
    (
        "heights averaged by horizontal visits",
        "analysis/occupations/visit_means",
        "vertical=Level(z, cov_z, rows.point, fix, visit_v)",
        "vertical=Level(z, cov_z, rows.point, fix, visit)",
    ),
    (
        "east and north variances swapped",
        "analysis/occupations/visit_means",
        "cov[:, 0, 0], cov[:, 1, 1] = var_e, var_n",
        "cov[:, 0, 0], cov[:, 1, 1] = var_n, var_e",
    ),
    (
        "the sign of the correlation in a closure's test",
        "analysis/occupations/expected_precision",
        "- 2 * cov_en * de * dn + var_e * dn**2",
        "+ 2 * cov_en * de * dn + var_e * dn**2",
    ),
    (
        "a height's repeatability is the horizontal one",
        "analysis/occupations/expected_precision",
        '_numbers(occupations, f"expected_{axis}_m") ** 2 for axis in "hv"',
        '_numbers(occupations, f"expected_{axis}_m") ** 2 for axis in "hh"',
    ),
    (
        "easting and northing of delivered points swapped",
        "outputs/deliver/table",
        "else (east_m / unit, north_m / unit)",
        "else (north_m / unit, east_m / unit)",
    ),
    (
        "delivered heights in the unit of the plan",
        "outputs/deliver/table",
        "height = rounded(up_m / unit_up, LENGTH)",
        "height = rounded(up_m / unit, LENGTH)",
    ),
    (
        "sky windows of heights as of the plan",
        "analysis/occupations/visits",
        '("visit_v", self.separation_v_min)',
        '("visit_v", self.separation_h_min)',
    ),
    (
        "the requirement of heights is that of the plan",
        "analysis/occupations/roles",
        "lambda role: role.requirement.vertical_m",
        "lambda role: role.requirement.horizontal_m",
    ),
    (
        "the height's variance is that of north, in risk",
        "analysis/points/_fix_sequences",
        'of("var_u_m2")',
        'of("var_n_m2")',
    ),
)


def faults(root: Path) -> list[tuple[Mutation, str]]:
    """Return each fault and the text it makes."""
    made = []
    for what, short, old, new in PLANTED:
        module = f"geoqa/{short}.py"
        text = (root / module).read_text()
        if text.count(old) != 1:
            print(f"NOT PLANTED, the text stands {text.count(old)} times: {what}")
            continue
        line = text[: text.index(old)].count("\n") + 1
        made.append((Mutation(module, -1, 0, line, 0, what), text.replace(old, new)))
    return made
