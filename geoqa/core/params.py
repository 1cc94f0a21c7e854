"""Parameters declared once: from here come validation, options, documentation and the run record."""

from __future__ import annotations

import contextlib
import dataclasses
import difflib
import functools
import math
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self, Union, get_args, get_origin, get_type_hints

from geoqa.core.errors import Fault, ParameterError

REQUIRED = dataclasses.MISSING
#: A value a person has still to state; recipes are proposed with it and refused while it stands.
OPEN = "?"


def param(
    default: Any = REQUIRED,
    *,
    unit: str = "",
    help: str,
    minimum: float | None = None,
    maximum: float | None = None,
    above: float | None = None,
    below: float | None = None,
    choices: tuple[str, ...] = (),
) -> Any:
    """Declare one field of a step or of a recipe table.

    Parameters
    ----------
    default
        The value when nothing is said; leave it out for a value that must be stated.
    unit
        The unit of a number; "1" for a pure number, "" for text and switches.
    help
        One sentence for people.
    minimum, maximum
        Inclusive limits of a number.
    above, below
        Exclusive limits of a number.
    choices
        The words allowed.
    """
    declared = {
        "unit": unit, "help": help, "minimum": minimum, "maximum": maximum,
        "above": above, "below": below, "choices": choices,
    }  # fmt: skip
    return dataclasses.field(default=default, metadata={"geoqa": declared})


@dataclass(frozen=True)
class Parameter:
    """One declared parameter: all that options, documentation and the run record need."""

    name: str
    types: tuple[type, ...]
    default: Any
    unit: str
    help: str
    minimum: float | None
    maximum: float | None
    above: float | None
    below: float | None
    choices: tuple[str, ...]

    @property
    def required(self) -> bool:
        """Whether the value must be stated."""
        return self.default is REQUIRED

    @property
    def rule(self) -> str:
        """What is allowed, in words."""
        if self.choices:
            return "one of " + ", ".join(map(repr, self.choices))
        kinds = {float: "a number", int: "a whole number", str: "text", bool: "true or false", tuple: "a list of text"}
        words = " or ".join(kinds[kind] for kind in self.types)
        limits = [
            f"{word} {limit:g}"
            for word, limit in (
                ("at least", self.minimum), ("at most", self.maximum), ("above", self.above), ("below", self.below),
            )
            if limit is not None
        ]  # fmt: skip
        unit = "" if self.unit in ("", "1") else f" in {self.unit}"
        return words + unit + (", " + " and ".join(limits) if limits else "")

    def as_record(self) -> dict[str, Any]:
        """Return the declaration as plain values, for what makes dialogs of it; see `geoqa/schemas`."""
        kinds = {float: "number", int: "whole number", str: "text", bool: "switch", tuple: "list of text"}
        own = {key: getattr(self, key) for key in ("name", "unit", "minimum", "maximum", "above", "below", "help")}
        default = None if self.required else self.default
        return own | {
            "types": [kinds[kind] for kind in self.types],
            "required": self.required,
            "default": list(default) if isinstance(default, tuple) else default,
            "choices": list(self.choices),
            "rule": self.rule,
        }

    @property
    def recipe_line(self) -> str:
        """The line of a recipe that sets the default; what has none stands there as a remark."""
        stated = not (self.default is None or self.required)
        value = _toml(self.default) if stated else ""
        return f"{'' if stated else '# '}{self.name} = {value}   # {self.help} ({self.rule})"

    def check(self, value: Any) -> Any:
        """Return `value` in its declared type, or raise ValueError saying what is allowed."""
        if value is None and self.default is None:
            return None
        wrong = f"{_shown(value)} is not {self.rule}."
        if isinstance(value, list):
            value = tuple(value)
        if float in self.types and isinstance(value, int) and not isinstance(value, bool):
            with contextlib.suppress(OverflowError):
                value = float(value)
        # bool is an int to Python; to a surveyor it is not a number.
        fits = isinstance(value, self.types) and (bool in self.types or not isinstance(value, bool))
        if isinstance(value, tuple):
            fits &= all(isinstance(item, str) for item in value)
        elif isinstance(value, (int, float)) and not isinstance(value, bool):
            fits &= self._inside(value)
        if not fits:
            raise ValueError(wrong)
        if self.choices and value not in self.choices:
            raise ValueError(wrong + near(value, self.choices))
        return value

    def parse(self, text: str) -> Any:
        """Return the value that `text` (a command-line option) stands for, checked."""
        value: Any = tuple(text.split(",")) if tuple in self.types else text
        if bool in self.types:
            value = {"true": True, "false": False}.get(text.strip().lower(), text)
        for kind in (float, int):
            if kind in self.types:
                with contextlib.suppress(ValueError):
                    value = kind(text)
        return self.check(value)

    @property
    def invitation(self) -> str:
        """What to write when the value is missing, in words."""
        return f"Add {self.name} = ... ({self.help.rstrip('.')}: {self.rule})."

    def _inside(self, value: float) -> bool:
        return (
            (isinstance(value, int) or math.isfinite(value))
            and (self.minimum is None or value >= self.minimum)
            and (self.maximum is None or value <= self.maximum)
            and (self.above is None or value > self.above)
            and (self.below is None or value < self.below)
        )


@dataclass(frozen=True, kw_only=True)
class Declared:
    """Base of whatever declares its fields with `param`: steps and recipe tables."""

    def __post_init__(self) -> None:
        faults = []
        for parameter in self.parameters():
            try:
                checked = parameter.check(getattr(self, parameter.name))
                object.__setattr__(self, parameter.name, checked)
            except ValueError as error:
                faults.append(Fault(parameter.name, str(error)))
        if faults:
            raise ParameterError.from_faults(f"{self.title()} cannot be used:", faults)

    @classmethod
    def title(cls) -> str:
        """Return what people call this thing."""
        return getattr(cls, "name", None) or cls.__name__

    @classmethod
    @functools.cache
    def parameters(cls) -> tuple[Parameter, ...]:
        """Return the declared parameters, in order."""
        declared = [f for f in dataclasses.fields(cls) if "geoqa" in f.metadata]
        # Parameters are of built-in types only, so what a module has imported plays no part.
        hints = get_type_hints(type("_", (), {"__annotations__": {f.name: f.type for f in declared}}), {})
        return tuple(Parameter(f.name, _types(hints[f.name]), f.default, **f.metadata["geoqa"]) for f in declared)

    @classmethod
    def from_table(cls, table: Any, where: str, faults: list[Fault], **more: Any) -> Self | None:
        """Build from a mapping; add every fault to `faults` and return None if there is one.

        Parameters
        ----------
        table
            Keys and values as read from a recipe or given on a command line.
        where
            The place named in each fault, such as ``site.toml: [tolerance]``.
        faults
            Receives what is wrong.
        **more
            Fields that are not parameters.
        """
        if not isinstance(table, Mapping):
            faults.append(Fault(where, f"{_shown(table)} is not a table."))
            return None
        before = len(faults)
        known = {parameter.name: parameter for parameter in cls.parameters()}
        for key in map(str, table):
            if key not in known:
                faults.append(Fault(f"{where} {key}", f"is not a key here.{near(key, known)}"))
        values: dict[str, Any] = {}
        for name, parameter in known.items():
            if table.get(name, REQUIRED if parameter.required else None) in (REQUIRED, OPEN):
                faults.append(Fault(f"{where} {name}", "must be stated.", parameter.invitation))
            elif name in table:
                try:
                    values[name] = parameter.check(table[name])
                except ValueError as error:
                    faults.append(Fault(f"{where} {name}", str(error)))
        if len(faults) > before:
            return None
        try:
            return cls(**values, **more)
        except ParameterError as error:
            faults += [Fault(f"{where} {fault.where}", fault.problem, fault.remedy) for fault in error.faults]
            return None

    def as_table(self) -> dict[str, Any]:
        """Return the completed fields as plain values, leaving out what is not stated."""
        values = {parameter.name: getattr(self, parameter.name) for parameter in self.parameters()}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in values.items() if v is not None}


def _types(hint: Any) -> tuple[type, ...]:
    """Return the plain types a field may hold, without None."""
    if get_origin(hint) in (Union, types.UnionType):
        return tuple(kind for part in get_args(hint) for kind in _types(part) if kind is not type(None))
    return (get_origin(hint) or hint,)


def _toml(value: Any) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return str(value).lower() if isinstance(value, bool) else f'"{value}"' if isinstance(value, str) else str(value)


def _shown(value: Any) -> str:
    """Return a value as it goes into a message: never longer than a line."""
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def near(word: object, known: Iterable[str], cutoff: float = 0.6) -> str:
    """Return, behind a blank, which of the known words may have been meant; empty where none looks like it."""
    close = difflib.get_close_matches(str(word), list(known), n=1, cutoff=cutoff)
    return f" Did you mean {close[0]!r}?" if close else ""
