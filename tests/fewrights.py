"""The command without the superuser's right to read and write everything."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import sites

IS_SUPERUSER = hasattr(os, "geteuid") and os.geteuid() == 0
#: Keeps the user, and takes from it what lets the superuser pass over permissions.
PREFIX = ("setpriv", "--bounding-set=-dac_override,-dac_read_search", "--inh-caps=-all") if IS_SUPERUSER else ()


def _why_not() -> str:
    if not hasattr(os, "geteuid"):
        return "this system has other permissions than chmod's"
    if not IS_SUPERUSER:
        return ""
    if shutil.which("setpriv") is None:
        return "runs as the superuser, whom no permission binds, and setpriv is not installed"
    done = subprocess.run([*PREFIX, "true"], capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else f"the superuser cannot give up rights here: {done.stderr.strip()}"


WHY_NOT = _why_not()


def run(arguments: list[object]) -> subprocess.CompletedProcess[str]:
    """Run geoqa bound by the permissions of files and folders."""
    command = [*PREFIX, sys.executable, "-m", "geoqa", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


def refusals(folder: Path) -> dict[str, list[object]]:
    """Return calls that must end with 2, by what may not be done."""
    data, toml = sites.write(folder)
    out = folder / "out"
    locked_file = _copy(data, folder / "locked.csv", 0o000)
    locked_recipe = _copy(toml, folder / "locked.toml", 0o000)
    below = folder / "locked folder"
    below.mkdir()
    inside, recipe_inside = _copy(data, below / "x.csv", 0o644), _copy(toml, below / "x.toml", 0o644)
    shared = folder / "read only"
    (shared / "out").mkdir(parents=True)
    for locked in (shared / "out", shared):
        locked.chmod(0o555)
    below.chmod(0o000)
    lookup = toml.read_text(encoding="utf-8") + '[match]\nby = "lookup"\nfile = "locked.csv"\n'
    with_lookup = folder / "lookup.toml"
    with_lookup.write_text(lookup, encoding="utf-8")
    decided = folder / "decided.toml"
    decided.write_text(toml.read_text(encoding="utf-8") + '[decisions]\nfile = "locked.csv"\n', encoding="utf-8")
    return {
        "an input that may not be read": ["review", locked_file, "-r", toml, "-o", out],
        "an input in a folder that may not be entered": ["review", inside, "-r", toml, "-o", out],
        "a recipe that may not be read": ["review", data, "-r", locked_recipe, "-o", out],
        "a recipe in a folder that may not be entered": ["review", data, "-r", recipe_inside, "-o", out],
        "a lookup that may not be read": ["review", data, "-r", with_lookup, "-o", out],
        "decisions that may not be read": ["review", data, "-r", decided, "-o", out],
        "a proposal for a file that may not be read": ["recipe", locked_file],
        "a proposal for a file in a locked folder": ["recipe", inside],
        "an output in a folder that may not be written": ["review", data, "-r", toml, "-o", shared / "new"],
        "an old output that may not be replaced": ["review", data, "-r", toml, "-o", shared / "out"],
        "an output in a folder that may not be entered": ["review", data, "-r", toml, "-o", below / "out"],
        "an output that is a folder that may not be entered": ["review", data, "-r", toml, "-o", below],
    }


def unlock(folder: Path) -> None:
    """Give the rights back, so that a temporary folder can be removed."""
    for path in ("locked folder", "read only", "read only/out"):
        if (folder / path).exists():
            (folder / path).chmod(0o755)


def _copy(source: Path, target: Path, mode: int) -> Path:
    target.write_bytes(source.read_bytes())
    target.chmod(mode)
    return target
