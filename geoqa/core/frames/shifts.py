"""Contracts of the frames of shifts: what occupations have in common, and which they are."""

from __future__ import annotations

from geoqa.core.frames.contract import Frame
from geoqa.core.frames.contract import bool_column as _bool
from geoqa.core.frames.contract import float_column as _float
from geoqa.core.frames.contract import int_column as _int
from geoqa.core.frames.contract import text_column as _text

KINDS = ("translation", "height", "rotation", "scale", "tilt", "drift", "unit", "axes", "name")
SCOPES = (
    "set-up", "file", "crew", "antenna height", "stretch of work", "part of a set-up", "second visits", "occupation",
    "point",
)  # fmt: skip

_NAMED = {
    "setup": _text(
        "what shares it: base set-up, file, crew, antenna height, stretch of work, occupation, point", nulls=False
    ),
    "kind": _text("what changes", KINDS, nulls=False),
}
_ESTIMATE = {
    f"{name}{end}": _float(f"{about}{word}")
    for name, about in (
        ("de_m", "east, what the occupations have too much; of a drift, from its middle to the later ones"),
        ("dn_m", "north, likewise"),
        ("du_m", "up, likewise"),
        ("reach_m", "what a rotation, scale, tilt or drift changes from the middle to the farther points"),
    )
    for end, word in (("", ""), ("_low", ", lower 95 % bound"), ("_high", ", upper 95 % bound"))
}

SHIFTS = Frame(
    key=("setup", "kind"),
    base=("setup", "kind", "de_m", "dn_m", "du_m", "p", "points", "message"),
    columns={
        **_NAMED,
        "scope": _text("what kind of thing `setup` is", SCOPES, nulls=False),
        **_ESTIMATE,
        "rotation_deg": _float("rotation against the others, clockwise"),
        "scale_ppm": _float("scale against the others"),
        "tilt_ppm": _float("steepest tilt of the heights"),
        "p": _float("probability of a larger one when there is none, this test alone", minimum=0),
        "points": _int("points that show it", minimum=0),
        "suspicious": _bool("beyond what set-ups of this site differ by, all tests together"),
        "looks_like": _text("what it looks like"),
        "off_control": _bool("whether control shows it"),
        "remedy": _text("what to do"),
        "message": _text("in words", nulls=False),
    },
)

SHIFTED = Frame(
    key=("setup", "kind", "occupation_id"),
    base=("setup", "kind", "occupation_id", "point", "de_m", "dn_m", "du_m", "new_point", "mends", "either"),
    columns={
        **_NAMED,
        "occupation_id": _int("an occupation of a suspicious shift", minimum=1),
        "point": _text("name of its point", nulls=False),
        "de_m": _float("east, what it has too much", nulls=False),
        "dn_m": _float("north, likewise", nulls=False),
        "du_m": _float("up, likewise", nulls=False),
        "new_point": _text("the point it belongs to, where its name is wrong"),
        "mends": _bool("whether a correction can set it right"),
        "either": _bool("of one of two sides, and nothing says which is off; the other one stands here with zeros"),
    },
)
