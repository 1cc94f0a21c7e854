"""The settings of the log reader leave the reader, so that what reads for it need not know it: no circle is left."""
import ast, sys
from pathlib import Path

room = Path(sys.argv[1]) / "geoqa" / "readers"
path = room / "nmea.py"
text = path.read_text(encoding="utf-8")
lines = text.split("\n")
tree = ast.parse(text)
cls = next(n for n in tree.body if isinstance(n, ast.ClassDef) and n.name == "NmeaReader")
fields = [n for n in cls.body if isinstance(n, ast.AnnAssign) and isinstance(n.value, ast.Call) and n.value.func.id == "param"]
name = next(n for n in cls.body if isinstance(n, ast.AnnAssign) and n.target.id == "name")
taken = [lines[name.lineno - 1 : name.end_lineno], [""]]
for n in fields:
    taken.append(lines[n.lineno - 1 : n.end_lineno])
gone = {k for n in [name, *fields] for k in range(n.lineno - 1, n.end_lineno)}
GONE = {"CORRELATION_S", "GAP_S", "HOLD_S", "LOST_S", "param"}
kept = []
for k, line in enumerate(lines):
    if k in gone:
        continue
    line = line.replace("class NmeaReader(Reader):", "class NmeaReader(LogSettings, Reader):")
    kept.append(line)
new = "\n".join(kept)
more = []
for n in tree.body:
    if isinstance(n, ast.ImportFrom) and (n.module or "").startswith("geoqa") and GONE & {a.name for a in n.names}:
        left = [a for a in n.names if a.name not in GONE]
        becomes = ast.unparse(ast.ImportFrom(n.module, left, 0)) if left else ""
        new = new.replace("\n".join(lines[n.lineno - 1 : n.end_lineno]) + "\n", becomes + "\n" if left else "", 1)
first = "from geoqa.core.steps import"
new = new.replace(first, "from geoqa.readers.nmea_settings import LogSettings\n" + first, 1)
path.write_text(new, encoding="utf-8")
head = '''"""What the recipe may state of receiver logs, for all modules that read them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from geoqa.core.job import CORRELATION_S, GAP_S, HOLD_S, LOST_S
from geoqa.core.params import param


@dataclass(frozen=True, kw_only=True)
class LogSettings:
    """The settings of the step `nmea`."""

'''
(room / "nmea_settings.py").write_text(head + "\n".join("\n".join(x) for x in taken) + "\n", encoding="utf-8")
for name in ("nmea_files.py", "log_results.py"):
    files = room / name
    text = files.read_text(encoding="utf-8")
    text = text.replace("from geoqa.readers.nmea import NmeaReader", "from geoqa.readers.nmea_settings import LogSettings")
    text = text.replace("step: NmeaReader", "step: LogSettings")
    files.write_text(text, encoding="utf-8")
    if "NmeaReader" in text.replace("nmea.NmeaReader", ""):
        print(f"NmeaReader is still named in {name}")
import subprocess
for how in (["check", "-q", "--fix", "--select", "I001,F401"], ["format", "-q"]):
    subprocess.run(["ruff", *how, str(room)], cwd=sys.argv[1], check=True)
