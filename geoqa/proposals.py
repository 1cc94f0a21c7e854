"""`geoqa recipe`: the reader that claims a file proposes its recipe, where it can."""

from __future__ import annotations

import inspect
from pathlib import Path

from geoqa import claims, plugins
from geoqa.core.errors import CallError


def propose(path: Path, sheet: str | None = None) -> str:
    """Return a recipe in TOML for the file at `path`.

    `sheet` names the one of a spreadsheet to look at. A reader may have a class method ``propose(path)``; a file
    whose reader has none is looked at as a text table.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    from geoqa.readers import proposal

    proposes = getattr(claims.reader(plugins.catalogue(), path), "propose", None)
    if sheet is not None:
        if proposes is None or "sheet" not in inspect.signature(proposes).parameters:
            raise CallError(f"{path.name} is no spreadsheet: it has no sheets. Leave out --sheet.")
        return str(proposes(path, sheet))
    return proposes(path) if proposes else proposal.propose(path)
