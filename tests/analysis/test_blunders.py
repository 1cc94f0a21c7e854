"""What blunders and silent receivers do to the calibration: they are told apart, whatever their size."""

import numpy as np
import pytest
from builders import closed, fitted, judge, own, share

SIGMA = np.array([0.01, 0.01, 0.02])


def closures(gross, far, count=400, seed=1, height=False):
    """Return closures with a stated precision half as wide as they are, the first ones `far` metres long."""
    d = np.random.default_rng(seed).normal(size=(count, 3)) * 2 * SIGMA
    d[:gross, 2 if height else 0] += far
    h, v = SIGMA[0] ** 2, SIGMA[2] ** 2
    return closed((d[:, :2] ** 2).sum(axis=1) / h, d[:, 2] ** 2 / v, variance=(h, v))


@pytest.mark.parametrize("height", [False, True])
@pytest.mark.parametrize("far", [1.0, 30.0, 300.0, 1e3, 1e4, 1e5, 1e7])
def test_a_blunder_of_any_length_is_gross(far, height):
    fit = fitted(closures(40, far, height=height))
    assert fit.outside[:40].min() > 0.99
    assert share(fit)[0] == pytest.approx(0.1, abs=0.015)
    # The core is that of the sound pairs alone, to what 360 of them tell (three standard errors).
    assert [own(fit, axis)[0] for axis in "hv"] == pytest.approx([2, 2], rel=0.12)


@pytest.mark.parametrize("sigma", [5.0, 40.0])
def test_closures_as_long_as_their_precision_are_no_blunders(sigma):
    # Coarse positions, tens of metres apart as they say: nothing is gross about them.
    d = np.random.default_rng(2).normal(size=(500, 3)) * sigma
    square = sigma**2
    fit = fitted(closed((d[:, :2] ** 2).sum(axis=1) / square, d[:, 2] ** 2 / square, variance=(square, square)))
    assert share(fit)[0] < 0.02
    assert [own(fit, axis)[0] for axis in "hv"] == pytest.approx([1, 1], rel=0.12)


def site(points, seed, blunder, every, told):
    """Return pairs of visits; each `every`-th has a `blunder` (e, n, u); `told` gives a point's stated precision."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(points):
        off = rng.normal(size=(2, 3)) * SIGMA
        if i % every == 0:
            off[1] += blunder
        rows += [
            {"p": f"P{i}", "t": 300 * k} | dict(zip("enu", off[k].tolist(), strict=True)) | told(i) for k in (0, 1)
        ]
    return rows


@pytest.mark.parametrize("seed", range(3))
def test_heights_without_a_stated_precision_stay_robust(seed):
    # Horizontal precision is stated, vertical is not; three points in sixty have a blunder of the height alone.
    found = judge(site(60, seed, (0, 0, 2.0), 20, lambda i: {"s": 0.01}))
    whole = found["classes"].iloc[0]
    assert whole["repeatability_v_m"] == pytest.approx(0.02, rel=0.3)
    assert whole["precision_ratio_h"] == pytest.approx(1, rel=0.25)
    points = found["points"]
    assert (points["status"] == "conflict").sum() == 3
    assert (points["deliver"] == "yes").sum() >= 50


@pytest.mark.parametrize("stated", [3, 60, 200])
def test_the_tail_is_seen_though_most_rows_state_no_precision(stated):
    told = {"s": 0.01, "sv": 0.02}
    rows = site(200, 7, (1.0, 1.0, 1.0), 10, lambda i: told if i < stated else {})
    whole = judge(rows)["classes"].iloc[0]
    assert whole["tail_rate"] == pytest.approx(0.1, abs=0.02)
    assert whole["tail_rate_low"] < 0.1 < whole["tail_rate_high"]


def test_rows_that_say_nothing_are_no_evidence_of_a_tail():
    # As many pairs with precision as without, heights the same: what is known of the tail is that of the pairs known.
    told = {"s": 0.01, "sv": 0.02}
    some = judge(site(100, 7, (1.0, 1.0, 1.0), 10, lambda i: told if i % 20 < 14 else {}))["classes"].iloc[0]
    every = judge(site(100, 7, (1.0, 1.0, 1.0), 10, lambda i: told))["classes"].iloc[0]
    assert some["tail_rate_high"] - some["tail_rate_low"] > every["tail_rate_high"] - every["tail_rate_low"]
