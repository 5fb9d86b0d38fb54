"""kill -9 of either daemon at seeded moments over a real roll: restarted, it always finishes."""

import hashlib
import random
import time
from pathlib import Path

import pytest

from syncd.limits import LANES_DEFAULT, MIB
from tests.bench.throughput import make_roll
from tests.boxes import DAY, Pair, place_roll

SEEDS = range(36)
LONG_SEEDS = range(1000)
CLIPS, CLIP_BYTES = 6, 24 * MIB
TWICE_BYTES_MAX = 64 * MIB * LANES_DEFAULT


def _kill_once(seed: int, folder: Path) -> None:
    rng = random.Random(seed)
    staged = folder / "staged"
    make_roll(staged, CLIP_BYTES, CLIPS)
    truth = {
        path.relative_to(staged): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(staged.rglob("*.mov"))
    }
    with Pair(folder / "pair") as pair:
        victim = rng.choice((pair.offload, pair.processing))
        place_roll(staged, pair.landing, "A012")
        time.sleep(rng.uniform(0.3, 1.6))
        sent_before = pair.offload.metric("syncd_payload_bytes_total")
        victim.kill()
        time.sleep(rng.uniform(0.0, 0.3))
        victim.start()
        pair.wait_ready("A012", timeout_s=60)
        sent = pair.offload.metric("syncd_payload_bytes_total")
        if victim is pair.offload:
            sent += sent_before  # its counter began anew; what it had sent counts all the same
        media_bytes = CLIPS * CLIP_BYTES
        assert sent <= media_bytes + MIB + TWICE_BYTES_MAX, f"seed {seed}: {sent} bytes travelled"
        published = pair.storage / DAY / "A012"
        for path, digest in truth.items():
            found = hashlib.sha256((published / path).read_bytes()).hexdigest()
            assert found == digest, f"seed {seed}: {path}"
        assert not list((pair.storage / ".syncd" / "incoming").iterdir())


@pytest.mark.parametrize("seed", SEEDS)
def test_a_killed_daemon_finishes_after_its_restart(seed: int, tmp_path: Path) -> None:
    """Whoever is killed, and when: the roll arrives whole, and little travels twice."""
    _kill_once(seed, tmp_path)


@pytest.mark.long
@pytest.mark.timeout(0)
def test_a_thousand_kills(tmp_path: Path) -> None:
    """The long run of the test above: `python -m pytest -m long tests/faults/test_kill.py`."""
    for seed in LONG_SEEDS:
        _kill_once(seed, tmp_path / str(seed))
