"""Random numbers that are the same on every machine and Python."""

from __future__ import annotations

import random
from collections.abc import Sequence
from statistics import NormalDist
from typing import TypeVar

Item = TypeVar("Item")


class Dice:
    """Random numbers that are the same on every machine."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def between(self, low: float, high: float) -> float:
        """Return a number from `low` up to `high`."""
        return low + (high - low) * self._random.random()

    def normal(self) -> float:
        """Return a number from the standard normal distribution."""
        return NormalDist().inv_cdf(max(self._random.random(), 1e-12))

    def pick(self, items: Sequence[Item]) -> Item:
        """Return one of the items."""
        return items[int(self._random.random() * len(items))]

    def shuffled(self, items: Sequence[Item]) -> list[Item]:
        """Return the items in another order."""
        keys = [self._random.random() for _ in items]
        return [items[i] for i in sorted(range(len(items)), key=keys.__getitem__)]
