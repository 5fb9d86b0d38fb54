"""Content that is offered under a name that exists: the same, another, or not yet to be told."""

from dataclasses import replace

import pytest

from syncd.storage.comparing import Comparison, compare_with_published, evidence_there
from tests.storage.rig import DAY, STORAGE, Rig, footage


def _published() -> Rig:
    rig = Rig(footage())
    rig.disk.make_root(f"{STORAGE}/{DAY}/A012/Stills")
    for path, data in rig.files.items():
        rig.disk.open_folder(f"{STORAGE}/{DAY}/A012").make_new_file(path, data)
    return rig


def test_a_free_name_is_absent() -> None:
    """Nothing is there."""
    rig = Rig(footage())
    assert compare_with_published(rig.area(), rig.inventory) is Comparison.ABSENT


def test_the_same_content_with_other_evidence_is_the_same() -> None:
    """A history or a list that came later changes nothing, nor does what is no media."""
    rig = _published()
    folder = rig.disk.open_folder(f"{STORAGE}/{DAY}/A012")
    folder.make_folders("ascmhl")
    folder.make_new_file("ascmhl/0001_A012.mhl", b"<hashlist/>")
    folder.remove_file("A012.md5")
    folder.make_new_file("A012.sha1", b"")
    folder.make_new_file("Stills/.DS_Store", b"what a window looked like")
    assert compare_with_published(rig.area(), rig.inventory) is Comparison.SAME


def test_what_is_no_media_is_no_evidence_either() -> None:
    """A published roll is listed with its manifests and lists, and not with a window's notes."""
    rig = _published()
    folder = rig.disk.open_folder(f"{STORAGE}/{DAY}/A012")
    folder.make_new_file(".DS_Store", b"what a window looked like")
    assert [entry.path for entry in evidence_there(rig.area(), rig.inventory)] == ["A012.md5"]


@pytest.mark.parametrize("how", ["other bytes", "other size", "one more", "one less"])
def test_other_content_is_different(how: str) -> None:
    """Told by names and sizes, or by reading."""
    rig = _published()
    folder = rig.disk.open_folder(f"{STORAGE}/{DAY}/A012")
    if how == "other bytes":
        rig.disk.flip(f"{STORAGE}/{DAY}/A012/Stills/A012_00003.dpx", 0)
    elif how == "other size":
        file = folder.open_write("Sidecar.txt")
        file.write([memoryview(b"x")], 0)
    elif how == "one more":
        folder.make_new_file("Stills/other.dpx", b"1")
    else:
        folder.remove_file("Stills/A012_00003.dpx")
    assert compare_with_published(rig.area(), rig.inventory) is Comparison.DIFFERENT


def test_without_digests_agreeing_sizes_prove_nothing() -> None:
    """A settled roll is asked for digests; with other sizes there is no need."""
    rig = _published()
    bare = replace(
        rig.inventory, files=tuple(replace(entry, digests=()) for entry in rig.inventory.files)
    )
    assert compare_with_published(rig.area(), bare) is Comparison.NEEDS_DIGESTS


def test_a_file_under_the_name_is_different() -> None:
    """Something is there, and it is no roll."""
    rig = Rig(footage())
    rig.disk.make_root(f"{STORAGE}/{DAY}")
    rig.disk.open_folder(f"{STORAGE}/{DAY}").make_new_file("A012", b"")
    assert compare_with_published(rig.area(), rig.inventory) is Comparison.DIFFERENT
