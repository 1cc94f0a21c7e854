"""What may be claimed of the site, in the terms of each standard, and what may not and why."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geoqa.core.control_contracts import CHECK
from geoqa.core.schema import DELIVERIES
from geoqa.core.steps import Analysis, Result, param

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

    from geoqa.analysis.statements.statement import Checks, Statement
    from geoqa.core.job import Job


@dataclass(frozen=True, kw_only=True)
class Statements(Analysis):
    """State accuracy and precision in each standard's own terms, with every condition met or not.

    Accuracy comes from checks against independent control alone; what repeated occupations show is
    repeatability. Where a standard asks for what is not there (too few check points, an empty quadrant,
    control of unknown origin, a failed closure) the figure is withheld and the reason is stated.
    """

    name = "statements"
    needs = (
        "occupations", "occupations.use", "occupations.fix", "closures", "classes", "points", "points.easting_m",
        "points.northing_m", "points.var_e_m2", "points.var_n_m2", "points.cov_en_m2", "points.var_u_m2",
        "points.radius95_m", "points.up95_m", "points.deliver", "control_checks", "line_precision", "field_test",
    )  # fmt: skip
    gives = ("statements", "statement_conditions")

    unusual: float | None = param(
        None,
        unit="1",
        above=0,
        below=0.5,
        help="Level of the test that control shows no bias; where not stated that of control-checks",
    )

    def run(self, frames: Mapping[str, pd.DataFrame], job: Job) -> Result:
        """Return `statements`, one row each, and `statement_conditions`, one row a condition."""
        from geoqa.analysis.control import ControlChecks

        level = ControlChecks.as_set(job).unusual if self.unusual is None else self.unusual
        checks = checks_of(frames, job)
        made = [
            *_accuracy(checks, job),
            *_classes(frames, checks, job, level),
            *_field_test(frames, job),
            *_lines(frames),
        ]
        unit, up = job.input.unit, job.input.height_unit
        return Result(_frames(made, unit, up))


def checks_of(frames: Mapping[str, pd.DataFrame], job: Job) -> Checks:
    """Return the checks against independent control as the statements need them."""
    import numpy as np

    from geoqa.analysis import known
    from geoqa.analysis.statements.statement import Checks

    table, points = frames["control_checks"], frames["points"]
    table = table[table["setup"].isna()]
    is_check = (table["use"] == CHECK).to_numpy(bool)
    mine = table[is_check]

    def numbers(*columns: str) -> np.ndarray:
        return mine[list(columns)].to_numpy(dtype=float, na_value=np.nan)

    there = points[["easting_m", "northing_m"]].to_numpy(dtype=float, na_value=np.nan)
    place = numbers("easting_m", "northing_m")
    there = np.vstack([there[~np.isnan(there[:, 0])], place])
    low, high = (there.min(axis=0), there.max(axis=0)) if len(there) else (np.zeros(2), np.zeros(2))
    open_words = frozenset(word.casefold() for word in job.control.open_cover)
    cover = [
        -1 if word is None or word == "mixed" else int(word.casefold() in open_words)
        for word in mine["canopy"].astype(object).where(mine["canopy"].notna(), None)
    ]
    return Checks(
        difference=numbers("de_m", "dn_m", "du_m"),
        place=place,
        cover=np.array(cover, np.int64),
        control_sigma=numbers("sigma_h_m", "sigma_v_m"),
        determined_sigma=numbers("determined_sigma_h_m", "determined_sigma_v_m"),
        extent=(float(low[0]), float(low[1]), float(high[0]), float(high[1])),
        source=(job.control.source or "").strip() or None,
        outliers=tuple(mine.loc[mine["outlier"].to_numpy(bool), "point"].astype("str")),
        no_check=int((~is_check).sum()),
        pairs=len(frames["closures"]),
        oriented_unknown=known.oriented_unknown(job),
    )


def _accuracy(checks: Checks, job: Job) -> list[Statement]:
    from geoqa.analysis.statements import asprs, nssda, rmse

    targets = asprs.Targets(job.control.target_rmse_h_m, job.control.target_rmse_v_m)
    made = [
        rmse.state(checks),
        nssda.state(checks),
        asprs.edition_1_open(checks),
        asprs.edition_2_open(checks, targets),
    ]
    if (checks.cover == 0).any():
        made += [asprs.edition_1_vegetated(checks), asprs.edition_2_vegetated(checks)]
    return made


def _classes(frames: Mapping[str, pd.DataFrame], checks: Checks, job: Job, level: float) -> list[Statement]:
    import numpy as np

    from geoqa.analysis.real_time import observed
    from geoqa.analysis.statements import ngs92, real_time
    from geoqa.analysis.statements.statement import doubts

    _, found = observed(frames["occupations"])
    _, states = real_time.best(found)
    made = [real_time.state(wanted, each) for wanted, each in zip(real_time.CLASSES, states, strict=True)]
    points = frames["points"]
    given = points[(points["deliver"] == DELIVERIES[0]).to_numpy(bool)]
    radius, up = (given[c].to_numpy(dtype=float, na_value=np.nan) for c in ("radius95_m", "up95_m"))
    stated = job.base.sigma_h_m is not None and (job.base.sigma_v_m is not None or bool(np.isnan(up).all()))
    biased = _biased(frames, job, level)
    return [*made, ngs92.state(radius, up, job.site.height, stated, checks.n, biased, doubts(checks))]


def _biased(frames: Mapping[str, pd.DataFrame], job: Job, level: float) -> bool | None:
    """Return whether checks show an error that all points share; None where nothing can tell."""
    import numpy as np
    import pandas as pd

    from geoqa.analysis.control import biases

    table, points = frames["control_checks"], frames["points"]
    table = table[table["setup"].isna()]
    at = pd.Index(points["point"].astype("str")).get_indexer(table["point"].astype("str"))
    p = np.array([found.p for found in biases(table, points.iloc[at], job)])
    known = p[np.isfinite(p)]
    return bool((known < level).any()) if len(known) else None


def _field_test(frames: Mapping[str, pd.DataFrame], job: Job) -> list[Statement]:
    from geoqa.analysis.statements import iso17123

    return [iso17123.state(frames["field_test"], job.field_test)] if len(frames["field_test"]) else []


def _lines(frames: Mapping[str, pd.DataFrame]) -> list[Statement]:
    from geoqa.analysis import adjacent
    from geoqa.analysis.statements import line_precision

    made = []
    for name, rows in frames["line_precision"].groupby("line", sort=False, observed=True):
        corners = rows["from_point"].tolist() + rows["to_point"].tolist()
        legs = line_precision.Legs(
            name=str(name),
            labels=[f"{a}-{b}" for a, b in zip(rows["from_point"], rows["to_point"], strict=True)],
            outcome=rows["outcome"].tolist(),
            reasons=rows["reason"].fillna("").tolist(),
            semi_major_m=rows["semi_major_m"].to_numpy(dtype=float),
            allowed_m=rows["allowed_m"].to_numpy(dtype=float),
            calibrated=adjacent.calibrated(corners, frames["points"], frames["classes"]),
        )
        made.append(line_precision.state(legs))
    return made


def _frames(made: Sequence[Statement], unit: str, up: str) -> dict[str, pd.DataFrame]:
    """Return the statements and their conditions as frames."""
    import numpy as np
    import pandas as pd

    def text(values: list[str | None]) -> pd.Series:
        return pd.Series(values, dtype="str")

    figures = [
        None if s.figures is None else json.dumps({f.name: round(float(f.value), 6) for f in s.figures}) for s in made
    ]
    statements = pd.DataFrame(
        {
            "statement": text([s.name for s in made]),
            "standard": text([s.standard for s in made]),
            "n": np.array([s.n for s in made], np.int64),
            "outcome": text([s.outcome for s in made]),
            "text": text([s.words(unit, up) for s in made]),
            "reason": text([s.refusal for s in made]),
            "figures": text(figures),
        }
    )
    rows = [(s.name, c.text, c.met, c.found) for s in made for c in s.conditions]
    columns = ("statement", "condition", "met", "found")
    conditions = pd.DataFrame({c: text([row[i] for row in rows]) for i, c in enumerate(columns)})
    return {"statements": statements, "statement_conditions": conditions}
