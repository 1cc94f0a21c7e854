"""The schemas that the standards themselves publish, to hold written files against."""

from __future__ import annotations

import gzip
import importlib.util
from functools import cache
from pathlib import Path

import pytest
from lxml import etree

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


@cache
def _schema(name: str) -> etree.XMLSchema | None:
    if name == "KML 2.2":  # OGC 07-147r2, as the package fastkml brings it
        found = importlib.util.find_spec("fastkml")
        path = Path(found.origin).parent / "schema" / "ogckml22.xsd" if found and found.origin else None
        return etree.XMLSchema(etree.parse(str(path))) if path and path.is_file() else None
    path = DATA / {"LandXML 1.2": "LandXML-1.2.xsd.gz", "GPX 1.1": "gpx-1.1.xsd.gz"}[name]
    return etree.XMLSchema(etree.fromstring(gzip.decompress(path.read_bytes()))) if path.is_file() else None


def validate(path: Path, name: str) -> None:
    """Fail with every fault of the file against the schema of a standard; skip where the schema is not at hand."""
    schema = _schema(name)
    if schema is None:
        pytest.skip(f"the schema of {name} is not at hand")
    schema.validate(etree.parse(str(path)))
    assert not schema.error_log, "\n".join(str(error) for error in schema.error_log)
