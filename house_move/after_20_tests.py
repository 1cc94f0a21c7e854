"""Small things in the tests that no rule covers."""
import sys
from pathlib import Path
tree = Path(sys.argv[1])
CHANGES = {
    "tests/core/test_vectors.py": [
        ("from geoqa.core import vectors; p = vectors.library(); ", "from geoqa.core import vector_files; p = vector_files.library(); "),
        ('found == ["vectors.py"]', 'found == ["vector_files.py"]'),
    ],
}
for rel, pairs in CHANGES.items():
    path = tree / rel
    text = path.read_text(encoding="utf-8")
    for a, b in pairs:
        if a not in text:
            print(f"NOT FOUND in {rel}: {a}")
        text = text.replace(a, b)
    path.write_text(text, encoding="utf-8")
