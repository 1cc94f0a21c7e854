"""Review a whole site of repeated RTK occupations.

    files --readers--> occupations --visits, closures, calibration, status--> closures, points
          --combination, uncertainty, delivery, ellipses--> points, ellipses --outputs--> map and files

`review(inputs, recipe)` returns a `Review`, whose `write(folder)` makes the files. Everything else
here is for people who write steps of their own.
"""

from geoqa.core.drawing import Drawing, Style
from geoqa.core.errors import GeoqaError
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, MapLayer, Reader, ReadResult, Result, param
from geoqa.core.tolerances import Requirement, Tolerance
from geoqa.review import Review, review

__version__ = "0.1.0"

__all__ = [
    "Analysis",
    "Drawing",
    "GeoqaError",
    "Job",
    "MapLayer",
    "ReadResult",
    "Reader",
    "Requirement",
    "Result",
    "Review",
    "Style",
    "Tolerance",
    "param",
    "review",
]
