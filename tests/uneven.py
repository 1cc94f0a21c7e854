"""One site on which nothing is equal, so that whatever is mixed up shows.

Sigma east, north and up differ and are correlated; the plan is in US survey feet and heights are in metres, stated
precisions in centimetres; canopy classes, roles with tolerances of their own, base set-ups, crews and antenna heights
are mixed; a point has more visits for its plan than for its height; rows lack heights. The system, EPSG:2229, has a
false easting and another false northing. The place, Quillback Bar, is invented, and so is every number.

`rows` gives it as `analysis.builders` takes it, `write` as files for the front door, `sites` as a hypothesis strategy.
"""

from __future__ import annotations

import functools
import random
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from analysis import builders
from hypothesis import strategies as st

import geoqa
from geoqa.core.recipe import InputFormat

CRS = "EPSG:2229"
FOOT_M = 1200 / 3937  # the US survey foot (Mendenhall order of 1893)
CORNER_FT = (6_083_120.0, 2_142_650.0)
CORNER_M = (CORNER_FT[0] * FOOT_M, CORNER_FT[1] * FOOT_M, 312.4)
#: Stated sigma east of a class in metres, and how many times what is stated its errors are, in plan and in height.
COVERS = {"open": (0.005, 1.0, 0.8), "light": (0.008, 1.5, 1.2), "dense conifer": (0.012, 2.3, 1.7)}
#: Cover and role of the points in turn.
_COVER = ("open", "light", "open", "dense conifer", "open", "light", "open")
_ROLE = ("topo", "corner", "topo", "tie", "topo")
#: Minutes at which a point is visited, in turn: 32 minutes are another visit for the plan and none for the height.
_PLANS = ((0, 300), (0, 32, 340), (0, 420), (0, 4, 260, 1500), (0, 32), (0,), (0, 190, 1470), (0, 330))
#: Base set-ups by half-day: label, crew, antenna height in metres, place in feet from the corner.
_SETUPS = (
    ("R1", "ash", 1.8, (-900.0, 350.0)),
    ("R2", "ash", 2.0, (1400.0, 2100.0)),
    ("R3", "birch", 2.0, (-900.0, 350.0)),
    ("R4", "birch", 1.8, (600.0, -1200.0)),
)
ROLES = {
    "corner": {"horizontal_m": 0.052, "vertical_m": 0.081, "horizontal_ppm": 1.0},
    "tie": {"judge": "h"},
}
STATED: dict[str, Any] = {
    "h": 0.061, "v": 0.093, "ppm_h": 3.0, "ppm_v": 7.0, "require_h": 0.057, "require_v": 0.102, "base_h": 0.004,
    "base_v": 0.009, "roles": ROLES, "crs": CRS,
}  # fmt: skip


def job(**more: Any):
    """Return the job: plan in US survey feet, heights in metres."""
    made = builders.job(**(STATED | more))
    return replace(made, input=InputFormat(unit="ftUS", unit_height="m", unit_precision="cm", precision="sigma"))


def rows(seed: int = 16, points: int = 35) -> list[dict[str, Any]]:
    """Return the occupations of a site, coordinates rounded as the file has them.

    The tenth point has a wrong fix that others outvote, the seventeenth one of two; the
    twelfth has rows that lie too far apart for its class.
    """
    dice, made = random.Random(seed), []
    for k in range(points):
        cover, role = _COVER[k % len(_COVER)], _ROLE[k % len(_ROLE)]
        stated, true_h, true_v = COVERS[cover]
        at = np.array([41.0 * (k % 7) + 3.0 * k, 67.0 * (k // 7) + 2.0 * k, 0.7 * k])  # metres
        for j, minutes in enumerate(_PLANS[k % len(_PLANS)]):
            half_day = (minutes // 180 + k) % 3 if minutes < 1440 else 3
            base, crew, antenna, station = _SETUPS[half_day]
            se = stated * dice.uniform(0.8, 1.3)
            se, sn, sv = (round(se * times, 5) for times in (1, dice.uniform(1.3, 1.9), dice.uniform(2.1, 3.0)))
            rho, rho_eu, rho_nu = dice.uniform(0.2, 0.6) * dice.choice([-1, 1, 1]), 0.3, -0.45
            east = dice.gauss(0, 1)
            north = rho * east + (1 - rho * rho) ** 0.5 * dice.gauss(0, 1)
            off = np.array([east * se * true_h, north * sn * true_h, dice.gauss(0, 1) * sv * true_v])
            if (k, j) == (9, 1):
                off += [0.31, -0.22, 0.41]
            if (k, j) == (16, 1):
                off += [-0.27, 0.36, -0.19]
            if k == 11:
                off *= 2.5
            placed = at + off
            feet = np.round(placed[:2] / FOOT_M, 3)
            away = (at[:2] / FOOT_M - station) * FOOT_M
            made.append({
                "p": f"Q{k + 1}", "e": feet[0] * FOOT_M, "n": feet[1] * FOOT_M,
                "u": None if (k % 11 == 4 and j) else round(float(placed[2]), 3),
                "t": minutes + 3.0 * (k // 7), "dur": 60.0 + 10 * (k % 4),
                "se": se, "sn": sn, "sv": sv, "cov": round(rho * se * sn, 9),
                "cov_eu_m2": rho_eu * se * sv, "cov_nu_m2": rho_nu * sn * sv, "fix": f"{k}-{j}", "base": base,
                "operator": crew, "antenna_height_m": antenna, "canopy": cover, "role": role,
                "base_distance_m": round(float(np.hypot(*away)), 3), "resolution_h_m": 0.001 * FOOT_M,
            })  # fmt: skip
    return made


def sites(points: int = 21):
    """Return a hypothesis strategy of sites like this one, as rows for `builders`."""
    return st.builds(rows, st.integers(0, 10_000), st.just(points))


def judged(told: list[dict[str, Any]], steps=builders.STEPS):
    """Return every frame of a site of rows."""
    return builders.run(builders.occupations(told, CORNER_M), job(), steps)[0]


@functools.cache
def frames():
    """Return every frame of the default site; made once, and not to be changed."""
    return judged(rows(), builders.DRAWN)


HEAD = "Mark,N,E,Elev,sE,sN,sZ,cEN,Start,End,Init,Base,Dist,Cover,Role,Crew,Rod"
RECIPE = f"""\
[site]
name = "Quillback Bar"
crs = "{CRS}"
height = "NAVD88"
[input]
unit = "ftUS"
unit_height = "m"
unit_precision = "cm"
timezone = "UTC"
initialization = "column"
precision = "sigma"
[input.columns]
point = "Mark"
northing = "N"
easting = "E"
height = "Elev"
sigma_e = "sE"
sigma_n = "sN"
sigma_u = "sZ"
cov_en = "cEN"
start = "Start"
end = "End"
initialization = "Init"
base = "Base"
base_distance = "Dist"
canopy = "Cover"
role = "Role"
operator = "Crew"
antenna_height = "Rod"
[tolerance]
horizontal_m = {STATED["h"]}
horizontal_ppm = {STATED["ppm_h"]}
vertical_m = {STATED["v"]}
vertical_ppm = {STATED["ppm_v"]}
[requirement]
horizontal_m = {STATED["require_h"]}
vertical_m = {STATED["require_v"]}
[roles.corner.tolerance]
horizontal_m = {ROLES["corner"]["horizontal_m"]}
horizontal_ppm = {ROLES["corner"]["horizontal_ppm"]}
vertical_m = {ROLES["corner"]["vertical_m"]}
[roles.tie.requirement]
judge = "h"
[base]
sigma_h_m = {STATED["base_h"]}
sigma_v_m = {STATED["base_v"]}
"""


def write(folder: Path, seed: int = 16) -> tuple[Path, Path]:
    """Write occupations.csv and site.toml into `folder`; return their paths."""
    data, toml = folder / "occupations.csv", folder / "site.toml"
    data.write_text("\n".join([HEAD, *(_line(row) for row in rows(seed))]) + "\n", encoding="utf-8")
    toml.write_text(RECIPE, encoding="utf-8")
    return data, toml


def _line(row: dict[str, Any]) -> str:
    start = builders.DAY_ONE + pd.Timedelta(minutes=row["t"])
    end = start + pd.Timedelta(seconds=row["dur"])
    up = "" if row["u"] is None else f"{CORNER_M[2] + row['u']:.3f}"
    feet = [f"{corner + row[axis] / FOOT_M:.3f}" for corner, axis in zip(CORNER_FT, "en", strict=True)]
    cm = [f"{row[name] * 100:.3f}" for name in ("se", "sn", "sv")]
    return ",".join([
        row["p"], feet[1], feet[0], up, *cm, f"{row['cov'] * 1e4:.5f}", f"{start:%Y-%m-%dT%H:%M:%SZ}",
        f"{end:%Y-%m-%dT%H:%M:%SZ}", row["fix"], row["base"], f"{row['base_distance_m'] / FOOT_M:.3f}", row["canopy"],
        row["role"], row["operator"], f"{row['antenna_height_m']:.3f}",
    ])  # fmt: skip


@functools.cache
def review():
    """Return the review of the files; made once, and not to be changed."""
    with tempfile.TemporaryDirectory() as folder:
        return geoqa.review(*write(Path(folder)))
