"""Small pictures of few colours as PNG: a palette, one byte a cell, the first colour transparent."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_HEAD = b"\x89PNG\r\n\x1a\n"


def encode(cells: NDArray[np.uint8], colours: Sequence[str]) -> bytes:
    """Return cells as a PNG (ISO/IEC 15948), the same bytes for the same cells.

    Parameters
    ----------
    cells
        Shape (rows, columns), from the north; 0 is transparent, k the k-th colour. Fewer than 16 colours.
    colours
        Each ``#rrggbb``.
    """
    rows, columns = cells.shape
    head = struct.pack(">IIBBBBB", columns, rows, 4, 3, 0, 0, 0)  # four bits a cell, palette
    palette = bytes(3) + b"".join(bytes.fromhex(colour[1:]) for colour in colours)
    padded = np.zeros((rows, columns + columns % 2), np.uint8)
    padded[:, :columns] = cells
    lines = np.zeros((rows, 1 + padded.shape[1] // 2), np.uint8)  # each line begins with its filter: none
    lines[:, 1:] = padded[:, ::2] << 4 | padded[:, 1::2]
    body = zlib.compress(lines.tobytes(), 9)
    chunks = ((b"IHDR", head), (b"PLTE", palette), (b"tRNS", b"\x00"), (b"IDAT", body), (b"IEND", b""))
    return _HEAD + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
