"""Files compressed with gzip, unpacked within bounds: a few bytes must not fill the machine."""

from __future__ import annotations

import zlib
from pathlib import Path

from geoqa.core.errors import InputError

MAGIC = b"\x1f\x8b"
#: Unpacked content may be this large whatever its ratio, in bytes.
ALWAYS = 64 * 2**20
#: Beyond that it may be so many times its packed size: tables of survey rows stay below 30.
RATIO = 100
#: And never more than this, in bytes.
MOST = 2 * 2**30
_STEP = 2**20


def is_packed(content: bytes) -> bool:
    """Return whether `content` starts as gzip does."""
    return content.startswith(MAGIC)


def inner_name(path: Path) -> str:
    """Return the name of the file in the package: without ``.gz``."""
    return path.name[:-3] if path.name.lower().endswith(".gz") else path.name


def head(packed: bytes, most: int = 65_536) -> bytes:
    """Return the first unpacked bytes of a file from its own first bytes; those themselves if it is not packed."""
    if not is_packed(packed):
        return packed
    try:
        return zlib.decompressobj(wbits=31).decompress(packed, most)
    except zlib.error:
        return packed


def unpacked(path: Path, content: bytes) -> bytes:
    """Return the unpacked content of a file; `content` itself if it is not packed.

    Raises
    ------
    InputError
        If the package is damaged, cut off, followed by something else, or larger than its bounds.
    """
    if not is_packed(content):
        return content
    bound = min(MOST, max(ALWAYS, RATIO * len(content)))
    parts, size, rest = [], 0, content
    while rest:
        unpacker = zlib.decompressobj(wbits=31)
        while not unpacker.eof:
            try:
                part = unpacker.decompress(rest, _STEP)
            except zlib.error as error:
                problem = f"{path}: its gzip package is damaged ({str(error)[:80]})."
                raise InputError(f"{problem} Copy it again, or unpack it and give the file in it.") from error
            rest = unpacker.unconsumed_tail
            if not part and not rest and not unpacker.eof:
                raise InputError(f"{path}: its gzip package ends before its end: it was cut off. Copy it again.")
            size += len(part)
            if size > bound:
                raise InputError(
                    f"{path}: unpacks to more than {bound:,} bytes from {len(content):,}: too much for a survey file. "
                    "If it is sound, unpack it and give the file in it."
                )
            parts.append(part)
        rest = unpacker.unused_data.lstrip(b"\x00")  # some tools fill up with zeros
    return b"".join(parts)
