"""run.json: what was read, with what recipe, by which steps and versions, and what came of it."""

from __future__ import annotations

import hashlib
import json
import math
import platform
from collections.abc import Mapping
from importlib import metadata
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

#: Distributions whose versions can change a number.
LIBRARIES = ("numpy", "pandas", "pyarrow", "geopandas", "shapely", "pyproj", "pyogrio", "scipy", "folium")


def versions() -> dict[str, str]:
    """Return the versions of geoqa, Python, PROJ and the libraries that can change a number."""
    import pyproj

    found = {"geoqa": metadata.version("geoqa-survey"), "python": platform.python_version()}
    found |= {name: metadata.version(name) for name in LIBRARIES}
    return found | {"PROJ": pyproj.proj_version_str}


def statements(frames: Mapping[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Return each statement with its figures (lengths in metres, None where withheld) and its conditions."""
    if "statements" not in frames:
        return []
    asked = frames.get("statement_conditions")
    by: dict[str, list[dict[str, str]]] = {}
    for row in () if asked is None else asked.itertuples(index=False):
        by.setdefault(row.statement, []).append({"condition": row.condition, "met": row.met, "found": row.found})
    table = frames["statements"]
    return [
        {
            "name": row.statement,
            "standard": row.standard,
            "n": int(row.n),
            "outcome": row.outcome,
            "figures": json.loads(row.figures) if isinstance(row.figures, str) else None,
            "refused": row.reason if isinstance(row.reason, str) else None,
            "text": row.text,
            "conditions": by.get(row.statement, []),
        }
        for row in table.itertuples(index=False)
    ]


def review_id(record: Mapping[str, Any]) -> str:
    """Return what tells a review from others: ten digits of a hash of what it was made of, in two groups.

    Of the inputs' names, contents and readers, the completed recipe, the versions of geoqa and of the plugins used,
    and the review that it was compared with. The same review made again has the same.
    """
    made_of = {
        "inputs": [{key: one[key] for key in ("file", "sha256", "reader")} for one in record["inputs"]],
        **{key: record.get(key) for key in ("recipe", "since")},
        "version": record["versions"]["geoqa"],
        "plugins": record["plugins"]["used"],
    }
    digits = hashlib.sha256(json.dumps(_plain(made_of), sort_keys=True).encode()).hexdigest()
    return f"{digits[:5]}-{digits[5:10]}"


def text(record: Mapping[str, Any]) -> str:
    """Return the record as JSON; numbers that are not finite become null."""
    return json.dumps(_plain(record), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
