"""Offers of a stranger's making: what cannot be right is refused in words, and never written."""

import asyncio
import tracemalloc
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import PeerRefusedError
from syncd.handoff import outgoing
from syncd.handoff.outgoing import offer_for
from syncd.journal import notices, rolls
from syncd.limits import MIB, PENDING_PER_PEER_MAX, ROLL_FILES_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory, Trust, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.wire.fields import BadMessage
from syncd.wire.messages import (
    InventoryPage,
    Offer,
    OfferAnswer,
    OfferKind,
    PeerIdentity,
    pack,
    unpack,
)
from tests.faults.scenes import SMALL, alive
from tests.faults.virtual_time import run_simulated
from tests.faults.world import DAY, STORAGE, World

PEER = PeerIdentity(name="offload-1", fingerprint="offload-1", address="")
Ask = Callable[[Any], Awaitable[Any]]
pytestmark = pytest.mark.usefixtures("small_parcels")


def _entry(path: str, size: int = 1000, mark: int = 1) -> FileEntry:
    return FileEntry(path, size, 1, (Digest(Algorithm.XXH64, bytes([mark] * 8)),))


def _inventory(*paths: str, name: str = "A012", mark: int = 1) -> Inventory:
    return Inventory(DAY, name, ordered(_entry(path, mark=mark) for path in paths))


def _head(inventory: Inventory) -> Offer:
    return offer_for(inventory.roll_id, inventory, ParcelPlan(inventory), None)


def _page(head: Offer, *files: FileEntry, first: int = 0) -> InventoryPage:
    return InventoryPage(roll_id=head.roll_id, first=first, files=files)


def ask_all(*questions: Any, world: World | None = None) -> list[Any]:
    """Ask the processing box one question after the other; return answers and refusals."""
    world = world or World(1)

    async def main() -> list[Any]:
        async with alive(world.processing):
            await asyncio.sleep(0.5)
            said = []
            for question in questions:
                try:
                    said.append(await world.net.ask("offload-1", "process-1", question))
                except PeerRefusedError as error:
                    said.append(error)
            await asyncio.sleep(5)
            return said

    return run_simulated(main(), limit_s=100)


def _refused(answer: Any, *words: str) -> None:
    assert isinstance(answer, PeerRefusedError), answer
    assert answer.remedy
    for word in words:
        assert word in str(answer)


def _nothing_written(world: World) -> None:
    files = world.processing.disk.files_below(STORAGE)
    assert set(files) == {"syncd-storage.json"}
    assert world.processing.rows() == []


def test_an_offer_is_asked_for_its_inventory_and_then_taken() -> None:
    """Take says which parcels are lacking: at first all of them; asked again, the same."""
    inventory = _inventory("C001.mov", "C002.mov")
    head = _head(inventory)
    answers = ask_all(head, _page(head, *inventory.files), head, head)
    kinds = [answer.kind for answer in answers if isinstance(answer, OfferAnswer)]
    assert kinds == [OfferKind.INVENTORY, OfferKind.TAKE, OfferKind.TAKE]
    assert answers[2].lacking == answers[3].lacking == b"\x01"


def test_the_same_offer_may_be_asked_twice_at_a_time() -> None:
    """Its answer was slow, so it was asked again: both are answered, and one roll is taken."""
    inventory = _inventory("C001.mov")
    head = _head(inventory)
    world = World(1)

    async def main() -> list[Any]:
        async with alive(world.processing):
            await asyncio.sleep(0.5)
            for question in (head, _page(head, *inventory.files)):
                await world.net.ask("offload-1", "process-1", question)
            world.processing.hang(0.2)
            asking = [world.net.ask("offload-1", "process-1", head) for _ in range(3)]
            return await asyncio.gather(*asking)

    answers = run_simulated(main(), limit_s=100)
    assert {answer.kind for answer in answers} == {OfferKind.TAKE}
    assert len(world.processing.rows()) == 1


def test_an_offer_with_other_evidence_is_asked_for_its_inventory_anew() -> None:
    """What was collected for the offer before does not fit it, and is no reason to refuse it."""
    media = _entry("C001.mov")

    def with_list(size: int) -> Inventory:
        evidence = replace(_entry("A012.xxh", size), kind=FileKind.EVIDENCE)
        return Inventory(DAY, "A012", ordered([media, evidence]))

    first, second = with_list(50), with_list(60)
    assert first.roll_id == second.roll_id
    before, after = _head(first), _head(second)
    pages = [_page(before, *first.files), _page(after, *second.files)]
    answers = ask_all(before, pages[0], after, pages[1], after)
    kinds = [answer.kind for answer in answers if isinstance(answer, OfferAnswer)]
    assert kinds == [OfferKind.INVENTORY, OfferKind.INVENTORY, OfferKind.TAKE]


@pytest.mark.parametrize("size", [50, 60], ids=["same size", "other size"])
def test_a_roll_begun_with_other_evidence_is_taken_anew(size: int) -> None:
    """Its inventory is asked for again, and then the storage has the evidence that is offered."""
    media = _entry("C001.mov")

    def with_list(size: int, mark: int) -> Inventory:
        evidence = replace(_entry("A012.xxh", size, mark), kind=FileKind.EVIDENCE)
        return Inventory(DAY, "A012", ordered([media, evidence]))

    first, second = with_list(50, mark=1), with_list(size, mark=2)
    assert first.roll_id == second.roll_id
    before, after = _head(first), _head(second)
    world = World(1)
    answers = ask_all(
        *(before, _page(before, *first.files), before),
        *(after, _page(after, *second.files), after, after),
        world=world,
    )
    kinds = [answer.kind for answer in answers if isinstance(answer, OfferAnswer)]
    begun = [OfferKind.INVENTORY, OfferKind.TAKE]
    assert kinds == [*begun, *begun, OfferKind.TAKE]
    with world.processing.journal.read() as db:
        assert rolls.load_inventory(db, first.roll_id) == second


def test_pages_may_come_twice_and_begin_again() -> None:
    """The control plane may repeat a question: a page counts once; page 0 begins anew."""
    inventory = _inventory("C001.mov", "C002.mov")
    head = _head(inventory)
    one, two = inventory.files
    pages = [_page(head, one), _page(head, one), _page(head, two, first=1)]
    answers = ask_all(head, *pages, pages[2], pages[0], pages[2], head)
    assert answers[-1].kind is OfferKind.TAKE


@pytest.mark.parametrize(
    "path",
    [
        "../../etc/passwd",
        "/etc/passwd",
        "a/../../b",
        "a//b",
        "C:/b.mov",
        "a\\..\\b",
        "CON.mov",
    ],
)
def test_names_that_lead_elsewhere_are_refused(path: str) -> None:
    """Whatever the peer's own checks say: nothing outside the roll is ever named here."""
    world = World(2)
    inventory = _inventory(path)
    head = _head(inventory)
    answers = ask_all(head, _page(head, *inventory.files), head, world=world)
    _refused(answers[-1])
    _nothing_written(world)


@pytest.mark.parametrize(
    ("day", "name"), [("..", "A012"), (DAY, ".."), (DAY, "a/b"), (".syncd", "A012"), (DAY, "NUL")]
)
def test_a_day_or_name_that_leads_elsewhere_is_refused(day: str, name: str) -> None:
    """The two folder names are checked like every other."""
    world = World(3)
    inventory = replace(_inventory("C001.mov"), day=day, name=name)
    head = _head(inventory)
    _refused(ask_all(head, _page(head, *inventory.files), head, world=world)[-1])
    _nothing_written(world)


@pytest.mark.parametrize(
    ("day", "name"),
    [
        ("", "syncd-storage.json"),
        ("", "A012"),
        ("syncd-storage.json", "A012"),
        ("Syncd-Storage.JSON", "A012"),
        ("", ".syncd"),
        (".syncd", "rolls"),
        ("..", "A012"),
        (DAY, ".."),
        (DAY, "b\0"),
        ("", ""),
    ],
)
@pytest.mark.parametrize("is_empty", [False, True])
def test_a_name_of_the_storages_own_or_none_is_refused_of_an_empty_roll_too(
    day: str, name: str, is_empty: bool
) -> None:
    """A roll without a file has no path in which a day and a name would be seen."""
    world = World(3)
    files = () if is_empty else (_entry("C001.mov"),)
    inventory = Inventory(day, name, files)
    head = _head(inventory)
    pages = () if is_empty else (_page(head, *files),)
    answers = ask_all(head, *pages, head, world=world)
    _refused(answers[-1])
    _nothing_written(world)


@pytest.mark.parametrize("folder", ["../up", "/abs", "a/../../b"])
def test_an_empty_folder_that_leads_elsewhere_is_refused(folder: str) -> None:
    """Folders without files are names, too."""
    world = World(4)
    inventory = replace(_inventory("C001.mov"), empty_folders=(folder,))
    head = _head(inventory)
    _refused(ask_all(head, _page(head, *inventory.files), head, world=world)[-1])
    _nothing_written(world)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"roll_id": "ab" * 16}, "roll id"),
        ({"trust": Trust.SETTLED}, "roll id"),
        ({"total_bytes": 5}, "bytes"),
        ({"parcel_count": 99}, "parcels"),
    ],
)
def test_a_head_that_its_files_do_not_give_is_refused(change: dict[str, Any], said: str) -> None:
    """Roll id, size and number of parcels are computed here, not believed."""
    world = World(5)
    inventory = _inventory("C001.mov")
    head = replace(_head(inventory), **change)
    answers = ask_all(head, _page(head, *inventory.files), head, world=world)
    _refused(answers[-1], said)
    _nothing_written(world)


@pytest.mark.parametrize("size", [1 << 45, 1 << 52, 1 << 62])
@pytest.mark.parametrize("is_said", [False, True], ids=["hidden", "said"])
def test_a_file_size_that_nobody_has_costs_nothing(size: int, is_said: bool) -> None:
    """Whatever a peer writes as a size: refused at once, within little memory, and written down."""
    world = World(5)
    entry = _entry("C001.mov", size)
    inventory = Inventory(DAY, "A012", (entry,))
    head = _head(replace(inventory, files=(_entry("C001.mov", 1),)))
    head = replace(head, roll_id=inventory.roll_id, total_bytes=size if is_said else 1)
    tracemalloc.start()
    try:
        answers = ask_all(head, _page(head, entry), head, world=world)
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    _refused(answers[-1])
    _nothing_written(world)
    assert most_bytes < 64 * MIB
    with world.processing.journal.read() as db:
        (told,) = notices.after(db, 0, kinds=["refused"])
    assert told.body["data"]["code"] == "unfit"


def test_as_many_parcels_as_a_roll_may_have_and_one_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """The limit itself is taken; one above it is to be handed over as several rolls."""
    monkeypatch.setattr(outgoing, "ROLL_PARCELS_MAX", 3)
    for count in (3, 4):
        size = count * SMALL["PARCEL_BYTES_MAX"]
        inventory = Inventory(DAY, "A012", (_entry("C001.mov", size),))
        head = _head(inventory)
        answer = ask_all(head, _page(head, *inventory.files), head)[-1]
        if count == 3:
            assert answer.kind is OfferKind.TAKE
        else:
            _refused(answer, "4 parcels", "several rolls")


def test_after_a_refusal_the_inventory_is_asked_for_anew() -> None:
    """A page that was wrong once does not stay in the way of the right one."""
    inventory = _inventory("C001.mov")
    head = _head(inventory)
    wrong, right = _page(head, _entry("C001.mov", mark=9)), _page(head, *inventory.files)
    answers = ask_all(head, wrong, head, head, right, head)
    _refused(answers[2])
    assert answers[3].kind is OfferKind.INVENTORY
    assert answers[5].kind is OfferKind.TAKE


def test_more_files_than_offered_are_refused() -> None:
    """What a peer sends is bounded by what it offered."""
    world = World(6)
    head = _head(_inventory("C001.mov"))
    many = [_entry(f"C{number:03}.mov") for number in range(5)]
    answers = ask_all(head, _page(head, *many), world=world)
    _refused(answers[-1], "more files than were offered")
    _nothing_written(world)


def test_a_page_that_nobody_asked_for_is_refused() -> None:
    """Pages without an offer take no memory."""
    head = _head(_inventory("C001.mov"))
    _refused(ask_all(_page(head, _entry("C001.mov")))[-1], "Offer the roll first")


def test_files_out_of_order_or_twice_are_refused() -> None:
    """The order is part of the parcel rule."""
    inventory = _inventory("C001.mov", "C002.mov")
    head = _head(inventory)
    answers = ask_all(head, _page(head, *reversed(inventory.files)), head)
    _refused(answers[-1], "malformed")


@pytest.mark.parametrize("field", ["file_count", "total_bytes", "parcel_count"])
def test_oversized_and_negative_counts_do_not_pass_the_door(field: str) -> None:
    """No message with such a number is ever built from what came."""
    head = _head(_inventory("C001.mov"))
    for count in (-1, 1 << 63):
        plain = {**head.to_plain(), field: count}
        with pytest.raises(BadMessage, match=field):
            Offer.from_plain(plain)
    with pytest.raises(BadMessage, match="file_count"):
        pack(replace(head, file_count=ROLL_FILES_MAX + 1))
    assert unpack(Offer, pack(head)) == head


def test_unfinished_inventories_of_one_peer_are_bounded() -> None:
    """A peer that begins many offers and ends none loses the oldest, not our memory."""
    inventories = [
        _inventory(f"C{n:03}.mov", name=f"A{n:03}", mark=n) for n in range(PENDING_PER_PEER_MAX + 1)
    ]
    heads = [_head(inventory) for inventory in inventories]
    oldest = _page(heads[0], *inventories[0].files)
    newest = _page(heads[-1], *inventories[-1].files)
    answers = ask_all(*heads, oldest, newest)
    _refused(answers[-2], "Nobody asked")
    assert not isinstance(answers[-1], PeerRefusedError)
