"""Where a file brings its own coordinates: its system, unit and heights against the recipe's.

Nothing is transformed here. What differs, is missing or is not stated is refused with what to write.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.errors import Fault, InputError
from geoqa.core.units import JOB_UNITS, METRES_PER, spoken

if TYPE_CHECKING:
    from geoqa.core.job import Job

PLANE, GLOBE = ("easting", "northing"), ("longitude", "latitude")
LOCAL = geodesy.LOCAL


def own_coordinates(job: Job) -> bool:
    """Return whether the recipe maps columns for the place, so that the file's own is not asked for."""
    return bool({*PLANE, *GLOBE} & set(job.columns))


def system(job: Job, found: str | None, name: str, missing: str) -> list[Fault]:
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


def _unit(job: Job) -> list[Fault]:
    ours = geodesy.system(job.site.crs)
    if ours.geographic or abs(ours.metres_per_unit / job.input.metres_per_unit - 1) < 1e-9:
        return []
    return [unit_fault(job, "unit", ours.metres_per_unit, f"{job.site.crs} counts in")]


def unit_fault(job: Job, key: str, metres: float, what: str) -> Fault:
    """Return the fault of a unit that is not the file's: `metres` each."""
    unit = next((unit for unit, size in METRES_PER.items() if unit in JOB_UNITS and abs(size / metres - 1) < 1e-9), "")
    given = getattr(job.input, key) or job.input.unit
    shown = spoken(unit) if unit else f"units of {metres:.12g} m"
    remedy = f'Write {key} = "{unit}".' if unit else "Export the file in metres or feet."
    return Fault(f"[input] {key}", f"is {given!r}, and {what} {shown}.", remedy)


def reference(job: Job, names: Sequence[str]) -> list[Fault]:
    """Return what speaks against the height reference a file states, under any of its `names`, the first for people."""
    label = job.site.height
    if label is None or geodesy.is_height(label, names):
        return []
    remedy = (
        f'Write height = "{names[0]}" if the job\'s heights are above that; geoqa changes no height: else export the '
        "file with the heights the job has."
    )
    return [Fault("[site] height", f"is {label!r}, and the file's heights are {names[0]!r}.", remedy)]


def _upright(job: Job, stated: geodesy.Stated) -> list[Fault]:
    if not stated.height or job.site.height is None:
        return []
    faults = reference(job, stated.height_names)
    if abs(stated.metres_per_height / job.input.metres_per_height - 1) > 1e-9:
        faults.append(unit_fault(job, "unit_height", stated.metres_per_height, "the file's heights are in"))
    return faults


def heights(job: Job, step: str) -> list[Fault]:
    """Return what the recipe must state before heights that the file itself brings can be used."""
    faults = []
    if not (job.site.height or "").strip():
        remedy = (
            'Add height = "ellipsoidal", or a label such as height = "NZVD2016"; '
            f"to leave them out, heights = false under [step.{step}]."
        )
        faults.append(Fault("[site] height", "must be stated: the file has heights.", remedy))
    judged = {"[tolerance]": (job.tolerance, job.requirement)}
    judged |= {f"[roles.{n}.tolerance]": (r.tolerance, r.requirement) for n, r in job.roles.items()}
    for table, (tolerance, requirement) in judged.items():
        if "v" in requirement.judge and tolerance.vertical_m is None:
            problem = "must be stated: the file has heights and they are judged."
            remedy = 'Add vertical_m = ... (metres), or judge = "h" under [requirement].'
            faults.append(Fault(f"{table} vertical_m", problem, remedy))
    return faults[:2]


def mapped(job: Job, columns: Mapping[str, str | int]) -> Job:
    """Return the job with `columns` for those of ours that the recipe does not map."""
    return replace(job, columns={**columns, **job.columns})


def refuse(name: str, faults: list[Fault]) -> None:
    """Raise InputError if there are faults, with all of them."""
    if faults:
        raise InputError.from_faults(f"{name}: the file and the recipe do not go together:", faults)
