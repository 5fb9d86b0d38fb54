"""Every parser that meets foreign bytes, tried with valid inputs that were changed a little.

What may come of it is an error that the parser documents, or a value that is what it says. The
coverage-guided run over the same targets is python -m tests.fuzz.
"""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz.mutations import mutated
from tests.fuzz.target import Target, load, names

EXAMPLES = 150
# A journal is a real database each time, an exchange real arithmetic.
FEWER = {"journal": 40, "pairing-exchange": 10}


def tried(name: str, target: Target, data: bytes) -> None:
    """Try one input, and tell it apart in what a failure shows."""
    try:
        target.one(data)
    except Exception as error:
        error.add_note(f"{name}: {data[:400]!r} ({len(data)} bytes)")
        raise


@pytest.mark.parametrize("name", names())
def test_the_valid_examples_are_taken(name: str) -> None:
    """A target that takes nothing tries nothing."""
    target = load(name)
    seeds = target.seeds()

    assert all(len(seed) <= target.bytes_max for seed in seeds)
    assert any(list(map(target.one, seeds)))


@pytest.mark.parametrize("name", names())
def test_changed_examples_end_in_a_documented_error_or_a_sound_value(name: str) -> None:
    """Bytes are flipped, cut and spliced; values too, where the form is msgpack."""
    target = load(name)
    seeds = target.seeds()

    @settings(
        max_examples=FEWER.get(name, EXAMPLES),
        deadline=None,
        derandomize=True,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(st.sampled_from(seeds), st.integers(0, 2**32))
    def run(seed: bytes, chance: int) -> None:
        tried(name, target, mutated(target, seed, random.Random(chance)))

    run()


@pytest.mark.parametrize("name", names())
def test_any_bytes_end_in_a_documented_error_or_a_sound_value(name: str) -> None:
    """With no example behind them."""
    target = load(name)

    @settings(max_examples=FEWER.get(name, EXAMPLES) // 2, deadline=None, derandomize=True)
    @given(st.binary(max_size=min(300, target.bytes_max)))
    def run(data: bytes) -> None:
        tried(name, target, data)

    run()
