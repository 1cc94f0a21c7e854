"""`geoqa recipe`: the reader that claims a file proposes its recipe, where it can."""

from __future__ import annotations

from pathlib import Path

from geoqa import claims, plugins


def propose(path: Path) -> str:
    """Return a recipe in TOML for the file at `path`.

    A reader may have a class method ``propose(path)``; a file whose reader has none is looked at as a
    text table.

    Raises
    ------
    InputError
        If the file cannot be read.
    """
    from geoqa.readers import proposal

    proposes = getattr(claims.reader(plugins.catalogue(), path), "propose", None)
    return proposes(path) if proposes else proposal.propose(path)
