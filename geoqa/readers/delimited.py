"""The reader of delimited text: comma, semicolon, tab, bar or blanks between the columns."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from geoqa.core import input_files
from geoqa.core.errors import InputError
from geoqa.core.job import Recipe
from geoqa.core.recipe import wanted
from geoqa.core.steps import Reader, ReadResult


@dataclass(frozen=True, kw_only=True)
class DelimitedReader(Reader):
    """Delimited text with one occupation a row, read as the recipe's ``[input]`` says."""

    name: ClassVar[str] = "delimited"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".csv", ".txt", ".tsv", ".asc", ".tab", ".dat")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is delimited text: its suffix, and no sign of a binary format."""
        from geoqa.readers.text import text_file

        try:
            text_file.refuse_binary(path, input_files.unpacked_head(head))
        except InputError:
            return 0.0
        return 0.6 if input_files.inner_name(path).lower().endswith(cls.suffixes) else 0.1

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the file at `path`, and the rows set aside.

        Raises
        ------
        InputError
            If the file cannot be used as it stands: no text, columns not found, times without zone,
            or more bad rows than the recipe allows.
        """
        from geoqa.readers.tables import records
        from geoqa.readers.tables.occupations import accounted
        from geoqa.readers.text import text_file

        path = Path(path)
        text = text_file.load(path)
        read_table = records.read_fixed_width if job.input.delimiter == "fixed" else records.read_table
        return accounted(path.name, read_table(text, job.input, list(wanted(job.columns).values())), job, text)
