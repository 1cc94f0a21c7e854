"""What is said of every review that a recipe leads to: what it leaves unstated, asserts, or does not judge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoqa.core import geodesy

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job
    from geoqa.core.tolerances import Requirement
    from geoqa.plugins import Catalogue


def messages(job: Job, found: Catalogue, occupations: pd.DataFrame) -> list[str]:
    """Return what a recipe, and what is installed, let a person know whatever the points are."""
    said = [f"step left out: {reason}" for reason in found.refused.values()]
    said += (
        *geodesy.frame_said(job.site),
        *geodesy.feet_said(job),
        *(t for r in job.files for t in geodesy.feet_said(r.job)),
    )
    if occupations["height_m"].isna().all():
        said.append("no row has a height that is used: position only, everything is judged horizontally only")
    if job.requirement.horizontal_m is None and job.requirement.vertical_m is None:
        said.append(
            "no requirement is stated: nothing can be delivered where the role has none of its own. Add [requirement] "
            "with horizontal_m and vertical_m, the largest error of a delivered coordinate"
        )
    if not occupations["height_m"].isna().all() and not any("v" in r.judge for r in _requirements(job)):
        said.append('heights are read and not judged: judge = "h" under [requirement]')
    silent = [w for w, sigma in (("position", job.base.sigma_h_m), ("height", job.base.sigma_v_m)) if sigma is None]
    if silent:
        said.append(
            f"no uncertainty of the base's {' and '.join(silent)} is stated in [base]: coordinates and uncertainties "
            f"are relative to the base"
        )
    if job.input.initialization == "asserted":
        said.append(f"that every row is a fresh initialization is asserted by {job.input.asserted_by}, not shown")
    if job.input.initialization == "unknown":
        said.append("initializations are unknown: nothing shows that any two occupations are independent")
    return said


def _requirements(job: Job) -> list[Requirement]:
    return [job.requirement, *(role.requirement for role in job.roles.values())]
