"""What the labels of rows mean: rows that are no direct measurement, and columns that hold no labels at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core.errors import Fault, InputError
from geoqa.core.source import wanted

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: More labels than this are none: each canopy class is calibrated, and each set-up of a base compared with the others.
MOST = {"canopy": 200, "role": 200, "base": 10_000}
_WHAT = {"canopy": "canopy classes", "role": "roles", "base": "base set-ups"}
#: What people call a row of this method or origin.
_CALLED = {"staking": "staked", "offset": "by offset", "intersection": "by intersection", "traverse": "by traverse"}


def told(occupations: pd.DataFrame) -> tuple[str, ...]:
    """Return one message that counts the rows which form no pairs by what they are; none without any."""
    origin, method = (occupations[name].astype("category") for name in ("origin", "method"))
    counts = {word: int(n) for word, n in origin.value_counts().items() if n and word != "measured"}
    measured = origin == "measured"
    counts |= {word: int(n) for word, n in method[measured].value_counts().items() if n and word != "direct"}
    if not counts:
        return ()
    listed = ", ".join(f"{n} {_CALLED.get(str(word), word)}" for word, n in counts.items())
    rows = sum(counts.values())
    return (f"{rows} rows are no direct measurement, are kept as what they are and form no pairs: {listed}",)


def refuse_many(occupations: pd.DataFrame, job: Job) -> None:
    """Raise InputError, with every such column, where a column gives more different labels than there can be."""
    faults = []
    for name, most in MOST.items():
        found = occupations[name].astype("category").cat.remove_unused_categories().cat.categories
        if len(found) <= most:
            continue
        heading = wanted(job.columns).get(name)
        shown = ", ".join(repr(str(label)[:30]) for label in found[:3])
        problem = (
            f"gives {len(found):,} different {_WHAT[name]} ({shown}, ...), and at most {most:,} are taken for that:"
        )
        remedy = (
            "it is probably another column. Map the one that is meant, give its words a common one under "
            f"[input.values.{name}], or take the line away."
        )
        if name == "canopy" and job.canopy.areas and heading is None:
            faults.append(
                Fault(
                    f"[canopy] column = {job.canopy.column!r}",
                    problem,
                    remedy.replace("input.values.canopy", "canopy.values"),
                )
            )
        else:
            stated = "" if heading is None else f" = {heading!r}"
            faults.append(Fault(f"[input.columns] {name}{stated}", problem, remedy))
    if faults:
        raise InputError.from_faults("Columns hold something else than the recipe says:", faults)
