"""What stands in where the system lacks a call."""

import os
from pathlib import Path

import pytest

from syncd.edges import system_calls
from syncd.edges.mounts import file_system_of


def test_without_the_flag_a_rename_still_does_not_replace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second best checks first."""
    monkeypatch.setattr(system_calls, "_renameat2", None)
    (tmp_path / "old").write_bytes(b"1")
    (tmp_path / "taken").write_bytes(b"2")
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        with pytest.raises(FileExistsError):
            system_calls.rename_new(fd, "old", fd, "taken")
        system_calls.rename_new(fd, "old", fd, "new")
    finally:
        os.close(fd)
    assert (tmp_path / "new").read_bytes() == b"1"
    assert (tmp_path / "taken").read_bytes() == b"2"


def test_without_syncfs_everything_is_synced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The fallback exists and returns."""
    monkeypatch.setattr(system_calls, "_syncfs", None)
    monkeypatch.setattr(os, "sync", lambda: None)  # not the whole machine, for a test
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        system_calls.sync_file_system(fd)
    finally:
        os.close(fd)


def test_a_file_system_is_found_by_device_or_by_path() -> None:
    """/proc is proc, whichever way it is looked for; an unknown device falls back to the path."""
    assert file_system_of(os.stat("/proc").st_dev, "/proc") == "proc"
    assert file_system_of(0, "/proc/self") == "proc"
