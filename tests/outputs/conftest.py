"""An invented site of some sixty points for tests of the map: five statuses, no reader, no analysis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from browsing import chromium, open_map, pages, sheet, site, site_map  # noqa: F401 (fixtures of the browser tests)

from geoqa.core import recipe
from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.core.job import Job
from geoqa.core.recipe import InputFormat, Site
from geoqa.core.statistics import covariance
from geoqa.core.steps import MapLayer

#: Names a file may hold: templates, markup, formulas, direction marks, controls, great length.
HOSTILE = (
    "{{ 7*7 }}",
    "{% 1",
    "{# comment",
    "{{ self.__init__.__globals__ }}",
    "</script><script>window.hurt=1;alert(1)</script>",
    "<img src=x onerror=window.hurt=1>",
    "<!-- <script>",
    "`${window.hurt=1}`",
    "'\"-->&amp;",
    "=HYPERLINK(\"http://example.invalid\")",
    "abc\u202etxt.exe",
    "نقطة ١٢",
    "nul\x00 bell\x07 line\nbreak\u2028end",
    "x" * 10_000,
    "\\u003c\\",
)  # fmt: skip

ORIGIN = (1_620_000.0, 5_410_000.0)


def make_job(unit: str = "m", crs: str = "EPSG:2193", name: str = "Kea Flat") -> Job:
    return Job(
        site=Site(name=name, crs=crs, height="ellipsoidal"),
        input=InputFormat(unit=unit, precision="sigma", initialization="column"),
        columns={"point": "Mark", "easting": "E", "northing": "N"},
        tolerance=recipe.Tolerance(horizontal_m=0.05, vertical_m=0.08),
        requirement=recipe.Requirement(horizontal_m=0.05, vertical_m=0.10),
    )


def _status(k: int) -> str:
    return {9: "conflict", 4: "unproven", 14: "strained", 17: "loose"}.get(k % 20, "confirmed")


def _occupations(names: list[str], rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    for k, name in enumerate(names):
        turn = k * 0.13
        east, north = 260 * np.cos(turn) * (1 + 0.15 * np.sin(5 * turn)), 170 * np.sin(turn) + 40 * np.cos(3 * turn)
        spread = 0.02 if _status(k) == "loose" else 0.008
        for visit in range(1 if _status(k) == "unproven" else 2):
            jump = 0.4 if _status(k) == "conflict" and visit else 0.06 if _status(k) == "loose" and visit else 0.0
            rows.append((name, visit + 1, ORIGIN[0] + east + jump + spread * rng.normal(),
                         ORIGIN[1] + north - jump / 2 + spread * rng.normal(), 412 + 0.02 * rng.normal(),
                         spread))  # fmt: skip
    frame = pd.DataFrame(rows, columns=["point", "visit", "easting_m", "northing_m", "height_m", "sigma_e_m"])
    frame["occupation_id"] = np.arange(1, len(frame) + 1)
    frame["sigma_n_m"], frame["sigma_u_m"] = frame["sigma_e_m"] * 1.3, frame["sigma_e_m"] * 2
    start = pd.Timestamp("2025-03-03T21:10", tz="UTC") + pd.to_timedelta(np.arange(len(frame)) * 11, unit="min")
    frame["start_utc"] = start + pd.to_timedelta((frame["visit"] - 1) * 5, unit="h")
    frame["initialization"] = [f"fix {i}" for i in frame["occupation_id"]]
    frame["base"] = np.where(frame["visit"] == 1, "Spur", "Gate")
    frame["canopy"] = "light"
    frame["use"] = "visit mean"
    # Two crews' files, each in the order of time.
    frame["source_file"] = np.where(frame["visit"] == 1, "kea.csv", "flat.csv")
    frame["source_line"] = frame.groupby("source_file").cumcount() * 3 + 2
    return frame


def _closures(occupations: pd.DataFrame) -> pd.DataFrame:
    first = occupations[occupations["visit"] == 1].set_index("point")
    later = occupations[occupations["visit"] == 2].set_index("point")
    first = first.loc[later.index]
    frame = pd.DataFrame({
        "point": later.index.to_numpy(),
        "occupation_a": first["occupation_id"].to_numpy(),
        "occupation_b": later["occupation_id"].to_numpy(),
        "gap_s": (later["start_utc"] - first["start_utc"]).dt.total_seconds().to_numpy(),
        **{f"d{axis[0]}_m": (later[f"{axis}_m"] - first[f"{axis}_m"]).to_numpy() for axis in ("easting", "northing")},
        "du_m": (later["height_m"] - first["height_m"]).to_numpy(),
    })  # fmt: skip
    frame["pair_id"] = np.arange(1, len(frame) + 1)
    frame["horizontal_m"] = np.hypot(frame["de_m"], frame["dn_m"])
    frame["independence_h"] = "staggered"
    frame["tolerance_h_m"] = 0.05
    return frame


def _points(names: list[str], occupations: pd.DataFrame, closures: pd.DataFrame) -> gpd.GeoDataFrame:
    group = occupations.groupby("point", sort=False)
    mean = group[["easting_m", "northing_m", "height_m", "sigma_e_m"]].mean().loc[names]
    points = pd.DataFrame({"point": names, "occupations": group.size().loc[names].to_numpy()})
    points["visits"], points["set_aside"] = points["occupations"], 0
    points["status"] = [_status(k) for k in range(len(names))]
    points["deliver"] = np.where(points["status"].isin(["confirmed", "strained"]), "yes", "no")
    points["deliver_reason"] = np.where(points["deliver"] == "yes", "two visits agree; conforms", "status")
    points["reason"] = "two visits, 5 h apart"
    points["untested"] = "base coordinate, antenna height"
    points["canopy"] = "light"
    given = (points["status"] != "conflict").to_numpy()
    for axis in ("easting_m", "northing_m", "height_m"):
        points[axis] = np.where(given, mean[axis], np.nan)
    variance = (mean["sigma_e_m"].to_numpy() ** 2) / 2
    major, minor, azimuth = covariance.ellipse(variance, 1.7 * variance, 0.5 * variance)
    factor = float(covariance.ellipse_factor(0.95))
    for name, values in {"semi_major_m": factor * major, "semi_minor_m": factor * minor, "azimuth_deg": azimuth,
                         "radius95_m": 1.1 * factor * major, "up95_m": 2.2 * factor * minor}.items():  # fmt: skip
        points[name] = np.where(given, values, np.nan)
    points["confidence"] = np.where(given, 0.95, np.nan)
    worst = closures.groupby("point")[["horizontal_m", "du_m"]].max().reindex(names)
    points["worst_horizontal_m"], points["worst_vertical_m"] = (
        worst["horizontal_m"].to_numpy(),
        worst["du_m"].abs().to_numpy(),
    )
    place = gpd.points_from_xy(mean["easting_m"], mean["northing_m"], mean["height_m"])
    return gpd.GeoDataFrame(points, geometry=place, crs="EPSG:2193")


def make_frames(names: list[str] | None = None) -> dict[str, pd.DataFrame]:
    names = names or [f"KF{k + 101}" for k in range(61)]
    occupations = _occupations(names, np.random.default_rng(11))
    closures = _closures(occupations)
    points = _points(names, occupations, closures)
    status = points.set_index("point")["status"]
    closures["status"] = status.loc[closures["point"]].to_numpy()
    return {"occupations": occupations, "closures": closures, "points": points}


@pytest.fixture
def job() -> Job:
    return make_job()


@pytest.fixture
def frames() -> dict[str, pd.DataFrame]:
    return make_frames()


@pytest.fixture
def make_site():
    return make_frames


@pytest.fixture
def hostile_frames() -> dict[str, pd.DataFrame]:
    return make_frames([*HOSTILE, *(f"KF{k}" for k in range(30))])


@pytest.fixture(name="make_job")
def _make_job():
    return make_job


@pytest.fixture
def hostile() -> tuple[str, ...]:
    return HOSTILE


@pytest.fixture
def make_page():
    """Build the page of a site as the review does: all layers, in their order, then `more` drawings."""
    from geoqa.outputs.layers.points import ClosuresLayer, EllipsesLayer, PointsLayer
    from geoqa.outputs.map.html_map import MapContext, build_map

    def page(frames, job, more=(), notes=()):
        layers = (PointsLayer(), EllipsesLayer(), ClosuresLayer())
        drawings = [drawing for layer in layers for drawing in layer.draw(frames, job)]
        return build_map([*drawings, *more], MapContext.of(frames, job, notes))

    return page


@dataclass(frozen=True, kw_only=True)
class HostileLayer(MapLayer):
    """A third party's layer that hands over every kind of text as it found it."""

    name: ClassVar[str] = "hostile"

    def draw(self, frames, job):
        n = len(HOSTILE)
        place = {"lon_deg": np.full(n, 173.24), "lat_deg": -41.45 - 0.0002 * np.arange(n)}
        style = Style("{{ 7*7 }}", HOSTILE[4], "cross", "#123456", HOSTILE[5])
        # One table an entry: its own name as title, headings and cells.
        tables = tuple(Table(name, (Cells(name, [name]), Cells(name, [name])), [k]) for k, name in enumerate(HOSTILE))
        path = [[(173.24, -41.45), (173.241, -41.451)]] * n
        return (
            Drawing("symbols", HOSTILE[4], {**place, "style": [style.key] * n, "label": HOSTILE},
                    (style,), about=HOSTILE[5], tables=tables),
            Drawing("lines", HOSTILE[0], {"path": path, "style": [style.key] * n, "label": HOSTILE, "group": HOSTILE},
                    (style,)),
        )  # fmt: skip


@pytest.fixture
def hostile_layer() -> MapLayer:
    return HostileLayer()
