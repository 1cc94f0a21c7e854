"""Contracts of the frames on canopy and its classes."""

from __future__ import annotations

from geoqa.core.frames.contract import STATUSES, Column, Frame, float_column, int_column, text_column
from geoqa.core.frames.contract import float_column as _float
from geoqa.core.frames.contract import int_column as _int
from geoqa.core.frames.contract import text_column as _text
from geoqa.core.recipe import ORIGINS

#: What pairs show of a class or another group, each with its bounds.
BOUNDED = {
    f"{what}{end}": _float(f"{about}{word}", minimum=0)
    for what, about in (
        ("repeatability_h_m", "standard deviation per horizontal axis of one visit"),
        ("repeatability_v_m", "standard deviation of the height of one visit"),
        ("precision_ratio_h", "ratio of seen to reported precision, horizontal"),
        ("precision_ratio_v", "ratio of seen to reported precision, height"),
        ("tail_rate", "share of pairs far wider than the core"),
    )
    for end, word in (("", ""), ("_low", ", lower 95 % bound"), ("_high", ", upper 95 % bound"))
}

_CLASS = {
    "canopy": _text("canopy class; null for the whole site, and for rows without a label"),
    "solution": _text("solution type; null for the whole site, and where none is stated"),
}
PAIRS_NEEDED = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution", "pairs", "needed_h", "needed_v"),
    columns={
        **_CLASS,
        "pairs": _int("pairs of different visits there are", minimum=0),
        "needed_h": _int("pairs that bound the horizontal standard deviation, those there are among them", minimum=1),
        "needed_v": _int("pairs that bound that of the height", minimum=1),
    },
)
DETECTION = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution"),
    columns={
        **_CLASS,
        **{
            f"{name}_{axis}{unit}": _float(f"{about}, {word}", minimum=0)
            for axis, word in (("h", "horizontal"), ("v", "height"))
            for name, unit, about in (
                ("by_tolerance", "_m", "bias of one visit that takes a pair beyond tolerance with a power of 0.80"),
                ("by_test", "_m", "bias that the test of the closure finds with a power of 0.80"),
                ("power_tolerance", "", "probability that a bias as large as the requirement is beyond tolerance"),
                ("power_test", "", "probability that the test of the closure finds it"),
            )
        },
    },
)

GROSS_SCALES = Frame(
    key=("scale_h_m", "scale_v_m"),
    base=("scale_h_m", "scale_v_m", "share"),
    columns={
        "scale_h_m": _float("standard deviation per horizontal axis of a gross error", minimum=0, nulls=False),
        "scale_v_m": _float("standard deviation of its height", minimum=0, nulls=False),
        "share": _float("share of the site's gross errors that are of this scale", minimum=0, nulls=False),
    },
)

REPEATS = Frame(
    key=("repeat_prior",),
    base=("repeat", "repeat_prior", "fades_s"),
    columns={
        "repeat": _float("probability that a wrong fix comes back at once", minimum=0, nulls=False),
        "repeat_prior": _float("the same before the site's points were looked at", minimum=0, nulls=False),
        "fades_s": _float("time after which it is down to 37 %", above=0, nulls=False),
        "came": _float("repeats that the site's points show", minimum=0),
        "could": _float("wrong fixes of theirs that could have come back", minimum=0),
    },
)


#: What a raster of canopy heights says of a point.
MEASURES = {
    "canopy_height_m": float_column("canopy height at the point, above the ground"),
    "canopy_mean_m": float_column("mean canopy height within the radius that [canopy] states", quantity="metres").at(
        judgement=(240, "mean canopy height")
    ),
    "canopy_max_m": float_column("largest canopy height within it"),
    "cover_fraction": float_column("share of it that is cover", minimum=0, quantity="share").at(
        judgement=(250, "cover around it")
    ),
    "sky_view": float_column(
        "share of the sky above the horizon of the raster; 1 is all of it", minimum=0, quantity="share"
    ).at(judgement=(260, "sky view")),
}
#: Each in words, and its unit.
SPOKEN = {
    "canopy_height_m": ("canopy height at the point", "m"),
    "canopy_mean_m": ("mean canopy height", "m"),
    "canopy_max_m": ("largest canopy height", "m"),
    "cover_fraction": ("cover", "%"),
    "sky_view": ("sky view", "%"),
}
#: What the columns of `points` are that files on canopy give.
ON_POINTS = {
    **MEASURES,
    "canopy_mapped": text_column("canopy class of the area that holds the point").at(
        judgement=(220, "canopy by the areas")
    ),
    "canopy_raster": text_column("canopy class by the mean height of the raster").at(
        judgement=(230, "canopy by the raster")
    ),
}
#: Columns of `occupations` beside the class that counts.
ON_OCCUPATIONS = {
    "canopy_label": text_column("the surveyor's label, where another class may count"),
    "canopy_from": text_column("where the class that counts comes from", ORIGINS),
}

CANOPY = Frame(
    key=("point",),
    base=("point", *ON_POINTS),
    columns={"point": text_column("name of the point", nulls=False), **ON_POINTS},
)
CANOPY_CHECKS = Frame(
    key=("point",),
    base=("point", "canopy", "labelled", "mapped", "by_raster", "message"),
    columns={
        "point": text_column("name of the point", nulls=False),
        "canopy": text_column("the class that counts; null where occupations differ"),
        "labelled": text_column("the surveyor's label; null where occupations differ"),
        "mapped": text_column("class of the area that holds the point"),
        "by_raster": text_column("class by the mean height of the raster"),
        "canopy_mean_m": MEASURES["canopy_mean_m"],
        "cover_fraction": MEASURES["cover_fraction"],
        "message": text_column("in words", nulls=False),
        "geometry": Column("geometry", "in the job's CRS"),
    },
)

#: What points are grouped by: their class, or quarters of what a raster says of them.
CLASS, MEASURED = "class", ("canopy_mean_m", "cover_fraction", "sky_view")
BY = (CLASS, *MEASURED)
#: What canopy may cost.
CLOSURE_H, CLOSURE_V, BEYOND, LATE = COSTS = ("horizontal closure", "height closure", "beyond tolerance", "late fix")
KRUSKAL, LOGISTIC = TESTS = ("Kruskal-Wallis", "logistic")
_BY = {"by": text_column("what the points are grouped by", BY, nulls=False)}


def _bounded(name: str, about: str) -> dict[str, Column]:
    ends = (("", ""), ("_low", ", lower 95 % bound"), ("_high", ", upper 95 % bound"))
    return {f"{name}{end}": float_column(f"{about}{word}", minimum=0) for end, word in ends}


CANOPY_COSTS = Frame(
    key=("by", "value"),
    base=("by", "value", "points", "compared"),
    columns={
        **_BY,
        "value": text_column("canopy class, or quarter of the points from the least", nulls=False),
        "from_value": float_column("of a quarter: the least value of what it is a quarter of, metres or a share"),
        "to_value": float_column("of a quarter: the largest value, metres or a share"),
        "points": int_column("observed points that no shift explains", minimum=0),
        "left_out": int_column("observed points left out, for a shift explains them", minimum=0),
        "compared": int_column("of them those with closures between different visits, each counted once", minimum=0),
        **_bounded("closure_h_m", "median over points of their horizontal closure"),
        **_bounded("closure_v_m", "median over points of their height closure"),
        **_bounded("ratio_h", "horizontal closures over those of the class they are compared with"),
        "ratio_h_p": float_column(
            "probability of a larger difference where they close alike (Mann-Whitney)", minimum=0
        ),
        "reference": text_column("the class they are compared with"),
        **_bounded("beyond", "share of the proven points that are beyond tolerance"),
        "proven": int_column("points that are not unproven", minimum=0),
        **{k: v for status in STATUSES for k, v in _bounded(f"share_{status}", f"share that is {status}").items()},
        **_bounded("late", "share of the points whose first fix came late"),
        "waited": int_column("points at which the wait for a fix was seen", minimum=0),
        **{k: v for k, v in BOUNDED.items() if k.startswith(("repeatability", "tail_rate"))},
    },
)
CANOPY_CURVES = Frame(
    key=("cost", "by", "x"),
    base=("cost", "by", "x", "share", "low", "high"),
    columns={
        "cost": text_column("what the share is of", COSTS, nulls=False),
        **_BY,
        "x": float_column("canopy height in metres, cover or sky view as a share", nulls=False),
        "share": float_column("share of the points, fitted", minimum=0, nulls=False),
        "low": float_column("lower 95 % bound", minimum=0, nulls=False),
        "high": float_column("upper 95 % bound", minimum=0, nulls=False),
    },
)
CANOPY_TESTS = Frame(
    key=("cost", "by", "test"),
    base=("cost", "by", "test", "n", "statistic", "p", "note"),
    columns={
        "cost": text_column("what is compared", COSTS, nulls=False),
        **_BY,
        "test": text_column("the test", TESTS, nulls=False),
        "n": int_column("points", minimum=0),
        "events": int_column("of them beyond tolerance, or late; 0 where lengths are compared", minimum=0),
        "groups": int_column("groups compared, or terms of the curve", minimum=0),
        "statistic": float_column("statistic, chi-square where nothing differs", minimum=0),
        "p": float_column("probability of a larger one where nothing differs", minimum=0),
        "p_adjusted": float_column("the same, adjusted for the number of tests of this cost (Holm 1979)", minimum=0),
        "note": text_column("why there is no test, or no curve"),
    },
)

_SUMS = {
    "total_h": _float("squares of horizontal closures over their stated variance, gross ones left out", minimum=0),
    "freedom_h": _float("their degrees of freedom", minimum=0),
    "total_v": _float("the same of height closures", minimum=0),
    "freedom_v": _float("their degrees of freedom", minimum=0),
    "wrong": _float("wrong fixes", minimum=0),
    "fixes": _float("fixes that could show one", minimum=0),
}
#: What the job teaches of each class under the reference prior, before any experience.
TAUGHT = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution", *_SUMS),
    columns={
        "canopy": _text("canopy class, case folded", nulls=False),
        "solution": _text("solution type; null where none is stated"),
        **_SUMS,
    },
)
EXPERIENCE = Frame(
    key=("job", "canopy", "solution"),
    base=("job", "canopy", "solution", *_SUMS),
    columns={
        "job": _text("id of an earlier job", nulls=False),
        "group": _text("receiver, crew or network"),
        "month": _text("month of its first row"),
        **TAUGHT.columns,
    },
)
CONTRACTS = {
    "taught": TAUGHT,
    "experience": EXPERIENCE,
    "canopy": CANOPY,
    "canopy_checks": CANOPY_CHECKS,
    "canopy_curves": CANOPY_CURVES,
    "canopy_tests": CANOPY_TESTS,
}

CALIBRATION_BY_PROCEDURE = Frame(
    key=("by", "value"),
    base=("by", "value", "pairs"),
    columns={
        "by": _text("what the pairs are grouped by", ("solution", "duration"), nulls=False),
        "value": _text("solution type, or band of duration", nulls=False),
        "pairs": _int("pairs of different visits observed alike", minimum=0),
        "explained": _int("those that a shift explains", minimum=0),
        **BOUNDED,
    },
)
