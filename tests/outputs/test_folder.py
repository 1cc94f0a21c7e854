"""Writing into a folder in place: what is made, what is never touched, what is refused, one writer at a time."""

from __future__ import annotations

import errno
import json
import os
import shutil
import stat
import subprocess
import sys
import threading

import commits
import pytest

from geoqa.core.errors import OutputError
from geoqa.outputs import folder


def fill(path, text="new", *names, **how):
    """Write a set of one file, or of several, each with the same text."""
    made = {"id": text}
    with folder.writing(path, made, **how) as staging:
        for name in names or ("map.html",):
            (staging / name).write_text(text)
    return made


def names(path):
    return sorted(one.name for one in path.iterdir())


def mode(path):
    return stat.S_IMODE(path.lstat().st_mode)


@pytest.fixture
def out(tmp_path):
    """Return a folder that holds a set, and of other people a file, folders and links."""
    path = tmp_path / "out"
    commits.start(path)
    return path


# --- what is made --------------------------------------------------------------------------------------------


def test_makes_parents_and_replaces(tmp_path):
    out = tmp_path / "a" / "b" / "out"
    fill(out, "first")
    fill(out, "second")
    assert (out / "map.html").read_text() == "second"
    assert names(out) == ["map.html", "run.json"]
    assert names(out.parent) == ["out"]


def test_the_record_lists_the_set(out):
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"


def test_files_that_the_new_set_does_not_make_are_removed(out):
    assert (out / "gone.txt").exists()
    commits.write(out, commits.SECOND)
    assert not (out / "gone.txt").exists()


def test_a_file_that_was_changed_since_is_not_removed_and_then_not_replaced(out):
    (out / "gone.txt").write_text("signed by hand")
    commits.write(out, commits.SECOND)
    assert (out / "gone.txt").read_text() == "signed by hand"
    with pytest.raises(OutputError, match=r"holds gone\.txt and no run\.json that lists it.*move it away"):
        commits.write(out, commits.FIRST)
    assert (out / "gone.txt").read_text() == "signed by hand"
    assert (out / "map.html").read_text() == commits.SECOND["map.html"]


def test_a_part_of_a_set_leaves_the_rest_in_it(out):
    made = fill(out, "drawn again", "map.html", replaces=("map.html", "gone.txt"))
    assert sorted(made["files"]) == ["map.html", "points.csv", "same.txt"]
    assert not (out / "gone.txt").exists()
    assert fill(out, "more", "new.txt", replaces=())["files"].keys() == {*made["files"], "new.txt"}


def test_a_set_of_an_earlier_version_is_known_by_its_names(tmp_path):
    """Its run.json lists no files: those of every review, and those it was asked for besides."""
    out = tmp_path / "out"
    out.mkdir()
    for name in ("map.html", "report.pdf", "delivered.xml", "revisits.csv", "theirs.txt"):
        (out / name).write_text("old")
    record = {"recipe": {}, "accounts": {}, "versions": {}, "also": [{"file": "delivered.xml"}, {"file": "../x"}, 3]}
    (out / "run.json").write_text(json.dumps(record))
    (tmp_path / "x").write_text("theirs")
    part = fill(out, "new", "points.csv", replaces=())
    assert sorted(part["files"]) == ["delivered.xml", "map.html", "points.csv", "report.pdf", "revisits.csv"]
    fill(out, "newer")
    assert names(out) == ["map.html", "run.json", "theirs.txt"]
    assert (tmp_path / "x").read_text() == "theirs"


# --- what is never touched -----------------------------------------------------------------------------------


def test_what_is_other_peoples_stays_as_it_is(out):
    was = commits.others(out)
    commits.write(out, commits.SECOND)
    fill(out, "third", "map.html")
    assert commits.others(out) == was
    assert {"photos/a.jpg", "up", "elsewhere.txt", "notes.txt"} <= set(was)
    assert mode(out) == 0o700


@pytest.fixture
def mount():
    """Return a function that mounts something, and take it away again; skip where nothing can be mounted."""
    places = []

    def run(*call):
        if shutil.which("mount") is None:
            pytest.skip("mount is not installed")
        done = subprocess.run(["mount", *call], capture_output=True, text=True, check=False)
        if done.returncode:
            pytest.skip(f"nothing can be mounted here: {done.stderr.strip()}")
        places.append(call[-1])

    yield run
    for place in places:
        subprocess.run(["umount", place], check=True)


@pytest.mark.skipif(sys.platform != "linux", reason="mount is called as on Linux")
@pytest.mark.parametrize("how", ["a disk", "a folder elsewhere"])
def test_a_mounted_disk_keeps_its_files(out, mount, tmp_path, how):
    (tmp_path / "elsewhere").mkdir()
    mount(*(["-t", "tmpfs", "tmpfs"] if how == "a disk" else ["--bind", tmp_path / "elsewhere"]), out / "photos")
    (out / "photos" / "b.jpg").write_bytes(b"on a disk of its own")
    was = commits.others(out)
    assert "photos/b.jpg" in was
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"
    assert commits.others(out) == was
    (out / ".geoqa-new" / "theirs").mkdir(parents=True)
    mount("--bind", out / "photos", out / ".geoqa-new" / "theirs")
    with pytest.raises(OutputError, match="theirs is a folder where geoqa makes only files"):
        commits.write(out, commits.FIRST)
    assert commits.others(out) == was


@pytest.mark.skipif(sys.platform != "linux", reason="mount is called as on Linux")
def test_a_file_mounted_at_a_name_of_ours_is_named_and_everything_put_back(out, mount, tmp_path):
    (tmp_path / "theirs.txt").write_text(commits.FIRST["points.csv"])
    mount("--bind", tmp_path / "theirs.txt", out / "points.csv")
    with pytest.raises(OutputError, match=r"points\.csv cannot be replaced: Device or resource busy"):
        commits.write(out, commits.SECOND)
    assert commits.state(out) == "first"
    assert (tmp_path / "theirs.txt").read_text() == commits.FIRST["points.csv"]


@pytest.mark.parametrize("place", ["link", "mounted"])
@pytest.mark.skipif(sys.platform != "linux", reason="mount is called as on Linux")
def test_the_output_folder_may_be_a_link_or_a_mounted_disk(tmp_path, mount, place):
    (tmp_path / "real").mkdir()
    if place == "link":
        (tmp_path / "link").symlink_to(tmp_path / "real")
    else:
        (tmp_path / "mounted").mkdir()
        mount("-t", "tmpfs", "tmpfs", tmp_path / "mounted")
    for texts, word in ((commits.FIRST, "first"), (commits.SECOND, "second")):
        commits.write(tmp_path / place, texts)
        assert commits.state(tmp_path / place) == word


def test_no_call_touches_what_is_other_peoples(out, monkeypatch):
    """As where a disk is mounted, on any system: nothing in or of it is opened, listed, moved, copied or removed."""
    theirs = {str(out / name) for name in ("photos", "up", "notes.txt", "elsewhere.txt")}
    touched = []

    def hook(event, arguments):
        if watching and event.split(".")[0] in ("os", "open", "shutil"):
            touched.extend(
                (event, str(one)) for one in arguments
                if isinstance(one, (str, os.PathLike)) and any(str(one).startswith(path) for path in theirs)
            )  # fmt: skip

    watching = True
    sys.addaudithook(hook)
    commits.write(out, commits.SECOND)
    watching = False
    assert touched == []


def test_a_link_at_a_name_of_ours_is_replaced_not_followed(out, tmp_path):
    (tmp_path / "theirs.txt").write_text("theirs")
    for name, leads in (("map.html", tmp_path / "theirs.txt"), ("points.csv", tmp_path / "none")):
        (out / name).unlink()
        (out / name).symlink_to(leads)
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"
    assert not (out / "map.html").is_symlink() and not (out / "points.csv").is_symlink()
    assert (tmp_path / "theirs.txt").read_text() == "theirs"
    assert not (tmp_path / "none").exists()


def test_a_link_where_files_are_made_is_replaced_not_followed(out, tmp_path):
    (tmp_path / "theirs").mkdir()
    (tmp_path / "theirs" / "run.json").write_text("theirs")
    (out / ".geoqa-new").symlink_to(tmp_path / "theirs")
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"
    assert names(tmp_path / "theirs") == ["run.json"]


def test_a_second_name_of_a_file_keeps_what_it_had(out, tmp_path):
    os.link(out / "map.html", tmp_path / "kept.html")
    commits.write(out, commits.SECOND)
    assert (tmp_path / "kept.html").read_text() == commits.FIRST["map.html"]


def test_a_replaced_file_is_as_open_as_before_a_new_one_as_any(out):
    umask = os.umask(0o027)
    try:
        commits.write(out, commits.SECOND)
    finally:
        os.umask(umask)
    assert mode(out / "points.csv") == 0o640  # which the first had been given
    assert mode(out / "new.txt") == 0o640
    (out / "map.html").chmod(0o600)
    commits.write(out, commits.FIRST)
    assert mode(out / "map.html") == 0o600


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only the superuser may give files away")
def test_a_replaced_file_keeps_its_owner_and_group(out):
    os.chown(out / "map.html", 1234, 2345)
    commits.write(out, commits.SECOND)
    assert ((out / "map.html").stat().st_uid, (out / "map.html").stat().st_gid) == (1234, 2345)


@pytest.mark.parametrize(
    "name", ["../outside.txt", "/etc/passwd", "photos/a.jpg", ".hidden", "", "a\\b", "c:d", "x\0y"]
)
def test_a_record_that_lists_what_is_no_name_of_a_set_leads_nowhere(out, tmp_path, name):
    (tmp_path / "outside.txt").write_text("theirs")
    record = json.loads((out / "run.json").read_text())
    record["files"][name] = {"sha256": "0"}
    (out / "run.json").write_text(json.dumps(record))
    was = commits.others(out)
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"
    assert commits.others(out) == was
    assert (tmp_path / "outside.txt").read_text() == "theirs"


def test_a_record_that_lists_a_file_of_others_removes_it_not(out):
    record = json.loads((out / "run.json").read_text())
    record["files"]["notes.txt"] = {"sha256": "0" * 64}
    (out / "run.json").write_text(json.dumps(record))
    commits.write(out, commits.SECOND)
    assert (out / "notes.txt").read_text() == "theirs"


@pytest.mark.parametrize("files", [None, 3, [], {"map.html": 3}, {"map.html": None}])
def test_a_damaged_list_makes_nothing_ours(out, files):
    record = json.loads((out / "run.json").read_text())
    (out / "run.json").write_text(json.dumps(record | {"files": files}))
    with pytest.raises(OutputError, match=r"no run\.json that lists"):
        commits.write(out, commits.SECOND)
    assert (out / "map.html").read_text() == commits.FIRST["map.html"]


# --- what is refused -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [ValueError("planted"), KeyboardInterrupt(), MemoryError()])
def test_a_failure_while_files_are_made_changes_nothing(out, error):
    was = commits.others(out)
    with pytest.raises(type(error)), folder.writing(out, {}) as staging:
        (staging / "map.html").write_text("half")
        raise error
    assert commits.state(out) == "first"
    assert commits.others(out) == was
    assert not (out / ".geoqa-new").exists()


def test_a_failure_leaves_no_new_folder(tmp_path):
    with pytest.raises(ValueError, match="planted"), folder.writing(tmp_path / "out", {}):
        raise ValueError("planted")
    assert names(tmp_path) == []


def test_a_full_disk_is_said_and_nothing_changes(out):
    with pytest.raises(OutputError, match=r"disk is full.*--out"), folder.writing(out, {}):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert commits.state(out) == "first"


def test_ctrl_c_between_two_moves_puts_everything_back(out, monkeypatch):
    keep = folder._keep

    def interrupted(staging, target, name):
        if name == "points.csv":
            raise KeyboardInterrupt
        keep(staging, target, name)

    monkeypatch.setattr(folder, "_keep", interrupted)
    with pytest.raises(KeyboardInterrupt):
        commits.write(out, commits.SECOND)
    assert commits.state(out) == "first"
    assert not (out / ".geoqa-new").exists()


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("name", sorted({*commits.SECOND, "gone.txt", "run.json"}))
def test_a_file_held_open_is_named_and_everything_put_back(out, monkeypatch, name, links):
    """As on Windows, where an open file can be neither replaced nor removed; also where no links can be made."""
    was, old = commits.others(out), {path.name: mode(path) for path in out.iterdir()}
    for call in ("replace", "unlink"):
        real = getattr(os, call)

        def held(*args, real=real, **kwargs):
            if str(args[-1]) == str(out / name):
                raise PermissionError(errno.EACCES, "in use", str(args[0]), None, str(args[-1]))
            return real(*args, **kwargs)

        monkeypatch.setattr(os, call, held)
    if not links:
        monkeypatch.setattr(os, "link", lambda *a, **k: (_ for _ in ()).throw(PermissionError(errno.EPERM, "no links")))
    with pytest.raises(OutputError) as refused:
        commits.write(out, commits.SECOND)
    assert f"{out / name} cannot be replaced: in use. Everything in {out} is as it was" in str(refused.value)
    assert "close it there and try again" in str(refused.value)
    assert commits.state(out) == "first"
    assert {path.name: mode(path) for path in out.iterdir()} == old
    assert commits.others(out) == was
    monkeypatch.undo()
    commits.write(out, commits.SECOND)
    assert commits.state(out) == "second"


def test_a_folder_at_a_name_of_ours_is_refused(out):
    (out / "new.txt").mkdir()
    with pytest.raises(OutputError, match=r"holds new\.txt"):
        commits.write(out, commits.SECOND)
    assert (out / "new.txt").is_dir()
    assert (out / "map.html").read_text() == commits.FIRST["map.html"]


def test_what_stands_where_files_are_made_and_is_not_geoqas_is_refused(out):
    (out / ".geoqa-new").write_text("theirs")
    with pytest.raises(OutputError, match=r"\.geoqa-new is a file.*Move it away"):
        commits.write(out, commits.SECOND)
    (out / ".geoqa-new").unlink()
    (out / ".geoqa-new" / "photos").mkdir(parents=True)
    (out / ".geoqa-new" / "photos" / "a.jpg").write_bytes(b"theirs")
    with pytest.raises(OutputError, match=r"photos is a folder where geoqa makes only files. Move it away"):
        commits.write(out, commits.SECOND)
    assert (out / ".geoqa-new" / "photos" / "a.jpg").read_bytes() == b"theirs"
    assert commits.state(out) == "first"


def test_a_writer_that_makes_a_folder_is_refused(out):
    with pytest.raises(OutputError, match=r"x was made as a folder or a link"), folder.writing(out, {}) as staging:
        (staging / "x").mkdir()
    assert commits.state(out) == "first"


def test_a_file_in_place_of_a_folder_is_refused(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="is a file"):
        fill(tmp_path / "file", "x")


def test_a_linked_folder_and_the_one_you_are_in_are_written_into(tmp_path, monkeypatch):
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    fill(tmp_path / "link", "by the link")
    assert (tmp_path / "link").is_symlink()
    monkeypatch.chdir(tmp_path / "real")
    assert (tmp_path / "real" / "map.html").read_text() == "by the link"
    fill(tmp_path / "real", "from inside")
    assert (tmp_path / "link" / "map.html").read_text() == "from inside"


@pytest.mark.parametrize("name", ["two\nlines", "a\ttab", "back\rhome"])
def test_a_name_that_gdal_would_change_is_refused(tmp_path, name):
    for write in (lambda: fill(tmp_path / name / "out"), lambda: fill(tmp_path / name)):
        with pytest.raises(OutputError, match=r"there is a line break or a tab in the name\. Give --out another name"):
            write()
    assert names(tmp_path) == []


# --- one writer at a time ------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_the_first_goes_on(out):
    with folder.writing(out, {"id": "first"}) as staging:
        (staging / "map.html").write_text("of the first")
        with pytest.raises(OutputError, match=r"out is being written by another run of geoqa. Wait until"):
            commits.write(out, commits.SECOND)
        with pytest.raises(OutputError, match="another run"):
            folder.settle(out)
    assert (out / "map.html").read_text() == "of the first"
    assert not (out / ".geoqa-new").exists()


def test_many_writers_at_once_leave_one_whole_set(tmp_path):
    out, done = tmp_path / "out", []

    def write(n):
        try:
            fill(out, str(n) * 1000, "a", "b")
        except OutputError as error:
            assert "another run" in str(error)
        else:
            done.append(n)

    threads = [threading.Thread(target=write, args=(n,)) for n in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert done
    assert (out / "a").read_text() == (out / "b").read_text()
    assert names(out) == ["a", "b", "run.json"]
