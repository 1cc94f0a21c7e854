"""One sentence a point, for formats that have a description and no columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from geoqa.core.deliverable import Deliverable

_DELIVER = {"yes": "may be delivered", "no": "not to be delivered"}


def sentences(points: Deliverable) -> list[str]:
    """Return status, delivery, coordinate with its system, and uncertainty of each point."""
    unit, unit_up = points.field("radius95").unit, points.field("up95").unit
    keys = [field.key for field in points.fields if field.key in ("easting", "northing", "longitude", "latitude")]
    first, second = (points.field(key) for key in keys)
    place = points.code or points.system
    rows = zip(
        points.field("status").written(), points.field("deliver").written(), first.written(), second.written(),
        points.field("height").written(), points.field("radius95").written(), points.field("up95").written(),
        strict=True,
    )  # fmt: skip
    made = []
    for status, deliver, a, b, up, radius, rise in rows:
        parts = [f"{status}, {_DELIVER.get(deliver, deliver)}"]
        if a:
            parts.append(f"{first.key} {a}, {second.key} {b} {first.unit} ({place})")
        if up:
            parts.append(f"height {up} {unit_up} ({points.height_reference})")
        within = [f"{radius} {unit}"] if radius else []
        within += [f"{rise} {unit_up} in height"] if rise else []
        if within:
            parts.append(f"95 % within {' and '.join(within)}")
        made.append("; ".join(parts))
    return made
