"""Columns as bytes: numbers as whole steps in few bytes, text as words and their indices.

A `Pack` grows a block and returns, for each column, a plain description of where it stands. Numbers
become whole multiples of a stated step above a base, in one, two or four bytes where they fit and as
they are where they do not: nothing is clipped. Whole numbers that never fall are kept as their rises.
The bytes of a column are stored plane by plane, all first bytes before all second ones, which
compresses well and needs no byte order of the reading machine. Equal columns are stored once. Where
a reader can guess a column from others, such as the difference of two rows, only what the guess
misses is stored.
"""

from __future__ import annotations

import base64
import hashlib
import struct
import zlib
from dataclasses import dataclass
from typing import Any

from geoqa.core.arrays import Array, ArrayLike, Index, NDArray, np, pd
from geoqa.outputs.text import display_texts

#: Types of whole numbers, smallest first; the least value of each stands for a missing one.
WHOLE = {"i1": 8, "i2": 16, "i4": 32}
#: Planes of numbers hold runs and noise: a search for longer repeats takes five times as long and finds none.
_NUMBERS, _TEXT = zlib.Z_RLE, zlib.Z_DEFAULT_STRATEGY
_LAST_BLOCK = b"\x03\x00"
_GZIP = b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xff"


@dataclass(frozen=True)
class Guess:
    """What a reader can say of a column before it sees it.

    Attributes
    ----------
    steps
        The guess in whole steps of the column, shape (n,); NaN where there is none, which counts as 0.
    head
        How it is worked out: ``terms``, each with the description ``of`` a column, ``at`` of the rows of it
        (all, in their order, where it is left out) and a ``sign``; or what the caller and the reader agree on.
    """

    steps: Array
    head: dict[str, Any]


class Pack:
    """A block of columns, and the descriptions of those in it."""

    def __init__(self) -> None:
        self._columns: dict[tuple[bytes, float], dict[str, Any]] = {}
        self._at: dict[bytes, int] = {}
        self._pieces, self._check, self._size = [_GZIP], 0, 0

    def numbers(
        self, values: ArrayLike, step: float = 1.0, guess: Guess | None = None, rises: bool = False
    ) -> dict[str, Any]:
        """Put numbers in, rounded to whole multiples of `step`.

        Parameters
        ----------
        values
            Numbers of shape (n,); one that is not finite is missing.
        step
            Above zero, in the unit of the numbers.
        guess
            What need not be stored.
        rises
            Whether most rise by little, so that what they rise by is kept even where some fall.

        Returns
        -------
        dict
            ``type`` (`WHOLE` or ``f8``), ``at``, ``n``; and ``step`` and ``base`` of whole numbers: the value
            is (base + whole) * step; where ``rises`` is true, (base + the sum of whole so far) * step; where
            there is a ``guess``, it is added to the whole.
        """
        given = _finite(np.asarray(values, dtype=float))
        with np.errstate(over="ignore"):
            steps = np.rint(given / step) + 0.0
        key = (_digest(steps), step)
        # What a reader is to see without what the caller and it agreed on is not left to that.
        if key not in self._columns or (guess is None and "grid" in self._columns[key].get("guess", {})):
            missed = steps if guess is None else steps - np.nan_to_num(guess.steps)
            whole = self._steps(missed, step, rises)
            if whole is None:
                whole = {"type": "f8", "at": self._put(*_planes(given)), "n": given.size}
            elif guess is not None:
                whole |= {"guess": guess.head}
            self._columns[key] = whole
        return self._columns[key]

    def _steps(self, steps: Array, step: float, mostly: bool = False) -> dict[str, Any] | None:
        """Put whole numbers in; None where they do not fit, or a double no longer counts single ones."""
        if np.isinf(steps).any():
            return None
        known = ~np.isnan(steps)
        all_known = bool(known.all())
        low, high = _ends(steps if all_known else steps[known])
        if max(abs(low), abs(high)) >= 2**53:
            return None
        rises = np.diff(steps, prepend=steps[:1])
        if all_known and rises.size and (mostly or (high - low > 127 and rises.min() >= 0 and rises.max() < 128)):
            rising = self._whole(rises, step, 0.0)
            return rising and {**rising, "base": int(steps[0]), "rises": True}
        return self._whole(steps, step, 0.0 if low > -128 and high < 128 else np.floor((low + high) / 2))

    def _whole(self, steps: Array, step: float, base: float) -> dict[str, Any] | None:
        """Put whole numbers above a base in, in the smallest type that they fit."""
        known = ~np.isnan(steps)
        low, high = _ends(steps[known] - base)
        for name, bits in WHOLE.items():
            limit = 2 ** (bits - 1)
            if -limit < low and high < limit:
                whole = np.where(known, steps - base, -limit).astype(f"<{name}")
                at = self._put(*_planes(whole))
                return {"type": name, "at": at, "n": whole.size, "step": step, "base": int(base)}
        return None

    def texts(self, values: Any) -> dict[str, Any]:
        """Put text in, made safe to show: each distinct text once, and an index a value.

        Returns
        -------
        dict
            ``words``, ``at`` and ``bytes`` of the text, and ``index``, a description of numbers.
        """
        column = pd.Series(values, dtype=object) if isinstance(values, (list, tuple)) else pd.Series(values)
        codes, words = pd.factorize(column, use_na_sentinel=False)
        # Texts that show alike, such as a missing and an empty one, are one.
        alike, shown = pd.factorize(np.asarray(display_texts(list(words)), dtype=object))
        text = "\n".join(shown).encode("utf-8")
        return {
            "words": len(shown),
            "at": self._put(text, strategy=_TEXT),
            "bytes": len(text),
            "index": self.numbers(alike[codes]),
        }

    def _put(self, *parts: bytes, strategy: int = _NUMBERS) -> int:
        """Put bytes in, and return where they stand.

        Each part is deflated for itself, which suits its own bytes best; flushed in full, they follow each other
        in one stream.
        """
        name = _digest(*parts)
        if name not in self._at:
            self._at[name] = self._size
            for part in parts:
                maker = zlib.compressobj(zlib.Z_DEFAULT_COMPRESSION, zlib.DEFLATED, -zlib.MAX_WBITS, 9, strategy)
                self._pieces += [maker.compress(part), maker.flush(zlib.Z_FULL_FLUSH)]
                self._check, self._size = zlib.crc32(part, self._check), self._size + len(part)
        return self._at[name]

    def text(self) -> str:
        """Return the block as gzip (RFC 1952) in base 64; the same columns give the same text."""
        end = [_LAST_BLOCK, struct.pack("<II", self._check, self._size % 2**32)]
        return base64.b64encode(b"".join([*self._pieces, *end])).decode("ascii")


def _digest(*parts: Any) -> bytes:
    """Return what tells the bytes of parts, joined, from others: columns of a large site are not kept to compare."""
    made = hashlib.blake2b(digest_size=32)
    for part in parts:
        made.update(part)
    return made.digest()


def _finite(values: Array) -> Array:
    return np.where(np.isfinite(values), values, np.nan).astype("<f8")


def _ends(values: Array) -> tuple[float, float]:
    return (float(values.min()), float(values.max())) if values.size else (0.0, 0.0)


def _planes(values: NDArray[Any]) -> list[bytes]:
    """Return the bytes of an array: all first bytes, all second ones, ..."""
    planes = np.ascontiguousarray(values.view(np.uint8).reshape(values.size, values.itemsize).T)
    return [plane.tobytes() for plane in planes]


def counts(entry: ArrayLike, entries: int) -> tuple[Index, Index]:
    """Return the order that sorts rows by their entry, keeping their own order, and the rows each entry has.

    Parameters
    ----------
    entry
        Index of the entry of each row, shape (n,); rows of none, below zero, are left out.
    entries
        Number of entries.
    """
    at = np.asarray(entry, dtype=np.intp)
    order = np.argsort(at, kind="stable")
    order = order[np.searchsorted(at[order], 0) :]
    return order, np.bincount(at[order], minlength=entries)
