"""Contracts of the frames beside the classes, gross errors, repeats, planning, experience, and of those on canopy."""

from __future__ import annotations

from geoqa.core.frames.contract import STATUSES, Column, Frame, bounded, number, text, whole
from geoqa.core.job import LEAVES
from geoqa.core.recipe import ORIGINS

#: What pairs show of a class or another group, each with its bounds.
BOUNDED = {
    **bounded("repeatability_h_m", "standard deviation per horizontal axis of one visit", minimum=0),
    **bounded("repeatability_v_m", "standard deviation of the height of one visit", minimum=0),
    **bounded("precision_ratio_h", "ratio of seen to reported precision, horizontal", minimum=0),
    **bounded("precision_ratio_v", "ratio of seen to reported precision, height", minimum=0),
    **bounded("tail_rate", "share of pairs far wider than the core", minimum=0),
}

_CLASS = {
    "canopy": text("canopy class; null for the whole site, and for rows without a label"),
    "solution": text("solution type; null for the whole site, and where none is stated"),
}
PAIRS_NEEDED = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution", "pairs", "needed_h", "needed_v"),
    columns={
        **_CLASS,
        "pairs": whole("pairs of different visits there are", minimum=0),
        "needed_h": whole("pairs that bound the horizontal standard deviation, those there are among them", minimum=1),
        "needed_v": whole("pairs that bound that of the height", minimum=1),
    },
)
DETECTION = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution"),
    columns={
        **_CLASS,
        **{
            f"{name}_{axis}{unit}": number(f"{about}, {word}", minimum=0)
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
        "scale_h_m": number("standard deviation per horizontal axis of a gross error", minimum=0, nulls=False),
        "scale_v_m": number("standard deviation of its height", minimum=0, nulls=False),
        "share": number("share of the site's gross errors that are of this scale", minimum=0, nulls=False),
    },
)

REPEATS = Frame(
    key=("repeat_prior",),
    base=("repeat", "repeat_prior", "fades_s"),
    columns={
        "repeat": number("probability that a wrong fix comes back at once", minimum=0, nulls=False),
        "repeat_prior": number("the same before the site's points were looked at", minimum=0, nulls=False),
        "fades_s": number("time after which it is down to 37 %", above=0, nulls=False),
        "came": number("repeats that the site's points show", minimum=0),
        "could": number("wrong fixes of theirs that could have come back", minimum=0),
    },
)


#: What a raster of canopy heights says of a point.
MEASURES = {
    "canopy_height_m": number("canopy height at the point, above the ground"),
    "canopy_mean_m": number("mean canopy height within the radius that [canopy] states", quantity="metres").at(
        judgement=(240, "mean canopy height")
    ),
    "canopy_max_m": number("largest canopy height within it"),
    "cover_fraction": number("share of it that is cover", minimum=0, quantity="share").at(
        judgement=(250, "cover around it")
    ),
    "sky_view": number(
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
    "canopy_mapped": text("canopy class of the area that holds the point").at(judgement=(220, "canopy by the areas")),
    "canopy_raster": text("canopy class by the mean height of the raster").at(judgement=(230, "canopy by the raster")),
}
#: What a crew may say in numbers of the stand around an occupation; there only where the recipe maps it.
STAND = {
    "stems": number("number of stems within 4 m", minimum=0),
    "nearest_tree_m": number("distance to the nearest tree", minimum=0, quantity="metres"),
    "stand_height_m": number("height of the stand around", minimum=0, quantity="metres"),
}
SPOKEN |= {
    "stems": ("stems within 4 m", ""),
    "nearest_tree_m": ("distance to the nearest tree", "m"),
    "stand_height_m": ("stand height", "m"),
}
#: Columns of `occupations` beside the class that counts.
ON_OCCUPATIONS = {
    **STAND,
    "leaf": text("whether leaves are out", LEAVES),
    "canopy_label": text("the surveyor's label, where another class may count"),
    "canopy_from": text("where the class that counts comes from", ORIGINS),
}

CANOPY = Frame(
    key=("point",),
    base=("point", *ON_POINTS),
    columns={"point": text("name of the point", nulls=False), **ON_POINTS},
)
CANOPY_CHECKS = Frame(
    key=("point",),
    base=("point", "canopy", "labelled", "mapped", "by_raster", "message"),
    columns={
        "point": text("name of the point", nulls=False),
        "canopy": text("the class that counts; null where occupations differ"),
        "labelled": text("the surveyor's label; null where occupations differ"),
        "mapped": text("class of the area that holds the point"),
        "by_raster": text("class by the mean height of the raster"),
        "canopy_mean_m": MEASURES["canopy_mean_m"],
        "cover_fraction": MEASURES["cover_fraction"],
        "message": text("in words", nulls=False),
        "geometry": Column("geometry", "in the job's CRS"),
    },
)

#: What points are grouped by: their class, or quarters of what a raster, or the crew, says of them; leaves on or off.
CLASS, MEASURED, LEAF = "class", ("canopy_mean_m", "cover_fraction", "sky_view"), "leaf"
BY = (CLASS, *MEASURED, *STAND, LEAF)
#: What canopy may cost.
CLOSURE_H, CLOSURE_V, BEYOND, LATE = COSTS = ("horizontal closure", "height closure", "beyond tolerance", "late fix")
KRUSKAL, LOGISTIC = TESTS = ("Kruskal-Wallis", "logistic")
_BY = {"by": text("what the points are grouped by", BY, nulls=False)}


CANOPY_COSTS = Frame(
    key=("by", "value"),
    base=("by", "value", "points", "compared"),
    columns={
        **_BY,
        "value": text("canopy class, or quarter of the points from the least", nulls=False),
        "from_value": number("of a quarter: the least value of what it is a quarter of, metres or a share"),
        "to_value": number("of a quarter: the largest value, metres or a share"),
        "points": whole("observed points that no shift explains", minimum=0),
        "left_out": whole("observed points left out, for a shift explains them", minimum=0),
        "compared": whole("of them those with closures between different visits, each counted once", minimum=0),
        **bounded("closure_h_m", "median over points of their horizontal closure", minimum=0),
        **bounded("closure_v_m", "median over points of their height closure", minimum=0),
        **bounded("ratio_h", "horizontal closures over those of the class they are compared with", minimum=0),
        "ratio_h_p": number("probability of a larger difference where they close alike (Mann-Whitney)", minimum=0),
        "reference": text("the class they are compared with"),
        **bounded("beyond", "share of the proven points that are beyond tolerance", minimum=0),
        "proven": whole("points that are not unproven", minimum=0),
        **{
            name: column
            for status in STATUSES
            for name, column in bounded(f"share_{status}", f"share that is {status}", minimum=0).items()
        },
        **bounded("late", "share of the points whose first fix came late", minimum=0),
        "waited": whole("points at which the wait for a fix was seen", minimum=0),
        **{k: v for k, v in BOUNDED.items() if k.startswith(("repeatability", "tail_rate"))},
    },
)
CANOPY_CURVES = Frame(
    key=("cost", "by", "x"),
    base=("cost", "by", "x", "share", "low", "high"),
    columns={
        "cost": text("what the share is of", COSTS, nulls=False),
        **_BY,
        "x": number("canopy height in metres, cover or sky view as a share", nulls=False),
        "share": number("share of the points, fitted", minimum=0, nulls=False),
        "low": number("lower 95 % bound", minimum=0, nulls=False),
        "high": number("upper 95 % bound", minimum=0, nulls=False),
    },
)
CANOPY_TESTS = Frame(
    key=("cost", "by", "test"),
    base=("cost", "by", "test", "n", "statistic", "p", "note"),
    columns={
        "cost": text("what is compared", COSTS, nulls=False),
        **_BY,
        "test": text("the test", TESTS, nulls=False),
        "n": whole("points", minimum=0),
        "events": whole("of them beyond tolerance, or late; 0 where lengths are compared", minimum=0),
        "groups": whole("groups compared, or terms of the curve", minimum=0),
        "statistic": number("statistic, chi-square where nothing differs", minimum=0),
        "p": number("probability of a larger one where nothing differs", minimum=0),
        "p_adjusted": number("the same, adjusted for the number of tests of this cost (Holm 1979)", minimum=0),
        "note": text("why there is no test, or no curve"),
    },
)

_SUMS = {
    "total_h": number("squares of horizontal closures over their stated variance, gross ones left out", minimum=0),
    "freedom_h": number("their degrees of freedom", minimum=0),
    "total_v": number("the same of height closures", minimum=0),
    "freedom_v": number("their degrees of freedom", minimum=0),
    "wrong": number("wrong fixes", minimum=0),
    "fixes": number("fixes that could show one", minimum=0),
}
#: What the job teaches of each class under the reference prior, before any experience.
TAUGHT = Frame(
    key=("canopy", "solution"),
    base=("canopy", "solution", *_SUMS),
    columns={
        "canopy": text("canopy class, case folded", nulls=False),
        "solution": text("solution type; null where none is stated"),
        **_SUMS,
    },
)
EXPERIENCE = Frame(
    key=("job", "canopy", "solution"),
    base=("job", "canopy", "solution", *_SUMS),
    columns={
        "job": text("id of an earlier job", nulls=False),
        "group": text("receiver, crew or network"),
        "month": text("month of its first row"),
        **TAUGHT.columns,
    },
)

CALIBRATION_BY_PROCEDURE = Frame(
    key=("by", "value"),
    base=("by", "value", "pairs"),
    columns={
        "by": text("what the pairs are grouped by", ("solution", "duration"), nulls=False),
        "value": text("solution type, or band of duration", nulls=False),
        "pairs": whole("pairs of different visits observed alike", minimum=0),
        "explained": whole("those that a shift explains", minimum=0),
        **BOUNDED,
    },
)
