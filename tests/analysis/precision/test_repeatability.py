"""The repeatability that a plot draws is the figure of the table beside it: the stated precision times its ratio."""

import numpy as np
import pytest
from analysis.builders import STEPS, job, occupations, run


def site(extra=()):
    rng = np.random.default_rng(5)
    rows = []
    for k in range(60):
        for visit in range(2):
            e, n, u = rng.normal(0, (0.012, 0.012, 0.02))
            rows.append({"p": f"P{k}", "e": 30 * k + e, "n": n, "u": u, "t": 300 * visit + k, "s": 0.008, "sv": 0.012,
                         "canopy": ("open", "dense")[k % 2]})  # fmt: skip
    return occupations([*rows, *extra])


@pytest.mark.parametrize("stated", [0.5, None])
def test_one_row_that_has_not_settled_does_not_drive_the_repeatability(stated):
    plain = {"p": "X", "e": 0.0, "t": 0, "s": 0.008, "sv": 0.012, "canopy": "open"}
    wild = plain | {"e": 0.55, "n": -0.4, "u": 0.6, "t": 400, "s": stated or 0.008, "sv": stated or 0.012}
    kept, _ = run(site(), job(), STEPS)
    with_it, _ = run(site([plain, wild]), job(), STEPS)
    for axis in "hv":
        own, seen = (frames["classes"] for frames in (kept, with_it))
        column = f"repeatability_{axis}_m"
        assert seen[column].to_numpy() == pytest.approx(own[column].to_numpy(), rel=0.15)
        for end in ("", "_low", "_high"):
            by_table = seen[f"stated_{axis}_m"] * seen[f"precision_ratio_{axis}{end}"]
            assert seen[f"{column}{end}"].to_numpy() == pytest.approx(by_table.to_numpy(), rel=1e-12)
