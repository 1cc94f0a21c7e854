"""`geoqa recipe`: the reader that claims a file proposes its recipe, where it can."""

from __future__ import annotations

from pathlib import Path

from geoqa import plugins


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

    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return proposal.propose(path)
    readers = plugins.catalogue().load_all("geoqa.readers").values()
    best = max(readers, key=lambda cls: cls.sniff(path, head))  # type: ignore[attr-defined]
    proposes = getattr(best, "propose", None)
    return proposes(path) if proposes and best.sniff(path, head) > 0 else proposal.propose(path)  # type: ignore[attr-defined]
