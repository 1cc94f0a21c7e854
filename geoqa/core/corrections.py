"""Occupations with shifts taken off: only ever asked for by name."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from geoqa.core import geodesy
from geoqa.core.errors import CallError
from geoqa.core.units import counted

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job


def chosen(shifts: pd.DataFrame, shifted: pd.DataFrame, names: Iterable[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the shifts that are meant by `names`, and their occupations.

    Parameters
    ----------
    shifts, shifted
        The frames.
    names
        Set-up and kind (``B2 translation``), or the set-up alone for all its suspicious kinds.

    Raises
    ------
    CallError
        Naming each name that no suspicious shift has, or whose shift no correction can set right.
    """
    suspicious = shifts[shifts["suspicious"].to_numpy(dtype=bool)]
    full = suspicious["setup"] + " " + suspicious["kind"]
    take = full.isna().to_numpy(dtype=bool, copy=True)
    faults = []
    mended = set((shifted["setup"] + " " + shifted["kind"])[shifted["mends"].to_numpy(dtype=bool)])
    for name in dict.fromkeys(names):
        here = ((full == name) | (suspicious["setup"] == name)).to_numpy(dtype=bool)
        if not here.any():
            known = ", ".join(repr(one) for one in full[full.isin(mended)]) or "none"
            faults.append(f"no suspicious shift is called {name!r}; those that can be applied: {known}")
        elif not full[here].isin(mended).all():
            faults.append(f"{name!r} cannot be set right by a correction: {suspicious['remedy'][here].iloc[0]}")
        take |= here
    if faults:
        raise CallError("--apply-shift: " + "; ".join(faults) + ".")
    wanted = set(full[take])
    return suspicious[take], shifted[(shifted["setup"] + " " + shifted["kind"]).isin(wanted).to_numpy(dtype=bool)]


def apply(occupations: pd.DataFrame, shifted: pd.DataFrame, job: Job) -> pd.DataFrame:
    """Return the occupations with what `shifted` lists taken off them, sorted by point and time.

    Parameters
    ----------
    occupations
        As assembled; it is not changed.
    shifted
        Rows of the frame: an occupation may stand in several shifts, their vectors add up.
    """
    import numpy as np
    import pandas as pd

    from geoqa.core import assembly

    at = pd.Index(occupations["occupation_id"]).get_indexer(shifted["occupation_id"])
    frame = occupations
    system = geodesy.of(job)
    for column, vector in (("easting_m", "de_m"), ("northing_m", "dn_m"), ("height_m", "du_m")):
        off = np.bincount(at, shifted[vector].to_numpy(dtype=float), minlength=len(frame))
        frame = frame.assign(**{column: frame[column] - off})
    if system.geographic:  # closures are taken on the ellipsoid
        moved = np.unique(at)
        lon, lat = (frame[c].to_numpy(dtype=float, copy=True) for c in ("lon_deg", "lat_deg"))
        east, north = (frame[c].to_numpy(dtype=float)[moved] for c in ("easting_m", "northing_m"))
        lon[moved], lat[moved] = system.to_lonlat(east, north)
        frame = frame.assign(lon_deg=lon, lat_deg=lat)
    renamed = shifted["new_point"].notna().to_numpy()
    if renamed.any():
        names = frame["point"].astype("str").to_numpy(dtype=object)
        names[at[renamed]] = shifted["new_point"].to_numpy(dtype=object)[renamed]
        frame = frame.assign(point=pd.Categorical(pd.Series(names, dtype="str")))
    return assembly.by_point(frame)[0]


def told(shifts: pd.DataFrame, shifted: pd.DataFrame) -> list[dict[str, Any]]:
    """Return what was taken off, as plain values for the record; `said` is for people."""
    still = (shifted[["de_m", "dn_m", "du_m"]] == 0).all(axis=1) & shifted["either"]  # the half that stays
    counts = (shifted["setup"] + " " + shifted["kind"])[~still].value_counts()
    made = []
    for one in shifts.itertuples(index=False):
        name = f"{one.setup} {one.kind}"
        numbers = {
            c: round(float(getattr(one, c)), 4) for c in ("de_m", "dn_m", "du_m") if getattr(one, c) == getattr(one, c)
        }
        n = int(counts.get(name, 0))
        rows = counted(n, "occupation")
        done = f"taken off {rows}" if one.kind != "name" else f"set right: {rows} went to the point where it lies,"
        said = f"shift {name!r} was {done} before the site was judged; it was found as {one.looks_like}"
        made.append({"shift": name, "kind": one.kind, "occupations": n, **numbers, "said": said})
    return made


def with_names(job: Job, names: Iterable[str]) -> Job:
    """Return the job with the shifts to apply in its step, after those the recipe names."""
    names = tuple(names)
    if not names:
        return job
    own = dict(job.steps.get("shifts", {}))
    stated = own.get("apply", ())
    if not isinstance(stated, (list, tuple)):  # a fault of the recipe, which its own check tells
        return job
    own["apply"] = tuple(dict.fromkeys([*stated, *names]))
    return replace(job, steps={**job.steps, "shifts": own})
