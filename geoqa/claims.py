"""Which reader claims a file most surely."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoqa import guests
from geoqa.core import compressed, door
from geoqa.core.errors import InputError, StepError

if TYPE_CHECKING:
    from geoqa.core.steps import Reader
    from geoqa.plugins import Catalogue


def reader(found: Catalogue, path: Path) -> type[Reader]:
    """Return the reader, of those in `found`, that claims the file at `path` most surely.

    Raises
    ------
    InputError
        If the file cannot be opened, or no reader knows this kind of file.
    """
    from geoqa.readers import textfile

    head = _head(path)
    claims = {}
    for name, cls in found.load_all("geoqa.readers").items():
        if name in found.refused:
            continue
        if not found.is_third_party(name):
            claims[cls] = cls.sniff(path, head)  # type: ignore[attr-defined]
            continue
        try:
            claims[cls] = guests.call(lambda cls=cls: _share(cls.sniff(path, head)))  # type: ignore[misc]
        except StepError as error:
            found.refused[name] = f"its sniff failed on {path.name}: {error}"
    best = max(claims, key=lambda cls: claims[cls])
    if claims[best] <= 0:
        if compressed.is_packed(head):
            compressed.unpacked(path, textfile.read_bytes(path))  # says what is wrong with the package
            raise InputError(f"{path}: no installed reader knows what is packed in it. Unpack it, and look.")
        textfile.refuse_binary(path, head)
        raise InputError(f"{path}: no installed reader knows this kind of file. `geoqa steps` lists the readers.")
    return best  # type: ignore[return-value]


def _share(claim: Any) -> float:
    """Return how surely a third party's reader claims a file."""
    if isinstance(claim, bool) or not isinstance(claim, (int, float)) or not 0 <= claim <= 1:
        raise StepError(f"it returned {claim!r}, it must return a number from 0 to 1")
    return float(claim)


def _head(path: Path) -> bytes:
    try:
        return door.head(path)
    except IsADirectoryError as error:
        raise InputError(f"{path} is a folder. Name the file in it.") from error
    except InputError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        shown = str(path) if len(str(path)) <= 200 else f"{str(path)[:197]}..."
        raise InputError(f"{shown} cannot be read: {reason}. Check the name and the rights.") from error
