"""The recipe's table on the canopy: ``[canopy]``, with ``[canopy.values]`` and ``[canopy.classes]``."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from geoqa.core import geodesy
from geoqa.core.canopy import AREAS, RASTER, Canopy
from geoqa.core.errors import Fault
from geoqa.core.params import OPEN

NESTED = ("values", "classes")
_CLASSES = 'Write [canopy.classes], then open = 0 and "dense conifer" = 12: the mean height a class begins at.'


def read(table: Mapping[str, Any], where: str, faults: list[Fault]) -> Canopy | None:
    """Return what the recipe says of the canopy; add every fault to `faults`.

    Parameters
    ----------
    table
        The whole recipe.
    where
        What the faults call it.
    """
    given = table.get("canopy", {})
    if not isinstance(given, Mapping):
        return Canopy.from_table(given, f"{where}: [canopy]", faults)
    flat = {key: value for key, value in given.items() if key not in NESTED}
    words = _words(given.get("values", {}), f"{where}: [canopy.values]", faults)
    classes = _classes(given.get("classes", {}), f"{where}: [canopy.classes]", faults)
    canopy = Canopy.from_table(flat, f"{where}: [canopy]", faults, words=words, classes=classes)
    if canopy:
        faults += [Fault(f"{where}: [canopy] {key}", *rest) for key, *rest in _problems(canopy)]
        if canopy.files:
            faults += _placeless(table, where)
    return canopy


def _words(table: Any, where: str, faults: list[Fault]) -> dict[str, str]:
    """Return the words of the areas and the classes they stand for."""
    if not isinstance(table, Mapping):
        faults.append(Fault(where, "must be a table: the file's words = ours."))
        return {}
    wrong = [word for word, ours in table.items() if not isinstance(ours, str) or ours == OPEN or not ours.strip()]
    faults += [Fault(f"{where} {word!r:.60}", "must be stated.", "Write the canopy class.") for word in wrong]
    return {str(word): ours for word, ours in table.items() if word not in wrong}


def _classes(table: Any, where: str, faults: list[Fault]) -> dict[str, float]:
    """Return the classes in growing order of the height at which each begins."""
    if not isinstance(table, Mapping):
        faults.append(Fault(where, "must be a table.", _CLASSES))
        return {}
    good = {}
    for name, height in table.items():
        if isinstance(height, bool) or not isinstance(height, (int, float)) or not math.isfinite(height):
            faults.append(Fault(f"{where} {name!r:.60}", f"{height!r:.40} is not a height in metres.", _CLASSES))
        else:
            good[str(name)] = float(height)
    if good and min(good.values()) != 0:
        faults.append(Fault(where, "no class begins at 0: low canopy would have none.", _CLASSES))
    if len(set(good.values())) < len(good):
        faults.append(Fault(where, "two classes begin at one height.", _CLASSES))
    return dict(sorted(good.items(), key=lambda item: item[1]))


def _problems(canopy: Canopy) -> list[tuple[str, str, str]]:
    """Return what the keys ask of each other: the key, the problem, the remedy."""
    found = []
    if canopy.areas and not canopy.column:
        found.append(("column", "must be stated.", "Name the column of the areas that holds the cover."))
    found += [
        (key, "means nothing without areas.", 'Add areas = "stands.gpkg", or remove it.')
        for key, stated in (("column", canopy.column), ("values", canopy.words))
        if stated and not canopy.areas
    ]
    if canopy.raster and not canopy.unit:
        found.append(("unit", "must be stated: a raster does not say it.", 'Write unit = "m", "ft" or "ftUS".'))
    found += [
        (key, "means nothing without a raster of canopy heights.", 'Add raster = "canopy.tif", or remove it.')
        for key in ("surface", "classes")
        if getattr(canopy, key) and not canopy.raster
    ]
    if canopy.decides == AREAS and not canopy.areas:
        found.append(("decides", "is 'areas', and no areas are stated.", 'Add areas = "stands.gpkg" and column.'))
    if canopy.decides == RASTER and not (canopy.raster and canopy.classes):
        found.append(("decides", "is 'raster': it needs raster and [canopy.classes].", _CLASSES))
    return found


def _placeless(table: Mapping[str, Any], where: str) -> list[Fault]:
    """Return the fault of a site that cannot be found on a map."""
    site = table.get("site")
    if not isinstance(site, Mapping) or site.get("crs") != geodesy.LOCAL:
        return []
    problem = "names files that lie on the Earth, and the site is in a frame whose place is not stated."
    return [Fault(f"{where}: [canopy]", problem, "State crs, or leave the files out.")]
