"""Review a whole site of repeated RTK occupations.

    files --readers--> occupations --visits, closures, calibration, status--> closures, points
          --combination, uncertainty, delivery, ellipses--> points, ellipses --outputs--> map and files

`review(inputs, recipe)` returns a `Review`, whose `write(folder)` makes the files. Everything else
here is for people who write steps of their own. Names are imported when first used, so that the
command line starts quickly.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from geoqa.core.drawing import Cells, Drawing, Facet, Style, Table
    from geoqa.core.errors import GeoqaError
    from geoqa.core.job import Job, Recipe
    from geoqa.core.params import param
    from geoqa.core.recipe import Requirement, Tolerance
    from geoqa.core.steps import Analysis, Deliverable, Figure, MapLayer, Plot, Reader, ReadResult, Result, Writer
    from geoqa.reviews.review import Review, review

__all__ = [
    "Analysis",
    "Cells",
    "Deliverable",
    "Drawing",
    "Facet",
    "Figure",
    "GeoqaError",
    "Job",
    "MapLayer",
    "Plot",
    "ReadResult",
    "Reader",
    "Recipe",
    "Requirement",
    "Result",
    "Review",
    "Style",
    "Table",
    "Tolerance",
    "Writer",
    "param",
    "review",
]

_HOME = {
    "geoqa.core.drawing": ("Cells", "Drawing", "Facet", "Style", "Table"),
    "geoqa.core.errors": ("GeoqaError",),
    "geoqa.core.job": ("Job", "Recipe"),
    "geoqa.core.recipe": ("Requirement", "Tolerance"),
    "geoqa.core.steps": (
        "Analysis",
        "Deliverable",
        "Figure",
        "MapLayer",
        "Plot",
        "ReadResult",
        "Reader",
        "Result",
        "Writer",
        "param",
    ),
    "geoqa.reviews.review": ("Review", "review"),
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return import_module("importlib.metadata").version("geoqa-survey")
    for module, names in _HOME.items():
        if name in names:
            return getattr(import_module(module), name)
    raise AttributeError(f"module 'geoqa' has no attribute {name!r}")
