"""An inventory comes in pages, each of which costs what a page is; together they are the roll."""

from collections.abc import Iterator
from sqlite3 import Connection

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncd.errors import PeerRefusedError
from syncd.handoff import outgoing, paging
from syncd.handoff.paging import Paging
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.messages import InventoryAnswer, InventoryQuestion
from tests.faults.world import DAY

NOW = 1_773_507_600_000  # 2026-03-14T17:00:00Z
PAGE = 3


@pytest.fixture(autouse=True)
def short_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a few files be several pages."""
    monkeypatch.setattr(outgoing, "INVENTORY_PAGE_FILES", PAGE)
    monkeypatch.setattr(paging, "INVENTORY_PAGE_FILES", PAGE)


@pytest.fixture
def journal() -> Iterator[Journal]:
    """Give a journal in memory."""
    with Journal(None) as opened:
        yield opened


def _file(path: str, kind: FileKind = FileKind.MEDIA, size: int = 10) -> FileEntry:
    digest = Digest(Algorithm.XXH64, len(path).to_bytes(8, "big"))
    return FileEntry(path, size, 1, (digest,), kind)


def _publish(
    journal: Journal, files: list[FileEntry], added: list[FileEntry] | None, name: str = "A012"
) -> str:
    inventory = Inventory(DAY, name, ordered(files), ("Audio",))
    with journal.write() as db:
        rolls.give_up(db, inventory.roll_id)
        rolls.add_roll(
            db, inventory, origin=Origin.PEER, peer="offload-1", stage=Stage.MOVING, now_utc_ms=NOW
        )
        rolls.set_published(db, inventory.roll_id, f"{DAY}/{name}", evidence=added)
        rolls.set_stage(db, inventory.roll_id, Stage.READY, now_utc_ms=NOW)
    return inventory.roll_id


def _all_pages(asked: Paging, roll_id: str) -> tuple[list[FileEntry], InventoryAnswer]:
    """Ask as a fetch does, until there is no more."""
    files: list[FileEntry] = []
    while True:
        answer = asked.answer(InventoryQuestion(roll_id=roll_id, first=len(files)))
        assert answer.first == len(files)
        assert len(answer.files) <= PAGE
        files += answer.files
        if not answer.more:
            return files, answer
        assert answer.files, "there is more, and none of it comes"


_PATHS = st.sets(
    st.text(st.sampled_from("aB/é\N{CLAPPER BOARD}"), min_size=1, max_size=4), max_size=12
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(media=_PATHS, before=_PATHS, added=st.none() | _PATHS, first=st.integers(0, 40))
def test_pages_are_the_roll_as_it_was_published(
    journal: Journal, media: set[str], before: set[str], added: set[str] | None, first: int
) -> None:
    """Wherever the evidence of then and of now stands between the media, and whatever is asked."""
    files = [_file(path) for path in media]
    files += [_file(path, FileKind.EVIDENCE) for path in before - media]
    now = None if added is None else [_file(p, FileKind.EVIDENCE, 20) for p in added - media]
    roll_id = _publish(journal, files, now)
    with journal.read() as db:
        whole = rolls.load_published_inventory(db, roll_id)
    asked = Paging(journal, "process-1")
    paged, last = _all_pages(asked, roll_id)
    assert tuple(paged) == whole.files
    assert last.head.file_count == len(whole.files)
    assert last.head.total_bytes == whole.total_bytes
    assert last.head.parcel_count == ParcelPlan(whole).count
    assert last.head.evidence == whole.evidence_mark
    assert last.head.empty_folders == ("Audio",)
    anywhere = asked.answer(InventoryQuestion(roll_id=roll_id, first=first))
    assert anywhere.files == whole.files[first : first + PAGE]
    assert anywhere.more is (first + PAGE < len(whole.files))


def test_a_roll_is_read_as_a_whole_once_and_again_once_it_is_published_anew(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hundred pages, or one a hundred times, cost what they are; what is told is of now."""
    loads: list[str] = []
    load = rolls.load_inventory

    def counted(db: Connection, roll_id: str) -> Inventory:
        loads.append(roll_id)
        return load(db, roll_id)

    monkeypatch.setattr(rolls, "load_inventory", counted)
    roll_id = _publish(journal, [_file(f"C{n:03}.mov") for n in range(30)], None)
    asked = Paging(journal, "process-1")
    for _ in range(10):
        _all_pages(asked, roll_id)
    assert loads == [roll_id]
    with journal.write() as db:
        rolls.set_order(db, roll_id, rank=7, now_utc_ms=NOW)
        rolls.set_times(db, roll_id, {"C003.mov": 99})
    files, last = _all_pages(asked, roll_id)
    assert (last.head.rank, files[3].mtime_ns) == (7, 99)
    assert loads == [roll_id]
    added = [_file("ascmhl/0001.mhl", FileKind.EVIDENCE)]
    with journal.write() as db:
        rolls.set_published(db, roll_id, f"{DAY}/A012", evidence=added)
    files, last = _all_pages(asked, roll_id)
    assert (len(files), last.head.file_count) == (31, 31)
    assert loads == [roll_id, roll_id]


def test_what_is_remembered_of_rolls_has_a_bound(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However many are asked for; the one that was asked for longest ago is looked at anew."""
    monkeypatch.setattr(paging, "PAGED_BYTES_MAX", 10_000)
    asked = Paging(journal, "process-1")
    ids = [_publish(journal, [_file(f"{n}.mov")], [], f"A{n:03}") for n in range(20)]
    for roll_id in ids:
        _all_pages(asked, roll_id)
        _all_pages(asked, ids[0])
    assert ids[0] in asked._known
    assert ids[1] not in asked._known
    assert sum(known.size_bytes for known in asked._known.values()) <= 10_000


def test_a_held_roll_is_not_told_however_well_it_is_known(journal: Journal) -> None:
    """What may be fetched is looked at for each page."""
    roll_id = _publish(journal, [_file("C001.mov")], None)
    asked = Paging(journal, "process-1")
    _all_pages(asked, roll_id)
    with journal.write() as db:
        rolls.hold(db, roll_id, HeldCode.READ_BACK_MISMATCH, "It is wrong.", None, now_utc_ms=NOW)
    with pytest.raises(PeerRefusedError, match="is held"):
        asked.answer(InventoryQuestion(roll_id=roll_id))
