"""What goes wrong in the field book and in the office: the rows a review must notice, or leave out."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import timedelta

from geoqa.demo.dice import Dice
from geoqa.demo.fieldwork import HEADINGS, ROLE_WORDS, Row, time_text
from geoqa.demo.ground import COVERS, Point, mm, text

ANTENNA_SLIP_MM, ANTENNA_SLIPS = 100, 12
ANTENNA_MORNING = "KR-0211am"  # how the labels of that crew's Wednesday morning begin
KNOWN_SIGMA_MM = (4, 6)


@dataclass(frozen=True)
class Line:
    """One line of the file as it is written, and what the truth says of it."""

    text: str
    what: str = ""
    row: Row | None = None


def spoiled(rows: list[Row]) -> list[Row]:
    """Return the occupations in the order of time, one stretch with a mistyped antenna, one under a wrong name."""
    return sorted(_misnamed(_mistyped_antenna(rows)), key=lambda row: (row.start, row.cells["Crew"]))


def lines(rows: list[Row], points: list[Point], dice: Dice) -> list[Line]:
    """Return the whole file: headings, known control, the occupations, and what else stands among them."""
    whole = [Line(csv_text(HEADINGS), "heading")]
    whole += [_known(point, dice) for point in points if point.role == "control"]
    after = {id(template): extra for template, extra in _extras(rows)}
    for row in rows:
        whole.append(Line(csv_text(row.cells.values()), row.what, row))
        whole += [after[id(row)]] if id(row) in after else []
    return whole


def csv_text(cells: Iterable[str]) -> str:
    """Return one line of CSV."""
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(cells)
    return line.getvalue()


def _mistyped_antenna(rows: list[Row]) -> list[Row]:
    """Type 0.100 m too much for twelve occupations in a row: their heights come out as much too low."""
    morning = [i for i, row in enumerate(rows) if row.cells["Init"].startswith(ANTENNA_MORNING)]
    stretches = (morning[i : i + ANTENNA_SLIPS] for i in range(6, len(morning) - ANTENNA_SLIPS))
    stretch = next(part for part in stretches if not any(rows[i].what for i in part))
    return [_with_antenna(row, ANTENNA_SLIP_MM) if i in stretch else row for i, row in enumerate(rows)]


def _with_antenna(row: Row, slip_mm: int) -> Row:
    height, antenna = (mm(float(row.cells[name])) for name in ("Height", "AntHt"))
    wrong = {"Height": text(height - slip_mm), "AntHt": text(antenna + slip_mm)}
    return replace(row, what="antenna height", cells=row.cells | wrong)


def _misnamed(rows: list[Row]) -> list[Row]:
    """File one corner's second visit of three under a corner nearby that was visited twice, at other times."""
    by_point: dict[str, list[Row]] = {}
    for row in rows:
        by_point.setdefault(row.point.name, []).append(row)
    corners = [mine for mine in by_point.values() if mine[0].point.role == "corner" and not any(r.what for r in mine)]
    donor, taker = next(
        (mine[1], theirs[0].point)
        for mine in corners
        for theirs in corners
        if (len(mine), len(theirs)) == (3, 2)
        and 40 < math.dist(mine[0].point.place, theirs[0].point.place) < 90
        and all(abs(mine[1].start - other.start) > timedelta(hours=2) for other in (mine[0], mine[2], *theirs))
    )
    wrong = replace(donor, what="wrong name", cells=donor.cells | {"Mark": taker.name})
    return [wrong if row is donor else row for row in rows]


def _known(point: Point, dice: Dice) -> Line:
    """Return the known coordinate of a control point, as the office keyed it in."""
    sigma_mm = (KNOWN_SIGMA_MM[0], *KNOWN_SIGMA_MM)
    known = [true + round(sigma * dice.normal()) for true, sigma in zip(point.true_mm, sigma_mm, strict=True)]
    given = dict(zip(HEADINGS[:6], (point.name, *map(text, known), *map(text, KNOWN_SIGMA_MM)), strict=True))
    given |= {"Cover": COVERS[point.canopy].word, "Role": ROLE_WORDS[point.role], "Method": "DIRECT"}
    given |= {"Origin": "KNOWN", "Deleted": "N", "Note": "earlier static survey"}
    cells = dict.fromkeys(HEADINGS, "") | given
    return Line(csv_text(cells.values()), "control", Row(cells, point, "control"))


def _extras(rows: list[Row]) -> list[tuple[Row, Line]]:
    """Return the lines that are no occupations, each with the ordinary occupation it stands after."""
    alone = {row.point.name: 0 for row in rows}
    for row in rows:
        alone[row.point.name] += 1
    corners = [row for row in rows if row.point.role == "corner" and not row.what]
    single = next(row for row in corners if alone[row.point.name] == 1)
    usual = [row for row in corners if alone[row.point.name] > 1]
    makers: tuple[Callable[[Row], Line], ...] = (
        _comment, _northing_missing, _staked, _deleted, _text_in_number, _averaged(rows), _heading_again,
        _time_reversed, _deleted, _cut_short,
    )  # fmt: skip
    places = [usual[(2 * i + 1) * len(usual) // (2 * len(makers))] for i in range(len(makers))]
    copied = Line(csv_text(single.cells.values()), "copied", replace(single, what="copied"))
    return [(single, copied), *((row, make(row)) for row, make in zip(places, makers, strict=True))]


def _changed(row: Row, what: str, changes: dict[str, str], later_s: int = 0) -> Line:
    times = {name: time_text(row.start + timedelta(seconds=s + later_s)) for name, s in (("Start", 0), ("End", 45))}
    cells = row.cells | (times if later_s else {}) | changes
    return Line(csv_text(cells.values()), what, Row(cells, row.point, what))


def _moved(row: Row, east_mm: int, north_mm: int, up_mm: int) -> dict[str, str]:
    moved = zip(("East", "North", "Height"), row.point.true_mm, (east_mm, north_mm, up_mm), strict=True)
    return {name: text(true + by) for name, true, by in moved}


def _comment(row: Row) -> Line:
    return Line(f"# {row.cells['Crew']}: battery changed\n", "comment")


def _heading_again(_: Row) -> Line:
    return Line(csv_text(HEADINGS), "bad row")


def _northing_missing(row: Row) -> Line:
    return _changed(row, "bad row", _moved(row, 6, -4, 9) | {"North": ""}, 300)


def _text_in_number(row: Row) -> Line:
    return _changed(row, "bad row", _moved(row, -7, 3, -11) | {"East": row.cells["East"].replace("0", "O")}, 300)


def _time_reversed(row: Row) -> Line:
    return _changed(row, "bad row", {"Start": row.cells["End"], "End": row.cells["Start"]})


def _cut_short(row: Row) -> Line:
    return Line(csv_text([*row.cells.values()][:3]), "bad row", replace(row, what="bad row"))


def _staked(row: Row) -> Line:
    return _changed(row, "staking", _moved(row, 21, -14, 18) | {"Method": "STAKE", "Note": "peg replaced"}, 400)


def _deleted(row: Row) -> Line:
    return _changed(row, "deleted", _moved(row, 830, -1240, 310) | {"Deleted": "Y", "Note": "stored on the way"}, 400)


def _averaged(rows: list[Row]) -> Callable[[Row], Line]:
    def make(row: Row) -> Line:
        own = [other for other in rows if other.cells["Mark"] == row.cells["Mark"]]
        mean = {
            name: text(round(sum(mm(float(other.cells[name])) for other in own) / len(own)))
            for name in ("East", "North", "Height", "SigmaH", "SigmaV")
        }
        empty = dict.fromkeys(("Start", "End", "Init", "Base", "BaseDist", "AntHt", "Sats", "PDOP"), "")
        return _changed(row, "averaged", mean | empty | {"Origin": "AVG", "Note": "office average"})

    return make
