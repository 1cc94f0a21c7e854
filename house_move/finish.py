"""Write the moved tree."""
import ast, json, re, shutil, subprocess, sys, textwrap
from pathlib import Path
import docs, tests_table

RUFF = "ruff"


def home_block(text):
    """The dictionary of the package's own names, its keys merged."""
    m = re.search(r"_HOME = \{\n.*?\n\}\n", text, re.S)
    tree = ast.parse(m[0]).body[0].value
    merged = {}
    for k, v in zip(tree.keys, tree.values):
        merged.setdefault(k.value, []).extend(e.value for e in v.elts)
    said = {k: ", ".join(f'"{x}"' for x in sorted(v)) + "," * (len(v) == 1) for k, v in merged.items()}
    rows = "".join(f'    "{k}": ({v}),\n' for k, v in sorted(said.items()))
    return text.replace(m[0], "_HOME = {\n" + rows + "}\n")


def write(tree, pkg, modules, home, faces, face_set, old, texts, others, dotted_in, paths_in):
    for name, (path, _) in old.items():
        if path is not None and path not in others:
            path.unlink(missing_ok=True)
    for new, text in texts.items():
        to = pkg / (new.replace(".", "/") + ".py")
        to.parent.mkdir(parents=True, exist_ok=True)
        to.write_text(text, encoding="utf-8")
    for room, doc in docs.ROOMS.items():
        face = pkg / room.replace(".", "/") / "__init__.py"
        face.parent.mkdir(parents=True, exist_ok=True)
        first, *more = doc.strip().split("\n\n")
        said = "\n\n".join([first, *(textwrap.fill(" ".join(x.split()), 118) for x in more)])
        face.write_text(f'"""{said}\n"""\n', encoding="utf-8")
    moved = tests_table.moves(tree)
    for path, s in others.items():
        text = s.done
        rel = str(path.relative_to(tree))
        if path == pkg / "__init__.py":
            text = home_block(text)
        to = tree / moved.get(rel, rel)
        if rel in moved:
            text = deeper(text, len(Path(moved[rel]).parts) - len(Path(rel).parts))
            path.unlink()
        if rel in moved and Path(rel).parts[:2] == ("tests", "analysis"):
            text = re.sub(r"^(\s*)from builders import", r"\1from analysis.builders import", text, flags=re.M)
            text = re.sub(r"^(\s*)import builders$", r"\1from analysis import builders", text, flags=re.M)
        to.parent.mkdir(parents=True, exist_ok=True)
        to.write_text(text, encoding="utf-8")
    for rel, to in tests_table.files(tree).items():
        (tree / to).parent.mkdir(parents=True, exist_ok=True)
        (tree / rel).rename(tree / to)
    for face in pkg.rglob("__init__.py"):
        room = str(face.parent.relative_to(pkg)).replace("/", ".").strip(".")
        if room not in docs.ROOMS and face not in others:
            face.unlink()
    for path in sorted(pkg.rglob("*"), reverse=True):
        if path.is_dir() and path.name != "__pycache__" and not [p for p in path.iterdir() if p.name != "__pycache__"]:
            shutil.rmtree(path)
    names = [*tree.glob("*.toml"), *tree.glob("*.md"), *tree.glob(".ci/*"), tree / ".pre-commit-config.yaml",
             *tree.glob("tests/**/*.md"), *tree.glob("tests/**/*.toml")]
    for path in names:
        if path.is_file() and path.name != "CHANGELOG.md":
            text = path.read_text(encoding="utf-8")
            new = test_paths(paths_in(dotted_in(text)), moved)
            if new != text:
                path.write_text(new, encoding="utf-8")
    for path in [*(tree / "tests").rglob("*.py"), *(tree / "geoqa").rglob("*.py"), *(tree / "sample_data").rglob("*.py")]:
        text = path.read_text(encoding="utf-8")
        new = test_paths(text, moved)
        if new != text:
            path.write_text(new, encoding="utf-8")
    for script in sorted(Path(__file__).parent.glob("after_*.py")):
        subprocess.run([sys.executable, script, str(tree)], check=True)
    run = lambda *a: subprocess.run([RUFF, *a], cwd=tree, check=False)
    run("check", "-q", "--fix", "--select", "I001,F401,UP037,TC", "--ignore", "TC", "geoqa", "tests", "sample_data")
    run("format", "-q", "geoqa", "tests", "sample_data")
    for _ in range(3):
        if not shorten(tree):
            break
        run("format", "-q", "geoqa", "tests", "sample_data")
    run("check", "--output-format", "concise", "geoqa", "tests", "sample_data")


def deeper(text, by):
    """Paths that start at the file itself, from a place that lies deeper."""
    if by == 0:
        return text
    text = re.sub(r"(Path\(__file__\)(?:\.resolve\(\))?\.parents\[)(\d+)(\])", lambda m: f"{m[1]}{int(m[2]) + by}{m[3]}", text)
    return re.sub(r"(Path\(__file__\)(?:\.resolve\(\))?)((?:\.parent\b(?!s))+)",
                  lambda m: f"{m[1]}.parents[{m[2].count('.parent') - 1 + by}]", text)


def test_paths(text, moved):
    return re.sub(r"tests/[\w/]+\.(?:py|json)", lambda m: moved.get(m[0], m[0]), text)


def shorten(tree):
    """Break lines that new names made too long: marks that hold off the formatter, comments, pieces of text."""
    done = subprocess.run([RUFF, "check", "--select", "E501", "--output-format", "json", "geoqa", "tests", "sample_data"],
                          cwd=tree, capture_output=True, text=True, check=False)
    found = json.loads(done.stdout or "[]")
    by = {}
    for x in found:
        by.setdefault(x["filename"], []).append(x["location"]["row"])
    for name, rows in by.items():
        lines = Path(name).read_text(encoding="utf-8").split("\n")
        for row in sorted(rows, reverse=True):
            line = lines[row - 1]
            pad = line[: len(line) - len(line.lstrip())]
            body = line.strip()
            comment = re.match(r"(#:?) ", body)
            if comment:
                lines[row - 1 : row] = textwrap.wrap(body[len(comment[0]):], 118 - len(pad), initial_indent=pad + comment[0],
                                                     subsequent_indent=pad + comment[0])
                continue
            text = re.fullmatch(r"((?:\w+ = )?)(f?)(['\"])(.*)\3(,?)", body)
            skip = next((k for k in range(row - 1, min(row + 12, len(lines))) if lines[k].rstrip().endswith("# fmt: skip")), None)
            if text and text[3] not in text[4]:
                at = cut(text[4], 108 - len(pad) - len(text[1]))
                first, second = (f"{text[2]}{text[3]}{x}{text[3]}" for x in (text[4][:at], text[4][at:]))
                lines[row - 1] = (f"{pad}{text[1]}(\n{pad}    {first}\n{pad}    {second}\n{pad})" if text[1]
                                  else f"{pad}{first}\n{pad}{second}{text[5]}")
            elif skip is not None:
                lines[skip] = lines[skip].rstrip().removesuffix("# fmt: skip").rstrip()
        Path(name).write_text("\n".join(lines), encoding="utf-8")
    return bool(found)


def cut(text, most):
    """Where a text may be cut: behind a blank that stands in no braces."""
    depth, best = 0, 0
    for k, c in enumerate(text[:most]):
        depth += (c == "{") - (c == "}")
        if c == " " and depth == 0:
            best = k + 1
    return best
