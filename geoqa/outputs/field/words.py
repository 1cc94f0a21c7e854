"""What the field sheet says to every crew."""

from __future__ import annotations

from geoqa.core.revisit_contracts import (
    CHECK_RECORDS,
    DECIDING,
    LATER,
    LONGER,
    LOOK_AT_MARK,
    OTHER_BASE,
    OTHER_METHOD,
    SECOND,
)

#: What is done at every point.
HOW = (
    "Read the mark's number. Plumb the pole; measure and enter the antenna height anew.",
    "Fresh initialization: make the receiver drop its fix and find a new one. A data link that comes back is none.",
    "Wait until it is fixed and has settled, observe as long as stated, store under the same name, tick.",
)
AGAIN = (
    "Have the day's data reviewed before you leave. Where visits disagree again, come back as often as “Stop after” "
    "says, then no more: the point is tied to two control points set in the open, by offset or traverse."
)
#: What each action says, in short.
MEANS = {
    CHECK_RECORDS: "the field book may explain it; observe only if it does not",
    LOOK_AT_MARK: "too far apart for one mark: look for a second or a disturbed one; then observe",
    SECOND: "shown by one fix only so far",
    LATER: "what it has agrees but is not enough; once more, under another sky",
    DECIDING: "its visits disagree; one more can say which is right",
    LONGER: "as noisy as its place is; observe longer",
    OTHER_BASE: "its visits differ by base; set the base up on another known mark first",
    OTHER_METHOD: "no more visits: tie it by offset or traverse to two control points set in the open",
}
#: How to read a column, by its heading.
WHEN = "before that time the errors of its last visit are still there."
NOT = "“Not”: then the satellites stand as they did at the last visit, each day later 4 minutes earlier."
UNTOLD = "a dash: nothing on this site tells how long; not shorter than the visits before."
