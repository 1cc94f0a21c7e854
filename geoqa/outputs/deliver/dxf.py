"""DXF: a block with attributes for each point, on a layer for each status."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any

from geoqa.core.arrays import Array, np
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Deliverable, Writer
from geoqa.core.units import METRES_PER
from geoqa.outputs import header
from geoqa.outputs.symbology import DELIVERY, SYMBOLS
from geoqa.outputs.text import cut, dxf_text

#: The header variable $INSUNITS: metres, international feet, US survey feet.
UNITS = {"m": 6, "ft": 2, "ftUS": 21}
#: Attributes of a block, top down: its tag, and the column it holds. The first is the one that shows.
TAGS = {"NAME": "point", "HEIGHT": "height", "STATUS": "status", "DELIVER": "deliver", "RADIUS95": "radius95",
        "UP95": "up95"}  # fmt: skip
#: Longest text of an attribute: what the format allows a string.
LONGEST = 2000
#: The colour that a viewer draws black on white and white on black, for shapes whose own would vanish on one of them.
CONTRAST = 7


@dataclass(frozen=True, kw_only=True)
class DxfFile(Writer):
    """DXF with an attributed block a point, on a layer a status, in the job's unit.

    Layers are called by the status; points that may not be delivered, where they are asked for, stand on
    layers whose names end in NOT-DELIVERED. Each block stands on a POINT with the coordinate: what makes points
    of a drawing finds them there and not where the texts begin. A point without a height is drawn at height
    zero and its attribute HEIGHT is empty.
    """

    name = "dxf-file"
    suffix = ".dxf"
    libraries = ("ezdxf",)
    extra = "dxf"
    place = "plane"
    skips_unplaced = True

    symbol_m: float = param(0.5, unit="m", above=0, maximum=1000, help="Width of a symbol; names are as high")

    def write(self, path: Path, points: Deliverable, job: Job) -> None:
        """Write one drawing in one unit: heights in another are converted to that of the coordinates."""
        from ezdxf.filemanagement import new

        unit = job.grid.unit
        size = self.symbol_m / METRES_PER[unit]
        rise = job.grid.up_m / METRES_PER[unit]
        with _steady():
            drawing = new("R2010", units=UNITS[unit])
            drawing.header["$MEASUREMENT"] = int(unit == "m")
            drawing.header["$LUNITS"] = 2
            _blocks(drawing, size)
            for label, text in header.in_one_unit(points.facts, job):
                drawing.header.custom_vars.append(dxf_text(label), cut(dxf_text(text), LONGEST))
            columns = [[cut(dxf_text(text), LONGEST) for text in points.field(key).written()] for key in TAGS.values()]
            z: Array = np.round(np.nan_to_num(points.height * rise), 4).astype(float)
            space, made = drawing.modelspace(), set[str]()
            for k in np.flatnonzero(points.placed()):
                texts = [column[k] for column in columns]
                layer = _layer(drawing, made, texts[2], texts[3])
                place = (points.easting[k], points.northing[k], z[k])
                space.add_point(place, dxfattribs={"layer": layer})
                insert = space.add_blockref(layer, place, dxfattribs={"layer": layer})
                _attributes(insert, texts, size, layer)
            _view(drawing, points.easting, points.northing, z, size)
            drawing.saveas(path)


@contextlib.contextmanager
def _steady() -> Iterator[None]:
    """Let the library write fixed dates and identifiers in place of today's."""
    import ezdxf

    options = ezdxf.options  # type: ignore[attr-defined]
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _view(drawing: Any, east: Array, north: Array, z: Array, size: float) -> None:
    """State how far the drawing reaches, and let its first view show all of it."""
    placed = ~np.isnan(east)
    if not placed.any():
        return
    low, high = ([f(values[placed]) for values in (east, north, z)] for f in (np.min, np.max))
    drawing.modelspace().reset_extents(tuple(map(float, low)), tuple(map(float, high)))
    width, tall = high[0] - low[0], high[1] - low[1]
    # A viewer's window is rarely narrower than 4 to 3.
    drawing.set_modelspace_vport(
        height=float(1.1 * max(tall, 0.75 * width) + 10 * size), center=((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
    )


def _layer(drawing: Any, made: set[str], status: str, deliver: str) -> str:
    """Return the layer of a point, made when it is first needed."""
    name = _called(status, deliver)
    if name not in made:
        made.add(name)
        layer = drawing.layers.add(name, color=CONTRAST)
        red, green, blue = (int(SYMBOLS[status].light[i : i + 2], 16) for i in (1, 3, 5))
        if 60 < (red + green + blue) / 3 < 220:
            layer.rgb = (red, green, blue)
    return name


def _called(status: str, deliver: str) -> str:
    """Return what the layer and the block of a point are called."""
    return status.upper() if deliver == "yes" else f"{status.upper()}-NOT-DELIVERED"


def _attributes(insert: Any, texts: list[str], size: float, layer: str) -> None:
    """Add the attributes to the right of the symbol; all but the name are hidden, and read by whoever asks."""
    x, y, z = insert.dxf.insert
    for n, (tag, text) in enumerate(zip(TAGS, texts, strict=True)):
        at = (x + 0.7 * size, y - 0.5 * size - 1.2 * n * size, z)
        attribute = insert.add_attrib(tag, text, at, dxfattribs={"height": size, "layer": layer})
        attribute.is_invisible = n > 0


def _blocks(drawing: Any, size: float) -> None:
    """Define the blocks: the map's shapes in the colour of their layer, a bar under what may be delivered."""
    for status, deliver in product(SYMBOLS, DELIVERY):
        block = drawing.blocks.new(_called(status, deliver))
        _shape(block, SYMBOLS[status].shape, size / 2)
        if DELIVERY[deliver].marked:
            block.add_line((-0.5 * size, -0.65 * size), (0.5 * size, -0.65 * size))
        for n, tag in enumerate(TAGS):
            at = (0.7 * size, -0.5 * size - 1.2 * n * size)
            block.add_attdef(tag, at, dxfattribs={"height": size, "flags": 0 if n == 0 else 1})


def _shape(block: Any, shape: str, radius: float) -> None:
    """Draw the map's shape `radius` half wide; a filled circle has a smaller one in it."""
    if shape in ("circle", "ring"):
        block.add_circle((0, 0), radius)
        if shape == "circle":
            block.add_circle((0, 0), radius / 3)
        return
    corners = {"triangle": 3, "square": 4, "star": 8}[shape]
    start = 45 if shape == "square" else 90
    places = []
    for k in range(corners):
        angle = math.radians(start + 360 * k / corners)
        reach = radius * (0.4 if shape == "star" and k % 2 else 1)
        places.append((reach * math.cos(angle), reach * math.sin(angle)))
    block.add_lwpolyline(places, close=True)
