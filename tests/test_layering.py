"""The structure of the package, read from its syntax trees; every test names all faults at once."""

from __future__ import annotations

import ast
import functools
import subprocess
import sys
from pathlib import Path

import pytest

import geoqa
from geoqa import plugins

ROOT = Path(geoqa.__file__).parent

#: Rooms, and modules that stand in none, from the ground up. Each imports lower floors and its own room alone.
FLOORS = (
    ("core",),
    ("core.statistics",),
    ("core.frames",),
    ("core.site",),
    ("readers.text", "analysis.occupations", "outputs", "demo", "plugins"),
    ("readers.recipe", "analysis.precision", "outputs.deliver", "outputs.layers", "outputs.plots", "pipeline"),
    (
        "readers.tables",
        "analysis.closures",
        "analysis.observing_time",
        "outputs.map",
        "outputs.field",
        "outputs.report",
    ),
    ("readers", "analysis.points"),
    ("readers.nmea", "analysis.revisits", "analysis.shifts"),
    ("analysis", "analysis.control"),
    ("analysis.standards", "analysis.zones"),
    ("reviews", "testing", "methods"),
    ("commands",),
    ("cli", "__init__"),
    ("__main__",),
)
FLOOR = {room: k for k, floor in enumerate(FLOORS) for room in floor}
#: Wings that see `core` and themselves alone, whatever stands below them.
WINGS = {"core", "readers", "analysis", "outputs", "demo"}
HEAVY = {
    "numpy", "pandas", "geopandas", "pyarrow", "shapely", "pyproj", "pyogrio", "scipy", "folium", "branca",
    "matplotlib", "ezdxf", "xlsxwriter",
}  # fmt: skip
#: What the package may hold: a room is for 500 lines or more, what is smaller is a module of the room above.
MOST = {"modules": 200, "rooms": 30, "modules in a room": 15, "lines of a module": 800}


def sources():
    """Return the text of every module by its dotted name without `geoqa`; a room's own is `room.__init__`."""
    paths = sorted(ROOT.rglob("*.py"))
    return {".".join(p.relative_to(ROOT).with_suffix("").parts): p.read_text(encoding="utf-8") for p in paths}


tree_of = functools.cache(ast.parse)


@functools.cache
def taken_from_geoqa(text):
    """Return the dotted names that a text imports of geoqa: each with what is taken from it, if anything."""
    found = []
    for node in ast.walk(tree_of(text)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "geoqa":
            found += [(node.module, alias.name) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [(alias.name, None) for alias in node.names if alias.name.split(".")[0] == "geoqa"]
    return found


class House:
    """Modules, what they import of each other, and the room of each."""

    def __init__(self, texts):
        self.texts = texts
        self.trees = {name: tree_of(text) for name, text in texts.items()}
        self.imports = {name: self.imported(text) - {name} for name, text in texts.items()}

    def imported(self, text):
        """Return the modules that a text imports."""
        return {self._module(f"{base}.{taken}") or self._module(base) for base, taken in taken_from_geoqa(text)}

    def _module(self, dotted):
        name = dotted.removeprefix("geoqa").removeprefix(".")
        return next((n for n in (name, f"{name}.__init__".removeprefix(".")) if n in self.texts), None)

    def room(self, name):
        return name.rpartition(".")[0] or name

    def arrows(self):
        """Return the faults of the imports: no floor, an arrow up or aside, another wing, a foreign kernel."""
        faults = [f"{name} has no floor" for name in self.texts if self.room(name) not in FLOOR]
        for name, others in self.imports.items():
            for other in others:
                here, there = self.room(name), self.room(other)
                if here == there or here not in FLOOR or there not in FLOOR:
                    continue
                wings = here.split(".")[0], there.split(".")[0]
                if FLOOR[there] >= FLOOR[here]:
                    faults.append(f"{name} imports {other}, which stands no lower")
                elif wings[0] in WINGS and wings[1] not in {wings[0], "core"}:
                    faults.append(f"{name} imports {other} of another wing")
                elif other.rpartition(".")[2].startswith("_") and not other.endswith("__init__"):
                    faults.append(f"{name} imports {other}, a kernel of another room")
        return sorted(faults)

    def circles(self):
        """Return the modules that can be reached from themselves, types and imports inside functions included."""
        reach = {name: set(others) for name, others in self.imports.items()}
        for middle in reach:
            for name in reach:
                if middle in reach[name]:
                    reach[name] |= reach[middle]
        return sorted(name for name in reach if name in reach[name])


HOUSE = House(sources())


def test_every_import_points_down():
    assert HOUSE.arrows() == []


def test_no_module_is_reached_from_itself():
    assert HOUSE.circles() == []


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("core.units", "def f():\n    from geoqa.readers import recipe"),
        ("core.units", "import geoqa.pipeline"),
        ("core.units", "from geoqa import Job"),
        ("readers.vector", "from geoqa.analysis.closures.agreement import Positions"),
        ("analysis.closures.closures", "if TYPE_CHECKING:\n    from geoqa.outputs import text"),
        ("analysis.closures.closures", "from geoqa.analysis import points\nfrom geoqa.analysis.points import risk"),
        ("analysis.zones.zones", "from geoqa.analysis.shifts import _search"),
        ("plugins", "from geoqa.reviews.review import review"),
        ("analysis.somewhere.new", ""),
    ],
)
def test_a_wrong_arrow_is_seen(name, source):
    assert House(HOUSE.texts | {name: source}).arrows() != []


def test_a_right_arrow_and_a_circle_are_told_apart():
    right = "from geoqa.core.frames import schema\nimport geoqa.core.errors\nfrom geoqa.readers.tables import numbers"
    assert House(HOUSE.texts | {"readers.vector": right}).arrows() == []
    lazy = "def f():\n    from geoqa.core import job"
    assert House(HOUSE.texts | {"core.units": lazy}).circles() != []


def test_rooms_and_modules_keep_the_measure():
    modules = [name for name in HOUSE.texts if not name.endswith("__init__")]
    rooms = {}
    for name in modules:
        if "." in name:
            rooms.setdefault(HOUSE.room(name), []).append(name)
    lines = {name: len(text.splitlines()) for name, text in HOUSE.texts.items()}
    size = {room: sum(lines[n] for n in [*held, f"{room}.__init__"]) for room, held in rooms.items()}
    faults = [f"{len(modules)} modules, at most {MOST['modules']}: join two of one topic"] * (
        len(modules) > MOST["modules"]
    )
    faults += [f"{len(rooms)} rooms"] * (len(rooms) > MOST["rooms"])
    most = MOST["modules in a room"]
    faults += [f"{room} holds {len(held)} modules" for room, held in rooms.items() if len(held) > most]
    faults += [f"{room} holds {n} lines" for room, n in size.items() if n < 500]
    faults += [f"{name} has {n} lines" for name, n in lines.items() if n > MOST["lines of a module"]]
    faults += [
        f"{room} says too little of itself"
        for room in rooms
        if len((ast.get_docstring(HOUSE.trees[f"{room}.__init__"]) or "").split()) < 12
    ]
    drawers = {"utils", "util", "helpers", "common", "misc"}
    faults += [f"{name} is a drawer" for name in HOUSE.texts if drawers & set(name.split("."))]
    assert faults == []


#: Modules of several steps that are called as what the steps have in common.
COMMON = {"canopy", "geometry", "history"}


def test_a_step_lives_in_a_module_of_its_name():
    steps = {}
    for name, entry in plugins.catalogue().entries["geoqa.analysis"].items():
        if entry.distribution == plugins.OWN:
            steps.setdefault(entry.load().__module__.rpartition(".")[2], set()).add(name)
    assert {m for m, names in steps.items() if m.replace("_", "-") not in names} == COMMON


def at_the_top(house, name):
    """Return the packages that are imported with a module, through whatever it imports at its top."""
    found, todo, seen = set(), [name], set()
    while todo:
        name = todo.pop()
        if name in seen:
            continue
        seen.add(name)
        nodes = [n for n in house.trees[name].body if isinstance(n, (ast.Import, ast.ImportFrom))]
        found |= {package for node in nodes for package in packages(node)}
        todo += house.imported("\n".join(map(ast.unparse, nodes)))
    return found


def packages(node):
    names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
    return [name.split(".")[0] for name in names]


def holds_a_step(tree):
    bases = {
        ast.unparse(base).split(".")[-1] for n in ast.walk(tree) if isinstance(n, ast.ClassDef) for base in n.bases
    }
    return bool(bases & {"Analysis", "Reader", "MapLayer", "Plot", "Writer"})


def test_modules_import_what_they_may_and_steps_load_light():
    faults = []
    for name, tree in HOUSE.trees.items():
        nodes = [n for n in ast.walk(tree) if isinstance(n, (ast.Import, ast.ImportFrom))]
        faults += [f"{name}:{n.lineno} is relative" for n in nodes if isinstance(n, ast.ImportFrom) and n.level]
        if not name.startswith("outputs."):
            found = {p for n in nodes for p in packages(n)} & {"folium", "branca", "xstatic"}
            faults += [f"{name} imports {p}, which draws" for p in found]
        if holds_a_step(tree):
            faults += [f"{name} holds a step and {p} is imported with it" for p in at_the_top(HOUSE, name) & HEAVY]
    assert faults == []


def test_a_step_that_loads_heavy_is_seen():
    step = "from geoqa.core import clock\nclass A(Analysis):\n    pass"
    house = House(HOUSE.texts | {"core.clock": "import numpy", "analysis.geometry": step})
    assert holds_a_step(house.trees["analysis.geometry"])
    assert "numpy" in at_the_top(house, "analysis.geometry")


def test_no_step_loads_a_library_before_it_runs():
    code = (
        "import sys; from geoqa import plugins; "
        "[e.load() for group in plugins.catalogue().entries.values() for e in group.values()]; "
        f"print(sorted({HEAVY!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
