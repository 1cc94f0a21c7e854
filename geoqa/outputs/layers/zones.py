"""Problem zones on the map, what a click tells of each; and revisits, numbered as on the field sheet, with the walk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from geoqa.core import units
from geoqa.core.arrays import Frames, np, pd
from geoqa.core.drawing import Cells, Drawing, Style, Table
from geoqa.core.job import Job
from geoqa.core.steps import MapLayer
from geoqa.outputs import symbology
from geoqa.outputs.layers import ZONES, popup, positions

_LIGHT, _DARK = symbology.STRONG
_STYLE = Style("zone", "problem zone", "area", _LIGHT, "", _DARK, symbology.NAMED)


@dataclass(frozen=True, kw_only=True)
class ZonesLayer(MapLayer):
    """Outline the problem zones: where it is bad beyond chance; a click tells how bad, and what that rests on."""

    name: ClassVar[str] = "zones-on-map"
    needs: ClassVar[tuple[str, ...]] = ("zones",)

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return one drawing of polygons; nothing where there is no zone."""
        zones = frames["zones"]
        if zones.empty:
            return ()
        parts = zones.explode(ignore_index=True)
        system = job.grid.system
        rings = [positions.rings(shape, system) for shape in parts["geometry"]]
        columns = {
            "path": [outer for outer, *_ in rings],
            "holes": [inner for _, *inner in rings],
            "style": [_STYLE.key] * len(parts),
            "label": popup.texts(parts, "zone"),
        }
        about = "Where points fail, or differ, more than chance spreads over a site."
        return (Drawing("polygons", ZONES, columns, (_STYLE,), about=about, tables=_tables(parts, job)),)


def _tables(zones: pd.DataFrame, job: Job) -> tuple[Table, ...]:
    """Return what is told of a zone: in words first, then the numbers beside those of the site."""
    plane, height = popup.lengths(job)
    # What points one way only by chance is not shown.
    one_way = popup.numbers(zones, "rests_on_direction") == 1
    bias = {axis: np.where(one_way, popup.numbers(zones, f"bias_{axis}_m"), np.nan) for axis in "enu"}
    number = {name: popup.numbers(zones, name) for name in zones.columns if name.endswith(("_m", "_p", "share"))}
    here: tuple[Any, ...] = (
        Cells("zone", popup.text(zones, "zone")),
        Cells("in words", popup.text(zones, "message")),
        Cells("rests on", popup.text(zones, "kind")),
        Cells("points inside", popup.numbers(zones, "points"), "number", 0),
        Cells("judged", popup.numbers(zones, "judged"), "number", 0),
        Cells("beyond tolerance", popup.numbers(zones, "beyond"), "number", 0),
        Cells("of those judged", number["share"], "share"),
        Cells("of all judged on the site", popup.numbers(zones, "share_site"), "share"),
        Cells("judged on the site", popup.numbers(zones, "judged_site"), "number", 0),
        plane.line("median closure", number["median_closure_m"]),
        plane.line("of the whole site", number["median_site_m"]),
        Cells("common direction of", popup.text(zones, "bias_of").where(one_way)),
        plane.line("east", bias["e"], sign=True),
        plane.line("north", bias["n"], sign=True),
        height.line("up", bias["u"], sign=True),
        Cells("by chance", [units.p_value(p) for p in popup.numbers(zones, "p")]),
        Cells("canopy", popup.text(zones, "canopy")),
    )
    return (Table("Problem zone", here),)


_STOP = Style("stop", "go there, in this order", "halo", symbology.PLAIN[0], "", symbology.PLAIN[1], symbology.NAMED)
_WALK = Style("walk", "walk", "dash", symbology.PLAIN[0], "", symbology.PLAIN[1])


@dataclass(frozen=True, kw_only=True)
class RevisitsLayer(MapLayer):
    """Number the points to be visited again in walking order, as on the field sheet, and draw the walk between them."""

    name: ClassVar[str] = "revisits-on-map"
    needs: ClassVar[tuple[str, ...]] = ("revisits", "points", "points.geometry")

    def draw(self, frames: Frames, job: Job) -> tuple[Drawing, ...]:
        """Return a halo around each point of the walk and the walk as a line; nothing where nobody has to go."""
        points = frames["points"]
        walk = frames["revisits"]
        walk = walk[walk["walk"] > 0].sort_values("walk", kind="stable")
        at = popup.found(points, walk)
        places = positions.places(points, job)
        known = (at >= 0) & np.isfinite(places.lon_deg[at])
        walk, at = walk[known], at[known]
        if walk.empty:
            return ()
        lon, lat = places.lon_deg[at], places.lat_deg[at]
        numbers = walk["walk"].astype("str").tolist()
        stops = {"lon_deg": lon, "lat_deg": lat, "style": [_STOP.key] * len(walk), "label": numbers}
        legs = {"path": [np.stack([lon, lat], axis=1).tolist()], "style": [_WALK.key]}
        about = "Points to be visited again, numbered as on the field sheet (revisits.html)."
        return (
            Drawing("symbols", "Revisits", stops, (_STOP,), about=about, shown=False),
            Drawing("lines", "Walk between revisits", legs, (_WALK,), about="Straight lines; the ground is not known.",
                    shown=False, listed=False),
        )  # fmt: skip
