"""Small made-up sites as files, for tests that go through the front door."""

from __future__ import annotations

from pathlib import Path

HEAD = "Mark,E,N,H,sH,sV,Start,Init,Base"
ROWS = (
    "A1,1600000.000,5400000.000,100.000,0.010,0.015,2026-02-02T08:00:00Z,i1,B1",
    "A1,1600000.008,5400000.006,100.011,0.010,0.015,2026-02-02T13:00:00Z,i2,B2",
    "A2,1600020.000,5400000.000,101.000,0.010,0.015,2026-02-02T08:10:00Z,i3,B1",
    "A2,1600020.300,5400000.200,101.250,0.010,0.015,2026-02-02T13:10:00Z,i4,B2",
    "A3,1600040.000,5400000.000,102.000,0.010,0.015,2026-02-02T08:20:00Z,i5,B1",
)
RECIPE = """\
[site]
name = "Test field"
crs = "EPSG:2193"
height = "NZVD2016"
[input]
unit = "m"
precision = "sigma"
timezone = "UTC"
initialization = "column"
[input.columns]
point = "Mark"
easting = "E"
northing = "N"
height = "H"
precision_h = "sH"
precision_v = "sV"
start = "Start"
initialization = "Init"
base = "Base"
[tolerance]
horizontal_m = 0.05
vertical_m = 0.08
[requirement]
horizontal_m = 0.05
vertical_m = 0.10
"""


def write(folder: Path, rows: tuple[str, ...] = ROWS, recipe: str = RECIPE, head: str = HEAD) -> tuple[Path, Path]:
    """Write occupations.csv and site.toml into `folder`; return their paths."""
    data, toml = folder / "occupations.csv", folder / "site.toml"
    data.write_text("\n".join((head, *rows)) + "\n", encoding="utf-8")
    toml.write_text(recipe, encoding="utf-8")
    return data, toml


def text() -> bytes:
    """Return the plain comma file."""
    return ("\n".join([HEAD, *ROWS]) + "\n").encode()
