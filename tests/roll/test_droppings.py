"""What is no media."""

import pytest

from syncd.roll.droppings import DROPPINGS, find_dropping, is_dropping


@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "CLIPS/.DS_Store",
        "CLIPS/._A012C001.mov",
        "Thumbs.db",
        "THUMBS.DB",
        "desktop.ini",
        ".Spotlight-V100/Store-V2/index",
        "System Volume Information/x",
        "$RECYCLE.BIN/S-1/x.mov",
        "lost+found",
        "A012C001.mov.part",
        "A012C001.mov.partial",
        "A012C001.TMP",
        "~$notes.docx",
        ".nfs000000000074",
        ".fuse_hidden0001",
        ".syncd/incoming/x",
    ],
)
def test_what_systems_leave_behind_is_no_media(path: str) -> None:
    """Droppings are known in any folder, in any case, and with all that is below them."""
    assert is_dropping(path)


@pytest.mark.parametrize(
    "path",
    [
        "A012C001.mov",
        "CLIPS/A012C001_260314.R3D",
        "tmp/A012C001.mov",
        "part.mov",
        "ascmhl/0001_A012.mhl",
        "ascmhl/ascmhl_chain.xml",
        "A012.md5",
        ".hidden_by_the_camera",
        "DS_Store",
        "$A.mov",
        "INDEX.MIF",
    ],
)
def test_what_a_camera_or_a_checker_writes_is_media(path: str) -> None:
    """Only what is listed is left out; a name that merely looks odd travels."""
    assert not is_dropping(path)


def test_each_dropping_says_why_it_may_stay_behind() -> None:
    """The list explains itself, and names nothing twice."""
    assert all(dropping.reason for dropping in DROPPINGS)
    patterns = [dropping.pattern.lower() for dropping in DROPPINGS]
    assert len(set(patterns)) == len(patterns)


def test_the_entry_that_a_name_answers_to_is_found() -> None:
    """Reports can say why something was left out."""
    dropping = find_dropping("CLIPS/._A012C001.mov")

    assert dropping is not None
    assert dropping.pattern == "._*"
