"""Polygons and lines of a vector file that the recipe names: the boundary of the site, areas of cover."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import vectors
from geoqa.core.errors import InputError, ParameterError

if TYPE_CHECKING:
    import geopandas as gpd

POLYGONS = ("Polygon",)


def shapes(path: Path, where: str, kinds: tuple[str, ...] = POLYGONS, column: str | None = None) -> gpd.GeoDataFrame:
    """Return each single part of these `kinds` in the file at `path`, with its attributes.

    Parameters
    ----------
    where
        The place in the recipe that names the file, and its name, for the messages.
    column
        A column that must be there.

    Raises
    ------
    ParameterError
        If the file cannot be read, states no coordinate system, or holds none of these, or not the column.
    """
    try:
        frame = vectors.shapes(path)
    except InputError as error:
        raise ParameterError(f"{where} cannot be used: {error}") from error
    except OSError as error:
        reason = f"{error.strerror or error}. The name counts from the recipe's folder"
        raise ParameterError(f"{where} cannot be read: {reason}.") from error
    except Exception as error:  # the library raises what it likes, and what it says may quote the file
        raise ParameterError(f"{where} cannot be read: {path.name} is damaged or cut off. Export it again.") from error
    if getattr(frame, "crs", None) is None:
        raise ParameterError(f"{where} states no coordinate system. Assign it one in a GIS.")
    frame = frame[frame.geometry.notna() & ~frame.geometry.is_empty].explode(ignore_index=True)
    frame = frame[frame.geom_type.isin(kinds)].reset_index(drop=True)
    if frame.empty:
        wanted = "polygon" if kinds == POLYGONS else "polygon or line"
        raise ParameterError(f"{where} holds no {wanted}. Name a file that does, or leave it out.")
    if column and column not in frame:
        named = ", ".join(map(str, frame.columns))
        raise ParameterError(f"{where.partition(' ')[0]} column is {column!r}; the file has {named}.")
    return frame
