"""What the recipe says of the canopy: areas of cover, a raster of heights, and which of them names the class."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from geoqa.core.params import Declared, param
from geoqa.core.units import JOB_UNITS

#: Where the class of a point may come from: the crew's label, the areas of cover, the raster.
LABEL, AREAS, RASTER = ORIGINS = ("label", "areas", "raster")


@dataclass(frozen=True, kw_only=True)
class Canopy(Declared):
    """[canopy]: what is known of the overhead cover beside the crew's labels.

    Attributes
    ----------
    words
        ``[canopy.values]``: the words of the areas to canopy classes.
    classes
        ``[canopy.classes]``: canopy class to the mean height, metres, from which it holds.
    """

    areas: str | None = param(None, help="Vector file with polygons of cover, named from the recipe's folder")
    column: str | None = param(None, help="Its column that names the cover")
    raster: str | None = param(None, help="GeoTIFF of canopy heights above the ground, named from the recipe's folder")
    unit: str | None = param(None, choices=JOB_UNITS, help="Unit of the heights in the rasters")
    surface: str | None = param(
        None, help="GeoTIFF of surface heights (ground, with what stands on it), so that the sky view sees the terrain"
    )
    radius_m: float = param(10.0, unit="m", above=0, maximum=100, help="Cells within this of a point are its canopy")
    cover_above_m: float = param(
        2.0, unit="m", minimum=0, maximum=50, help="Canopy height above which a cell counts as cover"
    )
    antenna_height_m: float = param(
        2.0, unit="m", minimum=0, maximum=20, help="Height above the ground from which the sky is looked at"
    )
    reach_m: float = param(100.0, unit="m", above=0, maximum=500, help="How far the horizon is looked for")
    directions: int = param(32, unit="1", minimum=8, maximum=360, help="Directions in which the horizon is looked for")
    decides: str = param(
        LABEL, choices=ORIGINS,
        help="What names the class of a point; where it says nothing the others do, the crew's label first",
    )  # fmt: skip
    words: Mapping[str, str] = field(default_factory=dict)
    classes: Mapping[str, float] = field(default_factory=dict)

    @property
    def order(self) -> tuple[str, ...]:
        """Where the class comes from, first what decides."""
        return (self.decides, *(origin for origin in ORIGINS if origin != self.decides))

    @property
    def files(self) -> dict[str, str]:
        """The files named, by what they are for."""
        named = {"canopy areas": self.areas, "canopy raster": self.raster, "surface raster": self.surface}
        return {kind: name for kind, name in named.items() if name is not None}

    def as_table(self) -> dict[str, Any]:
        """Return the completed table in the recipe's own form."""
        nested = {"values": dict(self.words), "classes": dict(self.classes)}
        return super().as_table() | {name: table for name, table in nested.items() if table}
