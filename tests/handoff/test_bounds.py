"""What one paired peer may cause on the storage's box has an end, whatever it offers."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import HeldError, PeerRefusedError
from syncd.handoff import offers, pending
from syncd.handoff.changes import Changes
from syncd.handoff.outgoing import offer_for
from syncd.handoff.pending import PendingInventories
from syncd.journal import history, notices, rolls, settings, untold
from syncd.journal.rolls import Origin
from syncd.limits import (
    CHANGES_BURST,
    CHANGES_PER_HOUR,
    GREETINGS_PER_PEER_MAX,
    HISTORY_LINES_MAX,
    LANES_MAX,
    SAID_BYTES_MAX,
    TOLD_BURST,
)
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.authority import NotAllowedError
from syncd.wire.messages import (
    Doubt,
    FetchedReport,
    Hello,
    InventoryPage,
    InventoryQuestion,
    Listing,
    Offer,
    OfferAnswer,
    OfferKind,
    OpenLane,
    PeerIdentity,
    Tiding,
    Tidings,
    TidingsAnswer,
    Withhold,
    pack,
)
from syncd.wire.turns import Turns
from tests.faults.scenes import (
    clips,
    is_held,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    until,
)
from tests.faults.world import DAY, World

PEER = PeerIdentity("offload-1", "sha256:" + "ab" * 32, "10.20.0.1")
OTHER = PeerIdentity("offload-2", "sha256:" + "cd" * 32, "10.20.0.2")


class Stopped:
    """A clock that a test moves."""

    now_s = 100.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_ms(self) -> int:
        return 0

    async def sleep(self, seconds: float) -> None: ...


pytestmark = pytest.mark.usefixtures("small_parcels")


def _roll(number: int, *, files: int = 1, size: int = 10) -> tuple[Offer, list[InventoryPage]]:
    """Return the offer and the pages of a roll that nobody has."""
    digest = Digest(Algorithm.XXH64, number.to_bytes(8, "big"))
    entries = ordered(FileEntry(f"C{n:05}.mov", size, 1, (digest,)) for n in range(files))
    inventory = Inventory(DAY, f"A{number:05}", entries)
    head = offer_for(inventory.roll_id, inventory, ParcelPlan(inventory), None)
    pages = [
        InventoryPage(roll_id=head.roll_id, first=n, files=entries[n : n + 2000])
        for n in range(0, files, 2000)
    ]
    return head, pages


async def _offered(world: World, number: int, asker: str = "offload-2", **shape: int) -> Any:
    """Offer a roll as a whole; return the last answer."""
    head, pages = _roll(number, **shape)
    answer: OfferAnswer = await world.net.ask(asker, "process-1", head)
    if answer.kind is not OfferKind.INVENTORY:
        return answer
    for page in pages:
        await world.net.ask(asker, "process-1", page)
    return await world.net.ask(asker, "process-1", head)


# Offers


def test_a_peer_has_so_many_rolls_under_way_and_others_have_theirs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is too much waits, is written nowhere, and is no trouble of another box."""
    monkeypatch.setattr(offers, "UNFINISHED_PER_PEER_MAX", 5)
    world = World(1)

    async def scene() -> None:
        await asyncio.sleep(1)
        kinds = [(await _offered(world, number)).kind for number in range(20)]
        assert kinds == [OfferKind.TAKE] * 5 + [OfferKind.WAIT] * 15
        assert len(world.processing.rows()) == 5
        put_roll(world, "B007", clips(world))
        await reaches(world, "B007")

    play(world, scene)


def test_the_files_of_all_rolls_of_a_peer_that_are_under_way_have_a_bound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """One large roll is taken; beside it no more than as many files as one may have."""
    monkeypatch.setattr(offers, "ROLL_FILES_MAX", 300)
    world = World(2)

    async def scene() -> None:
        await asyncio.sleep(1)
        kinds = [(await _offered(world, n, files=100)).kind for n in range(4)]
        assert kinds == [OfferKind.TAKE] * 3 + [OfferKind.WAIT]
        assert (await _offered(world, 9, "offload-1", files=100)).kind is OfferKind.TAKE

    play(world, scene)


def test_what_is_still_to_come_of_a_peers_rolls_counts_as_room_that_it_has_taken() -> None:
    """Many offers at once, each of which would fit alone, do not fill the storage together."""
    world = World(3)

    async def scene() -> None:
        await asyncio.sleep(1)
        world.processing.disk.capacity_bytes = 10_000_000
        answers = [await _offered(world, number, size=3_000_000) for number in range(6)]
        assert [a.kind for a in answers] == [OfferKind.TAKE] * 3 + [OfferKind.REFUSE] * 3
        assert {a.code for a in answers[3:]} == {HeldCode.STORAGE_FULL}
        assert "on their way" in answers[3].message
        # Nothing of them is there: another box has the room until it really is used.
        put_roll(world, "B007", clips(world))
        await reaches(world, "B007")

    play(world, scene)


@pytest.mark.parametrize("size", [1 << 45, (1 << 53) - 1])
def test_an_offer_that_is_larger_than_the_storage_reserves_nothing(size: int) -> None:
    """A claim costs a peer nothing; so it is refused, and nobody else is told that it is full."""
    world = World(4)

    async def scene() -> None:
        await asyncio.sleep(1)
        world.processing.disk.capacity_bytes = 10_000_000
        head, _ = _roll(1)
        lying = replace(head, total_bytes=size)
        for _ in range(3):
            await world.net.ask("offload-2", "process-1", lying)
            await world.net.ask("offload-2", "process-1", _roll(1)[1][0])
            with pytest.raises(PeerRefusedError):
                await world.net.ask("offload-2", "process-1", lying)
        assert world.processing.rows() == []

    play(world, scene)


def test_comparisons_of_one_peer_take_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second roll that would be read to compare it waits for the first."""
    under_way = most = 0
    world = World(5)

    async def scene() -> list[Any]:
        await asyncio.sleep(1)
        aside = world.processing.disk.aside

        async def slowly(work: Any, *args: Any) -> Any:
            nonlocal under_way, most
            is_look = getattr(work, "__name__", "") == "_look_for"
            under_way += is_look
            most = max(most, under_way)
            if is_look:
                await asyncio.sleep(5)
            try:
                return await aside(work, *args)
            finally:
                under_way -= is_look

        monkeypatch.setattr(world.processing.disk, "aside", slowly)
        return await asyncio.gather(*(_offered(world, number) for number in range(6)))

    kinds = {answer.kind for answer in play(world, scene)}
    assert kinds == {OfferKind.WAIT}
    assert most == 1


# Inventories on their way in


def test_inventories_on_their_way_of_one_peer_are_as_large_as_one_roll(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The oldest is forgotten for the newest; another peer's is not touched."""
    monkeypatch.setattr(pending, "ROLL_FILES_MAX", 5000)
    kept = PendingInventories(Stopped())
    others, its_pages = _roll(99, files=4000)
    assert kept.collected(OTHER, others) is None
    for page in its_pages:
        kept.take_page(OTHER, page)
    for number in range(5):
        head, pages = _roll(number, files=4000)
        assert kept.collected(PEER, head) is None
        for page in pages:
            kept.take_page(PEER, page)
        assert kept.collected(PEER, head) is not None
        mine = [each for key, each in kept._pending.items() if key[0] == PEER.fingerprint]
        assert sum(len(each.files) for each in mine) <= 5000
    assert kept.collected(OTHER, others) is not None


def test_names_that_take_too_much_memory_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """However few files they are."""
    monkeypatch.setattr(pending, "PENDING_TEXT_BYTES_MAX", 100_000)
    kept = PendingInventories(Stopped())
    head = replace(_roll(1)[0], file_count=1000)
    kept.collected(PEER, head)
    files = tuple(FileEntry(f"{n:04}" + "x" * 1000, 1, 1, ()) for n in range(99))
    kept.take_page(PEER, InventoryPage(roll_id=head.roll_id, first=0, files=files))
    with pytest.raises(PeerRefusedError, match="names"):
        kept.take_page(PEER, InventoryPage(roll_id=head.roll_id, first=99, files=files))
    assert sum(len(each.files) for each in kept._pending.values()) == 0


def test_an_inventory_with_which_nobody_goes_on_is_forgotten() -> None:
    """After ten minutes, when another one begins."""
    clock = Stopped()
    kept = PendingInventories(clock)
    for number in range(3):
        kept.collected(PEER, _roll(number)[0])
    clock.now_s += 601
    kept.collected(OTHER, _roll(9)[0])
    assert len(kept._pending) == 1


# The journal


def test_a_peer_changes_the_journal_so_often_and_no_more() -> None:
    """A burst, then a steady rate; each peer has its own."""
    clock = Stopped()
    changes = Changes(clock)
    for _ in range(CHANGES_BURST):
        changes.spend("offload-1")
    with pytest.raises(NotAllowedError, match="too often"):
        changes.spend("offload-1")
    changes.spend("offload-2")
    clock.now_s += 3600 / CHANGES_PER_HOUR * 10.5
    for _ in range(10):
        changes.spend("offload-1")
    with pytest.raises(NotAllowedError):
        changes.spend("offload-1")


def test_holding_and_releasing_without_end_fills_no_journal() -> None:
    """Promise 6: what others wait for is not pushed out of the journal by it."""
    world = World(6)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _offered(world, 1)
        head, _ = _roll(1)
        refused = 0
        for turn in range(2 * CHANGES_BURST):
            code = HeldCode.SOURCE_UNREADABLE
            withhold = Withhold(roll_id=head.roll_id, code=code, message=f"gone {turn}")
            for question in (withhold, replace(head, rank=turn)):
                try:
                    await world.net.ask("offload-2", "process-1", question)
                except PeerRefusedError:
                    refused += 1
        assert refused > CHANGES_BURST
        with world.processing.journal.read() as db:
            assert notices.total(db) < 3 * CHANGES_BURST + 100
            assert len(notices.after(db, 0, kinds=["refused"])) <= 2

    play(world, scene)


def test_notices_with_long_texts_come_in_answers_that_fit() -> None:
    """Whatever a peer had written into them: each answer can be sent, and none is left out."""
    world = World(6)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _offered(world, 1)
        head, _ = _roll(1)
        for turn in range(150):
            message = f"{turn:04}" + "\N{CLAPPER BOARD}" * 2000
            withhold = Withhold(
                roll_id=head.roll_id, code=HeldCode.SOURCE_UNREADABLE, message=message
            )
            for question in (withhold, replace(head, rank=turn)):
                await world.net.ask("offload-2", "process-1", question)
        seen: list[Tiding] = []
        while True:
            after = Tidings(after=seen[-1].seq if seen else 0, wait_s=0.0)
            answer = await world.net.ask("offload-2", "process-1", after)
            pack(answer)
            if not answer.notices:
                break
            seen += answer.notices
        held = [each.body["data"]["message"][:15] for each in seen if each.kind == "held"]
        assert held == [f"offload-2: {turn:04}" for turn in range(150)]

    play(world, scene)


# Readings


def test_a_doubt_of_what_is_in_no_ready_roll_is_refused() -> None:
    """Nothing is read for it, and nothing outside of the roll is looked at."""
    world = World(7)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        row = row_of(world.processing, "A012")
        assert row is not None
        for path in ("../../etc/passwd", "/etc/passwd", "Clips/none.mov", "a\0b", ""):
            doubt = Doubt(roll_id=row.roll_id, path=path)
            with pytest.raises(PeerRefusedError, match="has the file"):
                await world.net.ask("edit-1", "process-1", doubt)
        assert row_of(world.processing, "A012") == row
        evidence = rolls.load_published_inventory
        with world.processing.journal.read() as db:
            paths = [entry.path for entry in evidence(db, row.roll_id).files]
        for path in paths:
            doubt = Doubt(roll_id=row.roll_id, path=path)
            assert (await world.net.ask("edit-1", "process-1", doubt)).kind in {"good", "wait"}

    play(world, scene)


def test_editorial_sees_nothing_of_what_is_not_ready_or_was_not_handed_over() -> None:
    """By no question: a roll that is on its way, and one that this box fetched itself."""
    world = World(8)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _offered(world, 1)
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        with world.processing.journal.read() as db:
            ids = [row.roll_id for row in rolls.all_rolls(db)]
        fetched = Inventory(DAY, "S003", ordered([FileEntry("a.wav", 1, 1, ())]))
        with world.processing.journal.write() as db:
            rolls.add_roll(
                db,
                fetched,
                origin=Origin.FETCH,
                peer="process-2",
                stage=Stage.LANDED,
                now_utc_ms=1,
            )
            rolls.set_published(db, fetched.roll_id, f"{DAY}/S003")
            rolls.set_stage(db, fetched.roll_id, Stage.FETCHED, now_utc_ms=1)
        for roll_id in (*ids, fetched.roll_id):
            await _sees_nothing(world, roll_id)

    play(world, scene)


async def _sees_nothing(world: World, roll_id: str) -> None:
    listing = await world.net.ask("edit-1", "process-1", Listing())
    assert roll_id not in {row.roll_id for row in listing.rolls}
    with pytest.raises(PeerRefusedError):
        await world.net.ask("edit-1", "process-1", InventoryQuestion(roll_id=roll_id))
    with pytest.raises(PeerRefusedError):
        await world.net.ask("edit-1", "process-1", Doubt(roll_id=roll_id, path="a.wav"))
    with world.processing.journal.read() as db:
        before = rolls.get(db, roll_id)
    report = FetchedReport(roll_id=roll_id, digest_check="x")
    await world.net.ask("edit-1", "process-1", report)
    with world.processing.journal.read() as db:
        after = rolls.get(db, roll_id)
    assert before is not None
    assert after is not None
    assert (before.stage is after.stage) or after.stage is not Stage.FETCHED
    assert world.processing.parts is not None
    assert world.processing.parts.published is not None
    with pytest.raises(HeldError):
        world.processing.parts.published.open(roll_id, 0)


# Turns


async def test_each_peer_waits_in_its_own_lines() -> None:
    """A greeting and a ticket never wait for an offer; other peers for nobody."""
    turns = Turns()
    line = turns.line(PEER.fingerprint, Offer)
    for _ in range(4):
        await line.acquire()
    assert line.locked()
    assert turns.line(PEER.fingerprint, InventoryPage) is line
    for kind, count in ((Hello, GREETINGS_PER_PEER_MAX), (OpenLane, LANES_MAX)):
        apart = turns.line(PEER.fingerprint, kind)
        for _ in range(count):
            await apart.acquire()
        assert apart.locked()
    assert not turns.line(OTHER.fingerprint, Offer).locked()
    turns.forget(PEER.fingerprint)
    assert not turns.line(PEER.fingerprint, Offer).locked()


# A storage that says nonsense to an offload box


@pytest.mark.parametrize("lacking", [b"", b"\xff" * 1000])
def test_bits_that_fit_no_plan_hold_the_roll_and_end_nothing(
    lacking: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The offload box says that the answer cannot be right; `go` asks anew."""
    world = World(9)

    async def scene() -> None:
        await asyncio.sleep(1)
        assert world.processing.parts is not None
        desk = world.processing.parts.desk

        async def answer(peer: PeerIdentity, question: Any) -> Any:
            said = await own(peer, question)
            is_take = isinstance(said, OfferAnswer) and said.kind is OfferKind.TAKE
            return replace(said, lacking=lacking) if is_take else said

        own = desk._answer
        with monkeypatch.context() as patch:
            patch.setattr(desk, "_answer", answer)
            put_roll(world, "A012", clips(world))
            await is_held(world, "A012", HeldCode.PEER_REFUSED)
            row = row_of(world.offload, "A012")
            assert row is not None
            assert row.held is not None
            assert "cannot be right" in row.held.message
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)


PAGE = 100  # of such texts, as many as fit one message
PAGES = 60


def test_a_storage_that_holds_and_releases_without_end_fills_no_journal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The roll is as was said last, at once; and that is told, without a word for each change."""
    world = World(9)

    def page(roll_id: str, first: int) -> TidingsAnswer:
        said = []
        for seq in range(first, first + PAGE):
            data = {"code": "storage-error", "message": f"{seq} {'x' * 4000}", "path": "p" * 900}
            kind = "held" if seq % 2 else "released"
            body = {"note": data["message"], "data": data}
            said.append(
                Tiding(seq=seq, notice_id="x", roll_id=roll_id, kind=kind, at_utc_ms=1, body=body)
            )
        return TidingsAnswer(journal_id=_journal_id(world), notices=tuple(said))

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        row = row_of(world.offload, "A012")
        assert row is not None
        with world.processing.journal.read() as db:
            first = notices.last_seq(db)
        roll_id, pages = row.roll_id, iter(range(first, first + PAGES * PAGE, PAGE))
        desk = world.processing.parts.desk if world.processing.parts else None
        assert desk is not None

        async def answer(*_: object) -> TidingsAnswer:
            at = next(pages, None)
            if at is not None:
                return page(roll_id, at)
            await asyncio.sleep(1)
            return TidingsAnswer(journal_id=_journal_id(world))

        with monkeypatch.context() as patch:
            patch.setattr(desk, "_tidings", answer)
            await asyncio.sleep(60)
        last = first + PAGES * PAGE - 1
        _is_as_said_last(world, roll_id, last)
        with world.offload.journal.write() as db:
            rolls.release(db, roll_id, now_utc_ms=1)
            notices.set_cursor(db, "tidings:process-1", first)  # it was moved by what was made up
        await reaches(world, "A012")

    play(world, scene)


def _is_as_said_last(world: World, roll_id: str, last: int) -> None:
    with world.offload.journal.read() as db:
        row = rolls.get(db, roll_id)
        told = notices.after(db, 0, limit=PAGES * PAGE, kinds={"held", "released"})
        lines = history.read(db, roll_id)
        assert untold.some(db, limit=1) == []
    assert row is not None
    assert (row.held is not None) is bool(last % 2)
    assert [notice.kind for notice in told][-1] == ("held" if last % 2 else "released")
    if row.held is not None:
        assert str(last) in row.held.message
        assert told[-1].body["data"]["message"] == row.held.message
    assert TOLD_BURST <= len(told) < TOLD_BURST + 50
    assert len(lines) <= HISTORY_LINES_MAX
    assert max(len(line.note.encode()) for line in lines) < SAID_BYTES_MAX + 100
    assert max(len(str(notice.body)) for notice in told) < 4 * SAID_BYTES_MAX


@contextmanager
def _said(world: World, monkeypatch: pytest.MonkeyPatch, *tidings: Tiding) -> Iterator[None]:
    """Let the storage's box answer its next question for tidings with these."""
    parts = world.processing.parts
    assert parts is not None
    said = [tidings]
    own = parts.desk._tidings

    async def answer(peer: PeerIdentity, question: Any) -> TidingsAnswer:
        if not said:
            return await own(peer, question)
        await asyncio.sleep(0.1)
        return TidingsAnswer(journal_id=_journal_id(world), notices=said.pop())

    monkeypatch.setattr(parts.desk, "_tidings", answer)
    yield


def _journal_id(world: World) -> str:
    with world.processing.journal.read() as db:
        return settings.journal_id(db)


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("held", {"code": "nonsense"}),
        ("held", {"code": ["a"], "path": 7, "message": {}}),
        ("held", {"code": {"a": 1}}),
        ("resend", {"path": "../../etc/passwd"}),
        ("resend", {"path": 7}),
        ("resend", ["a", "list"]),
    ],
)
def test_tidings_of_a_broken_storage_do_not_end_an_offload_box(
    kind: str, data: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be understood is left out; the roll arrives all the same."""
    world = World(9)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        row = row_of(world.offload, "A012")
        assert row is not None
        with world.processing.journal.read() as db:
            seq = notices.last_seq(db)
        body = {"note": ["no text"], "data": data}
        tiding = Tiding(
            seq=seq, notice_id="x", roll_id=row.roll_id, kind=kind, at_utc_ms=1, body=body
        )
        with _said(world, monkeypatch, tiding):
            await asyncio.sleep(20)
            if (now := row_of(world.offload, "A012")) is not None and now.held is not None:
                with world.offload.journal.write() as db:
                    rolls.release(db, now.roll_id, now_utc_ms=1)
            await reaches(world, "A012")

    play(world, scene)


def test_tidings_of_rolls_that_are_not_handed_over_change_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A storage has nothing to say of what another box hands over here, or of what was fetched."""
    world = World(10)

    async def scene() -> None:
        await until(lambda: world.offload.parts, "it is up")
        await asyncio.sleep(5)
        theirs = Inventory(DAY, "S003", ordered([FileEntry("a.wav", 1, 1, ())]))
        with world.offload.journal.write() as db:
            rolls.add_roll(
                db,
                theirs,
                origin=Origin.PEER,
                peer="offload-2",
                stage=Stage.MOVING,
                now_utc_ms=1,
            )
        body = {"note": "it is ready", "data": {}}
        tiding = Tiding(
            seq=1, notice_id="x", roll_id=theirs.roll_id, kind="ready", at_utc_ms=1, body=body
        )
        with _said(world, monkeypatch, tiding):
            await asyncio.sleep(40)
        row = row_of(world.offload, "S003")
        assert row is not None
        assert row.stage is Stage.MOVING

    play(world, scene)
