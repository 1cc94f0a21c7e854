"""Visits, pairs and how independent they are, against loops written here and cases worked by hand."""

import itertools
import math

import numpy as np
import pytest
from builders import judge, visits
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy import stats

from geoqa.analysis.closures.closures import Closures
from geoqa.analysis.occupations import measured_rows, visit_means
from geoqa.analysis.occupations.visits import Visits
from geoqa.analysis.points.point_status import PointStatus
from geoqa.analysis.precision.calibration import Calibration
from geoqa.core.errors import InputError

PAIRED = (Visits, Closures)
JUDGED = (*PAIRED, Calibration, PointStatus)
SIDEREAL_DAY_MIN = 23 * 60 + 56


def visit_numbers(*rows, column="visit"):
    return judge(rows, (Visits,))["occupations"].sort_values("occupation_id")[column].tolist()


def pair(**second):
    """Return the closure between a row at the start of day one and another."""
    return judge([{"t": 0}, second], PAIRED)["closures"].iloc[0]


@pytest.mark.parametrize(("column", "limit"), [("visit", 20), ("visit_v", 45)])
def test_a_visit_starts_at_the_limit_itself(column, limit):
    # DESIGN section 2: at least 20 min (45 min for the height).
    assert visit_numbers({"t": 0}, {"t": limit}, column=column) == [1, 2]
    assert visit_numbers({"t": 0}, {"t": limit - 1 / 60}, column=column) == [1, 1]


def test_nought_fifteen_and_thirty_minutes_are_one_visit():
    # DESIGN section 2, word for word.
    assert visit_numbers({"t": 0}, {"t": 15}, {"t": 30}) == [1, 1, 1]


def test_the_gap_counts_from_the_end_of_the_longest_occupation_before():
    long_then_short = [{"t": 0, "dur": 3600}, {"t": 5, "dur": 60}]
    assert visit_numbers(*long_then_short, {"t": 79}) == [1, 1, 1]
    assert visit_numbers(*long_then_short, {"t": 80}) == [1, 1, 2]


def test_a_row_without_an_end_ends_when_it_starts():
    assert visit_numbers({"t": 0, "dur": None}, {"t": 20}) == [1, 2]


def test_a_row_without_a_time_starts_no_visit():
    assert visit_numbers({"t": None}, {"t": 0}, {"t": 300}, {"t": None}) == [2, 1, 2, 2]
    assert visit_numbers({"t": None}, {"t": None}) == [1, 1]


def test_rows_that_are_not_direct_measurements_have_no_visit_and_make_no_gap():
    between = {"t": 15, "method": "staking"}
    assert visit_numbers({"t": 0}, between, {"t": 15, "origin": "averaged"}, {"t": 30}) == [1, 0, 0, 2]


def test_points_are_visited_apart():
    assert visit_numbers({"t": 0}, {"t": 5, "p": "B"}, {"t": 100}, {"t": 5, "p": "B"}) == [1, 1, 2, 1]


@pytest.mark.parametrize("points", [1_000, 300_000])
def test_the_limit_holds_to_the_millisecond_on_a_large_site(points):
    point = np.repeat(np.arange(points), 2)
    start = 1.77e9 + np.repeat(np.random.default_rng(4).integers(0, 5 * 86_400_000, points), 2) / 1000
    for gap, visit in ((1200.0, 2), (1199.999, 1)):
        late = start + np.tile([0.0, gap], points)
        assert (visit_means.visit_numbers(point, late, late, 1200.0)[1::2] == visit).all()


@pytest.mark.parametrize(
    ("second", "horizontal", "height"),
    [
        ({"t": 5, "fix": "fix 0"}, "same-fix", "same-fix"),
        ({"t": 900, "fix": "fix 0"}, "same-fix", "same-fix"),
        ({"t": 5}, "fresh-fix", "fresh-fix"),
        ({"t": 20}, "separated", "fresh-fix"),
        ({"t": 45}, "separated", "separated"),
        ({"t": 239}, "separated", "separated"),
        ({"t": 240}, "staggered", "staggered"),
        ({"t": SIDEREAL_DAY_MIN}, "separated", "separated"),
        ({"t": SIDEREAL_DAY_MIN + 20}, "separated", "separated"),
        ({"t": SIDEREAL_DAY_MIN - 20}, "separated", "separated"),
        ({"t": SIDEREAL_DAY_MIN + 21}, "staggered", "staggered"),
        ({"t": 3 * SIDEREAL_DAY_MIN - 15}, "separated", "separated"),
        ({"t": 2.5 * SIDEREAL_DAY_MIN}, "staggered", "staggered"),
        # Without times a pair is at most fresh-fix; without labels it is none.
        ({"t": None, "e": 0.002}, "fresh-fix", "fresh-fix"),
        ({"t": 900, "fix": None}, "same-fix", "same-fix"),
        # Identical without distinct times: no evidence, whatever the labels say.
        ({"t": None}, "copied", "copied"),
        ({"t": 0}, "copied", "copied"),
        ({"t": 900}, "staggered", "staggered"),
        ({"t": 0, "u": 0.001}, "fresh-fix", "fresh-fix"),
        ({"t": 0, "u": None}, "copied", "copied"),
    ],
)
def test_grades(second, horizontal, height):
    closure = pair(**second)
    assert (closure["independence_h"], closure["independence_v"]) == (horizontal, height)


def test_a_row_without_a_time_is_apart_from_no_visit():
    # It joins the visit before it; that must not make it `separated` from the visit before that.
    closures = judge([{"t": 0}, {"t": 300, "e": 0.001}, {"t": None, "e": 0.002}], PAIRED)["closures"]
    assert closures["independence_h"].tolist() == ["staggered", "fresh-fix", "fresh-fix"]
    assert closures["gap_s"].isna().tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("first", "second", "shown"),
    [
        ({"base": "X"}, {"base": "Y"}, {"new_base", "new_fix"}),
        ({"base": "X"}, {"base": "X"}, set()),
        ({"base": "X"}, {}, set()),
        ({"operator": "X"}, {"operator": "Y"}, {"new_operator"}),
        ({"antenna_height_m": 2.0}, {"antenna_height_m": 1.8}, {"new_antenna_height"}),
        ({"antenna_height_m": 2.0}, {}, set()),
        ({}, {"fix": "fix 1"}, {"new_fix"}),
        ({"fix": None}, {"base": "Y", "fix": None}, set()),
        ({"fix": None, "base": "X"}, {"base": "Y", "fix": None}, {"new_base"}),
    ],
)
def test_the_evidence_vector_says_only_what_is_shown(first, second, shown):
    same = {"t": 0, "fix": "fix 0"}
    closure = judge([same | first, {"t": 60, "fix": "fix 0"} | second], PAIRED)["closures"].iloc[0]
    flags = ("new_fix", "new_base", "new_antenna_height", "new_operator", "sky_repeats")
    assert {name for name in flags if closure[name]} == shown
    assert closure["gap_s"] == 3600


def test_another_base_does_not_raise_the_grade():
    # DESIGN section 3: it tests the base, not the trees.
    assert pair(t=5, base="Y")["independence_h"] == pair(t=5)["independence_h"] == "fresh-fix"


def test_a_closure_runs_from_the_earlier_to_the_later_whatever_the_reading_order():
    closure = judge([{"t": 60, "e": 0.003, "n": 0.004, "u": -0.01}, {"t": 0}], PAIRED)["closures"].iloc[0]
    assert (closure["occupation_a"], closure["occupation_b"]) == (2, 1)
    assert (closure["de_m"], closure["dn_m"], closure["du_m"]) == pytest.approx((0.003, 0.004, -0.01), abs=1e-9)
    assert closure["horizontal_m"] == pytest.approx(0.005, abs=1e-9)
    assert closure["azimuth_deg"] == pytest.approx(36.8699, abs=1e-4)


def test_pairs_of_equal_times_stand_in_reading_order_and_none_is_lost():
    closures = judge([{"e": i / 1000} for i in range(4)], PAIRED)["closures"]
    assert list(zip(closures["occupation_a"], closures["occupation_b"], strict=True)) == list(
        itertools.combinations(range(1, 5), 2)
    )
    assert closures["pair_id"].tolist() == [1, 2, 3, 4, 5, 6]


def test_canopy_of_a_pair_is_the_one_both_share():
    rows = [{"t": 60 * i, "canopy": c} for i, c in enumerate(["open", "open", "dense", None])]
    closures = judge(rows, PAIRED)["closures"].astype({"canopy": "object"})
    assert closures["canopy"].where(closures["canopy"].notna(), None).tolist() == [
        "open",
        None,
        None,
        None,
        None,
        None,
    ]


def test_a_crowd_under_one_name_is_taken_for_a_mistake():
    rows = [{"t": i} for i in range(6)]
    with pytest.raises(InputError, match=r"point 'A' has 6 occupations, which would make 15 pairs.*largest_group"):
        judge(rows, PAIRED, {"closures": {"largest_group": 5}})
    assert len(judge(rows, PAIRED, {"closures": {"largest_group": 6}})["closures"]) == 15


# The whole evidence by loops, written from the words of DESIGN sections 2 and 3.


def in_order(rows):
    """Return per point the rows that form pairs, by time and reading order, those without a time last."""
    direct = [(i + 1, row) for i, row in enumerate(rows) if row["method"] == "direct"]
    names = sorted({row["p"] for _, row in direct})
    key = lambda item: (item[1]["t"] is None, item[1]["t"] or 0, item[0])  # noqa: E731
    return [sorted((item for item in direct if item[1]["p"] == name), key=key) for name in names]


def start_s(row):
    return None if row["t"] is None else row["t"] * 60


def end_s(row):
    return None if row["t"] is None else row["t"] * 60 + row["dur"]


def visits_by_loop(group, limit_s):
    found, visit, latest = {}, 1, None
    for number, row in group:
        start = start_s(row)
        if start is not None:
            if latest is not None and start - latest >= limit_s:
                visit += 1
            latest = max(end_s(row), latest if latest is not None else -math.inf)
        found[number] = visit
    return found


def pair_by_loop(first, second, visits_h, visits_v):
    (i, a), (j, b) = first, second
    timed = a["t"] is not None and b["t"] is not None
    gap = max(start_s(b) - end_s(a), 0) if timed else None
    known = {k: a[k] is not None and b[k] is not None for k in ("fix", "base", "operator")}
    differ = {k: known[k] and a[k] != b[k] for k in known}
    new_fix = known["fix"] and (differ["fix"] or differ["base"])
    days = range(1, 9)
    repeats = timed and any(abs(gap - day * SIDEREAL_DAY_MIN * 60) <= 1200 for day in days)
    alike = a["e"] == b["e"] and a["n"] == b["n"] and (a["u"] is None or b["u"] is None or a["u"] == b["u"])
    copied = alike and not (b["t"] is not None and a["t"] != b["t"])

    def grade(visits_):
        if copied:
            return "copied"
        if not new_fix:
            return "same-fix"
        if not timed or visits_[i] == visits_[j]:
            return "fresh-fix"
        return "staggered" if gap >= 4 * 3600 and not repeats else "separated"

    return (i, j, gap, new_fix, differ["base"], differ["operator"], repeats, grade(visits_h), grade(visits_v))


row = st.fixed_dictionaries({
    "p": st.sampled_from("ABCDEFGH"),
    "t": st.sampled_from([None, 0, 0, 5, 19, 20, 25, 40, 45, 64, 65, 300, 1415, 1416, 1436, 1456, 1457, 2872, 4400]),
    "dur": st.sampled_from([0, 60, 300, 1500, 3600]),
    "e": st.sampled_from([0.0, 0.0, 0.003]), "n": st.sampled_from([0.0, 0.0, 0.001]),
    "u": st.sampled_from([None, 0.0, 0.0, 0.002]),
    "fix": st.sampled_from([None, "1", "2", "3"]), "base": st.sampled_from([None, "X", "Y"]),
    "operator": st.sampled_from([None, "K", "L"]), "method": st.sampled_from(["direct"] * 6 + ["offset"]),
    # So precise that equal rows are no wonder: what is improbable is looked at elsewhere.
    "s": st.just(1e-5), "sv": st.just(1e-5),
})  # fmt: skip


@given(st.lists(row, min_size=1, max_size=50))
@settings(max_examples=25)
def test_all_pairs_visits_and_evidence_against_loops(rows):
    frames = judge(rows, PAIRED)
    wanted, wanted_visits = [], {i + 1: (0, 0) for i in range(len(rows))}
    for group in in_order(rows):
        by_axis = [visits_by_loop(group, limit) for limit in (1200, 2700)]
        wanted_visits |= {number: (by_axis[0][number], by_axis[1][number]) for number, _ in group}
        wanted += [pair_by_loop(a, b, *by_axis) for a, b in itertools.combinations(group, 2)]
    occupations = frames["occupations"].set_index("occupation_id")
    assert {i: (v["visit"], v["visit_v"]) for i, v in occupations.iterrows()} == wanted_visits
    columns = ["occupation_a", "occupation_b", "gap_s", "new_fix", "new_base", "new_operator", "sky_repeats",
               "independence_h", "independence_v"]  # fmt: skip
    closures = frames["closures"][columns].astype("object")
    got = closures.where(closures.notna(), None).to_numpy().tolist()
    assert [tuple(line) for line in got] == wanted


@given(st.lists(row, min_size=1, max_size=40))
@settings(max_examples=12)
def test_fixes_inside_a_point_agree_with_the_pairs(rows):
    """Rows of one number share an initialization: no pair of them may claim a new one, and the other way round."""
    frames = judge(rows, JUDGED)
    occupations = frames["occupations"].set_index("occupation_id")
    for closure in frames["closures"].itertuples():
        a, b = (occupations.loc[i] for i in (closure.occupation_a, closure.occupation_b))
        if closure.new_fix:
            mates = occupations[
                (occupations["point"] == a["point"]) & (occupations["initialization"] == a["initialization"])
            ]
            mates = mates[mates["fix"] > 0]
            # A row of the same label whose base is unknown may belong to either: they stay one.
            if a["initialization"] != b["initialization"] or mates["base"].notna().all():
                assert a["fix"] != b["fix"]
        elif isinstance(a["initialization"], str) and isinstance(b["initialization"], str):
            assert a["fix"] == b["fix"] or occupations.loc[[a.name, b.name], "base"].isna().any()


def copies_by_loop(rows):
    """Return for each row whether an earlier one is the same to the last digit.

    No time tells them apart, or as many equal pairs of this file, or of one offset in it, are no chance.
    """
    found, pairs = set(), []
    for (_, (e, t)), (j, (e2, t2)) in itertools.combinations(enumerate(rows), 2):
        if e == e2 and (t2 is None or t == t2):
            found.add(j)
        else:
            pairs.append((j, e == e2, None if t2 is None else 60 * (t2 - t)))
    if sum(same for _, same, _ in pairs) >= 3:
        # Of pairs that are not the same the heights are: ten and more of them show heights finer than stated.
        finer = 0.3 if sum(not same for _, same, _ in pairs) >= 10 else 1.0
        chances = [chance_by_loop(later or 60, finer) for *_, later in pairs]
        counted = [c <= (0.3 if later is None else 0.05) for c, (*_, later) in zip(chances, pairs, strict=True)]
        seen = [j for (j, same, _), here in zip(pairs, counted, strict=True) if same and here]
        expected = 1.5 * sum(c for c, here in zip(chances, counted, strict=True) if here)
        if len(seen) >= 3 and stats.poisson.sf(len(seen) - 1, expected) < 1e-4:
            found |= set(seen)
        for offset in {later for *_, later in pairs} - {None}:
            of_it = [(j, same, c) for (j, same, later), c in zip(pairs, chances, strict=True) if later == offset]
            seen, usual = [j for j, same, _ in of_it if same], sum(c for *_, c in of_it) / len(of_it)
            rare = stats.binom.sf(len(seen) - 1, len(of_it), usual) < 1e-4
            if len(seen) >= 3 and rare and (usual < 0.05 or len(seen) >= 0.9 * len(of_it)):
                found |= set(seen)
    return [k in found for k in range(len(rows))]


def chance_by_loop(later_s, finer):
    """Return how often two measurements of 5, 5 and 8 mm are equal to the millimetre, so long after one another."""
    chance = 1.0
    for sigma, fades in ((0.005, 17 * 60), (0.005, 17 * 60), (0.008 * finer, 36 * 60)):
        apart = sigma * math.sqrt(2 * (1 - math.exp(-later_s / fades)))
        chance *= math.erf(0.0005001 / apart / math.sqrt(2))
    return chance


def copies_of(rows):
    """Return which rows, in the order given, are said to repeat another."""
    frame = judge(rows, PAIRED)["occupations"].sort_values("occupation_id")
    return (frame["copy_of"] > 0).tolist()


@given(st.lists(st.tuples(st.sampled_from([0.0, 1.0]), st.sampled_from([None, 0, 1, 2])), min_size=1, max_size=8))
@example([(0.0, 0), (0.0, 0), (0.0, 0), (0.0, 1)])
@example([(0.0, 0), (0.0, 0), (0.0, 1)])
@settings(max_examples=12)
def test_copies_against_a_loop(told):
    told = sorted(told, key=lambda item: (item[1] is None, item[1] or 0))
    assert copies_of([{"e": e, "t": t} for e, t in told]) == copies_by_loop(told)


def test_a_row_without_a_height_copies_one_that_has_it():
    flat_last = [{"t": None, "u": 5.0}, {"t": None, "u": None}, {"t": None, "n": 1.0, "u": None}]
    assert copies_of(flat_last) == [False, True, False]
    # Of the two, the row that says more is kept, whichever was read first.
    assert copies_of([flat_last[1], flat_last[0], flat_last[2]]) == [True, False, False]
    assert copies_of([row | {"t": t} for row, t in zip(flat_last, (0, 60, 120), strict=True)]) == [False] * 3
    # It copies either of two that differ, and makes them no copies of each other.
    assert copies_of([{"t": None, "u": 5.0}, {"t": None, "u": 6.0}, {"t": None, "u": None}]) == [False, False, True]


@pytest.mark.parametrize("order", [1, -1])
def test_of_copies_the_row_that_shows_its_initialization_is_kept(order):
    # The same rows exported twice, once without the labels: the order of the files must not cost the evidence.
    shown = [{"t": 0, "fix": "1"}, {"t": 300, "e": 0.004, "fix": "2"}]
    silent = [row | {"fix": None} for row in shown]
    frames = judge([*shown, *silent] if order > 0 else [*silent, *shown])
    assert frames["points"]["status"].iloc[0] == "confirmed"
    uses = frames["occupations"].sort_values("occupation_id")["use"].tolist()
    assert uses == ["used", "used", "copied", "copied"][::order]


def test_copied_rows_prove_nothing_of_a_point():
    frames = judge([{"t": None, "e": 0.003}, {"t": None, "e": 0.003}, {"t": None, "e": 0.003, "u": None}])
    point = frames["points"].iloc[0]
    assert (point["status"], point["set_aside"], point["occupations"]) == ("unproven", 2, 3)
    assert frames["occupations"]["use"].tolist() == ["used", "copied", "copied"]


def test_a_label_is_one_fix_until_its_base_is_known_to_differ():
    def fixes(**columns):
        codes = {name: np.array(columns.get(name, [-1] * 3)) for name in ("label", "base")}
        return measured_rows.fix_numbers(np.zeros(3, np.int64), codes["label"], codes["base"]).tolist()

    assert fixes(label=[0, 0, 1]) == [1, 1, 2]
    assert fixes(label=[0, 0, 0], base=[0, 1, 0]) == [1, 2, 1]
    assert fixes(label=[0, 0, 0], base=[0, 1, -1]) == [1, 1, 1]
    # What is unknown of another label is no reason.
    assert fixes(label=[0, 0, 1], base=[0, 1, -1]) == [1, 2, 3]
    assert fixes(label=[-1, -1, -1], base=[0, 1, 1]) == [1, 1, 1]


def test_visits_of_one_row_each_are_pairs_of_visits():
    closures = judge(visits((0, 0, 0), (0.01, 0, 0), (0.02, 0, 0)), PAIRED)["closures"]
    assert closures["independence_h"].tolist() == ["staggered"] * 3
