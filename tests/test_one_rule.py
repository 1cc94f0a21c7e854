"""A rule that is set once holds wherever it is asked, and wherever it is told."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
import sites
from analysis.builders import STEPS, job, occupations, run

import geoqa
from geoqa.analysis.control.check_log import CheckLog
from geoqa.analysis.points.detectability import Detectability
from geoqa.core.recipe import Control
from geoqa.outputs.report import html_report

PACKAGE = Path(geoqa.__file__).parent
SAME = {"s": 0.008, "sv": 0.012}
KNOWN = {"p": "CP1", "origin": "control", "fix": None, "t": None, "s": 0.003, "sv": 0.004}


def made(**steps):
    return replace(job(), control=Control(), steps=steps)


@pytest.mark.parametrize(("gap_min", "tested"), [(20, True), (60, False), (30, True)])
def test_two_check_shots_of_one_visit_show_no_drift_whatever_a_visit_is(gap_min, tested):
    rows = [KNOWN, *({"p": "CP1", "e": e, "t": t, "base": "B"} | SAME for e, t in ((0, 0), (0.03, 30)))]
    kept, _ = run(occupations(rows), made(visits={"separation_h_min": gap_min}), (*STEPS, CheckLog))
    assert kept["check_log"]["horizontal_m"].notna().tolist() == [tested]


def two_visits():
    return occupations([{"p": "A", "t": 0, "e": 0} | SAME, {"p": "A", "t": 300, "e": 0.01} | SAME])


def test_what_a_pair_detects_goes_by_the_level_that_its_status_goes_by():
    def found(level=None, **steps):
        own = {} if level is None else {"detectability": {"unusual": level}}
        kept, _ = run(two_visits(), made(**steps), (*STEPS, Detectability), own)
        return kept["points"]["detectable_h_m"].iloc[0]

    strict = {"point-status": {"unusual": 0.001}}
    assert found(**strict) == pytest.approx(found(0.001), rel=1e-12)
    assert found(**strict) > 1.05 * found()


def test_the_report_tells_the_gaps_that_the_run_had(tmp_path):
    recipe = (
        sites.RECIPE + "[step.visits]\nseparation_h_min = 30\nseparation_v_min = 50\n[step.closures]\nstaggered_h = 3\n"
    )
    review = geoqa.review(*sites.write(tmp_path, recipe=recipe))
    page = html_report.page(
        html_report.document(review.frames, review.job, json.loads(json.dumps(review.run_record(), default=str)))
    )
    assert "30 min apart or more; for the height 50 min" in page
    assert "3 h apart or more, under another sky" in page


def test_no_text_states_the_gap_of_a_visit():
    """Comments, docstrings and sentences alike: the figure has one owner."""
    texts = {path: path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")}
    found = {
        str(path.relative_to(PACKAGE))
        for path, text in texts.items()
        if re.search(r"\b(20|45)[ -]min(ute)?s?\b|\btwenty minutes\b", text)
    }
    assert found <= {"analysis/occupations/visits.py", "demo/fieldwork.py", "demo/files.py"}, found
