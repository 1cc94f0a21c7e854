"""Faults of bench.mutants that change nothing anybody could see, judged one by one.

The key is module, function, the line as it stands and as the fault makes it: it survives when lines move and lapses
when the line is written anew.
"""

from __future__ import annotations

REASONS: dict[tuple[str, str, str, str], str] = {}
