"""What layers that geoqa itself wrote name: occupations as they were read, and points as they were determined."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.schema import OCCUPATIONS, metric
from geoqa.core.source import Source
from geoqa.readers import cells

if TYPE_CHECKING:
    from geoqa.core.job import Job
    from geoqa.readers.layer import Layer

#: Columns of a file of determined points, whatever they were asked for.
DETERMINED = frozenset({"risk", "deliver", "deliver_reason", "untested"})
#: Ours, and the columns of the frame of occupations they are read from; lengths are in metres there.
_LENGTHS = {
    "height": "height_m", "sigma_e": "sigma_e_m", "sigma_n": "sigma_n_m", "sigma_u": "sigma_u_m", "cov_en": "cov_en_m2",
    "base_distance": "base_distance_m", "antenna_height": "antenna_height_m",
}  # fmt: skip
_PLAIN = {
    "point": "point", "start": "start_utc", "end": "end_utc", "correction_age": "correction_age_s",
    **{
        name: name for name in (
            "initialization", "base", "canopy", "solution", "method", "origin", "role", "code", "measured_to",
            "operator", "satellites", "pdop", "epochs", "note",
        )
    },
}  # fmt: skip
_READ = frozenset({*_PLAIN.values(), *_LENGTHS.values()})
#: What a layer of occupations holds, by which it is known.
_KNOWN = frozenset({*OCCUPATIONS.base, "start_utc", "initialization", "origin", "sigma_e_m"})


def named(layer: Layer, job: Job) -> tuple[dict[str, str | int | Source], Layer]:
    """Return our columns that a layer names itself, and the layer without what is no reading of anybody.

    Any layer may call its points by our word. The layer of occupations names everything; what geoqa made of them
    stays behind. Points that geoqa determined are means, and no occupations.
    """
    there = set(layer.headings)
    if there >= _KNOWN:
        filled = {name for name, column in zip(layer.headings, layer.columns, strict=True) if cells.any_text(column)}
        layer = layer.only(lambda name: name in _READ & filled or metric(name) not in OCCUPATIONS.columns)
        columns: dict[str, str | int | Source] = {ours: own for ours, own in _PLAIN.items() if own in filled}
        return columns | {o: Source(column=own, unit="m") for o, own in _LENGTHS.items() if own in filled}, layer
    point = [heading for heading in layer.headings if heading.casefold() == "point"]
    columns = {"point": point[0]} if len(point) == 1 else {}
    if there >= DETERMINED and "origin" not in job.columns:
        columns["origin"] = Source(value="averaged")
    return columns, layer
