"""The file of paired boxes: durable, private, and never half believed."""

import json
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from syncd.errors import ConfigError, StateDiskError, SyncdError
from syncd.wire import trust_store
from syncd.wire.peers import TrustedPeer
from syncd.wire.trust_store import FILE_NAME, PAIRED_MAX, TrustStore, broken_ones, read

NOW_UTC_MS = 1_773_489_600_000
PROCESS = TrustedPeer(
    "process-1",
    f"sha256:{'b' * 64}",
    ("10.20.0.2", 8840),
    roles=frozenset({"processing"}),
    paired_at_utc_ms=NOW_UTC_MS,
)
EDIT = TrustedPeer(
    "edit-1",
    f"sha256:{'c' * 64}",
    roles=frozenset({"editorial", "offload"}),
    paired_at_utc_ms=NOW_UTC_MS + 1,
)


def test_what_was_paired_is_there_after_a_start_and_nobody_else_reads_it(tmp_path: Path) -> None:
    """All that a person decided, in the order in which it was decided."""
    store = TrustStore.load(tmp_path, NOW_UTC_MS)
    store.add(PROCESS)
    store.add(EDIT)

    again = TrustStore.load(tmp_path, NOW_UTC_MS)
    assert again.peers == (PROCESS, EDIT) == read(tmp_path)
    assert (tmp_path / FILE_NAME).stat().st_mode & 0o777 == 0o600
    assert os.listdir(tmp_path) == [FILE_NAME]

    again.remove(PROCESS.fingerprint)
    assert read(tmp_path) == (EDIT,)


@pytest.mark.parametrize("operation", ["fsync", "rename", "folder"])
def test_a_change_that_cannot_be_made_durable_is_not_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, operation: str
) -> None:
    """The disk fails at any step: the old list counts, in memory and on the disk."""
    store = TrustStore.load(tmp_path, NOW_UTC_MS)
    store.add(PROCESS)
    calls = 0

    def fails(*_: object) -> None:
        nonlocal calls
        calls += 1
        if operation == "folder" and calls == 1:
            return
        raise OSError(5, "Input/output error")

    target = "pathlib.Path.replace" if operation == "rename" else "syncd.edges.private_file."
    monkeypatch.setattr(target if operation == "rename" else target + "sync_descriptor", fails)
    with pytest.raises(StateDiskError) as caught:
        store.add(EDIT)
    monkeypatch.undo()

    assert "trusted.json" in str(caught.value) or str(tmp_path) in str(caught.value)
    assert store.peers == (PROCESS,)
    if operation != "folder":  # then the new one is there, and may or may not stay
        assert read(tmp_path) == (PROCESS,)
        assert os.listdir(tmp_path) == [FILE_NAME]


GOOD: dict[str, Any] = {
    "name": "process-1",
    "fingerprint": "sha256:" + "b" * 64,
    "roles": ["processing"],
    "address": None,
    "paired_at": "2026-03-14T12:00:00.000Z",
}


BAD_LISTS: list[Any] = [
    [GOOD | {"name": ""}],
    [GOOD | {"name": "a\x1b[31m"}],
    [GOOD | {"name": 3}],
    [GOOD | {"fingerprint": "sha256:12"}],
    [GOOD | {"roles": []}],
    [GOOD | {"roles": ["king"]}],
    [GOOD | {"roles": "processing"}],
    [GOOD | {"address": ["a", 0]}],
    [GOOD | {"address": ["a"]}],
    [GOOD | {"paired_at": "yesterday"}],
    [GOOD, GOOD],
    [GOOD, GOOD | {"fingerprint": "sha256:" + "c" * 64}],
    [{key: value for key, value in GOOD.items() if key != "roles"}],
    [[]],
    [GOOD | {"name": f"p{i}", "fingerprint": f"sha256:{i:064x}"} for i in range(65)],
]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff\xfe",
        b"[]",
        b"[" * 100_000,
        b'{"version": 1}',
        b'{"version": 0, "peers": []}',
        b'{"version": true, "peers": []}',
        b'{"version": "1", "peers": []}',
        b'{"version": 1, "peers": 3}',
        b" " * (trust_store.FILE_BYTES_MAX + 1),
        *(json.dumps({"version": 1, "peers": peers}).encode() for peers in BAD_LISTS),
    ],
)
def test_a_damaged_file_is_kept_aside_and_nobody_is_trusted(
    tmp_path: Path, content: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    """Half a list is no list; what was in it is there for a person to look at."""
    (tmp_path / FILE_NAME).write_bytes(content)
    with pytest.raises(ConfigError):
        read(tmp_path)
    assert (tmp_path / FILE_NAME).exists(), "looking changes nothing"

    store = TrustStore.load(tmp_path, NOW_UTC_MS)

    assert store.peers == ()
    (kept,) = broken_ones(tmp_path)
    assert kept.read_bytes() == content
    assert kept.name in caplog.text
    store.add(EDIT)
    (tmp_path / FILE_NAME).write_bytes(content)
    TrustStore.load(tmp_path, NOW_UTC_MS)
    assert len(broken_ones(tmp_path)) == 2, "no kept file is written over"


def test_a_file_of_a_newer_version_is_neither_read_nor_moved(tmp_path: Path) -> None:
    """Going back a version must not lose whom a person trusted."""
    (tmp_path / FILE_NAME).write_text('{"version": 2, "peers": "in another form"}')
    with pytest.raises(ConfigError) as caught:
        TrustStore.load(tmp_path, NOW_UTC_MS)
    assert "newer syncd" in caught.value.problem
    assert os.listdir(tmp_path) == [FILE_NAME]


def test_a_file_that_others_may_write_is_not_believed(tmp_path: Path) -> None:
    """Whoever could write it could let anybody in."""
    store = TrustStore(tmp_path)
    store.add(PROCESS)
    (tmp_path / FILE_NAME).chmod(0o620)
    with pytest.raises(ConfigError) as caught:
        read(tmp_path)
    assert "chmod 600" in caught.value.remedy


@pytest.mark.parametrize(
    ("made", "said"), [("link", "a link"), ("folder", "a folder"), ("pipe", "a device, pipe")]
)
def test_what_is_no_file_in_its_place_is_not_followed_and_is_named(
    tmp_path: Path, made: str, said: str
) -> None:
    """A list of somebody else's is no list of ours; no room on the disk would help."""
    other, path = tmp_path / "other", tmp_path / FILE_NAME
    other.mkdir()
    TrustStore(other).add(PROCESS)
    match made:
        case "link":
            path.symlink_to(other / FILE_NAME)
        case "folder":
            path.mkdir()
        case "pipe":
            os.mkfifo(path, 0o600)
    looks: list[Callable[[Path], object]] = [read, partial(TrustStore.load, now_utc_ms=NOW_UTC_MS)]
    for look in looks:
        with pytest.raises(ConfigError) as caught:
            look(tmp_path)
        assert f"{path} is {said}" in caught.value.problem
        assert str(path) in caught.value.remedy
        assert "disk" not in caught.value.remedy
        assert caught.value.exit_code == 78
    assert path.lstat(), "nothing is moved"


def test_a_folder_that_takes_its_place_later_is_named(tmp_path: Path) -> None:
    """While syncd runs; nobody is paired, and no room on the disk would help."""
    store = TrustStore.load(tmp_path, NOW_UTC_MS)
    (tmp_path / FILE_NAME).mkdir()
    with pytest.raises(ConfigError) as caught:
        store.add(PROCESS)
    assert "Move the folder away" in caught.value.remedy
    assert str(tmp_path / FILE_NAME) in caught.value.remedy
    assert store.peers == ()


def test_what_was_prepared_is_kept_on_a_disk_that_is_full_by_then(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only that very list: another one needs room of its own. What is not used is removed."""
    store = TrustStore.load(tmp_path, NOW_UTC_MS)
    store.prepare(PROCESS)
    assert not read(tmp_path), "nobody is trusted by that"
    store.unprepare()
    assert not os.listdir(tmp_path)
    store.prepare(PROCESS)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("syncd.edges.private_file.write_private", full)
    with pytest.raises(StateDiskError):
        store.add(EDIT)
    store.add(PROCESS)
    assert read(tmp_path) == store.peers == (PROCESS,)
    assert os.listdir(tmp_path) == [FILE_NAME]
    with pytest.raises(StateDiskError):
        store.prepare(EDIT)
    assert os.listdir(tmp_path) == [FILE_NAME]


def test_there_is_a_bound(tmp_path: Path) -> None:
    """A list that only grows is one that nobody looks at."""
    peers = [
        TrustedPeer(f"p{i}", f"sha256:{i:064x}", paired_at_utc_ms=i) for i in range(PAIRED_MAX)
    ]
    store = TrustStore(tmp_path, peers)
    with pytest.raises(SyncdError) as caught:
        store.add(EDIT)
    assert "peers forget" in caught.value.remedy
    store.add(peers[0])
    assert len(read(tmp_path)) == PAIRED_MAX
