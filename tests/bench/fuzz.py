"""Fuzzing in process, guided by the coverage of geoqa's own code: every reader and every file beside a recipe.

    python tests/bench/fuzz.py --seconds 3600

Needs atheris (extra `fuzz`, Linux). Wrong answers are told, made small and kept; a hang or a crash of the interpreter
ends a round, is kept too, and the next round begins where it stopped. Ends with 1 if anything was answered wrongly.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

#: Longest that one file may take, seconds, and most memory, megabytes.
LONGEST_S, MOST_MB = 60, 4000


def one_round(keep: Path, seconds: int, seed: int) -> None:
    """Fuzz for so long in this process; libFuzzer ends it."""
    import atheris

    with atheris.instrument_imports(include=["geoqa"]):  # imports inside functions happen before it ends, too
        import damage
        import fuzzing
        from tally import Tally

        tally, place = Tally("fuzz", keep / "failures"), fuzzing.temporary()
        found = fuzzing.targets(place)
        for target in found:
            target.judge(target.sound)
    corpus = keep / "corpus"
    corpus.mkdir(exist_ok=True)
    for k, target in enumerate(found):
        (corpus / f"sound-{k}").write_bytes(bytes([k]) + target.sound)
    counts = keep / f"counts-{seed}.json"
    state = {"executions": 0, "told": time.monotonic()}

    def judge(data: bytes) -> None:
        if len(data) < 2 or data[0] >= len(found):
            return
        target = found[data[0]]
        tally.take(target.name, data[1:], target.judge)
        state["executions"] += 1
        if time.monotonic() - state["told"] > 5:
            state["told"] = time.monotonic()
            counts.write_text(json.dumps({**tally.counts, "failures": tally.failures}))

    def change(data: bytes, most: int, number: int) -> bytes:
        dice = random.Random(number)
        if len(data) < 2 or data[0] >= len(found) or dice.random() < 0.05:
            k = dice.choices(range(len(found)), [target.weight for target in found])[0]
            data = bytes([k]) + found[k].sound
        body = data[1:]
        body = damage.many_changes(body, dice) if dice.random() < 0.5 else atheris.Mutate(body or b"x", most - 1)
        return data[:1] + body[: most - 1]

    atheris.Setup(
        [sys.argv[0], str(corpus), f"-max_total_time={seconds}", f"-timeout={LONGEST_S}", f"-rss_limit_mb={MOST_MB}",
         "-max_len=200000", f"-artifact_prefix={keep}/ended-", f"-seed={seed}", "-print_final_stats=1"],
        judge, custom_mutator=change,
    )  # fmt: skip
    atheris.Fuzz()


def main() -> int:
    """Run rounds until the time is over; tell executions, coverage and finds."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=3600)
    parser.add_argument("--keep", default="", help="folder for the corpus and the finds; by default a temporary one")
    parser.add_argument("--round", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    keep = Path(given.keep or tempfile.mkdtemp(prefix="geoqa-fuzzed-"))
    (keep / "failures").mkdir(parents=True, exist_ok=True)
    if given.round is not None:
        one_round(keep, given.seconds, given.round)
        return 0
    start, number = time.monotonic(), 1
    while (left := int(given.seconds - (time.monotonic() - start))) > 30:
        command = [sys.executable, __file__, "--keep", str(keep), "--seconds", str(left), "--round", str(number)]
        with (keep / f"round-{number}.log").open("wb") as log:
            subprocess.run(command, stdout=log, stderr=log, check=False)
        number += 1
    return tell(keep, time.monotonic() - start)


def tell(keep: Path, seconds: float) -> int:
    """Print what all rounds came to; return 1 if anything was answered wrongly, hung or crashed."""
    counts: dict[str, int] = {}
    failures: dict[str, str] = {}
    for path in keep.glob("counts-*.json"):
        found = json.loads(path.read_text())
        failures |= found.pop("failures")
        for name, n in found.items():
            counts[name] = counts.get(name, 0) + n
    ended = sorted(path.name for path in keep.glob("ended-*") if "slow-unit" not in path.name)
    lines = [
        line for log in sorted(keep.glob("round-*.log")) for line in log.read_text("utf-8", "replace").splitlines()
    ]
    cover = [line.split("cov: ")[1].split(" ")[0] for line in lines if "cov: " in line]
    told = ", ".join(f"{n:,} {word}" for word, n in sorted(counts.items()))
    print(f"{sum(counts.values()):,} executions in {seconds:,.0f} s: {told}")
    grown = f"{cover[0] if cover else '?'} at the start, {max(map(int, cover), default=0)} at the end"
    print(f"covered branches of geoqa: {grown}")
    print(f"{len(failures)} kinds of wrong answers, {len(ended)} rounds ended by a hang or a crash; kept in {keep}")
    for text in [*failures.values(), *ended]:
        print(f"  {text}")
    return int(bool(failures or ended))


if __name__ == "__main__":
    raise SystemExit(main())
