"""Real daemons whose journal is cut, lost or overwritten: before a roll, in its middle, and after.

Every roll arrives and is right; what the storage holds already does not travel again.
By default each box meets each damage once, at a moment of its own; with -m long at every one.
"""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from syncd.limits import LANES_DEFAULT, MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Box, Pair, place_roll, wait_until

CLIP_BYTES, CLIPS = 20 * MIB, 8
ROLL_BYTES = CLIP_BYTES * CLIPS
WINDOW_BYTES = 64 * MIB * LANES_DEFAULT  # promise 4
OTHER_BYTES = 2 * MIB  # lists, frames
MOMENTS = ("before", "middle", "after")
NAME = "journal.sqlite"


def journal_of(box: Box) -> Path:
    """Return where a box's journal lies."""
    return box.folder / "state" / NAME


def cut(path: Path) -> None:
    """Cut the journal short in mid-page, and take its -wal file."""
    os.truncate(path, path.stat().st_size // 2 + 77)
    path.with_name(f"{NAME}-wal").unlink()


def lose(path: Path) -> None:
    """Take the journal away, all of it."""
    path.unlink()
    path.with_name(f"{NAME}-wal").unlink()


def overwrite(path: Path) -> None:
    """Write rubbish all over the journal; its -wal file stays."""
    path.write_bytes(os.urandom(path.stat().st_size))


DAMAGES: dict[str, Callable[[Path], None]] = {"cut": cut, "lost": lose, "rubbish": overwrite}


class Losing:
    """A pair in which the journals of victims come to harm."""

    def __init__(self, folder: Path) -> None:
        self.pair = Pair(folder / "pair")
        self._folder = folder
        self._victims: tuple[Box, ...] = ()
        self._names: list[str] = []
        self._harms: Counter[str] = Counter()

    def harm(self, who: str, damage: str, moment: str) -> int:
        """Let a roll go through while journals come to harm; return the bytes sent since then."""
        both = (self.pair.offload, self.pair.processing)
        self._victims = {"offload": both[:1], "processing": both[1:], "both": both}[who]
        self._harms.update(box.name for box in self._victims)
        if moment == "before":
            self._kill_and(damage)
            self._shoot()
        else:
            name = self._shoot()
            if moment == "middle":
                wait_until(lambda: self._moved(name) >= ROLL_BYTES // 4, 60, f"{name} moves")
            else:
                self.pair.wait_ready(name)
            self._kill_and(damage)
        self._wait_all_ready()
        return int(self.pair.offload.metric("syncd_payload_bytes_total"))

    def _shoot(self) -> str:
        name = f"A{len(self._names):03}"
        staged = self._folder / "staged"
        make_roll(staged, CLIP_BYTES, CLIPS)
        place_roll(staged, self.pair.landing, name)
        self._names.append(name)
        return name

    def _moved(self, name: str) -> int:
        return int(self.pair.processing.rolls().get(name, {}).get("moved_bytes", 0))

    def _kill_and(self, damage: str) -> None:
        for box in (self.pair.offload, self.pair.processing):
            box.kill()  # both, so that what is counted from here on is counted from nought
        for box in self._victims:
            DAMAGES[damage](journal_of(box))
        self.pair.processing.start()
        self.pair.offload.start()

    def _wait_all_ready(self) -> None:
        self.pair.wait_ready(*self._names, timeout_s=90)
        wait_until(
            lambda: all(
                self.pair.processing.rolls().get(name, {}).get("stage") == "ready"
                for name in self._names
            ),
            90,
            "ready on the storage's box",
            state=self.pair.processing.rolls,
        )

    def check(self) -> None:
        """Compare every published roll with its source, and count the notes left behind."""
        for name in self._names:
            for source in (self.pair.landing / DAY / name / "Clips").iterdir():
                stored = self.pair.storage / DAY / name / "Clips" / source.name
                assert stored.read_bytes() == source.read_bytes(), stored
        assert not list((self.pair.storage / ".syncd" / "incoming").iterdir())
        for box in (self.pair.offload, self.pair.processing):
            notes = list((box.folder / "state").glob(f"{NAME}.*.txt"))
            assert len(notes) == self._harms[box.name]
            assert all("What cannot be rebuilt" in note.read_text() for note in notes)
            assert (box.folder / "log").read_text().count("A new journal was begun") == len(notes)


def sent_max(moment: str) -> int:
    """Return how much may travel after the harm, of a roll of which a quarter was confirmed."""
    if moment == "after":
        return 0
    confirmed = ROLL_BYTES // 4 if moment == "middle" else 0
    return ROLL_BYTES - confirmed + WINDOW_BYTES + OTHER_BYTES


STORIES = (
    (("offload", "cut", "before"), ("processing", "lost", "middle"), ("both", "rubbish", "after")),
    (("both", "cut", "middle"), ("offload", "lost", "after"), ("processing", "rubbish", "before")),
)


@pytest.mark.parametrize("story", STORIES)
def test_a_journal_that_comes_to_harm_loses_no_roll(
    tmp_path: Path, story: tuple[tuple[str, str, str], ...]
) -> None:
    """Cut, lost or overwritten, before a roll, in its middle or after: all are ready and right."""
    losing = Losing(tmp_path)
    with losing.pair:
        for who, damage, moment in story:
            sent = losing.harm(who, damage, moment)
            assert sent <= sent_max(moment), f"{who} {damage} {moment}: {sent}"
        losing.check()


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize("who", ["offload", "processing", "both"])
def test_every_harm_at_every_moment(
    tmp_path: Path, who: str, damage: str, record_property: Callable[[str, object], None]
) -> None:
    """All 27: who, what and when."""
    losing = Losing(tmp_path)
    with losing.pair:
        for moment in MOMENTS:
            sent = losing.harm(who, damage, moment)
            sys.stderr.write(f"{who} {damage} {moment}: {sent} of {ROLL_BYTES} bytes sent\n")
            record_property(f"{who} {damage} {moment}", sent)
            assert sent <= sent_max(moment), f"{damage} {moment}: {sent}"
        losing.check()


def checks_of(box: Box) -> tuple[int, dict[str, dict[str, object]]]:
    """Run `syncd check --json` for a box; return its exit code and the answers by name."""
    found = subprocess.run(
        [sys.executable, "-m", "syncd", "check", "--json", "-c", str(box.config)],
        capture_output=True,
        text=True,
        check=False,
    )
    return found.returncode, {c["name"]: c for c in json.loads(found.stdout)["checks"]}


def test_a_journal_moved_removed_or_replaced_while_syncd_runs_is_missed_and_mended(
    tmp_path: Path,
) -> None:
    """Within seconds there is a whole one at its place again; nothing confirmed is forgotten."""
    pair = Pair(tmp_path / "pair")
    with pair:
        make_roll(tmp_path / "staged", MIB, 2)
        place_roll(tmp_path / "staged", pair.landing, "A012")
        pair.wait_ready("A012")
        box = pair.processing
        path = journal_of(box)
        copy = path.with_name("copy")
        shutil.copy(path, copy)  # a live copy: torn, or old
        steps: list[Callable[[], object]] = [
            lambda: path.rename(path.with_name("moved")),
            path.unlink,
            lambda: copy.replace(path),
            path.with_name(f"{NAME}-wal").unlink,
        ]
        for count, step in enumerate(steps, start=1):
            step()
            wait_until(
                lambda count=count: len(list(path.parent.glob("*.txt"))) == count,
                10,
                "it is missed",
            )
            make_roll(tmp_path / "staged", MIB, 2)
            place_roll(tmp_path / "staged", pair.landing, f"B{count:03}")
            pair.wait_ready(f"B{count:03}")
        box.kill()
        box.start()

        names = {"A012", *(f"B{count:03}" for count in range(1, 5))}
        assert set(box.rolls()) == names
        with_stages = {roll["stage"] for roll in box.rolls().values()}
        assert with_stages == {"ready"}
        code, checks = checks_of(box)
        assert code == 1
        assert "while syncd ran" in str(checks["journal"]["message"])
        assert "move away" in str(checks["journal"]["remedy"])
        for note in path.parent.glob("*.txt"):
            note.unlink()
        assert checks_of(box)[1]["journal"]["ok"]


def test_a_journal_that_breaks_while_syncd_runs_is_rebuilt_without_a_restart_by_hand(
    tmp_path: Path,
) -> None:
    """The daemon begins anew by itself, under the same process, and has all rolls again."""
    pair = Pair(tmp_path / "pair")
    with pair:
        make_roll(tmp_path / "staged", MIB, 2)
        place_roll(tmp_path / "staged", pair.landing, "A012")
        pair.wait_ready("A012")
        box = pair.processing
        pid = box.process.pid if box.process else 0
        path = journal_of(box)
        for file in (path, path.with_name(f"{NAME}-wal")):
            with file.open("r+b") as opened:
                opened.write(os.urandom(file.stat().st_size))
        make_roll(tmp_path / "staged", MIB, 2)
        place_roll(tmp_path / "staged", pair.landing, "B007")
        pair.wait_ready("A012", "B007")
        wait_until(
            lambda: set(box.rolls()) == {"A012", "B007"}, 30, "both are known", state=box.rolls
        )

        assert box.process is not None
        assert box.process.poll() is None
        assert box.process.pid == pid


def test_the_journal_of_another_box_is_not_taken_for_ones_own(tmp_path: Path) -> None:
    """Put into a stopped box it is kept aside and said; the rolls of the landing are as before."""
    pair = Pair(tmp_path / "pair")
    with pair:
        make_roll(tmp_path / "staged", MIB, 2)
        place_roll(tmp_path / "staged", pair.landing, "A012")
        pair.wait_ready("A012")
        box = pair.offload
        box.stop()
        pair.processing.stop()
        shutil.copy(journal_of(pair.processing), journal_of(box))
        box.name = "offload-2"  # a renamed box is the same one
        pair.configure()
        pair.processing.start()
        box.start()
        pair.wait_ready("A012")

        (kept,) = journal_of(box).parent.glob(f"{NAME}.foreign-*Z")
        code, checks = checks_of(box)
        assert code == 1
        for word in ("belongs to another box", pair.processing.fingerprint, kept.name):
            assert word in str(checks["journal"]["message"])
        assert checks_of(pair.processing)[1]["journal"]["ok"]


def test_a_newer_journal_ends_the_older_program_kindly(tmp_path: Path) -> None:
    """Exit 78, the two versions and what to do on stderr, and the file as it was."""
    pair = Pair(tmp_path / "pair")
    pair.configure()
    box = pair.processing
    box.start()
    box.stop()
    path = journal_of(box)
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = path.read_bytes()

    found = subprocess.run(
        [sys.executable, "-m", "syncd", "run", "-c", str(box.config)],
        capture_output=True,
        text=True,
        check=False,
        timeout=30,
    )

    assert found.returncode == 78
    assert "written by a newer syncd (version 99" in found.stderr
    assert "Install that syncd again" in found.stderr
    assert path.read_bytes() == before
