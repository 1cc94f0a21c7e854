"""Tolerances and requirements: what the job accepts, with the source of every preset."""

from __future__ import annotations

from dataclasses import dataclass

from geoqa.core.errors import Fault, ParameterError
from geoqa.core.params import Declared, param
from geoqa.core.units import length, percent, plain

CONVENTIONS = ("closure", "from-mean")


@dataclass(frozen=True, kw_only=True)
class Tolerance(Declared):
    """The largest closure the job accepts: a constant and a part per million of the base distance."""

    horizontal_m: float = param(unit="m", above=0, maximum=100, help="Largest horizontal closure")
    horizontal_ppm: float = param(0.0, unit="ppm", minimum=0, maximum=1000, help="Added per distance to the base")
    vertical_m: float | None = param(None, unit="m", above=0, maximum=100, help="Largest height closure")
    vertical_ppm: float = param(0.0, unit="ppm", minimum=0, maximum=1000, help="Added per distance to the base")
    convention: str = param(
        "closure", choices=CONVENTIONS, help="What is compared: a pair's closure, or each visit against the average"
    )
    purpose: str | None = param(None, help="The preset these values come from")
    reference: str = param("stated in the recipe", help="Where the values come from")

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.reference.strip():
            fault = Fault("reference", "is empty.", "Say where the values come from, or leave it out.")
            raise ParameterError.from_faults(f"{self.title()} cannot be used:", [fault])

    @property
    def pair_factor(self) -> float:
        """How much larger than the constant a pair's closure may be: two visits lie on either side of their mean."""
        return 2.0 if self.convention == "from-mean" else 1.0

    def spoken(self, unit: str, unit_up: str) -> str:
        """Return the tolerance in words, in the job's unit and that of its heights."""

        def part(constant_m: float, ppm: float, unit: str) -> str:
            return length(constant_m, unit) + (f" + {plain(ppm)} ppm" if ppm else "")

        vertical = "not stated" if self.vertical_m is None else part(self.vertical_m, self.vertical_ppm, unit_up)
        meaning = "pair closure" if self.convention == "closure" else "each visit against the average"
        return f"horizontal {part(self.horizontal_m, self.horizontal_ppm, unit)}, vertical {vertical} ({meaning})"


@dataclass(frozen=True, kw_only=True)
class Requirement(Declared):
    """The largest error the job accepts in a delivered coordinate, at a stated confidence."""

    horizontal_m: float | None = param(None, unit="m", above=0, maximum=100, help="Largest horizontal error")
    vertical_m: float | None = param(None, unit="m", above=0, maximum=100, help="Largest height error")
    confidence: float = param(0.95, unit="1", minimum=0.5, maximum=0.9999, help="Probability it must hold with")
    judge: str = param("hv", choices=("h", "v", "hv"), help="What decides: horizontal, vertical or both")

    def spoken(self, unit: str, unit_up: str) -> str:
        """Return the requirement in words, in the job's unit and that of its heights."""
        both = (("horizontal", self.horizontal_m, unit), ("vertical", self.vertical_m, unit_up))
        stated = [f"{word} {length(limit, unit)}" for word, limit, unit in both if limit is not None]
        if not stated:
            return "none stated, so nothing can be delivered"
        return f"{', '.join(stated)} at {percent(self.confidence)}"


_SINGLE_BASE = (
    "National Geodetic Survey, User Guidelines for Single Base Real Time GNSS Positioning, class {}: each occupation "
    "against the average, at 95 %, precision relative to the base. Values from memory, the looser end of each range: "
    "compare them with the document before relying on them"
)


def _single_base(name: str, horizontal_m: float, vertical_m: float) -> Tolerance:
    return Tolerance(
        horizontal_m=horizontal_m, vertical_m=vertical_m, convention="from-mean",
        purpose=name, reference=_SINGLE_BASE.format(name.upper()),
    )  # fmt: skip


#: Presets that `purpose = "..."` may name; each prints its source.
PRESETS: dict[str, Tolerance] = {
    "rt1": _single_base("rt1", 0.02, 0.04),
    "rt2": _single_base("rt2", 0.04, 0.05),
    "rt3": _single_base("rt3", 0.06, 0.08),
    "rt4": _single_base("rt4", 0.2, 0.3),
}
