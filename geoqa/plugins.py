"""Find readers, analysis steps, map layers, plots and writers by name; built-in and third-party steps use one door.

Every step is an entry point of an installed distribution, geoqa's own as well. Nothing is imported
before it is asked for; what cannot be used is named with the reason and left out; a built-in name
belongs to geoqa.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import Distribution, EntryPoint, entry_points, version
from typing import Any

from geoqa import guests
from geoqa.core import steps
from geoqa.core.errors import Fault, PluginError, RecipeError
from geoqa.core.params import Declared

GROUPS: dict[str, type[steps.Step]] = {
    "geoqa.readers": steps.Reader,
    "geoqa.analysis": steps.Analysis,
    "geoqa.layers": steps.MapLayer,
    "geoqa.plots": steps.Plot,
    "geoqa.writers": steps.Writer,
}
#: What people call a step of each group.
CALLED = dict(zip(GROUPS, ("reader", "analysis", "map layer", "plot", "writer"), strict=True))
#: The format of the document of steps; its schema stands in `geoqa/schemas`.
FORMAT = "geoqa-steps/1"
#: What the name of a writer ends in; what stands before it is the word for `--also`.
FILE = "-file"
#: Kinds of a parameter.
KINDS = {float, int, str, bool, tuple}
#: The distribution whose names no other may take.
OWN = "geoqa-survey"
#: A frame, or a column of one; SQLite keeps some names for itself.
_ADDRESS = re.compile(r"(?!gpkg_|sqlite_|rtree_|layer_styles)[a-z][a-z0-9_]{0,59}(\.[A-Za-z_]\w{0,59})?")
_SUFFIX = re.compile(r"(\.[A-Za-z0-9_-]{1,20}){1,2}")


@dataclass(frozen=True)
class Entry:
    """One step that some distribution declares."""

    name: str
    group: str
    distribution: str
    version: str
    point: EntryPoint

    def load(self) -> type[steps.Step]:
        """Return the step's class, or raise PluginError with every reason against it."""
        who = f"{self.name!r} ({self.group}, from {self.distribution})"
        loaded = self._called(self.point.load, f"{who} did not load")
        problems = self._called(lambda: problems_of(loaded, GROUPS[self.group], self.name), f"{who} was refused")
        if problems:
            raise PluginError(f"{who} was refused: {guests.one_line('; '.join(problems))}.")
        return loaded

    def _called(self, work: Callable[[], Any], who: str) -> Any:
        if self.distribution != OWN:
            return guests.call(work, who, PluginError)
        try:
            return work()
        except Exception as error:
            raise PluginError(f"{who}: {guests.said(error)}") from error


@dataclass(frozen=True)
class Catalogue:
    """What is installed: usable steps by group and name, and what was refused and why."""

    entries: dict[str, dict[str, Entry]]
    refused: dict[str, str]

    def names(self, group: str) -> tuple[str, ...]:
        """Return the names of a group's steps, sorted, without importing any."""
        return tuple(sorted(self.entries[group]))

    def find(self, name: str, group: str | None = None) -> Entry:
        """Return the step called `name`, or raise PluginError naming those there are."""
        for candidate in [group] if group else GROUPS:
            if name in self.entries[candidate]:
                return self.entries[candidate][name]
        if name in self.refused:
            raise PluginError(f"{name!r} is installed but was refused: {self.refused[name]}")
        known = ", ".join(n for g in ([group] if group else GROUPS) for n in self.names(g))
        raise PluginError(f"No step is called {name!r}. Installed: {known}.")

    def load_all(self, group: str) -> dict[str, type[steps.Step]]:
        """Return every usable class of a group; add those that fail to `refused`."""
        good = {}
        for name in self.names(group):
            try:
                good[name] = self.entries[group][name].load()
            except PluginError as error:
                self.refused[name] = str(error)
        return good

    def is_third_party(self, name: str) -> bool:
        """Return whether the step called `name` is not geoqa's own."""
        return not any(name in group and group[name].distribution == OWN for group in self.entries.values())

    def third_party(self) -> list[dict[str, str]]:
        """Return the usable steps of other distributions, for the run record."""
        every = [e for group in self.entries.values() for e in group.values()]
        found = [e for e in every if e.distribution != OWN and e.name not in self.refused]
        return [{"step": e.name, "group": e.group, "distribution": e.distribution, "version": e.version} for e in found]


def document(found: Catalogue, name: str | None = None) -> dict[str, Any]:
    """Return every installed step, or the one called `name`, as ``steps.schema.json`` in `geoqa/schemas` describes it.

    Raises
    ------
    PluginError
        If no step is called `name`.
    """
    chosen = None if name is None else found.find(name)
    told = [
        _told(entry, cls)
        for group in GROUPS
        for entry, cls in ((found.entries[group][key], cls) for key, cls in found.load_all(group).items())
        if chosen is None or entry is chosen
    ]
    if chosen is not None and not told:
        chosen.load()  # says why it cannot be used
    return {"format": FORMAT, "geoqa": version(OWN), "steps": told, "refused": dict(found.refused)}


def _told(entry: Entry, cls: type[steps.Step]) -> dict[str, Any]:
    text = inspect.cleandoc(cls.__doc__ or "")
    return {
        "name": entry.name,
        "kind": CALLED[entry.group],
        "distribution": entry.distribution,
        "version": entry.version,
        "summary": " ".join(text.partition("\n\n")[0].split()),
        "help": text,
        **{key: list(getattr(cls, key, ())) for key in ("needs", "uses", "gives")},
        "parameters": [parameter.as_record() for parameter in cls.parameters()],
    }


def catalogue() -> Catalogue:
    """Return what is installed, geoqa's own steps first, so that no other may take their names."""
    entries: dict[str, dict[str, Entry]] = {group: {} for group in GROUPS}
    refused: dict[str, str] = {}
    every = entry_points()  # once for all groups: what is installed is looked through anew each time
    points = [(group, point) for group in GROUPS for point in every.select(group=group)]
    # A distribution reads its metadata anew whenever it is asked.
    named = {id(dist): _named(dist) for dist in {id(point.dist): point.dist for _, point in points}.values()}
    found = [Entry(point.name, group, *named[id(point.dist)], point) for group, point in points]
    for entry in sorted(found, key=lambda e: (e.distribution != OWN, e.distribution, e.name)):
        taken = next((e for g in entries.values() for e in g.values() if e.name == entry.name), None)
        if taken is None:
            entries[entry.group][entry.name] = entry
        elif (taken.distribution, taken.group, taken.point) != (entry.distribution, entry.group, entry.point):
            label = f"{entry.distribution}:{entry.name}"
            refused[label] = f"{entry.name!r} already belongs to {taken.distribution}; {label} needs another name."
    return Catalogue(entries, refused)


def configure(cls: type[steps.Step], tables: Any, where: str = "recipe") -> steps.Step:
    """Return the step with the parameters its ``[step.NAME]`` table sets.

    Raises
    ------
    RecipeError
        Listing every wrong key and value.
    """
    faults: list[Fault] = []
    step = cls.from_table(tables.get(cls.name, {}), f"{where}: [step.{cls.name}]", faults)
    if faults or step is None:
        raise RecipeError.from_faults(f"The parameters of the step {cls.name!r} cannot be used:", faults)
    return step


def as_guest(cls: type[steps.Step], tables: Any) -> steps.Step:
    """Return a third party's step, configured.

    Raises
    ------
    RecipeError
        As `configure`.
    StepError
        For whatever else it raises.
    """
    wrong: list[RecipeError] = []

    def configured() -> steps.Step | None:
        try:
            step = configure(cls, tables)
            json.dumps(steps.Step.as_record(step), allow_nan=False)  # what is no plain value cannot be recorded
            return step
        except RecipeError as error:
            wrong.append(error)
            return None

    step = guests.call(configured)
    if wrong or step is None:
        raise wrong[0]
    return step


def _named(distribution: Distribution | None) -> tuple[str, str]:
    """Return the name and the version of a distribution."""
    return (distribution.name, distribution.version or "") if distribution else ("an unknown distribution", "")


def problems_of(loaded: Any, base: type[steps.Step], name: str) -> list[str]:
    """Return what keeps `loaded` from being a step called `name`; nothing where it is one."""
    if not (inspect.isclass(loaded) and issubclass(loaded, base)):
        return [f"it is not a {base.__name__}"]
    problems = []
    if any(isinstance(value, dataclasses.Field) for value in vars(loaded).values()):
        problems.append("its parameters are not declared: put @dataclass(frozen=True, kw_only=True) on it")
    if inspect.isabstract(loaded):
        problems.append(f"it lacks {', '.join(sorted(loaded.__abstractmethods__))}")
    if getattr(loaded, "api", None) != steps.API:
        problems.append(f"it was written for step API {getattr(loaded, 'api', None)}, this is {steps.API}")
    if getattr(loaded, "name", None) != name:
        problems.append(f"it calls itself {getattr(loaded, 'name', None)!r}")
    doc = vars(loaded).get("__doc__")
    # A dataclass without a docstring gets its own signature for one.
    without = not isinstance(doc, str) or not doc.strip() or doc.startswith(f"{loaded.__name__}(")
    if without and sys.flags.optimize < 2:  # beyond, Python drops every docstring
        problems.append("it has no docstring")
    return problems + _undeclared(loaded, base) + _of_its_kind(loaded, base, name)


def _undeclared(loaded: Any, base: type[steps.Step]) -> list[str]:
    """Return which of the names that a step declares are of another kind than they must be."""
    problems = []
    for word in ("needs", "gives", "uses"):
        told = getattr(loaded, word)
        if not isinstance(told, tuple) or not all(isinstance(address, str) for address in told):
            problems.append(f"its {word} is {told!r}, it must be a tuple of texts")
        else:
            wrong = [address for address in told if not _ADDRESS.fullmatch(address)]
            problems += [
                f"its {word} holds {address!r}, which is no address of a frame or a column" for address in wrong
            ]
            problems += [
                f"its {word} holds {address!r} twice" for address in dict.fromkeys(told) if told.count(address) > 1
            ]
    problems += [
        f"its {word} is no method" for word in sorted(base.__abstractmethods__) if not callable(getattr(loaded, word))
    ]
    if not problems:
        # The base's own, whatever the step makes of the name; it raises what is wrong with a declaration.
        parameters = Declared.parameters.__func__(loaded)  # type: ignore[attr-defined]
        problems += [
            f"its parameter {p.name} is of no kind that a recipe holds" for p in parameters if not set(p.types) <= KINDS
        ]
    return problems


def _of_its_kind(loaded: Any, base: type[steps.Step], name: str) -> list[str]:
    """Return what readers and writers declare otherwise than they must."""
    problems = []
    texts = ("suffixes",) if base is steps.Reader else ("libraries",) if base is steps.Writer else ()
    for word in texts:
        told = getattr(loaded, word)
        if not isinstance(told, tuple) or not all(isinstance(text, str) for text in told):
            problems.append(f"its {word} is {told!r}, it must be a tuple of texts")
        elif word == "libraries" and not all(text.isidentifier() for text in told):
            problems.append(f"its libraries are {told!r}, they must be names of packages")
    if base is steps.Reader and not callable(loaded.sniff):
        problems.append("its sniff is no method")
    if base is steps.Writer:
        suffix = loaded.suffix
        if not (name.endswith(FILE) and name != FILE and isinstance(suffix, str) and _SUFFIX.fullmatch(suffix)):
            problems.append(f"a writer's name ends in {FILE} and its suffix is a dot, then letters and digits")
        if not isinstance(loaded.extra, str) or loaded.place not in ("", "plane", "earth"):
            problems.append("a writer's extra is a text, its place plane, earth or empty")
    return problems
