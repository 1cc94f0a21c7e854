"""Run by the system's Python, which has QGIS: open a project, print what is in it as JSON, draw it as PNG."""

from __future__ import annotations

import json
import sys

from qgis.core import QgsApplication, QgsLayerTreeGroup, QgsMapRendererSequentialJob, QgsMapSettings, QgsProject
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor


def _tree(node):
    for child in node.children():
        if isinstance(child, QgsLayerTreeGroup):
            yield {"group": child.name(), "layers": list(_tree(child))}
        else:
            yield _layer(child)


def _layer(node):
    layer = node.layer()
    placed = layer.isSpatial()
    return {
        "name": node.name(),
        "shown": node.isVisible(),
        "valid": layer.isValid(),
        "rows": layer.featureCount(),
        "crs": layer.crs().authid() if placed else None,
        "renderer": layer.renderer().type() if placed else None,
        "legend": [item.label() for item in layer.renderer().legendSymbolItems()] if placed else [],
        "labels": bool(placed and layer.labelsEnabled()),
        "aliases": {field.name(): field.alias() for field in layer.fields()},
        "tip": layer.mapTipTemplate(),
    }


application = QgsApplication([], False)
application.initQgis()
project = QgsProject.instance()
read = project.read(sys.argv[1])
root = project.layerTreeRoot()
settings = QgsMapSettings()
settings.setLayers(
    [layer for layer in root.layerOrder() if root.findLayer(layer.id()).isVisible() and layer.isSpatial()]
)
settings.setDestinationCrs(project.crs())
settings.setOutputSize(QSize(1200, 900))
settings.setBackgroundColor(QColor(255, 255, 255))
settings.setExtent(project.viewSettings().defaultViewExtent())
job = QgsMapRendererSequentialJob(settings)
job.start()
job.waitForFinished()
image = job.renderedImage()
image.save(sys.argv[2])
colours = {image.pixelColor(x, y).name() for x in range(0, 1200) for y in range(0, 900)}
print(json.dumps({
    "read": read, "crs": project.crs().authid(), "tree": list(_tree(root)), "colours": sorted(colours),
    "errors": [error.message for error in job.errors()],
}))  # fmt: skip
