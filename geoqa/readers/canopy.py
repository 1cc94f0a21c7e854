"""What the recipe's canopy files say of each point, and the class that serves where the crew gave no label."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from geoqa.core import areas, geodesy
from geoqa.core.canopy import AREAS, LABEL, RASTER
from geoqa.readers import surroundings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geoqa.core.job import Job

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]


class Canopied(NamedTuple):
    """Occupations with the class that counts, the frame ``canopy`` (None where no file is named), and messages."""

    occupations: pd.DataFrame
    canopy: pd.DataFrame | None
    messages: tuple[str, ...] = ()


def read_canopy(occupations: pd.DataFrame, job: Job) -> Canopied:
    """Return what the areas and the raster say of each point, and the occupations with their class completed.

    Parameters
    ----------
    occupations
        The rows of the whole site. Their label of the cover is kept as ``canopy_label``; ``canopy`` becomes
        the first that is known in the order the recipe states, and ``canopy_from`` says which that was. It is
        one class for all rows of a point.

    Raises
    ------
    ParameterError, InputError, CallError
        If a file cannot be used, or rasterio is not installed.
    """
    if not job.canopy.files:
        return Canopied(occupations, None)
    points = occupations["point"].astype("category").cat.remove_unused_categories()
    code = points.cat.codes.to_numpy().astype(np.int64)
    x, y = _places(occupations, code, len(points.cat.categories), job)
    table = pd.DataFrame({"point": points.cat.categories.astype("str")})
    messages: list[str] = []
    mapped = np.full(len(table), None, object)
    if job.canopy.areas:
        mapped, said = _mapped(x, y, job)
        messages += said
    table["canopy_mapped"] = pd.Categorical(mapped)
    found = {name: np.full(len(table), np.nan) for name in surroundings.MEASURES}
    if job.canopy.raster:
        found, told = surroundings.measures(x, y, job)
        messages += told
    table = table.assign(**found)
    by_height = _by_height(found["canopy_mean_m"], job)
    table["canopy_raster"] = pd.Categorical(by_height)
    occupations, filled = _completed(occupations, code, {AREAS: mapped, RASTER: by_height}, job)
    return Canopied(occupations, table, (*messages, *filled))


def _places(occupations: pd.DataFrame, code: Index, n: int, job: Job) -> tuple[Array, Array]:
    """Return one place a point, in the job's system and its own unit: that of the row nearest to their middle."""
    east, north = (occupations[name].to_numpy(dtype=float) for name in ("easting_m", "northing_m"))
    middle = pd.DataFrame({"e": east, "n": north}).groupby(code).median()
    away = np.hypot(east - middle["e"].to_numpy()[code], north - middle["n"].to_numpy()[code])
    order = np.lexsort((np.round(away, 6), code))
    first = order[np.searchsorted(code[order], np.arange(n))]
    system = geodesy.of(job)
    if system.geographic:
        return system.to_lonlat(east[first], north[first])
    return east[first] / system.metres_per_unit, north[first] / system.metres_per_unit


def _mapped(x: Array, y: Array, job: Job) -> tuple[NDArray[np.object_], list[str]]:
    """Return the class of the area that holds each place, None outside of all; the smallest where several do."""
    import shapely

    rules = job.canopy
    assert rules.areas and rules.column
    frame = areas.shapes(job.beside(rules.areas), f"[canopy] areas {rules.areas!r}", column=rules.column)
    onto = geodesy.onto(job, frame.crs.to_wkt())
    words = [str(word).strip() if word == word and word is not None else "" for word in frame[rules.column]]
    classes = np.array([rules.words.get(word, word) or None for word in words], dtype=object)
    shapes = np.asarray(frame.geometry.array)
    order = np.argsort(shapely.area(shapes), kind="stable")
    px, py = onto.places(x, y)
    good = np.isfinite(px) & np.isfinite(py)
    where = shapely.points(np.where(good, px, 0.0), np.where(good, py, 0.0))
    point, shape = shapely.STRtree(shapes[order]).query(where, predicate="intersects")
    keep = good[point]
    hits = pd.DataFrame({"point": point[keep], "shape": shape[keep], "word": classes[order][shape[keep]]})
    hits = hits[hits["word"].notna()].sort_values(["point", "shape"], kind="stable")
    first = hits.drop_duplicates("point")
    mapped = np.full(len(x), None, object)
    mapped[first["point"].to_numpy()] = first["word"].to_numpy()
    said = [f"{rules.areas} {onto.said}"] if onto.said else []
    outside = int(pd.isna(mapped).sum())
    several = int((hits.drop_duplicates(["point", "word"])["point"].value_counts() > 1).sum())
    if outside:
        said.append(f"{outside} of {len(x)} points lie in no area of {rules.areas} that states a cover")
    if several:
        said.append(f"{several} points lie in several areas of {rules.areas} of different cover: the smallest counts")
    return mapped, said


def _by_height(mean_m: Array, job: Job) -> NDArray[np.object_]:
    """Return the class whose heights hold the mean around each point, None where either is unknown."""
    names = np.array([*job.canopy.classes, None], dtype=object)
    begins = np.array(list(job.canopy.classes.values()))
    if not len(begins):
        return np.full(len(mean_m), None, object)
    found = np.maximum(np.searchsorted(begins, mean_m, "right") - 1, 0)  # below zero is noise of the ground
    return names[np.where(np.isnan(mean_m), len(begins), found)]


def _completed(
    occupations: pd.DataFrame, code: Index, own: dict[str, NDArray[np.object_]], job: Job
) -> tuple[pd.DataFrame, list[str]]:
    """Return the occupations with the class that counts and where it comes from, and what was filled."""
    label = occupations["canopy"]
    offered = {LABEL: label.astype("object").where(label.notna(), None).to_numpy(dtype=object)}
    offered |= {name: classes[code] for name, classes in own.items()}
    counts, origin = np.full(len(code), None, object), np.full(len(code), None, object)
    for name in job.canopy.order:
        take = pd.isna(counts) & ~pd.isna(offered[name])
        counts[take], origin[take] = offered[name][take], name
    said = []
    for name, words in ((AREAS, job.canopy.areas), (RASTER, job.canopy.raster)):
        rows = int((origin == name).sum())
        if rows:
            why = "as [canopy] decides" if job.canopy.decides == name else "for want of a label"
            said.append(f"{rows} occupations have their canopy class from {words}, {why}")
    changed = pd.Categorical(pd.Series(counts, dtype="str"))
    # A class that no row has any more is none of this site.
    made = occupations.assign(canopy=changed, canopy_label=label.array, canopy_from=pd.Categorical(origin))
    return made, said
