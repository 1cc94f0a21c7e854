"""The finder of mutants and the planted faults know modules by their place."""
import ast, re, sys
from pathlib import Path
sys.path.insert(0, str(Path(__file__).parent))
from table import MODULES

tree = Path(sys.argv[1])
home = {o: n for n, parts in MODULES.items() for o in parts}
path = tree / "tests" / "bench" / "planted.py"
text = path.read_text(encoding="utf-8")
text = re.sub(r'"((?:core|readers|analysis|outputs)(?:/\w+)+)"', lambda m: '"' + home.get(m[1].replace("/", "."), m[1].replace("/", ".")).replace(".", "/") + '"', text)
for a, b in [
    ("worst.told(", "wording.beside_limit("), ('"nu_v=-groups.largest(-spread.nu_v', '"nu_v=-groups.largest(-spread.nu_v'),
    ("covariance.line_factor(", "covariance.line_factor("),
]:
    text = text.replace(a, b)
path.write_text(text, encoding="utf-8")
space = {}
for node in ast.parse(text).body:
    if isinstance(node, ast.AnnAssign) and node.target.id == "PLANTED":
        for what, short, old, new in ast.literal_eval(node.value):
            there = tree / "geoqa" / f"{short}.py"
            n = there.read_text(encoding="utf-8").count(old) if there.exists() else -1
            if n != 1:
                print(f"PLANTED text stands {n} times in {short}: {old}")
path = tree / "tests" / "bench" / "mutants.py"
text = path.read_text(encoding="utf-8")
def block(name, new):
    global text
    m = re.search(rf"^{name} = \(.*?\n?\)(?:  # fmt: skip)?\n|^{name} = \{{.*?\n\}}\n", text, re.S | re.M)
    if not m:
        print(f"mutants.py: no {name}")
        return
    text = text.replace(m[0], new)
block("CORE", '''CORE = (
    "clock", "geodesy", "raster", "recipe", "units", "vector_files", "site/assembly", "site/matching", "statistics/*",
)  # fmt: skip
''')
block("OUTPUTS", '''OUTPUTS = (
    "deliver/*", "field/walk_sketch", "field/waypoints", "layers/positions", "map/block", "map/grid_fit", "map/packing",
    "tables",
)  # fmt: skip
''')
block("WORDS_ONLY", 'WORDS_ONLY = ("__init__", "history")\n')
text = text.replace('some = [package / "core" / f"{name}.py" for name in CORE]', 'some = [path for name in CORE for path in (package / "core").glob(f"{name}.py")]')
text = text.replace('"outputs/grid_fit": (', '"outputs/map/grid_fit": (')
text = text.replace('    "outputs": (*_MAP,', '    "core/statistics": ("tests/core", "tests/analysis"),\n    "outputs": (*_MAP,')
path.write_text(text, encoding="utf-8")
