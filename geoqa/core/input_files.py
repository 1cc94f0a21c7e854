"""How the files of others come in: opened once, bounded, and unpacked within bounds.

A pipe may never end and can be read once; a device never ends; a name may mean a server to a library. So
whatever reads a file of others takes its bytes here, or a copy that nobody else can change.
"""

from __future__ import annotations

import errno
import hashlib
import os
import re
import stat
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO
from xml.parsers import expat

from geoqa.core.errors import InputError

#: Largest file of measurements, areas or heights, and largest table that people keep by hand, megabytes.
LARGEST_MB, TABLE_MB = 2000.0, 50.0
#: Most lines, rows or features of one file, empty ones too: no site has more occupations.
MOST_ROWS = 20_000_000
_CHUNK = 1 << 20
_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:[/\\]|[/\\]vsi[a-z0-9_]+[/\\?]")


@dataclass(frozen=True)
class ReadContent:
    """What was read of a file: SHA-256 as hexadecimal digits, and its bytes."""

    sha256: str
    bytes: int


@dataclass
class _Visit:
    largest_megabytes: float | None
    seen: dict[Path, ReadContent] = field(default_factory=dict)


_VISIT: ContextVar[_Visit | None] = ContextVar("visit", default=None)


@contextmanager
def visit(largest_megabytes: float | None = None) -> Iterator[Mapping[Path, ReadContent]]:
    """Remember meanwhile what is read; a file that changes between two readings is refused.

    Parameters
    ----------
    largest_megabytes
        Bound of every file, as ``[input] largest_megabytes`` states it; None for `LARGEST_MB` and `TABLE_MB`.

    Yields
    ------
    mapping
        What was read so far, by absolute path; it fills as files are read.
    """
    token = _VISIT.set(_Visit(largest_megabytes))
    try:
        yield _VISIT.get().seen  # type: ignore[union-attr]
    finally:
        _VISIT.reset(token)


@contextmanager
def opened(path: Path) -> Iterator[BinaryIO]:
    """Open the regular file at `path`, without waiting for what is none.

    Raises
    ------
    InputError
        If it is a pipe, a device, a socket, or the address of something that is no file.
    OSError
        If it is not there, is a directory, or cannot be opened.
    """
    try:
        # A pipe is not opened at all: whoever writes into it would notice.
        _refuse_stream(path, path.stat().st_mode)
    except FileNotFoundError:
        if _ADDRESS.match(str(path)):
            what = "is an address, and geoqa opens files alone"
            raise InputError(f"{path}: {what}. Fetch what is there as a file, and name that.") from None
        raise
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOCTTY", 0)
    with os.fdopen(os.open(path, flags), "rb") as file:
        _refuse_stream(path, os.fstat(file.fileno()).st_mode)  # it may have been exchanged since
        yield file


def _refuse_stream(path: Path, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is a pipe or a device, not a file. Save what it gives as a file, and name that.")


def head(path: Path, count: int = 4096) -> bytes:
    """Return the first bytes of a file; raises as `opened` does."""
    with opened(path) as file:
        return file.read(count)


def content(path: Path, default_mb: float = LARGEST_MB) -> bytes:
    """Return the bytes of the file at `path`.

    Parameters
    ----------
    default_mb
        Its bound, megabytes, where the recipe states none.

    Raises
    ------
    InputError
        If it is no regular file, is larger than allowed, or is not what was read of it before.
    OSError
        If it is not there, is a directory, or cannot be read.
    """
    parts: list[bytes] = []
    _read(path, default_mb, parts.append)
    return b"".join(parts)


def copy(path: Path, to: Path) -> None:
    """Copy the file at `path` to `to`, for libraries that open files themselves; raises as `content` does."""
    with to.open("xb") as made:
        _read(path, LARGEST_MB, made.write)


@contextmanager
def private() -> Iterator[Path]:
    """Make a folder for copies that no other user can look into, removed afterwards."""
    with tempfile.TemporaryDirectory(prefix="geoqa-", ignore_cleanup_errors=True) as folder:
        yield Path(folder)


@contextmanager
def watched(path: Path) -> Iterator[None]:
    """Watch a file that a library reads in place, because it is too large for a copy; raises as `content` does.

    Raises
    ------
    InputError
        Also if the file was written or exchanged meanwhile.
    """
    before = _identity(path)
    seen(path)
    yield
    if _identity(path) != before:
        raise InputError(f"{path}: was changed while it was read. Wait until it is whole, and review again.")


def _identity(path: Path) -> tuple[int, ...]:
    found = path.stat()
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def seen(path: Path) -> ReadContent:
    """Return what was read of a file on this visit, or reads it now; raises as `content` does."""
    current = _VISIT.get()
    known = current.seen.get(path.absolute()) if current else None
    return known if known is not None else _read(path, LARGEST_MB, len)


def _read(path: Path, default_mb: float, take: Callable[[bytes], object]) -> ReadContent:
    """Give the content of a file piece by piece, refused as soon as it is longer than its bound; note what it was."""
    current, digest = _VISIT.get(), hashlib.sha256()
    most_mb = (current and current.largest_megabytes) or default_mb
    with opened(path) as file:
        size, read = os.fstat(file.fileno()).st_size, 0
        while True:
            if max(size, read) > most_mb * 1e6:
                enough = int(max(size, read) / 1e6) + 1
                remedy = f"If it is sound, write largest_megabytes = {enough} under [input], or cut it into parts"
                raise InputError(f"{path}: is larger than {most_mb:g} MB. {remedy}.")
            part = file.read(_CHUNK)
            if not part:
                break
            read += len(part)
            digest.update(part)
            take(part)
    found = ReadContent(digest.hexdigest(), read)
    _note(path, found)
    return found


def _note(path: Path, found: ReadContent) -> None:
    current = _VISIT.get()
    if current is not None and current.seen.setdefault(path.absolute(), found) != found:
        raise InputError(f"{path}: was changed between two readings. Wait until it is whole, and review again.")


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


def unpacked_head(packed: bytes, most: int = 65_536) -> bytes:
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


#: Elements in each other; the formats that are read need about a dozen.
DEEPEST = 100


class XmlEvents:
    """What a parser of XML meets, as a stream: no entity, no document type, no network, all bounded.

    The standard library's parser resolves nothing outside the file; a document type, which is where entities are
    declared, ends the reading at once.

    Attributes
    ----------
    name, kind, step
        Of the file, of its format, and of the step that reads it.
    stack
        The elements that are open, outermost first, without their name spaces.
    """

    kind = step = ""

    def __init__(self, name: str) -> None:
        self.name = name
        self.stack: list[str] = []
        self.parser = expat.ParserCreate(namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self.characters
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype

    @property
    def line(self) -> int:
        """Where the parser stands, from 1."""
        return self.parser.CurrentLineNumber

    def root(self, space: str, name: str) -> None:
        """Take the outermost element and its name space, or raise InputError where it is none of this format."""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Take an element, which is the last of `stack` now."""

    def end(self, name: str) -> None:
        """Take the end of an element, which is no more in `stack`."""

    def characters(self, text: str) -> None:
        """Take text of the last element of `stack`."""

    def feed(self, path: Path, content: bytes, largest: float) -> None:
        """Parse the content of the file at `path`, at most `largest` bytes.

        Raises
        ------
        InputError
            If it is none of this format, holds a document type, is larger or deeper than allowed, damaged or cut off.
        """
        if len(content) > largest:
            raise InputError(
                f"{self.name}: holds more than {largest / 1e6:g} MB. Export a part of it, or raise "
                f"max_megabytes under [step.{self.step}]."
            )
        if not content:
            raise InputError(f"{self.name}: is empty.")
        try:
            for at in range(0, len(content), _CHUNK):
                self.parser.Parse(content[at : at + _CHUNK], False)
            self.parser.Parse(b"", True)
        except expat.ExpatError as error:
            reason = expat.ErrorString(error.code)
            raise InputError(
                f"{path}: line {error.lineno}, column {error.offset + 1}: is no well-formed XML ({reason}): "
                "damaged or cut off. Export it again."
            ) from error
        except (ValueError, LookupError) as error:
            if isinstance(error, InputError):
                raise
            raise InputError(f"{path}: its text encoding cannot be read ({error}). Save it as UTF-8.") from error

    def _refuse_doctype(self, *_: object) -> None:
        raise InputError(
            f"{self.name}: line {self.line}: holds a document type (<!DOCTYPE), which can declare "
            f"entities. {self.kind} needs none: remove it, or export the file again."
        )

    def _start(self, tag: str, attributes: dict[str, str]) -> None:
        space, _, name = tag.rpartition(" ")
        if not self.stack:
            self.root(space, name)
        self.stack.append(name)
        if len(self.stack) > DEEPEST:
            raise InputError(
                f"{self.name}: elements stand in each other more than {DEEPEST} deep: it is no {self.kind}."
            )
        self.start(name, attributes)

    def _end(self, tag: str) -> None:
        self.end(self.stack.pop())
