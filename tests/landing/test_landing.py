"""The service over one landing: on simulated time with a real disk, and once with real events."""

import asyncio
import os
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

import pytest

from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.journal import history, rolls
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import RollRow
from syncd.landing.examine import Examiner, Roll
from syncd.landing.landing import Landing
from syncd.landing.watch import Watch
from syncd.limits import HELD_LOOK_S, RECHECK_S, RESCAN_S
from syncd.ports import Clock, Disk, Folder
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode, Stage
from tests.faults.virtual_time import run_simulated
from tests.landing.samples import (
    CLIPS,
    DAY,
    place_for,
    touch_again,
    write_clips,
    write_evidence,
)

T = TypeVar("T")
LATENCY_S_MAX = 0.6


class LoopClock:
    """The time of the running loop, which here is simulated."""

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return 1_773_500_000_000 + int(self.monotonic_s() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class InlineDisk(RealDisk):
    """The real disk, without threads: simulated time must not pass meanwhile."""

    async def aside(self, work: Callable[..., T], *args: Any) -> T:
        return work(*args)


def make_landing(root: Path, journal: Journal, clock: Clock, disk: Disk, **options: Any) -> Landing:
    """Put a landing on root together."""
    return Landing(
        root=str(root), clock=clock, disk=disk, journal=journal, place_for=place_for, **options
    )


def rows_of(journal: Journal) -> dict[str, RollRow]:
    """Return the journal's rolls by name."""
    with journal.read() as db:
        return {row.name: row for row in rolls.all_rolls(db)}


@asynccontextmanager
async def running(*services: Awaitable[None]) -> AsyncIterator[None]:
    """Run services until the block ends."""
    tasks = [asyncio.ensure_future(service) for service in services]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        for task in tasks:
            with suppress(asyncio.CancelledError):
                await task


def simulate(
    root: Path,
    journal: Journal,
    story: Callable[[Landing], Coroutine[Any, Any, None]],
    **options: Any,
) -> None:
    """Run a landing on simulated time while story goes on beside it."""
    disk = InlineDisk()
    landing = make_landing(root, journal, LoopClock(), disk, **options)

    async def main() -> None:
        async with running(landing.run()):
            await asyncio.sleep(1)
            await story(landing)

    try:
        run_simulated(main(), limit_s=100_000)
    finally:
        disk.close()


def test_rolls_that_are_there_at_the_start_are_found(tmp_path: Path, journal: Journal) -> None:
    """With evidence they are verified without any event; without it they are arriving."""
    write_evidence(write_clips(tmp_path, "A012"))
    write_clips(tmp_path, "B007")

    async def story(_landing: Landing) -> None:
        rows = rows_of(journal)
        assert {name: row.stage for name, row in rows.items()} == {
            "A012": Stage.VERIFIED,
            "B007": Stage.ARRIVING,
        }

    simulate(tmp_path, journal, story)


def test_files_from_a_wrong_clock_do_not_keep_a_roll_from_being_verified(
    tmp_path: Path, journal: Journal
) -> None:
    """File systems hold times (ext4 up to 2446, inode timestamps) beyond 64 bits of nanoseconds."""
    clips = write_clips(tmp_path, "A012")
    for number, clip in enumerate(sorted(clips.rglob("*.mov"))):
        stamp_ns = (12_622_780_800 + number) * 10**9  # 2370-01-01 and the seconds after
        os.utime(clip, ns=(stamp_ns, stamp_ns))
        assert clip.stat().st_mtime_ns > 1 << 63, "this file system holds such times"
    write_evidence(clips)

    async def story(_landing: Landing) -> None:
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_roll_whose_name_no_manifest_can_have_is_held_until_it_is_renamed(
    tmp_path: Path, journal: Journal
) -> None:
    """Here, and not on the storage once all of it has travelled."""
    long = write_clips(tmp_path, "L" * 228)
    write_evidence(long)

    async def story(_landing: Landing) -> None:
        (row,) = rows_of(journal).values()
        assert row.held is not None
        assert row.held.code is HeldCode.NAME_UNSAFE
        assert "longer than 227 bytes" in row.held.message
        long.rename(long.with_name("L" * 227))
        await asyncio.sleep(RESCAN_S + 1)
        assert rows_of(journal)["L" * 227].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_roll_whose_events_were_lost_is_found_by_the_next_listing(
    tmp_path: Path, journal: Journal
) -> None:
    """Events are hints: without a single one, a new roll is taken within a minute or so."""

    async def story(_landing: Landing) -> None:
        write_evidence(write_clips(tmp_path, "A012"))
        await asyncio.sleep(RESCAN_S + 1)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_evidence_whose_event_was_lost_is_found_by_the_next_look(
    tmp_path: Path, journal: Journal
) -> None:
    """A roll that is still arriving is looked at again with every listing."""
    roll = write_clips(tmp_path, "A012")

    async def story(_landing: Landing) -> None:
        write_evidence(roll)
        await asyncio.sleep(RESCAN_S + 1)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_hint_has_a_roll_looked_at_at_once(tmp_path: Path, journal: Journal) -> None:
    """And then again when it has been quiet."""
    roll = write_clips(tmp_path, "A012")

    async def story(landing: Landing) -> None:
        manifest = write_evidence(roll)
        landing.touched(f"{DAY}/A012/{manifest.name}")
        await asyncio.sleep(LATENCY_S_MAX)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_verified_roll_is_not_walked_again_without_a_hint(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A day of rolls at rest costs one listing a minute."""
    for name in ("A012", "B007", "S003"):
        write_evidence(write_clips(tmp_path, name))

    async def story(landing: Landing) -> None:
        walked: list[str] = []
        look = landing._examiner.look

        def look_and_tell(folder: Folder, roll: Roll) -> None:
            walked.append(roll.found.name)
            look(folder, roll)

        monkeypatch.setattr(landing._examiner, "look", look_and_tell)
        await asyncio.sleep(10 * RESCAN_S)
        assert walked == []
        landing.touched(f"{DAY}/B007/CLIPS/x")
        await asyncio.sleep(1)
        assert walked == ["B007"]

    simulate(tmp_path, journal, story)


def test_a_settled_landing_takes_a_roll_after_its_time(tmp_path: Path, journal: Journal) -> None:
    """Counted from the last change."""
    roll = write_clips(tmp_path, "A012")

    async def story(landing: Landing) -> None:
        await asyncio.sleep(15)
        (roll / "late.mov").write_bytes(b"late")
        landing.touched(f"{DAY}/A012/late.mov")
        await asyncio.sleep(15)
        assert rows_of(journal)["A012"].stage is Stage.ARRIVING
        await asyncio.sleep(6)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED
        assert rows_of(journal)["A012"].file_count == 3

    simulate(tmp_path, journal, story, trust=Trust.SETTLED, settle_s=20.0)


def test_a_list_beside_the_rolls_has_the_arriving_ones_looked_at(
    tmp_path: Path, journal: Journal
) -> None:
    """It may be about any roll of that day."""
    write_clips(tmp_path, "A012")

    async def story(landing: Landing) -> None:
        landing.touched(f"{DAY}/A012.md5")
        await asyncio.sleep(0)
        landing._take_hints()
        assert landing._rolls[f"{DAY}/A012"].due_s is not None

    simulate(tmp_path, journal, story)


def test_a_lost_root_holds_what_is_to_be_read_from_it_and_comes_back_by_itself(
    tmp_path: Path, journal: Journal
) -> None:
    """It is never taken for an empty one: what arrives there is not forgotten either."""
    root = tmp_path / "landing"
    write_evidence(write_clips(root, "A012"))
    write_clips(root, "B007")

    async def story(landing: Landing) -> None:
        root.rename(tmp_path / "pulled out")
        landing.look_again()
        await asyncio.sleep(1)
        rows = rows_of(journal)
        assert rows["A012"].held is not None
        assert rows["A012"].held.code is HeldCode.SOURCE_UNREADABLE
        assert rows["B007"].stage is Stage.ARRIVING
        assert str(root) in landing.problems()[0]

        root.mkdir()  # the mount point, bare
        await asyncio.sleep(3 * RESCAN_S)
        assert rows_of(journal).keys() == {"A012", "B007"}
        assert landing.problems() != []

        root.rmdir()
        (tmp_path / "pulled out").rename(root)
        await asyncio.sleep(5)
        assert rows_of(journal)["A012"].held is None
        assert landing.problems() == []

    simulate(root, journal, story)


def test_a_root_that_is_absent_at_the_start_holds_what_the_journal_knows(
    tmp_path: Path, journal: Journal
) -> None:
    """After a restart with the disk unplugged, people see what is missing."""
    root = tmp_path / "landing"
    write_evidence(write_clips(root, "A012"))

    async def nothing(_landing: Landing) -> None:
        assert rows_of(journal)["A012"].held is None

    simulate(root, journal, nothing)
    root.rename(tmp_path / "pulled out")

    async def story(_landing: Landing) -> None:
        held = rows_of(journal)["A012"].held
        assert held is not None
        assert held.code is HeldCode.SOURCE_UNREADABLE
        (tmp_path / "pulled out").rename(root)
        await asyncio.sleep(5)
        assert rows_of(journal)["A012"].held is None

    simulate(root, journal, story)


def test_an_arriving_roll_that_is_taken_away_is_forgotten(tmp_path: Path, journal: Journal) -> None:
    """When two complete listings agree that it is gone."""
    roll = write_clips(tmp_path / "landing", "A012")

    async def story(landing: Landing) -> None:
        assert rows_of(journal).keys() == {"A012"}
        roll.rename(tmp_path / "A012")
        landing.touched(f"{DAY}/A012")
        await asyncio.sleep(5)
        assert rows_of(journal) == {}

    simulate(tmp_path / "landing", journal, story)


def test_two_landings_keep_to_their_own(tmp_path: Path, journal: Journal) -> None:
    """A landing does not miss the rolls of another one."""
    one, two = tmp_path / "one", tmp_path / "two"
    write_evidence(write_clips(one, "A012"))
    two.mkdir()

    async def story(_landing: Landing) -> None:
        await asyncio.sleep(1)

    simulate(one, journal, story)
    simulate(two, journal, story)

    row = rows_of(journal)["A012"]
    assert (row.stage, row.held) == (Stage.VERIFIED, None)


def stages_of(journal: Journal, name: str) -> list[Stage]:
    """Return the stages of all rolls of that name, as they were found."""
    with journal.read() as db:
        return [row.stage for row in rolls.find(db, f"{DAY}/{name}")]


def hand_over(journal: Journal, name: str) -> None:
    """Let a verified roll be ready."""
    with journal.write() as db:
        rolls.set_stage(db, rows_of(journal)[name].roll_id, Stage.READY, now_utc_ms=1)


def write_other(root: Path, name: str) -> Path:
    """Write a roll of that name with other content, and its evidence."""
    roll = write_clips(root, name, {"CLIPS/A012C001.mov": b"another day" * 100})
    write_evidence(roll)
    return roll


def test_another_disk_put_in_while_nobody_watched_is_looked_at(
    tmp_path: Path, journal: Journal
) -> None:
    """It may carry the day and the name of a roll that is ready, and other content."""
    root = tmp_path / "landing"
    write_evidence(write_clips(root, "A012"))

    async def first(_landing: Landing) -> None:
        hand_over(journal, "A012")

    simulate(root, journal, first)
    root.rename(tmp_path / "taken out")
    write_other(root, "A012")

    async def story(_landing: Landing) -> None:
        assert sorted(stages_of(journal, "A012")) == sorted([Stage.READY, Stage.VERIFIED])

    simulate(root, journal, story)


def test_another_disk_put_in_without_an_event_is_looked_at(
    tmp_path: Path, journal: Journal
) -> None:
    """The next listing finds that the root is another one."""
    root = tmp_path / "landing"
    write_evidence(write_clips(root, "A012"))

    async def story(_landing: Landing) -> None:
        hand_over(journal, "A012")
        root.rename(tmp_path / "taken out")
        write_other(root, "A012")
        await asyncio.sleep(RESCAN_S + 1)
        assert sorted(stages_of(journal, "A012")) == sorted([Stage.READY, Stage.VERIFIED])

    simulate(root, journal, story)


def test_another_roll_in_the_place_of_a_ready_one_is_looked_at_without_an_event(
    tmp_path: Path, journal: Journal
) -> None:
    """The next listing finds that the folder is another one."""
    root = tmp_path / "landing"
    roll = write_clips(root, "A012")
    write_evidence(roll)

    async def story(_landing: Landing) -> None:
        hand_over(journal, "A012")
        roll.rename(tmp_path / "aside")
        write_other(root, "A012")
        await asyncio.sleep(RESCAN_S + 1)
        assert sorted(stages_of(journal, "A012")) == sorted([Stage.READY, Stage.VERIFIED])

    simulate(root, journal, story)


def test_a_change_deep_in_a_ready_roll_without_an_event_is_found_in_time(
    tmp_path: Path, journal: Journal
) -> None:
    """A file that no longer fits the evidence leaves the folder of the roll as it was."""
    roll = write_clips(tmp_path, "A012")
    write_evidence(roll)

    async def story(_landing: Landing) -> None:
        hand_over(journal, "A012")
        (roll / "CLIPS/A012C001.mov").write_bytes(b"short")
        await asyncio.sleep(RECHECK_S + 2 * RESCAN_S)
        assert sorted(stages_of(journal, "A012")) == sorted([Stage.ARRIVING, Stage.READY])

    simulate(tmp_path, journal, story)


def hold_as_the_hand_off_does(journal: Journal, name: str, code: HeldCode) -> None:
    """Hold a verified roll for what its lanes read."""
    with journal.write() as db:
        roll_id = rows_of(journal)[name].roll_id
        rolls.hold(db, roll_id, code, "why", "CLIPS/A012C001.mov", now_utc_ms=1)


@pytest.mark.parametrize("code", [HeldCode.EVIDENCE_MISMATCH, HeldCode.FILE_MISSING])
def test_a_held_roll_is_looked_at_again_by_itself_where_there_are_no_events(
    tmp_path: Path, journal: Journal, code: HeldCode
) -> None:
    """A file that a person puts there as the remedy says is taken within a minute or so."""
    roll = write_clips(tmp_path, "A012")
    write_evidence(roll)

    async def story(_landing: Landing) -> None:
        hold_as_the_hand_off_does(journal, "A012", code)
        await asyncio.sleep(20 * RESCAN_S)
        touch_again(roll / "CLIPS/A012C001.mov", CLIPS["CLIPS/A012C001.mov"])
        await asyncio.sleep(2 * RESCAN_S)
        assert rows_of(journal)["A012"].held is None
        assert rows_of(journal)["A012"].edition == 1

    simulate(tmp_path, journal, story)


def test_a_roll_that_was_held_just_now_is_looked_at_soon(tmp_path: Path, journal: Journal) -> None:
    """A person who stands beside it does not wait for a minute."""
    roll = write_clips(tmp_path, "A012")
    write_evidence(roll)

    async def story(_landing: Landing) -> None:
        hold_as_the_hand_off_does(journal, "A012", HeldCode.EVIDENCE_MISMATCH)
        await asyncio.sleep(2)
        touch_again(roll / "CLIPS/A012C001.mov", CLIPS["CLIPS/A012C001.mov"])
        await asyncio.sleep(3 * HELD_LOOK_S)
        assert rows_of(journal)["A012"].held is None

    simulate(tmp_path, journal, story)


def test_a_file_put_there_again_with_its_old_time_is_read_again(
    tmp_path: Path, journal: Journal
) -> None:
    """Copies of footage keep its times: the right bytes may look as the wrong ones did."""
    roll = write_clips(tmp_path, "A012")
    write_evidence(roll)
    clip = roll / "CLIPS/A012C001.mov"

    async def story(_landing: Landing) -> None:
        hold_as_the_hand_off_does(journal, "A012", HeldCode.EVIDENCE_MISMATCH)
        await asyncio.sleep(10 * RESCAN_S)
        assert rows_of(journal)["A012"].held is not None
        stamp = clip.stat().st_mtime_ns
        clip.unlink()
        clip.write_bytes(CLIPS["CLIPS/A012C001.mov"])
        os.utime(clip, ns=(stamp, stamp))
        await asyncio.sleep(2 * RESCAN_S)
        assert rows_of(journal)["A012"].held is None

    simulate(tmp_path, journal, story)


def test_looks_at_held_rolls_become_rare_and_leave_all_others_alone(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A roll that waits for a person for a day is walked once a minute, and no other one is."""
    for name in ("A012", "B007"):
        write_evidence(write_clips(tmp_path, name, {"one.mov": name.encode()}))
    walked: list[str] = []
    look = Examiner.look

    def look_and_tell(examiner: Examiner, folder: Folder, roll: Roll) -> None:
        walked.append(roll.found.name)
        look(examiner, folder, roll)

    async def story(_landing: Landing) -> None:
        hold_as_the_hand_off_does(journal, "A012", HeldCode.EVIDENCE_MISMATCH)
        monkeypatch.setattr(Examiner, "look", look_and_tell)
        await asyncio.sleep(20 * RESCAN_S)
        assert set(walked) == {"A012"}
        assert 15 < len(walked) < 30

    simulate(tmp_path, journal, story)


def test_a_cause_that_only_seems_to_be_gone_lets_a_roll_go_on_more_and_more_seldom(
    tmp_path: Path, journal: Journal
) -> None:
    """Whoever writes to a file and puts its time back is not seen here; a day of it is no flood."""
    write_evidence(write_clips(tmp_path, "A012"))

    async def story(_landing: Landing) -> None:
        roll_id = rows_of(journal)["A012"].roll_id
        ends_s = asyncio.get_running_loop().time() + 24 * 3600
        while asyncio.get_running_loop().time() < ends_s:
            hold_as_the_hand_off_does(journal, "A012", HeldCode.SOURCE_CHANGED)
            await asyncio.sleep(2)
        with journal.read() as db:
            lines = [line.note for line in history.read(db, roll_id)]
        assert 20 < lines.count("no longer held (source-changed)") < 40

    simulate(tmp_path, journal, story)


def test_a_new_roll_does_not_wait_for_a_walk_of_all_that_are_ready(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a start all known rolls are due, and the new one is still looked at first."""
    for name in ("A012", "B007"):
        write_evidence(write_clips(tmp_path, name, {"one.mov": name.encode()}))

    async def first(_landing: Landing) -> None:
        hand_over(journal, "A012")
        hand_over(journal, "B007")

    simulate(tmp_path, journal, first)
    write_evidence(write_clips(tmp_path, "S003"))
    walked: list[str] = []
    look = Examiner.look

    def look_and_tell(examiner: Examiner, folder: Folder, roll: Roll) -> None:
        walked.append(roll.found.name)
        look(examiner, folder, roll)

    monkeypatch.setattr(Examiner, "look", look_and_tell)

    async def story(_landing: Landing) -> None:
        assert walked[0] == "S003"
        assert {"A012", "B007"} <= set(walked)

    simulate(tmp_path, journal, story)


async def test_a_manifest_is_believed_soon_after_it_was_written(
    tmp_path: Path, journal: Journal
) -> None:
    """Real events, real time: written to verified on an idle box within LATENCY_S_MAX."""
    roll = write_clips(tmp_path, "A012")
    disk, changed = RealDisk(), asyncio.Event()
    loop = asyncio.get_running_loop()
    landing = make_landing(tmp_path, journal, RealClock(), disk)
    watch = Watch(RealClock(), disk)
    watch.add(landing.root, landing)

    def tell() -> None:
        loop.call_soon_threadsafe(changed.set)

    journal.subscribe(tell)
    async with running(landing.run(), watch.run()):
        await asyncio.sleep(0.3)

        began_s = time.monotonic()
        await asyncio.to_thread(write_evidence, roll)
        while rows_of(journal)["A012"].stage is not Stage.VERIFIED:
            changed.clear()
            await asyncio.wait_for(changed.wait(), 5)
        took_s = time.monotonic() - began_s
    disk.close()

    assert took_s < LATENCY_S_MAX


def test_a_journal_that_cannot_be_written_delays_and_loses_nothing(
    tmp_path: Path,
    journal: Journal,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A full disk below the journal is told, once, and waited out."""
    roll = write_clips(tmp_path, "A012")
    write = journal.write

    def fail() -> None:
        raise JournalError("The disk is full.", remedy="Free space.")

    async def story(landing: Landing) -> None:
        monkeypatch.setattr(journal, "write", fail)
        write_evidence(roll)
        landing.touched(f"{DAY}/A012/x.mhl")
        await asyncio.sleep(10)
        assert "The disk is full" in landing.problems()[0]

        monkeypatch.setattr(journal, "write", write)
        await asyncio.sleep(5)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED
        assert landing.problems() == []
        told = [record.message for record in caplog.records if record.levelname == "WARNING"]
        assert ["full" in message for message in told] == [True, False]

    simulate(tmp_path, journal, story)
