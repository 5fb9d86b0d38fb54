"""Storage, and a journal, on a small ext4 that fills, goes read-only, vanishes and returns."""

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from syncd.edges.disk import RealDisk
from syncd.errors import StateDiskError
from syncd.journal.opening import open_journal
from syncd.limits import MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Pair, place_roll, wait_until
from tests.faults.real_mounts import SmallDisk, why_no_loop
from tests.faults.real_views import Following, command, listing, log_lines, wait_held
from tests.faults.test_kill import digests_below

pytestmark = pytest.mark.skipif(bool(why_no_loop()), reason=why_no_loop())

DISK_BYTES = 256 * MIB
CLIP_BYTES, CLIPS = 16 * MIB, 8
EVENTS_MAX = 30  # of a roll that met one fault, on either box
LOG_LINES_MAX = 30


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """Give a small ext4, mounted."""
    with SmallDisk(tmp_path / "disk", DISK_BYTES) as mounted:
        yield mounted


class Scene:
    """A pair with its storage on the small disk, and a roll that has begun to move."""

    def __init__(self, pair: Pair, folder: Path) -> None:
        self.pair = pair
        self._folder = folder
        self._truth: dict[Path, str] = {}

    def begin(self, name: str = "A012") -> None:
        """Place a roll and wait until some of it is on the storage."""
        staged = self._folder / "staged"
        make_roll(staged, CLIP_BYTES, CLIPS)
        self._truth = digests_below(staged / "Clips")
        place_roll(staged, self.pair.landing, name)

        def moves() -> bool:
            return bool(self.pair.processing.rolls().get(name, {}).get("moved_bytes"))

        wait_until(moves, 30, "nothing moves", every_s=0.01)

    def check_ready(self, name: str = "A012") -> None:
        """Wait until the roll is there, whole, and see that nobody made much noise about it."""
        self.pair.wait_ready(name, timeout_s=60)
        assert digests_below(self.pair.storage / DAY / name / "Clips") == self._truth
        for box in (self.pair.offload, self.pair.processing):
            history = box.api(f"rolls/{name}")["history"]
            assert len(history) <= EVENTS_MAX, history
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)
            assert "Traceback" not in "\n".join(log_lines(box))


def test_a_disk_that_fills_in_mid_roll_holds_it_and_room_heals_it(
    disk: SmallDisk, tmp_path: Path
) -> None:
    """Another program takes all room: the roll waits, says how much is lacking, and goes on."""
    pair = Pair(tmp_path / "pair", storage=disk.path)
    with pair, Following(pair.offload) as followed:
        scene = Scene(pair, tmp_path)
        scene.begin()
        filler = disk.fill()

        held = wait_held(pair.offload, "A012", "storage-full")
        assert str(disk.path) in held["message"]
        assert "goes on by itself" in held["message"] or "go on by themselves" in held["message"]
        assert not (disk.path / DAY).exists(), "nothing is published of it"
        for box in (pair.offload, pair.processing):
            code, text = command(box, "rolls")
            assert code == 1
            assert "storage-full" in text
            assert "Free " in command(box, "roll", "A012")[1]
        space = [c for c in listing(pair.processing, "check")["checks"] if c["name"] == "space"]
        assert not space[0]["ok"]
        assert space[0]["remedy"]

        filler.unlink()
        scene.check_ready()
        types = followed.types_to("ready")
        assert types.index("held") < types.index("released") < types.index("ready")


def test_a_disk_that_goes_read_only_in_mid_roll_holds_it_until_a_person_has_seen_to_it(
    disk: SmallDisk, tmp_path: Path
) -> None:
    """As after an error on the device: said with file and remedy; mounted anew, `go` goes on."""
    pair = Pair(tmp_path / "pair", storage=disk.path)
    with pair, Following(pair.processing) as followed:
        scene = Scene(pair, tmp_path)
        scene.begin()
        disk.fail()

        held = wait_held(pair.offload, "A012", "storage-error")
        assert "is mounted read-only" in held["message"]
        assert "syncd go" in held["message"]
        checks = {check["name"]: check for check in listing(pair.processing, "check")["checks"]}
        assert not checks["marker"]["ok"]
        assert "read-only" in checks["marker"]["remedy"]
        wait_until(lambda: _storage_events(followed) == ["storage-error"], 20, "no event of it")
        own = next(c for c in listing(pair.processing, "check")["checks"] if _is_storages(c))
        assert not own["ok"]
        assert "is mounted read-only" in own["message"]
        assert any("is mounted read-only" in line for line in log_lines(pair.processing))

        disk.vanish()  # fails if we kept it busy: then what is mounted next is the same, broken
        wait_until(lambda: _is_let_go(pair, disk), 20, "the daemon keeps the disk busy")
        told = ["storage-error", "storage-absent"]  # it only looks every 2 s
        wait_until(lambda: _storage_events(followed) == told, 20, "not told that it is gone")
        disk.mount()
        assert command(pair.offload, "go", "A012")[0] == 0
        scene.check_ready()
        followed.types_to("ready")
        codes = {e["data"]["code"] for e in followed.events() if e["type"] == "held"}
        assert codes == {"storage-error"}
        told.append("well-again")
        wait_until(lambda: _storage_events(followed) == told, 20, "the end is not told")


def test_a_disk_that_is_mounted_read_only_says_so(disk: SmallDisk) -> None:
    """By the daemon's own way to look, before anything is written."""
    own = RealDisk()
    folder = own.open_folder(str(disk.path))
    assert folder.free_bytes() > 0
    disk.protect()
    with pytest.raises(OSError, match="Read-only file system"):
        folder.free_bytes()
    folder.close()
    own.close()


def _is_storages(check: dict[str, Any]) -> bool:
    return str(check["name"]) == "daemon: storage"


def _storage_events(followed: Following) -> list[str]:
    """Return what was told of the storage itself."""
    return [e["type"] for e in followed.events() if e["roll"] is None and "storage" in e["note"]]


def _is_let_go(pair: Pair, disk: SmallDisk) -> bool:
    """Tell whether the daemon has nothing open any more that lay on the disk."""
    assert pair.processing.process is not None
    folder = Path(f"/proc/{pair.processing.process.pid}/fd")
    devices = set()
    for name in os.listdir(folder):
        try:
            devices.add((folder / name).stat().st_dev)
        except FileNotFoundError:
            continue
    return disk.device not in devices


def test_a_disk_that_vanishes_in_mid_roll_is_waited_for_and_nothing_is_written_below_it(
    disk: SmallDisk, tmp_path: Path
) -> None:
    """The empty folder under the mount stays empty; mounted again, the roll goes on by itself."""
    pair = Pair(tmp_path / "pair", storage=disk.path)
    with pair, Following(pair.offload) as followed:
        scene = Scene(pair, tmp_path)
        scene.begin()
        disk.vanish()

        held = wait_held(pair.offload, "A012", "storage-absent")
        assert "Mount it" in held["message"]
        for box in (pair.offload, pair.processing):
            assert "storage-absent" in command(box, "rolls")[1]
            assert "Mount it" in command(box, "roll", "A012")[1]
        assert not listing(pair.processing, "check")["ok"]
        make_roll(tmp_path / "staged", MIB, 1)
        place_roll(tmp_path / "staged", pair.landing, "A013")
        wait_held(pair.offload, "A013", "storage-absent")
        wait_until(lambda: _is_let_go(pair, disk), 20, "the daemon keeps the disk busy")
        assert not list(disk.path.iterdir()), "written into the folder under the mount"

        disk.mount()
        scene.check_ready()
        pair.wait_ready("A013")
        assert "held" in followed.types_to("released")
    disk.vanish()
    assert not list(disk.path.iterdir())


@pytest.mark.parametrize("role", ["offload", "processing"])
def test_a_journal_on_a_full_disk_stops_work_and_not_the_daemon(role: str, tmp_path: Path) -> None:
    """It stays up, says what is wrong with its journal, and goes on when there is room."""
    pair = Pair(tmp_path / "pair")
    box = pair.offload if role == "offload" else pair.processing
    state = box.folder / "state"
    with SmallDisk(tmp_path / "disk", 32 * MIB) as disk:
        state.parent.mkdir(parents=True)
        state.symlink_to(disk.path)
        with pair:
            scene = Scene(pair, tmp_path)
            scene.begin("A011")
            pair.wait_ready("A011")
            filler = disk.fill()
            # Many files: what the journal has to take in does not fit into what it has already.
            make_roll(tmp_path / "staged", 100, 12_000)
            place_roll(tmp_path / "staged", pair.landing, "A012")

            def says_so() -> bool:
                checks = listing(box, "check")["checks"]
                return any(not c["ok"] and "journal" in c["message"] for c in checks)

            wait_until(says_so, 30, "check does not tell", state=lambda: command(box, "check")[1])
            for each in (pair.offload, pair.processing):
                assert each.api("status")["node"] == each.name
            filler.unlink()
            pair.wait_ready("A012", timeout_s=60)
            for each in (pair.offload, pair.processing):
                assert len(log_lines(each)) <= LOG_LINES_MAX, log_lines(each)
                assert "Traceback" not in "\n".join(log_lines(each))


def fill_to_the_last_byte(disk: SmallDisk) -> Path:
    """Leave no room at all, not even what fill() cannot take in one piece."""
    filler = disk.fill()
    with filler.open("ab", buffering=0) as file, contextlib.suppress(OSError):
        while file.write(bytes(4096)):
            pass
    assert os.statvfs(disk.path).f_bavail == 0
    return filler


def test_a_start_with_the_state_disk_full_ends_with_75_and_the_next_one_goes_on(
    tmp_path: Path,
) -> None:
    """After kill -9 in mid-roll: each start says why, `check` too; with room nothing is lost."""
    pair = Pair(tmp_path / "pair")
    box = pair.processing
    state = box.folder / "state"
    with SmallDisk(tmp_path / "disk", 32 * MIB) as disk:
        state.parent.mkdir(parents=True)
        state.symlink_to(disk.path)
        with pair:
            scene = Scene(pair, tmp_path)
            scene.begin()
            box.kill()
            filler = fill_to_the_last_byte(disk)
            for _ in range(3):
                box.launch()
                assert box.process is not None
                assert box.process.wait(timeout=20) == 75
                assert box.log is not None
                box.log.close()
            said = log_lines(box)[-2:]
            assert "full" in said[0] or "I/O" in said[0] or "space" in said[0], said
            assert "Free space" in said[1]
            code, text = command(box, "check")
            assert code == 1
            assert "WRONG  state" in text
            assert "No space left" in text

            filler.unlink()
            box.start()
            scene.check_ready()
            assert not list(state.glob("journal.sqlite.*")), "a mishap is told that was none"


def test_a_clean_end_with_the_state_disk_full_is_no_lost_journal(tmp_path: Path) -> None:
    """What SIGTERM could not write any more is no reason to say that the -wal file was lost."""
    pair = Pair(tmp_path / "pair")
    box = pair.processing
    state = box.folder / "state"
    with SmallDisk(tmp_path / "disk", 32 * MIB) as disk:
        state.parent.mkdir(parents=True)
        state.symlink_to(disk.path)
        with pair:
            scene = Scene(pair, tmp_path)
            scene.begin()
            filler = fill_to_the_last_byte(disk)
            assert box.stop() == 0
            filler.unlink()
            box.start()
            scene.check_ready()
            assert not list(state.glob("journal.sqlite.*")), "a mishap is told that was none"


def test_a_state_disk_without_room_for_another_file_is_full_and_no_bad_configuration(
    tmp_path: Path,
) -> None:
    """SQLite says only that it cannot open a file; the start is to be tried again all the same."""
    with SmallDisk(tmp_path / "disk", 32 * MIB) as small, contextlib.ExitStack() as stack:
        disk = RealDisk()
        stack.callback(disk.close)
        folder = disk.open_folder(str(small.path))
        stack.callback(folder.close)
        with contextlib.suppress(OSError):
            for number in range(100_000):
                (small.path / f"filler-{number}").touch()

        with pytest.raises(StateDiskError, match="No space left") as refused:
            open_journal(small.path, folder, box="sha256:11", now_utc_ms=0)

        assert refused.value.exit_code == 75
        for number in range(10):
            (small.path / f"filler-{number}").unlink()
        open_journal(small.path, folder, box="sha256:11", now_utc_ms=0).close()
        assert not list(small.path.glob("journal.sqlite.*"))
