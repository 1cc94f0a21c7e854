"""What changed since an earlier review, and what a reviewer decided: the evidence's status and delivery stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geoqa.core.arrays import Frames, gpd, np, pd
from geoqa.core.frames import revisits
from geoqa.core.frames.revisits import GONE, NEW, NEWLY_OPEN, OUTCOMES, earlier_view
from geoqa.core.job import Job
from geoqa.core.steps import Analysis, Result

#: Coordinates that differ by less are the same: metres.
LEAST_M = 0.0005
#: What either review says of a point.
_SAID = ("status", "deliver", "action")


@dataclass(frozen=True, kw_only=True)
class Changes(Analysis):
    """Compare the points with those of an earlier review, where one is given: what moved, what is done, what is open.

    A revisit is done where the earlier review asked for one, the point has more occupations than then, and this one
    asks for nothing; without a visit it is no longer asked for, such as where a reviewer has accepted the point.
    """

    name = "changes"
    needs = (
        "earlier", "points", "points.deliver", "points.easting_m", "points.northing_m", "points.height_m",
        "points.geometry",
    )  # fmt: skip
    uses = ("revisits",)
    gives = ("changes",)

    def run(self, frames: Frames, job: Job) -> Result:
        """Return a row for each point of either review."""
        points = frames["points"]
        made = compared(frames["earlier"], earlier_view(points, frames.get("revisits")))
        place = points.set_index(points["point"].astype("str"))["geometry"].reindex(made["point"])
        return Result({"changes": made.assign(geometry=place.array)}, tuple(change_sentences(made)))


def compared(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Return what became of each point, in the order of `after`, those that are gone behind.

    Parameters
    ----------
    before, after
        Two reviews as `geoqa.core.frames.revisits.earlier_view` has them.
    """
    both = after.merge(before, on="point", how="outer", suffixes=("", "_before"), indicator=True, sort=False)
    rank = pd.Series(np.arange(len(after)), index=after["point"])
    both = both.assign(rank=both["point"].map(rank)).sort_values(["rank", "point"], kind="stable", ignore_index=True)
    there, was = (both["_merge"] != "right_only").to_numpy(), (both["_merge"] != "left_only").to_numpy()
    moved = [(both[name] - both[f"{name}_before"]).to_numpy(float) for name in ("easting_m", "northing_m", "height_m")]
    moved_h = np.hypot(*moved[:2])
    more = both["occupations"].fillna(0).to_numpy(int) - both["occupations_before"].fillna(0).to_numpy(int)
    words = {f"{name}{end}": both[f"{name}{end}"].astype("str") for name in _SAID for end in ("_before", "")}
    changed = (moved_h > LEAST_M) | (np.abs(moved[2]) > LEAST_M) | (more != 0)
    for name in ("status", "deliver"):
        changed |= (words[name].fillna("") != words[f"{name}_before"].fillna("")).to_numpy()
    change = np.select([~was, ~there, changed], [NEW, GONE, revisits.CHANGED], revisits.SAME)
    return pd.DataFrame(
        {
            "point": both["point"],
            "change": pd.Categorical(change),
            **{name: words[name].astype("category") for name in list(words)[:4]},
            "more_occupations": more,
            "moved_h_m": moved_h,
            "moved_v_m": moved[2],
            "asked": words["action_before"].astype("category"),
            "action": words["action"].astype("category"),
            "revisit": _outcome(words, there, more),
        }
    )


def _outcome(words: Mapping[str, pd.Series], there: object, more: object) -> pd.Categorical:
    """Return what became of each revisit that was asked for, and which are new."""
    asked, asks = (words[name].notna().to_numpy() for name in ("action_before", "action"))
    visited = np.asarray(more) > 0
    # In the order of OUTCOMES: done, dropped, still open, not visited, newly open.
    cases = [asked & there & ~asks & visited, asked & there & ~asks, asked & visited, asked, asks]
    codes = np.select(cases, range(len(OUTCOMES)), -1)
    return pd.Categorical.from_codes(codes, categories=list(OUTCOMES))


def change_sentences(changes: pd.DataFrame) -> list[str]:
    """Return what changed in words: the moves between statuses, then what became of the revisits."""
    said = []
    counts = changes["change"].astype("str").value_counts()
    told = [words.format(counts[word], "s" * int(counts[word] > 1)) for word, words in _WORDS.items() if word in counts]
    moves = changes[changes["status"].notna() & changes["status_before"].notna()]
    moves = moves[moves["status"].astype("str") != moves["status_before"].astype("str")]
    pairs = (moves["status_before"].astype("str") + " to " + moves["status"].astype("str")).value_counts()
    told += [f"{count} from {pair}" for pair, count in sorted(pairs.items(), key=lambda item: (-item[1], item[0]))]
    both = changes[changes["deliver"].notna() & changes["deliver_before"].notna()]
    for was, now, words in (("no", "yes", "may now be delivered"), ("yes", "no", "may no longer be delivered")):
        count = int(((both["deliver_before"] == was) & (both["deliver"] == now)).sum())
        told += [f"{count} {words}"] if count else []
    said.append(f"since the earlier review: {', '.join(told) or 'no point has changed its status or its delivery'}")
    asked = changes["revisit"].astype("str").value_counts()
    if len(asked):
        total = int(asked.drop(NEWLY_OPEN, errors="ignore").sum())
        parts = [f"{asked[word]} {word}" for word in OUTCOMES if word in asked and word != NEWLY_OPEN]
        new = f"; {asked[NEWLY_OPEN]} newly open" if NEWLY_OPEN in asked else ""
        said.append(f"of {total} revisits asked for then: {', '.join(parts) or 'none was asked for'}{new}")
    return said


_WORDS = {NEW: "{} new point{}", GONE: "{} point{} no longer in the input"}


@dataclass(frozen=True, kw_only=True)
class ReviewerDecisions(Analysis):
    """Put the reviewer's decisions beside the points they concern, and give each a place.

    An accepted point keeps the status and the delivery that its evidence gives it.
    """

    name = "reviewer-decisions"
    needs = ("decisions", "points", "points.geometry", "occupations", "occupations.geometry")
    gives = ("points.decision", "decisions.geometry")

    def run(self, frames: Frames, job: Job) -> Result:
        """Return `points.decision` in words, and the place of each decision."""
        decisions, points, occupations = frames["decisions"], frames["points"], frames["occupations"]
        here, told = _sentences(decisions)
        names = pd.Index(points["point"].astype("str"))
        text = pd.Series(told, dtype="str").groupby(pd.Index(here, dtype="str"), sort=False).agg("; ".join)
        keyed = points[["point"]].copy()
        keyed["decision"] = pd.Categorical(text.reindex(names).to_numpy(dtype=object, na_value=None))
        of_point = (decisions["kind"] == "point").to_numpy(dtype=bool)
        point_at = names.get_indexer(pd.Index(decisions["point"].astype("str")))
        row_at = pd.Index(occupations["occupation_id"]).get_indexer(decisions["occupation_id"])
        shapes = occupations["geometry"].array.take(row_at)
        shapes[of_point] = points["geometry"].array.take(point_at[of_point])
        placed = decisions[["decision_id"]].copy()
        placed["geometry"] = gpd.GeoSeries(shapes, index=placed.index).array
        return Result({"points": keyed, "decisions": placed})


def _sentences(decisions: pd.DataFrame) -> tuple[list[str], list[str]]:
    """Return the points concerned and what to say there; a reassigned row is told where it was, too."""
    here, told = [], []
    for entry in decisions.itertuples(index=False):
        by = f"by {entry.who}, {entry.when}: {entry.why}"
        rows = "" if entry.kind == "point" else f"{entry.target} "
        if entry.action == "reassign":
            here += [entry.point, entry.point_before]
            told += [f"{rows}reassigned from {entry.point_before} {by}", f"{rows}reassigned to {entry.point} {by}"]
        else:
            here.append(entry.point)
            told.append(f"{rows}{entry.action}ed {by}")
    return here, told
