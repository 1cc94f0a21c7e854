import gzip
import zlib
from pathlib import Path

import pytest

from geoqa.core import input_files
from geoqa.core.errors import InputError

PATH = Path("site.csv.gz")
TEXT = b"Mark,E,N\nP1,1.5,2.5\n" * 500


def test_what_is_packed_comes_out_whole():
    assert input_files.unpacked(PATH, gzip.compress(TEXT)) == TEXT
    assert input_files.unpacked(PATH, TEXT) is TEXT


def test_packages_one_after_the_other_and_filling():
    two = gzip.compress(TEXT) + gzip.compress(b"end\n") + b"\x00" * 512
    assert input_files.unpacked(PATH, two) == TEXT + b"end\n"


@pytest.mark.parametrize("keep", [2, 10, 30, -8, -1])
def test_cut_off(keep):
    with pytest.raises(InputError, match="cut off"):
        input_files.unpacked(PATH, gzip.compress(TEXT)[:keep])


def test_damaged():
    packed = bytearray(gzip.compress(TEXT))
    packed[-6] ^= 1  # the check sum
    with pytest.raises(InputError, match="damaged"):
        input_files.unpacked(PATH, bytes(packed))
    with pytest.raises(InputError, match="damaged"):
        input_files.unpacked(PATH, gzip.compress(TEXT) + b"rest")


def test_a_bomb_is_refused_before_it_is_unpacked(monkeypatch):
    monkeypatch.setattr(input_files, "ALWAYS", 100_000)
    given = []
    real = zlib.decompressobj

    class Counted:
        def __init__(self, wbits):
            self.inner = real(wbits=wbits)

        def decompress(self, *arguments):
            part = self.inner.decompress(*arguments)
            given.append(len(part))
            return part

        def __getattr__(self, name):
            return getattr(self.inner, name)

    monkeypatch.setattr(input_files.zlib, "decompressobj", Counted)
    bomb = gzip.compress(bytes(50_000_000))
    assert len(bomb) < 50_000
    with pytest.raises(InputError, match="unpacks to more than"):
        input_files.unpacked(PATH, bomb)
    assert sum(given) < 100 * len(bomb) + 2 * 2**20


def test_the_ratio_of_real_rows_is_far_below_the_bound():
    rows = "".join(f"P{n},{1800000 + n * 7.123:.3f},{5690000 + n * 3.7:.3f},IP.PINE\n" for n in range(5000)).encode()
    assert len(rows) / len(gzip.compress(rows)) < input_files.RATIO / 5


def test_head_and_name():
    assert input_files.unpacked_head(gzip.compress(TEXT), 9) == b"Mark,E,N\n"
    assert input_files.unpacked_head(b"abc") == b"abc"
    assert input_files.unpacked_head(b"\x1f\x8b\x08\xff\xff") in (b"", b"\x1f\x8b\x08\xff\xff")
    assert input_files.inner_name(Path("a/b.CSV.GZ")) == "b.CSV"
    assert input_files.inner_name(Path("b.csv")) == "b.csv"
