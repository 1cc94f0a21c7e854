"""kill -9 at every call of the system that a write makes, told to the kernel by strace; run with ``-m bench -s``."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections import Counter

import pytest
from outputs import commits

MARK = "/geoqa-the-commit-starts"
#: Calls that change something on the disk, or that stand before or after one that does.
CALLS = (
    "openat", "write", "close", "fsync", "chmod", "fchmod", "chown", "fchownat", "fchmodat", "link", "linkat",
    "symlink", "symlinkat", "mkdir", "mkdirat", "rename", "renameat", "renameat2", "unlink", "unlinkat", "rmdir",
    "flock",
)  # fmt: skip


def strace(out, *how):
    """Run a write under strace and return what it told."""
    call = ["strace", "-f", "-o", str(out.parent / "told"), *how, sys.executable, commits.__file__, "once", str(out)]
    subprocess.run(call, capture_output=True, check=False)
    return (out.parent / "told").read_text().splitlines()


@pytest.mark.bench
@pytest.mark.skipif(shutil.which("strace") is None, reason="strace is not installed")
def test_killed_at_every_call(tmp_path):
    """Each file is whole, other people's untouched, the set finished or dropped by the next write, every time."""
    out = tmp_path / "out"
    commits.start(out)
    names = ",".join(CALLS)
    lines = strace(out, "-e", f"trace={names},access,faccessat,faccessat2")
    assert commits.state(out) == "second"
    start = next(k for k, line in enumerate(lines) if MARK in line)
    seen: Counter[str] = Counter()
    moments = []
    for k, line in enumerate(lines):
        found = re.match(r"\d+ +(\w+)\(", line)
        if found and found[1] in CALLS:
            seen[found[1]] += 1
            if k > start:
                moments.append((found[1], seen[found[1]]))
    shutil.rmtree(out)
    assert {name for name, _ in moments} >= {"openat", "fsync", "rename", "unlink", "rmdir"}
    tally: Counter[str] = Counter()
    for name, n in moments:
        commits.start(out)
        was = commits.others(out)
        told = strace(out, "-e", f"trace={name}", "-e", f"inject={name}:signal=KILL:when={n}")
        if not any("killed by SIGKILL" in line for line in told):
            assert commits.state(out) == "second", (name, n)  # the interpreter made fewer calls before it this time
            tally["not killed"] += 1
        tally[f"{commits.judged(out, was)} -> {commits.settled(out, was)}"] += 1
        shutil.rmtree(out)
    print(f"\n{len(moments)} kills at {', '.join(sorted({name for name, _ in moments}))}: {dict(tally)}")
    assert tally["not killed"] <= len(moments) // 20
    assert set(tally) - {"not killed"} == {
        "first -> first",
        "first told -> second",
        "both told -> second",
        "second -> second",
    }
