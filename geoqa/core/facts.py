"""What the recipe says that no file shows and that a report should name."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.params import Declared, param


@dataclass(frozen=True, kw_only=True)
class Facts(Declared):
    """[report]: what the report names beside what it computes; what is left out it says is not stated."""

    client: str | None = param(None, help="Whom the report is for")
    project: str | None = param(None, help="The project or order, as the client knows it")
    prepared_by: str | None = param(None, help="Who observed and reviewed; the sign-off itself stays blank")
    equipment: str | None = param(None, help="Receivers, antennas and poles")
    corrections: str | None = param(None, help="Where the corrections came from: a base of one's own, or which service")
    base_coordinates: str | None = param(None, help="The coordinates of the base, as they were entered")
    base_source: str | None = param(None, help="Where they come from")
    datum: str | None = param(None, help="Datum and realization that the coordinates are in")
    epoch: str | None = param(None, help="Epoch of the coordinates, such as 2000.0")
    geoid: str | None = param(None, help="Geoid model of the heights")
