"""The table of canopy classes: what a class's own pairs show, and what is used of them and of the others."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from analysis.builders import closed as plain_closed
from analysis.builders import fitted, judge, occupations, own, run, share
from analysis.builders import job as make_job

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.precision import mixture
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.frames import schema

CHAIN = (Visits, Closures, Calibration)


def cover(seed, name, pairs, ratio, gross=0.0, stated=0.01, other=None):
    """Return rows of pairs of visits under one canopy, `ratio` times as wide as stated, a share of them gross."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(pairs):
        for k in range(2):
            off = rng.normal(size=3) * 0.01 * ratio * [1, 1, 2]
            if k and i < round(gross * pairs):
                off += rng.choice([-1, 1], 3) * rng.uniform(0.2, 0.8, 3)
            row = {"p": f"{name}{i:04}", "t": 300 * k, "e": off[0], "n": off[1], "u": off[2], "canopy": name}
            row |= {} if stated is None else {"s": stated, "sv": 2 * stated}
            rows.append(row | ({"canopy": other} if other and k else {}))
    return rows


def classes(rows, **settings):
    return (
        judge(rows, CHAIN, {"calibration": settings}, h=1, v=1)["classes"]
        .fillna({"canopy": "whole site"})
        .set_index("canopy")
    )


def test_a_thin_class_is_not_the_average_of_the_site():
    # Two classes that differ by 2.5 say how far classes lie apart: a third of two pairs is known no better than that.
    both = cover(1, "open", 100, 1.2) + cover(2, "dense", 100, 3.0)
    found = classes(both + cover(7, "thin", 2, 1.8))
    thin, dense = found.loc["thin"], found.loc["dense"]
    assert 1.2 < thin["used_ratio_h"] < 3.0
    assert thin["degrees_of_freedom_h"] < 12 < 150 < dense["degrees_of_freedom_h"]
    alike = classes(cover(1, "open", 100, 1.2) + cover(2, "dense", 100, 1.2) + cover(3, "thin", 2, 1.2)).loc["thin"]
    assert alike["degrees_of_freedom_h"] > 1.2 * thin["degrees_of_freedom_h"]
    assert (thin["basis_h"], dense["basis_h"], dense["basis_v"]) == (schema.OWN, schema.OWN, schema.OWN)


def test_a_class_without_pairs_leans_on_the_others():
    rows = [*cover(1, "open", 100, 2.0), {"p": "alone", "canopy": "thin", "s": 0.01, "sv": 0.02}]
    thin = classes(rows).loc["thin"]
    assert thin["basis_h"] == schema.OTHER_CLASSES
    assert np.isnan(thin["precision_ratio_h"])
    assert np.isnan(thin["wrong_fix_rate"])
    nobody = classes(rows[-1:]).loc["thin"]
    assert nobody["basis_h"] == schema.DEFAULT_PRIOR
    assert thin["used_wrong_fix_rate"] < nobody["used_wrong_fix_rate"]
    assert thin["degrees_of_freedom_h"] > nobody["degrees_of_freedom_h"]


def alone(name, stated, count, height=2.0, **more):
    """Return single occupations: they teach nothing, but state a precision."""
    sv = {} if height is None else {"sv": height * stated}
    return [{"p": f"{name}{i}", "canopy": name, "s": stated} | sv | more for i in range(count)]


def test_a_class_that_states_worse_is_thought_worse_than_it_states():
    found = classes(alone("open", 0.008, 40) + alone("dense", 0.016, 20))
    even = classes(alone("open", 0.008, 40) + alone("dense", 0.016, 20), worse=0, oftener_wrong=0)
    used = ["used_ratio_h", "used_ratio_v", "used_wrong_fix_rate"]
    assert (found.loc["dense", used] > 1.25 * even.loc["dense", used]).all()
    # What states better is not thought better than it states: that would be believed on its word alone.
    assert found.loc["open", used].to_numpy(float) == pytest.approx(even.loc["open", used].to_numpy(float), rel=0.05)
    assert np.ptp(even["used_wrong_fix_rate"]) == 0
    one = classes(alone("open", 0.008, 40) + alone("dense", 0.016, 1)).loc["dense"]  # one row says less
    assert found.loc["open", "used_ratio_v"] < one["used_ratio_v"] < 0.9 * found.loc["dense", "used_ratio_v"]
    # How many rows a class has does not move the middle, and ten times as bad says no more than is bounded.
    many = classes(alone("open", 0.008, 40) + alone("dense", 0.016, 60)).loc["dense"]
    assert many["used_ratio_h"] == pytest.approx(found.loc["dense", "used_ratio_h"], rel=0.1)
    far = classes(alone("open", 0.008, 40) + alone("dense", 0.8, 60)).loc["dense"]
    assert far["used_ratio_h"] < 2.5 * even.loc["dense", "used_ratio_h"] and far["used_wrong_fix_rate"] < 0.4
    # Without heights the plan says it alone.
    plan = classes(alone("open", 0.008, 40, None) + alone("dense", 0.016, 20, None)).loc["dense"]
    assert plan["used_wrong_fix_rate"] == pytest.approx(found.loc["dense", "used_wrong_fix_rate"])


def test_a_solution_is_compared_with_its_own_kind():
    found = classes(alone("open", 0.008, 40) + alone("dense", 0.016, 20)).loc["dense"]
    fixed = alone("open", 0.008, 40, solution="fixed") + alone("dense", 0.016, 20, solution="fixed")
    mixed = classes(fixed + alone("under", 0.3, 20, solution="float", fix=None))
    assert mixed.loc["dense", "used_ratio_h"] == pytest.approx(found["used_ratio_h"], rel=0.02)
    under = classes(alone("under", 0.3, 20)).loc["under"]
    assert mixed.loc["under", "used_ratio_h"] == pytest.approx(under["used_ratio_h"], rel=0.05)


def test_a_class_that_states_nonsense_makes_the_others_no_better_than_they_say():
    # Under forest every height states 9.999 m: its pairs show that this is a hundredth of it, not what open is worth.
    odd = [row | {"sv": 9.999} for row in cover(5, "forest", 9, 1.0)]
    rows = [*odd, *cover(6, "open", 1, 1.0)]
    found = classes(rows)
    assert found.loc["forest", "used_ratio_v"] < 0.05
    assert found.loc["open", "used_ratio_v"] > 0.45


def test_solutions_are_classes_of_their_own():
    fixed = [row | {"solution": "fixed"} for row in cover(1, "open", 60, 1.2)]
    rows = [*fixed, {"p": "alone", "canopy": "open", "solution": "float", "s": 0.01, "sv": 0.02, "fix": None}]
    found = judge(rows, CHAIN, {"calibration": {}}, h=1, v=1)
    told = found["classes"].set_index(["canopy", "solution"])
    assert told.index.tolist()[1:] == [("open", "fixed"), ("open", "float")]
    assert (
        told.loc[("open", "fixed"), "degrees_of_freedom_h"] > 100 > told.loc[("open", "float"), "degrees_of_freedom_h"]
    )
    rows = found["occupations"].set_index("point")
    assert rows.loc["alone", "freedom_h"] == told.loc[("open", "float"), "degrees_of_freedom_h"]


def test_a_surprising_order_is_kept_as_found():
    # Open ground worse than dense conifer: a fact of this site, printed as it is.
    found = classes(cover(3, "open", 120, 2.4) + cover(4, "dense conifer", 120, 1.2))
    assert found.loc["open", "precision_ratio_h"] == pytest.approx(2.4, rel=0.12)
    assert found.loc["dense conifer", "precision_ratio_h"] == pytest.approx(1.2, rel=0.12)
    assert found.loc["open", "precision_ratio_h_low"] > found.loc["dense conifer", "precision_ratio_h_high"]


def test_the_tail_is_that_of_the_class():
    found = classes(cover(3, "open", 200, 1.2) + cover(4, "dense", 200, 1.2, gross=0.25))
    assert found.loc["dense", "tail_rate"] == pytest.approx(0.25, abs=0.03)
    assert found.loc["open", "tail_rate"] < 0.02
    # Either end of a pair may be the wrong one; a gross pair may be two.
    assert found.loc["dense", "wrong_fix_rate"] == pytest.approx(found.loc["dense", "tail_rate"] / 2, rel=0.01)
    assert found.loc["dense", "used_wrong_fix_rate"] == pytest.approx(found.loc["dense", "wrong_fix_rate"], rel=0.1)
    assert found.loc["dense", "tail_rate_low"] < 0.25 < found.loc["dense", "tail_rate_high"]


def test_a_large_tail_is_told():
    rows = cover(3, "open", 200, 1.2) + cover(4, "dense", 200, 1.2, gross=0.25)
    _, messages = run(occupations(rows), make_job(1, 1), CHAIN)
    told = [text for text in messages if "lie far outside the rest" in text]
    assert len(told) == 1
    assert told[0].startswith("under dense 2")


def test_silent_precision_teaches_repeatability_only():
    frames = judge(cover(5, "open", 150, 1.6, stated=None), CHAIN, h=1, v=1)
    row, closures = (
        frames["classes"].fillna({"canopy": "whole site"}).set_index("canopy").loc["open"],
        frames["closures"],
    )
    assert np.isnan(row["precision_ratio_h"])
    # s = sqrt(sum d^2 / (2 n)) (computed); the plain form where nothing is gross
    assert row["repeatability_h_m"] == pytest.approx(np.sqrt((closures["horizontal_m"] ** 2).mean() / 4), rel=0.03)
    assert row["repeatability_v_m"] == pytest.approx(np.sqrt((closures["du_m"] ** 2).mean() / 2), rel=0.03)
    assert np.isnan(row["used_ratio_h"])
    assert row["used_repeatability_h_m"] == pytest.approx(row["repeatability_h_m"], rel=0.02)


def test_some_silent_rows_leave_the_ratio_to_the_others():
    rows = cover(5, "open", 150, 1.6) + cover(6, "open x", 150, 1.6, stated=None)
    found = classes([row | {"canopy": "open"} for row in rows]).loc["open"]
    assert found["pairs"] == 300
    assert found["precision_ratio_h"] == pytest.approx(1.6, rel=0.1)
    assert found["repeatability_h_m"] == pytest.approx(0.016, rel=0.08)


def test_pairs_between_two_canopies_count_for_the_site_alone():
    found = classes(cover(5, "open", 60, 1.3, other="edge") + cover(6, "dense", 60, 1.3))
    assert found["pairs"].to_dict() == {"whole site": 120, "dense": 60, "edge": 0, "open": 0}
    for name in ("edge", "open"):
        assert found.loc[name, "basis_h"] == schema.OTHER_CLASSES
        assert np.isnan(found.loc[name, "precision_ratio_h"])


def test_points_without_a_canopy_count_for_the_site():
    rows = [row | {"canopy": None} for row in cover(5, "open", 60, 1.3)]
    found = classes(rows)
    assert found.index.tolist() == ["whole site"]
    assert found["pairs"].tolist() == [60]


def closed(rng, n, shape=np.inf, scale=1.0, gross=0.0):
    """Return closures of one class, normal or Student's of the same variance, a share of them metres wide."""
    z = rng.normal(size=(n, 3)) * scale
    if np.isfinite(shape):
        # Horizontal and height each with a scale of their own.
        z[:, :2] *= np.sqrt((shape - 2) / rng.chisquare(shape, n))[:, None]
        z[:, 2] *= np.sqrt((shape - 2) / rng.chisquare(shape, n))
    z[rng.random(n) < gross] *= 60
    return plain_closed((z[:, :2] ** 2).sum(axis=1), z[:, 2] ** 2, variance=(2e-4, 8e-4))


def test_more_pairs_than_enough_are_thinned_without_harm(monkeypatch):
    pairs = closed(np.random.default_rng(8), 6 * mixture.ENOUGH, scale=1.7, gross=0.08)
    thinned = fitted(pairs)
    monkeypatch.setattr(mixture, "ENOUGH", 10**9)
    whole = fitted(pairs)
    for axis in "hv":
        a, b = own(thinned, axis), own(whole, axis)
        assert a == pytest.approx(b, rel=0.03)
        assert a == pytest.approx([1.7, 1.7], rel=0.03)
    assert share(thinned) == pytest.approx(share(whole), abs=0.005)
    # What is known is that of all pairs.
    assert thinned.seen.worth == pytest.approx(whole.seen.worth)
    assert len(thinned.outside) == len(pairs.of)


def test_thinning_keeps_every_class():
    of = np.r_[np.zeros(5 * mixture.ENOUGH, np.int64), np.full(3, 1), np.full(mixture.ENOUGH + 1, 2)]
    kept = mixture._thinned(np.random.default_rng(1).permutation(of), 4)
    counts = np.bincount(np.random.default_rng(1).permutation(of)[kept], minlength=4)
    assert counts.tolist() == [mixture.ENOUGH, 3, mixture.ENOUGH, 0]
    assert len(np.unique(kept)) == len(kept)


@pytest.mark.parametrize("gross", [0.0, 0.08])
def test_the_shape_of_the_core_is_recovered(gross):
    normal = [fitted(closed(np.random.default_rng(s), 1500, gross=gross)) for s in range(4)]
    student = [fitted(closed(np.random.default_rng(s), 1500, 5.0, gross=gross)) for s in range(4)]
    assert min(fit.shape for fit in normal) >= 20
    assert max(fit.shape for fit in student) <= 8
    for fits in (normal, student):
        # The variance of the core is that of all its errors, flanks included.
        assert np.median([own(fit, "h")[0] for fit in fits]) == pytest.approx(1, rel=0.06)
        assert np.median([share(fit)[0] for fit in fits]) == pytest.approx(gross, abs=0.02)


def test_few_pairs_keep_the_usual_shape():
    assert fitted(closed(np.random.default_rng(1), 10)).shape == mixture.USUAL_SHAPE


def test_the_shares_of_scales_are_those_of_the_errors():
    # All gross errors of about half a metre both ways: the shares gather there.
    rng = np.random.default_rng(2)
    pairs = closed(rng, 800)
    wild = rng.random(800) < 0.2
    add = rng.normal(size=(800, 3)) * 0.5 * wild[:, None]
    square_h = pairs.square_h + (add[:, :2] ** 2).sum(axis=1) / 2e-4
    fit = fitted(replace(pairs, square_h=square_h, square_v=pairs.square_v + add[:, 2] ** 2 / 8e-4))
    near = (mixture.SCALES_M >= 0.25) & (mixture.SCALES_M <= 1)
    assert fit.scales[np.ix_(near, near)].sum() > 0.85
    assert fit.scales.sum() == pytest.approx(1)
    assert fit.scales[0, 0] == 0


def test_the_frame_of_scales_sums_to_one():
    frames = judge(cover(1, "open", 100, 1.2, gross=0.1), CHAIN, h=1, v=1)
    scales = frames["gross_scales"]
    assert isinstance(scales, pd.DataFrame)
    assert scales["share"].sum() == pytest.approx(1)
    assert not ((scales["scale_h_m"] == 0) & (scales["scale_v_m"] == 0)).any()
