"""Run by the system's Python, which has QGIS: run the plugin's algorithms, print what came of it as JSON.

    run_provider.py PLUGINS SITE GEOQA

PLUGINS holds geoqa_provider; SITE occupations.csv and site.toml; GEOQA is a command to state.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

plugins, site, geoqa = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
sys.path[:0] = [str(plugins)]
sys.path.append("/usr/share/qgis/python/plugins")

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsFeature,
    QgsGeometry,
    QgsMapRendererSequentialJob,
    QgsMapSettings,
    QgsPointXY,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingFeedback,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize  # noqa: E402
from qgis.PyQt.QtGui import QColor  # noqa: E402

application = QgsApplication([], True)  # with widgets, offscreen: a batch is one of its dialogs
application.initQgis()

import processing  # noqa: E402
from processing.core.Processing import Processing  # noqa: E402
from processing.core.ProcessingConfig import ProcessingConfig  # noqa: E402
from processing.gui.BatchAlgorithmDialog import BatchAlgorithmDialog, resultsList  # noqa: E402
from processing.gui.BatchPanel import QFileDialog  # noqa: E402

Processing.initialize()
import geoqa_provider  # noqa: E402

plugin = geoqa_provider.classFactory(None)
plugin.initProcessing()
registry = QgsApplication.processingRegistry()
seen = {}
files, recipe = [str(site / "occupations.csv")], str(site / "site.toml")


class Log(QgsProcessingFeedback):
    """Keeps what is said, and cancels after a time where it is told to."""

    def __init__(self, cancel_s=None):
        super().__init__(False)
        self.said, self.warned, self.when = [], [], []
        if cancel_s is not None:
            threading.Timer(cancel_s, self.cancel).start()

    def pushInfo(self, text):  # noqa: N802
        self.said.append(text)
        self.when.append(time.monotonic())

    def pushWarning(self, text):  # noqa: N802
        self.warned.append(text)


def ran(name, parameters, log=None, load=False):
    """Return the results of an algorithm, or what it failed with."""
    log = log or Log()
    call = processing.runAndLoadResults if load else processing.run
    try:
        made = call(name, parameters, feedback=log)
        return {key: value for key, value in made.items() if isinstance(value, (str, int, float, bool))}
    except QgsProcessingException as error:
        return {"error": str(error)}


def hashes(folder):
    """Return what stands for each file of a folder."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def points(source):
    """Return what a layer of points says of each."""
    layer = QgsVectorLayer(source, "", "ogr") if isinstance(source, str) else source
    return sorted((f["point"], f["status"], f["deliver"], str(f["easting_m"])) for f in layer.getFeatures())


provider = registry.providerById("geoqa")
seen["algorithms"] = sorted(one.name() for one in provider.algorithms())
seen["parameters"] = {
    one.name(): {p.name(): p.help() for p in one.parameterDefinitions()} for one in provider.algorithms()
}

# Files, with the layers loaded into the project.
log = Log()
seen["files"] = ran("geoqa:review", {"OCCUPATIONS": files, "RECIPE": recipe, "OUTPUT": str(site / "files")}, log, True)
seen["warned"], seen["said"] = log.warned, log.said
root = QgsProject.instance().layerTreeRoot()
seen["groups"] = [group.name() for group in root.children()]
shown = root.children()[0].children()
seen["layers"] = [[node.name(), node.itemVisibilityChecked(), node.layer().renderer().type()] for node in shown]
seen["points"] = points(seen["files"]["POINTS_LAYER"])
settings = QgsMapSettings()
settings.setLayers([node.layer() for node in shown if node.itemVisibilityChecked()])
settings.setDestinationCrs(shown[0].layer().crs())
settings.setOutputSize(QSize(900, 600))
settings.setBackgroundColor(QColor(255, 255, 255))
extent = QgsVectorLayer(seen["files"]["POINTS_LAYER"], "", "ogr").extent()
extent.scale(1.4)
settings.setExtent(extent)
job = QgsMapRendererSequentialJob(settings)
job.start()
job.waitForFinished()
image = job.renderedImage()
image.save(str(site / "picture.png"))
seen["colours"] = sorted({image.pixelColor(x, y).name() for x in range(900) for y in range(600)})
QgsProject.instance().removeAllMapLayers()

# A layer of a file, one with an edit that is not saved, and one whose fields differ by case, by a form.
text = QgsVectorLayer(
    f"file://{files[0]}?delimiter=,&xField=E&yField=N&zField=H&crs=EPSG:2193", "field", "delimitedtext"
)
log = Log()
seen["layer"] = ran("geoqa:review", {"LAYER": text, "RECIPE": recipe, "OUTPUT": str(site / "layer")}, log)
seen["layer said"] = log.said[0]
seen["layer points"] = points(seen["layer"]["POINTS_LAYER"])
memory = QgsVectorLayer(
    "PointZ?crs=EPSG:2193&field=Mark:string&field=mark:string&field=sH:double&field=sV:double&field=T:string"
    "&field=Init:string", "tramp", "memory",
)  # fmt: skip
for row in text.getFeatures():
    made = QgsFeature(memory.fields())
    made.setGeometry(row.geometry())
    made.setAttributes([row["Mark"], "x", float(row["sH"]), float(row["sV"]), "2026-02-02T08:00:00Z", row["Init"]])
    memory.dataProvider().addFeature(made)
far = QgsFeature(memory.fields())
far.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(1700000, 5400000)))
memory.dataProvider().addFeature(far)
memory.selectByExpression('"Mark" is not null and "Mark" <> \'A3\'')
form = {
    "LAYER": QgsProcessingFeatureSourceDefinition(memory.id(), selectedFeaturesOnly=True), "POINT_FIELD": "Mark",
    "PRECISION_FIELD": "sH", "PRECISION_V_FIELD": "sV", "INITIALIZATION_FIELD": "Init", "HEIGHT_REFERENCE": "NZVD2016",
    "PRECISION": "sigma", "TOLERANCE_H": 0.05, "TOLERANCE_V": 0.08, "REQUIREMENT_H": 0.05, "REQUIREMENT_V": 0.1,
    "OUTPUT": str(site / "form"),
}  # fmt: skip
QgsProject.instance().addMapLayer(memory)
log = Log()
seen["form"] = ran("geoqa:review", form, log)
seen["form warned"], seen["form said"] = log.warned, log.said
seen["form again"] = ran("geoqa:review", dict(form, TOLERANCE_H=0.07))

# What goes wrong.
(site / "wrong.toml").write_text('[site]\nname = "x"\ncrs = "?"\nheigt = "y"\n[tolerance]\n', encoding="utf-8")
wrong = {"OCCUPATIONS": files, "RECIPE": str(site / "wrong.toml"), "OUTPUT": str(site / "wrong")}
seen["wrong"] = ran("geoqa:review", wrong)
right = {"OCCUPATIONS": files, "RECIPE": recipe, "OUTPUT": str(site / "files")}
before = hashes(site / "files")
log = Log(0.7)
began = time.monotonic()
seen["cancelled"] = ran("geoqa:review", right, log)
seen["cancelled"]["seconds"] = time.monotonic() - began
seen["cancelled"]["as before"] = len(before) > 5 and hashes(site / "files") == before
seen["settings"] = [
    [one.name, one.description] for one in ProcessingConfig.getSettings()["geoqa"] if one.name[:5] == "GEOQA"
]
stated = ProcessingConfig.settings["GEOQA_EXE"]
stated.setValue(files[0])  # the page itself refuses what is not there
stated.save()
seen["set"] = ran("geoqa:review", right)
stated.setValue("")
stated.save()
os.environ["GEOQA_EXE"] = "/nowhere/geoqa"
seen["missing"] = ran("geoqa:review", right)
broken = site / "broken.sh"
broken.write_text(
    '#!/bin/sh\ncase "$1" in --version) echo "geoqa, version 9.9";; *) echo deliberate >&2; exit 70;; esac\n'
)
broken.chmod(0o755)
os.environ["GEOQA_EXE"] = str(broken)
log = Log()
seen["failed"] = ran("geoqa:review", right, log)
seen["other version"] = log.warned
os.environ["GEOQA_EXE"] = geoqa
seen["stated"] = ran("geoqa:zones", {"REVIEW": str(site / "files"), "LEVEL": 0.1, "OUTPUT": str(site / "zones.gpkg")})
del os.environ["GEOQA_EXE"]

# A batch of three, the second of which is wrong; and what the toolbox costs beside the command.
rows = [
    {
        "PARAMETERS": {"OCCUPATIONS": repr(files), "RECIPE": repr(str(site / name))},
        "OUTPUTS": {"OUTPUT": str(site / out)},
    }
    for name, out in (("site.toml", "batch1"), ("wrong.toml", "batch2"), ("site.toml", "batch3"))
]
(site / "batch.json").write_text(json.dumps(rows), encoding="utf-8")
QFileDialog.getOpenFileName = staticmethod(lambda *_: (str(site / "batch.json"), ""))
dialog = BatchAlgorithmDialog(registry.algorithmById("geoqa:review").create())
dialog.mainWidget().load()
dialog.runAlgorithm()
summary = next(one for one in resultsList.getResults() if "[summary]" in one.name)
seen["batch"] = Path(summary.filename).read_text(encoding="utf-8")
seen["seconds"] = []
for k in range(int(os.environ.get("GEOQA_TIMES", "0"))):
    out = str(site / f"timed{k}")
    began = time.monotonic()
    ran("geoqa:review", dict(right, OUTPUT=out))
    middle = time.monotonic()
    subprocess.run([geoqa, "review", "-v", *files, "-r", recipe, "-o", out + "plain"], capture_output=True, check=False)
    seen["seconds"].append([middle - began, time.monotonic() - middle])

# In a model, with another algorithm behind it.
model = QgsProcessingModelAlgorithm("two steps", "test")
files_, out = QgsProcessingModelParameter("files"), QgsProcessingModelParameter("out")
model.addModelParameter(QgsProcessingParameterMultipleLayers("files", "files", 3), files_)
model.addModelParameter(QgsProcessingParameterFolderDestination("out", "out"), out)
first = QgsProcessingModelChildAlgorithm("geoqa:review")
first.setChildId("review")
of = QgsProcessingModelChildParameterSource
first.addParameterSources("OCCUPATIONS", [of.fromModelParameter("files")])
first.addParameterSources("RECIPE", [of.fromStaticValue(recipe)])
first.addParameterSources("OUTPUT", [of.fromStaticValue(str(site / "model"))])
second = QgsProcessingModelChildAlgorithm("native:buffer")
second.setChildId("buffer")
second.addParameterSources("INPUT", [of.fromChildOutput("review", "POINTS_LAYER")])
second.addParameterSources("DISTANCE", [of.fromStaticValue(1)])
buffered = QgsProcessingModelOutput("buffered")
buffered.setChildOutputName("OUTPUT")
buffered.setChildId("buffer")
second.setModelOutputs({"buffered": buffered})
model.addChildAlgorithm(first)
model.addChildAlgorithm(second)
model.initAlgorithm()
context = QgsProcessingContext()
context.setProject(QgsProject.instance())
result, fine = model.run({"files": files, "buffer:buffered": str(site / "buffered.gpkg")}, context, Log())
areas = QgsVectorLayer(str(site / "buffered.gpkg"), "", "ogr")
seen["model"] = {"fine": fine, "areas": areas.featureCount(), "kind": areas.geometryType()}

# The rest.
taken = QgsVectorLayer(seen["files"]["OCCUPATIONS_LAYER"], "occupations", "ogr")
taken.selectByIds([next(taken.getFeatures()).id()])
QgsProject.instance().addMapLayer(taken)
decision = {
    "SELECTED": QgsProcessingFeatureSourceDefinition(taken.id(), selectedFeaturesOnly=True), "ACTION": "reject",
    "KIND": "occupation", "WHO": "J. Reid", "WHY": "false fix, in the log", "OUTPUT": str(site / "decisions.csv"),
}  # fmt: skip
seen["decide"] = ran("geoqa:decide", decision)
seen["decide again"] = ran("geoqa:decide", decision)
decided = dict(right, OUTPUT=str(site / "decided"), DECISIONS=str(site / "decisions.csv"), EARLIER=str(site / "files"))
seen["decided"] = ran("geoqa:review", decided)
seen["compare"] = ran("geoqa:compare", {"A": str(site / "files"), "B": str(site / "decided")})
seen["deliver"] = ran("geoqa:deliver", {"REVIEW": str(site / "files"), "ALSO": ["csv", "geojson"], "ALL_POINTS": True})
seen["report"] = ran("geoqa:report", {"REVIEW": str(site / "files"), "OUTPUT": str(site / "report")})
seen["recipe"] = ran("geoqa:recipe", {"OCCUPATIONS": files, "OUTPUT": str(site / "proposed.toml")})
print(json.dumps(seen, default=str))
sys.stdout.flush()
os._exit(0)  # what the GIS does at its end is not ours
