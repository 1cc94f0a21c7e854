"""The cautions that stand on everything people are shown."""

CAUTIONS: tuple[str, ...] = (
    "This is a review of internal evidence, not a certification.",
    "Precision is not accuracy.",
    "Agreement between occupations that share a base, an antenna height, a pole or a network does not show "
    "their common error.",
    "Boundary, engineering and safety-critical use belongs to a licensed practitioner under local rules.",
)
#: Stands wherever a longitude and latitude are shown.
APPROXIMATE = "Longitude and latitude are approximate, for display only."
#: Stands in its place where the site is in a frame of its own.
PLAIN_FRAME = "The site is drawn in a local frame: where it lies on the Earth is not stated."
#: On everything that sends people out.
FIELD_CAUTIONS: tuple[str, ...] = (
    "Under trees: look up before you stand still. Keep away from dead, hung-up or leaning trees, and leave in strong "
    "wind.",
    "Near water: not alone, not with the pole in one hand on wet rock or a steep bank, and never to finish one more "
    "point.",
    "Near traffic: high-visibility clothing, somebody who watches, and the site's traffic rules before any reading.",
    "Keep poles clear of overhead lines. Tell somebody where you go and when you will be back. No point is worth an "
    "injury: leave it and write down why.",
)
#: Beside every position that is given to find a mark by.
FINDING_ONLY = "Coordinates here are for finding the marks, not for setting out or delivery."
NAVIGATION_ONLY = "for navigation only"
