"""GeoJSON to a layer: every number as it is written, and the coordinate system only where one is stated.

RFC 7946 (section 4) makes WGS 84 longitude and latitude of every file; older files state another system
in a ``crs`` member, and some state none and are in a projected one all the same. So silence counts as
WGS 84 only where the recipe says so and every coordinate could be an angle.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from geoqa.core.errors import InputError
from geoqa.readers import cells, layer, textfile

#: Larger files are refused, in bytes: all of it is held in memory at once.
LARGEST = 500_000_000
#: Systems that RFC 7946 means.
WGS84 = ("EPSG:4326", "OGC:CRS84")
#: How their names end, also as URN and as URI; heights are then metres above the ellipsoid (section 3.1.1).
WGS84_NAMES = (*WGS84, "CRS84", "EPSG/0/4326")
_SECTION = "RFC 7946 makes it WGS 84 longitude and latitude"


def read(path: Path, decimal: str, recipe: str) -> layer.Layer:
    """Return the features of the GeoJSON file at `path`.

    Parameters
    ----------
    decimal
        The decimal sign to write numbers with.
    recipe
        The recipe's coordinate system.

    Raises
    ------
    InputError
        If it is no GeoJSON, or states its system in a way that cannot be looked up here.
    """
    document = _document(path)
    features = _features(document, path.name)
    names: dict[str, None] = {}
    refused, places = {}, []
    for i, feature in enumerate(features):
        place = _place(feature.get("geometry") if isinstance(feature, dict) else None)
        places.append(place if isinstance(place, list) else [])
        if isinstance(place, str):
            refused[i] = place
        names |= dict.fromkeys(_properties(feature))
    columns = [cells.strings([cells.cell(_properties(f).get(name), decimal) for f in features]) for name in names]
    axes = [cells.strings([_written(p[axis], decimal) if axis < len(p) else "" for p in places]) for axis in range(3)]
    crs = _stated(document, path.name)
    messages: tuple[str, ...] = ()
    if crs is None and recipe in WGS84 and "crs" not in document:
        problem = _no_angles(places)
        if not problem:
            crs = recipe
            messages = (f"{path.name}: names no coordinate system: {_SECTION}, as the recipe says.",)
    return layer.Layer(
        tuple(names), tuple(columns), axes[0], axes[1], axes[2], refused, crs,
        missing=_missing(places, recipe), messages=messages,
        height_m=1.0 if (crs or "").replace("::", ":").endswith(WGS84_NAMES) else None,
    )  # fmt: skip


def _document(path: Path) -> dict[str, Any]:
    content = textfile.read_bytes(path)
    if len(content) > LARGEST:
        raise InputError(f"{path}: is larger than {LARGEST / 1e6:.0f} MB. Give it as a GeoPackage or FlatGeobuf.")
    text, _ = textfile.to_utf8(path, content)
    try:
        number: Any = cells.Number
        found = json.loads(text, parse_float=number, parse_int=number, parse_constant=number)
    except (ValueError, RecursionError) as error:
        problem = "is nested too deep" if isinstance(error, RecursionError) else f"is not JSON ({error})"
        raise InputError(f"{path}: {problem}: damaged, cut off, or no GeoJSON. Export it again.") from error
    if not isinstance(found, dict):
        raise InputError(f"{path}: is JSON but no GeoJSON: it holds no object. Export the points as GeoJSON.")
    return found


def _features(document: dict[str, Any], name: str) -> list[Any]:
    kind = document.get("type")
    found = document.get("features") if kind == "FeatureCollection" else [document] if kind == "Feature" else None
    if not isinstance(found, list):
        raise InputError(
            f"{name}: is JSON but no GeoJSON feature collection (its type is {str(kind)[:40]!r}). "
            "Export the points as GeoJSON."
        )
    if not found:
        raise InputError(f"{name}: holds no features.")
    return found


def _properties(feature: Any) -> dict[str, Any]:
    found = feature.get("properties") if isinstance(feature, dict) else None
    return found if isinstance(found, dict) else {}


def _place(geometry: Any) -> list[Any] | str:
    """Return the coordinates of a point, or why a geometry is none."""
    if geometry is None:
        return layer.NO_GEOMETRY
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    place = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind == "MultiPoint" and isinstance(place, list):
        if len(place) > 1:
            return layer.not_a_point("MultiPoint", len(place))
        place = place[0] if place else []
    elif kind != "Point":
        return layer.not_a_point(kind if kind in layer.KINDS else "geometry of no known type")
    if place == []:
        return layer.NO_GEOMETRY
    if not isinstance(place, list) or len(place) < 2 or not all(isinstance(x, cells.Number) for x in place[:3]):
        return "its geometry is damaged: a point has two or three numbers"
    return place


def _written(number: str, decimal: str) -> str:
    return str(number) if decimal == "." else number.replace(".", decimal)


def _stated(document: dict[str, Any], name: str) -> str | None:
    """Return the system that the file's own text states, None where it states none."""
    if isinstance(document.get("coordRefSys"), str):  # OGC Features and Geometries JSON
        return document["coordRefSys"]
    member = document.get("crs")
    if member is None:
        return None
    found = member.get("properties") if isinstance(member, dict) else None
    code = found.get("name") if isinstance(found, dict) else None
    if not isinstance(code, str) or isinstance(code, cells.Number) or not code.strip():
        raise InputError(
            f"{name}: its crs member cannot be used ({json.dumps(member)[:80]}). Write it by name: "
            '"crs": { "type": "name", "properties": { "name": "EPSG:2193" } }, with the code of the file.'
        )
    return code.strip()


def _no_angles(places: list[list[Any]]) -> str:
    """Return the first coordinates that cannot be longitude and latitude, in words; empty if there are none."""
    for place in places:
        try:
            if place and (abs(float(place[0])) > 180 or abs(float(place[1])) > 90):
                return f"({place[0][:20]}, {place[1][:20]})"
        except ValueError:
            continue
    return ""


def _missing(places: list[list[Any]], recipe: str) -> str:
    odd = _no_angles(places)
    member = '"crs": { "type": "name", "properties": { "name": "' + recipe + '" } }'
    if odd:
        return f"{_SECTION}, but {odd} is none. Add {member} to the file if it is in the recipe's system."
    return (
        f'{_SECTION}: if that is so, write crs = "EPSG:4326" (with longitude and latitude). '
        f"If it is in {recipe}, add {member} to the file."
    )
