"""One writer at a time, with flock, with the locks of Windows, and where there are none."""

from __future__ import annotations

import errno
import os
import sys
import types

import pytest

from geoqa.core import result_set


class Bytes(types.ModuleType):
    """Stand in for msvcrt: the first byte of a file, locked by one descriptor at a time."""

    LK_NBLCK = 2

    def __init__(self, code):
        super().__init__("msvcrt")
        self.held, self.code = {}, code

    def locking(self, descriptor, how, n):
        assert (how, n) == (self.LK_NBLCK, 1)
        assert os.lseek(descriptor, 0, os.SEEK_CUR) == 0
        file = os.fstat(descriptor).st_ino
        if file in self.held.values():
            raise OSError(self.code, "is locked")
        self.held[descriptor] = file


@pytest.fixture(params=["flock", "windows", "windows, a deadlock"])
def system(request, monkeypatch):
    """Make locks as a system has them."""
    if request.param == "flock":
        pytest.importorskip("fcntl")
        return request.param
    monkeypatch.setitem(sys.modules, "fcntl", None)  # importing it fails
    code = errno.EDEADLK if "deadlock" in request.param else errno.EACCES
    stand_in, close, unlink = Bytes(code), os.close, os.unlink

    def closing(descriptor):
        stand_in.held.pop(descriptor, None)
        close(descriptor)

    def unlinking(path, **kwargs):
        if os.stat(path).st_ino in stand_in.held.values():  # noqa: PTH116
            raise PermissionError(errno.EACCES, "is open")
        unlink(path, **kwargs)

    monkeypatch.setitem(sys.modules, "msvcrt", stand_in)
    monkeypatch.setattr(os, "close", closing)
    monkeypatch.setattr(os, "unlink", unlinking)
    monkeypatch.setattr(result_set, "_IS_POSIX", False)
    return request.param


def test_one_holds_it_and_nothing_is_left(tmp_path, system):
    lock = tmp_path / "new" / ".lock"
    assert not result_set.is_held(lock)
    with result_set.holding(lock):
        assert result_set.is_held(lock)
        with pytest.raises(result_set.HeldError), result_set.holding(lock):
            raise AssertionError("two hold it")
        assert result_set.is_held(lock)
    assert not result_set.is_held(lock)
    assert list(tmp_path.iterdir()) == []
    with result_set.holding(lock):
        pass


def test_a_lock_left_by_a_dead_process_is_taken(tmp_path, system):
    lock = tmp_path / "new" / ".lock"
    lock.parent.mkdir()
    lock.write_text("")
    assert not result_set.is_held(lock)
    with result_set.holding(lock):
        assert result_set.is_held(lock)


def test_a_lock_that_was_removed_while_it_was_waited_for_is_made_anew(tmp_path, monkeypatch):
    """Who holds it removes it when letting go; a descriptor of the removed file locks nothing."""
    lock = tmp_path / "new" / ".lock"
    opened = os.open
    gone = []

    def removing(path, *args, **kwargs):
        descriptor = opened(path, *args, **kwargs)
        if path == lock and not gone:
            gone.append(1)
            lock.unlink()
            lock.parent.rmdir()
        return descriptor

    monkeypatch.setattr(os, "open", removing)
    with result_set.holding(lock):
        assert gone
        assert result_set.is_held(lock)


def test_a_link_is_not_followed(tmp_path):
    (tmp_path / "theirs").write_text("theirs")
    lock = tmp_path / "new" / ".lock"
    lock.parent.mkdir()
    lock.symlink_to(tmp_path / "theirs")
    with result_set.holding(lock):
        assert not lock.is_symlink()
    assert (tmp_path / "theirs").read_text() == "theirs"


def test_a_disk_without_locks_is_written_all_the_same(tmp_path, monkeypatch):
    fcntl = pytest.importorskip("fcntl")

    def refuse(descriptor, how):
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(fcntl, "flock", refuse)
    with result_set.holding(tmp_path / "new" / ".lock"):
        pass
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("code", [errno.EIO, errno.EPERM])
def test_another_failure_is_not_hidden(tmp_path, monkeypatch, code):
    fcntl = pytest.importorskip("fcntl")

    def refuse(descriptor, how):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(OSError, match=os.strerror(code)), result_set.holding(tmp_path / "new" / ".lock"):
        raise AssertionError("it was taken")
