"""What to do about a point that cannot be delivered, from what is known of it. Kernels and their words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoqa.core.revisit_contracts import (
    ACCEPT,
    ACTIONS,
    CHECK_RECORDS,
    DECIDING,
    LATER,
    LONGER,
    LOOK_AT_MARK,
    OTHER_BASE,
    OTHER_METHOD,
    SECOND,
    VISITS,
)

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Index = NDArray[np.int64]
    Flags = NDArray[np.bool_]

_FRESH = "drop the solution, let the receiver initialize afresh"
#: What the crew does.
SENTENCES = {
    CHECK_RECORDS: "Compare the field book with what was entered. If that explains it, there is nothing to observe; "
    f"otherwise {_FRESH} and observe again.",
    LOOK_AT_MARK: "The visits are too far apart for one mark: read the number on the mark, look for a second or a "
    f"disturbed one near by; then {_FRESH}, and observe.",
    SECOND: f"Observe once more: {_FRESH}, and observe.",
    LATER: f"Observe once more under another sky, not at the times ruled out where some are: {_FRESH}, and observe.",
    DECIDING: f"The visits disagree and one more decides between them: {_FRESH}, and observe.",
    LONGER: f"Observe once more and for longer: {_FRESH}, wait until the shown precision has settled, then observe "
    "for the time given.",
    OTHER_BASE: f"Set the base up on another known mark; then {_FRESH}, and observe.",
    OTHER_METHOD: "More visits with the receiver are not expected to help: set two control points in the open, "
    "observe each of them in two visits, and tie this point to them by offset or traverse.",
    ACCEPT: "Nothing to do: one occupation was planned.",
}


@dataclass(frozen=True)
class Facts:
    """What an action depends on; arrays of shape (n,).

    Attributes
    ----------
    conflict, loose, unproven
        The status.
    planned
        A single occupation was planned, and there is one.
    explained
        A suspicious shift explains it, or is all that holds it back.
    worst_m
        Largest horizontal closure between independent fixes; NaN for none.
    by_base
        Visits from one base set-up agree, those from different ones do not.
    longer_helps
        Whether longer occupations may help: False where logs of its class show that they do not.
    visits
        Visits it has had.
    hopeless
        Whether the record of its class says that visits will not help.
    """

    conflict: Flags
    loose: Flags
    unproven: Flags
    planned: Flags
    explained: Flags
    worst_m: Array
    by_base: Flags
    longer_helps: Flags
    visits: Index
    hopeless: Flags


def actions(facts: Facts, most_visits: int, other_mark_m: float) -> Index:
    """Return the action of each point as a position in `ACTIONS`; the first rule that holds decides.

    Parameters
    ----------
    most_visits
        Visits that never agreed after which another method is used.
    other_mark_m
        Closure above which two marks are likelier than a wrong fix.
    """
    disagree = facts.conflict | facts.loose
    rules = (
        (facts.planned, ACCEPT),
        (facts.explained, CHECK_RECORDS),
        (facts.conflict & (facts.worst_m > other_mark_m), LOOK_AT_MARK),
        (disagree & facts.by_base & (facts.visits <= most_visits), OTHER_BASE),
        ((disagree & (facts.visits >= most_visits)) | facts.hopeless, OTHER_METHOD),
        (facts.conflict, DECIDING),
        (facts.loose & facts.longer_helps, LONGER),
        (facts.loose, OTHER_METHOD),
        (facts.unproven, SECOND),
    )
    codes = [ACTIONS.index(action) for _, action in rules]
    return np.select([flags for flags, _ in rules], codes, ACTIONS.index(LATER)).astype(np.int64)


def is_visit(action: Index) -> Flags:
    """Return which actions are one more visit with the receiver."""
    return np.isin(action, [ACTIONS.index(name) for name in VISITS])


def may_observe(action: Index) -> Flags:
    """Return which actions end with an occupation of the point."""
    return is_visit(action) | np.isin(action, [ACTIONS.index(CHECK_RECORDS), ACTIONS.index(LOOK_AT_MARK)])


def goes_there(action: Index) -> Flags:
    """Return which actions somebody has to go there for."""
    return action != ACTIONS.index(ACCEPT)


def no_chance(action: Index) -> NDArray[np.object_]:
    """Return why an action that is no plain visit has no chance of one."""
    first = {CHECK_RECORDS: "what the records say comes first", LOOK_AT_MARK: "what the mark shows comes first"}
    words = [first.get(name, "one more visit is not what it needs") for name in ACTIONS]
    return np.array(words, dtype=object)[action]


def is_hopeless(share_high: Array, most_expected: float) -> Flags:
    """Return where even the upper bound of the chance asks for more than so many further visits on average.

    Visits until the first that helps follow the geometric distribution, with the mean 1 / chance. The upper bound,
    not the share itself: a thin record sends nobody home. NaN, no record, is not hopeless.
    """
    return share_high * most_expected < 1


def limits(action: Index, visits: Index, most_visits: int) -> Index:
    """Return the further visits after which to take another method: what is left of the most, one at least."""
    return np.where(may_observe(action), np.maximum(most_visits - visits, 1), 0).astype(np.int64)


def sentences(action: Index) -> pd.Categorical:
    """Return what the crew is to do."""
    import pandas as pd

    return pd.Categorical.from_codes(action, [SENTENCES[name] for name in ACTIONS])
