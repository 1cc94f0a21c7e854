"""Coordinates against the systems that the recipe and the file state.

Nothing is transformed here. What differs, is missing or is not stated is refused with what to write.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from geoqa.core import geodesy
from geoqa.core.errors import Fault, InputError
from geoqa.core.geodesy import System
from geoqa.core.job import Recipe
from geoqa.core.recipe import Source, sources, wanted
from geoqa.core.units import JOB_UNITS, METRES_PER, spoken
from geoqa.readers.recipe import rules
from geoqa.readers.tables import inference

#: Jobs near the edge of a zone reach into the next one; this far from the area no job is, in degrees.
MARGIN_DEG = 3.0


def check_extent(name: str, occupations: pd.DataFrame, job: Recipe) -> tuple[str, ...]:
    """Return a message where the rows lie outside the area of the job's coordinate system.

    The middle of the rows (medians of both coordinates) is looked at, so that a few wild rows do not
    matter. The area is the bounding box the system is registered for, widened by `MARGIN_DEG`.

    Parameters
    ----------
    name
        Name of the file.
    occupations
        The rows read from it, before assembly.

    Raises
    ------
    InputError
        If one plain mistake explains it: axes exchanged, degrees taken for lengths, another unit.
    """
    if job.site.crs == geodesy.LOCAL:
        return ()
    system = geodesy.system(job.site.crs)
    if system.crs.area_of_use is None or occupations.empty:
        return ()
    if system.geographic:
        x, y = (float(np.median(occupations[c].to_numpy())) for c in ("lon_deg", "lat_deg"))
    else:
        x, y = (float(np.median(occupations[c].to_numpy())) for c in ("easting_m", "northing_m"))
    if _inside(system, x, y):
        return ()
    outside = (
        f"{name}: the coordinates lie outside the area of {job.site.crs} ({system.name}: "
        f"{system.crs.area_of_use.name[:120].rstrip('.')})"
    )
    mistake = _mistake(system, x, y, job)
    if mistake:
        raise InputError(f"{outside}. {mistake}")
    return (f"{outside}: check crs, unit and the columns; the map may show the site in a wrong place.",)


def _mistake(system: System, x: float, y: float, job: Recipe) -> str:
    """Return which mistake explains a place outside the area, and what to write; empty if none does."""
    pair = ("longitude", "latitude") if system.geographic else ("easting", "northing")
    if _inside(system, y, x):
        names = [repr(wanted(job.columns).get(axis, axis)).replace("'", '"') for axis in reversed(pair)]
        return (
            f"Exchanged, they lie inside: write {pair[0]} = {names[0]} and {pair[1]} = {names[1]} under "
            f"[input.columns]. A column is named by what it holds, whatever order the system gives its axes."
        )
    if system.geographic:
        return ""
    east = sources(job.columns).get("easting")
    unit = (east.unit if east else None) or job.input.unit
    degrees = (x / METRES_PER[unit], y / METRES_PER[unit])
    for lon, lat in (degrees, degrees[::-1]):
        if _holds(system, lon, lat):
            return (
                "Taken for degrees, they lie inside: map longitude and latitude under [input.columns], and state the "
                "geographic system they are in as crs under [site]."
            )
    for other in ("m", "ft", "ftUS"):
        factor = METRES_PER[other] / METRES_PER[unit]
        if other != unit and _inside(system, x * factor, y * factor):
            feet = ' (or "ftUS": the two feet are too near to tell)' if other == "ft" else ""
            return f'In {spoken(other)} they lie inside: write unit = "{other}"{feet} under [input].'
    return ""


def _inside(system: System, x: float, y: float) -> bool:
    """Return whether a place, in degrees or in metres of the grid, lies in the system's area."""
    if system.geographic:
        return _holds(system, x, y)
    lon, lat = system.to_lonlat(np.array([x]), np.array([y]))
    return _holds(system, float(lon[0]), float(lat[0]))


def _holds(system: System, lon: float, lat: float) -> bool:
    """Return whether a longitude and latitude lie in the system's area; its box may cross the date line."""
    if not (np.isfinite(lon) and np.isfinite(lat) and abs(lat) <= 90 and abs(lon) <= 360):
        return False
    area, margin = system.crs.area_of_use, MARGIN_DEG
    width = (area.east - area.west) % 360 or 360.0
    beyond = (lon - area.west + margin) % 360
    return bool(area.south - margin <= lat <= area.north + margin and beyond <= width + 2 * margin)


#: Units as near as this are one.
NEAR = 1e-9
#: Columns of ours that the judgement asks for, beside names and places.
ASKED = ("start", "initialization", "precision_h", "sigma_e", "base", "solution", "canopy")
PLANE, GLOBE = ("easting", "northing"), ("longitude", "latitude")
LOCAL = geodesy.LOCAL


def own_coordinates(job: Recipe) -> bool:
    """Return whether the recipe maps columns for the place, so that the file's own is not asked for."""
    return bool({*PLANE, *GLOBE} & set(job.columns))


def own_system(job: Recipe, found: str | None, name: str, missing: str) -> list[Fault]:
    """Return what speaks against the system a file states.

    Parameters
    ----------
    found
        What the file states, None if nothing.
    missing
        What to do if it states nothing.
    """
    recipe, place = job.site.crs, "[site] crs"
    if found is None:
        return [] if recipe == LOCAL else [Fault(f"{name}: coordinate system", "the file states none.", missing)]
    if recipe == LOCAL:
        remedy = "State the file's system as crs, or give the layer without one."
        return [Fault(place, f"is {LOCAL!r}, and the file states {found[:80]!r}.", remedy)]
    stated = geodesy.compare(found, recipe)
    if not stated.same:
        code = stated.name[stated.name.rfind("EPSG:") : -1] if "(EPSG:" in stated.name else ""
        write = f'crs = "{code}"' if code else "its code as crs"
        remedy = f"Write {write} if the job is in that system; geoqa changes no datum: else export the layer anew."
        return [Fault(place, f"is {recipe!r}, and the file is in {stated.name}.", remedy)]
    return _unit(job) + _upright(job, stated)


def _unit(job: Recipe) -> list[Fault]:
    ours = geodesy.system(job.site.crs)
    if ours.geographic or abs(ours.metres_per_unit / job.grid.unit_m - 1) < 1e-9:
        return []
    return [unit_fault(job, "unit", ours.metres_per_unit, f"{job.site.crs} counts in")]


def unit_fault(job: Recipe, key: str, metres: float, what: str) -> Fault:
    """Return the fault of a unit that is not the file's: `metres` each."""
    unit = next((unit for unit, size in METRES_PER.items() if unit in JOB_UNITS and abs(size / metres - 1) < 1e-9), "")
    given = getattr(job.input, key) or job.input.unit
    shown = spoken(unit) if unit else f"units of {metres:.12g} m"
    remedy = f'Write {key} = "{unit}".' if unit else "Export the file in metres or feet."
    return Fault(f"[input] {key}", f"is {given!r}, and {what} {shown}.", remedy)


def own_reference(job: Recipe, names: Sequence[str]) -> list[Fault]:
    """Return what speaks against the height reference a file states, under any of its `names`, the first for people."""
    label = job.site.height
    if label is None or geodesy.is_height(label, names):
        return []
    remedy = (
        f'Write height = "{names[0]}" if the job\'s heights are above that; geoqa changes no height: else export the '
        "file with the heights the job has."
    )
    return [Fault("[site] height", f"is {label!r}, and the file's heights are {names[0]!r}.", remedy)]


def _upright(job: Recipe, stated: geodesy.StatedSystem) -> list[Fault]:
    if not stated.height or job.site.height is None:
        return []
    faults = own_reference(job, stated.height_names)
    if abs(stated.metres_per_height / job.grid.up_m - 1) > 1e-9:
        faults.append(unit_fault(job, "unit_height", stated.metres_per_height, "the file's heights are in"))
    return faults


def own_heights(job: Recipe, step: str) -> list[Fault]:
    """Return what the recipe must state before heights that a receiver's log brings can be used."""
    return _with_remedies(rules.unsaid(mapped(job, {"height": "height"}), rules.OF_HEIGHTS), step)


def mapped(job: Recipe, columns: Mapping[str, str | int | Source]) -> Recipe:
    """Return the job with `columns` for those of ours that the recipe does not map."""
    return replace(job, columns={**columns, **job.columns})


def scales(crs: str, found: str | None, height_m: float | None) -> tuple[bool, float, float | None, str]:
    """Return whether a layer counts in degrees, metres in one unit of its places and heights, and what these are above.

    The last two where the file says so.

    Parameters
    ----------
    crs, found
        The system of the recipe, and as the file states it.
    height_m
        What the format says of heights, None if nothing.
    """
    ours = geodesy.system(crs)
    stated = geodesy.compare(found, crs) if found else None
    if stated is not None and stated.height:
        height_m = stated.metres_per_height
    elif height_m is None and not ours.geographic and ours.metres_per_unit == 1:
        height_m = 1.0  # who counts in metres counts heights in them too; with feet and degrees that is not said
    return ours.geographic, ours.metres_per_unit, height_m, stated.height if stated else ""


def counted(job: Recipe, plane_m: float | None, height_m: float | None, whence: str) -> tuple[Recipe, list[Fault]]:
    """Return the job with the units that a file states, where the recipe leaves them to it; and what is against it.

    Parameters
    ----------
    plane_m, height_m
        Metres in one unit of its coordinates and of its heights; None where it does not say.
    whence
        What in the file says it.
    """
    if job.unit_stated or plane_m is None:
        return job, []
    form, faults, up = job.input, list[Fault](), "height" in job.columns and not job.input.unit_height
    for key, metres in (("unit", plane_m), *([("unit_height", height_m)] if up and height_m else [])):
        unit = next((unit for unit in JOB_UNITS if abs(METRES_PER[unit] / metres - 1) < NEAR), None)
        if unit is None:
            faults.append(unit_fault(job, key, metres, f"{whence} counts in"))
            break
        elif key == "unit":
            form = replace(form, unit=unit)
        elif unit != form.unit:
            form = replace(form, unit_height=unit)
    if up and not height_m:
        problem = f"must be stated: {whence} does not say what the heights count in."
        faults.append(Fault("[input] unit_height", problem, 'Add unit_height = "m", "ft" or "ftUS".'))
    return replace(job, input=form, unit_stated=True), faults


def settled(
    name: str, step: str, faults: list[Fault], job: Recipe, before: Recipe, headings: Sequence[str], whence: str,
    above: str,
) -> list[str]:  # fmt: skip
    """Return what people should know of a file that says itself what the recipe, `before`, leaves to it.

    Parameters
    ----------
    name, step
        Of the file, and of the step that reads it.
    faults
        What speaks against it so far.
    job
        The recipe with what the file says.
    headings
        Of the file.
    whence, above
        What in the file states its unit, and what it says its heights are above.

    Raises
    ------
    InputError
        With every fault, and what neither the recipe nor the file says.
    """
    refuse_system(name, faults + _with_remedies(rules.unsaid(job), step, headings, above))
    return [f"{name}: {text}" for text in _taken(job, before, headings, whence)]


def _taken(job: Recipe, before: Recipe, headings: Sequence[str], whence: str) -> list[str]:
    """Return what is taken from a file.

    And what it may hold beside that: columns that the judgement asks for and the recipe does not map.
    """
    if "point" in before.columns and before.unit_stated:
        return []
    said = [f"{', '.join(name for name in job.columns if name not in before.columns)} as the file names them"]
    if not before.unit_stated:
        up = f", of heights {spoken(job.input.height_unit)}" if job.input.height_unit != job.input.unit else ""
        unit = f"the unit, {spoken(job.input.unit)}{up}, as {whence} states it"
        said.append(f"lengths in {spoken(job.input.unit)}{up}" if "longitude" in job.columns else unit)
    told, likely = [f"taken from the file: {'; '.join(said)}."], inference.columns([*headings, "height"])
    asked = [f'{ours} = "{headings[likely[ours]]}"' for ours in ASKED if ours in likely and ours not in job.columns]
    if "start" not in {*likely, *job.columns}:
        asked.insert(0, 'start = "heading" (without times two occupations are at most fresh fixes of one visit)')
    if asked:
        told.append(f"what else it holds is judged where [input.columns] names it: {', '.join(asked)}.")
    return told


def _with_remedies(faults: list[Fault], step: str, columns: Sequence[str] = (), above: str = "") -> list[Fault]:
    likely, made = inference.columns(columns), []
    for fault in faults:
        remedy = fault.remedy
        if fault.where == "[site] height":
            remedy = f'Add height = "{above[:80]}", as the file states it.' if above else remedy
            remedy = f"{remedy[:-1]}; to leave them out, heights = false under [step.{step}]."
        elif fault.where == "[input.columns] point" and columns:
            named = columns[likely["point"]] if "point" in likely else "heading"
            listed = ", ".join(repr(name[:40]) for name in columns[:40])
            remedy = f'Add point = "{named}". The file\'s columns are {listed}.'
        made.append(replace(fault, remedy=remedy))
    return made


def refuse_system(name: str, faults: list[Fault]) -> None:
    """Raise InputError if there are faults, with all of them."""
    if faults:
        raise InputError.from_faults(f"{name}: the file and the recipe do not go together:", faults)
