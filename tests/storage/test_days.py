"""A folder of a day that cannot be used: it is named, with what is wrong with it and what to do."""

import errno
import os

import pytest

from syncd.errors import HeldError
from syncd.ports import EntryKind
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.comparing import compare_with_published
from syncd.storage.publishing import publish
from syncd.storage.records import PublishedRecord
from tests.storage.rig import DAY, NOW, STORAGE, Rig, carry, footage


def _record(rig: Rig) -> PublishedRecord:
    bare = (b"",) * len(rig.inventory.files)
    return PublishedRecord(rig.inventory, "offload-1", (), bare, NOW)


def _received(rig: Rig) -> None:
    every, roll = rig.receiving()
    carry(every, rig.reader(), range(roll.plan.count))


def _refused(rig: Rig) -> str:
    """Publish, in vain; return what is said."""
    with pytest.raises(HeldError) as caught:
        publish(rig.area(), rig.journal, _record(rig))
    assert caught.value.code is HeldCode.STORAGE_ERROR
    return str(caught.value)


@pytest.mark.parametrize("kind", [EntryKind.FILE, EntryKind.LINK])
def test_a_day_that_is_no_folder_is_named_and_left_alone(kind: EntryKind) -> None:
    """Said when the roll is offered, before a byte of it travels, and when it is published."""
    rig = Rig(footage())
    _received(rig)
    folder = rig.disk.open_folder(STORAGE)
    if kind is EntryKind.FILE:
        folder.make_new_file(DAY, b"notes")
    else:
        folder.make_link(DAY, "/elsewhere")
    with pytest.raises(HeldError) as caught:
        compare_with_published(rig.area(), rig.inventory)
    for said in (str(caught.value), _refused(rig)):
        assert f"{STORAGE}/{DAY}: it is a {'file' if kind is EntryKind.FILE else 'symb'}" in said
        assert f"Move {STORAGE}/{DAY} away" in said
        assert "disk" not in said
    assert folder.stat(DAY).kind is kind


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM])
@pytest.mark.parametrize("op", ["make_folders", "rename_new"])
def test_a_day_that_syncd_may_not_write_in_is_no_fault_of_a_disk(op: str, code: int) -> None:
    """The folder, or the one in which it is to be made; owner and permissions; then it goes on."""
    rig = Rig(footage())
    _received(rig)
    if op == "rename_new":
        rig.disk.make_root(f"{STORAGE}/{DAY}")
    rig.disk.fail_next(op, code)
    said = _refused(rig)
    assert f"{STORAGE}/{DAY}" in said
    assert os.strerror(code) in said
    assert f"write in {STORAGE if op == 'make_folders' else f'{STORAGE}/{DAY}'} (its owner" in said
    assert "repair" not in said
    assert not rig.published()
    publish(rig.area(), rig.journal, _record(rig))
    assert rig.published()
    assert rig.row().stage is Stage.MOVING, "that is journalled by who publishes"


def test_a_disk_that_fails_is_still_called_that() -> None:
    """An error of the disk is no matter of owner and permissions."""
    rig = Rig(footage())
    _received(rig)
    rig.disk.fail_next("rename_new", errno.EIO)
    with pytest.raises(OSError, match="Input/output error"):
        publish(rig.area(), rig.journal, _record(rig))
