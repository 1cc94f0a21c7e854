"""Contracts of the frames beside the classes: gross errors, repeats, planning; and what pairs show."""

from __future__ import annotations

from geoqa.core.contract import Frame
from geoqa.core.contract import float_column as _float
from geoqa.core.contract import int_column as _int
from geoqa.core.contract import text_column as _text

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
    "canopy": _text("canopy class, or the whole site", nulls=False),
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
