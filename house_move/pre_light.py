"""The step control-checks loads nothing heavy when it is listed."""
import re, sys
from pathlib import Path
path = Path(sys.argv[1]) / "geoqa" / "analysis" / "control.py"
text = path.read_text(encoding="utf-8")
line = "from geoqa.core import off_control\n"
first = text.find("off_control.")
if text.count(line) != 1 or first < 0:
    print("control.py imports off_control otherwise: nothing done")
else:
    start = text.rindex("\ndef ", 0, first)
    uses = [m.start() for m in re.finditer(r"off_control\.", text)]
    end = text.find("\ndef ", start + 1)
    if any(not start < at < (end if end > 0 else len(text)) for at in uses):
        print("control.py uses off_control in several functions: nothing done")
    else:
        head = re.compile(r'"""(?:[^"]|"(?!""))*"""\n').search(text, start)
        text = text[: head.end()] + "    from geoqa.core import off_control\n\n" + text[head.end():]
        text = text.replace(line, "", 1)
        path.write_text(text, encoding="utf-8")
