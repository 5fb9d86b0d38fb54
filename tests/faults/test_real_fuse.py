"""Storage on a file system that fails as told: errors, stalls, lies, and death with loss."""

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.limits import KIB, LANES_DEFAULT, MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Pair, place_roll, wait_until
from tests.faults.fuse.faults import Fault
from tests.faults.fuse.mount import FaultyMount, why_no_fuse
from tests.faults.real_views import Following, command, log_lines, wait_held
from tests.faults.test_kill import digests_below

pytestmark = pytest.mark.skipif(bool(why_no_fuse()), reason=why_no_fuse())

CLIP_BYTES, CLIPS = 24 * MIB, 4
TWICE_BYTES_MAX = 64 * MIB * LANES_DEFAULT
HISTORY_MAX = 20
LOG_LINES_MAX = 40


class Scene:
    """A pair with its storage on the faulty file system."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.disk = FaultyMount(folder / "disk")
        self._truth: dict[str, dict[Path, str]] = {}

    def __enter__(self) -> "Scene":
        self.disk.mount()
        self.pair = Pair(self._folder / "pair", storage=self.disk.path)
        self.pair.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.disk.clear()
        self.pair.__exit__()
        self.disk.unmount()

    def place(self, name: str, clip_bytes: int = CLIP_BYTES, clips: int = CLIPS) -> None:
        """Have a roll appear on the landing."""
        staged = self._folder / "staged"
        make_roll(staged, clip_bytes, clips)
        self._truth[name] = digests_below(staged / "Clips")
        place_roll(staged, self.pair.landing, name)

    def is_published(self, name: str) -> bool:
        """Tell whether anything is seen of a roll where others look for it."""
        return (self.disk.backing / DAY / name).exists()

    def check_ready(self, name: str, timeout_s: float = 60) -> None:
        """Wait until a roll is there as it was shot, on the medium, and without much noise."""
        self.pair.wait_ready(name, timeout_s=timeout_s)
        assert digests_below(self.disk.backing / DAY / name / "Clips") == self._truth[name]
        for box in (self.pair.offload, self.pair.processing):
            history = box.api(f"rolls/{name}")["history"]
            assert len(history) <= HISTORY_MAX, history
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)
            assert "Traceback" not in "\n".join(log_lines(box))

    def notes(self, name: str) -> str:
        """Return what the storage's box has noted of a roll."""
        history = self.pair.processing.api(f"rolls/{name}")["history"]
        return "\n".join(str(line["note"]) for line in history)


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    """Give a pair with its storage on the faulty file system."""
    with Scene(tmp_path) as entered:
        yield entered


def test_an_error_of_the_medium_holds_the_roll_and_names_the_file(scene: Scene) -> None:
    """Write, sync and read-back fail once each: held, with file and remedy; `go` makes it good."""
    for number, op in enumerate(("write", "fsync", "read")):
        name = f"A{number:03}"
        with Following(scene.pair.offload) as followed:
            scene.disk.tell(Fault(op, "error", errno.EIO, part=".mov", skip=2))
            scene.place(name)
            held = wait_held(scene.pair.offload, name, "storage-error")
            assert "Input/output error" in held["message"]
            assert "syncd go" in held["message"]
            assert held["path"].endswith(".mov")
            assert not scene.is_published(name)
            for box in (scene.pair.offload, scene.pair.processing):
                code, text = command(box, "rolls")
                assert code == 1
                assert "storage-error" in text
                assert "See the system's log about this disk" in command(box, "roll", name)[1]
            assert "held" in followed.types_to("held")
            assert command(scene.pair.offload, "go", name)[0] == 0
            scene.check_ready(name)


def test_a_medium_that_says_yes_and_keeps_nothing_is_found_before_ready(scene: Scene) -> None:
    """A write that was dropped, and one with a wrong bit: named, sent again, then good."""
    for number, kind in enumerate(("drop", "flip")):
        name = f"A{number:03}"
        scene.disk.tell(Fault("write", kind, part=".mov", skip=3))
        scene.place(name)
        scene.check_ready(name)
        assert [hit.split()[0] for hit in scene.disk.hits()].count(kind) == 1
        notes = scene.notes(name)
        assert "storage side is wrong" in notes
        assert ".mov: bytes " in notes


def test_a_medium_that_goes_on_lying_holds_the_roll(scene: Scene) -> None:
    """Sent once more and wrong again: held, nothing of it published."""
    scene.disk.tell(Fault("write", "flip", part="A012_000001.mov", times=0))
    scene.place("A012")
    held = wait_held(scene.pair.offload, "A012", "read-back-mismatch")
    assert held["path"] == "Clips/A012_000001.mov"
    assert not scene.is_published("A012")
    scene.disk.clear()
    assert command(scene.pair.offload, "go", "A012")[0] == 0
    scene.check_ready("A012")


@pytest.mark.parametrize(
    "stall_s",
    [
        12.0,
        pytest.param(30.0, marks=pytest.mark.long),
        pytest.param(75.0, marks=[pytest.mark.long, pytest.mark.timeout(200)]),
    ],
)
@pytest.mark.parametrize("op", ["write", "fsync"])
def test_a_storage_that_stalls_is_waited_for(scene: Scene, op: str, stall_s: float) -> None:
    """Longer than any dead peer is waited for: the roll goes on, and little travels twice."""
    scene.disk.tell(Fault(op, "stall", stall_s=stall_s, part=".mov", skip=4))
    scene.place("A012")
    wait_until(scene.disk.hits, 20, "nothing stalls")
    scene.place("B007", 32 * KIB, 20)
    scene.check_ready("A012", timeout_s=stall_s + 60)
    scene.check_ready("B007")
    sent = scene.pair.offload.metric("syncd_payload_bytes_total")
    assert sent <= CLIP_BYTES * CLIPS + MIB + TWICE_BYTES_MAX
    assert "held" not in command(scene.pair.offload, "roll", "A012")[1]


@pytest.mark.parametrize(("clip_bytes", "clips"), [(CLIP_BYTES, CLIPS), (8 * KIB, 4000)])
def test_a_storage_that_dies_and_loses_what_was_not_synced_goes_on(
    scene: Scene, clip_bytes: int, clips: int
) -> None:
    """What was confirmed is still there when it is back; the rest travels again, by itself."""
    scene.place("A012", clip_bytes, clips)

    def half() -> bool:
        moved = scene.pair.processing.rolls().get("A012", {}).get("moved_bytes", 0)
        return bool(moved >= clip_bytes * clips // 2)

    wait_until(half, 60, "it does not move", every_s=0.005)
    scene.disk.tell(Fault("write", "die"))
    scene.disk.wait_dead()
    moved = scene.pair.processing.rolls()["A012"]["moved_bytes"]
    wait_held(scene.pair.offload, "A012", "storage-absent")
    scene.disk.unmount()
    scene.disk.clear()
    scene.disk.mount()
    scene.check_ready("A012", timeout_s=90)
    sent = scene.pair.offload.metric("syncd_payload_bytes_total")
    assert sent <= clip_bytes * clips + 8 * MIB + TWICE_BYTES_MAX
    assert "is gone" not in scene.notes("A012"), f"{moved} bytes were confirmed"


def test_a_source_that_fails_or_is_pulled_out_holds_the_roll_until_it_is_back(
    tmp_path: Path,
) -> None:
    """A read error names the file; the reader's death is a lost source; both cure themselves."""
    card = FaultyMount(tmp_path / "card")
    make_roll(card.backing / DAY / "A012", CLIP_BYTES, CLIPS)
    truth = digests_below(card.backing / DAY / "A012" / "Clips")
    with card:
        pair = Pair(tmp_path / "pair", landing=card.path)
        with pair, Following(pair.offload) as followed:
            card.tell(Fault("read", "error", errno.EIO, part="000002.mov", times=0))
            held = wait_held(pair.offload, "A012", "source-unreadable", timeout_s=60)
            assert held["path"] == "Clips/A012_000002.mov"
            assert "goes on by itself" in held["message"]
            code, text = command(pair.offload, "rolls")
            assert code == 1
            assert "source-unreadable" in text

            card.kill()
            wait_until(
                lambda: "is not there" in command(pair.offload, "check")[1],
                30,
                "check says nothing of a lost landing",
            )
            card.unmount()
            card.clear()
            card.mount()
            pair.wait_ready("A012", timeout_s=90)
            types = followed.types_to("ready")
            assert types.index("held") < types.index("ready")
            assert len(pair.offload.api("rolls/A012")["history"]) <= HISTORY_MAX
            assert len(log_lines(pair.offload)) <= LOG_LINES_MAX, log_lines(pair.offload)
        assert digests_below(pair.storage / DAY / "A012" / "Clips") == truth
