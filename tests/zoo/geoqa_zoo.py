# ruff: noqa: E501, RUF009, PD011
"""Steps that each make one mistake: `MEMBERS` says of each what it is, and a word of the reason it is left out for."""

from __future__ import annotations

import decimal
import os
import warnings
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from geoqa import Analysis, Drawing, Figure, MapLayer, Plot, Reader, ReadResult, Result, Style, Writer, param

#: By the group of the entry point: name of the step to why it is left out; None where it is not.
MEMBERS: dict[str, dict[str, str | None]] = {kind: {} for kind in ("analysis", "layers", "plots", "readers", "writers")}
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><g/></svg>'
STYLE = Style("odd", "odd", "ring", "#355c7d", "Odd", "#9ec5e8")
KEPT: dict[str, pd.DataFrame] = {}


class Mute(BaseException):
    """An error whose message cannot be had."""

    def __str__(self) -> str:
        raise RuntimeError("no words")


class Worse:
    """A value that breaks whoever reads it."""

    def __str__(self) -> str:
        raise RuntimeError("unreadable")

    __repr__ = __str__


class Odd(pd.DataFrame):
    """A frame that cannot be copied."""

    def copy(self, deep=True):
        raise RuntimeError("not copied")


def throw(error):
    raise error


def put(kind, name, why, base, /, **body):
    """Add a step to the zoo under its name."""
    made = type(
        name.replace("-", "_"), (base,), {"__doc__": f"Be {name}.", "name": name, "__module__": __name__} | body
    )
    globals()[name.replace("-", "_")] = dataclass(frozen=True, kw_only=True)(made)
    MEMBERS[kind][name] = why


def step(name, why, work, /, needs=("points", "points.deliver"), gives=None, **body):
    gives = (f"points.{name.replace('-', '_')}",) if gives is None else gives
    put(
        "analysis",
        name,
        why,
        Analysis,
        needs=needs,
        gives=gives,
        run=lambda self, frames, job: work(frames, job),
        **body,
    )


def good(name, frames, value=True):
    return Result({"points": frames["points"][["point"]].assign(**{name.replace("-", "_"): value})})


def own(name, columns, n=2):
    return Result({name: pd.DataFrame(columns, index=range(n))})


# Declarations.
for name, why, body in (
    ("needs-text", "its needs is 'points'", {"needs": "points"}),
    ("needs-list", "its needs is ['points']", {"needs": ["points"]}),
    ("needs-numbers", "its needs is (1,)", {"needs": (1,)}),
    ("gives-none", "its gives is None", {"gives": None}),
    ("uses-worse", "unreadable", {"uses": Worse()}),
    ("address-deep", "no address", {"needs": ("a.b.c",)}),
    ("address-reserved", "no address", {"gives": ("gpkg_contents",)}),
    ("address-hostile", "no address", {"gives": ('x"; drop table points; --',)}),
    ("gives-twice", "twice", {"gives": ("moss", "moss")}),
    ("gives-owned", "would have two owners", {"gives": ("points.deliver",)}),
    ("gives-read", "would have two owners", {"gives": ("occupations",)}),
    ("needs-unknown", "which no step gives", {"needs": ("weather",)}),
    ("needs-own", "round in a circle", {"needs": ("mirror",), "gives": ("mirror",)}),
    ("name-number", "calls itself 5", {"name": 5}),
    ("name-property", "calls itself", {"name": property(lambda self: "name-property")}),
    ("doc-number", "no docstring", {"__doc__": 5}),
    ("doc-blank", "no docstring", {"__doc__": "  \n "}),
    ("run-number", "its run is no method", {"run": 5}),
    ("run-missing", "it lacks run", {}),
    ("api-text", "step API", {"api": "1"}),
    ("api-worse", "unreadable", {"api": Worse()}),
    ("post-init-ends", "SystemExit: 3", {"__post_init__": lambda self: throw(SystemExit(3))}),
    ("post-init-mute", "cannot be read", {"__post_init__": lambda self: throw(Mute())}),
    ("parameters-raise", "ZeroDivisionError", {"__post_init__": lambda self: 1 / 0}),
):  # fmt: skip
    runs = {} if name == "run-missing" else {"run": lambda self, frames, job: Result({})}
    put(
        "analysis",
        name,
        why,
        Analysis,
        **({"needs": ("points",), "gives": ("z_" + name.replace("-", "_"),)} | runs | body),
    )


@dataclass(frozen=True, kw_only=True)
class DictParameter(Analysis):
    """Have a parameter of a kind no recipe holds."""

    name = "parameter-dict"
    gives = ("z_dict",)
    table: dict = param(None, help="A table")

    def run(self, frames, job):
        return Result({})


@dataclass(frozen=True, kw_only=True)
class Unrecorded(Analysis):
    """Change a parameter into what cannot be recorded."""

    name = "parameter-unrecorded"
    gives = ("z_unrecorded",)
    width_m: float = param(1.0, unit="m", help="Width")

    def __post_init__(self):
        object.__setattr__(self, "width_m", object())

    def run(self, frames, job):
        return Result({})


@dataclass(frozen=True, kw_only=True)
class PlainField(Analysis):
    """Have a field that is not declared."""

    name = "field-without-default"
    gives = ("z_field",)
    width: list = field()

    def run(self, frames, job):
        return Result({})


class Undeclared(Analysis):
    """Be no dataclass."""

    name = "undecorated"
    gives = ("z_undecorated",)
    width_m: float = param(1.0, unit="m", help="Width")

    def run(self, frames, job):
        return Result({})


an_instance = globals()["run_number"]()
a_number = 3
MEMBERS["analysis"] |= {
    "parameter-dict": "no kind that a recipe holds", "parameter-unrecorded": "not JSON serializable",
    "field-without-default": "TypeError", "undecorated": "not declared", "an-instance": "is not a Analysis",
    "a-number": "is not a Analysis", "not-there": "AttributeError",
}  # fmt: skip
POINTS = {
    "parameter-dict": "DictParameter", "parameter-unrecorded": "Unrecorded", "field-without-default": "PlainField",
    "undecorated": "Undeclared", "an-instance": "an_instance", "a-number": "a_number", "not-there": "nowhere",
}  # fmt: skip

# Runs that fail, or return what they did not declare.
for name, why, work in (
    ("run-raises", "ZeroDivisionError", lambda f, j: 1 / 0),
    ("run-ends", "SystemExit: 0", lambda f, j: throw(SystemExit(0))),
    ("run-base", "BaseException: bare", lambda f, j: throw(BaseException("bare"))),
    ("run-generator", "GeneratorExit", lambda f, j: throw(GeneratorExit())),
    ("run-mute", "cannot be read", lambda f, j: throw(Mute())),
    ("run-memory", "MemoryError", lambda f, j: throw(MemoryError())),
    ("run-deep", "RecursionError", lambda f, j: (lambda g: g(g))(lambda g: g(g))),
    ("run-warning", "UserWarning", lambda f, j: (warnings.simplefilter("error"), warnings.warn("w", stacklevel=1))),
    ("error-long", "x…", lambda f, j: throw(ValueError("x" * 10_000_000))),
    ("error-lines", "ValueError: a b c", lambda f, j: throw(ValueError("a\n\n  b\r\x0bc"))),
    ("error-bytes", "b'\\xff'", lambda f, j: throw(ValueError(b"\xff", {1: 2}))),
    ("error-half", "half ? sign", lambda f, j: throw(ValueError("half \ud800 sign"))),
    ("gives-nothing", "must return a Result", lambda f, j: None),
    ("gives-mapping", "must return a Result", lambda f, j: {"points": f["points"]}),
    ("gives-sequence", "must return frames by name", lambda f, j: Result([f["points"]])),
    ("gives-lists", "must be a data frame", lambda f, j: Result({"points": [1, 2]})),
    ("gives-worse", "must be a data frame", lambda f, j: Result({"points": Worse()})),
    ("gives-no-column", "is missing", lambda f, j: Result({"points": f["points"][["point"]]})),
    ("gives-no-key", "is missing", lambda f, j: Result({"points": pd.DataFrame({"gives_no_key": [1]})})),
    ("gives-other", "does not declare", lambda f, j: Result({"points": f["points"][["point", "deliver"]].assign(gives_other=1)})),
    ("gives-another", "declares", lambda f, j: Result({**good("gives-another", f).frames, "closures": f["points"]})),
    ("gives-fewer", "keys are missing", lambda f, j: Result({"points": good("gives-fewer", f).frames["points"].iloc[:1]})),
    ("gives-double", "stand twice", lambda f, j: Result({"points": pd.concat([good("gives-double", f).frames["points"]] * 2)})),
    ("gives-numbers", "must hold text", lambda f, j: Result({"points": pd.DataFrame({"point": [1, 2, 3], "gives_numbers": 1})})),
    ("gives-uncopied", "not copied", lambda f, j: Result({"points": Odd(good("gives-uncopied", f).frames["points"])})),
    ("messages-text", "must be a tuple of texts", lambda f, j: Result(good("messages-text", f).frames, "abc")),
    ("messages-numbers", "must be a tuple of texts", lambda f, j: Result(good("messages-numbers", f).frames, (1, 2))),
    ("messages-none", "must be a tuple of texts", lambda f, j: Result(good("messages-none", f).frames, None)),
    ("messages-bytes", "must be a tuple of texts", lambda f, j: Result(good("messages-bytes", f).frames, (b"a",))),
    ("messages-long", None, lambda f, j: Result(good("messages-long", f).frames, ("y" * 10_000_000,))),
    ("messages-lines", None, lambda f, j: Result(good("messages-lines", f).frames, ("one\n\n\ttwo\x1b[31m\u2028three",))),
    ("messages-many", None, lambda f, j: Result(good("messages-many", f).frames, ("again",) * 100_000)),
):  # fmt: skip
    step(name, why, work)
for name, why, columns in (
    ("cells-dict", "cells_dict.a holds object", {"a": [{}, {}]}),
    ("cells-list", "cells_list.a holds object", {"a": [[1], [2]]}),
    ("cells-mixed", "cells_mixed.a holds object", {"a": [1, "b"]}),
    ("cells-worse", "cells_worse.a holds object", {"a": [Worse(), Worse()]}),
    ("cells-complex", "holds complex128", {"a": [1j, 2j]}),
    ("cells-span", "holds timedelta64", {"a": pd.to_timedelta([1, 2], unit="s")}),
    ("cells-period", "holds period", {"a": pd.period_range("2026-01", periods=2, freq="M")}),
    ("column-number", "no name of a column", {5: [1, 2]}),
    ("column-lines", "no name of a column", {"a\nb": [1, 2]}),
    ("column-empty", "no name of a column", {"": [1, 2]}),
    ("column-many", "5,000 columns", {f"c{k}": 1 for k in range(5_000)}),
):  # fmt: skip
    frame = name.replace("-", "_")
    step(name, why, lambda f, j, frame=frame, columns=columns: own(frame, columns), gives=(frame,))
step(
    "columns-double",
    "stands twice",
    lambda f, j: Result({"columns_double": pd.DataFrame([[1, 2]], columns=["a", "a"])}),
    gives=("columns_double",),
)
step("columns-deep", "no name of a column", lambda f, j: Result({"columns_deep": pd.DataFrame([[1, 2]], columns=pd.MultiIndex.from_tuples([("a", "b"), ("a", "c")]))}), gives=("columns_deep",))  # fmt: skip


# Runs that write into what they were shown, or change what stands around them; these are no failures.
def open_buffer(array):
    array.flags.writeable = True
    return array


def deliver_all(frames, job):
    """Make every point deliverable in the buffer that is shown."""
    shown = frames["points"]["deliver"].array
    open_buffer(shown._ndarray)[:] = list(shown.categories).index("yes")
    return good("writes-codes", frames)


def reword(frames, job):
    words = frames["points"]["deliver"].array.categories
    open_buffer(np.asarray(words.array._ndarray if hasattr(words.array, "_ndarray") else words.array))[:] = "yes"
    return good("writes-words", frames)


def move(frames, job):
    for column in ("worst_horizontal_m", "worst_vertical_m"):
        open_buffer(frames["points"][column].array._ndarray)[:] = 0.0
    return good("writes-numbers", frames)


def columns(frames, job):
    frames["points"]["deliver"] = "yes"
    frames["points"].index = frames["points"].index[::-1]
    frames["points"].pop("point")
    return Result({})


def loosen(frames, job):
    for table in (job.steps, job.columns, job.values, job.roles):
        table.clear()
    object.__setattr__(job.requirement, "horizontal_m", 99.0)
    return good("writes-job", frames)


def keep(frames, job):
    KEPT["frame"] = good("writes-later", frames, 1.0).frames["points"]
    return Result({"points": KEPT["frame"]})


def overwrite(frames, job):
    KEPT["frame"].loc[:, "writes_later"] = -1.0
    open_buffer(KEPT["frame"]["writes_later"].array._ndarray)[:] = -1.0
    return good("writes-much-later", frames)


def meddle(frames, job):
    """Change the folder, how faults of arithmetic are treated, and which warnings are shown."""
    os.chdir(Path(__file__).parent)
    np.seterr(all="raise")
    decimal.getcontext().prec = 2
    warnings.simplefilter("error")
    return good("meddles", frames)


step("writes-codes", None, deliver_all)
step("writes-words", None, reword)
step("writes-numbers", None, move)
step("writes-columns", "declares", columns)
step("writes-job", None, loosen)
step("writes-later", None, keep)
step("writes-much-later", None, overwrite, needs=("points", "points.writes_later"))
step("meddles", None, meddle)


# Map layers.
def drawing(**more):
    columns = {"lon_deg": [175.0], "lat_deg": [-40.0], "style": ["odd"], "label": ["x"]} | more.pop("columns", {})
    return Drawing("symbols", "Odd", columns, (STYLE,), about="Odd.", **more)


for name, why, draw in (
    ("layer-raises", "ZeroDivisionError", lambda s, f, j: 1 / 0),
    ("layer-ends", "SystemExit", lambda s, f, j: throw(SystemExit(1))),
    ("layer-text", "must return a tuple of geoqa.Drawing", lambda s, f, j: "<b>"),
    ("layer-none", "must return a tuple of geoqa.Drawing", lambda s, f, j: None),
    ("layer-worse", "unreadable", lambda s, f, j: (drawing(columns={"label": [Worse()]}),)),
    ("layer-sites", "only one may", lambda s, f, j: (drawing(points=True),)),
    ("layer-stranger", "which the site has not", lambda s, f, j: (Drawing("symbols", "Odd", {"point": ["nobody"], "style": ["odd"]}, (STYLE,)),)),
    ("layer-title", "unreadable", lambda s, f, j: (Drawing("symbols", Worse(), drawing().columns, (STYLE,)),)),
    ("layer-shown", "not JSON", lambda s, f, j: (drawing(shown=object()),)),
    ("layer-writes", None, lambda s, f, j: (move(f, j), drawing())[1:]),
    ("layer-good", None, lambda s, f, j: (drawing(),)),
):  # fmt: skip
    put("layers", name, why, MapLayer, needs=("points",), draw=draw)


# Plots.
def figure(name, svg=SVG, title="Odd"):
    return Figure(name, title, svg, "Odd.", "Odd.")


for name, why, draw in (
    ("raises-plot", "ZeroDivisionError", lambda s, f, j: 1 / 0),
    ("ends-plot", "SystemExit", lambda s, f, j: throw(SystemExit(1))),
    ("text-plot", "must return a tuple of geoqa.Figure", lambda s, f, j: SVG),
    ("script-plot", "element 'script'", lambda s, f, j: (figure("script", SVG.replace("<g/>", "<script/>")),)),
    ("title-plot", "AttributeError", lambda s, f, j: (figure("title", title=5),)),
    ("taken-plot", "is taken", lambda s, f, j: (figure("same"), figure("SAME"))),
    ("broken-plot", None, lambda s, f, j: (figure("broken", SVG.replace("<g/>", '<path d="nonsense"/>')),)),
    ("writes-plot", None, lambda s, f, j: (move(f, j), figure("writes"))[1:]),
):  # fmt: skip
    put("plots", name, why, Plot, needs=("points",), draw=draw)

# Readers; each is asked of every file.
for name, why, sniff in (
    ("sniff-raises", "ZeroDivisionError", classmethod(lambda c, p, h: 1 / 0)),
    ("sniff-ends", "SystemExit", classmethod(lambda c, p, h: throw(SystemExit(1)))),
    ("sniff-text", "must return a number", classmethod(lambda c, p, h: "1")),
    ("sniff-yes", "must return a number", classmethod(lambda c, p, h: True)),
    ("sniff-none", "must return a number", classmethod(lambda c, p, h: None)),
    ("sniff-nan", "must return a number", classmethod(lambda c, p, h: float("nan"))),
    ("sniff-two", "must return a number", classmethod(lambda c, p, h: 2.0)),
    ("sniff-number", "its sniff is no method", 5),
    ("sniff-plain", "TypeError", lambda self, path, head: 1.0),
):  # fmt: skip
    put("readers", name, why, Reader, sniff=sniff, read=lambda self, path, job: None)
put("readers", "suffixes-text", "its suffixes is '.csv'", Reader, suffixes=".csv", read=lambda self, path, job: None)
put("readers", "suffixes-numbers", "its suffixes is (1,)", Reader, suffixes=(1,), read=lambda self, path, job: None)
SURE = classmethod(lambda c, p, h: 1.0)
for name, why, read in (
    ("read-raises", "ZeroDivisionError", lambda s, p, j: 1 / 0),
    ("read-ends", "SystemExit", lambda s, p, j: throw(SystemExit(1))),
    ("read-none", "must return a ReadResult", lambda s, p, j: None),
    ("read-frames", "must return frames by name", lambda s, p, j: ReadResult(None, {})),
    ("read-accounts", "TypeError", lambda s, p, j: ReadResult({}, {"rows": 3})),
    ("read-nothing", "gave no frame", lambda s, p, j: ReadResult({}, {})),
    ("read-messages", "must be a tuple of texts", lambda s, p, j: ReadResult({}, {}, (5,))),
):  # fmt: skip
    put("readers", name, why, Reader, sniff=SURE, read=read)

# Writers.
for name, why, suffix, write in (
    ("raises-file", "ZeroDivisionError", ".r1", lambda s, path, points, job: 1 / 0),
    ("ends-file", "SystemExit", ".r2", lambda s, path, points, job: throw(SystemExit(1))),
    ("nothing-file", "it did not write", ".r3", lambda s, path, points, job: None),
    ("link-file", "it did not write", ".r4", lambda s, path, points, job: path.symlink_to("/etc/hostname")),
    ("folder-file", "it did not write", ".r5", lambda s, path, points, job: path.mkdir()),
    ("absent-file", "FileNotFoundError", ".r6", lambda s, path, points, job: path.with_name("no").read_text()),
    ("aside-file", None, ".r7", lambda s, path, points, job: [one.write_text("mine") for one in (path, path.with_name("points.csv"))]),
    ("buffer-file", None, ".r8", lambda s, path, points, job: (points.easting.fill(0.0), path.write_text("done"))),
):  # fmt: skip
    put("writers", name, why, Writer, suffix=suffix, write=write)
for name, why, body in (
    ("suffix-list-file", "its suffix", {"suffix": [".x"]}),
    ("suffix-way-file", "its suffix", {"suffix": "./../../x.csv"}),
    ("library-file", "names of packages", {"suffix": ".x", "libraries": ("a..b",)}),
    ("place-file", "its place", {"suffix": ".x", "place": 7}),
):  # fmt: skip
    put("writers", name, why, Writer, write=lambda self, path, points, job: None, **body)
