"""Imports point one way; read from the syntax tree, function bodies and type-checking blocks included."""

import ast
from pathlib import Path

import pytest

import geoqa

ROOT = Path(geoqa.__file__).parent
#: Rank of each part: a module may import a lower rank, or its own part.
RANK = {
    "core": 0, "readers": 1, "analysis": 1, "outputs": 1, "demo": 1, "sources": 1, "standard_input": 1,
    "guests": 1, "plugins": 2, "since": 2, "compare": 3, "claims": 3, "pipeline": 3, "standing": 3, "drawers": 4,
    "reading": 4, "proposals": 4, "testing": 4, "maplayers": 5, "deliveries": 5, "figures": 5,
    "reviews": 6, "stored": 7, "step_commands": 8, "experience_commands": 9, "progress": 9, "cli": 10,
    "__main__": 11, "__init__": 11,
}  # fmt: skip
MODULES = sorted(path.relative_to(ROOT) for path in ROOT.rglob("*.py"))


def part(module):
    """Return the part of geoqa that a dotted module name belongs to."""
    pieces = module.split(".")
    return pieces[1] if len(pieces) > 1 else "__init__"


def is_module(name):
    path = ROOT.joinpath(*name.split(".")[1:])
    return path.is_dir() or path.with_suffix(".py").exists()


def imported(tree):
    """Return the modules of geoqa that a syntax tree imports, by dotted name, and the line of each."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names if alias.name.split(".")[0] == "geoqa")
        elif isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "geoqa":
            for alias in node.names:
                longer = f"{node.module}.{alias.name}"
                yield (longer if is_module(longer) else node.module), node.lineno


def tree_of(path):
    return ast.parse((ROOT / path).read_text(encoding="utf-8"))


def faults(path, tree):
    own = path.parts[0].removesuffix(".py")
    return [
        f"{path}:{line} imports {name}"
        for name, line in imported(tree)
        if part(name) != own and RANK[part(name)] >= RANK[own]
    ]


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_imports_point_one_way(path):
    assert path.parts[0].removesuffix(".py") in RANK, f"{path} has no rank: say where it stands"
    assert faults(path, tree_of(path)) == []


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_imports_are_absolute(path):
    relative = [n.lineno for n in ast.walk(tree_of(path)) if isinstance(n, ast.ImportFrom) and n.level]
    assert relative == []


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_no_module_is_a_drawer_and_none_is_huge(path):
    assert not {"utils", "util", "helpers", "common", "misc"} & {piece.removesuffix(".py") for piece in path.parts}
    assert len((ROOT / path).read_text(encoding="utf-8").splitlines()) <= 700


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("core/units.py", "def f():\n    from geoqa.readers import recipe"),
        ("core/units.py", "import geoqa.pipeline"),
        ("core/units.py", "from geoqa import Job"),
        ("readers/table.py", "from geoqa.analysis.rows import codes_of"),
        ("analysis/rows.py", "if TYPE_CHECKING:\n    from geoqa import outputs"),
        ("outputs/text.py", "from geoqa import pipeline"),
        ("plugins.py", "from geoqa.reviews import review"),
    ],
)
def test_this_test_sees_an_arrow_the_wrong_way(path, source):
    assert len(faults(Path(path), ast.parse(source))) == 1


def test_this_test_accepts_the_right_way():
    source = "from geoqa.core import schema\nimport geoqa.core.errors\nfrom geoqa.readers import numbers"
    assert faults(Path("readers/table.py"), ast.parse(source)) == []


HEAVY = {
    "numpy",
    "pandas",
    "geopandas",
    "pyarrow",
    "shapely",
    "pyproj",
    "pyogrio",
    "scipy",
    "folium",
    "branca",
    "matplotlib",
    "ezdxf",
    "xlsxwriter",
}


def at_the_top(tree):
    """Return the packages a module imports when it is imported itself."""
    for node in tree.body:
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield (node.module or "").split(".")[0]


def holds_a_step(tree):
    bases = {
        ast.unparse(base).split(".")[-1] for n in ast.walk(tree) if isinstance(n, ast.ClassDef) for base in n.bases
    }
    return bool(bases & {"Analysis", "Reader", "MapLayer", "Plot", "Writer"})


@pytest.mark.parametrize("path", [p for p in MODULES if holds_a_step(tree_of(p))], ids=str)
def test_modules_that_hold_steps_import_nothing_heavy(path):
    assert set(at_the_top(tree_of(path))) & HEAVY == set()


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_the_map_library_is_imported_by_the_outputs_alone(path):
    if path.parts[0] != "outputs":
        every = {name.split(".")[0] for n in ast.walk(tree_of(path)) for name in names_of(n)}
        assert every & {"folium", "branca", "xstatic"} == set()


def names_of(node):
    if isinstance(node, ast.Import):
        return [alias.name for alias in node.names]
    return [node.module or ""] if isinstance(node, ast.ImportFrom) else []
