"""A recipe proposed for a file."""

from __future__ import annotations

import contextlib
import json
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from geoqa.core import geodesy, input_files
from geoqa.core.errors import GeodesyError, InputError
from geoqa.core.job import COLUMNS, WORDS, Recipe
from geoqa.core.params import OPEN
from geoqa.core.recipe import PRESETS, InputFormat, Requirement, Site, sources
from geoqa.core.units import METRES_PER, PRECISION_UNITS, spoken
from geoqa.readers import _vector_layers
from geoqa.readers._vector_layers import Layer, X, Y, Z
from geoqa.readers.tables import coordinate_checks, inference, records
from geoqa.readers.tables.typed_cells import SeveralTablesError, TypedRows
from geoqa.readers.text import text_file

#: More different words than this in a column that should hold a few are no words of a legend.
MOST_WORDS = 30
#: Kinds of characters that are not seen and may act: controls, format and direction marks, separators.
_UNSEEN = ("Cc", "Cf", "Zl", "Zp")
_HEAD = """\
# A recipe proposed for {name}. Lines marked "inferred" were read off the file: look at each.
# Lines marked "must be stated" hold "?" and are refused until a person who knows the job has filled them in.
"""


@dataclass
class _Draft:
    """The recipe so far, and what the file shows."""

    rows: list[list[str]]
    headings: list[str]
    skip: int
    delimiter: str
    decimal: str
    found: dict[str, int]
    more: inference.CellFinds = field(default_factory=inference.CellFinds)
    lines: list[str] = field(default_factory=list)

    def has(self, ours: str) -> bool:
        return ours in self.found or ours in self.more.sources

    def cells(self, ours: str) -> list[str]:
        place = self.found[ours]
        return [row[place] for row in self.rows if place < len(row)]

    def table(self, name: str) -> None:
        self.lines += ["", f"[{name}]"]

    def inferred(self, key: str, value: str, source: str) -> None:
        self.lines.append(f"{key} = {value}  # inferred: {source}")

    def open(self, key: str, choices: str) -> None:
        self.lines.append(f'{key} = "{OPEN}"  # must be stated: {choices}')

    def note(self, text: str) -> None:
        self.lines.append(f"# {text}")


def propose(path: Path | str) -> str:
    """Return a recipe in TOML for the delimited text file at `path`.

    Nothing is stated that the file does not show: never the coordinate system, the unit (unless a
    heading names it), what a precision means, the zone of times without one, a tolerance or a
    requirement.

    Raises
    ------
    InputError
        If the file is no text table.
    """
    path = Path(path)
    draft = _look(path)
    _site(draft, path)
    _input(draft)
    _columns(draft)
    _values(draft)
    _judgement(draft)
    return _HEAD.format(name=quoted(path.name)) + "\n".join(draft.lines) + "\n"


def quoted(text: str) -> str:
    """Return text as a TOML string on one line, in which nothing can act on a terminal or turn the text around."""
    shown = json.dumps(text.encode("utf-8", "replace").decode(), ensure_ascii=False)
    return "".join(_escaped(sign) if unicodedata.category(sign) in _UNSEEN else sign for sign in shown)


def _escaped(sign: str) -> str:
    return f"\\u{ord(sign):04x}" if ord(sign) < 0x10000 else f"\\U{ord(sign):08x}"


def _look(path: Path) -> _Draft:
    text = text_file.load(path)
    sample = records.sample(text, InputFormat(unit="m"))
    if not sample:
        raise InputError(f"{path.name}: holds nothing but comments (lines that start with #).")
    delimiter = text_file.detect([line for _, line in sample], (), path.name)
    split = [(number, row) for number, row in ((n, text_file.split(line, delimiter)) for n, line in sample) if row]
    start = inference.table_start([row for _, row in split])
    skip = split[start][0] if start else 0
    rows = [row for _, row in split[start:]]
    width = text_file.usual_width(rows)
    if rows and inference.has_headings(rows):
        names = [cell.strip() for cell in rows[0]]
        found, rows = inference.columns(names), rows[1:]
    else:
        names, found = [""] * width, {}
    draft = _Draft(rows, names, skip, delimiter, inference.decimal_sign(rows, delimiter), found)
    draft.more = inference.look(rows, names, found, lambda place: _name(draft, place))
    return draft


def _site(draft: _Draft, path: Path) -> None:
    draft.table("site")
    draft.inferred("name", quoted(Path(input_files.inner_name(path)).stem), "the name of the file")
    draft.open("crs", f'the code of the coordinate system, such as "EPSG:2193"; {_kind(draft)}')
    if "height" in draft.found:
        draft.open("height", 'what the heights are above: "ellipsoidal", or a label such as "NZVD2016"')


def _kind(draft: _Draft) -> str:
    """Return what kind of coordinate system the numbers fit."""
    if "longitude" in draft.found:
        return "the headings are longitude and latitude: a geographic one"
    if "easting" not in draft.found or "northing" not in draft.found:
        return "projected for easting and northing, geographic for longitude and latitude"
    east, north = (inference.as_numbers(draft.cells(name), draft.decimal) for name in ("easting", "northing"))
    if east and north and max(map(abs, east)) <= 180 and max(map(abs, north)) <= 90:
        return "the numbers are as small as degrees: if they are, map longitude and latitude instead"
    return "easting and northing: a projected one"


def _input(draft: _Draft) -> None:
    draft.table("input")
    units = {inference.split_unit(draft.headings[i])[1] for k, i in draft.found.items() if k in ("easting", "northing")}
    if len(units) == 1 and "" not in units:
        draft.inferred("unit", quoted(units.pop()), "the headings name it")
    else:
        _unit(draft)
    if draft.has("precision_h") or draft.has("precision_v"):
        draft.open("precision", '"sigma" (one per axis), "drms", "2drms", "cep50" or "radius95"')
    if draft.has("precision_v"):
        draft.open("precision_v", '"sigma" or "95"')
    precise = ("precision_h", "precision_v", "sigma_e", "sigma_n", "sigma_u")
    units = {inference.named_unit(draft.headings[i]) for k, i in draft.found.items() if k in precise} - {""}
    if len(units) == 1 and units <= set(PRECISION_UNITS):
        draft.inferred("unit_precision", quoted(units.pop()), "the headings name it")
    _angle(draft)
    _times(draft)
    if "initialization" in draft.found:
        heading = quoted(draft.headings[draft.found["initialization"]])
        draft.inferred("initialization", '"column"', f"the heading {heading}")
    else:
        draft.open(
            "initialization", '"asserted" (every row is a fresh fix; add asserted_by = "your name") or "unknown"'
        )
    draft.inferred("delimiter", quoted(draft.delimiter), f"a {text_file.SPOKEN[draft.delimiter]} parts the first lines")
    if draft.skip:
        draft.inferred("skip", str(draft.skip), "the lines before hold no table")
    has = any(draft.headings)
    draft.inferred("header", str(has).lower(), f"the first row holds {'no numbers' if has else 'numbers'}")
    draft.inferred("decimal", quoted(draft.decimal), "the numbers of the first rows")


def _unit(draft: _Draft) -> None:
    """Leave the unit open; a heading that says feet, also of the heights alone, does not say which."""
    names = {k: draft.headings[draft.found[k]] for k in ("easting", "northing", "height") if k in draft.found}
    feet = [heading for heading in names.values() if inference.named_unit(heading) == "ft"]
    if feet:
        draft.open("unit", f'"ft" (international) or "ftUS" (US survey): the heading {quoted(feet[0])} says feet')
        return
    draft.open("unit", '"m", "ft" (international) or "ftUS" (US survey); of coordinates, and of heights if not said')
    if "height" in names and inference.split_unit(names["height"])[1] == "m":
        draft.inferred("unit_height", '"m"', f"the heading {quoted(names['height'])}")


def _angle(draft: _Draft) -> None:
    if not {"longitude", "latitude"} & set(draft.found):
        return
    written = inference.angle([cell for ours in ("longitude", "latitude") for cell in draft.cells(ours)])
    if written == "dms":
        draft.inferred("angle", '"dms"', "degrees, minutes and seconds stand apart")
    elif written != "dd":
        draft.open("angle", '"dd" (decimal degrees) or "packed-dms" (dd.mmss): every number could be either')


def _times(draft: _Draft) -> None:
    if not draft.has("start"):
        return
    if draft.more.gps:
        draft.inferred("time_format", '"gps-week-seconds"', "the headings name a week and its seconds")
        return
    cells = draft.more.times
    if draft.more.clock:
        draft.open("date", 'the date of the rows, which hold a time of day alone, such as "2026-02-09"')
    formats = inference.clock_formats(cells) if draft.more.clock else inference.time_formats(cells)
    if len(formats) == 1:
        draft.inferred("time_format", quoted(formats[0]), "the first rows")
    else:
        shown = " or ".join(quoted(pattern) for pattern in formats) if formats else 'such as "%d/%m/%Y %H:%M:%S"'
        draft.open("time_format", f'"iso", or a pattern: {shown}')
    if formats != ["iso"] or not inference.carries_zone(cells):
        draft.open("timezone", 'the zone of the times: "UTC", or a name such as "Pacific/Auckland"')


def _columns(draft: _Draft) -> None:
    draft.table("input.columns")
    globe = "longitude" in draft.found
    needed = ("point", "longitude", "latitude") if globe else ("point", "easting", "northing")
    for ours in COLUMNS:
        if ours in draft.more.sources:
            draft.inferred(ours, *draft.more.sources[ours])
        elif ours in draft.found:
            place = draft.found[ours]
            if twice := _twice(draft, place):
                heading = quoted(draft.headings[place])
                draft.open(ours, f"the heading {heading} stands at the positions {twice}; write one or remove the line")
            else:
                draft.inferred(ours, _name(draft, place), "the heading")
        elif ours in needed:
            draft.open(ours, f"the heading or 1-based position of: {COLUMNS[ours]}{_decimal_columns(draft)}")
    absent = [name for name in ("height", "precision_h", "precision_v", "start", "base") if not draft.has(name)]
    if absent and _has_spare_numbers(draft):
        draft.note(f"If a column below holds {', '.join(absent)}, add a line: {absent[0]} = its heading or position.")
        draft.note("What then must be stated beside it, the review names.")
    used = {*draft.found.values(), *draft.more.used}
    for i, name in enumerate(inference.own_names(draft.headings)):
        if i not in used:
            first = next((row[i] for row in draft.rows if i < len(row) and row[i].strip()), "")
            draft.note(f"not mapped: column {i + 1}, {quoted(name[:60])}, such as {quoted(first[:60])}")


def _decimal_columns(draft: _Draft) -> str:
    """Return, where there are no headings, which columns could hold coordinates."""
    if any(draft.headings):
        return ""
    at = inference.decimal_columns(draft.rows, len(draft.headings), draft.decimal)
    return f"; numbers with decimals stand in {', '.join(map(str, at))}" if at else ""


def _name(draft: _Draft, place: int) -> str:
    """Return how the recipe names a column: by its heading, by its position where that is not the only one."""
    if not draft.headings[place].strip():
        return str(place + 1)
    try:
        inference.place(draft.headings[place], draft.headings, len(draft.headings))
    except LookupError:
        return str(place + 1)
    return quoted(draft.headings[place])


def _twice(draft: _Draft, place: int) -> str:
    """Return the positions of all columns headed as the one at `place`; empty where it is the only one."""
    own = text_file.loose(draft.headings[place])
    at = [str(i) for i, heading in enumerate(draft.headings, 1) if text_file.loose(heading) == own]
    return " and ".join(at) if len(at) > 1 else ""


def _values(draft: _Draft) -> None:
    for ours, known in WORDS.items():
        if ours not in draft.found:
            continue
        given = dict.fromkeys(word for word in (cell.strip() for cell in draft.cells(ours)) if word)
        strange = [word for word in given if word.casefold() not in known]
        if not strange or len(strange) > MOST_WORDS:
            continue
        draft.table(f"input.values.{ours}")
        for word in strange:
            usual = inference.SOLUTIONS.get(inference.plain(word)) if ours == "solution" else None
            if usual:
                draft.inferred(quoted(word), quoted(usual), "the usual word")
            else:
                draft.open(quoted(word), f"one of {', '.join(known)}")


def _judgement(draft: _Draft) -> None:
    has_height = "height" in draft.found
    draft.table("match")
    again = inference.again([cell.strip() for cell in draft.cells("point")] if "point" in draft.found else [])
    if again:
        draft.inferred(
            "by", '"pattern"', f"{quoted(again[1])} stands beside {quoted(again[2])}; by name, if they differ"
        )
        draft.inferred("pattern", f"'{again[0]}'", "what is added to a name to observe it again")
    else:
        draft.inferred("by", '"name"', "rows with one name are one point")
    draft.table("tolerance")
    draft.note(f"Or, in place of the values, purpose = one of {', '.join(PRESETS)}; each prints its source.")
    draft.open("horizontal_m", "the largest horizontal closure the job accepts, in metres")
    if has_height:
        draft.open("vertical_m", "the largest height closure the job accepts, in metres")
    draft.open("convention", '"closure" (one visit against another) or "from-mean" (each against the average)')
    draft.table("requirement")
    draft.open("horizontal_m", "the largest horizontal error of a delivered coordinate, in metres")
    if has_height:
        draft.open("vertical_m", "the largest height error of a delivered coordinate, in metres")
    draft.open("confidence", "the probability it must hold with, such as 0.95")
    if not has_height and _has_spare_numbers(draft):
        draft.open("judge", '"hv" if you map the height and it must be right too, "h" if not')
        return
    judge = ('"hv"', "there are heights") if has_height else ('"h"', "there are no heights")
    draft.inferred("judge", *judge)


def _has_spare_numbers(draft: _Draft) -> bool:
    """Return whether more columns hold decimal numbers than the mapped ones and a pair of coordinates need."""
    pair = ("longitude", "latitude") if "longitude" in draft.found else ("easting", "northing")
    open_pair = sum(name not in draft.found for name in pair)
    taken = {*draft.found.values(), *draft.more.used}
    spare = [i for i in range(len(draft.headings)) if i not in taken]
    numeric = 0
    for i in spare:
        cells = [row[i] for row in draft.rows if i < len(row) and row[i].strip()]
        numbers = inference.as_numbers(cells, draft.decimal)
        numeric += bool(cells) and len(numbers) >= 0.9 * len(cells) and any(number % 1 for number in numbers)
    return numeric > open_pair


def propose_rows(
    path: Path, names: list[str], rows: list[list[str]], found: dict[str, int], stated: dict[str, tuple[str, str]],
    skip: int = 0,
) -> str:  # fmt: skip
    """Return a recipe in TOML for a file that is no text table but holds one.

    Parameters
    ----------
    names, rows
        Headings, and the first rows as text.
    found
        Our columns with their place (from 0).
    stated
        What the file itself states, by ``table.key``: the value in TOML, and where it stands; an empty value where
        the recipe can leave it to the file.
    skip
        Lines before the table.
    """
    draft = _Draft(rows, names, skip, ",", ".", found)
    draft.more = inference.look(rows, names, found, lambda place: _name(draft, place))
    for part in (lambda d: _site(d, path), _input, _columns, _values, _judgement):
        part(draft)
    kept, at = [], ""
    for line in draft.lines:
        key = line.partition(" = ")[0]
        at = line[1:-1] if line.startswith("[") else at
        if f"{at}.{key}" in stated:
            value, source = stated[f"{at}.{key}"]
            line = f"{key} = {value}  # inferred: {source}" if value else f"# no line for {key}: {source}"
        if at != "input" or key not in ("delimiter", "header", "decimal"):
            kept.append(line)
    return _HEAD.format(name=quoted(path.name)) + "\n".join(kept) + "\n"


#: Rows that are looked at, and tables of one file.
SAMPLE, MOST = 200, 20


def bare_job() -> Recipe:
    """Return a job that states nothing about a file, to look at it with."""
    return Recipe(
        site=Site(crs="EPSG:4326"), input=InputFormat(unit="m"), columns={},
        tolerance=next(iter(PRESETS.values())), requirement=Requirement(),
    )  # fmt: skip


def propose_of_rows(
    path: Path,
    rows: TypedRows,
    brought: dict[str, str] | None = None,
    stated: dict[str, tuple[str, str]] | None = None,
    *,
    skip: int = 0,
) -> str:
    """Return a recipe proposed for some rows.

    Parameters
    ----------
    brought
        Our columns that the file is known to hold, by heading.
    stated
        What the file itself states (see `proposal.propose_rows`).
    skip
        Lines before the table.
    """
    names = list(rows.headings)
    brought = brought or {}
    own = {heading: ours for ours, heading in brought.items()}
    # Under our names, so that a precision of the height is seen to have a height.
    found = inference.columns([own.get(heading, heading) for heading in names])
    if brought:
        for name in ("easting", "northing", "longitude", "latitude"):
            found.pop(name, None)
    found |= {ours: names.index(heading) for ours, heading in brought.items()}
    stated = {f"input.columns.{ours}": ("", "the file names it itself") for ours in brought} | (stated or {})
    if "initialization" in brought:
        stated["input.initialization"] = ("", "a column of the file")
    return propose_rows(path, names, sample(rows), found, stated, skip)


def sample(rows: TypedRows) -> list[list[str]]:
    """Return the first records as text."""
    return [list(row) for row in zip(*(column[:SAMPLE].to_pylist() for column in rows.columns), strict=True)]


def propose_of_one(propose: Callable[..., str], step: str, key: str, wanted: str | None = None) -> str:
    """Return what `propose` gives; of a file with several tables for the likeliest, and which one stays open.

    The likeliest is the first of those in which most columns are recognized: a cover sheet is none.

    Parameters
    ----------
    propose
        Makes the proposal; takes the name of a table under the key of `SeveralTablesError`, if it must.
    step, key
        The reader, and its parameter that names a table.
    wanted
        The table that is asked for.
    """
    if wanted is not None:
        return f"{propose(**{key: wanted})}\n[step.{step}]\n{key} = {quoted(wanted)}  # inferred: as asked\n"
    try:
        return propose()
    except SeveralTablesError as several:
        names = [quoted(name) for name in several.names]
        texts = [_tried(propose, several.key, name) for name in several.names[:MOST]]
        best = max(range(len(texts)), key=lambda k: (texts[k].count("# inferred: the heading"), -k))
        text = texts[best] or propose(**{several.key: several.names[best]})
        choice = f"one of {', '.join(names)}; the rest of this recipe was read off {names[best]}"
        return f'{text}\n[step.{several.step}]\n{several.key} = "{OPEN}"  # must be stated: {choice}\n'


def _tried(propose: Callable[..., str], key: str, name: str) -> str:
    """Return the proposal for one table; empty where it is none."""
    try:
        return propose(**{key: name})
    except InputError:
        return ""


def propose_of_layer(path: Path, layer: Layer) -> str:
    """Return a recipe proposed for a layer of a vector file."""
    named, layer = _vector_layers.named(layer, bare_job())
    _, rows = layer.table(path.name, needs_geometry=False)
    stated, pair = dict[str, tuple[str, str]](), coordinate_checks.PLANE
    code = geodesy.code(layer.crs) if layer.crs else ""
    if code:
        stated["site.crs"] = (quoted(code), "the file states it")
        with contextlib.suppress(GeodesyError):
            globe, plane_m, height_m, above = coordinate_checks.scales(code, layer.crs, layer.height_m)
            pair = coordinate_checks.GLOBE if globe else coordinate_checks.PLANE
            high = layer.has_heights and "height" not in named
            what = "lengths are in" if globe else "its coordinate system counts in"
            stated |= itself(plane_m, height_m, high, what)
            if above and layer.has_heights:
                stated["site.height"] = (quoted(above), "the file states it")
    brought = dict(zip(pair, (X, Y), strict=True)) | ({"height": Z} if layer.has_heights else {})
    columns = {ours: source.column for ours, source in sources(named).items()}
    return propose_of_rows(
        path, rows, brought | {o: place for o, place in columns.items() if isinstance(place, str)}, stated
    )


def itself(plane_m: float, height_m: float | None, has_heights: bool, what: str) -> dict[str, tuple[str, str]]:
    """Return what a recipe need not say of the unit, as the file does; what the heights count in where it does not."""
    unit = unit_of(plane_m)
    if not unit:
        return {}
    said = f"{what} {spoken(unit)}"
    if has_heights and not height_m:
        said += (
            '\nunit_height = "?"  # must be stated: "m", "ft" or "ftUS"; the file does not say what heights count in'
        )
    return {"input.unit": ("", said)}


def unit_of(metres: float) -> str:
    """Return our word for a unit of so many metres, empty if there is none."""
    return next((unit for unit in ("m", "ft", "ftUS") if abs(METRES_PER[unit] / metres - 1) < 1e-9), "")
