"""Hostile files: small sound ones of every kind a reader takes, what may happen to their bytes, and the judge.

A file is answered rightly when it is read with every row accounted for, or refused with one of
geoqa's errors that end a command with 2 or 3. Anything else is a `Failure`.
"""

from __future__ import annotations

import copy
import functools
import gzip
import io
import random
import tomllib
import warnings
import zipfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sites

from geoqa import plugins, reviews
from geoqa.core import assembly, schema
from geoqa.core.errors import GeoqaError, RecipeError
from geoqa.core.job import Job
from geoqa.core.steps import Reader
from geoqa.readers.recipe import job_from_table, read_recipe

ROOT = Path(__file__).resolve().parents[1]
SEED = 20260603
PLANE = tomllib.loads(sites.RECIPE)
HOSTILE_WORDS = (
    b"",
    b"nan",
    b"inf",
    b"-inf",
    b"1e999",
    b"-1e308",
    b"9" * 400,
    b"0x10",
    b"1_000",
    b"1,5",
    b"--1",
    b"\xd9\xa1\xd9\xa2",
    b"=1+1",
    b"{{7*7}}",
    b"</script>",
    b'"',
    b"'",
    b"\\",
    b"\xe2\x80\xae",
    b"\xff",
    b"\xc3",
    b"\x00",
    b"\x1a",
    b"#",
    b"\r",
    b"2026-02-30T25:61:00Z",
    b"0001-01-01T00:00:00Z",
    b"9999-12-31T23:59:59Z",
    b" " * 300,
    b"\t",
    b";",
    b"|",
    b"\xef\xbb\xbf",
    b"-0",
    b"1e-320",
    b"181",
    b"\xc2\xa0",
    b"\xe2\x80\xa8",
    b"x" * 70_000,
)


@functools.cache
def catalogue() -> plugins.Catalogue:
    """Return what is installed, looked up once: it takes longer than reading a small file."""
    return plugins.catalogue()


class Failure(AssertionError):  # noqa: N818 - it is one, found by a test
    """A hostile file was answered wrongly."""


@dataclass(frozen=True)
class Seed:
    """A small sound file: its name (the suffix counts), its bytes, and the recipe that reads it."""

    name: str
    content: bytes
    recipe: Mapping[str, Any]


# ---- sound files


def seeds() -> list[Seed]:
    """Return small sound files of every kind the installed readers take, as far as they are known here."""
    return [*_text_seeds(), *_sample_seeds(), *_xml_seeds(), *_vector_seeds(), *_sheet_seeds()]


def without_seed(found: list[Seed]) -> list[str]:
    """Return the names of installed readers that would take none of the sound files."""
    readers = catalogue().load_all("geoqa.readers").values()
    return [cls.name for cls in readers if all(_taker(seed.name, seed.content) is not cls for seed in found)]


def _changed(base: Mapping[str, Any], **changes: Any) -> dict[str, Any]:
    table = copy.deepcopy(dict(base))
    table["input"] |= changes
    return table


def _text_seeds() -> list[Seed]:
    lines = [sites.HEAD, *sites.ROWS]
    comma = "\n".join(lines) + "\n"
    globe = _changed(PLANE, columns={"point": 1, "longitude": 2, "latitude": 3}, header=False, initialization="unknown")
    globe["input"].pop("precision")
    globe |= {"site": {"crs": "EPSG:4326"}, "tolerance": {"horizontal_m": 0.05}}
    semicolon = comma.replace(",", ";").replace(".", ",")
    quoted = "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in lines)
    return [
        Seed("comma.csv", comma.encode(), PLANE),
        Seed("semicolon.csv", semicolon.encode(), _changed(PLANE, decimal=",", delimiter=";")),
        Seed("tab.txt", comma.replace(",", "\t").replace("\n", "\r\n").encode(), PLANE),
        Seed("blank.asc", comma.replace(",", "   ").encode(), _changed(PLANE, delimiter=" ")),
        Seed("quoted.csv", quoted.replace("A1", "A\n1").encode(), PLANE),
        Seed("wide.csv", b"\xff\xfe" + comma.encode("utf-16-le"), PLANE),
        Seed("western.csv", comma.replace("A1", "B\xf6schung").encode("cp1252"), PLANE),
        Seed("globe.csv", b"A,170.00000001,-45.00000001\nA,170.00000002,-45.00000003\n", globe),
        Seed("packed.csv.gz", gzip.compress(comma.encode(), mtime=0), PLANE),
    ]


def _sample_seeds() -> list[Seed]:
    found = []
    for site, name, count in (("totara_saddle", "occupations.csv", 25), ("lantern_fork", "points.txt", 20)):
        content = b"".join((ROOT / "sample_data" / site / name).read_bytes().splitlines(keepends=True)[:count])
        table = tomllib.loads((ROOT / "sample_data" / site / "site.toml").read_text(encoding="utf-8"))
        try:
            job_from_table(table)
        except RecipeError:  # a recipe in advance of this version
            table = PLANE
        found.append(Seed(name, content, table))
    return found


def _xml_seeds() -> list[Seed]:
    points = "".join(f'<CgPoint name="A{i}" code="IP">5400000.00{i} 1600000.00{i} 100.0</CgPoint>' for i in range(1, 4))
    text = (
        '<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">'
        f'<Units><Metric linearUnit="meter" areaUnit="squareMeter"/></Units><CgPoints>{points}</CgPoints></LandXML>'
    )
    return [Seed("land.xml", text.encode(), PLANE)] if _taken("land.xml", text.encode()) else []


def _vector_seeds() -> list[Seed]:
    import tempfile

    import geopandas as gpd

    rows = [dict(zip(sites.HEAD.split(","), row.split(","), strict=True)) for row in sites.ROWS]
    places = gpd.points_from_xy([float(r["E"]) for r in rows], [float(r["N"]) for r in rows], crs=2193)
    frame, found = gpd.GeoDataFrame(rows, geometry=places), []
    with tempfile.TemporaryDirectory() as folder:
        for name, driver in (("v.geojson", "GeoJSON"), ("v.gpkg", "GPKG"), ("v.fgb", "FlatGeobuf")):
            path = Path(folder) / name
            frame.to_file(path, driver=driver)
            content = path.read_bytes()
            if _taken(name, content):
                found.append(Seed(name, content, PLANE))
    return found


def _sheet_seeds() -> list[Seed]:
    import openpyxl

    book = openpyxl.Workbook()
    for line in (sites.HEAD, *sites.ROWS):
        book.active.append(line.split(","))
    packed = io.BytesIO()
    book.save(packed)
    return [Seed("s.xlsx", packed.getvalue(), PLANE)] if _taken("s.xlsx", packed.getvalue()) else []


def _taker(name: str, content: bytes) -> type[Reader] | None:
    claims = {c: c.sniff(Path(name), content[:4096]) for c in catalogue().load_all("geoqa.readers").values()}  # type: ignore[attr-defined]
    best = max(claims, key=lambda cls: claims[cls])
    return best if claims[best] > 0 else None  # type: ignore[return-value]


def _taken(name: str, content: bytes) -> bool:
    return (_taker(name, content) or Reader).__dict__.get("name", "delimited") != "delimited"


# ---- what may happen to bytes


def one_change(content: bytes, at: int) -> Iterator[bytes]:
    """Yield what a single damaged place makes of a file: flipped, cut out, doubled, cut off, a bit turned."""
    before, byte, after = content[:at], content[at], content[at + 1 :]
    yield before + bytes([byte ^ 0xFF]) + after
    yield before + bytes([byte ^ (1 << at % 8)]) + after
    yield before + after
    yield before + bytes([byte, byte]) + after
    yield before


def many_changes(content: bytes, dice: random.Random) -> bytes:
    """Return a file after up to six changes: words put in, cells replaced, lines moved, doubled and cut."""
    for _ in range(dice.randint(1, 6)):
        content = dice.choice((_word, _cell, _line, _spot, _slice))(content, dice)
    return content


def _word(content: bytes, dice: random.Random) -> bytes:
    at = dice.randint(0, len(content))
    return content[:at] + dice.choice(HOSTILE_WORDS) + content[at:]


def _cell(content: bytes, dice: random.Random) -> bytes:
    mark = dice.choice((b",", b";", b"\t", b" ", b"\n", b'"', b">", b"="))
    cells = content.split(mark)
    cells[dice.randrange(len(cells))] = dice.choice(HOSTILE_WORDS)
    return mark.join(cells)


def _line(content: bytes, dice: random.Random) -> bytes:
    lines = content.splitlines(keepends=True) or [b""]
    at, to = dice.randrange(len(lines)), dice.randrange(len(lines))
    how = dice.randrange(4)
    if how == 0:
        lines.insert(to, lines[at])
    elif how == 1:
        lines[at], lines[to] = lines[to], lines[at]
    elif how == 2:
        del lines[at]
    else:
        lines[at] = lines[at] * dice.randint(2, 40)
    return b"".join(lines)


def _spot(content: bytes, dice: random.Random) -> bytes:
    return dice.choice(list(one_change(content, dice.randrange(len(content))))) if content else b"\x00"


def _slice(content: bytes, dice: random.Random) -> bytes:
    a, b = sorted((dice.randint(0, len(content)), dice.randint(0, len(content))))
    return dice.choice((content[a:b], content[:a] + content[b:], content[:b] + content[a:], content[:b] + content))


def mutants(content: bytes, count: int, dice: random.Random) -> Iterator[bytes]:
    """Yield `count` damaged files: every single change at places spread evenly, then several changes at once."""
    single = min(count // 2, 5 * len(content))
    places = (
        range(len(content)) if single == 5 * len(content) else sorted(dice.sample(range(len(content)), single // 5))
    )
    for at in places:
        yield from one_change(content, at)
    for _ in range(count - 5 * len(places)):
        yield many_changes(content, dice)


# ---- files that are hostile as a whole


def whole() -> dict[str, bytes]:
    """Return files that are hostile from end to end, by name."""
    dice = random.Random(SEED)
    noise = dice.randbytes(20_000)
    comma = seeds_text()
    laughs = '<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a0 "ha">' + "".join(
        f'<!ENTITY a{i} "{f"&a{i - 1};" * 10}">' for i in range(1, 10)
    )
    outside = '<!DOCTYPE l [<!ENTITY x SYSTEM "file:///etc/passwd">]><LandXML><CgPoints>&x;</CgPoints></LandXML>'
    deep = "<LandXML>" + "<a>" * 100_000 + "</a>" * 100_000 + "</LandXML>"
    files: dict[str, bytes] = {
        "empty": b"",
        "newline": b"\n",
        "blanks": b" \t\r\n" * 2000,
        "nul": b"\0" * 5000,
        "noise": noise,
        "mark": b"\xef\xbb\xbf",
        "commas": b"," * 100_000,
        "quote": b'"',
        "quotes": b'"' * 100_001,
        "long line": b"a" * 2_000_000,
        "long cell": comma + b"A1," + b"9" * 1_000_000 + b"\n",
        "many columns": b",".join([b"a"] * 50_000) + b"\n" * 3,
        "many lines": comma.splitlines(keepends=True)[0] + b"x\n" * 20_000,
        "headings": comma.splitlines(keepends=True)[0],
        "wide without mark": comma.decode().encode("utf-16-le"),
        "wide cut off": comma.decode().encode("utf-16")[:-1],
        "shift jis": comma.replace(b"A1", "測点".encode("shift_jis")),
        "ebcdic": comma.decode().encode("cp037"),
        "utf-7": comma.decode().replace("A1", "ö").encode("utf-7"),
        "cut character": comma + "ö".encode()[:1],
        "entity bomb": (laughs + "]><LandXML><CgPoints>&a9;</CgPoints></LandXML>").encode(),
        "entity outside": outside.encode(),
        "deep": deep.encode(),
        "deep json": b"[" * 100_000,
        "png": b"\x89PNG\r\n\x1a\n" + noise,
        "pdf": b"%PDF-1.7\n" + noise,
        "gpkg header": b"SQLite format 3\0" + noise,
        "gzip of noise": b"\x1f\x8b" + noise,
        "parquet header": b"PAR1" + noise,
        "gzip bomb": _gzip_bomb(),
        "zip bomb": _zip_bomb(),
        "zip cut off": _zip_bomb()[:-30],
        "gzip cut off": _gzip_bomb()[:-30],
        "escape": b"\x1b[2J\x1b]0;x\x07" * 50,
        "json": b'{"type":"FeatureCollection","features":[{"type":"Feature"}]}',
        "json no end": b'{"type":"FeatureCollection","features":[',
        "html": b"<!DOCTYPE html><html></html>",
    }
    return files


def seeds_text() -> bytes:
    """Return the plain comma file."""
    return ("\n".join([sites.HEAD, *sites.ROWS]) + "\n").encode()


def _gzip_bomb() -> bytes:
    packed = io.BytesIO()
    with gzip.GzipFile(fileobj=packed, mode="wb", mtime=0) as file:
        for _ in range(64):
            file.write(b"\0" * 1_000_000)
    return packed.getvalue()


def _zip_bomb() -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("xl/workbook.xml", "xl/worksheets/sheet1.xml", "a.csv"):
            archive.writestr(zipfile.ZipInfo(name), b"0" * 20_000_000)
    return packed.getvalue()


#: Under each of these suffixes a hostile file is tried.
SUFFIXES = (
    ".csv",
    ".txt",
    ".xml",
    ".geojson",
    ".gpkg",
    ".xlsx",
    ".csv.gz",
    ".zip",
    ".shp",
    ".fgb",
    ".parquet",
    ".nmea",
    "",
)


# ---- the judge


def judge_reading(path: Path, job: Job, whole: bool = True) -> str:
    """Return `read` or `refused` for the file at `path`, or raise Failure; `whole` assembles what was read too."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            reader = reviews._reader(catalogue(), path, job)
            result = reader.read(path, job)
            reviews._check_read(reader, path, result)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"{type(error).__name__}: {error}") from error
    occupations, aside = result.frames["occupations"], result.frames["set_aside"]
    for kind, n in result.accounts.items():
        if min(n.values()) < 0 or n["read"] != n["used"] + n["set_aside"]:
            raise Failure(f"{kind} are not conserved: {n}")
    if reader.name == "delimited":
        _every_line(path.read_bytes(), set(occupations["source_line"]) | set(aside["source_line"]), job)
    if not whole:
        return "read"
    try:
        frame, *_ = assembly.occupations([occupations], job)
        schema.check("occupations", frame)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"assembly: {type(error).__name__}: {error}") from error
    return "read"


def _every_line(content: bytes, told: set[int], job: Job) -> None:
    """Raise Failure if a line that holds something is neither used, set aside, heading nor comment.

    Only where lines are records: no quotes, one byte a character.
    """
    if b'"' in content or b"\x00" in content or b"\x1a" in content or content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return
    lines = content.replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
    holding = [i for i, line in enumerate(lines, 1) if any(48 <= b <= 57 or 65 <= b <= 90 for b in line)]
    rows = [i for i in holding if not lines[i - 1].removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"#")]
    lost = [i for i in rows[1 if job.input.header else 0 :] if i not in told]
    if lost:
        raise Failure(f"line {lost[0]} is unaccounted for: {lines[lost[0] - 1][:80]!r}")


def _refusal(error: GeoqaError) -> str:
    if error.exit_code not in (2, 3):
        raise Failure(f"{type(error).__name__} (exit code {error.exit_code}): {error}") from error
    if len(str(error)) < 15:
        raise Failure(f"a message that says too little: {error}")
    return "refused"


def judge_recipe(path: Path) -> str:
    """Return `read` or `refused` for the recipe at `path`, or raise Failure."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            job = read_recipe(path)
    except GeoqaError as error:
        return _refusal(error)
    except Exception as error:
        raise Failure(f"{type(error).__name__}: {error}") from error
    if job_from_table(job.as_table()) != job:
        raise Failure("the completed recipe does not read as the same job")
    return "read"


def judge_command(arguments: list[str], run: Callable[[list[str]], int]) -> int:
    """Return the exit code of a command, or raise Failure if it is none that is promised."""
    code = run(arguments)
    if code not in (0, 1, 2, 3):
        raise Failure(f"exit code {code}")
    return code
