"""The output folder is whole at every moment."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time

import pytest

from geoqa.core.errors import OutputError
from geoqa.outputs import folder


def fill(path, text):
    with folder.replacing(path) as staging:
        (staging / "map.html").write_text(text)


def leftovers(path):
    return [p.name for p in path.parent.iterdir() if p.name.startswith(f".{path.name}")]


def test_makes_parents_and_replaces(tmp_path):
    out = tmp_path / "a" / "b" / "out"
    fill(out, "first")
    fill(out, "second")
    assert (out / "map.html").read_text() == "second"
    assert leftovers(out) == []


def test_other_files_stay(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "photo.jpg").write_bytes(b"mine")
    (out / "notes").mkdir()
    (out / "notes" / "a.txt").write_text("mine too")
    fill(out, "new")
    assert (out / "photo.jpg").read_bytes() == b"mine"
    assert (out / "notes" / "a.txt").read_text() == "mine too"
    assert (out / "map.html").read_text() == "new"


@pytest.mark.parametrize("error", [ValueError("planted"), KeyboardInterrupt(), MemoryError()])
def test_a_failure_leaves_the_old_folder_whole(tmp_path, error):
    out = tmp_path / "out"
    fill(out, "old")
    with pytest.raises(type(error)), folder.replacing(out) as staging:
        (staging / "map.html").write_text("half")
        raise error
    assert (out / "map.html").read_text() == "old"
    assert leftovers(out) == []


@pytest.mark.parametrize("in_one_step", [True, False])
def test_both_ways_of_exchanging(tmp_path, monkeypatch, in_one_step):
    if not in_one_step:
        monkeypatch.setattr(folder, "_exchange_in_one", lambda a, b: False)
    out = tmp_path / "out"
    fill(out, "old")
    fill(out, "new")
    assert (out / "map.html").read_text() == "new"
    assert leftovers(out) == []


def test_a_full_disk_is_said_and_the_old_folder_stays(tmp_path):
    out = tmp_path / "out"
    fill(out, "old")
    with pytest.raises(OutputError, match=r"disk is full.*--out"), folder.replacing(out):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert (out / "map.html").read_text() == "old"


def test_a_file_a_link_and_the_present_folder_are_refused(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        fill(tmp_path / "file", "x")
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OutputError, match="link"):
        fill(tmp_path / "link", "x")
    monkeypatch.chdir(tmp_path / "real")
    with pytest.raises(OutputError, match="folder you are in"):
        fill(tmp_path / "real", "x")


def test_killed_while_writing_leaves_the_old_folder_whole(tmp_path):
    out = tmp_path / "out"
    fill(out, "old")
    code = (
        "import sys, time\nfrom pathlib import Path\nfrom geoqa.outputs import folder\n"
        "with folder.replacing(Path(sys.argv[1])) as staging:\n"
        "    (staging / 'map.html').write_text('half')\n    print('writing', flush=True)\n    time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", code, str(out)], stdout=subprocess.PIPE, text=True)
    assert process.stdout.readline().strip() == "writing"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert (out / "map.html").read_text() == "old"
    assert len(leftovers(out)) == 1
    fill(out, "new")
    assert (out / "map.html").read_text() == "new"
    assert leftovers(out) == []  # what the killed run left is gone with the next


def test_killed_at_any_moment_leaves_one_of_the_two_folders_whole(tmp_path):
    """A writer that replaces the folder again and again is killed at different moments."""
    out = tmp_path / "out"
    fill(out, "0" * 1000)
    code = (
        "import sys\nfrom pathlib import Path\nfrom geoqa.outputs import folder\n"
        "for n in range(1, 100000):\n"
        "    with folder.replacing(Path(sys.argv[1])) as staging:\n"
        "        (staging / 'map.html').write_text(str(n % 10) * 1000)\n"
        "        (staging / 'run.json').write_text(str(n % 10) * 1000)\n"
        "    print(n, flush=True)\n"
    )
    for moment in range(6):
        process = subprocess.Popen([sys.executable, "-c", code, str(out)], stdout=subprocess.PIPE, text=True)
        process.stdout.readline()
        time.sleep(0.003 * moment)
        process.kill()
        process.wait()
        process.stdout.close()
        written = (out / "map.html").read_text()
        assert len(written) == 1000
        assert written == (out / "run.json").read_text()
