"""Waits by canopy class: shares with bounds, classes compared, and the sentences a crew can use."""

from __future__ import annotations

import itertools
from typing import Any, TypeAlias

from geoqa.core.arrays import Array, Flags, np, pd
from geoqa.core.frames.logs import UNTIL, UNTIL_WORDS, WAIT_TESTS, WAITS
from geoqa.core.frames.wording import under
from geoqa.core.statistics import curves
from geoqa.core.units import counted, duration, p_value

Sample: TypeAlias = "tuple[Array, Flags]"

#: What the sentences speak of: the first fix that flickers helps nobody.
TOLD = ("hold", "precision", "truth")
SHARES = {"half": 0.5, "most": 0.9}
#: Of fewer attempts no share is told.
FEWEST = 5
#: Attempts that came there from which a share is told: nine in ten of fewer than ten are all of them (common practice,
#: no published source).
SUPPORT = {"half": FEWEST, "most": 9}
#: Pairs of classes that a sentence names.
NAMED = 5


def classes(words: pd.Series) -> list[str | None]:
    """Return the canopy classes of a column, by name, and None, the whole site, last."""
    return [*sorted(set(words.dropna().astype("str"))), None]


def of_class(words: pd.Series, canopy: str | None) -> Flags:
    """Return which rows a class speaks for."""
    return np.ones(len(words), bool) if canopy is None else (words.astype("str") == canopy).to_numpy()


def sample(attempts: pd.DataFrame, canopy: str | None, until: str) -> Sample:
    """Return how long the attempts of a class waited, and whether they came there; without those not known."""
    seconds = attempts[f"{until}_s"].to_numpy(dtype=float)
    kept = of_class(attempts["canopy"], canopy) & np.isfinite(seconds)
    return seconds[kept], attempts[f"{until}_reached"].to_numpy(dtype=bool)[kept]


def waits(attempts: pd.DataFrame) -> pd.DataFrame:
    """Return the frame ``waits`` from the frame ``convergence``."""
    rows = [
        _row(canopy, until, *sample(attempts, canopy, until))
        for canopy in classes(attempts["canopy"])
        for until in UNTIL
    ]
    return WAITS.filled([row for row in rows if row["attempts"]])


def _row(canopy: str | None, until: str, seconds: Array, reached: Flags) -> dict[str, Any]:
    curve = curves.survival_curve(seconds, reached)
    row: dict[str, Any] = {"canopy": canopy, "until": until, "attempts": len(seconds), "reached": int(reached.sum())}
    for name, share in SHARES.items():
        found = curve.quantile(share) if reached.sum() >= SUPPORT[name] else (np.nan,) * 3
        row[f"{name}_s"], row[f"{name}_low_s"], row[f"{name}_high_s"] = found
    return row | {"longest_s": float(seconds.max(initial=0.0))}


def tests(attempts: pd.DataFrame) -> pd.DataFrame:
    """Return the frame ``wait_tests``: each two classes, for each wait that both have seen."""
    found = []
    named = classes(attempts["canopy"])[:-1]
    for until in UNTIL:
        samples = {canopy: sample(attempts, canopy, until) for canopy in named}
        pairs = [pair for pair in itertools.combinations(named, 2) if all(len(samples[one][0]) for one in pair)]
        results = [curves.log_rank(*samples[one], *samples[other]) for one, other in pairs]
        adjusted = curves.holm(np.array([p for _, p in results], float))
        found += [
            {"until": until, "canopy": one, "other": other, "chi_square": chi, "p": p, "p_adjusted": both}
            for (one, other), (chi, p), both in zip(pairs, results, adjusted.tolist(), strict=True)
        ]
    return WAIT_TESTS.filled(found)


def wait_sentences(waits: pd.DataFrame, tests: pd.DataFrame) -> list[str]:
    """Return what a crew should know, a sentence for each class and wait."""
    single = waits["canopy"].isna().all()
    told = waits[waits["until"].isin(TOLD) & (waits["canopy"].notna() | single)]
    said = [
        f"{under(canopy)}, {_wait(row)}"
        for canopy, rows in told.groupby("canopy", sort=False, dropna=False)
        for row in rows.to_dict("records")
    ]
    said += _differences(tests)
    if (told["reached"] < told["attempts"]).any():
        said.append(
            "crews give up where it is worst: where attempts were given up, the true waits are rather longer than these"
        )
    return said + _unknown(waits)


def _wait(row: dict[str, Any]) -> str:
    """Return what is known of one wait of one class, from "until" to a count."""
    n, never, words = row["attempts"], row["attempts"] - row["reached"], UNTIL_WORDS[row["until"]]
    settled = f"{never} of {n} never settled" if never else f"all {n} settled"
    longest = duration(row["longest_s"])
    if n < FEWEST:
        count = counted(n, "attempt")
        kept = "settled" if n == row["reached"] else settled
        return f"until {words}: only {count}, {kept}, the longest took {longest}; too few to say how long to wait"
    # Either too few came there for a share, or they were fewer than the share.
    lacking = {
        name: "too few came there to say it" if row["reached"] >= SHARES[name] * n else "not seen" for name in SHARES
    }
    if np.isnan(row["half_s"]):
        return f"until {words}: {lacking['half']} for half, the longest attempt took {longest}; {settled}"
    half, unseen = duration(row["half_s"]), np.isnan(row["most_s"])
    if not unseen and half == duration(row["most_s"]):
        alike = f"wait {half}" if row["most_s"] >= 0.5 else "no wait"
        return f"until {words}: {alike} for half and for nine in ten alike; {settled}"
    most = f"{lacking['most'] if unseen else duration(row['most_s'])} for nine in ten"
    return f"until {words}: wait {half} for half, {most}; {settled}"


def _differences(tests: pd.DataFrame) -> list[str]:
    """Return which classes wait differently until a fix holds, at 5 % over all pairs; the surest first."""
    shown = tests[(tests["until"] == "hold") & (tests["p_adjusted"] < 0.05)].sort_values("p_adjusted", kind="stable")
    pairs = [f"{row['canopy']} and {row['other']} ({p_value(row['p_adjusted'])})" for row in shown.to_dict("records")]
    told = ", ".join(pairs[:NAMED]) + (f" and {len(pairs) - NAMED} more pairs" if len(pairs) > NAMED else "")
    return [f"waits until a fix holds differ, by the log-rank test, between {told}"] if pairs else []


def _unknown(waits: pd.DataFrame) -> list[str]:
    """Return of how many attempts the true wait is known, where not of all: the others are no better."""
    site = waits[waits["canopy"].isna()].set_index("until")["attempts"]
    known, every = int(site.get("truth", 0)), int(site.get("hold", 0))
    if not 0 < known < every:
        return []
    return [
        f"where the position truly was is known for {known} of {every} attempts, those at control and at points that "
        "other visits confirm: the others may have waited longer"
    ]
