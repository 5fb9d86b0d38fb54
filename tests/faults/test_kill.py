"""kill -9 of either daemon, or both, at seeded moments over real rolls: restarted, they finish.

One pair lives through a dozen kills while roll after roll goes through it: as parcels move, while
files are read back, around sealing and publishing, and during start-up itself.
"""

import json
import random
import shutil
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import xxhash

from syncd.limits import KIB, LANES_DEFAULT, MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Box, Pair, place_roll, wait_until

SEEDS = range(3)
LONG_SEEDS = range(84)
KILLS = 12  # of each pair
# Bytes a clip, clips. The largest is three times what may travel twice: begun anew, it is too much.
SHAPES = ((16 * MIB, 6), (40 * MIB, 2), (5 * MIB, 9), (32 * KIB, 300), (64 * MIB, 6))
TWICE_BYTES_MAX = 64 * MIB * LANES_DEFAULT
OTHER_BYTES_MAX = MIB  # of a roll: its evidence, frames, seals
START_UP_S_MAX = 1.2  # a start took 0.6 s to the answering board on an idle machine
LOG_LINES_PER_KILL_MAX = 40

Truth = dict[Path, str]


@dataclass
class Killed:
    """What came of one pair's kills; sent_twice_bytes: of each roll that met kills, per kill."""

    kills: int = 0
    rolls: int = 0
    starts_cut: int = 0
    sent_twice_bytes: list[int] = field(default_factory=list)


class Killing:
    """One pair through KILLS kills, all chance from one seed."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.tally = Killed()
        self._rng = random.Random(seed)
        self._folder = folder
        self._pair = Pair(folder / "pair")
        self._truths: dict[str, Truth] = {}
        self._sent_before_bytes = 0  # by offload daemons that were killed
        self._roll_bytes = 0

    def run(self) -> Killed:
        """Kill, restart and check, until all rolls are there; raises AssertionError."""
        with self._pair:
            while self.tally.kills < KILLS:
                self._one_roll()
            self._check_logs()
        return self.tally

    def _one_roll(self) -> None:
        name = self._shoot()
        kills_before, sent_before = self.tally.kills, self._sent_bytes()
        for _ in range(self._rng.choice((1, 1, 2, 3))):
            self._wait_for_a_moment(name, sent_before)
            self._kill()
        self._pair.wait_ready(name, timeout_s=90)
        twice = self._sent_bytes() - sent_before - self._roll_bytes
        kills = self.tally.kills - kills_before
        assert twice <= OTHER_BYTES_MAX + kills * TWICE_BYTES_MAX, f"{name}: {twice} bytes twice"
        self.tally.sent_twice_bytes.append(max(0, twice - OTHER_BYTES_MAX) // kills)
        self._check(name)

    def _shoot(self) -> str:
        """Place a roll on the landing; its content is like no other's."""
        self.tally.rolls += 1
        name = f"A{self.tally.rolls:03}"
        clip_bytes, count = self._rng.choice(SHAPES)
        self._roll_bytes = clip_bytes * count
        staged = self._folder / "staged"
        make_roll(staged, clip_bytes, count)
        self._truths[name] = digests_below(staged / "Clips")
        place_roll(staged, self._pair.landing, name)
        return name

    def _sent_bytes(self) -> int:
        sent = self._pair.offload.metric("syncd_payload_bytes_total")
        return self._sent_before_bytes + int(sent)

    # Moments and victims

    def _wait_for_a_moment(self, name: str, sent_before_bytes: int) -> None:
        """Wait until the roll has come some way, then a moment longer."""
        share = self._rng.random()

        def sent_enough() -> bool:
            sent = self._sent_bytes() - sent_before_bytes
            return sent >= share * self._roll_bytes or is_ready()

        def all_came() -> bool:
            roll = self._pair.processing.rolls().get(name, {})
            return bool(roll.get("moved_bytes", -1) >= self._roll_bytes) or is_ready()

        def is_ready() -> bool:
            return bool(self._pair.offload.rolls().get(name, {}).get("stage") == "ready")

        moments: tuple[Callable[[], bool], ...] = (sent_enough, sent_enough, all_came, bool)
        moment = self._rng.choice(moments)
        longer_s = self._rng.uniform(0.0, 1.2 if moment is bool else 0.1)
        if moment is not bool:
            wait_until(moment, 60, f"{name} does not move", every_s=0.005)
        time.sleep(longer_s)

    def _kill(self) -> None:
        pair = self._pair
        both = (pair.offload, pair.processing)
        victims = self._rng.choice((both[:1], both[1:], both))
        if pair.offload in victims:
            self._sent_before_bytes = self._sent_bytes()
        for victim in victims:
            victim.kill()
        self.tally.kills += 1
        time.sleep(self._rng.uniform(0.0, 0.2))
        if self._rng.random() < 0.25:
            self._cut_start_up(victims[-1])
        for victim in victims:
            victim.start()

    def _cut_start_up(self, victim: Box) -> None:
        """Kill a daemon that is about to start, or has just done so."""
        victim.launch()
        time.sleep(self._rng.uniform(0.0, START_UP_S_MAX))
        if victim is self._pair.offload:
            with suppress(OSError):  # its board does not answer yet: it has sent nothing
                self._sent_before_bytes = self._sent_bytes()
        victim.kill()
        self.tally.kills += 1
        self.tally.starts_cut += 1

    # What must hold

    def _check(self, name: str) -> None:
        pair = self._pair
        assert digests_below(pair.storage / DAY / name / "Clips") == self._truths[name], name
        assert digests_below(pair.landing / DAY / name / "Clips") == self._truths[name], name
        incoming = pair.storage / ".syncd" / "incoming"
        wait_until(lambda: not list(incoming.iterdir()), 5, f"{name} left something in incoming")
        stages = [line["stage"] for line in pair.processing.api(f"rolls/{name}")["history"]]
        assert stages.count("ready") == 1, f"{name} became ready {stages.count('ready')} times"
        shutil.rmtree(pair.landing / DAY / name)
        shutil.rmtree(pair.storage / DAY / name)

    def _check_logs(self) -> None:
        for box in (self._pair.offload, self._pair.processing):
            lines = (box.folder / "log").read_text().splitlines()
            assert not [line for line in lines if "Traceback" in line], "\n".join(lines[-60:])
            assert len(lines) <= LOG_LINES_PER_KILL_MAX * self.tally.kills, f"{box.name} floods"


def digests_below(folder: Path) -> Truth:
    """Return a digest of every file below folder."""
    return {
        path.relative_to(folder): xxhash.xxh3_128_hexdigest(path.read_bytes())
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.timeout(300)  # a dozen starts, on a machine that may be busy
@pytest.mark.parametrize("seed", SEEDS)
def test_killed_daemons_finish_after_their_restart(seed: int, tmp_path: Path) -> None:
    """Whoever is killed, and when: every roll arrives whole, and little travels twice."""
    tally = Killing(seed, tmp_path).run()

    assert tally.kills >= KILLS
    assert tally.rolls


@pytest.mark.long
@pytest.mark.timeout(0)
def test_a_thousand_kills(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The long run of the test above: `python -m pytest -m long tests/faults/test_kill.py`."""
    total, failures = Killed(), {}
    for seed in LONG_SEEDS:
        killing = Killing(seed, tmp_path / str(seed))
        try:
            killing.run()
        except AssertionError as error:
            failures[seed] = str(error)[:500]
        else:
            shutil.rmtree(tmp_path / str(seed))
        total.kills += killing.tally.kills
        total.rolls += killing.tally.rolls
        total.starts_cut += killing.tally.starts_cut
        total.sent_twice_bytes += killing.tally.sent_twice_bytes
        with capfd.disabled():
            most = max(total.sent_twice_bytes, default=0)
            figures = {"seed": seed, "kills": total.kills, "rolls": total.rolls}
            figures |= {"starts_cut": total.starts_cut, "twice_per_kill_bytes_max": most}
            sys.stderr.write(json.dumps(figures | {"failures": failures}) + "\n")
    assert not failures
    assert total.kills >= 1000
