"""The reader of spreadsheets (.xlsx): one sheet as a table, values as they were last calculated."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar

from geoqa.core.job import Recipe
from geoqa.core.params import param
from geoqa.core.steps import Reader, ReadResult


@dataclass(frozen=True, kw_only=True)
class XlsxReader(Reader):
    """One sheet of a spreadsheet (.xlsx), an occupation a row, read as the recipe's [input] says.

    Needs the extra `xlsx`. Formulas count with the value the spreadsheet last saved; a row whose
    formula has none is set aside. Dates are dates, not numbers.
    """

    name: ClassVar[str] = "xlsx"
    gives: ClassVar[tuple[str, ...]] = ("occupations", "set_aside")
    suffixes: ClassVar[tuple[str, ...]] = (".xlsx", ".xlsm")

    sheet: str | None = param(None, help="The sheet to read, where a file has several that hold something")

    @classmethod
    def sniff(cls, path: Path, head: bytes) -> float:
        """Return how surely a file is a spreadsheet: its suffix, and a ZIP archive at the start."""
        suited = path.name.lower().endswith(cls.suffixes)
        if head.startswith(b"PK\x03\x04"):
            return 0.9 if suited else 0.1
        return 0.7 if suited else 0.0

    def read(self, path: Path, job: Recipe) -> ReadResult:
        """Return the occupations in the sheet, and the rows set aside.

        Raises
        ------
        InputError
            If the file is no spreadsheet, damaged, too large, the sheet is not clear, columns are not
            found, or more rows are bad than the recipe allows.
        """
        from geoqa.readers import _workbook
        from geoqa.readers.tables.occupations import accounted

        path = Path(path)
        table, rows = _workbook.read(path, self.sheet, job)
        return accounted(path.name, table, job, rows)

    @classmethod
    def propose(cls, path: Path, sheet: str | None = None) -> str:
        """Return a recipe proposed for a sheet, for the likeliest of several where none is named."""
        from geoqa.readers import proposal

        return proposal.propose_of_one(lambda **choice: cls(**choice)._proposed(path), "xlsx", "sheet", sheet)

    def _proposed(self, path: Path) -> str:
        from geoqa.readers import _workbook, proposal
        from geoqa.readers.tables import inference

        bare = proposal.bare_job()
        every = _workbook.read(path, self.sheet, replace(bare, input=replace(bare.input, header=False)))[1]
        start = inference.table_start(proposal.sample(every))
        skip = int(every.line[start]) - 1 if start else 0
        rows = _workbook.read(path, self.sheet, replace(bare, input=replace(bare.input, skip=skip)))[1]
        return proposal.propose_of_rows(path, rows, skip=skip)
