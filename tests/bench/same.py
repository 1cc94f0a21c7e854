"""Does another commit do the same, byte for byte? `python tests/bench/same.py OLD [NEW]`.

Both commits are installed, one after the other, into one environment that sees this interpreter's libraries. Each
reviews both sample sites, the first of them again in feet and in a local frame, and the demo's receiver logs, with
every `--also`; then each command that works on a review is run. Inputs are made once, the same for both. Compared
are every file that is written, what is printed, and exit codes. Ends with 0 where nothing differs, with 1 otherwise.
"""

from __future__ import annotations

import argparse
import csv
import os
import re
import shutil
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FORMATS = ("csv", "landxml", "dxf", "gpx", "kml", "xlsx", "geojson", "geoparquet")
#: What a job's frame cannot give: a local one has no place on the Earth, the logs' counts in longitude and latitude.
REFUSED = {"local": {"gpx", "kml", "geojson"}, "logs": {"landxml", "dxf"}}
FOOT_M = 0.3048
#: A library writes sets of names into DXF in the order of their hashes.
FIXED = os.environ | {"PYTHONHASHSEED": "0"}
WRITE_LOGS = "import sys; from geoqa import demo; demo.write_logs(sys.argv[1])"


def sites(folder: Path) -> dict[str, tuple[list[str], str]]:
    """Write the inputs of every job that needs no geoqa to be made; return files and recipe of each."""
    totara, lantern = (ROOT / "sample_data" / name for name in ("totara_saddle", "lantern_fork"))
    recipe = (totara / "site.toml").read_text(encoding="utf-8")
    made = {"totara": recipe, "feet": recipe.replace('unit = "m"', 'unit = "ft"', 1).replace(
        'unit_height = "m"', 'unit_height = "ft"', 1
    ), "local": recipe.replace('crs = "EPSG:2193"', 'crs = "local"', 1)}  # fmt: skip
    if len(set(made.values())) < len(made):
        sys.exit("the recipe of the sample site has changed: its units or its system are not where they were")
    for name, text in made.items():
        place = folder / name
        place.mkdir()
        (place / "site.toml").write_text(text, encoding="utf-8")
        shutil.copy(totara / "occupations.csv", place)
    with (folder / "feet" / "occupations.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    at = [head.index(name) for name in ("East", "North", "Height")]
    for row in rows:
        for k in at:
            if k < len(row) and re.fullmatch(r"-?\d+(\.\d+)?", row[k]):  # some rows are damaged, and stay so
                row[k] = f"{float(row[k]) / FOOT_M:.4f}"
    with (folder / "feet" / "occupations.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *rows])
    shutil.copytree(lantern, folder / "lantern")
    found = {name: (["occupations.csv"], "site.toml") for name in made}
    return found | {"lantern": (["points.txt"], "site.toml")}


def environment(folder: Path) -> Path:
    """Return the interpreter of a new environment that also sees the libraries of this one."""
    venv.create(folder, with_pip=True)
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    # The environment's own setuptools may be too old for pyproject.toml; that of this interpreter takes its place.
    subprocess.run([python, "-m", "pip", "uninstall", "-q", "-y", "setuptools"], check=True)
    own = told(python, "import sysconfig; print(sysconfig.get_path('purelib'))", folder)
    seen = [path for path in sys.path if Path(path).name in {"site-packages", "dist-packages"}]
    (Path(own) / "libraries.pth").write_text("\n".join(seen) + "\n", encoding="utf-8")
    return python


def told(python: Path, code: str, at: Path) -> str:
    """Return what a line of code prints."""
    return subprocess.run([python, "-c", code], capture_output=True, text=True, check=True, cwd=at).stdout.strip()


def install(python: Path, commit: str, place: Path) -> None:
    """Install a commit in place of what was there."""
    subprocess.run(["git", "worktree", "add", "-q", "--detach", place, commit], cwd=ROOT, check=True)
    try:
        how = ["-q", "--no-deps", "--no-build-isolation", "--force-reinstall"]
        subprocess.run([python, "-m", "pip", "install", *how, place], check=True)
    finally:
        subprocess.run(["git", "worktree", "remove", "--force", place], cwd=ROOT, check=True)
    shown = told(python, "import geoqa; print(geoqa.__file__)", place.parent)
    if not Path(shown).is_relative_to(python.parents[1]):
        sys.exit(f"{shown} is what Python imports, not what was installed")


def run(python: Path, jobs: dict[str, tuple[list[str], str]], folder: Path, only: list[str]) -> None:
    """Run every command of every job in `folder`; what each prints and ends with is kept beside its files."""
    number = 0

    def geoqa(*words: str, at: Path) -> None:
        nonlocal number
        number += 1
        done = subprocess.run([python, "-m", "geoqa", *words], cwd=at, capture_output=True, check=False, env=FIXED)
        told = re.sub(rb"(?m)^ +[0-9.]+ s  .*\n?", b"", done.stderr)  # the stages of a run and how long they took
        text = b"\n".join([" ".join(words).encode(), done.stdout, told, str(done.returncode).encode()])
        (folder / f"{number:02d}-{at.name}-{words[0]}.txt").write_bytes(text)
        if done.returncode not in (0, 1):  # 1: some points may not be delivered
            sys.exit(f"geoqa {' '.join(words)} in {at.name} does not run: {done.stderr.decode()}")

    for words in (("--help",), ("steps",), ("steps", "--json"), ("review", "--help"), ("demo", "demo")):
        geoqa(*words, at=folder)
    for name, (files, recipe) in jobs.items():
        if only and name not in only:
            continue
        at = folder / name
        formats = ",".join(word for word in FORMATS if word not in REFUSED.get(name, ()))
        geoqa("review", *files, "-r", recipe, "-o", "out", "--also", formats, at=at)
        geoqa("review", *files, "-r", recipe, "-o", "all", "--also", formats, "--all-points", "--since", "out", at=at)
        geoqa("recipe", files[0], at=at)
        geoqa("plots", "out", at=at)
        geoqa("map", "out", "-o", "again.html", at=at)
        geoqa("deliver", "out", "--also", "csv", "--all-points", at=at)
        geoqa("run", "zones", "out", "-o", "zones.gpkg", at=at)
        geoqa("compare", "out", "all", at=at)


def differences(a: Path, b: Path) -> list[str]:
    """Return the files that are not in both folders with the same bytes."""
    every = sorted({p.relative_to(x) for x in (a, b) for p in x.rglob("*") if p.is_file()})
    found = []
    for name in every:
        if not ((a / name).exists() and (b / name).exists()):
            found.append(f"{name} is written by one of them")
        elif (a / name).read_bytes() != (b / name).read_bytes():
            found.append(f"{name} differs")
    print(f"{len(every)} files compared, {len(found)} differ")
    return found


def main() -> int:
    """Compare two commits; return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("old")
    parser.add_argument("new", nargs="?", default="HEAD")
    parser.add_argument("--keep", type=Path, help="folder to keep everything in")
    parser.add_argument("--only", action="append", default=[], help="a job: totara, feet, local, lantern, logs")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        base = asked.keep or Path(temporary)
        base.mkdir(parents=True, exist_ok=True)
        python = environment(base / "environment")
        inputs = base / "inputs"
        inputs.mkdir()
        jobs = sites(inputs)
        # Whatever makes a difference must be the code: the same folder, one after the other.
        place = base / "place"
        for word, commit in (("old", asked.old), ("new", asked.new)):
            install(python, commit, base / "tree")
            if word == "old":
                (inputs / "logs").mkdir()
                subprocess.run([python, "-c", WRITE_LOGS, inputs / "logs"], check=True)
                jobs["logs"] = (sorted(p.name for p in (inputs / "logs").glob("*.nmea")), "logs.toml")
            shutil.copytree(inputs, place)
            run(python, jobs, place, asked.only)
            place.rename(base / word)
        found = differences(base / "old", base / "new")
    print(*found, sep="\n")
    return int(bool(found))


if __name__ == "__main__":
    sys.exit(main())
