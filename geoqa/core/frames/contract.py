"""What the contract of a frame is made of, a column checked against it, and what columns hold by key, in words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple, Self

from geoqa.core.arrays import np, pd
from geoqa.core.errors import Fault

#: The outputs that show columns: points.csv and revisits.csv, what `--also` delivers, the tables of a click on a point,
#: what a desktop GIS tells where the pointer rests, what the map filters by, and tables of the report.
CSV, DELIVERED, JUDGEMENT, POSITION, TIP, FILTER = "csv", "delivered", "judgement", "position", "tip", "filter"
BEYOND, WITHHELD, REVISITED = "beyond", "withheld", "revisited"
#: What ``occupations.use`` says of a row that the coordinate rests on.
USED = "used"
#: Columns under the names of GVX that rows made of vectors have: the vector and its base as the file states them.
VECTOR = (
    "VECTOR_ID", "DX", "DY", "DZ", "BASE_X", "BASE_Y", "BASE_Z", "BASE_ARP_HEIGHT", "SOLUTION_TYPE", "POINT_TYPE",
    "ORBIT_TYPE", "ORBIT_SOURCE", "REFERENCE_SYSTEM_ID", "REFERENCE_SYSTEM", "EPOCH",
)  # fmt: skip
#: Endings of column names that are units, and how people write them; a trailing _h or _v is an axis.
UNITS = {"_m": "m", "_m2": "m²", "_deg": "°", "_s": "s", "_min": "min", "_ppm": "ppm", "_ft": "ft", "_ftUS": "ftUS"}
#: Parts of a column's name that say it is a height, or a difference or uncertainty of one.
VERTICAL = frozenset(("height", "du", "up", "up95", "u", "v", "vertical"))


def is_height(name: str) -> bool:
    """Return whether a length is in the unit of heights."""
    return not VERTICAL.isdisjoint(name.removesuffix("_m").split("_"))


def title(name: str) -> str:
    """Return a column's name as people read it: ``worst_horizontal_m`` is "worst horizontal (m)"."""
    for ending, unit in UNITS.items():
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    kind
        ``text``, ``float``, ``int``, ``bool``, ``time`` or ``geometry``; the end of its name tells its unit.
    about
        What it means.
    minimum, above, words, nulls
        Limits of its values.
    quantity
        How people are told a number that has no unit of its own: ``probability``, ``share`` (counted), ``bound``
        (of an error, on either side), ``metres`` (in any job).
    decimals
        Decimals that files are written with.
    shown
        Where people see it: by output, its place among the columns there, and its words; a file's are its name.
    """

    kind: str
    about: str
    minimum: float | None = None
    above: float | None = None
    words: tuple[str, ...] = ()
    nulls: bool = True
    quantity: str = ""
    decimals: int = 4
    shown: Mapping[str, tuple[float, str]] = field(default_factory=dict)

    def at(self, *files: str, **places: tuple[float, str]) -> Self:
        """Return the column as these outputs show it: in the order of its frame, or at a place under words."""
        return replace(self, shown={**self.shown, **dict.fromkeys(files, (0.0, "")), **places})


@dataclass(frozen=True)
class Frame:
    """One frame: its key, its columns, and the columns it must have from the start."""

    key: tuple[str, ...]
    columns: dict[str, Column]
    base: tuple[str, ...] = field(default=())

    def filled(self, given: Any, only: Iterable[str] = ()) -> pd.DataFrame:
        """Return rows, or columns by name, as a frame of every column of the contract, or `only` of some, in kind."""
        kinds = {"text": "str", "float": float, "int": "int64", "bool": bool}
        table = pd.DataFrame(given, columns=list(only) or list(self.columns))
        return table.astype({name: kinds[kind] for name in table if (kind := self.columns[name].kind) in kinds})


def seen_in(columns: Mapping[str, Column], where: str) -> dict[str, tuple[float, str]]:
    """Return what an output shows, in its order: place and words by the column's name."""
    found = {name: column.shown[where] for name, column in columns.items() if where in column.shown}
    return dict(sorted(found.items(), key=lambda one: one[1][0]))


def text(about: str, words: tuple[str, ...] = (), nulls: bool = True) -> Column:
    """Return a column of words."""
    return Column("text", about, words=words, nulls=nulls)


def number(
    about: str, minimum: float | None = None, above: float | None = None, nulls: bool = True, quantity: str = "",
    decimals: int = 4,
) -> Column:  # fmt: skip
    """Return a column of numbers."""
    return Column("float", about, minimum, above, (), nulls, quantity, decimals)


def bounded(name: str, about: str, minimum: float | None = None) -> dict[str, Column]:
    """Return a column of numbers, and those of its bounds."""
    ends = {"": "", "_low": ", lower 95 % bound", "_high": ", upper 95 % bound"}
    return {f"{name}{end}": number(f"{about}{word}", minimum) for end, word in ends.items()}


def whole(about: str, minimum: float | None = None, nulls: bool = False) -> Column:
    """Return a column of whole numbers."""
    return Column("int", about, minimum=minimum, nulls=nulls, decimals=0)


def yes_no(about: str) -> Column:
    """Return a column of yes and no."""
    return Column("bool", about, nulls=False)


def column_faults(where: str, values: pd.Series, rule: Column) -> list[Fault]:
    """Return what is wrong with a column.

    Parameters
    ----------
    where
        Frame and column, for the message.
    values
        The column.
    rule
        What its contract says of it.
    """
    dtype = values.dtype
    kinds = {"float": "fiu", "int": "iu", "bool": "b", "time": "M"}
    if rule.kind in kinds:
        holds = dtype.kind in kinds[rule.kind] and (rule.kind != "time" or getattr(dtype, "tz", None) is not None)
    else:
        holds = _is_text(values) if rule.kind == "text" else str(dtype) == rule.kind
    if not holds:
        wanted = "time in UTC" if rule.kind == "time" else rule.kind
        return [Fault(where, f"holds {dtype}, it must hold {wanted} ({rule.about}).")]
    found = []
    if not rule.nulls and (empty := int(values.isna().sum())):
        found.append(Fault(where, f"{empty} values are missing ({rule.about})."))
    if rule.kind in ("float", "int"):
        numbers = values.to_numpy(dtype=float, na_value=np.nan)
        limits: list[tuple[Callable[[Any], Any], str]] = [(np.isinf, "infinite")]
        if rule.minimum is not None:
            limits.append((lambda v: v < rule.minimum, f"below {rule.minimum:g}"))
        if rule.above is not None:
            limits.append((lambda v: v <= rule.above, f"not above {rule.above:g}"))
        counts = [(np.count_nonzero(outside(numbers)), said) for outside, said in limits]
        found += [Fault(where, f"{n} values are {said}.") for n, said in counts if n]
    if rule.words:
        # Words that no row has are no fault: asked only where some are strange.
        all_words = values.cat.categories if isinstance(dtype, pd.CategoricalDtype) else values.dropna().unique()
        if not set(rule.words).issuperset(all_words):
            strange = sorted(set(map(str, values.dropna().unique())) - set(rule.words))
            if strange:
                found.append(Fault(where, f"holds {strange[:5]}, it must hold one of {', '.join(rule.words)}."))
    return found


def _is_text(values: pd.Series) -> bool:
    words = values.cat.categories if isinstance(values.dtype, pd.CategoricalDtype) else values
    return not len(words) or bool(pd.api.types.is_string_dtype(words))


class DeliveryReason(NamedTuple):
    """Why a point may be delivered or not: to the surveyor, what is asked for, and to a client who reads no more."""

    words: str
    ask: str = ""
    client: str = ""

    @property
    def sentence(self) -> str:
        """Return what the surveyor reads."""
        return f"{self.words}: {self.ask}" if self.ask else self.words


class Status(NamedTuple):
    """What follows from a status: who asks for one of these need not know the statuses.

    Attributes
    ----------
    severity
        From 1, the worst; one that lies between two others may have a number between theirs.
    reason
        Why a point may be delivered with it, or may not because of it.
    remedy, client
        What the surveyor does about it, and what a client may expect.
    corner
        What keeps a corner of a boundary from having a precision worth stating; empty for nothing.
    delivers
        Whether a point may be delivered with it.
    proven
        Whether independent fixes show anything, good or bad.
    agrees
        Whether they agree, and as closely as usual.
    over
        Whether they are beyond tolerance.
    contradicts
        Whether one of them is wrong, and nothing shows which.
    """

    severity: float
    reason: DeliveryReason
    remedy: str
    client: str
    corner: str = ""
    delivers: bool = False
    proven: bool = True
    agrees: bool = False
    over: bool = False
    contradicts: bool = False


#: What a client reads of a point that nothing confirms.
_UNCONFIRMED = "not observed again independently, or written too coarsely to compare: nothing shows whether it is right"
#: What a loose point is, wherever it is told.
NOISY = "too far apart, but normal for a place this noisy"
#: In the order in which they are listed. The test of each stands in `analysis/closures/agreement.py` and
#: `analysis/points/verdict.py`, its look in `outputs/symbology.py`.
STATUS = {
    "confirmed": Status(
        5, DeliveryReason("confirmed, meets the requirement"), "deliver, if the delivery test says so",
        "observed again, or checked by another method, independently; all of it agrees", delivers=True, agrees=True,
    ),
    "strained": Status(
        4, DeliveryReason("strained, meets the requirement", "deliver with a note"),
        "something differed between the visits: look into it, deliver with the note",
        "the observations agree, but less well than usual here", delivers=True,
    ),
    "loose": Status(
        2, DeliveryReason(
            f"loose: {NOISY}",
            client="its observations lie further apart than accepted, which is normal for a place this noisy",
        ),
        f"{NOISY}: observe longer, more often, later, or by another method",
        NOISY,
        "its occupations differ by more than the tolerance", over=True,
    ),
    "conflict": Status(
        1, DeliveryReason(
            "in conflict", client="its observations contradict each other, and nothing shows which is wrong"
        ),
        "a third visit or a control tie can say which is wrong",
        "the observations contradict each other: one is wrong", "in conflict", over=True, contradicts=True,
    ),
    "unproven": Status(
        3, DeliveryReason("unproven", client=_UNCONFIRMED),
        "observe again after a fresh initialization, or accept as single by plan", _UNCONFIRMED,
        "unproven: nobody has shown it twice", proven=False,
    ),
}  # fmt: skip
STATUSES = tuple(STATUS)
#: Worst first, as are those below.
SEVERITY = tuple(sorted(STATUSES, key=lambda name: STATUS[name].severity))
#: Statuses that hold a point back; that speak against it; that say nothing; and as the attributes say.
HELD = tuple(name for name in SEVERITY if not STATUS[name].delivers)
BLAMED = tuple(name for name in SEVERITY if STATUS[name].proven and not STATUS[name].agrees)
UNPROVEN = tuple(name for name in SEVERITY if not STATUS[name].proven)
AGREEING = tuple(name for name in SEVERITY if STATUS[name].agrees)
OVER = tuple(name for name in SEVERITY if STATUS[name].over)
CONTRADICTORY = tuple(name for name in SEVERITY if STATUS[name].contradicts)


class StatusReason(NamedTuple):
    """Why a point has its status: a sentence with blanks; whether the remedy of the status settles it, or what."""

    words: str
    by_status: bool = False
    settles: str = ""


_KNOWN = "its known coordinate says which is wrong"
#: By key, as `points.reason_key` has it; `subject` is what was compared, `axis` the components it is told of.
STATUS_REASONS = {
    "agree": StatusReason("{subject} agree"),
    "apart": StatusReason("{subject} are within tolerance, but further apart than {expected} {axis}"),
    "noisy": StatusReason("{subject} are beyond tolerance {axis}, as {expected}"),
    "beyond": StatusReason("{subject} are beyond tolerance {axis}"),
    "witnessed": StatusReason("{what} proved by measured checks, not by a second visit"),
    "contradicted": StatusReason(
        "observed once, and a measured check does not agree with it {axis}",
        settles="observe again, and measure the check again",
    ),
    "against": StatusReason("{subject} agree, and a measured check does not {axis}", settles="measure it again"),
    "in_visit": StatusReason("{subject} disagree {axis}"),
    "two_visits": StatusReason("2 visits disagree {axis}", by_status=True),
    "two_visits_known": StatusReason("2 visits disagree {axis}", settles=_KNOWN),
    "one_of_two": StatusReason("the fixes within one visit disagree {axis}", by_status=True),
    "one_of_two_known": StatusReason("the fixes within one visit disagree {axis}", settles=_KNOWN),
    "no_majority": StatusReason("{visits} visits disagree {axis} and no majority settles it"),
    "rejected": StatusReason("every direct occupation was rejected by the reviewer"),
    "unobserved": StatusReason("no direct measured occupation"),
    "in_fix": StatusReason("occupations under one initialization disagree {axis}"),
    "height_once": StatusReason("the height was observed once"),
    "no_height": StatusReason("no height was observed"),
    "copies": StatusReason("observed once: its other rows are copies of it"),
    "once": StatusReason("observed once"),
    "one_fix": StatusReason("only one initialization is shown"),
    "no_fresh_fix": StatusReason("no row shows a fresh initialization"),
    "coarse": StatusReason("{what} lie on steps of {step:.2g} m, coarser than the tolerance of {limit:.3g} m can tell"),
}
_LATER = "observe once more, hours later"
#: By key, as `points.deliver_key` has it; of those that hold for a point the first is the reason.
DELIVERY_REASONS = {
    "planned": DeliveryReason(
        "unproven by plan: a single occupation",
        client="observed once only, as planned: nothing shows whether it is right",
    ),
    **{name: STATUS[name].reason for name in HELD},
    "no_requirement": DeliveryReason(
        "no requirement is stated", client="no limit was stated to judge its error by"
    ),
    "unknown": DeliveryReason(
        "uncertainty unknown: no precision is reported and none could be learnt",
        client="how precise its observations are is not known",
    ),
    "horizontal": DeliveryReason(
        "horizontal uncertainty exceeds the requirement", client="its position is less certain than asked"
    ),
    "height": DeliveryReason(
        "height uncertainty exceeds the requirement", client="its height is less certain than asked"
    ),
    "one_visit": DeliveryReason(
        "one visit only, and its fixes may be one wrong fix repeated", _LATER,
        "visited once only: observations minutes apart can be wrong together; to be observed once more, hours later",
    ),
    "unseen": DeliveryReason(
        "a wrong fix may have gone unseen", _LATER,
        "a large error may have gone unseen; to be observed once more, hours later",
    ),
    "risk": DeliveryReason(
        "risk exceeds what the requirement allows", client="the chance that it is further off than asked is too large"
    ),
    "shift": DeliveryReason(
        "rests on occupations of a suspicious shift", "settle it first",
        "its observations seem to share an error, such as a mistyped antenna height; to be cleared up first",
    ),
    "procedure": DeliveryReason(
        "the procedure that the job requires is not met", "observe what it lacks",
        "not observed as often, or not in the way, that was asked for",
    ),
    "procedure_not_shown": DeliveryReason(
        "the procedure that the job requires is not shown to be met, which counts as not met",
        "show it from the records, or observe again",
        "nothing shows that it was observed in the way that was asked for",
    ),
    **{name: STATUS[name].reason for name in SEVERITY if STATUS[name].delivers},
}  # fmt: skip


class Untested(NamedTuple):
    """What closures cannot see: to the surveyor, and to a client."""

    words: str
    client: str


#: By key, as `points.untested_keys` has them.
UNTESTED = {
    "base": Untested("base coordinate", "the coordinates of the base station"),
    "setup": Untested("base set-up", "how the base station was set up"),
    "antenna": Untested("antenna height", "the antenna height as it was entered"),
    "pole": Untested("pole and bubble", "the pole and its level"),
    "datum": Untested("datum and localization", "the coordinate system and its fit to the site"),
}
#: Why a row of a table is not used, by key, as `set_aside.reason_key` has it; `ours` is the column it is about.
REJECTIONS = {
    "no_name": "point has no name",
    "left_out": "excluded by the recipe's `where` filter",
    "too_many": "has too many fields: {fields}, where the table has {width}{hint}",
    "too_few": "has too few fields: {fields}, where the table has {width}{hint}",
    "quote": "opens a quote it does not close",
    "quotes": "has a quote that is opened and not closed, or closed in the middle of a field",
    "long_field": "has a field longer than {most} characters",
    "headings": "repeats the headings",
    "number": "{ours} is not a number",
    "infinite": "{ours} is infinite",
    "missing": "{ours} is missing",
    "negative": "{ours} is negative",
    "absurd": "{ours} is absurd (outside {least:g} to {most:g})",
    "unit": "{ours} is read in {unit}, and the file writes {found} behind it: state its unit in its table, "
    '{{ column = ..., pattern = ..., unit = "{found}" }}',
    "minutes": "{ours} is in degrees and decimal minutes: export degrees, or minutes and seconds",
    "dms": '{ours} is written in degrees, minutes and seconds: add angle = "dms" under [input]',
    "sixty": '{ours} has 60 or more minutes or seconds as {form!r}: if it is in degrees, angle = "dd"',
    "angle": "{ours} is not an angle such as {shown}",
    "gps_week": "{ours} has a GPS week below {least}, before August 1999: it counts in full from 1980 (add 1024 or "
    "2048 to one that starts again after 1024)",
    "no_time": "{ours} has a date and no time of day",
    "time": "{ours} is not a time in the format {form!r}",
    "unclear_time": "{ours} is a time that {zone} showed twice or never (daylight saving); write it with its offset",
    "absurd_time": "{ours} is an absurd time (outside {least} to {most})",
    "reversed": "ends before it starts",
    "word": '{ours} is "{found}": add "{found}" = "..." {place}',
    "precision": "precision is zero or negative ({ours})",
    "covariance": "cov_{pair} is no covariance of sigma_{one} and sigma_{other} (it is larger than their product)",
}


class NameCheckKind(NamedTuple):
    """What may be seen of a name: in the table, and as the title of those found."""

    words: str
    title: str


#: By key, as `name_checks.kind_key` has it.
NAME_CHECK_KINDS = {
    "near": NameCheckKind("near", "different names at one place (closer than {near})"),
    "far": NameCheckKind("far apart", "one name at places far apart (more than {far})"),
    "outside": NameCheckKind("outside the radius", "stops just outside the radius (at most {twice} apart, not merged)"),
    "gap": NameCheckKind("gap", "gaps in a running number (was a shot deleted?)"),
}
