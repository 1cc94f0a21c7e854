"""What `geoqa --help` costs beside an empty Python and beside the command-line library alone.

python -m pytest -m bench -s tests/bench/test_start.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

import pytest

RUNS = 15
COMMANDS = {
    "python -c pass": ["-c", "pass"],
    "python -c 'import click'": ["-c", "import click"],
    "geoqa --help": ["-c", "from geoqa.cli import main; main(['--help'])"],
    "geoqa review --help": ["-c", "from geoqa.cli import main; main(['review', '--help'])"],
}


def milliseconds(arguments: list[str]) -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
    return (time.perf_counter() - begin) * 1000


@pytest.mark.bench
def test_help_costs_little_more_than_its_library():
    took = {name: [] for name in COMMANDS}
    for _ in range(RUNS):
        for name, arguments in COMMANDS.items():
            took[name].append(milliseconds(arguments))
    median = {name: statistics.median(values) for name, values in took.items()}
    bare = median["python -c pass"]
    print()
    for name, value in median.items():
        print(f"{name:<26} {value:6.1f} ms, {value - bare:6.1f} ms over an empty Python")
    library = median["python -c 'import click'"] - bare
    assert median["geoqa --help"] - bare < 2 * library
