"""The canopy around each point, where the crew's label says otherwise, and what canopy costs on this site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from geoqa.analysis.occupations import measured_rows
from geoqa.core.arrays import Frames, pd
from geoqa.core.frames import wording
from geoqa.core.frames.canopy import MEASURED, ON_POINTS
from geoqa.core.job import Job
from geoqa.core.params import param
from geoqa.core.steps import Analysis, Result
from geoqa.core.units import counted

_SOURCES = (("mapped", "the areas say"), ("by_raster", "the raster says"))


@dataclass(frozen=True, kw_only=True)
class CanopyContext(Analysis):
    """Give each point the canopy that ``[canopy]`` knows around it, and list where the crew's label says otherwise.

    Only where the recipe names areas of cover or a raster of canopy heights. Words are compared without case.
    """

    name = "canopy-context"
    needs = ("canopy", "occupations", "points", "points.geometry")
    gives = (*(f"points.{name}" for name in ON_POINTS), "canopy_checks")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return the columns of the points, and a row for each point whose sources disagree."""
        points = frames["points"]
        keyed = points[["point"]].copy()
        at = measured_rows.codes_in(keyed["point"], pd.Index(frames["canopy"]["point"]))
        for name in ON_POINTS:
            keyed[name] = frames["canopy"][name].array.take(at, allow_fill=True)
        checks = _checks(frames, keyed)
        return Result({"points": keyed, "canopy_checks": checks}, _messages(checks, keyed, frames["occupations"]))


def _checks(frames: Frames, keyed: pd.DataFrame) -> pd.DataFrame:
    points = frames["points"]
    occupations = frames["occupations"]
    labels = occupations["canopy_label" if "canopy_label" in occupations else "canopy"]
    of = measured_rows.codes_in(occupations["point"], pd.Index(points["point"]))
    labelled, mixed = measured_rows.shared_labels(labels, of, len(points))
    table = pd.DataFrame(
        {
            "point": points["point"].astype("str").array,
            "canopy": points["canopy"].array,
            "labelled": labelled,
            "mapped": keyed["canopy_mapped"].array,
            "by_raster": keyed["canopy_raster"].array,
            "canopy_mean_m": keyed["canopy_mean_m"].array,
            "cover_fraction": keyed["cover_fraction"].array,
        }
    )
    words = {name: _plain(table[name]) for name in ("labelled", "mapped", "by_raster")}
    pairs = (("labelled", "mapped"), ("labelled", "by_raster"), ("mapped", "by_raster"))
    differ = sum(((words[a] != words[b]) & (words[a] != "") & (words[b] != "") for a, b in pairs)) > 0
    differ = differ.to_numpy()
    label = table["labelled"].astype("object").mask(mixed, wording.MIXED)
    shown = table.assign(canopy=wording.cover(points).array, labelled=label)[differ].to_dict("records")
    message = pd.Series([_sources_text(row) for row in shown], dtype="str")
    return table[differ].reset_index(drop=True).assign(message=message, geometry=points["geometry"].array[differ])


def _plain(words: pd.Series) -> pd.Series:
    """Return words as they are compared; nothing for what names no class."""
    return words.astype("str").str.strip().str.casefold().fillna("")


def _sources_text(row: dict[str, Any]) -> str:
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
        label, other = _plain(checks["labelled"]), _plain(checks[name])
        against = int(((label != "") & (other != "") & (label != other)).sum())
        if against:
            whose = "1 point: its" if against == 1 else f"{against} points: their"
            found.append(f"{whose} label is not what {who} say (layer canopy_checks)")
    return tuple(found)


@dataclass(frozen=True, kw_only=True)
class CanopyCosts(Analysis):
    """Compare closures, shares beyond tolerance and late fixes between canopy classes, and against what a raster says.

    A point counts once: its closure is the median over its pairs of different visits, its wait that of the first
    attempt there; one whose closures a shift explains is left out. Classes are compared by Kruskal and Wallis, one
    class with another by Mann and Whitney; a yes or no against a measure by a logistic fit on a curve that may bend.
    What differs between places differs in more than canopy: crews, days, slopes.
    """

    name = "canopy-costs"
    needs = ("occupations", "occupations.visit", "occupations.visit_v", "closures", "points", "classes")
    uses = ("shifts", "shifted", *(f"points.{name}" for name in MEASURED), "convergence")
    gives = ("canopy_costs", "canopy_curves", "canopy_tests")

    least: int = param(
        10, unit="1", minimum=5, maximum=1000,
        help="Points of either kind, beyond tolerance and not, that a curve needs",
    )  # fmt: skip
    patience_s: float = param(60.0, unit="s", above=0, maximum=3600, help="A fix that holds only after this is late")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return a row for each class and each quarter of a measure, the curves, and the tests."""
        from geoqa.analysis import _canopy_table

        found = _canopy_table.points(frames, self.patience_s)
        groups = _canopy_table.groups(found)
        costs = _canopy_table.costs(found, groups, frames, job)
        tests, curves = _canopy_table.tests(found, groups, self.least)
        messages = wording.canopy_sentences(costs, tests, curves, self.patience_s)
        pairs = int(found.pairs.part.explained.sum())
        if pairs or len(found.left_out):  # what these figures are without
            messages.append(
                f"canopy is compared without what shifts explain: {counted(len(found.left_out), 'point')} left out, "
                f"{counted(pairs, 'pair')} of visits with a shift's offset taken off"
            )
        return Result({"canopy_costs": costs, "canopy_curves": curves, "canopy_tests": tests}, tuple(messages))
