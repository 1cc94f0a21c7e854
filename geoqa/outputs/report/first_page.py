"""The first page, in the client's words: what was asked and checked, what may be delivered, what not and why."""

from __future__ import annotations

from collections.abc import Iterator

from geoqa.core import clock, recipe
from geoqa.core.arrays import Flags, Frames, pd
from geoqa.core.frames import procedure, wording
from geoqa.core.frames.contract import CONTRADICTORY, OVER, STATUS, STATUSES, UNTESTED
from geoqa.core.frames.control import CHECK
from geoqa.core.job import Job
from geoqa.core.recipe import Requirement, Tolerance
from geoqa.core.units import bare, counted, expected, percent, plain, probability
from geoqa.outputs import symbology
from geoqa.outputs.header import CAUTIONS
from geoqa.outputs.report import site_map
from geoqa.outputs.report.document import Beside, Block, FactList, Items, Lines, Section, TableBlock, Text, shown

#: The same of points whose disagreement a suspicious shift explains.
SHARED = "too far apart: the observations seem to share an error, to be cleared up first"
#: What is said of a conflict of which control shows which set-ups are off.
CONFLICT_SETTLED = "its observations contradict each other, and control shows which base set-ups are off: see above"
#: A space that keeps a number and its unit on one line.
FIXED = "\u00a0"
_UNITS = {"ftUS": "US survey ft"}


def limit(metres: float, unit: str) -> str:
    """Return a length with its unit in full."""
    return f"{bare(metres, unit)}{FIXED}{_UNITS.get(unit, unit)}"


def asked(requirement: Requirement, job: Job) -> str:
    """Return a requirement as a client would state it."""
    both = ((requirement.horizontal_m, job.grid.unit, "in position", "h"),
            (requirement.vertical_m, job.grid.unit_up, "in height", "v"))  # fmt: skip
    stated = [f"{limit(value, unit)} {word}" for value, unit, word, axis in both if value and axis in requirement.judge]
    if not stated:
        return "no largest error of a coordinate was stated, so nothing can be delivered"
    return f"coordinates that are off by no more than {' and '.join(stated)}, with a confidence of " + percent(
        requirement.confidence
    ).replace(" ", FIXED)


def accepted(tolerance: Tolerance, job: Job) -> str:
    """Return a tolerance as a client would read it."""
    parts = [_part(tolerance.horizontal_m, tolerance.horizontal_ppm, job.grid.unit, "in position")]
    if tolerance.vertical_m is not None:
        parts.append(_part(tolerance.vertical_m, tolerance.vertical_ppm, job.grid.unit_up, "in height"))
    between = "two observations of a point" if tolerance.convention == "closure" else "a visit and the average of all"
    return f"{' and '.join(parts)} between {between}"


def _part(constant_m: float, ppm: float, unit: str, word: str) -> str:
    more = f" plus {plain(ppm)} mm for each km to the base station" if ppm else ""
    return f"{limit(constant_m, unit)}{more} {word}"


SIGN_OFF = ("Name", "Licence", "Date", "Signature")
#: Reasons shown of those that hold points back.
MOST = 8
#: Expected number from which none is no longer the likeliest.
MORE_THAN_NONE = 0.5
#: Longest of what the recipe says of client, project and maker.
LONGEST = 140


def sections(frames: Frames, job: Job, corrected: int = 0) -> tuple[Section, ...]:
    """Return the sections of the first page.

    Parameters
    ----------
    corrected
        Errors that observations shared and that were corrected before the review.
    """
    points = frames["points"]
    picture = site_map.figure(frames, job)
    counts = _counts(points)
    site: Block = Beside((counts,), picture) if picture else counts
    alone = recipe.judged_words(points)
    judged = (Text(alone, strong=True),) if alone else ()
    off = wording.off_control(frames, job)
    first = (Text(shown(off, 800), strong=True),) if off else ()
    return (
        Section(
            "What was found",
            (*first, *_headline(points), *judged, FactList(tuple(_asked(frames, job, corrected))), site),
        ),
        Section("What is not delivered, and why", _withheld(points, wording.settles(frames))),
        Section("What was not tested", tuple(_untested(frames, job))),
        Section("Cautions", (Items(CAUTIONS),)),
        Section("Sign-off", (Lines(SIGN_OFF),)),
    )


def _headline(points: pd.DataFrame) -> tuple[Block, ...]:
    given = points[points["deliver"] == "yes"]
    first = Text(f"{len(given):,} of {counted(len(points), 'point')} may be delivered.", strong=True)
    risk = given["risk"].dropna()
    if given.empty:
        return (first,)
    if risk.empty:
        return (first, Text("How likely they are to be further off than asked is not known."))
    if len(given) == 1:
        return (first, Text(f"The chance that it is further off than asked is {probability(risk.max())}."))
    return (first, Text(f"{_expected(risk)} The highest risk of any one point is {probability(risk.max())}."))


def _expected(risk: pd.Series[float]) -> str:
    """Return how many of the delivered points are probably too far off, so that nobody takes it for a list."""
    total, n = float(risk.sum()), f"{len(risk):,}"
    shows = "No point is certain: by what the observations themselves show,"
    if total < MORE_THAN_NONE:
        return f"{shows} most likely none of these {n} is further off than asked ({expected(total)} expected)."
    return (
        f"{shows} about 1 in {round(len(risk) / total):,} is expected outside the limits ({expected(total)} of these "
        f"{n}), and nobody can say which."
    )


def _asked(frames: Frames, job: Job, corrected: int) -> Iterator[tuple[str, str]]:
    """Return what was asked, by whom, and what was checked and how; what is not known is left out."""
    told = job.report
    asked_by = [shown(text, LONGEST) for text in (told.client, told.project) if text]
    if asked_by:
        yield "For", ": ".join(asked_by)
    if told.prepared_by:
        yield "Prepared by", shown(told.prepared_by, LONGEST)
    others = [name for name, role in job.roles.items() if role.requirement != job.requirement]
    other = f"; other limits for {', '.join(shown(name, 20) for name in others[:4])}, see Tolerance and requirement"
    yield "Asked", asked(job.requirement, job) + (other if others else "")
    if when := _days(frames["occupations"], job):
        yield "Observed", when
    yield "Checked", _checked(frames)
    cover = " under such tree cover" if frames["points"]["canopy"].notna().any() else ""
    yield (
        "How",
        "independent observations of a point are compared: do they agree within what the job accepts "
        f"({accepted(job.tolerance, job)}), and as well as observations{cover} usually do here?",
    )
    if "procedure" in frames and "procedure" in frames["points"]:
        yield "Procedure", _as_asked(frames, job)
    if corrected:
        yield "Corrected", f"{counted(corrected, 'error')} that observations shared, before they were compared"
    if known := _known(frames, job):
        yield "Control", known


def _days(occupations: pd.DataFrame, job: Job) -> str:
    if "start_utc" not in occupations or not occupations["start_utc"].notna().any():
        return ""
    days = clock.days(occupations["start_utc"], job).dt.strftime(clock.DAY)
    first, last = days.min(), days.max()
    return f"{first}" if first == last else f"{first} to {last}"


def _checked(frames: Frames) -> str:
    points, occupations = frames["points"], frames["occupations"]
    bases = int(occupations["base"].nunique()) if "base" in occupations else 0
    again = int((points["visits"] > 1).sum())
    visited = "point was" if again == 1 else "points were"
    told = f"{counted(int(points['occupations'].sum()), 'observation')} (occupations) of "
    told += counted(len(points), "point")
    told += f", from {counted(bases, 'set-up')} of a base station" if bases else ""
    told += f"; {again:,} {visited} visited more than once"
    return told + ("" if recipe.heights_judged(points) else "; positions only, not heights")


def _as_asked(frames: Frames, job: Job) -> str:
    """Return how many points were observed as the job asks; nothing of a procedure that may not be signed."""
    if not job.procedure.signable:
        return "what was asked of how points are observed is not known at first hand, and is no part of this page"
    met, unmet, unshown = procedure.counts(frames)
    told = f"{met:,} of {counted(met + unmet + unshown, 'point')} were observed in every way that the job asks of them"
    told += f"; {unmet:,} were not" * bool(unmet) + f"; of {unshown:,} nothing shows it" * bool(unshown)
    return told + ("; what was asked, and what is missing, is told below" if unmet or unshown else "")


def _known(frames: Frames, job: Job) -> str:
    """Return how far determined points lie from what is known of them."""
    checks = frames.get("control_checks")
    if checks is None or checks.empty:
        return ""
    own = checks[(checks["use"].astype("str") == CHECK) & checks["horizontal_m"].notna()]
    if own.empty:
        return ""
    told = f"{counted(len(own), 'known point')} observed as well: the farthest is "
    told += f"{limit(float(own['horizontal_m'].max()), job.grid.unit)} off in position"
    up = own["du_m"].abs()
    told += f", {limit(float(up.max()), job.grid.unit_up)} in height" if up.notna().any() else ""
    return told + ("" if job.control.source else "; where their coordinates come from is not stated")


def _counts(points: pd.DataFrame) -> TableBlock:
    deliver = (points["deliver"] == "yes").to_numpy()
    status = points["status"].astype("str").to_numpy()
    rows = [
        (name, f"{int(at.sum()):,}", f"{int((at & deliver).sum()):,}", _meaning(name, points[at]))
        for name, at in ((name, status == name) for name in STATUSES)
    ]
    rows.append(("all", f"{len(points):,}", f"{int(deliver.sum()):,}", ""))
    symbols = (*(symbology.svg_symbol(name) for name in STATUSES), "")
    head = ("status", "points", "may be delivered", "what it means")
    return TableBlock("Points by status", head, tuple(rows), (1, 2), symbols)


def _meaning(status: str, points: pd.DataFrame) -> str:
    """Return what a client may expect of a status: where a shift explains all its points, that is told instead."""
    blamed = status in OVER and len(points) and "explained" in points
    shifted = blamed and points["explained"].notna().all()
    return SHARED if shifted else STATUS[status].client


def _withheld(points: pd.DataFrame, settled: Flags) -> tuple[Block, ...]:
    """Return why points are held back; `settled` marks those of which control shows which set-ups are off."""
    reasons = wording.delivery_reasons(points, "client")
    reasons = reasons.mask(settled & points["deliver_key"].isin(CONTRADICTORY).to_numpy(bool), CONFLICT_SETTLED)
    counts = reasons[(points["deliver"] == "no").to_numpy(bool)].value_counts()
    if counts.empty:
        return (Text("Every point may be delivered."),)
    rows = tuple((f"{n:,}", shown(str(reason))) for reason, n in counts.iloc[:MOST].items())
    more = int(counts.iloc[MOST:].sum())
    left = f"{counted(more, 'point')} for other reasons: see the list of points not delivered." if more else ""
    return (TableBlock("Points held back", ("points", "because"), rows, (0,), more=left),)


def _untested(frames: Frames, job: Job) -> Iterator[Block]:
    points = frames["points"]
    words: dict[str, int] = {}
    column = points["untested_keys" if "untested_keys" in points else "untested"]
    for text, n in column.dropna().astype("str").value_counts().items():
        keys = str(text).split()
        for key in keys if set(keys) <= set(UNTESTED) else [str(text)]:  # another step's words as they stand
            words[key] = words.get(key, 0) + int(n)
    words = {key: n for key, n in sorted(words.items(), key=lambda one: -one[1]) if n}
    if not words:
        yield Text("Nothing is recorded as untested.")
        return
    told = [
        f"{UNTESTED[key].client if key in UNTESTED else shown(key)} "
        f"({'all points' if n == len(points) else counted(n, 'point')})"
        for key, n in words.items()
    ]
    yield Text(
        "An error that all observations of a point share does not show when they are compared. Not tested in this "
        f"way: {'; '.join(told)}."
    )
    if job.base.sigma_h_m is None and not (job.control.source and _known(frames, job)):
        yield Text("How well the base station's own place is known is not stated: coordinates are relative to it.")
