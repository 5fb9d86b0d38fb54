"""A journal whose disk fails under a running daemon: it rests, says so, and goes on by itself."""

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.limits import MIB
from tests.bench.staging import make_roll
from tests.boxes import Box, Pair, place_roll, wait_until
from tests.faults.fuse.faults import Fault
from tests.faults.fuse.mount import FaultyMount, why_no_fuse
from tests.faults.real_views import command, listing, log_lines

pytestmark = pytest.mark.skipif(bool(why_no_fuse()), reason=why_no_fuse())

LOG_LINES_MAX = 40
NAME = "journal.sqlite"


class Scene:
    """A pair; the journal of one of its boxes lies on a file system that fails as told."""

    def __init__(self, folder: Path, role: str) -> None:
        self.pair = Pair(folder / "pair")
        self.box: Box = self.pair.offload if role == "offload" else self.pair.processing
        self.disk = FaultyMount(folder / "disk")
        self._folder = folder

    def __enter__(self) -> "Scene":
        self.disk.mount()
        self.box.folder.mkdir(parents=True)
        (self.box.folder / "state").symlink_to(self.disk.path)
        self.pair.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self.disk.clear()
        self.pair.__exit__()
        self.disk.unmount()

    def place(self, name: str) -> None:
        """Have a roll of a few clips appear."""
        make_roll(self._folder / "staged", MIB, 4)
        place_roll(self._folder / "staged", self.pair.landing, name)

    def says_so(self) -> bool:
        """Tell whether `check` says that the journal cannot be written."""
        checks = listing(self.box, "check")["checks"]
        said = [check for check in checks if check["name"] == "daemon: journal"]
        return any(not check["ok"] and NAME in check["message"] for check in said)

    def check_quiet(self) -> None:
        """See that nobody made much noise, nor met an error that was not thought of."""
        for box in (self.pair.offload, self.pair.processing):
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)
            assert "Traceback" not in "\n".join(log_lines(box))


@pytest.fixture(params=["offload", "processing"])
def scene(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Scene]:
    """Give the pair, its journals each in turn on the failing disk."""
    with Scene(tmp_path, request.param) as entered:
        yield entered


def test_a_journal_that_cannot_be_synced_rests_and_goes_on_by_itself(scene: Scene) -> None:
    """Every sync fails: both daemons stay up, `check` tells; once it works, the roll goes on."""
    scene.place("A012")
    scene.pair.wait_ready("A012")
    scene.disk.tell(Fault("fsync", "error", errno.EIO, part=NAME, times=0))
    scene.place("B007")
    wait_until(scene.says_so, 30, "check tells", state=lambda: command(scene.box, "check")[1])
    for box in (scene.pair.offload, scene.pair.processing):
        assert box.api("status")["node"] == box.name

    scene.disk.clear()

    scene.pair.wait_ready("A012", "B007")
    wait_until(lambda: not scene.says_so(), 30, "check says that it is well again")
    scene.check_quiet()


def test_one_failed_sync_is_no_more_than_a_moment(scene: Scene) -> None:
    """The file is closed, opened and checked anew, and the roll goes on."""
    for count, op in enumerate(("fsync", "write")):
        scene.disk.tell(Fault(op, "error", errno.EIO, part=NAME, times=1))
        scene.place(f"A{count:03}")
        scene.pair.wait_ready(f"A{count:03}")
        assert len(scene.disk.hits()) >= 1
    scene.check_quiet()


def test_a_journal_that_cannot_be_read_is_kept_aside_and_rebuilt(scene: Scene) -> None:
    """Sectors that cannot be read: the file is renamed, not read again, and nothing is lost."""
    scene.place("A012")
    scene.pair.wait_ready("A012")
    scene.box.kill()
    # The system reads ahead, and once more what it could not read.
    scene.disk.tell(Fault("read", "error", errno.EIO, part=NAME, times=2))
    scene.box.start()
    scene.pair.wait_ready("A012")

    wait_until(lambda: set(scene.box.rolls()) == {"A012"}, 30, "it is known again")
    kept = [p.name for p in scene.disk.backing.iterdir() if p.name.startswith(f"{NAME}.broken")]
    assert kept
    assert "damaged" in listing_of_journal(scene.box)


def listing_of_journal(box: Box) -> str:
    """Return what `syncd check` says of mishaps with the journal."""
    checks = listing(box, "check")["checks"]
    return str(next(check["message"] for check in checks if check["name"] == "journal"))
