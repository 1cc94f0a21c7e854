"""What headings and cells suggest: only what a person would read off the file itself.

Which column of a file is meant, and what the columns nobody asked for are called.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from geoqa.core.errors import Fault, InputError
from geoqa.core.frames.schema import OCCUPATIONS
from geoqa.core.params import near
from geoqa.core.recipe import LENGTHS, Place, Source
from geoqa.core.units import JOB_UNITS, PRECISION_UNITS
from geoqa.readers.text import numbers, text_file

#: Words of the field, and their usual abbreviations, without blanks and signs, for each of our columns: English first,
#: then German, French, Spanish, Italian, Portuguese, Dutch and the languages of the North.
HEADINGS: dict[str, tuple[str, ...]] = {
    ours: tuple(words.split())
    for ours, words in {
        "point": """point pointname pointid pointno pointnumber name pt ptid ptname ptno mark marker station
            stn id number no nr punkt punktnr punktnummer punto ponto nom nome nombre numero número numéro num
            matricule borne vertice vértice puntnr puntnummer punkter piste pistenro pistetunnus naam navn namn""",
        "easting": """easting east e grideast eastings rechtswert ostwert ost est este leste øst öst ostkoord
            itä oost""",
        "northing": """northing north n gridnorth northings hochwert nordwert nord nordkoord norte norr
            pohjoinen noord""",
        "longitude": """longitude lon long lng longitud longitudine länge laenge lengdegrad lengtegraad
            längdgrad længdegrad pituusaste""",
        "latitude": "latitude lat latitud latitudine breite breddegrad breedtegraad breddgrad leveysaste",
        "height": """height elevation elev h z ht altitude alt ellipsoidalheight ellheight orthometricheight
            ellht orthoht hoehe höhe level rl reducedlevel altitud altitudine hauteur cote cota quota altura altezza
            hoogte høyde højde höjd korkeus elevacion elevación elevacao elevação""",
        "precision_h": """precisionh horizontalprecision hprecision hprec hzprec precision2d hrms horizontalrms
            rmsh sigmah sh hsigma hacc horizontalaccuracy hsd sdh lagegenauigkeit precisionplani précisionplani
            precisiónhorizontal precisionehorizontal precisaohorizontal precisãohorizontal nauwkeurigheidh""",
        "precision_v": """precisionv verticalprecision vprecision vprec vrms verticalrms rmsv sigmav sv vsigma
            vacc verticalaccuracy vsd sdv höhengenauigkeit hoehengenauigkeit précisionalti precisiónvertical
            precisaovertical precisãovertical""",
        "sigma_e": "sigmae sigmaeast se sde stde sdeast esd eastsd",
        "sigma_n": "sigman sigmanorth sn sdn stdn sdnorth nsd northsd",
        "sigma_u": "sigmau sigmaup su sdu stdu sdup usd sigmaheight sdheight",
        "cov_en": "coven covarianceen sen",
        "start": """start starttime timestart begin begintime datetime timestamp time observed starttimeutc
            startutc utc timeutc localtime observationtime datumuhrzeit datumzeit clock timeofday uhrzeit zeit heure
            dateheure hora fechahora datahora ora dataora tijd tijdstip tid tidspunkt klokkeslett aika""",
        "end": "end endtime timeend stop stoptime finish endutc endtimeutc",
        "initialization": "initialization initialisation init initno initid fixid fixno",
        "base": """base basename baseid basestation reference referencestation refstation basesetup
            estaciónbase estacionbase stazionebase basis basisstation referenz referenzstation""",
        "base_distance": "basedistance basedist distancetobase disttobase baseline baselinelength",
        "canopy": """canopy cover overheadcover treecover canopyclass vegetation couvert couverture cubierta
            cobertura copertura bewuchs begroeiing""",
        "solution": """solution solutiontype sol fixtype fixstatus fix quality fixquality lösung loesung
            solución solucion solucao solução soluzione oplossing losning løsning""",
        "method": "method measurementmethod measmethod observationmethod",
        "origin": "origin source pointorigin coordinatesource",
        "role": "role purpose pointrole",
        "code": "code featurecode feature fcode código codigo codice kode kod punktcode",
        "antenna_height": "antennaheight antheight antht anth poleheight rodheight hi hr",
        "measured_to": "measuredto antennameasuredto heightmeasuredto",
        "operator": """operator crew surveyor observer party measuredby opérateur operateur operador operatore
            beobachter bearbeiter""",
        "satellites": "satellites sats nsat nsats numsats satellitecount svs numsv",
        "pdop": "pdop",
        "correction_age": "correctionage ageofcorrections age diffage corrage",
        "epochs": "epochs epochcount numepochs nepochs observations",
        "note": """note notes remark remarks comment comments description desc bemerkung bemerkungen remarque
            remarques observacion observación observaciones osservazioni opmerking merknad anmärkning bemærkning
            huomautus observação observacao""",
    }.items()
}  # fmt: skip
#: Units a heading may carry, in brackets or as its last word.
UNITS = {"m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "ftus": "ftUS", "usft": "ftUS"}
_OTHER_UNITS = {"ft", "feet", "mm", "cm", "km", "deg", "dd", "dms", "dmmss", "ddmmss", "s", "sec"}
#: What solutions are usually called.
SOLUTIONS = {
    "fix": "fixed", "rtkfix": "fixed", "rtkfixed": "fixed", "flt": "float", "rtkfloat": "float", "rtkflt": "float",
    "dgps": "differential", "dgnss": "differential", "spp": "autonomous",
}  # fmt: skip
#: A number, or an angle in degrees, minutes and seconds.
_NUMBER = r"[+-]?\d[\d.,]*|[NSEW+-]?\s*\d{1,3}[°º: ]\s*\d{1,2}['′: ].*"
_DATES = (
    "%d/%m/%Y|%m/%d/%Y|%d.%m.%Y|%d-%m-%Y|%m-%d-%Y|%Y/%m/%d|%Y%m%d|%d %b %Y|%d-%b-%Y|"
    "%d/%m/%y|%m/%d/%y|%d.%m.%y|%d-%m-%y|%y-%m-%d"
)
PATTERNS = tuple(
    f"{date}{gap}{clock}"
    for date in _DATES.split("|")
    for gap in (" ", "T", "")
    for clock in ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%H%M%S")
)


def plain(text: str) -> str:
    """Return a heading or word as it is compared: lower case, letters and digits only."""
    return re.sub(r"[\W_]", "", unicodedata.normalize("NFC", text).casefold())


def table_start(rows: Sequence[Sequence[str]]) -> int:
    """Return the index of the first row that is filled as the table's rows usually are: what stands before is none."""
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows]
    usual = sorted(filled)[len(filled) // 2] if filled else 0
    return next((i for i, count in enumerate(filled) if 2 * count > usual), 0)


def named_unit(heading: str) -> str:
    """Return the unit of length that a heading names, feet as ``ft`` whichever they are; empty if none."""
    last = _last_word(heading)
    return UNITS.get(last) or {"ft": "ft", "feet": "ft", "mm": "mm", "cm": "cm", "km": "km"}.get(last, "")


def split_unit(heading: str) -> tuple[str, str]:
    """Return a heading without its unit, and the unit it names (empty if none that we can be sure of)."""
    last = _last_word(heading)
    if last in UNITS or last in _OTHER_UNITS:
        return "".join([word for word in re.split(r"[\W_]+", heading) if word][:-1]), UNITS.get(last, "")
    return heading, ""


def _last_word(heading: str) -> str:
    """Return the last of several words of a heading, empty where it is one alone."""
    words = [word for word in re.split(r"[\W_]+", heading) if word]
    return plain(words[-1]) if len(words) > 1 else ""


def columns(headings: Sequence[str]) -> dict[str, int]:
    """Return our columns that the headings suggest, each with its place (from 0), no place twice."""
    bare = [plain(split_unit(heading)[0]) for heading in headings]
    whole = [plain(heading) for heading in headings]
    found: dict[str, int] = {}
    for ours, words in HEADINGS.items():
        for word in (plain(ours), *words):
            at = [i for i in range(len(headings)) if word in (whole[i], bare[i]) and i not in found.values()]
            if at:
                found[ours] = at[0]
                break
    globe = {"longitude", "latitude"} <= set(found)
    for name in ("easting", "northing") if globe else ("longitude", "latitude"):
        found.pop(name, None)
    # What needs another column beside it; then one way alone of stating a precision.
    for name, other in (
        ("sigma_e", "sigma_n"), ("sigma_n", "sigma_e"), ("cov_en", "sigma_e"), ("end", "start"),
        ("precision_v", "height"), ("sigma_u", "height"),
    ):  # fmt: skip
        if other not in found:
            found.pop(name, None)
    for name, other in (("precision_h", "sigma_e"), ("precision_v", "sigma_u")):
        if other in found:
            found.pop(name, None)
    return found


#: What crews add to a number to observe it again, each as a regular expression.
_AGAIN = (r"[-_ ]?(?:CHK|CK|CHECK|chk|ck|check)\d*", r"[A-Za-z]", r"[-_]\d{1,2}")


def again(names: Sequence[str]) -> tuple[str, str, str] | None:
    """Return a pattern of names that are others with something added, such a name, and the other; None if none is.

    Only what is added to a number counts, and only where the number stands by itself too: 101A beside 101.
    """
    there, seen = set(names), []
    for form in _AGAIN:
        found = (re.fullmatch(rf"(.*\d)({form})", name) for name in names)
        pairs = [(one[0], one[1]) for one in found if one and one[1] in there]
        if pairs:
            seen.append((form, *pairs[0]))
    if not seen:
        return None
    return rf"^(?P<point>.*?\d)(?:{'|'.join(form for form, *_ in seen)})?$", seen[0][1], seen[0][2]


def has_headings(rows: Sequence[Sequence[str]]) -> bool:
    """Return whether the first row looks like headings: it holds no number where the rows below do."""
    numeric = [[bool(re.fullmatch(_NUMBER, cell.strip())) for cell in row] for row in rows]
    return bool(numeric) and not any(numeric[0]) and (len(numeric) == 1 or any(any(row) for row in numeric[1:]))


def decimal_sign(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    """Return the decimal sign: a comma where numbers have one and none has a point."""
    cells = [cell.strip() for row in rows for cell in row]
    comma = sum(bool(re.fullmatch(r"[+-]?\d+,\d+", cell)) for cell in cells)
    point = sum(bool(re.fullmatch(r"[+-]?\d+\.\d+", cell)) for cell in cells)
    return "," if comma > point and (delimiter != "," or comma) else "."


def as_numbers(cells: Sequence[str], decimal: str) -> list[float]:
    """Return the numbers among some cells."""
    texts = (cell.strip().replace(decimal, ".") for cell in cells)
    return [float(text) for text in texts if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", text)]


def time_formats(cells: Sequence[str]) -> list[str]:
    """Return the formats under which every time among some cells can be read: ``iso``, or patterns."""
    given = _given(cells)
    if not given:
        return []
    if all(re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", cell) for cell in given):
        return ["iso"]
    return [pattern for pattern in PATTERNS if all(reads(cell, pattern) for cell in given)]


def _given(cells: Sequence[str]) -> list[str]:
    return [cell.strip() for cell in cells if cell.strip().casefold() not in numbers.MISSING]


def carries_zone(cells: Sequence[str]) -> bool:
    """Return whether every ISO time among some cells carries its zone."""
    given = _given(cells)
    return all(re.search(r"\d(Z|z|\s?[+-]\d\d(:?\d\d)?)$", cell) and ":" in cell for cell in given)


def reads(cell: str, pattern: str) -> bool:
    """Return whether a cell is a moment written as `pattern`."""
    try:
        datetime.strptime(cell, pattern)
    except ValueError:
        return False
    return True


DATES = ("date", "day", "obsdate", "observationdate", "startdate", "datestart", "localdate", "utcdate", "datum")
WEEKS = ("week", "gpsweek", "wk", "gpswk", "weekno", "weeknumber", "gpsweeknumber")
SECONDS = ("gpsseconds", "secondsofweek", "sow", "tow", "gpstow", "gpssow", "secofweek", "timeofweek", "gpstime")
#: Labels of values that stand inside notes, for each of our columns.
LABELS = {
    "precision_h": ("HRMS", "HPREC", "HACC", "HSD"), "precision_v": ("VRMS", "VPREC", "VACC", "VSD"),
    "pdop": ("PDOP",), "satellites": ("SATS", "SV"),
}  # fmt: skip
CLOCKS = ("%H:%M", "%H%M%S", "%I:%M:%S %p", "%I:%M %p", "%H%M")
_NUMBER_IN_TEXT = r"(\d+\.?\d*)"
#: Units that a column has for itself, beside a file in metres or feet.
_OWN_UNITS = ("mm", "cm", "km")


@dataclass
class CellFinds:
    """What was found.

    Attributes
    ----------
    sources
        Our column, to the table of the recipe it comes from and what that rests on.
    times
        The cells of ``start`` and ``end`` as they will be read.
    gps
        Whether they are GPS weeks and seconds.
    clock
        Whether they hold a time of day and nothing more.
    used
        Columns (from 0) that are used up by the above.
    """

    sources: dict[str, tuple[str, str]] = field(default_factory=dict)
    times: list[str] = field(default_factory=list)
    gps: bool = False
    clock: bool = False
    used: set[int] = field(default_factory=set)


def look(
    rows: Sequence[Sequence[str]], headings: Sequence[str], found: Mapping[str, int], name: Callable[[int], str]
) -> CellFinds:
    """Return what more the rows show.

    Parameters
    ----------
    rows, headings
        The table without its headings, and they.
    found
        Our columns that have a heading of their own, each with its place (from 0).
    name
        How the recipe names the column at a place.
    """
    finds = CellFinds()
    _times(finds, rows, headings, found, name)
    _units(finds, headings, found, name)
    _labels(finds, rows, len(headings), found, name)
    return finds


def decimal_columns(rows: Sequence[Sequence[str]], width: int, decimal: str) -> list[int]:
    """Return the positions (from 1) of columns of numbers with decimals; one cell in ten may be spoiled."""
    form = re.compile(rf"[+-]?\d*{re.escape(decimal)}\d+")
    columns = ([cell for cell in _cells(rows, place) if cell] for place in range(width))
    return [
        at
        for at, cells in enumerate(columns, 1)
        if cells and sum(map(bool, map(form.fullmatch, cells))) >= 0.9 * len(cells)
    ]


def angle(cells: Sequence[str]) -> str:
    """Return how angles are written: ``dd``, ``dms``, or both ``dd`` and ``packed-dms`` joined by a blank."""
    given = [cell.strip() for cell in cells if cell.strip()]
    if given and all(re.fullmatch(r"[NSEWnsew+-]?\s*\d{1,3}[°º: -]\s*\d{1,2}['′: -].*", cell) for cell in given):
        return "dms"
    # Few decimal degrees have minutes and seconds below 60 in every row; where all do, a person must say.
    packed = [re.fullmatch(r"[NSEWnsew+-]?\d{1,3}\.[0-5]\d[0-5]\d\d*\s*[NSEWnsew]?", cell) for cell in given]
    return "dd packed-dms" if given and all(packed) else "dd"


def clock_formats(cells: Sequence[str]) -> list[str]:
    """Return the formats under which every cell is a time of day: ``iso``, or patterns."""
    if all(re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d([.]\d{1,9})?)?", cell) for cell in cells):
        return ["iso"]
    return [pattern for pattern in CLOCKS if all(reads(cell, pattern) for cell in cells)]


def number_hint(ours: str, cells: Sequence[str], source: Source) -> list[str]:
    """Return what to do about cells that are no numbers, if that can be told.

    Parameters
    ----------
    ours
        Our name of the column.
    cells
        The first cells that could not be read.
    source
        Where the recipe takes it from.
    """
    shown = f"{ours} is written like {cells[0][:40]!r}"
    if all(re.fullmatch(r"[+-]?\d{1,3}([.,'’\s]\d{3})+([.,]\d+)?", cell) for cell in cells):
        return [f"{shown}: signs between the thousands are not read; export the numbers without them."]
    units = {found[1] for cell in cells if (found := re.fullmatch(r"[+-]?\d+[.,]?\d*\s*([A-Za-z]+)", cell))}
    named = {named_unit(f"in {unit}") for unit in units} - {""}
    if ours in LENGTHS and source.pattern is None and len(units) == len(named) == 1:
        column = f'"{source.column}"' if isinstance(source.column, str) else source.column
        table = rf'''{{ column = {column}, pattern = '([+-]?\d+[.,]?\d*)', unit = "{named.pop()}" }}'''
        return [f"{shown}: write {ours} = {table} under [input.columns]."]
    return []


def time_hint(ours: str, cells: Sequence[str], dated: bool, stated: str) -> list[str]:
    """Return what to write so that cells which are no times in the recipe's format are read, if that can be told.

    Parameters
    ----------
    ours
        Our name of the column.
    cells
        The first cells that could not be read.
    dated
        Whether the recipe states the date, which then stands before each cell.
    stated
        The recipe's format: to write it again helps nobody.
    """
    shown = f"{ours} is written like {cells[0][:40]!r}"
    cells = [cell.split(" ", 1)[-1] for cell in cells] if dated else cells
    if not dated and all(re.fullmatch(r"[12]\d{3}[ :;,/]\s*\d{1,6}(\.\d*)?", cell) for cell in cells):
        return [f'{shown}: if that is a GPS week and its seconds, write time_format = "gps-week-seconds".']
    if not dated and all(re.fullmatch(r"[3-6]\d{4}([.,]\d+)?", cell) for cell in cells):
        return [f"{shown}: that is a spreadsheet's count of days; show the column as date and time there, save again."]
    clocks = clock_formats(cells)
    if clocks and not (dated and [*clocks] == [stated]):
        date = "" if dated else ' and date = "2026-02-09" (the rows\' date)'
        return [f"{shown}: write time_format = {_either(clocks)}{date} under [input]."]
    formats = time_formats(cells)
    if formats and not dated and [*formats] != [stated]:
        return [f"{shown}: write time_format = {_either(formats)} under [input]."]
    return []


def _either(formats: Sequence[str]) -> str:
    return " or ".join(f'"{pattern}"' for pattern in formats)


def _named(headings: Sequence[str], words: Sequence[str]) -> int | None:
    """Return the one column whose heading is among `words`."""
    at = [i for i, heading in enumerate(headings) if plain(heading) in words]
    return at[0] if len(at) == 1 else None


def _cells(rows: Sequence[Sequence[str]], place: int) -> list[str]:
    return [row[place].strip() if place < len(row) else "" for row in rows]


def _times(
    finds: CellFinds, rows: Sequence[Sequence[str]], headings: Sequence[str], found: Mapping[str, int],
    name: Callable[[int], str],
) -> None:  # fmt: skip
    week, seconds, day = (_named(headings, words) for words in (WEEKS, SECONDS, DATES))
    if week is not None and seconds is not None:
        finds.gps, finds.used = True, {week, seconds}
        finds.sources["start"] = (f"{{ week = {name(week)}, seconds = {name(seconds)} }}", "the headings")
        return
    for ours in (ours for ours in ("start", "end") if ours in found):
        cells = _cells(rows, found[ours])
        dateless = bool(clock_formats([cell for cell in cells if cell])) and any(cells)
        if dateless and day is not None:
            finds.used.add(day)
            table = f"{{ date = {name(day)}, time = {name(found[ours])} }}"
            finds.sources[ours] = (table, "the headings, and times without a date")
            cells = [f"{a} {b}".strip() for a, b in zip(_cells(rows, day), cells, strict=True)]
        finds.clock |= dateless and day is None
        finds.times += [cell for cell in cells if cell]


def _units(finds: CellFinds, headings: Sequence[str], found: Mapping[str, int], name: Callable[[int], str]) -> None:
    for ours in (ours for ours in LENGTHS if ours in found):
        if (unit := _last_word(headings[found[ours]])) in _OWN_UNITS:
            table = f'{{ column = {name(found[ours])}, unit = "{unit}" }}'
            finds.sources[ours] = (table, "the heading, which names the unit")


def _labels(
    finds: CellFinds, rows: Sequence[Sequence[str]], width: int, found: Mapping[str, int], name: Callable[[int], str]
) -> None:
    for ours, labels in LABELS.items():
        if ours in found or (ours == "precision_v" and "height" not in found):
            continue
        for place in range(width):
            label = _label([cell for cell in _cells(rows, place) if cell], labels)
            if label:
                unit = _unit_behind(_cells(rows, place), label) if ours in LENGTHS else ""
                table = f"{{ column = {name(place)}, pattern = '{label}[:=] *{_NUMBER_IN_TEXT}'{unit} }}"
                finds.sources[ours] = (table, f"most cells of that column hold {label} and a number")
                break


def _label(cells: Sequence[str], labels: Sequence[str]) -> str:
    """Return the label, as it is written, that stands with a number in more than half of the cells."""
    for label in labels:
        hits = [hit for cell in cells if (hit := re.search(rf"\b({label})[:=] *\d", cell, re.IGNORECASE))]
        if 2 * len(hits) > len(cells) and len({hit[1] for hit in hits}) == 1:
            return hits[0][1]
    return ""


def _unit_behind(cells: Sequence[str], label: str) -> str:
    """Return the unit that stands behind every number with this label, as a key of its table; feet could be either."""
    hits = [hit for cell in cells if (hit := re.search(rf"\b{label}[:=] *\d+\.?\d*\s*([A-Za-z]*)", cell))]
    units = {named_unit(f"in {hit[1]}") for hit in hits}
    return f', unit = "{units.pop()}"' if units and len(units) == 1 and units <= {"m", "mm", "cm"} else ""


#: Ours that cannot share a column with another of these.
ALONE = ("point", "easting", "northing", "longitude", "latitude", "height")
#: Coordinates, and how they look, in degrees too.
PAIRS = (("easting", "northing"), ("longitude", "latitude"))
_COORDINATE = re.compile(r"[NSEW+-]?\s*\d[\d.,:°'\"\s]*[NSEW]?", re.IGNORECASE)
#: Names, ignoring case, that an input's own column may not take: ours, and a GeoPackage's.
RESERVED = frozenset({*OCCUPATIONS.columns, "fid", "geom"})


def place(wanted: Place, headings: Sequence[str], width: int) -> int:
    """Return the column (from 0) called `wanted`, at that 1-based position, or of those characters.

    Matched exactly, else ignoring case and the kind and number of blanks.

    Raises
    ------
    LookupError
        If there is none or more than one; the message says which and what there is.
    """
    if isinstance(wanted, tuple):
        wanted = fixed_name(wanted)
    if isinstance(wanted, int):
        if 1 <= wanted <= width:
            return wanted - 1
        raise LookupError(f"there is no column {wanted}: the table has {width}.")
    for key in (_exact, text_file.loose):
        found = [i for i, heading in enumerate(headings) if key(heading) == key(wanted)]
        if len(found) == 1:
            return found[0]
        if found:
            at = " and ".join(str(i + 1) for i in found)
            raise LookupError(f"the heading {wanted!r} stands at the positions {at}. Write one of the positions.")
    raise LookupError(f"there is no heading {wanted[:80]!r}.{near(wanted, filter(None, headings), cutoff=0.5)}")


def fixed_name(span: tuple[int, int]) -> str:
    """Return what a fixed column is called: its first and last character."""
    return f"{span[0]}-{span[1]}"


def _exact(text: str) -> str:
    return unicodedata.normalize("NFC", text.strip())


def places(columns: Mapping[str, Place], headings: Sequence[str], width: int, name: str) -> dict[str, int]:
    """Return where each of our columns stands (from 0).

    Raises
    ------
    InputError
        If any cannot be found; all of them are named, with the headings there are.
    """
    found, faults = {}, []
    for ours, wanted in columns.items():
        try:
            found[ours] = place(wanted, headings, width)
        except LookupError as error:
            faults.append(Fault(f"[input.columns] {ours}", str(error.args[0])))
    if faults:
        raise InputError.from_faults(
            f"{name}: columns are not found. {_there_are(headings, width)} Write one, or a position from 1.", faults
        )
    _refuse_doubles(found, name)
    return found


def refuse_other_units(
    sources: Mapping[str, Source], found: Mapping[str, int], headings: Sequence[str],
    units: Mapping[str, tuple[str, str]], name: str,
) -> None:  # fmt: skip
    """Raise InputError if a heading names another unit than the recipe reads its column in.

    Parameters
    ----------
    sources
        Where the recipe says each of ours comes from; only one named by its heading, whole, is looked at.
    found, headings
        Where each of ours stands, and the headings there are.
    units
        Of those of ours that are lengths: the key under ``[input]`` that states the unit, and the unit.
    """
    faults = []
    for ours, (key, unit) in units.items():
        source = sources.get(ours)
        if ours not in found or source is None or source.pattern or not isinstance(source.column, str):
            continue
        table = "[input]"
        if source.unit:
            key, unit, table = "unit", source.unit, f"[input.columns] {ours}"
        named = named_unit(headings[found[ours]])
        if named and named != unit and not (named == "ft" and unit == "ftUS"):
            problem = f"is headed {headings[found[ours]][:60]!r}, and is read in {unit}."
            add = f'Add {key} = "{named}" under {table}'
            if not source.unit and named not in (PRECISION_UNITS if key == "unit_precision" else JOB_UNITS):
                add = f'Write {ours} = {{ column = "{source.column}", unit = "{named}" }} under {table[:-1]}.columns]'
            remedy = f"{add}; if the heading is wrong, name the column by its position."
            faults.append(Fault(f"[input.columns] {ours}", problem, remedy))
    if faults:
        raise InputError.from_faults(f"{name}: headings name another unit than the recipe:", faults)


def refuse_data(sources: Mapping[str, Source], found: Mapping[str, int], headings: Sequence[str], name: str) -> None:
    """Raise InputError if the coordinates' headings are numbers: a row of data, which would be lost.

    Parameters
    ----------
    sources
        Where the recipe says each of ours comes from; only one named by its position is looked at.
    found, headings
        Where each of ours stands, and the headings there are.
    """
    for pair in PAIRS:
        if not all(ours in found and isinstance(sources[ours].column, int) for ours in pair):
            continue
        shown = [headings[found[ours]].strip() for ours in pair]
        if all(_COORDINATE.fullmatch(text) for text in shown):
            problem = f"the first row is taken for headings, and holds {' and '.join(shown)} as {' and '.join(pair)}."
            raise InputError(f"{name}: {problem} If it is a point, write header = false under [input].")


def _refuse_doubles(found: Mapping[str, int], name: str) -> None:
    """Raise InputError if a point's name or coordinates are to be read from one column."""
    seen: dict[int, str] = {}
    faults = []
    for ours in (key for key in found if key in ALONE):
        other = seen.setdefault(found[ours], ours)
        if other != ours:
            problem = f"is column {found[ours] + 1}, and so is {other}."
            faults.append(Fault(f"[input.columns] {ours}", problem, "Each needs a column of its own."))
    if faults:
        raise InputError.from_faults(f"{name}: one column is read as two things:", faults)


def _there_are(headings: Sequence[str], width: int) -> str:
    if not any(headings):
        return f"It has {width} columns without headings."
    shown = ", ".join(repr(heading[:40]) for heading in headings[:40])
    return f"Its headings are {shown}" + (", ..." if len(headings) > 40 else ".")


def own_names(headings: Sequence[str]) -> list[str]:
    """Return a name for each column: its heading, or ``column_5`` where it has none."""
    return [heading.strip() or f"column_{i}" for i, heading in enumerate(headings, 1)]


def extra_names(names: Iterable[str], beside: Iterable[str] = ()) -> list[str]:
    """Return names for columns that travel along, changed where they clash, ignoring case.

    Parameters
    ----------
    names
        Their own names, in order.
    beside
        Names that are taken, beside ours and a GeoPackage's.
    """
    taken, chosen = {name.casefold() for name in (*RESERVED, *beside)}, []
    last: dict[str, int] = {}
    for name in names:
        candidate, number = name, last.get(name, 1)
        while candidate.casefold() in taken:
            number += 1
            candidate = f"{name}_{number}"
        last[name] = number
        taken.add(candidate.casefold())
        chosen.append(candidate)
    return chosen
