"""Labels: when two are one, what they mean, and which text a spreadsheet would run as a formula.

A label that is written another way (capitals, width, invisible characters, leading zeros) would count as a fresh
initialization, and one fix as its own witness. Text that would run gets an apostrophe before its sign in a file, and
loses it on reading: a cell may be opened with another separator than it was written with, so what stands behind any
common one counts as a start too. What `inert` makes of a text, `as_read` turns back, whatever the text.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from geoqa.core.arrays import pd, recoded
from geoqa.core.errors import Fault, InputError
from geoqa.core.job import Job
from geoqa.core.recipe import wanted

#: The columns whose labels are evidence when they differ, and what people call them.
COLUMNS = {"initialization": "initializations", "base": "base set-ups"}
#: What is not drawn and is no format character by its Unicode category: fillers, selectors, a blank of Braille.
_BLANK = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]")
_WHOLE = re.compile(r"([+-]?\d+)[.,]0+")
_ZEROS = re.compile(r"(?<![\d.,])0+(?=\d)")


def normal(label: str) -> str:
    """Return a label without what only its appearance makes: labels with the same result are one.

    By Unicode's compatibility form (NFKC) and case folding, without invisible characters, outer and repeated white
    space and leading zeros; a whole number loses its ".0". What stands behind another decimal sign stays: 1.1 and
    1.10 may be two.
    """
    if label.isascii() and label.isprintable():  # the long way says the same of it
        text = " ".join(label.lower().split())
    else:
        text = unicodedata.normalize("NFKC", _BLANK.sub("", label))
        text = "".join(map(_plain, text))
        text = " ".join(unicodedata.normalize("NFKC", text.casefold()).split())
    if ("." in text or "," in text) and _WHOLE.fullmatch(text):
        text = _WHOLE.sub(r"\1", text)
    return _ZEROS.sub("", text) if "0" in text else text


def _plain(character: str) -> str:
    """Return a character as it counts: none for an invisible one, one dash and one set of digits for all."""
    kind = unicodedata.category(character)
    if kind == "Pd" or character == "\u2212":
        return "-"
    if kind == "Nd":
        return str(unicodedata.digit(character))
    return character if character.isspace() or kind not in ("Cf", "Cc", "Cs", "Co", "Cn") else ""


def united(frames: Sequence[pd.DataFrame], exact: Sequence[bool]) -> tuple[list[pd.DataFrame], list[str]]:
    """Return the files' rows with one spelling for each label, the commonest, and what people should know of it.

    Parameters
    ----------
    frames
        Occupations, a file each.
    exact
        Whether a file's labels are taken as they stand.
    """
    kept, said = list(frames), []
    for column, called in COLUMNS.items():
        counts: dict[str, int] = {}
        for frame, as_it_is in zip(kept, exact, strict=True):
            if column in frame and not as_it_is:
                for label, n in frame[column].astype("str").dropna().value_counts().items():
                    counts[str(label)] = counts.get(str(label), 0) + int(n)
        found: dict[str, list[str]] = {}
        for label in counts:
            found.setdefault(normal(label), []).append(label)
        several = {word: ways for word, ways in found.items() if len(ways) > 1 or not word}
        if not several:
            continue
        # The commonest spelling, of equally common ones the first of the alphabet.
        best = {word: min(ways, key=lambda w: (-counts[w], w)) if word else None for word, ways in several.items()}
        changed = {label: best[word] for word, ways in several.items() for label in ways}
        kept = [
            frame if as_it_is or column not in frame else frame.assign(**{column: _renamed(frame[column], changed)})
            for frame, as_it_is in zip(kept, exact, strict=True)
        ]
        said.append(_united_labels_text(list(several.values()), called))
    return kept, said


def _renamed(values: pd.Series, changed: dict[str, str | None]) -> pd.Categorical:
    labels = values.astype("category").cat
    new = [changed.get(str(label), str(label)) for label in labels.categories]
    return recoded(labels.codes.to_numpy(), [*new, None])


def _united_labels_text(groups: Sequence[Sequence[str]], called: str, most: int = 5) -> str:
    shown = [" = ".join(f'"{_visible(label)}"' for label in sorted(ways)) for ways in groups[:most]]
    more = f" and {len(groups) - most} more" if len(groups) > most else ""
    return (
        f"{called} that are written in several ways are one each: {'; '.join(shown)}{more}. If they are several, "
        "add exact_labels = true under [input]"
    )


def _visible(label: str) -> str:
    """Return a label with its invisible characters by their number."""
    return "".join(
        character if character.isprintable() and not _BLANK.match(character) else f"<U+{ord(character):04X}>"
        for character in label
    )


#: More labels than this are none: each canopy class is calibrated, and each set-up of a base compared with the others.
MOST = {"canopy": 200, "role": 200, "base": 10_000}
_WHAT = {"canopy": "canopy classes", "role": "roles", "base": "base set-ups"}
#: What people call a row of this method or origin.
_CALLED = {"staking": "staked", "offset": "by offset", "intersection": "by intersection", "traverse": "by traverse"}


def no_direct_measurements(occupations: pd.DataFrame) -> tuple[str, ...]:
    """Return one message that counts the rows which form no pairs by what they are; none without any."""
    origin, method = (occupations[name].astype("category") for name in ("origin", "method"))
    counts = {word: int(n) for word, n in origin.value_counts().items() if n and word != "measured"}
    measured = origin == "measured"
    counts |= {word: int(n) for word, n in method[measured].value_counts().items() if n and word != "direct"}
    if not counts:
        return ()
    listed = ", ".join(f"{n} {_CALLED.get(str(word), word)}" for word, n in counts.items())
    rows = sum(counts.values())
    if rows == 1:
        return (f"1 row is no direct measurement, is kept as what it is and forms no pairs: {listed}",)
    return (f"{rows} rows are no direct measurement, are kept as what they are and form no pairs: {listed}",)


def refuse_many(occupations: pd.DataFrame, job: Job) -> None:
    """Raise InputError, with every such column, where a column gives more different labels than there can be."""
    faults = []
    for name, most in MOST.items():
        found = occupations[name].astype("category").cat.remove_unused_categories().cat.categories
        if len(found) <= most:
            continue
        heading = wanted(job.columns).get(name)
        shown = ", ".join(repr(str(label)[:30]) for label in found[:3])
        where = f"[input.columns] {name}" + ("" if heading is None else f" = {heading!r}")
        values = f"input.values.{name}"
        if name == "canopy" and job.canopy.areas and heading is None:
            where, values = f"[canopy] column = {job.canopy.column!r}", "canopy.values"
        problem = (
            f"gives {len(found):,} different {_WHAT[name]} ({shown}, ...), and at most {most:,} are taken for that:"
        )
        remedy = (
            "it is probably another column. Map the one that is meant, give its words a common one under "
            f"[{values}], or take the line away."
        )
        faults.append(Fault(where, problem, remedy))
    if faults:
        raise InputError.from_faults("Columns hold something else than the recipe says:", faults)


# The full-width forms run as well. A quote may stand between: it opens the cell that another separator makes.
_SIGNS = "[=+\\-@＝＋－＠]"
BARE = re.compile(f"(^|[,;\t|\r\n]\"*)('*{_SIGNS})")
_SHIELDED = re.compile(f"(^|[,;\t|\r\n]\"*)'('*{_SIGNS})")
BLANK_BEFORE = re.compile("'*[\t\r\n]")
NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


def inert(text: str) -> str:
    """Return `text` for a cell of a file: an apostrophe before every sign that could start a formula.

    A plain number stays as it is.
    """
    if NUMBER.fullmatch(text):
        return text
    return "'" * bool(BLANK_BEFORE.match(text)) + BARE.sub(r"\1'\2", text)


def as_read(cell: str) -> str:
    """Return the text that `inert` was given; text without such an apostrophe stays as it is."""
    if cell.startswith("'") and BLANK_BEFORE.match(cell):
        cell = cell[1:]
    return _SHIELDED.sub(r"\1\2", cell)
