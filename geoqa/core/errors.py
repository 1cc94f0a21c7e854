"""Every error geoqa raises on purpose, with the exit code it ends a command with.

GeoqaError                70
    CallError              2   a command, an option or an argument is wrong
        ParameterError     2   a declared parameter has a value outside its range
    RecipeError            2   the recipe is wrong; every fault is listed
    InputError             2   an input file cannot be used as it stands
    OutputError            2   the output folder cannot be written
    PluginError            2   an installed step cannot be found, loaded or accepted
    StepError             70   steps do not fit together, or one returned what it did not declare
        SchemaError       70   a frame breaks its column contract
    GeodesyError           3   a coordinate operation was refused

A message says what was given, the rule, where, and what to do.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong: where it stands, what it is, and what to write instead."""

    where: str
    problem: str
    remedy: str = ""

    def __str__(self) -> str:
        return f"{self.where}: {self.problem}" + (f" {self.remedy}" if self.remedy else "")


class GeoqaError(Exception):
    """Base of every error geoqa raises on purpose."""

    exit_code = 70

    @classmethod
    def from_faults(cls, title: str, faults: list[Fault]) -> GeoqaError:
        """Return one error that lists every fault, a line each."""
        error = cls("\n".join([title, *(f"  - {fault}" for fault in faults)]))
        error.faults = tuple(faults)
        return error

    faults: tuple[Fault, ...] = ()


class CallError(GeoqaError, ValueError):
    """A command, an option or an argument is wrong."""

    exit_code = 2


class ParameterError(CallError):
    """A declared parameter has a value outside its range."""


class RecipeError(GeoqaError, ValueError):
    """The recipe is wrong; the message lists every fault with its file and key."""

    exit_code = 2


class InputError(GeoqaError, ValueError):
    """An input file cannot be used as it stands."""

    exit_code = 2


class OutputError(GeoqaError, OSError):
    """The output folder cannot be written."""

    exit_code = 2


class PluginError(GeoqaError, LookupError):
    """An installed step cannot be found, loaded or accepted."""

    exit_code = 2


class StepError(GeoqaError, RuntimeError):
    """Steps do not fit together, or a step returned what it did not declare."""


class SchemaError(StepError, ValueError):
    """A frame breaks its column contract; the message lists every fault."""


class GeodesyError(GeoqaError, ValueError):
    """A coordinate operation was refused."""

    exit_code = 3
