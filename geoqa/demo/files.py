"""The files of the demo site, and the truth behind them."""

from __future__ import annotations

from pathlib import Path

from geoqa.core.errors import OutputError
from geoqa.demo.blunders import Line, csv_text, lines, spoiled
from geoqa.demo.dice import Dice
from geoqa.demo.fieldwork import altered, occupations, visits
from geoqa.demo.ground import Point, points, text
from geoqa.demo.recipe import RECIPE

SEED = 20260211
TRUTH_HEADINGS = ("kind", "line", "point", "east_m", "north_m", "height_m", "canopy", "true_point", "what")


def write_site(folder: str | Path) -> tuple[Path, Path]:
    """Write ``occupations.csv`` and ``site.toml`` into `folder`, made if it is not there.

    Returns
    -------
    tuple of Path
        The occupations and the recipe.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    folder = Path(folder)
    table = "".join(line.text for line in _simulated()[1])
    return _write(folder / "occupations.csv", table), _write(folder / "site.toml", RECIPE)


def truth_rows() -> list[dict[str, str]]:
    """Return the truth: a row for every point, then one for every line of ``occupations.csv`` after the headings.

    ``kind`` is ``point`` (with coordinates in metres and the canopy) or ``row`` (with its line, the
    name it is filed under, the point it was really measured at, and ``what`` is special about it;
    empty for an ordinary good occupation).
    """
    marks, table = _simulated()
    rows = [_of_point(mark) for mark in marks] + [_of_line(n, line) for n, line in enumerate(table, 1) if n > 1]
    return [dict(zip(TRUTH_HEADINGS, row, strict=True)) for row in rows]


def write_truth(path: str | Path) -> Path:
    """Write `truth_rows` as CSV to `path`; raise OutputError if it cannot be written."""
    rows = [TRUTH_HEADINGS, *(tuple(row.values()) for row in truth_rows())]
    return _write(Path(path), "".join(map(csv_text, rows)))


def _simulated() -> tuple[list[Point], list[Line]]:
    dice = Dice(SEED)
    marks = points(dice)
    return marks, lines(spoiled(occupations(altered(visits(marks, dice), dice), dice)), marks, dice)


def _of_point(mark: Point) -> tuple[str, ...]:
    return ("point", "", mark.name, *map(text, mark.true_mm), mark.canopy, mark.name, "")


def _of_line(number: int, line: Line) -> tuple[str, ...]:
    if line.row is None:
        return ("row", str(number), "", "", "", "", "", "", line.what)
    point = line.row.point
    return ("row", str(number), line.row.cells["Mark"], "", "", "", point.canopy, point.name, line.what)


def _write(path: Path, content: str) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode())
    except OSError as error:
        raise OutputError(f"{path} cannot be written ({error.strerror}): name a folder you may write to.") from error
    return path
