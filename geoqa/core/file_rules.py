"""What the recipe says of single input files, and what becomes of it once all files are one site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from geoqa.core.errors import Fault, RecipeError

if TYPE_CHECKING:
    import pandas as pd

    from geoqa.core.job import Job

#: Tables a file may have of its own.
FILE_TABLES = ("input", "roles", "tolerance", "requirement")
#: Keys of ``[input]`` that hold for the whole site.
WHOLE_INPUT = ("files", "outside", "largest_megabytes")


@dataclass(frozen=True, kw_only=True)
class FileRule:
    """One ``[[file]]``: the path it holds for, and the complete job of such a file."""

    path: str
    job: Job

    def matches(self, path: PurePath) -> bool:
        """Return whether the rule holds for the file at `path`: matched from the right, as far as it is written."""
        return PurePath(path).match(self.path)

    def as_table(self, whole: Job) -> dict[str, Any]:
        """Return the rule in the recipe's own form, complete; what only the whole recipe has is ``false``."""
        own, rest = self.job.as_table(), replace(whole, files=()).as_table()
        table: dict[str, Any] = {"path": self.path} | {name: own[name] for name in FILE_TABLES}
        form = own["input"]
        for key in WHOLE_INPUT:
            form.pop(key, None)
            rest["input"].pop(key, None)
        for inner, outer in ((form, rest["input"]), (form["columns"], rest["input"]["columns"])):
            inner |= {key: False for key in outer if key not in inner}
        return table


def job_of(path: PurePath, job: Job) -> Job:
    """Return the job that holds for the file at `path`.

    Raises
    ------
    RecipeError
        If more than one ``[[file]]`` matches it.
    """
    found = [rule for rule in job.files if rule.matches(path)]
    if len(found) > 1:
        named = " and ".join(repr(rule.path) for rule in found)
        fault = Fault(f"[[file]] {named}", f"match {path.name}.", "Narrow the paths until one of them does.")
        raise RecipeError.from_faults("The recipe says two things of one file:", [fault])
    return found[0].job if found else job


def unused(paths: Sequence[PurePath], job: Job) -> list[str]:
    """Return a message for each rule that holds for none of the files."""
    return [
        f"[[file]] {rule.path!r} matches none of the input files: nothing of it was applied"
        for rule in job.files
        if not any(rule.matches(path) for path in paths)
    ]


def in_one_unit(job: Job, names: Sequence[str], found: Sequence[tuple[str, str] | None]) -> Job:
    """Return the job with the units that its files state, where the recipe states none.

    Parameters
    ----------
    names, found
        The files, and the units of coordinates and heights that each states; None where it states none.

    Raises
    ------
    RecipeError
        If two files state different ones.
    """
    stated = {units: name for name, units in zip(reversed(names), reversed(found), strict=True) if units}
    if job.unit_stated or not stated:
        return job
    if len(stated) > 1:
        shown = "; ".join(f"{name} in {' and '.join(dict.fromkeys(units))}" for units, name in stated.items())
        remedy = 'Add unit = "...", that of the results, and for each file in another [[file]] with its path and unit.'
        raise RecipeError.from_faults(
            "The files of the site do not count in one unit:",
            [Fault("[input] unit", f"must be stated: {shown}.", remedy)],
        )
    unit, up = next(iter(stated))
    form = replace(job.input, unit=unit, unit_height=job.input.unit_height or (None if up == unit else up))
    return replace(job, input=form, unit_stated=True)


def settled(
    frames: Sequence[pd.DataFrame], names: Sequence[str], jobs: Sequence[Job], job: Job
) -> tuple[list[pd.DataFrame], Job, list[str]]:
    """Return the files' rows so that one job judges them all, that job, and what people should know.

    A role that has other rules in one file becomes a role of its own, named after the role and the
    file's path in the recipe. Rows whose initialization is asserted are labelled here, file by file.
    """
    if not job.files:
        return list(frames), job, []
    path_of = {id(rule.job): rule.path for rule in job.files}
    kept, messages, whole = [], [], job
    for number, (frame, name, own) in enumerate(zip(frames, names, jobs, strict=True), 1):
        # A log shows its initializations itself.
        if own.input.initialization == "asserted" and frame["initialization"].isna().all():
            frame = frame.assign(initialization=_asserted(len(frame), number))
        if id(own) in path_of:
            frame, whole, renamed = _with_own_roles(frame, own, whole, job, path_of[id(own)])
            messages += [f"{name}: {text}" for text in (*renamed, *_said(own, job))]
        kept.append(frame)
    return kept, _told_to_files(whole), messages


def _told_to_files(job: Job) -> Job:
    """Return the job with its roles in every file's too, as the completed recipe will read."""
    files = [replace(r, job=replace(r.job, roles={**job.roles, **r.job.roles})) for r in job.files]
    return replace(job, files=tuple(files))


def _said(own: Job, job: Job) -> list[str]:
    if own.input.initialization == "asserted" and job.input.initialization != "asserted":
        return [f"that every row is a fresh initialization is asserted by {own.input.asserted_by}, not shown"]
    if own.input.initialization == "unknown" and job.input.initialization != "unknown":
        return ["initializations are unknown in this file"]
    return []


def _asserted(rows: int, number: int) -> pd.Categorical:
    import numpy as np
    import pandas as pd

    labels = [f"asserted {number}.{row}" for row in range(1, rows + 1)]
    return pd.Categorical.from_codes(np.arange(rows), categories=pd.Index(labels, dtype="str"))


def _with_own_roles(
    frame: pd.DataFrame, own: Job, whole: Job, job: Job, path: str
) -> tuple[pd.DataFrame, Job, list[str]]:
    """Return a file's rows under roles that hold its own rules, and the job with those roles."""
    import numpy as np
    import pandas as pd

    labels = frame["role"].astype("category").cat.remove_unused_categories()
    known = [str(word) for word in labels.cat.categories]
    names: list[str | None] = [*known, None]
    given, roles, told = [], dict(whole.roles), []
    for name in names:
        if own.role(name) == job.role(name) or (name is None and labels.notna().all()):
            given.append(name)
            continue
        new = f"{name} ({path})" if name else f"({path})"
        roles[new] = own.role(name)
        given.append(new)
        told.append(f"its rows {f'of role {name}' if name else 'without a role'} have rules of their own, as {new!r}")
    if not told:
        return frame, whole, []
    words = list(dict.fromkeys(word for word in given if word))
    index = np.array([words.index(word) if word else -1 for word in given])
    role = pd.Categorical.from_codes(index[labels.cat.codes.to_numpy()], categories=pd.Index(words, dtype="str"))
    return frame.assign(role=role), replace(whole, roles=roles), told
