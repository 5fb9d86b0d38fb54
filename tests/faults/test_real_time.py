"""Real daemons that are stopped for a while, a minute in the long run, and whose clocks are set."""

import os
import shutil
import signal
import time
from collections.abc import Iterable
from pathlib import Path

import pytest

from syncd.limits import LANES_DEFAULT, MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Box, Pair, place_roll, wait_until
from tests.faults.real_views import Following, command, listing, log_lines
from tests.faults.test_kill import digests_below

CLIP_BYTES, CLIPS = 24 * MIB, 12
NOTICED_S_MAX = 10.0
TWICE_BYTES_MAX = 64 * MIB * LANES_DEFAULT
LOG_LINES_MAX = 60
HOURS_6_S = 6 * 3600


def wait_present(box: Box, name: str, timeout_s: float, *, present: bool = True) -> None:
    """Wait until box says of its peer that it is there, or is not."""

    def says_so() -> bool:
        peers = box.api("peers")["peers"]
        return bool(next(peer for peer in peers if peer["name"] == name)["present"] is present)

    wait_until(says_so, timeout_s, f"{box.name} does not say so of {name}")


def send(boxes: Iterable[Box], number: signal.Signals) -> None:
    """Send a signal to each."""
    for box in boxes:
        assert box.process is not None
        box.process.send_signal(number)


class Stopped:
    """One pair in which somebody is stopped while a roll moves."""

    def __init__(self, folder: Path, victims: str, original: Path, stop_s: float) -> None:
        self._stop_s = stop_s
        self.pair = Pair(folder / victims)
        self._staged = folder / f"staged-{victims}"
        shutil.copytree(original, self._staged)
        both = {"offload": self.pair.offload, "processing": self.pair.processing}
        self.victims = [both[name] for name in victims.split("+")]
        self.awake = [box for box in both.values() if box not in self.victims]
        self._stopped_s = 0.0

    def stop_as_bytes_move(self) -> None:
        """Let the roll appear, and stop the victims once some of it has come."""
        place_roll(self._staged, self.pair.landing, "A012")

        def moves() -> bool:
            return bool(self.pair.processing.rolls().get("A012", {}).get("moved_bytes"))

        wait_until(moves, 30, "nothing moves", every_s=0.005)
        send(self.victims, signal.SIGSTOP)
        self._stopped_s = time.monotonic()

    def check_noticed(self) -> None:
        """See that whoever is awake says within 10 s that its peer is not there."""
        for box in self.awake:
            (peer,) = (victim.name for victim in self.victims)
            left_s = self._stopped_s + NOTICED_S_MAX - time.monotonic()
            wait_present(box, peer, left_s, present=False)
            said = next(p for p in listing(box, "peers")["peers"] if p["name"] == peer)
            assert said["present"] is False
            assert said["last_heard_at"]
            checks = listing(box, "check")
            assert not checks["ok"]
            wrong = [check for check in checks["checks"] if not check["ok"]]
            assert any(peer in check["name"] + check["message"] for check in wrong), wrong
            assert all(check["remedy"] or check["name"].startswith("daemon") for check in wrong)

    def go_on(self) -> None:
        """Wake the victims."""
        left_s = self._stopped_s + self._stop_s - time.monotonic()
        time.sleep(max(0.0, left_s))
        send(self.victims, signal.SIGCONT)

    def check_ready(self, truth: dict[Path, str]) -> None:
        """The roll arrives by itself, little of it twice, and nobody floods a log."""
        self.pair.wait_ready("A012", timeout_s=60)
        assert digests_below(self.pair.storage / DAY / "A012" / "Clips") == truth
        sent = self.pair.offload.metric("syncd_payload_bytes_total")
        assert sent <= CLIP_BYTES * CLIPS + MIB + TWICE_BYTES_MAX
        for box in (self.pair.offload, self.pair.processing):
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)
            assert "Traceback" not in "\n".join(log_lines(box))
            (other,) = {"offload-1", "process-1"} - {box.name}
            wait_present(box, other, 10)


@pytest.mark.parametrize("stop_s", [15.0, pytest.param(60.0, marks=pytest.mark.long)])
@pytest.mark.timeout(240)
def test_daemons_that_are_stopped_are_missed_and_go_on(stop_s: float, tmp_path: Path) -> None:
    """Either of them, and both as in a laptop's sleep, in mid-roll; three pairs at once."""
    original = tmp_path / "original"
    make_roll(original, CLIP_BYTES, CLIPS)
    truth = digests_below(original / "Clips")
    scenes = [
        Stopped(tmp_path, victims, original, stop_s)
        for victims in ("offload", "processing", "offload+processing")
    ]
    try:
        for scene in scenes:
            scene.pair.__enter__()
        for scene in scenes:
            scene.stop_as_bytes_move()
            scene.check_noticed()
        for scene in scenes:
            scene.go_on()
        for scene in scenes:
            scene.check_ready(truth)
    finally:
        for scene in scenes:
            send(scene.victims, signal.SIGCONT)  # else they cannot be ended
            scene.pair.__exit__()


class Clocks:
    """A pair in which each box's wall clock can be set."""

    def __init__(self, folder: Path) -> None:
        self.pair = Pair(folder / "pair")
        self.told = folder / "told"
        self._folder = folder
        hook = folder / "hook"
        # Fails at first, so that its notice has an attempt to wait for when a clock is set back.
        hook.write_text(
            f'#!/bin/sh\ntest -e "{folder}/may" || exit 1\nprintf "%s\\n" "$1" >> "{self.told}"\n'
        )
        hook.chmod(0o755)
        self.told.touch()
        wrapper = Path(__file__).with_name("stepped_clock.py")
        for box in (self.pair.offload, self.pair.processing):
            box.folder.mkdir(parents=True)
            self.set(box, 0.0)
            box.command = (str(wrapper), str(box.folder / "clock"))
        self.pair.configure(
            processing=f'[[notice]]\nkind = "command"\nrun = ["{hook}", "{{path}}"]\n',
        )

    def set(self, box: Box, wrong_by_s: float) -> None:
        """Have box's clock be wrong by so much from now on."""
        beside = box.folder / "clock.new"
        beside.write_text(str(wrong_by_s))
        os.replace(beside, box.folder / "clock")

    def place(self, name: str) -> None:
        """Have a roll appear on the landing."""
        make_roll(self._folder / "staged", CLIP_BYTES, 6)
        place_roll(self._folder / "staged", self.pair.landing, name)

    def wait_told(self, name: str) -> None:
        """Wait until the roll is ready and its command was run."""
        self.pair.wait_ready(name, timeout_s=60)
        wait_until(lambda: name in self.told.read_text(), 60, f"nobody was told of {name}")


@pytest.mark.timeout(300)
def test_clocks_that_are_set_change_nothing_but_what_times_are_shown(tmp_path: Path) -> None:
    """Hours forward and back, on either box, in mid-roll, with an attempt waiting."""
    clocks = Clocks(tmp_path)
    offload, processing = clocks.pair.offload, clocks.pair.processing
    with clocks.pair, Following(processing) as followed:
        clocks.place("A001")
        clocks.pair.wait_ready("A001")
        for number, (ahead_s, behind_s) in enumerate(
            ((HOURS_6_S, 0.0), (-HOURS_6_S, 0.0), (0.0, HOURS_6_S), (HOURS_6_S, -HOURS_6_S)), 2
        ):
            name = f"A{number:03}"
            clocks.place(name)

            def moves(name: str = name) -> bool:
                return bool(processing.rolls().get(name, {}).get("moved_bytes"))

            wait_until(moves, 30, "nothing moves", every_s=0.005)
            clocks.set(offload, ahead_s)
            clocks.set(processing, behind_s)
            clocks.pair.wait_ready(name)
            wait_present(offload, "process-1", 5)
            wait_present(processing, "offload-1", 5)
        (tmp_path / "may").touch()
        for number in range(1, 6):
            clocks.wait_told(f"A{number:03}")
        (clock,) = [c for c in listing(offload, "check")["checks"] if c["name"] == "peer process-1"]
        assert "clock" in clock["message"]
        seqs = [event["seq"] for event in followed.events()]
        assert seqs == sorted(seqs)
        assert "held" not in followed.types_to("ready")

        clocks.set(offload, -HOURS_6_S)
        processing.kill()
        gone_s = time.monotonic()
        clocks.set(offload, -2 * HOURS_6_S)
        # A clock that was set back must not make a dead peer look alive.
        wait_present(offload, "process-1", gone_s + NOTICED_S_MAX - time.monotonic(), present=False)
        processing.start()
        clocks.place("A006")
        clocks.wait_told("A006")
        assert command(offload, "rolls")[0] == 0
