"""A recipe to a job: TOML or a plain mapping, every fault reported at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from geoqa.core import input_files
from geoqa.core.errors import Fault, InputError, RecipeError
from geoqa.core.experience import Experience
from geoqa.core.job import TEXT_COLUMNS, WORDS, Base, Checks, Decisions, Match, Recipe, Role, unfixed
from geoqa.core.params import OPEN, Declared, near
from geoqa.core.recipe import PRESETS, PROCEDURES, InputFormat, Procedure, ReportFacts, Requirement, Site, Tolerance
from geoqa.readers.recipe import rules, toml_tables

#: Tables that are read key by key, as they are declared.
PLAIN: dict[str, type[Declared]] = {
    "site": Site, "match": Match, "base": Base, "decisions": Decisions, "checks": Checks, "report": ReportFacts,
    "experience": Experience,
}  # fmt: skip
TABLES = (
    "site", "input", "match", "roles", "tolerance", "requirement", "base", "step", "decisions", "checks", "control",
    "field_test", "canopy", "report", "line", "file", "experience", "procedure",
)  # fmt: skip
#: Beneath a tolerance or a requirement: what holds for points without a fixed solution.
FLOAT = "float"
#: A recipe larger than this, in bytes, is none.
LARGEST = 1_000_000
#: Faults told of one recipe.
MOST_FAULTS = 50


def read_recipe(path: Path | str) -> Recipe:
    """Return the job that the recipe at `path` describes.

    Raises
    ------
    RecipeError
        If the file cannot be read, is no TOML, or says what cannot be: every fault, by file, table and key.
    """
    path = Path(path)
    text = _text(path)
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        rule = "Text stands in quotes, one key = value a line, numbers have a decimal point."
        raise RecipeError(f"{path}: is not TOML: {_problem(error, text)} {rule}{_is_it_data(path)}") from error
    return replace(job_from_table(table, path.name), folder=str(path.parent))


def is_recipe(path: Path) -> bool:
    """Return whether the file at `path` is TOML with a table ``[site]``, sound or not: a recipe, and no data."""
    if path.suffix.lower() != ".toml" or not path.is_file():
        return False
    try:
        return "site" in tomllib.loads(_text(path))
    except RecipeError:
        return False
    except (ValueError, RecursionError):
        return True  # whoever reads it says what is wrong with it


def _text(path: Path) -> str:
    """Return the text of the recipe at `path`."""
    try:
        with input_files.opened(path) as file:
            content = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise RecipeError(f"{path}: there is no such recipe. `geoqa recipe FILE` proposes one for a file.") from None
    except IsADirectoryError:
        raise RecipeError(f"{path}: is a directory. Name the recipe in it.") from None
    except InputError as error:
        raise RecipeError(str(error)) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        remedy = "Give a text file in TOML, and check its rights."
        raise RecipeError(f"{path}: cannot be read: {reason}. {remedy}") from error
    if len(content) > LARGEST:
        problem = f"is larger than {LARGEST / 1e6:g} MB; a recipe is a page or two."
        raise RecipeError(f"{path}: {problem}{_is_it_data(path) or ' Name the recipe.'}")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        rule = "Give a text file in TOML, saved as UTF-8."
        raise RecipeError(f"{path}: is not UTF-8 text (line {line}). {rule}{_is_it_data(path)}") from error


def _problem(error: Exception, text: str) -> str:
    """Return what the TOML reader says, and the line it says it of."""
    if isinstance(error, RecursionError):
        return "values stand in each other too deep."
    if not isinstance(error, tomllib.TOMLDecodeError):
        return "a number is far too long."
    at = re.search(r"\(at line (\d+), column \d+\)", str(error))
    lines = text.split("\n")
    shown = lines[int(at[1]) - 1].strip()[:80] if at and int(at[1]) <= len(lines) else ""
    return f"{str(error)[:200]}" + (f", where it reads: {shown}." if shown else ".")


def _is_it_data(path: Path) -> str:
    """Return a hint where the name is not that of a recipe."""
    if path.suffix.lower() in (".toml", ""):
        return ""
    return " Is it the data? The data come first, the recipe after --recipe: geoqa review data.csv --recipe site.toml"


def job_from_table(table: Mapping[str, Any], where: str = "recipe") -> Recipe:
    """Return the job that `table` describes.

    Parameters
    ----------
    table
        A recipe as nested mappings, as TOML gives it.
    where
        What the faults call it: the name of its file.

    Raises
    ------
    RecipeError
        If it says what cannot be; the message lists every fault, by table and key.
    """
    faults: list[Fault] = []
    if not isinstance(table, Mapping):
        raise RecipeError(f"{where}: a recipe is a table of tables, not {type(table).__name__}.")
    _check_tables(table, where, faults)
    given = table.get("input", {})
    tolerance = _tolerance(_without(table.get("tolerance"), FLOAT), f"{where}: [tolerance]", faults)
    requirement = _requirement(_without(table.get("requirement", {}), FLOAT), f"{where}: [requirement]", faults)
    plain: dict[str, Any] = {
        name: kind.from_table(table.get(name, {}), f"{where}: [{name}]", faults) for name, kind in PLAIN.items()
    }
    mapped = _table(given, "columns", f"{where}: [input", faults)
    values = _table(given, "values", f"{where}: [input", faults)
    form = _dated(_without(given, "columns", "values"))
    keys = frozenset(map(str, form)) if isinstance(form, Mapping) else frozenset()
    if isinstance(form, Mapping) and not rules.COORDINATES & set(mapped):
        form = {"unit": "m"} | dict(form)  # until a file says it
    draft = rules.Draft(
        site=plain["site"],
        height=_height(table.get("site", {})),
        input=InputFormat.from_table(form, f"{where}: [input]", faults) or _sound(form),
        keys=keys,
        columns=toml_tables.columns(mapped, f"{where}: [input.columns]", faults),
        names=frozenset(mapped),
        itself=_says_itself(given),
        match=plain["match"],
        # Stand-ins for what is at fault, so that the rules across keys can still be checked.
        tolerance=tolerance or _tolerance_of(_without(table.get("tolerance"), FLOAT)),
        requirement=requirement or _requirement_of(_without(table.get("requirement"), FLOAT)),
        roles=_roles(_tables(table, "roles", where, faults), table, (tolerance, requirement), where, faults),
    )
    words = _values(values, mapped, f"{where}: [input.values", faults)
    steps = _tables(table, "step", where, faults)
    fmt = rules.check(draft, where, faults)
    control, field_test, lines = toml_tables.control(table, where, faults)
    canopy = toml_tables.canopy(table, where, faults)
    procedure = _procedure(table.get("procedure", {}), f"{where}: [procedure]", faults)
    files = toml_tables.file_rules(table, where, faults, job_from_table)
    if faults:
        shown, more = faults[:MOST_FAULTS], len(faults) - MOST_FAULTS
        if more > 0:
            shown.append(Fault(where, f"and {more} more faults."))
        raise RecipeError.from_faults(f"{where}: the recipe cannot be used:", shown)
    whole: dict[str, Any] = {
        **plain, "tolerance": tolerance, "requirement": requirement, "control": control, "field_test": field_test,
        "canopy": canopy, "procedure": procedure,
    }  # fmt: skip  # whatever is None has left a fault
    return Recipe(
        **whole, input=fmt, columns=draft.columns, values=words, roles=draft.roles, steps=steps, files=files,
        lines=lines, unit_stated="unit" in keys,
    )  # fmt: skip


def _dated(form: Any) -> Any:
    """Return ``[input]`` with a date that stands without quotes, as TOML allows, as text."""
    stated = form.get("date") if isinstance(form, Mapping) else None
    if isinstance(stated, date) and not isinstance(stated, datetime):
        return {**form, "date": stated.isoformat()}
    return form


def _says_itself(given: Any) -> bool:
    """Return whether ``[input]`` leaves all that rows hold to the file: enough for a receiver's log, for no other."""
    if not isinstance(given, Mapping) or given.get("columns"):
        return False
    return not {"initialization", "asserted_by"} & set(given) and not given.get("values")


def _sound(table: Any) -> InputFormat:
    """Return what is sound of a faulty ``[input]``, so that the rules across keys can still be checked."""
    sound: dict[str, Any] = {"unit": "m"}
    for parameter in InputFormat.parameters():
        if isinstance(table, Mapping) and table.get(parameter.name, OPEN) != OPEN:
            try:
                sound[parameter.name] = parameter.check(table[parameter.name])
            except ValueError:
                continue
    return InputFormat(**sound)


def _tolerance_of(table: Any) -> Tolerance | None:
    """Return a stand-in for a faulty ``[tolerance]`` that states the same constants."""
    if not isinstance(table, Mapping) or "purpose" in table:
        return None
    return Tolerance(horizontal_m=1.0, vertical_m=1.0 if "vertical_m" in table else None)


def _requirement_of(table: Any) -> Requirement | None:
    """Return a stand-in for a faulty ``[requirement]`` that states the same limits and judges the same."""
    if not isinstance(table, Mapping):
        return None
    limits = {name: 1.0 for name in ("horizontal_m", "vertical_m") if name in table}
    judge = table.get("judge")
    return Requirement(**limits, judge=judge if judge in ("h", "v", "hv") else "hv")


def _height(table: Any) -> str | None:
    """Return the height reference as stated, sound or not; None where there is none."""
    stated = table.get("height") if isinstance(table, Mapping) else None
    return None if stated is None or not str(stated).strip() else str(stated)


def _check_tables(table: Mapping[str, Any], where: str, faults: list[Fault]) -> None:
    for name in (name for name in map(str, table) if name not in TABLES):
        hint = near(name, TABLES).strip() or f"The tables are {', '.join(TABLES)}."
        faults.append(Fault(f"{where}: [{name}]", "is not a table here.", hint))


def _without(table: Any, *names: str) -> Any:
    return {k: v for k, v in table.items() if k not in names} if isinstance(table, Mapping) else table


def _table(table: Any, name: str, where: str, faults: list[Fault]) -> Mapping[str, Any]:
    """Return the sub-table called `name`; an empty one if there is none."""
    found = table.get(name, {}) if isinstance(table, Mapping) else {}
    if isinstance(found, Mapping):
        return {str(key): value for key, value in found.items()}
    faults.append(Fault(f"{where}.{name}]", f"{str(found)[:60]!r} is not a table."))
    return {}


def _tables(table: Mapping[str, Any], name: str, where: str, faults: list[Fault]) -> dict[str, Mapping[str, Any]]:
    """Return the named tables under ``[name.*]`` as they are."""
    if not isinstance(table.get(name, {}), Mapping):
        faults.append(Fault(f"{where}: [{name}]", f"holds tables, such as [{name}.NAME]."))
        return {}
    found = {str(key): value for key, value in table.get(name, {}).items()}
    wrong = [key for key, value in found.items() if not isinstance(value, Mapping)]
    faults += [Fault(f"{where}: [{name}] {key}", f"must be a table of its own: [{name}.{key}].") for key in wrong]
    return {key: dict(value) for key, value in found.items() if key not in wrong}


def _tolerance(table: Any, where: str, faults: list[Fault], above: Tolerance | None = None) -> Tolerance | None:
    """Return a tolerance; what a role's own (`above` given) does not state is taken from `above`."""
    if table is None:
        problem = "must be stated: geoqa does not choose a tolerance for a surveyor."
        choice = f'Add [tolerance] with horizontal_m = ... and vertical_m = ..., or purpose = "{next(iter(PRESETS))}"'
        faults.append(Fault(where, problem, f"{choice} (presets: {', '.join(PRESETS)})."))
        return None
    if isinstance(table, Mapping) and table.get("purpose") not in (None, OPEN):
        return _preset(table, where, faults)
    if isinstance(table, Mapping) and above is not None:
        inherited = above.as_table() | {"reference": _mixed_reference(above)}
        table = {k: v for k, v in inherited.items() if k != "purpose"} | dict(table)
    return Tolerance.from_table(table, where, faults)


def _requirement(table: Any, where: str, faults: list[Fault], above: Requirement | None = None) -> Requirement | None:
    """Return a requirement; what it does not state is taken from `above`."""
    if isinstance(table, Mapping) and above is not None:
        table = above.as_table() | dict(table)
    return Requirement.from_table(table, where, faults)


def _mixed_reference(above: Tolerance) -> str:
    stated = "stated in the recipe"
    return stated if above.reference == stated else f"{stated} for this role; what it does not state: {above.reference}"


def _preset(table: Mapping[str, Any], where: str, faults: list[Fault]) -> Tolerance | None:
    """Return the preset that `table` names; values beside it must be the preset's own."""
    purpose = table["purpose"]
    if not _is_preset(purpose, PRESETS, where, faults):
        return None
    return PRESETS[purpose] if _is_own(table, PRESETS[purpose], where, faults) else None


def _is_preset(purpose: Any, presets: Mapping[str, Any], where: str, faults: list[Fault]) -> bool:
    if isinstance(purpose, str) and purpose in presets:
        return True
    problem = f"{purpose!r:.60} is not a preset.{near(purpose, presets)}"
    faults.append(Fault(f"{where} purpose", problem, f"One of {', '.join(presets)}."))
    return False


def _is_own(table: Mapping[str, Any], preset: Declared, where: str, faults: list[Fault]) -> bool:
    """Return whether all that `table` holds is the preset's own."""
    own = preset.as_table()
    other = [str(key) for key, value in table.items() if own.get(str(key)) != value]
    if other:
        problem = f"{table['purpose']!r} stands beside values of its own ({', '.join(other)})."
        faults.append(Fault(f"{where} purpose", problem, "State the purpose or the values, not both."))
    return not other


#: Keys of ``[procedure]`` that no document states.
_BESIDE = ("required", "roles", "metadata")


def _procedure(table: Any, where: str, faults: list[Fault]) -> Procedure | None:
    """Return the procedure that is asked for: a preset, or keys of its own."""
    if not isinstance(table, Mapping) or table.get("purpose") in (None, OPEN):
        return Procedure.from_table(table, where, faults)
    if not _is_preset(table["purpose"], PROCEDURES, where, faults):
        return None
    preset = Procedure.preset(table["purpose"])
    if not _is_own(_without(table, *_BESIDE), preset, where, faults):
        return None
    beside = {key: value for key, value in table.items() if key in _BESIDE}
    return Procedure.from_table({**preset.as_table(), **beside}, where, faults)


def _values(
    table: Mapping[str, Any], columns: Mapping[str, Any], where: str, faults: list[Fault]
) -> dict[str, dict[str, str]]:
    found: dict[str, dict[str, str]] = {}
    for name, words in table.items():
        here = f"{where}.{name}]"
        if name not in TEXT_COLUMNS:
            faults.append(Fault(here, "is not a column with words.", f"These are: {', '.join(TEXT_COLUMNS)}."))
        elif name not in columns:
            faults.append(Fault(here, f"there is no column {name!r}.", f'Add {name} = "..." under [input.columns].'))
        elif not isinstance(words, Mapping):
            faults.append(Fault(here, "must be a table: the file's words = ours."))
        else:
            found[name] = _words(name, words, here, faults)
    return found


def _words(name: str, words: Mapping[Any, Any], where: str, faults: list[Fault]) -> dict[str, str]:
    for word, ours in words.items():
        allowed = f"one of {', '.join(WORDS[name])}" if name in WORDS else "text"
        if ours == OPEN:
            faults.append(Fault(f"{where} {word!r:.60}", "must be stated.", f"Write {allowed}."))
        elif not isinstance(ours, str) or (name in WORDS and ours not in WORDS[name]):
            hint = near(ours, WORDS.get(name, ()))
            faults.append(Fault(f"{where} {word!r:.60}", f"{ours!r:.60} is not {allowed}.{hint}"))
    return {str(word): ours for word, ours in words.items() if isinstance(ours, str)}


#: What a role accepts: of a closure, and of an error. None where the recipe's own is at fault.
Limits = tuple[Tolerance | None, Requirement | None]


def _roles(
    tables: Mapping[str, Mapping[str, Any]], whole: Mapping[str, Any], limits: Limits, where: str, faults: list[Fault]
) -> dict[str, Role]:
    """Return the rules of each role, and of points without a fixed solution where ``float`` tables are stated.

    A role's own ``float`` tables go first, then the whole job's, then what the role has for fixed solutions.
    """
    roles: dict[str, Role] = {}
    tolerance, requirement = limits
    of_all = _floats(whole, limits, f"{where}: [", faults)
    if of_all and of_all[0] and of_all[1]:
        roles[unfixed(None)] = Role(tolerance=of_all[0], requirement=of_all[1])
    for name, table in tables.items():
        here = f"{where}: [roles.{name}"
        own_tolerance, own_requirement = limits
        if given := _without(table.get("tolerance"), FLOAT):
            own_tolerance = _tolerance(given, f"{here}.tolerance]", faults, tolerance)
        if given := _without(table.get("requirement"), FLOAT):
            own_requirement = _requirement(given, f"{here}.requirement]", faults, requirement)
        # Stand-ins where the whole job's are at fault, so that the role's own keys are checked all the same.
        more = {
            "tolerance": own_tolerance or next(iter(PRESETS.values())),
            "requirement": own_requirement or Requirement(),
        }
        role = Role.from_table(_without(table, "tolerance", "requirement"), f"{here}]", faults, **more)
        if not role or not own_tolerance or not own_requirement:
            continue
        roles[name] = role
        own = _floats(table, of_all or (own_tolerance, own_requirement), f"{here}.", faults) or of_all
        if own and own[0] and own[1]:
            roles[unfixed(name)] = replace(role, tolerance=own[0], requirement=own[1])
    return roles


def _floats(table: Mapping[str, Any], above: Limits, where: str, faults: list[Fault]) -> Limits | None:
    """Return what the ``float`` tables of tolerance and requirement state, over `above`; None where there is none."""
    own = [one.get(FLOAT) if isinstance(one, Mapping) else None for one in map(table.get, ("tolerance", "requirement"))]
    if own == [None, None]:
        return None
    tolerance, requirement = above
    if own[0] is not None:
        tolerance = _tolerance(own[0], f"{where}tolerance.{FLOAT}]", faults, tolerance)
    if own[1] is not None:
        requirement = _requirement(own[1], f"{where}requirement.{FLOAT}]", faults, requirement)
    return tolerance, requirement
