"""A reviewer's decisions beside the points they concern, and where they stand."""

import pandas as pd
import pytest
from builders import DRAWN, job, occupations

from geoqa import pipeline
from geoqa.analysis.history import ReviewerDecisions
from geoqa.core.site import assembly


def reviewed(rows, *entries):
    names = ("action", "kind", "target", "guard", "new_point")
    table = pd.DataFrame({name: pd.Series([e[i] for e in entries], dtype="str") for i, name in enumerate(names)})
    table = table.assign(
        decision_id=range(1, len(entries) + 1), who="J. Reid", when="2026-02-20", why="seen", source_file="d.csv",
        source_line=range(2, len(entries) + 2),
    )  # fmt: skip
    frame, made, _, told = assembly.occupations([occupations(rows)], job(), None, table)
    aside = pd.DataFrame({c: pd.Series(dtype="str") for c in ("source_file", "reason", "row")})
    aside["source_line"] = pd.Series(dtype="int64")
    kept = pipeline.RunFrames({"occupations": frame, "set_aside": aside, "decisions": told})
    pipeline.run(pipeline.order([step() for step in (*DRAWN, ReviewerDecisions)]), kept, made)
    return kept


def test_a_reassigned_row_is_told_at_both_points():
    rows = [{"p": "A"}, {"p": "A", "t": 300}, {"p": "B", "e": 9, "t": 600}]
    kept = reviewed(rows, ("reassign", "occupation", "field.csv:3", "A", "B"), ("accept", "point", "B", None, None))
    told = kept["points"].set_index("point")["decision"]
    assert told["A"] == "field.csv:3 reassigned to B by J. Reid, 2026-02-20: seen"
    assert told["B"] == (
        "field.csv:3 reassigned from A by J. Reid, 2026-02-20: seen; accepted by J. Reid, 2026-02-20: seen"
    )


def test_a_row_stands_at_its_own_place_and_a_point_at_its_coordinate():
    rows = [{"p": "A"}, {"p": "A", "e": 0.02, "t": 300}]
    kept = reviewed(rows, ("accept", "occupation", "field.csv:3", "A", None), ("accept", "point", "A", None, None))
    row, point = kept["decisions"]["geometry"].array
    assert row.x == pytest.approx(1_600_000.02, abs=1e-6)
    assert point.x == pytest.approx(1_600_000.01, abs=1e-6)


def test_without_decisions_nothing_is_told():
    kept = reviewed([{"p": "A"}])
    assert kept["points"]["decision"].isna().all()
    assert len(kept["decisions"]) == 0
