"""Real daemons that may open few files or have little memory, and how much of it they take."""

import os
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

import pytest
import xxhash

from syncd.edges.memory import OUT_OF_MEMORY_CODE
from syncd.limits import KIB, MIB
from tests.bench.history import write_history
from tests.bench.staging import make_roll
from tests.boxes import DAY, Box, Pair, place_roll, wait_until
from tests.faults.real_views import Following, log_lines
from tests.faults.test_kill import digests_below

FOLDERS = 300
OTHER_BYTES = 64 * MIB  # stacks of threads, and what is allocated and not touched
LOG_LINES_MAX = 40


def limited_pair(folder: Path, limit: str = "1024:1024", data_bytes: int = 0) -> Pair:
    """Return a pair whose daemons may open so many files, SOFT:HARD, and allocate so much."""
    pair = Pair(folder)
    wrapper = Path(__file__).with_name("limited.py")
    for box in (pair.offload, pair.processing):
        box.command = (str(wrapper), limit, str(data_bytes))
    return pair


def limit_of(box: Box, what: str) -> str:
    """Return a soft limit that the running daemon has, by the kernel's name for it."""
    assert box.process is not None
    lines = Path(f"/proc/{box.process.pid}/limits").read_text().splitlines()
    return next(line for line in lines if line.startswith(what)).removeprefix(what).split()[0]


def roll_of_folders(staged: Path) -> None:
    """Make a roll with each file in a folder of its own."""
    digests = {}
    for number in range(FOLDERS):
        path = staged / "Clips" / f"{number:04}" / f"A012_{number:06}.mov"
        path.parent.mkdir(parents=True)
        data = os.urandom(64 * KIB)
        path.write_bytes(data)
        digests[str(path.relative_to(staged))] = (len(data), xxhash.xxh64_hexdigest(data))
    write_history(staged, digests)


@contextmanager
def crowd(box: Box, count: int) -> Iterator[None]:
    """Have so many connections stand at the board, saying nothing."""
    with ExitStack() as stack:
        for _ in range(count):
            stack.enter_context(socket.create_connection(("127.0.0.1", box.board)))
        yield


def test_a_daemon_raises_its_limit_of_open_files_at_its_start(tmp_path: Path) -> None:
    """What the system allows is taken, and not only what a shell gives."""
    with limited_pair(tmp_path / "pair", "64:4096") as pair:
        assert limit_of(pair.offload, "Max open files") == "4096"
        assert limit_of(pair.processing, "Max open files") == "4096"


def test_few_open_files_slow_a_roll_down_and_hold_nothing(tmp_path: Path) -> None:
    """A roll of many folders, and a crowd at the board, with 64 open files on either box."""
    with limited_pair(tmp_path / "pair", "64:64") as pair, Following(pair.processing) as followed:
        roll_of_folders(tmp_path / "staged")
        truth = digests_below(tmp_path / "staged" / "Clips")
        with crowd(pair.offload, 30), crowd(pair.processing, 30):
            place_roll(tmp_path / "staged", pair.landing, "A012")
            pair.wait_ready("A012", timeout_s=90)
        assert digests_below(pair.storage / DAY / "A012" / "Clips") == truth
        for box in (pair.offload, pair.processing):
            assert limit_of(box, "Max open files") == "64"
            stages = [line["stage"] for line in box.api("rolls/A012")["history"]]
            assert "held" not in stages
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)[:LOG_LINES_MAX]
        assert "held" not in followed.types_to("ready")


@pytest.mark.parametrize(
    ("clip_bytes", "clips", "resident_bytes_max"),
    [
        (1 * KIB, 8_000, 200 * MIB),
        (256 * MIB, 1, 200 * MIB),
        pytest.param(
            1 * KIB, 64_000, 200 * MIB, marks=[pytest.mark.long, pytest.mark.timeout(900)]
        ),
        pytest.param(6144 * MIB, 1, 200 * MIB, marks=[pytest.mark.long, pytest.mark.timeout(900)]),
    ],
)
def test_memory_stays_below_a_limit(
    clip_bytes: int, clips: int, resident_bytes_max: int, tmp_path: Path
) -> None:
    """Many files or large ones: neither daemon has more resident, and none may allocate much more.

    An allocation beyond that would fail: none is only reserved, or made and let go at once.
    """
    data_bytes = resident_bytes_max + OTHER_BYTES
    with limited_pair(tmp_path / "pair", data_bytes=data_bytes) as pair:
        make_roll(tmp_path / "staged", clip_bytes, clips)
        place_roll(tmp_path / "staged", pair.landing, "A012")
        pair.wait_ready("A012", timeout_s=800)
        for box in (pair.offload, pair.processing):
            assert limit_of(box, "Max data size") == str(data_bytes)
            assert box.resident_bytes_max() < resident_bytes_max, box.name
            assert len(log_lines(box)) <= LOG_LINES_MAX, log_lines(box)[:LOG_LINES_MAX]


def has_ended(box: Box) -> bool:
    """Tell whether a daemon that was launched is gone."""
    assert box.process is not None
    return box.process.poll() is not None


def run_short_of_memory(pair: Pair, data_bytes: int) -> list[int]:
    """Start both boxes with so little, until one has ended or the roll is ready; stop the other.

    Returns both exit codes.
    """
    boxes = pair.offload, pair.processing
    for box in boxes:
        wrapper = str(Path(__file__).with_name("limited.py"))
        box.command = (wrapper, "1024:1024", str(data_bytes))
        box.launch()

    def is_over() -> bool:
        try:
            ended = [has_ended(box) for box in boxes]
            return any(ended) or pair.offload.rolls()["A012"]["stage"] == "ready"
        except (OSError, KeyError):
            return False

    def is_up_or_ended() -> bool:
        with suppress(AssertionError):
            return all(has_ended(box) or box.answers() for box in boxes)
        return False

    wait_until(is_up_or_ended, 60, f"with {data_bytes} bytes, neither up nor ended")
    wait_until(is_over, 60, f"with {data_bytes} bytes, neither ready nor ended")
    codes = [box.stop() for box in boxes]
    for box in boxes:
        lines = (box.folder / "log").read_text().splitlines()
        assert not any("Traceback" in line for line in lines), lines
        assert sum("no memory" in line for line in lines) <= 1, lines
        (box.folder / "log").unlink()
    return codes


@pytest.mark.timeout(300)
def test_a_box_short_of_memory_says_so_and_goes_on_when_it_has_more(tmp_path: Path) -> None:
    """From too little to start to too little for the roll: an end with its code, never a hang."""
    pair = Pair(tmp_path / "pair")
    pair.configure()
    make_roll(tmp_path / "staged", 1 * KIB, 8_000)
    truth = digests_below(tmp_path / "staged" / "Clips")
    place_roll(tmp_path / "staged", pair.landing, "A012")
    try:
        codes = [run_short_of_memory(pair, mib * MIB) for mib in (24, 40, 48, 64, 80)]
    finally:
        for box in (pair.offload, pair.processing):
            box.stop()
    assert codes[0] == [OUT_OF_MEMORY_CODE, OUT_OF_MEMORY_CODE]
    assert all(set(both) <= {0, OUT_OF_MEMORY_CODE} for both in codes), codes
    for box in (pair.offload, pair.processing):
        box.command = ("-m", "syncd")
    with pair:
        pair.wait_ready("A012")
        assert digests_below(pair.storage / DAY / "A012" / "Clips") == truth
        for box in (pair.offload, pair.processing):
            stages = [line["stage"] for line in box.api("rolls/A012")["history"]]
            assert "held" not in stages, box.name
