"""Chance from the system."""

import random
import secrets


class SystemChance:
    """Implements ports.Chance: bytes fit for keys, numbers fit for jitter."""

    def __init__(self) -> None:
        self._random = random.SystemRandom()

    def random_bytes(self, count: int) -> bytes:
        return secrets.token_bytes(count)

    def uniform(self, low: float, high: float) -> float:
        return self._random.uniform(low, high)
