"""review.qgs: a project for the open desktop GIS, written as text, that shows review.gpkg beside it.

A person who opens it sees where to go back first, then the points, then what they rest on; tables stand
in a group of their own. The layers are looked up in the GeoPackage, so that both hold the same.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from geoqa.core import geodesy
from geoqa.core.frames.schema import enlarged
from geoqa.core.job import Job
from geoqa.outputs import gis_styles
from geoqa.outputs.geopackage import ABOUT, STYLES, layers, titles
from geoqa.outputs.gis_styles import Look
from geoqa.outputs.text import display_text, xml_text

#: The groups of the tree, in their order, and which of them show when the project is opened.
GO_BACK, POINTS, EVIDENCE, TABLES = GROUPS = ("Go back", "Points", "Evidence", "Tables")
_OPEN = {GO_BACK, POINTS}
#: Layers that show though their group is closed; enlarged closures are what a person looks at first.
_SHOWN = {"zones"}
#: Layers whose legend is open.
_UNFOLDED = {"points", "revisits"}
_KINDS = {"POINT": "Point", "LINESTRING": "Line", "POLYGON": "Polygon"}
#: How much wider than the site the first view is.
_MARGIN = 0.06


@dataclass(frozen=True)
class _Layer:
    """One layer as the project holds it; `geometry` and `extent` are empty for a table."""

    name: str
    title: str
    group: str
    geometry: str
    titles: dict[str, str]
    look: Look | None
    extent: tuple[float, ...]

    @property
    def key(self) -> str:
        """Its id; one of ten signs or fewer would be replaced when the project is read, and the tree be empty."""
        return f"{self.name}_{hashlib.sha256(self.name.encode()).hexdigest()[:12]}"

    @property
    def source(self) -> str:
        """Where it is, from the project."""
        return f"./review.gpkg|layername={self.name}"

    @property
    def shown(self) -> bool:
        """Whether it is ticked when the project is opened."""
        return bool(self.look) and (self.group in _OPEN or self.name in _SHOWN or bool(enlarged(self.name)[1]))


def write(path: Path, package: Path, job: Job) -> None:
    """Write the project of the layers of `package`, which stands beside it as review.gpkg; the same for the same."""
    with closing(sqlite3.connect(f"{package.absolute().as_uri()}?mode=ro", uri=True)) as file:
        layers = list(_layers(file))
    site = next((layer.extent for layer in layers if layer.name == "points" and layer.extent), (0.0, 0.0, 1.0, 1.0))
    crs = _system(job)
    tree = "".join(_group(name, [layer for layer in layers if layer.group == name]) for name in GROUPS)
    order = "".join(f'<layer id="{xml_text(layer.key)}"/>' for layer in layers if layer.geometry)
    made = "".join(_map_layer(layer, crs) for layer in layers)
    title = xml_text(display_text(job.site.name))
    path.write_text(
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
        f'<qgis projectname="{title}" version="{gis_styles.QML_VERSION}"><homePath path=""/><title>{title}</title>'
        f"<projectCrs>{crs}</projectCrs>"
        f'<layer-tree-group><customproperties/>{tree}<custom-order enabled="0"/></layer-tree-group>'
        f'<mapcanvas name="theMapCanvas" annotationsVisible="1"><units>{_unit(job)}</units>{_extent(site)}'
        f"<rotation>0</rotation><destinationsrs>{crs}</destinationsrs></mapcanvas>"
        f"<projectlayers>{made}</projectlayers><layerorder>{order}</layerorder>"
        '<properties><Paths><Absolute type="bool">false</Absolute></Paths><SpatialRefSys><ProjectionsEnabled '
        f'type="int">{int(job.site.crs != geodesy.LOCAL)}</ProjectionsEnabled></SpatialRefSys>'
        '<Gui><CanvasColorRedPart type="int">255</CanvasColorRedPart><CanvasColorGreenPart type="int">255'
        '</CanvasColorGreenPart><CanvasColorBluePart type="int">255</CanvasColorBluePart></Gui></properties>'
        f'<ProjectViewSettings UseProjectScales="0"><DefaultViewExtent xmin="{site[0]}" ymin="{site[1]}" '
        f'xmax="{site[2]}" ymax="{site[3]}">{crs}</DefaultViewExtent></ProjectViewSettings></qgis>\n',
        encoding="utf-8",
        newline="\n",
    )


def _layers(file: sqlite3.Connection) -> Iterator[_Layer]:
    """Return the layers of a GeoPackage, what is drawn on top first."""
    extents = {
        name: tuple(bounds)
        for name, *bounds in file.execute("SELECT table_name, min_x, min_y, max_x, max_y FROM gpkg_contents")
        if None not in bounds
    }
    for name, _, geometry, columns in layers(file):
        if name == STYLES:
            continue
        look = gis_styles.look_of(name, geometry, columns)
        extent = _wider(extents[name]) if geometry and name in extents else ()
        title = look.title if look else "About this file" if name == ABOUT else name.replace("_", " ").capitalize()
        yield _Layer(name, title, _group_of(name, geometry), geometry, titles(name, columns), look, extent)


def _group_of(name: str, geometry: str) -> str:
    if not geometry:
        return TABLES
    return {"revisits": GO_BACK, "zones": POINTS, "points": POINTS}.get(name, EVIDENCE)


def _wider(bounds: tuple[float, ...]) -> tuple[float, ...]:
    west, south, east, north = bounds
    by = _MARGIN * max(east - west, north - south) or 1e-4
    return west - by, south - by, east + by, north + by


def _group(name: str, layers: list[_Layer]) -> str:
    if not layers:
        return ""
    rows = "".join(
        f'<layer-tree-layer id="{xml_text(layer.key)}" name="{xml_text(layer.title)}" providerKey="ogr" '
        f'source="{xml_text(layer.source)}" checked="{_ticked(layer.shown)}" expanded="{int(layer.name in _UNFOLDED)}" '
        'legend_exp="" legend_split_behavior="0"><customproperties/></layer-tree-layer>'
        for layer in layers
    )
    return (
        f'<layer-tree-group name="{name}" checked="Qt::Checked" expanded="{int(name != TABLES)}"><customproperties/>'
        f"{rows}</layer-tree-group>"
    )


def _ticked(shown: bool) -> str:
    return "Qt::Checked" if shown else "Qt::Unchecked"


def _map_layer(layer: _Layer, crs: str) -> str:
    kind = _KINDS.get(layer.geometry.removeprefix("MULTI"), "Unknown geometry" if layer.geometry else "No geometry")
    placed = _extent(layer.extent) if layer.extent else ""
    return (
        f'<maplayer type="vector" geometry="{kind}" hasScaleBasedVisibilityFlag="0" refreshOnNotifyEnabled="0" '
        f'autoRefreshEnabled="0" readOnly="0" simplifyDrawingHints="0">{placed}<id>{xml_text(layer.key)}</id>'
        f"<datasource>{xml_text(layer.source)}</datasource><layername>{xml_text(layer.title)}</layername>"
        f'{f"<srs>{crs}</srs>" if layer.geometry else ""}<provider encoding="UTF-8">ogr</provider>'
        f"{gis_styles.qml_body(_beside(layer), layer.titles)}</maplayer>"
    )


def _beside(layer: _Layer) -> Look | None:
    """Return the look of a layer in company: the points have their names, the walk adds the number alone."""
    return replace(layer.look, label=("walk",)) if layer.look and layer.name == "revisits" else layer.look


def _extent(bounds: tuple[float, ...]) -> str:
    names = ("xmin", "ymin", "xmax", "ymax")
    return "<extent>" + "".join(f"<{n}>{x!r}</{n}>" for n, x in zip(names, bounds, strict=True)) + "</extent>"


def _system(job: Job) -> str:
    """Return the job's coordinate system as a project names one; none for a local frame."""
    system = job.grid.system
    if job.site.crs == geodesy.LOCAL:
        return '<spatialrefsys nativeFormat="Wkt"><wkt></wkt></spatialrefsys>'
    code = geodesy.code(job.site.crs)
    wkt = xml_text(system.crs.to_wkt("WKT2_2019"))
    kind = "true" if system.geographic else "false"
    return (
        f'<spatialrefsys nativeFormat="Wkt"><wkt>{wkt}</wkt><authid>{xml_text(code)}</authid>'
        f"<description>{xml_text(system.name)}</description><geographicflag>{kind}</geographicflag></spatialrefsys>"
    )


def _unit(job: Job) -> str:
    names = {"deg": "degrees", "ft": "feet", "ftUS": "US survey feet"}
    return names.get(geodesy.unit_of(job.grid.system), "meters")
