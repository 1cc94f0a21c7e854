"""Names of a syntax tree and the scopes they belong to."""
from __future__ import annotations
import ast


class Scope:
    def __init__(self, node, parent, kind):
        self.node, self.parent, self.kind = node, parent, kind
        self.bound: dict[str, list] = {}
        self.outer: dict[str, str] = {}  # global / nonlocal

    def bind(self, name, node):
        if name in self.outer:
            s = self.module() if self.outer[name] == "global" else self.parent
            s.bind(name, node)
            return s
        self.bound.setdefault(name, []).append(node)
        return self

    def module(self):
        s = self
        while s.parent:
            s = s.parent
        return s

    def resolve(self, name):
        s, first = self, True
        while s:
            if name in s.outer and s.outer[name] == "global":
                return s.module()
            if name in s.bound and (s.kind != "class" or first):
                return s
            s, first = s.parent, False
        return None

    def within(self, other):
        s = self
        while s:
            if s is other:
                return True
            s = s.parent
        return False

    def path_to(self, other):
        """The scopes from this one up to, not including, the other."""
        s = self
        while s and s is not other:
            yield s
            s = s.parent


class Names(ast.NodeVisitor):
    """First pass binds, second pass resolves."""

    def __init__(self, tree):
        self.tree = tree
        self.root = self.at = Scope(tree, None, "module")
        self.names = []  # (Name node, scope where it stands)
        self.aliases = []  # (alias, statement, scope)
        self.scopes = [self.root]
        self.visit_body(tree.body)
        for node, scope in self.names:
            node.stands = scope
            node.home = scope.resolve(node.id)

    def visit_body(self, body):
        for n in body:
            self.visit(n)

    def new(self, node, kind):
        s = Scope(node, self.at, kind)
        self.scopes.append(s)
        return s

    def visit_FunctionDef(self, node):
        self.at.bind(node.name, node)
        node.stands = self.at
        for d in node.decorator_list:
            self.visit(d)
        self.arguments_outside(node.args)
        if node.returns:
            self.visit(node.returns)
        old, self.at = self.at, self.new(node, "function")
        self.bind_arguments(node.args)
        self.declare(node.body)
        self.visit_body(node.body)
        self.at = old

    visit_AsyncFunctionDef = visit_FunctionDef

    def declare(self, body):
        for n in body:
            for x in ast.walk(n):
                if isinstance(x, ast.Global):
                    self.at.outer |= dict.fromkeys(x.names, "global")
                elif isinstance(x, ast.Nonlocal):
                    self.at.outer |= dict.fromkeys(x.names, "nonlocal")

    def arguments_outside(self, args):
        for d in [*args.defaults, *args.kw_defaults]:
            if d:
                self.visit(d)
        for a in self.all_args(args):
            if a.annotation:
                self.visit(a.annotation)

    @staticmethod
    def all_args(args):
        return [*args.posonlyargs, *args.args, *args.kwonlyargs, *filter(None, [args.vararg, args.kwarg])]

    def bind_arguments(self, args):
        for a in self.all_args(args):
            self.at.bind(a.arg, a)

    def visit_Lambda(self, node):
        self.arguments_outside(node.args)
        old, self.at = self.at, self.new(node, "function")
        self.bind_arguments(node.args)
        self.visit(node.body)
        self.at = old

    def visit_ClassDef(self, node):
        self.at.bind(node.name, node)
        node.stands = self.at
        for d in [*node.decorator_list, *node.bases, *node.keywords]:
            self.visit(d)
        old, self.at = self.at, self.new(node, "class")
        self.visit_body(node.body)
        self.at = old

    def comprehension(self, node, *parts):
        first, *rest = node.generators
        self.visit(first.iter)
        old, self.at = self.at, self.new(node, "comp")
        self.visit(first.target)
        for c in first.ifs:
            self.visit(c)
        for g in rest:
            self.visit(g)
        for p in parts:
            self.visit(p)
        self.at = old

    def visit_ListComp(self, node):
        self.comprehension(node, node.elt)

    visit_SetComp = visit_GeneratorExp = visit_ListComp

    def visit_DictComp(self, node):
        self.comprehension(node, node.key, node.value)

    def visit_AnnAssign(self, node):
        if self.at.kind == "class" and node.value is None and isinstance(node.target, ast.Name):
            self.visit(node.annotation)  # binds nothing: what it is called may be an import's name too
            return
        self.generic_visit(node)

    def visit_NamedExpr(self, node):
        self.visit(node.value)
        s = self.at
        while s.kind == "comp":
            s = s.parent
        s.bind(node.target.id, node.target)
        self.names.append((node.target, self.at))

    def visit_Name(self, node):
        if isinstance(node.ctx, (ast.Store, ast.Del)):
            self.at.bind(node.id, node)
        self.names.append((node, self.at))

    def visit_ExceptHandler(self, node):
        if node.name:
            self.at.bind(node.name, node)
        self.generic_visit(node)

    def visit_MatchAs(self, node):
        if node.name:
            self.at.bind(node.name, node)
        self.generic_visit(node)

    def visit_MatchStar(self, node):
        if node.name:
            self.at.bind(node.name, node)

    def visit_MatchMapping(self, node):
        if node.rest:
            self.at.bind(node.rest, node)
        self.generic_visit(node)

    def visit_Import(self, node):
        for a in node.names:
            home = self.at.bind(a.asname or a.name.split(".")[0], a)
            self.aliases.append((a, node, home))

    visit_ImportFrom = visit_Import
