"""Faults of bench.mutants that change nothing anybody could see, judged one by one.

The key is module, function, the line as it stands and as the fault makes it: it survives when lines move and lapses
when the line is written anew.
"""

from __future__ import annotations

REASONS: dict[tuple[str, str, str, str], str] = {
    (
        "geoqa/outputs/deliver/gpx.py",
        "KmlFile.write",
        'said = "\\n".join(escape(f"{label}: {text}", quote=False) for label, text in points.facts)',
        'said = "\\n".join(escape(f"{label}: {text}", quote=True) for label, text in points.facts)',
    ): "in the text of an element &quot; and the sign itself are the same to every reader of XML",
    (
        "geoqa/core/statistics/covariance.py",
        "limit_holding",
        "short, long = below > 0, above < 0",
        "short, long = below >= 0, above < 0",
    ): "a height of exactly nought is the root: one step on it is the other end of the bracket, and the same is found",
    (
        "geoqa/analysis/shifts/_blunders.py",
        "changes",
        "if abs(ratio - 1) > 0.01  # of a height the difference between the two feet is nothing",
        "if abs(ratio - 1) >= 0.01  # of a height the difference between the two feet is nothing",
    ): "no two of the units have lengths one part in a hundred apart",
    (
        "geoqa/analysis/shifts/at_control.py",
        "_one",
        "continue",
        "break",
    ): "only the last of the two axes can lack, the height",
    (
        "geoqa/core/statistics/local_statistics.py",
        "_hypergeometric",
        "at, of = np.where(can, seen, 0), np.where(can, drawn, 0)",
        "at, of = np.where(can, seen, 0), np.where(can, drawn, 1)",
    ): "only a stand-in where it cannot be, and put to nought there",
    (
        "geoqa/analysis/occupations/measured_rows.py",
        "screen",
        "_, group = np.unique(point * (visit.max(initial=0) + 1) + visit, return_inverse=True)",
        "_, group = np.unique(point * (visit.max(initial=0) + 2) + visit, return_inverse=True)",
    ): "any factor above the largest visit tells point and visit apart, in the same order",
}
