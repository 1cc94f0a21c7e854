"""Steps of this and other distributions, found by name, and run so that their mistakes stop at them.

An installed plugin runs with its user's rights: this holds off its mistakes, not its malice. It may end, raise or
return anything; it may write into what it is shown, change the folder it runs in, the warnings that are shown and
how numpy treats overflow. Ctrl-C, and a signal to terminate, pass through.

Every step is an entry point of an installed distribution, geoqa's own as well. Nothing is imported
before it is asked for; what cannot be used is named with the reason and left out; a built-in name
belongs to geoqa.
"""

from __future__ import annotations

import contextlib
import contextvars
import copy
import dataclasses
import decimal
import inspect
import json
import os
import re
import sys
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import Distribution, EntryPoint, entry_points, version
from pathlib import Path
from typing import Any, TypeVar

from geoqa.core import steps
from geoqa.core.arrays import np, pd, shapely
from geoqa.core.errors import GeoqaError, PluginError, RecipeError, StepError
from geoqa.core.params import Declared
from geoqa.core.steps import configure as configure

T = TypeVar("T")

#: Letters of a message, and how many messages of one step are kept.
LONGEST, MOST = 300, 20
#: Columns that a frame may have: SQLite, which a GeoPackage is, holds no more than 2,000.
MOST_COLUMNS = 1_000


def call(work: Callable[[], T], who: str = "", told: type[GeoqaError] = StepError) -> T:
    """Return what `work`, which runs a guest's code, returns.

    Parameters
    ----------
    work
        What to do.
    who
        Says whose work failed, and in what; empty where that is said elsewhere.
    told
        The error to raise for whatever the guest raises.
    """
    folder = _folder()
    try:
        with warnings.catch_warnings(), decimal.localcontext():
            # How numpy treats faults is a variable of the context.
            return contextvars.copy_context().run(work)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        raise told(f"{who}: {error_text(error)}" if who else error_text(error)) from error
    finally:
        if folder is not None and _folder() != folder:
            with contextlib.suppress(OSError):
                os.chdir(folder)


def error_text(error: BaseException) -> str:
    """Return what an error says, on one line of a bounded length, with its kind unless geoqa raises it on purpose."""
    try:
        text = str(error)
    except KeyboardInterrupt:
        raise
    except BaseException:
        text = "(its message cannot be read)"
    if isinstance(error, GeoqaError):
        return one_line(text)
    return one_line(f"{type(error).__name__}: {text[: 4 * LONGEST]}" if text else type(error).__name__)


def one_line(text: str, longest: int = LONGEST) -> str:
    """Return text on one line, at most `longest` letters of it, in signs that UTF-8 can hold."""
    line = " ".join(text[: 4 * longest].split()).encode("utf-8", "replace").decode()
    return line if len(line) <= longest and len(text) <= 4 * longest else f"{line[: longest - 1]}…"


def checked_messages(given: Any) -> tuple[str, ...]:
    """Return the messages of a guest, cleaned and no more than `MOST`, or raise StepError if they are none."""
    if not isinstance(given, (tuple, list)) or not all(isinstance(text, str) for text in given):
        raise StepError("its messages must be a tuple of texts")
    kept = tuple(one_line(text) for text in given[:MOST])
    return kept if len(given) <= MOST else (*kept, f"and {len(given) - MOST:,} messages more")


def copied(frames: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return copies of frames that share no memory with them and nothing that can be changed."""
    return {name: _copied(frame) for name, frame in frames.items()}


def taken(frames: Any) -> dict[str, pd.DataFrame]:
    """Return copies of the frames that a guest made, so that it cannot change them later.

    Raises
    ------
    StepError
        If they are no frames by name, or a column holds what no output can.
    """
    if not isinstance(frames, Mapping):
        raise StepError(f"it returned {type(frames).__name__} for its frames, it must return frames by name")
    made = {}
    for name, frame in frames.items():
        if not isinstance(frame, pd.DataFrame):
            raise StepError(f"it returned {type(frame).__name__} for {name!r}, it must be a data frame")
        if frame.shape[1] > MOST_COLUMNS:
            raise StepError(f"it returned {frame.shape[1]:,} columns for {name!r}, at most {MOST_COLUMNS:,} can be")
        strange = [label for label in frame.columns if not (isinstance(label, str) and label.isprintable() and label)]
        faults = [f"{name}[{one_line(repr(label), 60)}] is no name of a column" for label in strange]
        if frame.columns.is_unique and not strange:
            unfit = [column for column in frame if not _is_plain(frame[column])]
            faults += [f"{name}.{column} holds {frame[column].dtype}" for column in unfit]
        if faults:
            raise StepError(f"{'; '.join(faults[:5])}: a column holds numbers, text, yes and no, times or geometry")
        made[str(name)] = _copied(frame)
    return made


def _folder() -> Path | None:
    try:
        return Path.cwd()
    except OSError:  # it has been removed
        return None


def _copied(frame: pd.DataFrame) -> pd.DataFrame:
    made = frame.copy(deep=True)
    made.index = frame.index.copy(deep=True)
    for place, dtype in enumerate(frame.dtypes):
        # pandas shares the words of a category, and what the cells of a column of objects hold.
        if isinstance(dtype, pd.CategoricalDtype):
            words = pd.CategoricalDtype(dtype.categories.copy(deep=True), dtype.ordered)
            codes = frame.iloc[:, place].cat.codes.to_numpy().copy()
            made.isetitem(place, pd.Categorical.from_codes(codes, dtype=words))
        elif pd.api.types.is_object_dtype(dtype) and not _is_fixed(frame.iloc[:, place]):
            cells = np.empty(len(frame), dtype=object)
            cells[:] = copy.deepcopy(list(frame.iloc[:, place]))
            made.isetitem(place, cells)
    return made


def _is_fixed(values: pd.Series) -> bool:
    """Return whether no cell of a column can be changed in its place."""
    fixed = (str, int, float, bool, bytes, type(None), shapely.Geometry)
    return all(issubclass(kind, fixed) for kind in set(map(type, values)))


def _is_plain(values: pd.Series) -> bool:
    """Return whether every output can hold a column."""
    types = pd.api.types
    if isinstance(values.dtype, types.CategoricalDtype):
        words = values.cat.categories
        return not len(words) or bool(types.is_string_dtype(words)) or bool(types.is_numeric_dtype(words))
    if values.dtype == object:
        return types.infer_dtype(values, skipna=True) in ("string", "empty", "boolean")
    plain = (types.is_bool_dtype, types.is_datetime64_any_dtype, types.is_string_dtype)
    number = types.is_numeric_dtype(values) and not types.is_complex_dtype(values)
    return number or str(values.dtype) == "geometry" or any(kind(values) for kind in plain)


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
            raise PluginError(f"{who} was refused: {one_line('; '.join(problems))}.")
        return loaded

    def _called(self, work: Callable[[], Any], who: str) -> Any:
        if self.distribution != OWN:
            return call(work, who, PluginError)
        try:
            return work()
        except Exception as error:
            raise PluginError(f"{who}: {error_text(error)}") from error


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
    every = [(found.entries[group][key], cls) for group in GROUPS for key, cls in found.load_all(group).items()]
    told = [_described(entry, cls) for entry, cls in every if chosen is None or entry is chosen]
    if chosen is not None and not told:
        chosen.load()  # says why it cannot be used
    return {"format": FORMAT, "geoqa": version(OWN), "steps": told, "refused": dict(found.refused)}


def _described(entry: Entry, cls: type[steps.Step]) -> dict[str, Any]:
    text = inspect.cleandoc(cls.__doc__ or "")
    return {
        "name": entry.name,
        "kind": CALLED[entry.group],
        "distribution": entry.distribution,
        "version": entry.version,
        "room": ".".join(cls.__module__.split(".")[1:-1]) if entry.distribution == OWN else "",
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

    step = call(configured)
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
            wrong = [one for one in told if not _ADDRESS.fullmatch(one)]
            twice = [one for one in dict.fromkeys(told) if told.count(one) > 1]
            problems += [f"its {word} holds {one!r}, which is no address of a frame or a column" for one in wrong]
            problems += [f"its {word} holds {one!r} twice" for one in twice]
    methods = sorted(base.__abstractmethods__)
    problems += [f"its {word} is no method" for word in methods if not callable(getattr(loaded, word))]
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
