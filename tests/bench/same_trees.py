"""Is a commit a move and nothing else? `python tests/bench/same_trees.py OLD [NEW]`.

Every statement at the head of a module of both commits, imports and docstrings of modules left out, is brought to a
form in which a name of another module is the name alone (`rows.ends` is `ends`). Each statement of the old commit must
be found in the new one, wherever it stands, with the same tree; where only names differ they are printed as renames, to
be read. Text must be equal but for dotted names of modules. Ends with 0 where the trees are equal but for imports and
renames, with 1 otherwise.
"""

from __future__ import annotations

import ast
import collections
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DOTTED = re.compile(r"(?:geoqa/)?(?:\w+/)+\w+\.py|\bgeoqa(?:\.\w+)+(?::\w+)?|`\w+\.\w+`")


def modules(commit: str) -> dict[str, str]:
    """Return the text of every module of the package by its path."""
    listed = subprocess.run(
        ["git", "ls-tree", "-r", "--name-only", commit, "geoqa"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    return {
        path: subprocess.run(
            ["git", "show", f"{commit}:{path}"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout
        for path in listed
        if path.endswith(".py")
    }


class Plain(ast.NodeTransformer):
    """Take imports out, and the module from what is named through it."""

    def __init__(self, names: set[str]) -> None:
        self.names = names

    def visit_Import(self, node: ast.Import) -> None:
        return None

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        return None

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.decorator_list = [self.visit(one) for one in node.decorator_list]
        outer, inside = self.names, list(ast.walk(node))
        self.names = (outer | imported(inside)) - bound(inside)
        self.generic_visit(node)
        self.names = outer
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        if isinstance(node.value, ast.Name) and node.value.id in self.names:
            return ast.Name(node.attr, node.ctx)
        return self.generic_visit(node)

    def visit_Name(self, node: ast.Name) -> ast.AST:
        return node

    def visit_Constant(self, node: ast.Constant) -> ast.AST:
        if isinstance(node.value, str):
            return ast.Constant(" ".join(DOTTED.sub("MODULE", node.value).split()))
        return node


def statements(text: str) -> Iterator[ast.stmt]:
    """Give the statements at the head of a module without imports, its docstring and blocks that only import."""
    tree = ast.parse(text)
    head = [node for one in tree.body for node in (one.body if isinstance(one, ast.If) else [one])]
    for k, node in enumerate(tree.body):
        if k == 0 and isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            continue
        inner = node.body if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING" else [node]
        for one in inner:
            table = isinstance(one, ast.Assign) and ast.unparse(one.targets[0]) == "_HOME"  # imports that wait
            if not isinstance(one, (ast.Import, ast.ImportFrom)) and not table:
                yield Plain(imported(head)).visit(one)


def imported(nodes: list[ast.AST]) -> set[str]:
    """Return what is imported from geoqa and may be a module."""
    return {
        alias.asname or alias.name
        for node in nodes
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "geoqa"
        for alias in node.names
        if alias.name[:1].islower() or alias.name[:1] == "_"
    }


def bound(nodes: list[ast.AST]) -> set[str]:
    """Return the names that a function binds itself, which are no modules."""
    stored = {node.id for node in nodes if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return stored | {node.arg for node in nodes if isinstance(node, ast.arg)}


def identifiers(node: ast.AST) -> list[str]:
    """Return the names in a statement in the order of the tree."""
    found = []
    for one in ast.walk(node):
        for field in ("id", "name", "attr", "arg"):
            value = getattr(one, field, None)
            if isinstance(value, str):
                found.append(value)
        if isinstance(one, ast.Constant) and isinstance(one.value, str) and one.value.isidentifier():
            found.append(one.value)
    return found


def shape(node: ast.AST) -> str:
    """Return a statement with every name blank."""
    text = re.sub(r"\b(id|name|attr|arg)='\w+'", r"\1=''", ast.dump(node))
    return re.sub(r"Constant\(value='[A-Za-z_]\w*'", "Constant(value=''", text)


def said(path: str, node: ast.stmt) -> str:
    """Return where a statement stands, and its first line."""
    return f"{path}:{node.lineno}: {ast.unparse(node).splitlines()[0]:.100}"


def main(old: str, new: str) -> int:
    """Compare two commits; return the exit code."""
    before = [(path, node) for path, text in modules(old).items() for node in statements(text)]
    after = [(path, node) for path, text in modules(new).items() for node in statements(text)]
    dumps = collections.Counter(ast.dump(node) for _, node in after)
    left = []
    for path, node in before:
        if dumps[ast.dump(node)]:
            dumps[ast.dump(node)] -= 1
        else:
            left.append((path, node))
    spare = collections.defaultdict(list)
    for path, node in after:
        if dumps[ast.dump(node)]:
            dumps[ast.dump(node)] -= 1
            spare[shape(node)].append((path, node))
    renames: dict[str, collections.Counter] = collections.defaultdict(collections.Counter)
    lost = []
    for path, node in left:
        close = spare[shape(node)]
        if not close:
            lost.append((said(path, node), node))
            continue
        own = identifiers(node)
        best = min(close, key=lambda one: sum(a != b for a, b in zip(own, identifiers(one[1]), strict=True)))
        close.remove(best)
        for a, b in zip(own, identifiers(best[1]), strict=True):
            if a != b:
                renames[a][b] += 1
    alike = {ast.dump(node) for _, node in after}
    gone = [text for text, node in lost if ast.dump(node) not in alike]
    new_ones = [said(*one) for rest in spare.values() for one in rest]
    print(f"{len(before)} statements before, {len(after)} after")
    print(f"{len(before) - len(left)} equal, {len(left) - len(lost)} equal but for names")
    print(f"{len(lost) - len(gone)} stood in more modules than now")
    for name, called in sorted(renames.items()):
        print(f"  {name} -> {', '.join(f'{k} ({n})' for k, n in called.items())}")
    for what, which in (("not found any more", gone), ("new", new_ones)):
        if which:
            print(f"{what}:", *which, sep="\n  ")
    return int(bool(gone or new_ones))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "HEAD"))
