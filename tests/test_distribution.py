"""What is published works where nothing but it is installed: an sdist, the wheel made of it, its metadata, its command.

Its dependencies come from the running environment by a .pth file, so nothing is fetched.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from email import message_from_string
from pathlib import Path

import pytest

import geoqa

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
BUILD = "import sys; from setuptools import build_meta; print(build_meta.build_{}(sys.argv[1]))"
#: README's first command; here its steps are done without a network.
FIRST = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/geoqa demo out"


def run(*command, cwd):
    keep = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "PYTHONHOME")}
    done = subprocess.run([*map(str, command)], cwd=cwd, env=keep, capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, f"{command}\n{done.stdout}{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Return the wheel that is built of the sdist, which is built of the sources."""
    base = tmp_path_factory.mktemp("dist")
    source = base / "source"
    shutil.copytree(ROOT / "geoqa", source / "geoqa", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source)
    run(sys.executable, "-c", BUILD.format("sdist"), base, cwd=source)
    (packed,) = base.glob("*.tar.gz")
    with tarfile.open(packed) as archive:
        archive.extractall(base / "sdist", filter="data")
    (unpacked,) = (base / "sdist").iterdir()
    run(sys.executable, "-c", BUILD.format("wheel"), base, cwd=unpacked)
    (made,) = base.glob("*.whl")
    return made


@pytest.fixture(scope="module")
def bare(wheel, tmp_path_factory):
    """Return the folder of commands of an environment that has the wheel and, beside it, what it depends on."""
    home = tmp_path_factory.mktemp("bare") / ".venv"
    venv.create(home, with_pip=False)
    commands = home / ("Scripts" if os.name == "nt" else "bin")
    python = commands / Path(sys.executable).name
    python = python if python.exists() else commands / "python"
    call = ("-m", "pip", "--python", python, "install", "--no-deps", "--no-index", "--no-compile", "--quiet", wheel)
    run(sys.executable, *call, cwd=home)
    own = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=home).strip()
    beside = [path for path in sys.path if Path(path).name in ("site-packages", "dist-packages")]
    (Path(own) / "beside.pth").write_text("\n".join(beside), encoding="utf-8")
    assert Path(run(python, "-c", "import geoqa; print(geoqa.__file__)", cwd=home).strip()).is_relative_to(own)
    return commands


def test_the_wheel_holds_every_file_of_the_package(wheel):
    held = {name for name in zipfile.ZipFile(wheel).namelist() if name.startswith("geoqa/")}
    there = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "geoqa").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert held == there


def test_the_metadata_is_what_an_index_shows(wheel):
    (name,) = (one for one in zipfile.ZipFile(wheel).namelist() if one.endswith(".dist-info/METADATA"))
    shown = message_from_string(zipfile.ZipFile(wheel).read(name).decode("utf-8"))
    assert (shown["Name"], shown["Version"]) == (PROJECT["name"], PROJECT["version"])
    assert shown["License-Expression"] == "MIT" and shown["License-File"] == "LICENSE"
    assert shown["Description-Content-Type"] == "text/markdown"
    assert shown.get_payload().startswith("# geoqa\n")
    assert len(shown["Summary"]) < 130 and len(shown["Keywords"].split(",")) >= 5
    assert len(shown.get_all("Classifier")) >= 5 and shown.get_all("Project-URL") is None  # there is no address yet


def test_what_is_installed_shows_its_guide_and_its_demo(bare, tmp_path):
    assert FIRST in (ROOT / "README.md").read_text(encoding="utf-8")
    geoqa = bare / "geoqa"
    chapters = [path.stem for path in (ROOT / "geoqa" / "guide").glob("*.md")]
    listed = run(geoqa, "guide", cwd=tmp_path)
    assert all(re.search(rf"(?m)^{name} ", listed) for name in chapters)
    run(geoqa, "guide", "--html", "guide.html", cwd=tmp_path)
    assert (tmp_path / "guide.html").read_text(encoding="utf-8").count("<section") == len(chapters)
    run(geoqa, "demo", "out", cwd=tmp_path)
    assert (tmp_path / "out" / "map.html").stat().st_size > 100_000
    assert (tmp_path / "out" / "report.html").exists()


def test_the_version_is_one():
    cited = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert geoqa.__version__ == PROJECT["version"]
    assert re.search(r"(?m)^version: (.+)$", cited)[1] == PROJECT["version"]
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.search(r"(?m)^## ([\d.]+)", changes)[1] == PROJECT["version"]
