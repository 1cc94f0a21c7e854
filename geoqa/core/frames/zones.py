"""Contract of the frame of problem zones: where it is bad beyond chance, how bad, and what it rests on."""

from __future__ import annotations

from geoqa.core.frames.contract import Column, Frame, number, text, whole, yes_no

#: What a zone may rest on, by key.
KINDS = {"beyond": "beyond tolerance", "large": "large closures", "direction": "common direction"}
BEYOND, LARGE, DIRECTION = KINDS

ZONES = Frame(
    key=("zone",),
    base=("zone", "kind", "points", "judged", "beyond", "p", "message", "geometry"),
    columns={
        "zone": text("its name, the worst first", nulls=False).at("tip"),
        "kind": text(f"what it rests on: {', '.join(KINDS.values())}, or several of them", nulls=False),
        **{f"rests_on_{key}": yes_no(f"whether it rests on {words}") for key, words in KINDS.items()},
        "points": whole("points inside", minimum=1),
        "judged": whole("of them shown to agree or to disagree", minimum=0),
        "beyond": whole("of those in conflict or loose: beyond tolerance", minimum=0),
        "share": number("share of the judged that are beyond", minimum=0),
        "share_low": number("... lower 95 % bound (Jeffreys) of such a place, not of one chosen as the worst"),
        "share_high": number("... upper 95 % bound"),
        "share_site": number("the same share of the whole site", minimum=0),
        "judged_site": whole("judged points of the whole site, with a place and explained by no shift", minimum=0),
        "median_closure_m": number("median of the points' worst horizontal closures", minimum=0),
        "median_site_m": number("the same of the whole site", minimum=0),
        "bias_e_m": number("east, what `bias_of` has too much here; the median"),
        "bias_n_m": number("north, likewise"),
        "bias_u_m": number("up, likewise"),
        "bias_p": number("probability of directions that agree as well by chance, this zone alone", minimum=0),
        "bias_of": text("which differences the bias is the middle of; null where there are too few"),
        "bias_points": whole("points that show the bias", minimum=0),
        "p": number("probability by chance, adjusted for all tests of the site", minimum=0),
        "canopy": text("the commonest canopy class of its points"),
        "canopy_share": number("share of its points in that class", minimum=0),
        "canopy_p": number(
            "the same as `p` where points change places only with others of their class: large where the class alone "
            "explains the zone; null where nothing tells the classes apart",
            minimum=0,
        ),
        "message": text("in words", nulls=False).at("tip"),
        "geometry": Column("geometry", "its outline, in the job's CRS", nulls=False),
    },
)
