"""What the keys of ``[match]`` ask of each other and of the columns."""

from __future__ import annotations

from collections.abc import Set
from typing import TYPE_CHECKING

from geoqa.core.errors import Fault
from geoqa.readers import patterns

if TYPE_CHECKING:
    from geoqa.core.job import Match

#: Which keys say something beside each way of matching.
_KEYS = {
    "name": (),
    "pattern": ("pattern", "offset"),
    "note": ("pattern",),
    "lookup": ("file",),
    "place": ("radius_m",),
}
_EXAMPLES = {
    "pattern": r"pattern = '^(?P<point>\d+)(?:CHK|[A-Z]|-\d+)?$', or offset = 1000",
    "note": r"pattern = 'CK (?P<point>\d+)'",
    "lookup": 'file = "names.csv" (two columns, from and to)',
    "place": "radius_m = 0.5 (metres)",
}


def faults(match: Match, names: Set[str]) -> list[Fault]:
    """Return what is wrong with ``[match]``.

    Parameters
    ----------
    match
        The table, each key sound for itself.
    names
        The columns stated under ``[input.columns]``.
    """
    own = _KEYS[match.by]
    stated = [key for key in ("pattern", "offset", "file", "radius_m") if getattr(match, key) is not None]
    found = []
    if own and not set(own) & set(stated):
        problem = f'must be stated beside by = "{match.by}".'
        found.append(Fault(f"[match] {own[0]}", problem, f"Add {_EXAMPLES[match.by]}."))
    for key in stated:
        if key not in own:
            users = " or ".join(f'"{by}"' for by, keys in _KEYS.items() if key in keys)
            remedy = f"Remove the line, or write by = {users}."
            found.append(Fault(f"[match] {key}", f'says nothing where by = "{match.by}".', remedy))
    if match.by == "note" and "note" not in names:
        remedy = 'Add note = "heading" under [input.columns].'
        found.append(Fault("[match] by", 'is "note", and no column holds one.', remedy))
    if match.pattern is not None:
        found += _pattern(match.pattern)
    return found


def _pattern(pattern: str) -> list[Fault]:
    """Return what is wrong with a pattern, as the engine that will use it sees it."""
    import pyarrow as pa
    import pyarrow.compute as pc

    try:
        made = pc.extract_regex(pa.array([""], pa.string()), f"^(?:{pattern})$")
    except (pa.ArrowInvalid, UnicodeEncodeError) as error:
        reason = (
            str(error).removeprefix("Invalid regular expression: ").replace(f"^(?:{pattern})$", "the end is reached")
        )
        problem = f"{pattern!r:.80} is not a pattern that can be used: {reason[:120]}."
        remedy = (
            "Write (?P<point>...) around the part that is the point's name and (?:...) for any other group; looking "
            "ahead or behind and references are not known."
        )
        return [Fault("[match] pattern", problem, remedy)]
    names = [field.name for field in made.type]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        problem = f"{pattern!r:.80} has two groups called {twice[0][:40]}."
        return [Fault("[match] pattern", problem, "Write (?:...|...) inside one group.")]
    if patterns.cuts_letters(pattern):
        problem = rf"{pattern!r:.80} holds \C, which cuts letters into bytes."
        return [Fault("[match] pattern", problem, "Write . for any sign.")]
    if "point" in names:
        return []
    remedy = r"Put (?P<point>...) around the part that is the point's name."
    return [Fault("[match] pattern", f"{pattern!r:.80} has no group called point.", remedy)]
