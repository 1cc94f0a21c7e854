"""The step and frame `procedures` are called `calibration_by_procedure`, as what they hold is called: after the move."""
import re, subprocess, sys
from pathlib import Path

tree = Path(sys.argv[1])
done = []
for path in sorted(tree.rglob("*")):
    rel = path.relative_to(tree)
    if path.suffix not in {".py", ".md", ".toml", ".json", ".js"} or ".git" in rel.parts or rel.name == "CHANGELOG.md":
        continue
    text = path.read_text(encoding="utf-8")
    new = re.sub(r"\bProcedures\b", "CalibrationByProcedure", text) if path.suffix in {".py", ".toml"} else text
    new = re.sub(r"\bPROCEDURES\b", "CALIBRATION_BY_PROCEDURE", new)
    new = new.replace('name = "procedures"', 'name = "calibration-by-procedure"').replace("class-shares, procedures.", "class-shares, calibration-by-procedure.")
    new = re.sub(r"^procedures = ", "calibration-by-procedure = ", new, flags=re.M)
    new = re.sub(r'(["`])procedures\1', r"\1calibration_by_procedure\1", new)
    if rel.as_posix() == "tests/test_testing.py":
        new = new.replace('"calibration_by_procedure"', '"calibration-by-procedure"')
    if new != text:
        path.write_text(new, encoding="utf-8")
        done.append(str(rel))
change = tree / "CHANGELOG.md"
text = change.read_text(encoding="utf-8")
line = "- The step `procedures` is `calibration-by-procedure`, its frame and layer `calibration_by_procedure`.\n"
m = re.search(r"## 0.1.0, unreleased\n\n", text)
if m:
    text = text[: m.end()] + line + text[m.end():]
else:
    print("CHANGELOG.md has no place for what is unreleased")
change.write_text(text, encoding="utf-8")
subprocess.run(["ruff", "format", "-q", "geoqa", "tests"], cwd=tree, check=True)
subprocess.run(["ruff", "check", "-q", "--fix", "--select", "I001", "geoqa", "tests"], cwd=tree, check=True)
print(*done, sep="\n")
