"""Contracts of the frames of shifts: what occupations have in common, and which they are."""

from __future__ import annotations

from geoqa.core.frames.contract import Frame, bounded, number, text, whole, yes_no

KINDS = ("translation", "height", "rotation", "scale", "tilt", "drift", "unit", "axes", "name")
SCOPES = (
    "set-up", "file", "crew", "antenna height", "stretch of work", "part of a set-up", "second visits", "occupation",
    "point",
)  # fmt: skip

_NAMED = {
    "setup": text(
        "what shares it: base set-up, file, crew, antenna height, stretch of work, occupation, point", nulls=False
    ),
    "kind": text("what changes", KINDS, nulls=False),
}
_ESTIMATE = {
    **bounded("de_m", "east, what the occupations have too much; of a drift, from its middle to the later ones"),
    **bounded("dn_m", "north, likewise"),
    **bounded("du_m", "up, likewise"),
    **bounded("reach_m", "what a rotation, scale, tilt or drift changes from the middle to the farther points"),
}

SHIFTS = Frame(
    key=("setup", "kind"),
    base=("setup", "kind", "de_m", "dn_m", "du_m", "p", "points", "message"),
    columns={
        **_NAMED,
        "scope": text("what kind of thing `setup` is", SCOPES, nulls=False),
        **_ESTIMATE,
        "rotation_deg": number("rotation against the others, clockwise"),
        "scale_ppm": number("scale against the others"),
        "tilt_ppm": number("steepest tilt of the heights"),
        "p": number("probability of a larger one when there is none, this test alone", minimum=0),
        "points": whole("points that show it", minimum=0),
        "suspicious": yes_no("beyond what set-ups of this site differ by, all tests together"),
        "looks_like": text("what it looks like"),
        "off_control": yes_no("whether control shows it"),
        "remedy": text("what to do"),
        "message": text("in words", nulls=False),
    },
)

SHIFTED = Frame(
    key=("setup", "kind", "occupation_id"),
    base=("setup", "kind", "occupation_id", "point", "de_m", "dn_m", "du_m", "new_point", "mends", "either"),
    columns={
        **_NAMED,
        "occupation_id": whole("an occupation of a suspicious shift", minimum=1),
        "point": text("name of its point", nulls=False),
        "de_m": number("east, what it has too much", nulls=False),
        "dn_m": number("north, likewise", nulls=False),
        "du_m": number("up, likewise", nulls=False),
        "new_point": text("the point it belongs to, where its name is wrong"),
        "mends": yes_no("whether a correction can set it right"),
        "either": yes_no("of one of two sides, and nothing says which is off; the other one stands here with zeros"),
    },
)
