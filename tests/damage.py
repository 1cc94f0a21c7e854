"""What may happen to the bytes of a file, and files that are hostile from end to end."""

from __future__ import annotations

import gzip
import io
import random
import zipfile
from collections.abc import Iterator

import sites

SEED = 20260603
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
    comma = sites.text()
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
