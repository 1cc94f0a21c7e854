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
    (
        "geoqa/analysis/file_mixups.py", "changes",
        "if abs(ratio - 1) > 0.01  # of a height the difference between the two feet is nothing",
        "if abs(ratio - 1) >= 0.01  # of a height the difference between the two feet is nothing",
    ): "no two of the units have lengths one part in a hundred apart",
    (
        "geoqa/analysis/misfiled.py", "two_places", "n = int(point.max(initial=-1)) + 1",
        "n = int(point.max(initial=-2)) + 1",
    ): "asked only where there are stops",
    (
        "geoqa/analysis/references.py", "Averages.run", "n = int(point.max(initial=-1)) + 1",
        "n = int(point.max(initial=- 2)) + 1",
    ): "a site has rows",
    (
        "geoqa/analysis/naming.py", "gaps", "inside = np.r_[head[1:] == head[:-1], False][: len(number)]",
        "inside = np.r_[head[1:] == head[:-1], True][: len(number)]",
    ): "nothing is missing behind the last number, so that it is no gap either way",
    ("geoqa/analysis/at_control.py", "_one", "continue", "break"): "only the last of the two axes can lack, the height",
    (
        "geoqa/analysis/hot_spots.py", "_hypergeometric",
        "at, of = np.where(can, seen, 0), np.where(can, drawn, 0)",
        "at, of = np.where(can, seen, 0), np.where(can, drawn, 1)",
    ): "only a stand-in where it cannot be, and put to nought there",
    (
        "geoqa/core/assembly.py", "_on_local_grid", "lost = np.flatnonzero(~(np.isfinite(east) & np.isfinite(north)))",
        "lost = np.flatnonzero(~(np.isfinite(east) | np.isfinite(north)))",
    ): "a place that cannot be projected has neither coordinate",
    (
        "geoqa/analysis/usage.py", "screen",
        "_, group = np.unique(point * (visit.max(initial=0) + 1) + visit, return_inverse=True)",
        "_, group = np.unique(point * (visit.max(initial=0) + 2) + visit, return_inverse=True)",
    ): "any factor above the largest visit tells point and visit apart, in the same order",
}  # fmt: skip
