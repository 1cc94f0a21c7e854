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
