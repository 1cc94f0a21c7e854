"""Tables of a recipe as declared, frozen objects: site, input, tolerances, procedure, columns, canopy, control, report.

Presets stand here alone: `PRESETS` of tolerances, `PROCEDURES` of procedures; one more is one more row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, NamedTuple

from geoqa.core.arrays import pd
from geoqa.core.errors import Fault, ParameterError
from geoqa.core.params import Declared, param
from geoqa.core.units import JOB_UNITS, PRECISION_UNITS, counted, length, percent, plain


@dataclass(frozen=True, kw_only=True)
class Site(Declared):
    """[site]: what and where."""

    name: str = param("Unnamed site", help="The site's name, as it goes on the map")
    crs: str = param(help='The coordinate system of the input, such as "EPSG:2193", or "local"')
    height: str | None = param(None, help='The height reference: "ellipsoidal", or a label such as "NZVD2016"')
    timezone: str | None = param(
        None, help="Time zone of the site's clocks, such as Pacific/Auckland; all that people read is told in it"
    )
    combined_factor: float | None = param(
        None, unit="1", minimum=0.9, maximum=1.1, help="Grid distance over ground distance of a local frame"
    )
    localization: str | None = param(None, help="What the local frame was fitted to, or its name")


@dataclass(frozen=True, kw_only=True)
class InputFormat(Declared):
    """[input]: which files, and how to read them."""

    files: tuple[str, ...] | None = param(
        None,
        help="The files of the site, relative to the recipe; * and ? allowed: a review then needs the recipe alone",
    )
    outside: bool = param(False, help="Whether these may lie outside the recipe's folder")
    unit: str = param(choices=JOB_UNITS, help="Unit of the coordinates")
    unit_height: str | None = param(None, choices=JOB_UNITS, help="Unit of the heights, if another")
    unit_differs: str | None = param(
        None, help="Why the file counts in another foot than its system or its heights do; without it that is refused"
    )
    unit_precision: str | None = param(None, choices=PRECISION_UNITS, help="Unit of the precisions, if another")
    precision: str | None = param(
        None, choices=("sigma", "drms", "2drms", "cep50", "radius95", "none"),
        help="What the horizontal precision column means, such as one sigma per axis or DRMS",
    )  # fmt: skip
    precision_v: str = param("sigma", choices=("sigma", "95"), help="What the vertical precision column means")
    covariance: str = param(
        "variance", choices=("variance", "signed-root"),
        help="How covariances are written: as they are, or as the root of their size with their sign",
    )  # fmt: skip
    angle: str = param("dd", choices=("dd", "dms", "packed-dms"), help="How angles are written")
    time_format: str = param("iso", help="iso, a strptime pattern, or gps-week-seconds")
    date: str | None = param(None, help="The date of rows that have only a time of day, such as 2026-02-09")
    timezone: str | None = param(None, help="Time zone of times that do not carry one, such as UTC or Pacific/Auckland")
    initialization: str | None = param(
        None, choices=("column", "asserted", "unknown"), help="How the file shows that a fix is fresh"
    )
    exact_labels: bool = param(
        False, help="Whether labels of initializations and bases that differ by appearance alone (i1, I1, 01) are two"
    )
    asserted_by: str | None = param(None, help="Who asserts that every row is a fresh initialization")
    delimiter: str = param("auto", choices=("auto", ",", ";", "\t", "|", " ", "fixed"), help="What parts the columns")
    header: bool = param(True, help="Whether the first row holds headings")
    skip: int = param(0, unit="1", minimum=0, maximum=10_000, help="Lines before the table")
    comment: str = param("#", help="A line that starts with this is a comment")
    decimal: str = param(".", choices=(".", ","), help="The decimal sign")
    where: str | None = param(None, help="Which rows to use; the others are set aside")
    max_bad_rows: float = param(
        0.20, unit="1", minimum=0, maximum=1, help="Share of bad rows (when more than 10) that stops the run"
    )

    largest_megabytes: float | None = param(
        None, unit="megabytes", above=0, maximum=1_000_000,
        help="Largest file that is read; by default 2000 MB, 50 MB for tables beside the recipe",
    )  # fmt: skip

    @property
    def height_unit(self) -> str:
        """The unit of the heights: that of the coordinates unless another is stated."""
        return self.unit_height or self.unit


CONVENTIONS = ("closure", "from-mean")


_LIMITS = ("horizontal_m", "horizontal_ppm", "vertical_m", "vertical_ppm")


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
    def signed_reference(self) -> str:
        """Where the values come from, as it may be signed: a document known from memory alone is not named."""
        chosen = self.purpose in PRESETS and self.reference == PRESETS[self.purpose].reference
        return f'chosen in the recipe, purpose = "{self.purpose}"' if chosen else self.reference

    @property
    def pair_factor(self) -> float:
        """How much larger than the constant a pair's closure may be: two visits lie on either side of their mean."""
        return 2.0 if self.convention == "from-mean" else 1.0

    def times(self, factor: float) -> Tolerance:
        """Return the tolerance with a factor on all its lengths and parts per million, to six digits."""
        numbers: dict[str, Any] = {name: float(f"{value * factor:.6g}") for name, value in self.numbers().items()}
        return replace(self, **numbers)

    def numbers(self) -> dict[str, float]:
        """Return the lengths and parts per million that say anything, by the recipe's keys."""
        values = {name: getattr(self, name) for name in _LIMITS}
        return {name: value for name, value in values.items() if value}

    def spoken(self, unit: str, unit_up: str) -> str:
        """Return the tolerance in words, in the job's unit and that of its heights."""
        meaning = "pair closure" if self.convention == "closure" else "each visit against the average"
        return f"{self.limits(unit, unit_up)} ({meaning})"

    def limits(self, unit: str, unit_up: str) -> str:
        """Return its limits alone in words."""

        def part(constant_m: float, ppm: float, unit: str) -> str:
            return length(constant_m, unit) + (f" + {plain(ppm)} ppm" if ppm else "")

        vertical = "not stated" if self.vertical_m is None else part(self.vertical_m, self.vertical_ppm, unit_up)
        return f"horizontal {part(self.horizontal_m, self.horizontal_ppm, unit)}, vertical {vertical}"


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


#: How well what a document asks is known, the best first; what is signed rests on the first three alone.
TEXT, SUMMARY, ABSTRACT, SECOND_HAND, FROM_MEMORY = (
    "text", "text of a summary", "text of the abstract", "second-hand", "from memory",
)  # fmt: skip
SIGNED = (TEXT, SUMMARY, ABSTRACT)


class ProcedurePreset(NamedTuple):
    """A procedure as a document asks for it.

    Attributes
    ----------
    document, section, year
        Where it stands; the year of the edition that was looked at.
    standing
        How its words are known, see `TEXT`.
    read, unread
        What of it was read, and what was not, or is asked there and cannot be judged here.
    asks
        Keys of `[procedure]`; of a range the looser end.
    """

    document: str
    section: str
    year: str
    standing: str
    read: str
    unread: str
    asks: Mapping[str, Any]

    @property
    def reference(self) -> str:
        """Where it comes from and how well it is known, in a sentence."""
        known = self.standing if self.standing in SIGNED else f"{self.standing}, never to be signed"
        return f"{self.document}, {self.section}, {self.year}. Known by: {known}. Read: {self.read}. {self.unread}"


#: Presets that `[procedure] purpose = "..."` may name. Sources looked at on 2026-12-01.
PROCEDURES: dict[str, ProcedurePreset] = {
    "de-fixed-points": ProcedurePreset(
        "Baufachliche Richtlinien Vermessung, Germany", "annex A-2.2.2 (1), points of the fixed-point field",
        "page of 2023", TEXT, "annexes A-2.2.1 and A-2.2.2 whole, as shown on the web",
        "Not judged here: satellites spread evenly in east and west, north and south; calibrated antennas",
        {"occupations": 2, "separation_min": 30.0, "new_setup": True, "new_initialization": True, "duration_s": 1800.0},
    ),
    "at-boundary": ProcedurePreset(
        "Vermessungsverordnung 2016, Austria", "section 6 (2), boundary points", "2016", TEXT,
        "section 6 whole; that a check measurement is a second occupation is our reading",
        "Not in it: time between the two. Its 5 cm in plan are a tolerance: [tolerance] horizontal_m = 0.05",
        {"occupations": 2, "separation_min": 0.0},
    ),
    "us-mo-control": ProcedurePreset(
        "Missouri, 10 CSR 30-4.050 (now 2 CSR 90-62.050)", "paragraph (3), control of orders 1 and 2",
        "register of 2024", TEXT, "paragraphs (1) to (6) of both numbers",
        "Written for static control surveys. Not judged here: connections to other points",
        {"occupations": 2, "separation_min": 0.0, "new_setup": True, "new_initialization": True},
    ),
    "us-psu-teaching": ProcedurePreset(
        "Pennsylvania State University, GEOG 862", "pages 1828 and 1857", "course of 2020", TEXT,
        "the paragraphs on redundancy of real-time surveys; teaching, no rule",
        "Not judged here: that the occupations should be no more than 8 h apart",
        {"occupations": 2, "separation_min": 240.0, "other_base": True, "check_first_and_last": True},
    ),
    "se-network": ProcedurePreset(
        "Odolinski, Swedish User Guidelines for Network RTK", "summary", "2010", SUMMARY,
        "the summary, which gives ranges: 5 to 7 satellites, PDOP 3 to 4, mask 13 to 15 degrees, a third to three "
        "quarters of an hour apart",
        "Not read: the chapters behind it",
        {"occupations": 2, "separation_min": 20.0, "satellites": 5, "pdop": 4.0, "mask_deg": 13.0},
    ),
    "au-nsw-network": ProcedurePreset(
        "Janssen and Haasdyk, Assessment of Network RTK performance, New South Wales", "abstract", "2011", ABSTRACT,
        "the abstract: averages of 1 to 2 min, again 10 to 30 min later", "Not read: the paper. A study, no rule",
        {"occupations": 2, "separation_min": 10.0, "duration_s": 60.0},
    ),
    "se-kth-control": ProcedurePreset(
        "KTH, control by network RTK (diva2:1204776)", "abstract", "year not read", ABSTRACT,
        "the abstract: at least two occupations of at least 180 s", "Not read: the report. A study, no rule",
        {"occupations": 2, "duration_s": 180.0},
    ),
    "ca-legal-outline": ProcedurePreset(
        "GPS Standards and Guidelines for Legal Surveying, outline of a Canadian province",
        "real-time field procedures", "undated", TEXT, "the paragraphs on real-time surveys",
        "Not judged here: conventional measurement, or comparison, which it accepts in place of another base",
        {"occupations": 2, "separation_min": 0.0, "other_base": True, "mask_deg": 10.0, "check_first_and_last": True},
    ),
    "gb-ocean-loading": ProcedurePreset(
        "The Survey Association, Guidance Notes for Network RTK, issue 2", "pages 6 and 7, ocean tide loading", "2012",
        SECOND_HAND, "two sentences, as a dealer quotes them", "Not read: the document; issue 4 replaces it",
        {"occupations": 2, "separation_min": 360.0},
    ),
    "au-survey-mark": ProcedurePreset(
        "survey marks of an Australian state", "as a user tells it", "undated", SECOND_HAND,
        "what a user wrote of it", "Not read: the document. Regional work is said to ask for 10 min",
        {"occupations": 2, "separation_min": 60.0, "duration_s": 300.0},
    ),
    "us-ngs-rt1": ProcedurePreset(
        "National Geodetic Survey, User Guidelines for Single Base Real Time GNSS Positioning", "class RT1", "2011",
        FROM_MEMORY, "nothing", "Not read: its tables. The agreement it asks for is [tolerance] purpose = \"rt1\"",
        {"occupations": 2, "separation_min": 240.0, "new_initialization": True, "other_base": True, "satellites": 7,
         "pdop": 2.0},
    ),
    "us-ngs-rt2": ProcedurePreset(
        "National Geodetic Survey, User Guidelines for Single Base Real Time GNSS Positioning", "class RT2", "2011",
        FROM_MEMORY, "nothing", "Not read: its tables. The agreement it asks for is [tolerance] purpose = \"rt2\"",
        {"occupations": 2, "separation_min": 240.0, "new_initialization": True, "satellites": 6, "pdop": 3.0},
    ),
}  # fmt: skip
_STATED = "stated in the recipe"


@dataclass(frozen=True, kw_only=True)
class Procedure(Declared):
    """[procedure]: how each point was to be observed, whatever its closures show."""

    purpose: str | None = param(None, help="The preset that the keys come from")
    occupations: int | None = param(
        None, unit="1", minimum=1, maximum=20, help="Visits that count, each at least `separation_min` from the others"
    )
    separation_min: float | None = param(
        None, unit="min", minimum=0, maximum=100_000,
        help="Time from the end of one visit to the start of the next; not stated: what makes a visit here",
    )  # fmt: skip
    new_setup: bool | None = param(None, help="Whether the antenna was to be set up anew for each visit that counts")
    new_initialization: bool | None = param(None, help="Whether each visit that counts was to have a fix of its own")
    other_base: bool | None = param(None, help="Whether one of the visits was to be from another base")
    duration_s: float | None = param(
        None, unit="s", above=0, maximum=1e6, help="Least duration of each visit that counts, its longest occupation"
    )
    satellites: int | None = param(None, unit="1", minimum=1, maximum=200, help="Least number of satellites")
    pdop: float | None = param(None, unit="1", above=0, maximum=100, help="Largest position dilution of precision")
    mask_deg: float | None = param(
        None, unit="deg", minimum=0, maximum=60, help="Lowest elevation mask; what was set stands in [report] mask_deg"
    )
    check_first_and_last: bool | None = param(
        None, help="Whether a known point was to be checked near the start and the end of each day and base set-up"
    )
    largest_age_s: float | None = param(None, unit="s", above=0, maximum=1e6, help="Largest age of the corrections")
    required: bool | tuple[str, ...] = param(
        False, help="true, or the conditions without which no point is delivered; what is not shown counts as not met"
    )
    roles: tuple[str, ...] | None = param(None, help="Roles that it holds for; by default for every point observed")
    metadata: tuple[str, ...] = param((), help="Keys of [report] that the record must state")
    reference: str = param(_STATED, help="Where the keys come from")

    def __post_init__(self) -> None:
        super().__post_init__()
        asked, faults = self.asked, []
        if isinstance(self.required, tuple):
            strange = [name for name in self.required if name not in asked]
            faults += [Fault("required", f"names {name!r:.60}, which is not asked for.", _ASK) for name in strange]
        elif self.required and not asked:
            faults.append(Fault("required", "is true, and nothing is asked for.", _ASK))
        known = [one.name for one in ReportFacts.parameters()]
        faults += [
            Fault("metadata", f"names {name!r:.60}.", f"Keys of [report] are {', '.join(known)}.")
            for name in self.metadata
            if name not in known
        ]
        if faults:
            raise ParameterError.from_faults(f"{self.title()} cannot be used:", faults)

    @classmethod
    def preset(cls, name: str) -> Procedure:
        """Return the preset called `name`."""
        return cls(purpose=name, reference=PROCEDURES[name].reference, **PROCEDURES[name].asks)

    @property
    def asked(self) -> dict[str, Any]:
        """What is asked for, by condition, in the order of `CONDITIONS`; no time, or no mask, asks for nothing."""
        found = {name: getattr(self, name) for name in CONDITIONS}
        return {name: value for name, value in found.items() if value}

    @property
    def required_of(self) -> tuple[str, ...]:
        """The conditions without which no point is delivered."""
        return self.required if isinstance(self.required, tuple) else tuple(self.asked) if self.required else ()

    @property
    def signable(self) -> bool:
        """Whether what is asked is known well enough to be named in what is signed."""
        return self.purpose not in PROCEDURES or PROCEDURES[self.purpose].standing in SIGNED


#: What may be asked of how a point was observed.
CONDITIONS = (
    "occupations", "separation_min", "new_setup", "new_initialization", "other_base", "duration_s", "satellites",
    "pdop", "mask_deg", "check_first_and_last", "largest_age_s",
)  # fmt: skip
_ASK = f"Ask for it under [procedure]: {', '.join(CONDITIONS)}, or purpose = one of {', '.join(PROCEDURES)}."


#: The axes that a point is judged by, as `points.judged` has them.
JUDGED = BOTH, POSITION_ONLY, HEIGHT_ONLY = ("both", "position only", "height only")
_UNJUDGED = {POSITION_ONLY: "heights", HEIGHT_ONLY: "positions"}


def heights_judged(points: pd.DataFrame) -> bool:
    """Return whether the height of any point is judged: whether the job asks for it, and a row has one."""
    return bool(((points["judged"] != POSITION_ONLY) & points["status_v"].notna()).any())


def judged_words(points: pd.DataFrame) -> str:
    """Return a sentence that says which axis alone is judged, of how many points and why; empty where both always are.

    Parameters
    ----------
    points
        The frame, with ``judged`` where that is known.
    """
    if "judged" not in points:
        return ""
    told = []
    for word, unjudged in _UNJUDGED.items():
        alone = (points["judged"] == word).to_numpy(dtype=bool)
        if not alone.any():
            continue
        whom = "" if alone.all() else f" for {int(alone.sum()):,} of {counted(len(points), 'point')}"
        flat = word == POSITION_ONLY and points.loc[alone, "status_v"].isna().all()
        why = "no row has a height that is used" if flat else "as the recipe says"
        told.append(f"{word.capitalize()}{whom}: {unjudged} are not judged, {why}.")
    return " ".join(told)


#: A column of the file: its heading, its 1-based position, or the first and last character of a fixed one.
Place = str | int | tuple[int, int]

#: Our columns that hold a length, and so may have a unit of their own.
LENGTHS = (
    "easting", "northing", "height", "precision_h", "precision_v", "sigma_e", "sigma_n", "sigma_u", "cov_en",
    "cov_eu", "cov_nu", "base_distance", "antenna_height", "nearest_tree",
    "stand_height",
)  # fmt: skip
TIMES = ("start", "end")


@dataclass(frozen=True, kw_only=True)
class Source:
    """One of our columns as a table of the recipe.

    Attributes
    ----------
    column, pattern
        A column, and the regular expression whose one group is taken out of it.
    unit
        The unit of this column alone.
    value
        The same text on every row, in place of a column.
    date, time
        Two columns that together are a moment.
    week, seconds
        Two columns that together are a moment of GPS time.
    """

    column: Place | None = None
    pattern: str | None = None
    unit: str | None = None
    value: str | None = None
    date: Place | None = None
    time: Place | None = None
    week: Place | None = None
    seconds: Place | None = None

    def places(self) -> dict[str, Place]:
        """Return the columns of the file that are read, by the key that names each."""
        keys = ("column", "date", "time", "week", "seconds")
        return {key: getattr(self, key) for key in keys if getattr(self, key) is not None}

    def as_table(self) -> dict[str, Any]:
        """Return the source in the recipe's own form."""
        stated = {field.name: getattr(self, field.name) for field in fields(self)}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in stated.items() if v is not None}


Columns = Mapping[str, str | int | Source]


def sources(columns: Columns) -> dict[str, Source]:
    """Return every column as a `Source`."""
    return {name: given if isinstance(given, Source) else Source(column=given) for name, given in columns.items()}


def wanted(columns: Columns) -> dict[str, Place]:
    """Return every column of the file that is read: ``start`` where one is, ``start.date`` where two are."""
    found = {}
    for name, source in sources(columns).items():
        for key, place in source.places().items():
            found[name if key == "column" else f"{name}.{key}"] = place
    return found


#: Where the class of a point may come from: the crew's label, the areas of cover, the raster.
LABEL, AREAS, RASTER = ORIGINS = ("label", "areas", "raster")


@dataclass(frozen=True, kw_only=True)
class Canopy(Declared):
    """[canopy]: what is known of the overhead cover beside the crew's labels.

    Attributes
    ----------
    words
        ``[canopy.values]``: the words of the areas to canopy classes.
    classes
        ``[canopy.classes]``: canopy class to the mean height, metres, from which it holds.
    """

    areas: str | None = param(None, help="Vector file with polygons of cover, named from the recipe's folder")
    column: str | None = param(None, help="Its column that names the cover")
    raster: str | None = param(None, help="GeoTIFF of canopy heights above the ground, named from the recipe's folder")
    unit: str | None = param(None, choices=JOB_UNITS, help="Unit of the heights in the rasters")
    surface: str | None = param(
        None, help="GeoTIFF of surface heights (ground, with what stands on it), so that the sky view sees the terrain"
    )
    radius_m: float = param(10.0, unit="m", above=0, maximum=100, help="Cells within this of a point are its canopy")
    cover_above_m: float = param(
        2.0, unit="m", minimum=0, maximum=50, help="Canopy height above which a cell counts as cover"
    )
    antenna_height_m: float = param(
        2.0, unit="m", minimum=0, maximum=20, help="Height above the ground from which the sky is looked at"
    )
    reach_m: float = param(100.0, unit="m", above=0, maximum=500, help="How far the horizon is looked for")
    directions: int = param(32, unit="1", minimum=8, maximum=360, help="Directions in which the horizon is looked for")
    decides: str = param(
        LABEL, choices=ORIGINS,
        help="What names the class of a point; where it says nothing the others do, the crew's label first",
    )  # fmt: skip
    words: Mapping[str, str] = field(default_factory=dict)
    classes: Mapping[str, float] = field(default_factory=dict)

    @property
    def order(self) -> tuple[str, ...]:
        """Where the class comes from, first what decides."""
        return (self.decides, *(origin for origin in ORIGINS if origin != self.decides))

    @property
    def files(self) -> dict[str, str]:
        """The files named, by what they are for."""
        named = {"canopy areas": self.areas, "canopy raster": self.raster, "surface raster": self.surface}
        return {kind: name for kind, name in named.items() if name is not None}

    def as_table(self) -> dict[str, Any]:
        """Return the completed table in the recipe's own form."""
        nested = {"values": dict(self.words), "classes": dict(self.classes)}
        return super().as_table() | {name: table for name, table in nested.items() if table}


#: Roles whose points are there to be checked on.
CHECKING_ROLES = ("control", "check")


@dataclass(frozen=True, kw_only=True)
class Control(Declared):
    """[control]: where the known coordinates come from, and which known points are no check."""

    source: str | None = param(None, help="The independent, more accurate survey that the known coordinates come from")
    height: str | None = param(None, help="What the known heights are above, where it is not the site's own reference")
    oriented_by: tuple[str, ...] | None = param(
        None, help="Known points that the job was oriented by, which are no check; [] if none was"
    )
    bases: tuple[str, ...] = param((), help="Known points that a base stood on; they are no check")
    open_cover: tuple[str, ...] = param(("open",), help="Canopy classes that are open ground; all others are vegetated")
    target_rmse_h_m: float | None = param(
        None, unit="m", above=0, maximum=100, help="Horizontal RMSE (radial) the job was to reach"
    )
    target_rmse_v_m: float | None = param(
        None, unit="m", above=0, maximum=100, help="RMSE of the height the job was to reach"
    )


@dataclass(frozen=True, kw_only=True)
class FieldTest(Declared):
    """[field_test]: sets of a field test of the receiver, and what it is tested against."""

    file: str | None = param(None, help="CSV with series, set, point, x, y, h, named from the recipe's folder")
    unit: str | None = param(None, choices=PRECISION_UNITS, help="Unit of the file, if not that of the coordinates")
    sigma_xy_m: float | None = param(
        None, unit="m", above=0, maximum=100,
        help="Stated standard deviation of a horizontal position, two-dimensional: sqrt 2 times that of one axis",
    )  # fmt: skip
    sigma_h_m: float | None = param(None, unit="m", above=0, maximum=100, help="Stated standard deviation of a height")
    distance_m: float | None = param(
        None, unit="m", above=0, maximum=10_000, help="Horizontal distance between the two rover points, known better"
    )
    height_difference_m: float | None = param(
        None, unit="m", minimum=-1000, maximum=1000, help="Height of rover point 2 minus that of 1, known better"
    )


@dataclass(frozen=True, kw_only=True)
class Line(Declared):
    """[[line]]: corners in their order along a boundary; only neighbours in it make a line."""

    name: str = param(help="What the line or ring is called")
    points: tuple[str, ...] = param(help="The corners in their order")
    closed: bool = param(False, help="Whether the last corner joins the first")


#: Papers a report may be set on, as typst calls them.
PAPERS = ("a4", "us-letter", "us-legal")


@dataclass(frozen=True, kw_only=True)
class ReportFacts(Declared):
    """[report]: what the report names beside what it computes; what is left out it says is not stated."""

    client: str | None = param(None, help="Whom the report is for")
    project: str | None = param(None, help="The project or order, as the client knows it")
    prepared_by: str | None = param(None, help="Who observed and reviewed; the sign-off itself stays blank")
    equipment: str | None = param(None, help="Receivers, antennas and poles")
    corrections: str | None = param(None, help="Where the corrections came from: a base of one's own, or which service")
    base_coordinates: str | None = param(None, help="The coordinates of the base, as they were entered")
    base_source: str | None = param(None, help="Where they come from")
    datum: str | None = param(None, help="Datum and realization that the coordinates are in")
    epoch: str | None = param(None, help="Epoch of the coordinates, such as 2000.0")
    geoid: str | None = param(None, help="Geoid model of the heights")
    firmware: str | None = param(None, help="Firmware of receivers and controllers")
    mask_deg: float | None = param(None, unit="deg", minimum=0, maximum=60, help="Elevation mask that was set")
    least_satellites: int | None = param(
        None, unit="1", minimum=1, maximum=200, help="Least number of satellites that was set"
    )
    recording_rate_s: float | None = param(None, unit="s", above=0, maximum=3600, help="Time between epochs recorded")
    weather: str | None = param(None, help="Weather, and what of it may have disturbed")
    obstructions: str | None = param(None, help="What stood in the way of satellites")
    survey_class: str | None = param(None, help="Class of survey that was asked for")
    grid_factor: float | None = param(
        None, unit="1", minimum=0.9, maximum=1.1, help="Grid distance over ground distance in the middle of the site"
    )
    network_base: str | None = param(
        None, help="What the record says of the base where a network gave the corrections and no row names one"
    )
    paper: str = param("a4", choices=PAPERS, help="Paper of report.pdf, and of report.html as it prints")
    statements: str | None = param(
        None, choices=("american", "none"),
        help="Whether accuracy is stated by American standards too (NSSDA, ASPRS, NGS, ALTA/NSPS) or by none; not "
        "stated: where the coordinate system is for the United States",
    )  # fmt: skip
