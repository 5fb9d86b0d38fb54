"""What hand-offs are compared with does all of its work, and notices if it does not."""

import hashlib
import os
import shutil
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.bench.opponents import BY_HAND, SCRIPT, TAR, by_hand, by_tar, run_raw
from tests.bench.staging import make_roll, write_list

# Not whole blocks, nor whole pages, so that the last part of each lane is an odd one.
SIZE = (13 << 20) + 4097
needs_xxhsum = pytest.mark.skipif(shutil.which("xxhsum") is None, reason="no xxhsum")


def test_the_raw_limit_is_sixty_lines_that_know_nothing_of_syncd() -> None:
    """Whoever doubts a ratio can read what it is compared with at once."""
    text = SCRIPT.read_text()

    assert len(text.splitlines()) <= 60
    assert "import syncd" not in text
    assert "from syncd" not in text


@pytest.mark.parametrize("size", [0, 1, SIZE])
def test_the_raw_limit_writes_what_it_reads(tmp_path: Path, size: int) -> None:
    """All of it is at the other end, by a hash of another kind."""
    source, target = tmp_path / "clip", tmp_path / "copy"
    source.write_bytes(os.urandom(size))

    durable_s, proved_s = run_raw(source, target)

    sent, written = (hashlib.sha256(path.read_bytes()).digest() for path in (source, target))
    assert written == sent
    assert 0 < durable_s <= proved_s


@pytest.mark.parametrize("wrong", [0, 1])
def test_the_raw_limit_fails_if_other_bytes_arrived_or_were_read_back(
    tmp_path: Path, wrong: int
) -> None:
    """A limit that does not check would be too good."""
    source = tmp_path / "clip"
    source.write_bytes(b"")
    # XXH64 of nothing, seed 0: the xxHash specification's own test vector.
    digests = [bytes.fromhex("ef46db3751d8e999")] * 2
    digests[wrong] = bytes(8)

    def answer(door: socket.socket) -> None:
        link, _ = door.accept()
        with link:
            link.recv(16, socket.MSG_WAITALL)
            link.sendall(b"".join(digests))

    with socket.create_server(("127.0.0.1", 0)) as door:
        port = str(door.getsockname()[1])
        other_end = threading.Thread(target=answer, args=(door,))
        other_end.start()
        gave = subprocess.run(
            [sys.executable, SCRIPT, "give", "127.0.0.1", port, source, "1"],
            capture_output=True,
            text=True,
            check=False,
        )
        other_end.join()

    assert gave.returncode == 1
    assert "other bytes arrived" in gave.stderr


@needs_xxhsum
def test_tar_and_a_person_move_the_whole_roll_and_remove_their_copy(tmp_path: Path) -> None:
    """And the roll that was staged is as it was."""
    staged, copy, listing = tmp_path / "staged", tmp_path / "copy", tmp_path / "list"
    write_list(listing, make_roll(staged, 5000, 20))
    before = sorted(staged.rglob("*"))

    assert by_tar(staged, copy, listing)[TAR] > 0
    assert by_hand(staged, copy)[BY_HAND] > 0

    assert not copy.exists()
    assert sorted(staged.rglob("*")) == before


@needs_xxhsum
def test_tar_fails_if_the_far_side_is_not_as_the_list_says(tmp_path: Path) -> None:
    """The hash check over there is a check."""
    staged, listing = tmp_path / "staged", tmp_path / "list"
    digests = make_roll(staged, 5000, 2)
    path, (size, _) = next(iter(digests.items()))
    write_list(listing, {**digests, path: (size, "0" * 16)})

    with pytest.raises(subprocess.CalledProcessError):
        by_tar(staged, tmp_path / "copy", listing)
