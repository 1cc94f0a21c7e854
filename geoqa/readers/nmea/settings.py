"""What the recipe may state of receiver logs, for all modules that read them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.job import CORRELATION_S, GAP_S, HOLD_S, LOST_S
from geoqa.core.params import param


@dataclass(frozen=True, kw_only=True)
class LogSettings:
    """The settings of the step `nmea`."""

    name: ClassVar[str] = "nmea"

    marks: str | None = param(
        None, help="CSV with point, start and end of each occupation, named from the recipe's folder; without it "
        "stops are found and named stop-1, stop-2 ...",
    )  # fmt: skip
    antenna_height_m: float | None = param(
        None, unit="m", minimum=0, maximum=100, help="From the mark up to the antenna's reference point"
    )
    heights: bool = param(True, help="Whether heights are used where the antenna height is stated")
    still_m_s: float = param(
        0.1, unit="m/s", above=0, maximum=5,
        help="Speed from which the receiver moves; where the solution is float twice, where it is worse four times as "
        "much",
    )  # fmt: skip
    vehicle_m_s: float = param(
        3.0, unit="m/s", minimum=0, maximum=100,
        help="A stop that is come to and left faster than this, both within 20 s, is the halt of a vehicle and no "
        "occupation unless marks name it; 0 for none",
    )  # fmt: skip
    gap_s: float = param(
        GAP_S, unit="s", above=0, maximum=3600, help="A longer silence ends a stop, if longer than 2.5 epochs"
    )
    least_s: float = param(10.0, unit="s", above=0, maximum=86_400, help="Shortest occupation")
    lost_s: float = param(
        LOST_S, unit="s", above=0, maximum=3600, help="A fix that is away for so long is lost; for less it flickers"
    )
    hold_s: float = param(
        HOLD_S, unit="s", above=0, maximum=3600, help="A fix must last so long without a break to count"
    )
    carried_h: float = param(
        12.0, unit="h", minimum=0, maximum=1000,
        help="A log that begins fixed goes on with the fix of the log before, if no more lies between",
    )  # fmt: skip
    correlation_s: float = param(
        CORRELATION_S, unit="s", minimum=0, maximum=7200,
        help="How long errors last at least, for records too short to tell (Miller, O'Keefe and Gao 2012)",
    )  # fmt: skip
