"""What the recipe says of known points, of a field test of the instrument, and of lines between corners."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.params import Declared, param
from geoqa.core.units import PRECISION_UNITS

#: Roles whose points are there to be checked on.
CHECKING_ROLES = ("control", "check")


@dataclass(frozen=True, kw_only=True)
class Control(Declared):
    """[control]: where the known coordinates come from, and which known points are no check."""

    source: str | None = param(None, help="The independent, more accurate survey that the known coordinates come from")
    height: str | None = param(None, help="What the known heights are above, where it is not the site's own reference")
    oriented_by: tuple[str, ...] | None = param(
        None, help="Known points that the job was oriented by, which are no check; [] if none was"
    )
    bases: tuple[str, ...] = param((), help="Known points that a base stood on; they are no check")
    open_cover: tuple[str, ...] = param(("open",), help="Canopy classes that are open ground; all others are vegetated")
    target_rmse_h_m: float | None = param(
        None, unit="m", above=0, maximum=100, help="Horizontal RMSE (radial) the job was to reach"
    )
    target_rmse_v_m: float | None = param(
        None, unit="m", above=0, maximum=100, help="RMSE of the height the job was to reach"
    )


@dataclass(frozen=True, kw_only=True)
class FieldTest(Declared):
    """[field_test]: sets of a field test of the receiver, and what it is tested against."""

    file: str | None = param(None, help="CSV with series, set, point, x, y, h, named from the recipe's folder")
    unit: str | None = param(None, choices=PRECISION_UNITS, help="Unit of the file, if not that of the coordinates")
    sigma_xy_m: float | None = param(
        None, unit="m", above=0, maximum=100,
        help="Stated standard deviation of a horizontal position, two-dimensional: sqrt 2 times that of one axis",
    )  # fmt: skip
    sigma_h_m: float | None = param(None, unit="m", above=0, maximum=100, help="Stated standard deviation of a height")
    distance_m: float | None = param(
        None, unit="m", above=0, maximum=10_000, help="Horizontal distance between the two rover points, known better"
    )
    height_difference_m: float | None = param(
        None, unit="m", minimum=-1000, maximum=1000, help="Height of rover point 2 minus that of 1, known better"
    )


@dataclass(frozen=True, kw_only=True)
class Line(Declared):
    """[[line]]: corners in their order along a boundary; only neighbours in it make a line."""

    name: str = param(help="What the line or ring is called")
    points: tuple[str, ...] = param(help="The corners in their order")
    closed: bool = param(False, help="Whether the last corner joins the first")
