"""The canopy around each point, as files on it say, and where the crew's label says otherwise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from geoqa.core.canopy_contracts import ON_POINTS
from geoqa.core.steps import Analysis, Result

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Words that say of a class that it is none: they are compared with nothing.
MIXED = "mixed"
_SOURCES = (("mapped", "the areas say"), ("by_raster", "the raster says"))


@dataclass(frozen=True, kw_only=True)
class CanopyContext(Analysis):
    """Give each point the canopy that ``[canopy]`` knows around it, and list where the crew's label says otherwise.

    Only where the recipe names areas of cover or a raster of canopy heights. Words are compared without case.
    """

    name = "canopy-context"
    needs = ("canopy", "occupations", "points", "points.geometry")
    gives = (*(f"points.{name}" for name in ON_POINTS), "canopy_checks")

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return the columns of the points, and a row for each point whose sources disagree."""
        points = frames["points"]
        keyed = points[["point"]].copy()
        at = _rows_of(keyed["point"], frames["canopy"]["point"])
        for name in ON_POINTS:
            keyed[name] = frames["canopy"][name].array.take(at, allow_fill=True)
        checks = _checks(frames, keyed)
        return Result({"points": keyed, "canopy_checks": checks}, _messages(checks, keyed, frames["occupations"]))


def _rows_of(wanted: pd.Series, known: pd.Series) -> Any:
    """Return where each point stands among those known, -1 where it does not."""
    import pandas as pd

    return pd.Index(known.astype("str")).get_indexer(wanted.astype("str"))


def _checks(frames: Mapping[str, pd.DataFrame], keyed: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    points = frames["points"]
    table = pd.DataFrame(
        {
            "point": points["point"].astype("str").array,
            "canopy": points["canopy"].array,
            "labelled": _labels(frames["occupations"], points["point"]),
            "mapped": keyed["canopy_mapped"].array,
            "by_raster": keyed["canopy_raster"].array,
            "canopy_mean_m": keyed["canopy_mean_m"].array,
            "cover_fraction": keyed["cover_fraction"].array,
        }
    )
    words = {name: _plain(table[name]) for name in ("labelled", "mapped", "by_raster")}
    pairs = (("labelled", "mapped"), ("labelled", "by_raster"), ("mapped", "by_raster"))
    differ = sum(((words[a] != words[b]) & (words[a] != "") & (words[b] != "") for a, b in pairs)) > 0
    table["geometry"] = points["geometry"].array
    table = table[differ.to_numpy()].reset_index(drop=True)
    message = [_said(row) for row in table.drop(columns="geometry").to_dict("records")]
    table.insert(len(table.columns) - 1, "message", pd.Series(message, dtype="str"))
    return table


def _labels(occupations: pd.DataFrame, points: pd.Series) -> pd.Categorical:
    """Return the crew's label of each point: that of its rows, `mixed` where they differ."""
    import numpy as np
    import pandas as pd

    from geoqa.core.groups import first_known

    column = occupations["canopy_label" if "canopy_label" in occupations else "canopy"].astype("category")
    code, mixed = first_known(
        column.cat.codes.to_numpy().astype(np.int64), _rows_of(occupations["point"], points), len(points)
    )
    known = [str(word) for word in column.cat.categories]
    words = known if MIXED in known else [*known, MIXED]
    return pd.Categorical.from_codes(np.where(mixed, words.index(MIXED), code), categories=words)


def _plain(words: pd.Series) -> pd.Series:
    """Return words as they are compared; nothing for what names no class."""
    plain = words.astype("str").str.strip().str.casefold().fillna("")
    return plain.where(plain != MIXED, "")


def _said(row: dict[str, Any]) -> str:
    said = [f"{who} {row[name]}" for name, who in _SOURCES if isinstance(row[name], str)]
    height = row["canopy_mean_m"]
    if isinstance(row["by_raster"], str) and height == height:
        said[-1] += f" (mean height {height:.1f} m, cover {row['cover_fraction']:.0%})"
    label = f"labelled {row['labelled']}" if isinstance(row["labelled"], str) else "no label"
    return f"{label}; {', '.join(said)}; {row['canopy']} counts"


def _messages(checks: pd.DataFrame, keyed: pd.DataFrame, occupations: pd.DataFrame) -> tuple[str, ...]:
    """Say how many labels are contradicted, and where no word of the one is a word of the other."""
    labels = _plain(occupations["canopy_label" if "canopy_label" in occupations else "canopy"])
    found = []
    for name, column, who, remedy in (
        ("mapped", "canopy_mapped", "the areas", "[canopy.values]"),
        ("by_raster", "canopy_raster", "the raster's classes", "[canopy.classes]"),
    ):
        words = set(_plain(keyed[column])) - {""}
        if words and set(labels) - {""} and not words & set(labels):
            listed = ", ".join(sorted(words)[:5])
            found.append(f"no word of {who} ({listed}) is one of the crew's: name the crew's classes in {remedy}")
            continue
        both = (_plain(checks["labelled"]) != "") & (_plain(checks[name]) != "")
        against = int((both & (_plain(checks["labelled"]) != _plain(checks[name]))).sum())
        if against:
            listed = f"{against} points: their label is not what {who} say (layer canopy_checks)"
            found.append(
                listed.replace("1 points: their label is", "1 point: its label is") if against == 1 else listed
            )
    return tuple(found)
