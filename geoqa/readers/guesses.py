"""What headings and cells of a table suggest: only what a person would read off the file itself."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from datetime import datetime

from geoqa.readers import numbers

#: Words of the field, and their usual abbreviations, without blanks and signs, for each of our columns: English first,
#: then German, French, Spanish, Italian, Portuguese, Dutch and the languages of the North.
HEADINGS: dict[str, tuple[str, ...]] = {
    "point": ("point", "pointname", "pointid", "pointno", "pointnumber", "name", "pt", "ptid", "ptname", "ptno",
              "mark", "marker", "station", "stn", "id", "number", "no", "nr", "punkt", "punktnr", "punktnummer",
              "punto", "ponto", "nom", "nome", "nombre", "numero", "número", "numéro", "num",
              "matricule", "borne", "vertice", "vértice", "puntnr", "puntnummer", "punkter", "piste", "pistenro",
              "pistetunnus", "naam", "navn", "namn"),
    "easting": ("easting", "east", "e", "grideast", "eastings", "rechtswert", "ostwert", "ost", "est", "este",
                "leste", "øst", "öst", "ostkoord", "itä", "oost"),
    "northing": ("northing", "north", "n", "gridnorth", "northings", "hochwert", "nordwert", "nord", "nordkoord",
                 "norte", "norr", "pohjoinen", "noord"),
    "longitude": ("longitude", "lon", "long", "lng", "longitud", "longitudine", "länge", "laenge", "lengdegrad",
                  "lengtegraad", "längdgrad", "længdegrad", "pituusaste"),
    "latitude": ("latitude", "lat", "latitud", "latitudine", "breite", "breddegrad", "breedtegraad", "breddgrad",
                 "leveysaste"),
    "height": ("height", "elevation", "elev", "h", "z", "ht", "altitude", "alt", "ellipsoidalheight", "ellheight",
               "orthometricheight", "ellht", "orthoht", "hoehe", "höhe", "level", "rl", "reducedlevel", "altitud",
               "altitudine", "hauteur", "cote", "cota", "quota", "altura", "altezza", "hoogte", "høyde", "højde",
               "höjd", "korkeus", "elevacion", "elevación", "elevacao", "elevação"),
    "precision_h": ("precisionh", "horizontalprecision", "hprecision", "hprec", "hzprec", "precision2d", "hrms",
                    "horizontalrms", "rmsh", "sigmah", "sh", "hsigma", "hacc", "horizontalaccuracy", "hsd", "sdh",
                    "lagegenauigkeit", "precisionplani", "précisionplani", "precisiónhorizontal",
                    "precisionehorizontal", "precisaohorizontal", "precisãohorizontal", "nauwkeurigheidh"),
    "precision_v": ("precisionv", "verticalprecision", "vprecision", "vprec", "vrms", "verticalrms", "rmsv",
                    "sigmav", "sv", "vsigma", "vacc", "verticalaccuracy", "vsd", "sdv", "höhengenauigkeit",
                    "hoehengenauigkeit", "précisionalti", "precisiónvertical", "precisaovertical", "precisãovertical"),
    "sigma_e": ("sigmae", "sigmaeast", "se", "sde", "stde", "sdeast", "esd", "eastsd"),
    "sigma_n": ("sigman", "sigmanorth", "sn", "sdn", "stdn", "sdnorth", "nsd", "northsd"),
    "sigma_u": ("sigmau", "sigmaup", "su", "sdu", "stdu", "sdup", "usd", "sigmaheight", "sdheight"),
    "cov_en": ("coven", "covarianceen", "sen"),
    "start": ("start", "starttime", "timestart", "begin", "begintime", "datetime", "timestamp", "time", "observed",
              "starttimeutc", "startutc", "utc", "timeutc", "localtime", "observationtime", "datumuhrzeit",
              "datumzeit", "clock", "timeofday", "uhrzeit", "zeit", "heure", "dateheure", "hora", "fechahora",
              "datahora", "ora", "dataora", "tijd", "tijdstip", "tid", "tidspunkt", "klokkeslett", "aika"),
    "end": ("end", "endtime", "timeend", "stop", "stoptime", "finish", "endutc", "endtimeutc"),
    "initialization": ("initialization", "initialisation", "init", "initno", "initid", "fixid", "fixno"),
    "base": ("base", "basename", "baseid", "basestation", "reference", "referencestation", "refstation", "basesetup",
             "estaciónbase", "estacionbase", "stazionebase", "basis", "basisstation", "referenz", "referenzstation"),
    "base_distance": ("basedistance", "basedist", "distancetobase", "disttobase", "baseline", "baselinelength"),
    "canopy": ("canopy", "cover", "overheadcover", "treecover", "canopyclass", "vegetation", "couvert", "couverture",
               "cubierta", "cobertura", "copertura", "bewuchs", "begroeiing"),
    "solution": ("solution", "solutiontype", "sol", "fixtype", "fixstatus", "fix", "quality", "fixquality", "lösung",
                 "loesung", "solución", "solucion", "solucao", "solução", "soluzione", "oplossing", "losning",
                 "løsning"),
    "method": ("method", "measurementmethod", "measmethod", "observationmethod"),
    "origin": ("origin", "source", "pointorigin", "coordinatesource"),
    "role": ("role", "purpose", "pointrole"),
    "code": ("code", "featurecode", "feature", "fcode", "código", "codigo", "codice", "kode", "kod", "punktcode"),
    "antenna_height": ("antennaheight", "antheight", "antht", "anth", "poleheight", "rodheight", "hi", "hr"),
    "measured_to": ("measuredto", "antennameasuredto", "heightmeasuredto"),
    "operator": ("operator", "crew", "surveyor", "observer", "party", "measuredby", "opérateur", "operateur",
                 "operador", "operatore", "beobachter", "bearbeiter"),
    "satellites": ("satellites", "sats", "nsat", "nsats", "numsats", "satellitecount", "svs", "numsv"),
    "pdop": ("pdop",),
    "correction_age": ("correctionage", "ageofcorrections", "age", "diffage", "corrage"),
    "epochs": ("epochs", "epochcount", "numepochs", "nepochs", "observations"),
    "note": ("note", "notes", "remark", "remarks", "comment", "comments", "description", "desc", "bemerkung",
             "bemerkungen", "remarque", "remarques", "observacion", "observación", "observaciones", "osservazioni",
             "opmerking", "merknad", "anmärkning", "bemærkning", "huomautus", "observação", "observacao"),
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
PATTERNS = tuple(
    f"{date}{gap}{clock}"
    for date in (
        "%d/%m/%Y",
        "%m/%d/%Y",
        "%d.%m.%Y",
        "%d-%m-%Y",
        "%m-%d-%Y",
        "%Y/%m/%d",
        "%Y%m%d",
        "%d %b %Y",
        "%d-%b-%Y",
        "%d/%m/%y",
        "%m/%d/%y",
        "%d.%m.%y",
        "%d-%m-%y",
        "%y-%m-%d",
    )
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
    words = [word for word in re.split(r"[\W_]+", heading) if word]
    last = plain(words[-1]) if len(words) > 1 else ""
    return UNITS.get(last) or {"ft": "ft", "feet": "ft", "mm": "mm", "cm": "cm", "km": "km"}.get(last, "")


def split_unit(heading: str) -> tuple[str, str]:
    """Return a heading without its unit, and the unit it names (empty if none that we can be sure of)."""
    words = [word for word in re.split(r"[\W_]+", heading) if word]
    last = plain(words[-1]) if len(words) > 1 else ""
    if last in UNITS or last in _OTHER_UNITS:
        return "".join(words[:-1]), UNITS.get(last, "")
    return heading, ""


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
    for name, other in (("sigma_e", "sigma_n"), ("sigma_n", "sigma_e"), ("cov_en", "sigma_e"), ("end", "start")):
        if other not in found:
            found.pop(name, None)
    return _without_doubles(found)


def _without_doubles(found: dict[str, int]) -> dict[str, int]:
    """Leave one way of stating a precision, and none of a height that is not there."""
    if "sigma_e" in found:
        found.pop("precision_h", None)
    if "sigma_u" in found:
        found.pop("precision_v", None)
    if "height" not in found:
        for name in ("precision_v", "sigma_u"):
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
    found = []
    for cell in cells:
        text = cell.strip().replace(decimal, ".")
        if re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)", text):
            found.append(float(text))
    return found


def time_formats(cells: Sequence[str]) -> list[str]:
    """Return the formats under which every time among some cells can be read: ``iso``, or patterns."""
    given = [cell.strip() for cell in cells if cell.strip().casefold() not in numbers.MISSING]
    if not given:
        return []
    if all(re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", cell) for cell in given):
        return ["iso"]
    return [pattern for pattern in PATTERNS if all(reads(cell, pattern) for cell in given)]


def carries_zone(cells: Sequence[str]) -> bool:
    """Return whether every ISO time among some cells carries its zone."""
    given = [cell.strip() for cell in cells if cell.strip().casefold() not in numbers.MISSING]
    return all(re.search(r"\d(Z|z|\s?[+-]\d\d(:?\d\d)?)$", cell) and ":" in cell for cell in given)


def reads(cell: str, pattern: str) -> bool:
    """Return whether a cell is a moment written as `pattern`."""
    try:
        datetime.strptime(cell, pattern)
    except ValueError:
        return False
    return True
