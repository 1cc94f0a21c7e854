"""What is said of waits: plain, exact, and short where there is much."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from geoqa.analysis.observing_time import _wait_table
from geoqa.core.frames import wording


def attempts(canopy, hold, reached=None, truth=None):
    n = len(hold)
    reached = np.ones(n, bool) if reached is None else np.array(reached)
    table = {"canopy": [canopy] * n}
    for until in ("fix", "hold", "precision", "truth"):
        seconds = {"truth": truth if truth is not None else [np.nan] * n, "precision": [np.nan] * n}.get(until, hold)
        table |= {f"{until}_s": np.array(seconds, float), f"{until}_reached": reached & np.isfinite(seconds)}
    return pd.DataFrame(table)


def said(*parts):
    table = pd.concat(parts, ignore_index=True)
    return _wait_table.wait_sentences(_wait_table.waits(table), _wait_table.tests(table))


def test_half_nine_in_ten_and_who_never_settled():
    texts = said(attempts("dense conifer", [60, 70, 80, 90, 100, 110, 120, 130, 140, 150], [True] * 9 + [False]))
    first = "under dense conifer, until a fix holds: wait 1 min 40 s for half, 2 min 20 s for nine in ten; "
    assert texts[0] == f"{first}1 of 10 never settled"
    assert texts[1].startswith("crews give up where it is worst")


@pytest.mark.parametrize(
    ("hold", "told"), [([21.0] * 12, "wait 21 s for half and for nine in ten alike; all 12 settled"),
                       ([0.0] * 12, "no wait for half and for nine in ten alike; all 12 settled")]
)  # fmt: skip
def test_waits_all_alike_are_told_once(hold, told):
    assert said(attempts("open", hold))[0] == f"in the open, until a fix holds: {told}"


def test_few_attempts_say_no_share():
    one, three = said(attempts("open", [8.0])), said(attempts("light", [8.0, 9.0, 70.0], [True, True, False]))
    assert one == [
        "in the open, until a fix holds: only 1 attempt, settled, the longest took 8 s; too few to say how long to wait"
    ]
    assert "under light cover, until a fix holds: only 3 attempts, 1 of 3 never settled, the longest took" in three[0]


def test_no_share_is_told_beyond_what_those_who_came_there_support():
    two = attempts("dense conifer", [114, 114, 30, 40, 50], [True, True, False, False, False])
    assert "not seen for half" in said(two)[0] and _wait_table.waits(two)[["half_s", "most_s"]].isna().all(axis=None)
    four = said(attempts("dense conifer", [60, 80, 100, 114, 20], [True] * 4 + [False]))[0]
    assert "too few came there to say it for half" in four
    seven = said(attempts("dense conifer", [60, 70, 80, 90, 100, 110, 114]))[0]
    assert "wait 1 min 30 s for half, too few came there to say it for nine in ten; all 7 settled" in seven


def test_all_given_up():
    texts = said(attempts("dense", [30, 40, 50, 60, 70], [False] * 5))
    assert texts[0].endswith("not seen for half, the longest attempt took 1 min 10 s; 5 of 5 never settled")


def test_of_how_many_the_truth_is_known():
    truth = [5.0] * 3 + [np.nan] * 3
    texts = said(attempts("open", [6.0] * 6, truth=truth))
    assert "where the position truly was is known for 3 of 6 attempts" in texts[-1]
    assert not any("known for" in text for text in said(attempts("open", [6.0] * 6, truth=[5.0] * 6)))


def test_many_classes_are_not_all_paired_in_a_sentence():
    texts = said(*(attempts(f"class {k}", [20.0 * 2**k + i for i in range(12)]) for k in range(8)))
    (text,) = (text for text in texts if "log-rank" in text)
    assert text.count(" and ") == 6 and "and 23 more pairs" in text and "p < 0.001" in text


@pytest.mark.parametrize(("label", "words"), [("Open", "in the open"), ("dense", "under dense cover")])
def test_a_label_that_says_how_much_is_completed(label, words):
    assert wording.under(label) == words
    assert wording.under("pine") == "under pine"
