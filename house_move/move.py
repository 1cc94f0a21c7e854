"""Carry a tree from the old layout to the new one: python move.py TREE [--report]."""
from __future__ import annotations
import ast, collections, inspect, io, json, re, textwrap, shutil, subprocess, sys, tokenize
from pathlib import Path
from scopes import Names
import docs, table
from table import FACES, MODULES, RENAMES, SPLITS

TREE = Path(sys.argv[1]).resolve()
PKG = TREE / "geoqa"
RUFF = "ruff"
problems, notes = [], []


class Source:
    """A text, its syntax tree, and edits to it."""

    def __init__(self, name, text, path=None):
        self.name, self.text, self.path = name, text, path
        self.raw = text.encode()
        self.tree = ast.parse(text)
        self.starts = [0]
        for line in self.raw.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.names = Names(self.tree)
        self.parents = {c: p for p in ast.walk(self.tree) for c in ast.iter_child_nodes(p)}
        self.edits = {}
        self.header = []  # items of imports at module level

    def at(self, line, col):
        return self.starts[line - 1] + col

    def span(self, node):
        first = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", []))])
        col = node.col_offset if first == node.lineno else min(d.col_offset for d in node.decorator_list) - 1
        return self.at(first, col), self.at(node.end_lineno, node.end_col_offset)

    def edit(self, a, b, new):
        old = self.edits.get((a, b))
        if old is not None and old != new:
            problems.append(f"{self.name}: two edits at {a}: {old!r} {new!r}")
        self.edits[a, b] = new

    def applied(self, a=0, b=None):
        b = len(self.raw) if b is None else b
        out, at = [], a
        for (s, e), new in sorted(self.edits.items()):
            if s < a or e > b:
                continue
            if s < at:
                problems.append(f"{self.name}: overlapping edits at {self.raw[s:e]!r}")
                continue
            out += [self.raw[at:s], new.encode()]
            at = e
        return b"".join([*out, self.raw[at:b]]).decode()

    def lines_of(self, node):
        """The span of whole lines of a statement, comments directly above included."""
        a, b = self.span(node)
        first = self.raw.rfind(b"\n", 0, a) + 1
        while first:
            before = self.raw.rfind(b"\n", 0, first - 1) + 1
            if not self.raw[before:first].startswith(b"#"):
                break
            first = before
        end = self.raw.find(b"\n", b)
        return first, len(self.raw) if end < 0 else end + 1


def module_name(path):
    name = ".".join(path.relative_to(PKG).with_suffix("").parts)
    return "" if name == "__init__" else name.removesuffix(".__init__")


def top_statements(tree):
    """Every statement at module level, those in `if TYPE_CHECKING` included, and whether it stands there."""
    for n in tree.body:
        if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING":
            yield from ((m, True) for m in n.body)
        else:
            yield n, False


def binds(node):
    """Names that a statement binds at module level, imports left out."""
    if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
        return [node.name]
    if isinstance(node, (ast.Import, ast.ImportFrom)):
        return []
    return [x.id for x in ast.walk(node) if isinstance(x, ast.Name) and isinstance(x.ctx, ast.Store)]


# ---------------------------------------------------------------- read, and split what is split
old = {}
for path in sorted(PKG.rglob("*.py")):
    old[module_name(path)] = (path, path.read_text(encoding="utf-8"))
faces = {n for n, (p, _) in old.items() if p.name == "__init__.py"}


def split(name):
    """Take the stated statements out of a module: its text without them, and the pseudo modules."""
    path, text = old[name]
    source = Source(name, text)
    wanted = {s: t for (m, s), t in SPLITS.items() if m == name}
    taken = collections.defaultdict(list)
    out_names = {}
    for node, _ in top_statements(source.tree):
        here = [n for n in binds(node) if n in wanted]
        if here:
            a, b = source.lines_of(node)
            taken[wanted[here[0]]].append(source.raw[a:b].decode())
            source.edit(a, b, "")
            out_names |= {n: wanted[n] for n in here}
            node.taken = True
    if not out_names:
        return
    rest = source.applied()
    head = "".join(
        source.raw[slice(*source.lines_of(n))].decode()
        for n in source.tree.body
        if isinstance(n, (ast.Import, ast.ImportFrom))
        or (isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING")
    )
    for pseudo, pieces in taken.items():
        old[pseudo] = (None, prune(head + "\n\n" + "\n\n".join(pieces)))
    used = {x.id for x in ast.walk(ast.parse(rest)) if isinstance(x, ast.Name)}
    lines = [f"from geoqa.{out_names[n]} import {n}\n" for n in sorted(out_names) if n in used]
    if lines:
        rest = after_future(rest, "".join(lines))
    old[name] = (path, prune(rest))


def after_future(text, more):
    i = text.index("from __future__ import annotations\n") + len("from __future__ import annotations\n")
    return text[:i] + "\n" + more + text[i:]


def prune(text):
    """The text without imports and type aliases that nothing uses."""
    done = subprocess.run(
        [RUFF, "check", "-q", "--isolated", "--fix", "--select", "F401,I001", "-"],
        input=text, capture_output=True, text=True, check=False,
    ).stdout
    if not done.strip():
        sys.exit(f"nothing is left of\n{text}")
    while True:
        source = Source("", done)
        gone = False
        for n in source.tree.body:
            if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING":
                for m in n.body:
                    if isinstance(m, ast.Assign) and len(m.targets) == 1:
                        if not any(x.id == m.targets[0].id and isinstance(x.ctx, ast.Load)
                                   for x in ast.walk(source.tree) if isinstance(x, ast.Name)):
                            source.edit(*source.lines_of(m), "")
                            gone = True
                if all(isinstance(m, ast.Pass) for m in n.body):
                    source.edit(*source.lines_of(n), "")
        if not gone:
            return source.applied()
        done = subprocess.run(
            [RUFF, "check", "-q", "--isolated", "--fix", "--select", "F401,I001", "-"],
            input=source.applied(), capture_output=True, text=True, check=False,
        ).stdout


def strip_face(name):
    """A package face that holds code becomes a pseudo module."""
    path, text = old[name]
    old[FACES[name]] = (None, text)
    old[name] = (path, "")


for m in sorted({m for m, _ in SPLITS}):
    split(m)
for m in FACES:
    strip_face(m)

HOME = {o: n for n, parts in MODULES.items() for o in parts}
unplaced = sorted(m for m in old if m not in HOME and m not in faces)
if unplaced:
    sys.exit(f"modules without a place in the table: {unplaced}")
absent = sorted(o for o in HOME if o not in old)
if absent:
    notes.append(f"in the table, not in the tree: {absent}")
    for n in list(MODULES):
        MODULES[n] = [o for o in MODULES[n] if o in old]
        if not MODULES[n]:
            del MODULES[n]
sources = {o: Source(o, old[o][1], old[o][0]) for o in old}
for f in faces:
    HOME[f] = f

# ---------------------------------------------------------------- what each symbol is called, and where
NEW = {}  # (old module, name) -> (new module, new name)
top = {}  # old module -> {name: [(statement, in type checking)]}
for o, s in sources.items():
    top[o] = collections.defaultdict(list)
    for node, checking in top_statements(s.tree):
        for n in binds(node):
            top[o][n].append((node, checking))
for n, parts in MODULES.items():
    taken = {}  # new name -> (old module, statements' dump)
    imported = collections.defaultdict(set)  # local names of imports at module level -> what
    for o in parts:
        for a, stmt, scope in sources[o].names.aliases:
            if scope is sources[o].names.root:
                what = (getattr(stmt, "module", None), a.name)
                imported[a.asname or a.name.split(".")[0]].add(what)
    loads = {
        o: {x.id for x, _ in sources[o].names.names if x.home is None} for o in parts
    }  # names of the builtins in use
    for o in parts:
        for name, stmts in top[o].items():
            new = RENAMES.get((o, name), name)
            dump = [ast.dump(x) for x, _ in stmts]
            same = False
            if new in taken:
                p, d = taken[new]
                if d == dump and all(isinstance(x, (ast.Assign, ast.AnnAssign)) for x, _ in stmts):
                    same = True
                else:
                    tag = o.rsplit(".", 1)[-1]
                    auto = f"_{tag}_{new.lstrip('_')}" if new.startswith("_") else f"{tag}_{new}"
                    notes.append(f"COLLISION in {n}: {new} of {o} and of {p}; called {auto}")
                    new = auto
            for q in parts:
                if new in loads[q] and new not in top[q]:
                    problems.append(f"{n}: {new} of {o} hides what {q} takes from the builtins")
            if new in imported:
                what = {w for w in imported[new]}
                base = {w: (w[0] or "").removeprefix("geoqa").lstrip(".") for w in what}
                foreign = [
                    w for w in what
                    if SPLITS.get((base[w], w[1]), base[w]) not in parts and f"{base[w]}.{w[1]}".lstrip(".") not in parts
                ]
                if foreign:
                    problems.append(f"{n}: {new} of {o} is also an import {foreign}")
            taken.setdefault(new, (o, dump))
            NEW[o, name] = (n, new)
            for x, _ in stmts:
                if same and taken[new][0] != o:
                    x.double = True


def new_of(module, name):
    """Where a name of an old module is now."""
    if (module, name) in SPLITS:
        module = SPLITS[module, name]
    if module in FACES:
        module = FACES[module]
    if (module, name) in NEW:
        return NEW[module, name]
    # a name the module itself imports: from where it comes
    for a, stmt, scope in sources[module].names.aliases if module in sources else ():
        if scope is sources[module].names.root and (a.asname or a.name) == name and isinstance(stmt, ast.ImportFrom):
            base = (stmt.module or "").removeprefix("geoqa").lstrip(".")
            if (stmt.module or "").startswith("geoqa"):
                if (base + "." + a.name).lstrip(".") in sources:
                    return None  # a module: kept by attribute
                return new_of(base, a.name)
    return (HOME.get(module, module), name)


def dotted(new):
    return f"geoqa.{new}" if new else "geoqa"


def through(s, m, parent):
    """What `module.inner.name` is now: the node to replace and what stands behind the module's own name."""
    grand = s.parents[parent]
    for a, stmt, scope in sources[m].names.aliases:
        if scope is sources[m].names.root and (a.asname or a.name) == parent.attr:
            inner = Rewriter.old_module(stmt, a)
            if not isinstance(grand, ast.Attribute):
                problems.append(f"{s.name}: {m}.{parent.attr} is used as a module")
                return parent, parent.attr
            n3, name = new_of(inner, grand.attr)
            if n3 == HOME[m]:
                return grand, name
            return grand, f"{REWRITERS[HOME[m]].chosen_at_top[n3]}.{name}"
    problems.append(f"{s.name}: {m}.{parent.attr} is not understood")
    return parent, parent.attr


REWRITERS = {}


# ---------------------------------------------------------------- one file
def bound_between(source, use, home, name):
    """Whether a scope between where a name stands and where it comes from binds it otherwise."""
    return any(name in s.bound for s in use.stands.path_to(home))


class Rewriter:
    """Rewrite the imports of the parts of one new module (or of one test)."""

    def __init__(self, new, parts):
        self.new, self.parts = new, parts
        self.module_alias = {}
        self.own = set()
        for s in parts:
            for name in top.get(s.name, {}):
                self.own.add(NEW[s.name, name][1])
            if s.name not in top:
                for node, _ in top_statements(s.tree):
                    self.own |= set(binds(node))
        self.top_names = collections.defaultdict(set)  # local names at module level that stay -> origin
        for s in parts:
            for a, stmt, scope in s.names.aliases:
                if scope is s.names.root and not self.is_module(stmt, a):
                    local = a.asname or a.name.split(".")[0]
                    if isinstance(stmt, ast.ImportFrom) and (stmt.module or "").split(".")[0] == "geoqa":
                        n2, newname = self.target_of_name(stmt, a)
                        if n2 == self.new:
                            continue
                        self.top_names[a.asname or newname].add(("name", n2, newname))
                    else:
                        self.top_names[local].add(("ext", getattr(stmt, "module", ""), a.name))
        for k, v in self.top_names.items():
            if len(v) > 1 and not all(x[0] == "ext" and x[2].split(".")[0] == k for x in v):
                problems.append(f"{new}: {k} is imported as {v}")

    @staticmethod
    def old_module(stmt, a):
        base = (stmt.module or "").removeprefix("geoqa").lstrip(".")
        return (base + "." + a.name).lstrip(".")

    def is_module(self, stmt, a):
        return (
            isinstance(stmt, ast.ImportFrom)
            and (stmt.module or "").split(".")[0] == "geoqa"
            and self.old_module(stmt, a) in sources
            and (base_name(stmt), a.name) not in NEW
        )

    def target_of_name(self, stmt, a):
        got = new_of(base_name(stmt), a.name)
        if got is None:
            problems.append(f"{self.new}: from {stmt.module} import {a.name} is a module taken from another")
            return (HOME[base_name(stmt)], a.name)
        return got

    def run(self):
        for s in self.parts:
            self.own_names(s)
        # module level first: aliases hold for all parts
        todo = collections.defaultdict(list)
        for s in self.parts:
            for a, stmt, scope in s.names.aliases:
                if isinstance(stmt, ast.ImportFrom) and (stmt.module or "").split(".")[0] == "geoqa":
                    todo[s, stmt].append((a, scope))
        chosen = {}  # new module -> local name at module level
        self.chosen_at_top = chosen
        for level in (True, False):
            for (s, stmt), aliases in todo.items():
                here = aliases[0][1] is s.names.root
                if here is level:
                    self.statement(s, stmt, aliases, chosen if level else {}, level, chosen)
        self.strip_headers()

    def own_names(self, s):
        if s.name not in top:
            return
        self.locals_of(s)
        renamed = {n: NEW[s.name, n][1] for n in top[s.name] if NEW[s.name, n][1] != n}
        if not renamed:
            return
        for n, new in renamed.items():
            self.quoted(s, n, new)
        for node, scope in s.names.names:
            if node.id in renamed and node.home is s.names.root:
                if bound_between(s, node, s.names.root, renamed[node.id]):
                    problems.append(f"{s.name}: {renamed[node.id]} is bound where {node.id} is used")
                a, b = s.span(node)
                s.edit(a, b, renamed[node.id])
        for node in ast.walk(s.tree):
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and getattr(node, "stands", None) is s.names.root:
                if node.name in renamed:
                    at = s.at(node.lineno, node.col_offset)
                    m = re.compile(rb"(?:async\s+def|def|class)\s+").match(s.raw, at)
                    s.edit(m.end(), m.end() + len(node.name.encode()), renamed[node.name])
            elif isinstance(node, ast.Global) and set(node.names) & set(renamed):
                problems.append(f"{s.name}: global {node.names}")

    def locals_of(self, s):
        for (o, function, name), new in table.LOCALS.items():
            if o == s.name:
                found = [c for c in s.names.scopes if getattr(c.node, "name", "") == function and name in c.bound]
                if len(found) != 1:
                    notes.append(f"local {name} of {o}.{function} is not there any more")
                    continue
                for node, _ in s.names.names:
                    if node.id == name and node.home is found[0]:
                        s.edit(*s.span(node), new)

    def quoted(self, s, name, new):
        """Type names in quotes within a subscript."""
        for node in ast.walk(s.tree):
            if isinstance(node, ast.Constant) and node.value == name and name[0].isupper():
                up = s.parents[node]
                while isinstance(up, (ast.List, ast.Tuple)):
                    up = s.parents[up]
                if isinstance(up, ast.Subscript) and isinstance(up.value, ast.Name) and up.value.id[0].isupper():
                    a, b = s.span(node)
                    s.edit(a, b, f'"{new}"')

    def statement(self, s, stmt, aliases, chosen, level, top_chosen):
        out = []
        for a, scope in aliases:
            if self.is_module(stmt, a):
                out += self.module_import(s, stmt, a, scope, chosen, level, top_chosen)
            else:
                out += self.name_import(s, stmt, a, scope, level)
        out = list(dict.fromkeys(out))
        stmt.becomes = out
        if not level:
            a, b = s.span(stmt)
            if out:
                pad = "\n" + " " * stmt.col_offset
                s.edit(a, b, pad.join(out))
            else:
                body = next(v for v in ast.iter_fields(s.parents[stmt]) if isinstance(v[1], list) and stmt in v[1])[1]
                if len(body) == 1:
                    s.edit(a, b, "pass")
                    problems.append(f"{s.name}:{stmt.lineno}: nothing is left of a block")
                else:
                    s.edit(*s.lines_of(stmt), "")

    def uses(self, s, name, scope):
        return [node for node, _ in s.names.names if node.id == name and node.home is scope]

    def free(self, s, name, scope, uses, leave):
        """Whether a local name may stand for an import: nothing else is called so where it is used."""
        if scope is s.names.root:
            if name in self.own or name in self.top_names:
                return False
            return not any(bound_between(s, u, scope, name) for u in uses)
        if name in self.own:
            return False
        if name in scope.bound and any(b not in leave for b in scope.bound[name]):
            return False
        if any(bound_between(s, u, scope, name) for u in uses):
            return False
        for node, stands in s.names.names:  # what would be captured
            if stands.within(scope) and not (node.home and node.home.within(scope)):
                called = node.id
                if node.home is s.names.root and s.name in top and called in top[s.name]:
                    called = NEW[s.name, called][1]
                if called == name:
                    return False
        return True

    def module_import(self, s, stmt, a, scope, chosen, level, top_chosen):
        m = self.old_module(stmt, a)
        local = a.asname or a.name
        groups = collections.defaultdict(list)
        for use in self.uses(s, local, scope):
            parent = s.parents[use]
            if isinstance(parent, ast.Attribute) and parent.value is use:
                got = new_of(m, parent.attr)
                if got is None:  # a module that the module imports
                    groups[HOME[m]].append((use, *through(s, m, parent), "inner"))
                else:
                    groups[got[0]].append((use, parent, got[1], None))
            else:
                there, call = HOME.get(FACES.get(m, m), m), s.parents[use]
                if isinstance(call, ast.Call) and len(call.args) > 1 and call.args[0] is use:
                    text = call.args[1]
                    if isinstance(text, ast.Constant) and (m, text.value) in NEW:
                        there, name = NEW[m, text.value]
                        if name != text.value:
                            s.edit(*s.span(text), f'"{name}"')
                groups[there].append((use, None, None, None))
        if not groups:
            groups[HOME.get(FACES.get(m, m), m)] = []
        out = []
        for n2, uses in groups.items():
            if n2 == self.new:
                for use, parent, name, odd in uses:
                    if parent is None:
                        problems.append(f"{s.name}:{use.lineno}: the module {local} itself is used within {n2}")
                        continue
                    if bound_between(s, use, s.names.root, name):
                        problems.append(f"{self.new}: {s.name}:{use.lineno}: {local}.{name} becomes {name}, bound there")
                    x, y = s.span(parent)
                    s.edit(x, y, name)
                continue
            if n2 == "" or n2 in faces and n2 not in MODULES and n2 not in HOME.values():
                out.append(ast.unparse(ast.ImportFrom(stmt.module, [a], 0)))
                continue
            if n2 in chosen:
                called = chosen[n2]
            else:
                base = n2.rsplit(".", 1)[-1]
                room = n2.split(".")[-2] if "." in n2 else ""
                bare = base.lstrip("_")
                tries = [base, *([local] if local not in (base,) and a.asname else []), f"{room}_{bare}",
                         f"{room.rstrip('s')}_{bare}", local, f"{bare}_", f"{base}_module"]
                old_all = [u[0] for u in uses]
                leave = [x for x, _, sc in s.names.aliases if sc is scope and self_same(x, s, n2, self)]
                called = next(
                    (t for t in tries if self.free(s, t, scope, old_all, leave)
                     and (level is False or t not in chosen.values())
                     and all(self.free_at_top(q, t, n2) for q in (self.parts if level else []))), None)
                if called is None:
                    problems.append(f"{self.new}: no name for {n2} in {s.name}:{stmt.lineno}")
                    called = local
                if called != base:
                    notes.append(f"alias: {s.name}:{stmt.lineno} {n2} as {called}")
                chosen[n2] = called
            for use, parent, name, odd in uses:
                if bound_between(s, use, scope, called):
                    problems.append(f"{self.new}: {s.name}:{use.lineno}: {called} is bound there")
                if parent is None:
                    x, y = s.span(use)
                    s.edit(x, y, called)
                    continue
                x, y = s.span(parent)
                s.edit(x, y, f"{called}.{name}")
            package, _, base = dotted(n2).rpartition(".")
            out.append(f"from {package} import {base}" + (f" as {called}" if called != base else ""))
        return out

    def free_at_top(self, q, name, n2):
        """Whether no use in another part would be caught by an inner binding of the name."""
        for a, stmt, scope in q.names.aliases:
            if scope is q.names.root and self.is_module(stmt, a) and HOME.get(self.old_module(stmt, a)) == n2:
                for u in self.uses(q, a.asname or a.name, scope):
                    if bound_between(q, u, scope, name):
                        return False
        return True

    def name_import(self, s, stmt, a, scope, level):
        if stmt.module == "geoqa" and (("", a.name) in NEW or "" in sources and a.name not in sources):
            return [ast.unparse(ast.ImportFrom(stmt.module, [a], 0))]
        n2, name = self.target_of_name(stmt, a)
        local = a.asname or a.name
        uses = self.uses(s, local, scope)
        if n2 == self.new:
            for u in uses:
                if local != name or True:
                    if bound_between(s, u, s.names.root, name) and not (scope is not s.names.root and local == name and all(name not in sc.bound or sc is scope for sc in u.stands.path_to(s.names.root))):
                        problems.append(f"{self.new}: {s.name}:{u.lineno}: {local} becomes {name}, bound there")
                    if local != name:
                        s.edit(*s.span(u), name)
            if local != name:
                self.quoted(s, local, name)
            return []
        called = local
        if name != local:
            self.quoted(s, local, name)
        if name != a.name and not a.asname:
            if self.free(s, name, scope, uses, []) or self.same_import_elsewhere(s, name, n2):
                called = name
                for u in uses:
                    s.edit(*s.span(u), name)
                for q in ast.walk(s.tree):  # strings of monkeypatch and the like are looked at by hand
                    pass
        return [f"from {dotted(n2)} import {name}" + (f" as {called}" if called != name else "")]

    def same_import_elsewhere(self, s, name, n2):
        return ("name", n2, name) in self.top_names.get(name, ())

    def strip_headers(self):
        for s in self.parts:
            s.header = []
            for node in s.tree.body:
                if isinstance(node, (ast.Import, ast.ImportFrom)):
                    s.header += [(x, False) for x in self.lines(node)]
                    s.edit(*self.whole(s, node), "")
                elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
                    for m in node.body:
                        if isinstance(m, (ast.Import, ast.ImportFrom)):
                            s.header += [(x, True) for x in self.lines(m)]
                        elif not getattr(m, "double", False):
                            s.header.append((s.applied(*s.span(m)), True))
                    a, b = self.whole(s, node)
                    for key in [k for k in s.edits if a <= k[0] and k[1] <= b]:
                        del s.edits[key]
                    s.edit(a, b, "")
                elif getattr(node, "double", False):
                    a, b = s.lines_of(node)
                    for key in [k for k in s.edits if a <= k[0] and k[1] <= b]:
                        del s.edits[key]
                    s.edit(a, b, "")

    @staticmethod
    def whole(s, node):
        a, b = s.span(node)
        end = s.raw.find(b"\n", b)
        rest = s.raw[b:end].strip()
        if rest:
            notes.append(f"comment at an import lost: {s.name}: {rest.decode()}")
        return a, len(s.raw) if end < 0 else end + 1

    @staticmethod
    def lines(node):
        if hasattr(node, "becomes"):
            return node.becomes
        return [ast.unparse(type(node)(**({"module": node.module, "names": [a], "level": 0}
                                         if isinstance(node, ast.ImportFrom) else {"names": [a]}))) for a in node.names]


def base_name(stmt):
    return (stmt.module or "").removeprefix("geoqa").lstrip(".")


def self_same(alias, s, n2, rewriter):
    stmt = s.parents[alias]
    return (
        isinstance(stmt, ast.ImportFrom)
        and (stmt.module or "").split(".")[0] == "geoqa"
        and rewriter.is_module(stmt, alias)
        and HOME.get(rewriter.old_module(stmt, alias)) == n2
    )


# ---------------------------------------------------------------- dotted names and paths in text
DOTTED = re.compile(r"\bgeoqa((?:\.[A-Za-z_]\w*)+)(?::([A-Za-z_]\w*))?")


def dotted_in(text):
    def change(m):
        pieces = m[1][1:].split(".")
        for k in range(len(pieces), 0, -1):
            module = ".".join(pieces[:k])
            if module in sources and (module not in faces or module in FACES):
                rest, colon = pieces[k:], m[2]
                if module in FACES and not rest and not colon:
                    return m[0]
                symbol = rest[0] if rest else colon
                if symbol:
                    got = new_of(module, symbol)
                    if got:
                        n2, name = got
                        if rest:
                            return ".".join([dotted(n2), name, *rest[1:]]) + (f":{colon}" if colon else "")
                        return f"{dotted(n2)}:{name}"
                return dotted(HOME[module]) + "".join(f".{r}" for r in rest) + (f":{colon}" if colon else "")
        return m[0]

    return DOTTED.sub(change, text)


SHORT = re.compile(r"(?<=`)(\w+)\.(\w+)(?=`)")


def short_in(text):
    """Names of one module in backticks: `spread.flanks`."""

    def change(m):
        found = [key for key in NEW if key[0].rpartition(".")[2] == m[1] and key[1] == m[2]]
        if len(found) != 1:
            return m[0]
        new, name = NEW[found[0]]
        return f"{new.rpartition('.')[2]}.{name}"

    return SHORT.sub(change, text)


PATHS = re.compile(r"(?<![\w/])(geoqa/)?((?:core|readers|analysis|outputs|demo|testing)(?:/\w+)+)(\.py)")


def paths_in(text):
    def change(m):
        module = m[2].replace("/", ".")
        return f"{m[1] or ''}{HOME[module].replace('.', '/')}{m[3]}" if module in HOME and module not in faces else m[0]

    return PATHS.sub(change, text)


def strings_in(s):
    """Edit dotted names and paths in strings and comments, and names of modules behind the package's own."""
    for node in ast.walk(s.tree):
        if isinstance(node, ast.Attribute) and not isinstance(s.parents[node], ast.Attribute):
            text = ast.unparse(node)
            if text.startswith("geoqa.") and re.fullmatch(r"[\w.]+", text) and dotted_in(text) != text:
                s.edit(*s.span(node), dotted_in(text))
    lines = s.text.splitlines(keepends=True)
    for t in tokenize.generate_tokens(io.StringIO(s.text).readline):
        if t.type in (tokenize.STRING, tokenize.COMMENT):
            new = short_in(paths_in(dotted_in(t.string)))
            if new != t.string:
                a = s.starts[t.start[0] - 1] + len(lines[t.start[0] - 1][: t.start[1]].encode())
                b = s.starts[t.end[0] - 1] + len(lines[t.end[0] - 1][: t.end[1]].encode())
                s.edit(a, b, new)


# ---------------------------------------------------------------- write
def assemble(new, parts):
    doc = None
    for s in parts:
        strings_in(s)
        first = s.tree.body[0] if s.tree.body else None
        if isinstance(first, ast.Expr) and isinstance(first.value, ast.Constant) and isinstance(first.value.value, str):
            a, b = s.lines_of(first)
            s.doc_text = s.applied(*s.span(first))
            for key in [k for k in s.edits if a <= k[0] and k[1] <= b]:
                del s.edits[key]
            s.edit(a, b, "")
        else:
            s.doc_text = ""
    if doc is None:
        if len(parts) == 1:
            doc = parts[0].doc_text
        else:
            said = [inspect.cleandoc(ast.literal_eval(s.doc_text)) if s.doc_text else "" for s in parts]
            first = docs.SUMMARY.get(new) or said[0].split("\n")[0]
            if new not in docs.SUMMARY:
                notes.append(f"no summary for {new}")
            said = ["\n".join(x.split("\n")[1:]) if p.name in table.SAID else x for x, p in zip(said, parts)]
            said = [x.removeprefix(first).strip() for x in said]
            said = [textwrap.fill(x, 118) if "\n" not in x else x for x in said]
            doc = '"""' + "\n\n".join([first, *(x for x in said if x)]) + '\n"""'
            if "\\" in doc:
                problems.append(f"{new}: a backslash in the docstring")
    else:
        doc = f'"""{doc.strip()}\n"""' if "\n" in doc.strip() else f'"""{doc.strip()}"""'
    items = [x for s in parts for x in s.header]
    future = any(x == "from __future__ import annotations" for x, _ in items)
    runtime = list(dict.fromkeys(x for x, c in items if not c and not x.startswith("from __future__")))
    checking = [x for x in dict.fromkeys(x for x, c in items if c) if x not in runtime]
    imports = [x for x in checking if x.startswith(("from ", "import "))]
    others = [x for x in checking if not x.startswith(("from ", "import "))]
    if checking and "from typing import TYPE_CHECKING" not in runtime:
        runtime.append("from typing import TYPE_CHECKING")
    if not checking and "from typing import TYPE_CHECKING" in runtime:
        runtime.remove("from typing import TYPE_CHECKING")
    lines = [doc, ""]
    if future:
        lines += ["from __future__ import annotations", ""]
    lines += [*runtime, ""]
    if checking:
        lines += ["if TYPE_CHECKING:", *("    " + x for x in imports), ""]
        lines += ["\n".join("    " + y for y in x.splitlines()) for x in others]
    bodies = [s.applied().strip("\n") for s in parts]
    return "\n".join(lines) + "\n\n" + "\n\n\n".join(b for b in bodies if b.strip()) + "\n"


texts = {}
for new, parts in MODULES.items():
    r = REWRITERS[new] = Rewriter(new, [sources[o] for o in parts])
    r.run()
    texts[new] = r
texts = {new: assemble(new, r.parts) for new, r in texts.items()}

others = {}
coded = [old[f][0] for f in sorted(faces) if f not in FACES and f not in docs.ROOMS and len(sources[f].tree.body) > 1]
for top_dir in ("geoqa", "tests", "sample_data"):
    for path in coded if top_dir == "geoqa" else sorted((TREE / top_dir).rglob("*.py")):
        s = Source(f"{path.relative_to(TREE)}", path.read_text(encoding="utf-8"), path)
        r = Rewriter("", [s])
        r.new = None
        todo = collections.defaultdict(list)
        for a, stmt, scope in s.names.aliases:
            if isinstance(stmt, ast.ImportFrom) and (stmt.module or "").split(".")[0] == "geoqa":
                todo[stmt].append((a, scope))
        chosen = {}
        for level in (True, False):
            for stmt, aliases in todo.items():
                if (aliases[0][1] is s.names.root) is level:
                    r.statement(s, stmt, aliases, chosen if level else {}, level, chosen)
                    if level and hasattr(stmt, "becomes"):
                        a, b = s.span(stmt)
                        s.edit(a, b, ("\n" + " " * stmt.col_offset).join(stmt.becomes))
        strings_in(s)
        others[path] = s
for path, s in others.items():
    s.done = s.applied()

print(*notes, sep="\n")
if problems:
    print("PROBLEMS", *problems, sep="\n  ")
if "--report" in sys.argv:
    sys.exit()
import finish
finish.write(TREE, PKG, MODULES, HOME, FACES, faces, old, texts, others, dotted_in, paths_in)
