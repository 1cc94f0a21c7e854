"""Rooms, modules, lines, floors and circles of a tree, from its imports: python picture.py TREE [--md]."""
import ast, collections, sys
from pathlib import Path
root = Path(sys.argv[1]) / "geoqa"
def name(p):
    n = ".".join(p.relative_to(root).with_suffix("").parts)
    return "" if n == "__init__" else n.removesuffix(".__init__")
mods = {name(p): p for p in sorted(root.rglob("*.py"))}
faces = {n for n, p in mods.items() if p.name == "__init__.py"}
g, lines = {}, {}
for n, p in mods.items():
    text = p.read_text(); lines[n] = len(text.splitlines()); g[n] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "geoqa":
            b = node.module.removeprefix("geoqa").lstrip(".")
            for a in node.names:
                f = f"{b}.{a.name}".lstrip(".")
                g[n].add(f if f in mods else b)
    g[n].discard(n)
def room(n): return n if n in faces else n.rpartition(".")[0]
SINGLE = {"cli", "pipeline", "plugins", "__main__", ""}
def unit(n): return n or "__init__" if (room(n) == "" ) else room(n)
ug = collections.defaultdict(set)
for a in g:
    for b in g[a]:
        if unit(a) != unit(b): ug[unit(a)].add(unit(b))
level = {}
def lev(u, seen=()):
    if u in seen: raise SystemExit(f"circle {seen} {u}")
    if u not in level: level[u] = 1 + max([lev(v, (*seen, u)) for v in ug[u]], default=0)
    return level[u]
for u in {unit(n) for n in mods}: lev(u)
print("| floor | room | modules (lines) | lines |\n|---|---|---|---|")
rooms = collections.defaultdict(list)
for n in mods: rooms[unit(n)].append(n)
for u in sorted(rooms, key=lambda u: (-level[u], u)):
    ms = [n for n in rooms[u] if n not in faces or unit(n) == "__init__"]
    print(f"| {level[u]} | `{u}` | " + ", ".join(f"{n.rpartition('.')[2] or '__init__'} {lines[n]}" for n in ms) + f" | {sum(lines[n] for n in rooms[u])} |")
plain = sorted(lines[n] for n in mods if n not in faces)
print(f"\n{len(plain)} modules, {len(faces)} rooms, median {plain[len(plain)//2]}, largest {plain[-1]}, at most {max(len([n for n in v if n not in faces]) for v in rooms.values())} in a room")
