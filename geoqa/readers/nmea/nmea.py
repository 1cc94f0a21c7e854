"""The reader of receiver logs in NMEA 0183: epochs, and the occupations found in them."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from geoqa.core.job import Recipe
from geoqa.core.steps import Reader, ReadResult
from geoqa.readers.nmea.settings import LogSettings


@dataclass(frozen=True, kw_only=True)
class NmeaReader(LogSettings, Reader):
    """Receiver logs in NMEA 0183, compressed with gzip or not: epochs, and the stops in them as occupations.

    GGA or GNS give positions, GST their precision, RMC or ZDA the date, GSA and GSV the satellites. Sentences
    without a right checksum are set aside; others and binary messages in between are passed over. Several files
    that continue one another are one log. A stop is an occupation under each fix that was held in it; one whose
    positions split into several places is several. Positions are the antenna's: heights are used once the
    antenna height is stated.
    """

    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside", "epochs")
    suffixes: ClassVar[tuple[str, ...]] = (".nmea", ".nma", ".gga", ".ubx", ".nmea.gz", ".gga.gz", ".nma.gz", ".ubx.gz")
    together: ClassVar[bool] = True

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is a log: a sentence with a right checksum near its start, or its suffix."""
        from geoqa.core import input_files
        from geoqa.readers.nmea import sentences

        start = input_files.unpacked_head(head)
        if b"\0" in start and start is head:
            # Binary messages may stand before the first sentence.
            with contextlib.suppress(OSError):
                start = input_files.head(path, 1 << 18)
        good = (found.kinds()[found.state == sentences.GOOD] for found in sentences.blocks(start))
        if any(kinds.any() for kinds in good):
            return 0.98
        return 0.7 if path.name.lower().endswith(cls.suffixes) else 0.0

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations and epochs in the log at `path`, and what is set aside.

        Raises
        ------
        InputError
            If the log holds no position, tells no date and the recipe none, or the recipe lacks what its heights need.
        """
        return self.read_all([path], [job])[0]

    def read_all(self, paths: Sequence[Path], jobs: Sequence[Recipe]) -> list[ReadResult]:
        """Return what each log holds, those that continue one another read as one."""
        from geoqa.readers.nmea import files

        return files.read(self, [Path(path) for path in paths], jobs)

    @classmethod
    def propose(cls, path: Path) -> str:
        """Return a recipe proposed for the log at `path`."""
        from geoqa.readers.nmea import files

        return files.propose(path)
