"""A recipe proposed for a file that holds a table in another form than text."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from geoqa.core import geodesy
from geoqa.core.errors import GeodesyError, InputError
from geoqa.core.job import InputFormat, Job, Site
from geoqa.core.params import OPEN
from geoqa.core.source import sources
from geoqa.core.tolerances import PRESETS, Requirement
from geoqa.core.units import METRES_PER, spoken
from geoqa.readers import guesses, own_layers, placing, proposal
from geoqa.readers.cells import SeveralTablesError

if TYPE_CHECKING:
    from geoqa.readers.cells import Rows
    from geoqa.readers.layer import Layer

#: Rows that are looked at, and tables of one file.
SAMPLE, MOST = 200, 20


def bare_job() -> Job:
    """Return a job that states nothing about a file, to look at it with."""
    return Job(
        site=Site(crs="EPSG:4326"), input=InputFormat(unit="m"), columns={},
        tolerance=next(iter(PRESETS.values())), requirement=Requirement(),
    )  # fmt: skip


def of_rows(
    path: Path, rows: Rows, brought: dict[str, str] | None = None, stated: dict[str, tuple[str, str]] | None = None,
    *, skip: int = 0,
) -> str:  # fmt: skip
    """Return a recipe proposed for some rows.

    Parameters
    ----------
    brought
        Our columns that the file is known to hold, by heading.
    stated
        What the file itself states (see `proposal.propose_rows`).
    skip
        Lines before the table.
    """
    names = list(rows.headings)
    brought = brought or {}
    own = {heading: ours for ours, heading in brought.items()}
    # Under our names, so that a precision of the height is seen to have a height.
    found = guesses.columns([own.get(heading, heading) for heading in names])
    if brought:
        for name in ("easting", "northing", "longitude", "latitude"):
            found.pop(name, None)
    found |= {ours: names.index(heading) for ours, heading in brought.items()}
    stated = {f"input.columns.{ours}": ("", "the file names it itself") for ours in brought} | (stated or {})
    if "initialization" in brought:
        stated["input.initialization"] = ("", "a column of the file")
    return proposal.propose_rows(path, names, sample(rows), found, stated, skip)


def sample(rows: Rows) -> list[list[str]]:
    """Return the first records as text."""
    return [list(row) for row in zip(*(column[:SAMPLE].to_pylist() for column in rows.columns), strict=True)]


def of_one(propose: Callable[..., str], step: str, key: str, wanted: str | None = None) -> str:
    """Return what `propose` gives; of a file with several tables for the likeliest, and which one stays open.

    The likeliest is the first of those in which most columns are recognized: a cover sheet is none.

    Parameters
    ----------
    propose
        Makes the proposal; takes the name of a table under the key of `SeveralTablesError`, if it must.
    step, key
        The reader, and its parameter that names a table.
    wanted
        The table that is asked for.
    """
    if wanted is not None:
        return f"{propose(**{key: wanted})}\n[step.{step}]\n{key} = {proposal.quoted(wanted)}  # inferred: as asked\n"
    try:
        return propose()
    except SeveralTablesError as several:
        names = [proposal.quoted(name) for name in several.names]
        texts = [_tried(propose, several.key, name) for name in several.names[:MOST]]
        best = max(range(len(texts)), key=lambda k: (texts[k].count("# inferred: the heading"), -k))
        text = texts[best] or propose(**{several.key: several.names[best]})
        choice = f"one of {', '.join(names)}; the rest of this recipe was read off {names[best]}"
        return f'{text}\n[step.{several.step}]\n{several.key} = "{OPEN}"  # must be stated: {choice}\n'


def _tried(propose: Callable[..., str], key: str, name: str) -> str:
    """Return the proposal for one table; empty where it is none."""
    try:
        return propose(**{key: name})
    except InputError:
        return ""


def of_layer(path: Path, layer: Layer) -> str:
    """Return a recipe proposed for a layer of a vector file."""
    from geoqa.readers.layer import X, Y, Z

    named, layer = own_layers.named(layer, bare_job())
    _, rows = layer.table(path.name, needs_geometry=False)
    stated, pair = dict[str, tuple[str, str]](), placing.PLANE
    code = geodesy.code(layer.crs) if layer.crs else ""
    if code:
        stated["site.crs"] = (proposal.quoted(code), "the file states it")
        with contextlib.suppress(GeodesyError):
            globe, plane_m, height_m, above = placing.scales(code, layer.crs, layer.height_m)
            pair = placing.GLOBE if globe else placing.PLANE
            high = layer.has_heights and "height" not in named
            what = "lengths are in" if globe else "its coordinate system counts in"
            stated |= itself(plane_m, height_m, high, what)
            if above and layer.has_heights:
                stated["site.height"] = (proposal.quoted(above), "the file states it")
    brought = dict(zip(pair, (X, Y), strict=True)) | ({"height": Z} if layer.has_heights else {})
    columns = {ours: source.column for ours, source in sources(named).items()}
    return of_rows(path, rows, brought | {o: place for o, place in columns.items() if isinstance(place, str)}, stated)


def itself(plane_m: float, height_m: float | None, has_heights: bool, what: str) -> dict[str, tuple[str, str]]:
    """Return what a recipe need not say of the unit, as the file does; what the heights count in where it does not."""
    unit = unit_of(plane_m)
    if not unit:
        return {}
    said = f"{what} {spoken(unit)}"
    if has_heights and not height_m:
        said += (
            '\nunit_height = "?"  # must be stated: "m", "ft" or "ftUS"; the file does not say what heights count in'
        )
    return {"input.unit": ("", said)}


def unit_of(metres: float) -> str:
    """Return our word for a unit of so many metres, empty if there is none."""
    return next((unit for unit in ("m", "ft", "ftUS") if abs(METRES_PER[unit] / metres - 1) < 1e-9), "")
