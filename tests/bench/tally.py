"""Counts of what hostile inputs came to, and the first failure of each kind, made small."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

from corpus import Failure


class Tally:
    """Counts answers, keeps the first failure of each kind with the smallest input found for it."""

    def __init__(self, part: str, keep: Path) -> None:
        self.part, self.keep, self.counts, self.failures = part, keep, Counter[str](), dict[str, str]()
        self._start = time.perf_counter()

    def take(self, name: str, content: bytes, judge: Callable[[bytes], str]) -> str:
        """Judge one file and return the answer."""
        try:
            answer = judge(content)
        except Failure as failure:
            self.fail(str(failure), name, content, judge)
            return "FAILED"
        self.counts[answer] += 1
        return answer

    def fail(
        self, told: str, name: str = "", content: bytes = b"", judge: Callable[[bytes], str] | None = None
    ) -> None:
        """Count a failure; the first of its kind is made small and kept."""
        self.counts["FAILED"] += 1
        kind = told.split(":")[0] + "".join(c for c in told.partition(":")[2][:60] if not c.isdigit())
        if kind in self.failures:
            return
        small = smallest(content, judge, told.split(":")[0]) if judge else content
        self.failures[kind] = f"{name} ({len(small)} bytes): {told[:300]}\n      {small[:400]!r}"
        if small:
            file = self.keep / f"{self.part}-{len(self.failures)}-{Path(name).name}"
            file.write_bytes(small)

    def line(self) -> str:
        """Return what came out, on a line."""
        seconds, total = time.perf_counter() - self._start, sum(self.counts.values())
        told = ", ".join(f"{count:,} {word}" for word, count in sorted(self.counts.items()))
        return f"{self.part:<9} {total:>8,} inputs  {seconds:8.1f} s  {total / seconds:8.1f} /s   {told}"


def smallest(content: bytes, judge: Callable[[bytes], str], kind: str, seconds: float = 20) -> bytes:
    """Return a part of `content` that still fails the same way, found by leaving parts out."""
    until, size = time.monotonic() + seconds, max(1, len(content) // 2)
    while size and time.monotonic() < until:
        for at in range(0, len(content), size):
            shorter = content[:at] + content[at + size :]
            if _fails(shorter, judge, kind):
                content = shorter
                break
            if time.monotonic() > until:
                break
        else:
            size //= 2
    return content


def _fails(content: bytes, judge: Callable[[bytes], str], kind: str) -> bool:
    try:
        judge(content)
    except Failure as failure:
        return str(failure).startswith(kind)
    return False
