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
    (
        "geoqa/outputs/blocks.py", "", "PLACE_STEP_M, LENGTH_STEP_M, AZIMUTH_STEP_DEG = 0.001, 0.0001, 0.01",
        "PLACE_STEP_M, LENGTH_STEP_M, AZIMUTH_STEP_DEG = 0.001, 5e-05, 0.01",
    ): "a finer step than any that is shown: only the bytes of the page differ",
    (
        "geoqa/analysis/exceedance.py", "limit_holding", "short, long = below > 0, above < 0",
        "short, long = below >= 0, above < 0",
    ): "a height of exactly nought is the root: one step on it is the other end of the bracket, and the same is found",
}  # fmt: skip
