"""Small faults to put into the code one at a time: where they can be, and the text of a module with one in it.

The operators are those of cosmic-ray where another meaning is likely, not another type: `+` becomes `-`, never
`<<`, which would fail by itself. Three of our own make what surveyors mix up: axes, columns of the two axes, and
a number that is half or twice as large.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import parso
from cosmic_ray.mutating import MutationVisitor
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator

_ARITHMETIC = (
    ("Add", "Sub"), ("Sub", "Add"), ("Mul", "Div"), ("Div", "Mul"), ("Pow", "Mul"), ("FloorDiv", "Div"),
    ("Mod", "FloorDiv"), ("BitAnd", "BitOr"), ("BitOr", "BitAnd"), ("BitXor", "BitOr"),
)  # fmt: skip
_COMPARED = (
    ("Eq", "NotEq"), ("NotEq", "Eq"), ("Lt", "LtE"), ("Lt", "Gt"), ("LtE", "Lt"), ("LtE", "GtE"), ("Gt", "GtE"),
    ("Gt", "Lt"), ("GtE", "Gt"), ("GtE", "LtE"), ("Is", "IsNot"), ("IsNot", "Is"),
)  # fmt: skip
_UNARY = ("Delete_USub", "Delete_Invert", "Delete_Not", "USub_UAdd")
THEIRS = (
    *(f"core/ReplaceBinaryOperator_{a}_{b}" for a, b in _ARITHMETIC),
    *(f"core/ReplaceComparisonOperator_{a}_{b}" for a, b in _COMPARED),
    *(f"core/ReplaceUnaryOperator_{what}" for what in _UNARY),
    "core/NumberReplacer", "core/AddNot", "core/ReplaceAndWithOr", "core/ReplaceOrWithAnd",
    "core/ReplaceTrueWithFalse", "core/ReplaceFalseWithTrue", "core/ReplaceContinueWithBreak",
    "core/ReplaceBreakWithContinue",
)  # fmt: skip

#: Parts of a name that stand for one axis, and those that stand for the other.
_AXES = (
    ("east", "north"), ("easting", "northing"), ("de", "dn"), ("e", "n"), ("h", "v"), ("horizontal", "vertical"),
    ("minor", "major"), ("low", "high"), ("first", "second"), ("lon", "lat"),
)  # fmt: skip
_OTHER = {a: b for pair in _AXES for a, b in (pair, pair[::-1])}


def other_axis(name: str) -> str:
    """Return a name with its axis turned into the other one, such as var_n for var_e; itself where it has none."""
    parts = name.split("_")
    return "_".join(_OTHER.get(part, part) if len(part) > 1 or k else part for k, part in enumerate(parts))


class AxisReplacer(Operator):
    """East for north, horizontal for vertical: in a name that is read, and in a column's name.

    Only where the other name is one too: what is not defined fails by itself.
    """

    def mutation_positions(self, node):
        if self._new(node) is not None:
            yield (node.start_pos, node.end_pos)

    def mutate(self, node, index):
        node.value = self._new(node)
        return node

    @staticmethod
    def _new(node) -> str | None:
        if node.type == "name" and not node.is_definition() and not _names_an_argument(node):
            words = _words_of
        elif node.type == "string" and re.fullmatch(r'"[a-z_0-9]+"', node.value):
            words = _words_of_the_package
        else:
            return None
        new = other_axis(node.value)
        return new if new != node.value and new.strip('"') in words(node.get_root_node()) else None

    @classmethod
    def examples(cls):
        return ()


def _names_an_argument(node) -> bool:
    parent = node.parent
    return parent.type == "param" or (parent.type == "argument" and parent.children[0] is node)


@cache
def _words_of(module) -> frozenset[str]:
    return frozenset(re.findall(r"\w+", module.get_code()))


def _words_of_the_package(_module) -> frozenset[str]:
    return _package()


@cache
def _package() -> frozenset[str]:
    root = Path(__file__).parents[2] / "geoqa"
    return frozenset(word for path in root.rglob("*.py") for word in re.findall(r"\w+", path.read_text()))


class HalfOrTwice(Operator):
    """A number that is half, or twice, as large; whole numbers stay whole."""

    def mutation_positions(self, node):
        if node.type == "number" and node.value not in ("0", "0.0", "1j"):
            for _ in range(2):
                yield (node.start_pos, node.end_pos)

    def mutate(self, node, index):
        value = ast.literal_eval(node.value)
        changed = value * 2 if index else value // 2 if isinstance(value, int) else value / 2
        node.value = repr(changed)
        return node

    @classmethod
    def examples(cls):
        return ()


OPERATORS: tuple[Operator, ...] = (*(get_operator(name)() for name in THEIRS), AxisReplacer(), HalfOrTwice())
_LOOKED_AT = {
    "operator", "keyword", "name", "string", "number", "comparison", "factor", "not_test", "if_stmt", "while_stmt",
    "assert_stmt", "test",
}  # fmt: skip
#: What a fault is about; a sample takes as many of each as there are. The rest is logic.
KINDS = {"NumberReplacer": "number", "HalfOrTwice": "number", "AxisReplacer": "axis"}


@dataclass(frozen=True)
class Mutation:
    """One fault: the `occurrence`-th place of an operator in a module."""

    module: str
    operator: int
    occurrence: int
    line: int
    column: int
    function: str

    def text(self, root: Path) -> str:
        """Return the module's text with the fault in it."""
        changed = MutationVisitor.mutate_code(
            (root / self.module).read_text(), OPERATORS[self.operator], self.occurrence
        )
        assert changed is not None
        return str(changed)

    @property
    def name(self) -> str:
        """The operator's name."""
        return type(OPERATORS[self.operator]).__name__.removeprefix("Replace") if self.operator >= 0 else "planted"

    @property
    def kind(self) -> str:
        """What it is about: number, axis, sum (and other arithmetic) or logic."""
        return KINDS.get(self.name) or ("sum" if self.name.startswith(("Binary", "Unary")) else "logic")


def found(root: Path, module: str) -> list[Mutation]:
    """Return every fault that can be put into a module, in the order of the text."""
    source = (root / module).read_text()
    tree = ast.parse(source)
    kept_out, functions = _kept_out(tree), _functions(tree)
    made: list[Mutation] = []
    for k, operator in enumerate(OPERATORS):
        for occurrence, (start, end) in enumerate(_positions(source, operator)):
            if not any(a <= start and end <= b for a, b in kept_out):
                made.append(Mutation(module, k, occurrence, *start, _within(functions, start[0])))
    return sorted(made, key=lambda m: (m.line, m.column, m.operator, m.occurrence))


@cache
def _nodes(source: str) -> tuple:
    """Return the nodes that any operator looks at, in the order in which cosmic-ray counts them."""
    kept, stack = [], [parso.parse(source)]
    while stack:
        node = stack.pop()
        if node.type in _LOOKED_AT:
            kept.append(node)
        stack += reversed(getattr(node, "children", ()))
    return tuple(kept)


def _positions(source: str, operator: Operator) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    for node in _nodes(source):
        yield from operator.mutation_positions(node)


#: Arguments that say how, not what: a fault in them changes no number.
_HOW = {"strict", "frozen", "kw_only", "help", "about", "copy", "errors", "stacklevel", "encoding", "unit", "observed"}
#: What a class declares and others check.
_DECLARED = {"needs", "gives", "uses", "name", "title", "about", "__all__", "_TEXT"}


def _kept_out(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Return spans of the text where a fault means nothing: annotations, decorators, declarations, error texts."""
    spans: list[ast.AST] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            every = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs, node.args.vararg, node.args.kwarg]
            spans += [arg.annotation for arg in every if arg is not None and arg.annotation is not None]
            spans += [node.returns] if node.returns is not None else []
            spans += node.decorator_list
            if node.name == "__repr__":
                spans.append(node)
        elif isinstance(node, ast.ClassDef):
            spans += node.decorator_list
        elif isinstance(node, ast.AnnAssign):
            spans.append(node.annotation)
        elif isinstance(node, ast.keyword) and node.arg in _HOW:
            spans.append(node.value)
        elif isinstance(node, ast.Raise | ast.Import | ast.ImportFrom | ast.Assert | ast.JoinedStr) or _declares(node):
            spans.append(node)
        if isinstance(node, ast.JoinedStr) and _is_column_name(node):
            spans.remove(node)
    return [((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in spans]  # type: ignore[attr-defined]


def _declares(node: ast.AST) -> bool:
    if isinstance(node, ast.If):
        return isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
    return isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id in _DECLARED for t in node.targets)


def _is_column_name(text: ast.JoinedStr) -> bool:
    words = [part.value for part in text.values if isinstance(part, ast.Constant)]
    return all(re.fullmatch(r"[a-z_0-9]*", str(word)) for word in words)


def _functions(tree: ast.Module) -> list[tuple[int, int, str]]:
    """Return first line, last line and name of every function, inner ones last.

    Its head, with the defaults, and the body of a class are none of it: they are read when the module is loaded.
    """
    made: list[tuple[int, int, str]] = []

    def visit(node: ast.AST, inside: str) -> None:
        for child in ast.iter_child_nodes(node):
            name = inside
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                name = f"{inside}.{child.name}".lstrip(".")
                if not isinstance(child, ast.ClassDef):
                    made.append((child.body[0].lineno, child.end_lineno or child.lineno, name))
            visit(child, name)

    visit(tree, "")
    return made


def _within(functions: list[tuple[int, int, str]], line: int) -> str:
    return next((name for a, b, name in reversed(functions) if a <= line <= b), "")
