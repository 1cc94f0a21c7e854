"""Faults of bench.mutants that change nothing anybody could see, judged one by one.

The key is module, function, the line as it stands and as the fault makes it: it survives when lines move and lapses
when the line is written anew.
"""

from __future__ import annotations

REASONS: dict[tuple[str, str, str, str], str] = {
    (
        "geoqa/outputs/deliver/kml.py", "KmlFile.write",
        'said = "\\n".join(escape(f"{label}: {text}", quote=False) for label, text in points.facts)',
        'said = "\\n".join(escape(f"{label}: {text}", quote=True) for label, text in points.facts)',
    ): "in the text of an element &quot; and the sign itself are the same to every reader of XML",
}  # fmt: skip
