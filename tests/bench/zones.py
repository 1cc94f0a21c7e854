"""Zones on simulated sites: planted ones found and drawn where they are, none seen where chance dealt the failures.

python -m bench.zones [sites] [first seed] [measure] from the folder tests; or
python -m pytest -m bench -s tests/bench/test_zone_finding.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import planted_zones
from scipy import stats

from geoqa.analysis.zones import _search
from geoqa.analysis.zones.zones import Zones

#: A zone is true when this share of its points was planted, and it touches the patch when it holds so many of them.
TRUE_SHARE, TOUCHES = 0.70, 5


def rules(points: int, **changes: object) -> _search.ZoneRules:
    """Return the rules of the step as it stands."""
    step = Zones(**changes)
    return _search.ZoneRules(
        step.neighbours, step.neighbours_direction, step.level, step.least_points, step.matters, step.buffer_m,
        max(step.draws, 5 * points),
    )  # fmt: skip


def judged(planted: planted_zones.Planted, **changes: object) -> tuple[bool, bool, float, float, int]:
    """Return whether a true zone was found, whether any touches the patch, and of those: inside, covered; others."""
    found = _search.search(planted.evidence, rules(len(planted.patch), **changes))
    size = [int((found.inside == i).sum()) for i in range(len(found.outlines))]
    hit = [int(((found.inside == i) & planted.patch).sum()) for i in range(len(found.outlines))]
    touching = [i for i, count in enumerate(hit) if count >= TOUCHES]
    if not touching:
        return False, False, np.nan, np.nan, len(size)
    inside = sum(hit[i] for i in touching) / sum(size[i] for i in touching)
    true = any(hit[i] >= TRUE_SHARE * size[i] for i in touching)
    return true, True, inside, sum(hit[i] for i in touching) / planted.patch.sum(), len(size) - len(touching)


def shows_any(seed: int, by_cover: bool, layout: str, planted: int = 60) -> tuple[bool, int]:
    """Return whether a shuffled site shows a zone, and its points."""
    made = planted_zones.site(seed, layout=layout, by_cover=by_cover, planted=planted)
    found = _search.search(planted_zones.shuffled(made.evidence, seed), rules(len(made.patch)))
    return bool(len(found.outlines)), int((found.inside >= 0).sum())


def wilson(count: int, of: int) -> str:
    """Return a share with its 95 % interval."""
    low, high = stats.binomtest(count, of).proportion_ci(0.95, method="wilson")
    return f"{count} of {of} ({100 * count / of:.1f} %, {100 * low:.1f} to {100 * high:.1f} %)"


def measures() -> dict[str, Callable[[int], tuple]]:
    """Return every measure by name: a function of the seed."""
    found: dict[str, Callable[[int], tuple]] = {}
    for layout in planted_zones.LAYOUTS:
        found[f"planted, 60 at 30 %, {layout}"] = lambda s, at=layout: judged(planted_zones.site(s, layout=at))
    found |= {
        "planted, 60 at 30 %, covers in bands": lambda s: judged(planted_zones.site(s, by_cover=True)),
        "planted, 20 at 30 %, scattered": lambda s: judged(planted_zones.site(s, planted=20)),
        "planted, 60 at 15 %, scattered": lambda s: judged(planted_zones.site(s, inside=0.15)),
        "planted, 15 of 250 at 50 %, scattered": lambda s: judged(
            planted_zones.site(s, points=250, planted=15, inside=0.5)
        ),
    }
    for layout in planted_zones.LAYOUTS:
        for by_cover in (False, True):
            name = f"shuffled, {layout}" + (", covers in bands" if by_cover else "")
            found[name] = lambda s, at=layout, cover=by_cover: shows_any(s, cover, at)
    return found


def table(seeds: range, only: str = "") -> dict[str, np.ndarray]:
    """Return and print the outcomes of every measure whose name begins with `only`, one row a seed."""
    outcomes = {}
    for name, measure in measures().items():
        if name.startswith(only):
            begin = time.perf_counter()
            outcomes[name] = np.array([measure(seed) for seed in seeds], dtype=float)
            print(f"  {name:<40} {said(outcomes[name])}   ({time.perf_counter() - begin:.0f} s)", flush=True)
    return outcomes


def said(rows: np.ndarray) -> str:
    """Return the outcomes of one measure in words."""
    if rows.shape[1] == 2:
        return f"a zone in {wilson(int(rows[:, 0].sum()), len(rows))}"
    seen = rows[:, 1] > 0
    text = f"true in {wilson(int(rows[:, 0].sum()), len(rows))}, touched in {int(seen.sum())}"
    if seen.any():
        inside, covered = 100 * rows[seen, 2].mean(), 100 * rows[seen, 3].mean()
        text += f", {inside:.0f} % of it inside, {covered:.0f} % of the patch covered"
    return f"{text}, zones elsewhere {int(rows[:, 4].sum())}"


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 60_000
    print(f"seeds {first} to {first + count - 1}")
    table(range(first, first + count), sys.argv[3] if len(sys.argv) > 3 else "")
