"""A paired, hostile peer: refused, told, nothing outside touched, and others' rolls go on.

Real daemons, real sockets, one honest offload box. Each attack runs while the honest box hands a
roll over; it has to arrive, byte by byte, whatever the other one does meanwhile.
"""

import asyncio
import os
import subprocess
import sys
import threading
from collections.abc import Awaitable, Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from syncd.limits import MIB, TICKETS_PER_PEER_MAX
from syncd.roll.inventory import FileEntry
from syncd.roll.stages import HeldCode
from syncd.wire.fields import BadMessage
from syncd.wire.lane_events import ParcelHead, Want
from syncd.wire.messages import (
    Doubt,
    Hello,
    InventoryQuestion,
    Listing,
    OfferAnswer,
    OfferKind,
    OpenLane,
    Tidings,
    Withhold,
)
from tests.boxes import DAY, Pair, wait_until
from tests.faults.real_views import command
from tests.hostile.honest import files_below, place
from tests.hostile.peer import Calls, HostilePeer, head_of, inventory, while_it_lasts, zeros_for

READY_WITHIN_S = 60.0
ATTACK_S = 6.0
HELLO = Hello(node="offload-2", roles=("processing",), version="1", utc_ms=1)
MEMORY_BYTES_MAX = 400 * MIB
TICKETS = 5 * TICKETS_PER_PEER_MAX


class Scene:
    """Both honest daemons, a hostile offload box and a hostile editorial box that are paired."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.offload = HostilePeer("offload-2", "offload", folder)
        self.edit = HostilePeer("edit-2", "editorial", folder)
        self.pair = Pair(folder)
        self.pair.configure(processing=self.offload.table() + self.edit.table())
        self.outside = folder / "outside"
        self.outside.mkdir()
        self.count = 0
        self.sent: dict[str, dict[str, str]] = {}

    def place(self, size: int = 2 * MIB) -> str:
        """Let the honest box's landing have another roll; return its name."""
        self.count += 1
        name = f"A{self.count:03}"
        self.sent[name] = place(self.pair, self.folder, name, size)
        return name

    def check(self) -> None:
        """Compare all that is published with what was sent; nothing else is anywhere."""
        for name, files in self.sent.items():
            there = files_below(self.pair.storage / DAY / name)
            assert {path: there.get(path) for path in files} == files, name
        named = {path.name for path in (self.pair.storage / DAY).iterdir()}
        assert named <= set(self.sent)
        top = {path.name for path in self.pair.storage.iterdir()}
        assert top == {".syncd", "syncd-storage.json", DAY}
        assert not list(self.outside.iterdir())
        assert self.pair.processing.resident_bytes_max() < MEMORY_BYTES_MAX
        log = (self.pair.processing.folder / "log").read_text()
        assert "Traceback" not in log
        assert len(log.splitlines()) < 300

    def attack(self, work: Callable[["Scene"], Awaitable[None]]) -> None:
        """Let an attack run while the honest box hands over a roll, and check what is there."""
        failed: list[BaseException] = []

        def run() -> None:
            try:
                asyncio.run(_whole(work(self)))
            except BaseException as error:  # noqa: BLE001 - raised below, in the test's thread
                failed.append(error)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            name = self.place()
            self.pair.wait_ready(name, timeout_s=READY_WITHIN_S)
        finally:
            thread.join(90)
        assert not thread.is_alive(), "the attack ends"
        if failed:
            raise failed[0]
        self.check()

    def events(self, kind: str) -> list[str]:
        """Return the notes of the storage's events of a kind, as the board streams them."""
        text = _first_events(self)
        return [line for line in text.splitlines() if f'"type": "{kind}"' in line]


async def _whole(work: Awaitable[object]) -> None:
    await work


def _first_events(scene: Scene) -> str:
    config = str(scene.pair.processing.config)
    command = [sys.executable, "-m", "syncd", "follow", "--json", "--after", "0", "-c", config]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as following:
        timer = threading.Timer(3, following.terminate)
        timer.start()
        assert following.stdout is not None
        return following.stdout.read()


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """Give all of them, running; one for all attacks, which so also add up."""
    made = Scene(tmp_path_factory.mktemp("hostile"))
    with made.pair:
        yield made


def _is_no(answer: Any) -> bool:
    """Tell whether a peer was refused, or held what it offered."""
    if isinstance(answer, OfferAnswer):
        return answer.kind is OfferKind.REFUSE
    return isinstance(answer, Exception)


BAD_PATHS = (
    "../../outside/a.mov",
    "/etc/syncd-was-here",
    "Clips/../../../outside/a.mov",
    "a\\..\\b.mov",
    "Clips//a.mov",
    "./a.mov",
    "a\0b.mov",
    "CON",
    "a:b.mov",
    "x" * 300,
)
BAD_DAYS = (
    ("..", "A900"),
    (DAY, ".."),
    (".syncd", "rolls"),
    ("a/b", "c"),
    ("", ".syncd"),
    ("", "syncd-storage.json"),
)


def test_paths_that_lead_elsewhere_are_refused(scene: Scene) -> None:
    """Whatever way is written into a name, nothing is made of it: no file, and no folder."""

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            for number, path in enumerate(BAD_PATHS):
                assert await _offered_badly(calls, number, path), path
            for number, (day, name) in enumerate(BAD_DAYS):
                roll = replace(inventory(900 + number), day=day, name=name)
                assert _is_no(await calls.offer(roll)), (day, name)
                bare = replace(roll, files=())
                assert _is_no(await calls.offer(bare)), (day, name)
            twins = inventory(950, "Clips/a.mov", "clips/A.mov")
            assert _is_no(await calls.offer(twins))

    before = set(os.listdir(scene.folder))
    scene.attack(attack)
    assert set(os.listdir(scene.folder)) <= before | {"staging"}
    told = [line for line in scene.events("refused") if '"unfit"' in line]
    assert 1 <= len(told) <= 3, "offers, and bodies that cannot be read; once each"
    _, text = command(scene.pair.processing, "check")
    (line,) = [line for line in text.splitlines() if "refused offload-2" in line]
    assert "From offload-2: " in line
    assert "find out what runs on the box that offers it" in text


async def _offered_badly(calls: Calls, number: int, path: str) -> bool:
    try:
        roll = inventory(number, path)
    except (ValueError, BadMessage):
        return True  # not even our own inventory can hold it
    return _is_no(await calls.offer(roll))


def test_a_size_that_nobody_has_is_refused_before_anything_grows_with_it(scene: Scene) -> None:
    """A parcel for each 16 MiB of it would be all the memory that the box has, and more."""
    one = FileEntry("Clips/C001.mov", 1, 1, ())

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            for number, size in enumerate((1 << 45, 1 << 50, 1 << 62, (1 << 63) - 1)):
                roll = inventory(960 + number, size=size)
                honest = head_of(replace(roll, files=(one,)))
                for said in (1, size):
                    head = replace(honest, roll_id=roll.roll_id, total_bytes=said)
                    assert _is_no(await calls.offer(roll, head)), (size, said)

    scene.attack(attack)
    assert any('"unfit"' in line for line in scene.events("refused"))


def test_another_boxs_roll_and_what_is_published_stay_as_they_are(scene: Scene) -> None:
    """Offers of its name, parcels of it, withholding it: all in vain."""
    name = scene.place()
    scene.pair.wait_ready(name)
    published = scene.pair.processing.rolls()[name]["id"]

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            other = inventory(1, "Clips/C000.mov", size=77, name=name)
            answer = await calls.offer(other)
            assert (answer.kind, answer.code) == (OfferKind.REFUSE, HeldCode.NAME_TAKEN)
            for row in list(scene.pair.processing.rolls().values())[-3:]:
                withhold = Withhold(roll_id=row["id"], code=HeldCode.SOURCE_CHANGED)
                await calls.ask(withhold)
                head = ParcelHead(roll_id=row["id"], number=0, data_bytes=77, piece_count=1)
                said = await calls.say_on_a_lane("send", head, plain=zeros_for(head))
                assert "Confirmed" not in said
            tidings = await calls.ask(Tidings(after=0, wait_s=0.0))
            assert not {tiding.roll_id for tiding in tidings.notices} - {other.roll_id}

    scene.attack(attack)
    assert scene.pair.processing.rolls()[name]["id"] == published
    assert scene.pair.processing.rolls()[name]["held"] is None


def test_editorial_reaches_nothing_but_ready_rolls(scene: Scene) -> None:
    """Neither by question nor on a lane; and an offload box no roll at all."""

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            roll = inventory(3, size=1000)
            assert (await calls.offer(roll)).kind is OfferKind.TAKE
            assert _is_no(await calls.ask(OpenLane(purpose="fetch")))
            assert _is_no(await calls.ask(Listing()))
        async with scene.edit.calling(scene.pair.processing) as calls:
            for question in (
                InventoryQuestion(roll_id=roll.roll_id),
                Doubt(roll_id=roll.roll_id, path="Clips/C001.mov"),
                head_of(roll),
                OpenLane(purpose="send"),
                Tidings(after=0, wait_s=0.0),
            ):
                assert _is_no(await calls.ask(question)), question
            for number in (0, (1 << 31) - 1):
                want = Want(roll_id=roll.roll_id, number=number)
                assert "ParcelHead" not in await calls.say_on_a_lane("fetch", want)

    scene.attack(attack)
    told = scene.events("refused")
    assert 4 <= len(told) <= 16
    assert any("may not offer rolls" in line for line in told)
    code, text = command(scene.pair.processing, "check")
    assert code == 1
    assert "may not offer rolls" in text
    assert "syncd peers forget edit-2" in text, "and what to do"


def test_a_flood_of_questions_and_slow_bodies_slow_nobody_else_down(scene: Scene) -> None:
    """Sixty connections that ask without end, and as many that never finish asking."""

    async def ask_without_end(calls: Calls, number: int) -> None:
        roll = inventory(10_000 + number)
        questions: list[Any] = [HELLO, head_of(roll), Listing(), Tidings(after=0, wait_s=60.0)]
        while True:
            for question in questions:
                await calls.ask(question)

    async def attack(scene: Scene) -> None:
        context = scene.edit.identity.client_context()
        port = scene.pair.processing.control
        writers = []
        for _ in range(80):  # more than one peer may hold; the others are cut
            with suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", port, ssl=context)
                writer.write(
                    b"POST /peer/listing HTTP/1.1\r\nHost: x\r\nContent-Length: 9\r\n\r\n1"
                )
                writers.append(writer)
        async with scene.offload.calling(scene.pair.processing) as calls:
            flood = asyncio.gather(*(ask_without_end(calls, n) for n in range(60)))
            await while_it_lasts(_whole(flood), ATTACK_S)
        for writer in writers:
            writer.transport.abort()
        await asyncio.gather(*(each.wait_closed() for each in writers), return_exceptions=True)

    scene.attack(attack)


def test_parcels_with_wrong_numbers_and_lengths_are_taken_by_nobody(scene: Scene) -> None:
    """Of its own roll, and a lane each: none is confirmed, and nothing of them is kept."""
    roll = inventory(4, "Clips/C001.mov", "Clips/C002.mov", size=700)
    right = ParcelHead(roll_id=roll.roll_id, number=0, data_bytes=1400, piece_count=2)
    heads = (
        replace(right, number=1),
        replace(right, number=(1 << 31) - 1),
        replace(right, data_bytes=1398),
        replace(right, data_bytes=1402),
        replace(right, data_bytes=0),
        replace(right, data_bytes=16 * MIB),
        replace(right, piece_count=1),
        replace(right, piece_count=1024),
        replace(right, evidence=b"\1" * 16),
        replace(right, roll_id=inventory(5).roll_id),
    )

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            assert (await calls.offer(roll)).kind is OfferKind.TAKE
            for head in heads:
                said = await calls.say_on_a_lane("send", head, plain=zeros_for(head))
                assert "Confirmed" not in said, head
            wrong = zeros_for(right)[:-1] + b"?"
            assert "Confirmed" not in await calls.say_on_a_lane("send", right, plain=wrong)
            again = await calls.offer(roll)
            assert (again.kind, again.lacking) == (OfferKind.TAKE, b"\1"), "all of it lacks"
            assert scene.pair.processing.rolls()[roll.name]["moved_bytes"] == 0
            said = await calls.say_on_a_lane("send", right, plain=zeros_for(right))
            assert "Confirmed" in said, "it can be told whether one is taken"

    scene.attack(attack)


def test_a_peer_that_takes_tickets_without_end_takes_them_from_itself(scene: Scene) -> None:
    """Hundreds of them: its oldest ones go, and whoever else asks has a lane at once."""

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            first = await calls.ask(OpenLane(purpose="send"))
            asking = (calls.ask(OpenLane(purpose="send")) for _ in range(TICKETS))
            given = await asyncio.gather(*asking)
            last = await calls.ask(OpenLane(purpose="send"))
            assert len({each.ticket for each in given}) == TICKETS
            assert await calls.is_welcome(last)
            assert not await calls.is_welcome(first), "it was pushed out by the others"
            async with scene.edit.calling(scene.pair.processing) as others:
                theirs = await others.ask(OpenLane(purpose="fetch"))
                await asyncio.gather(*(calls.ask(OpenLane(purpose="send")) for _ in range(TICKETS)))
                assert await others.is_welcome(theirs, "fetch")

    scene.attack(attack)


def test_lanes_that_nobody_can_read_are_told_with_who_opens_them_and_fill_no_log(
    scene: Scene,
) -> None:
    """A good ticket, 64 bytes of nothing, again and again."""

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            for _ in range(60):
                await calls.garble()

    scene.attack(attack)
    log = (scene.pair.processing.folder / "log").read_text().splitlines()
    assert len([line for line in log if "carried what no lane may" in line]) <= 10
    (told,) = [line for line in scene.events("refused") if "nothing can be read" in line]
    assert '"peer": "offload-2"' in told


def test_links_that_are_put_on_the_storage_meanwhile_lead_nowhere(scene: Scene) -> None:
    """Folders of a roll under way, exchanged for links again and again: nothing goes through."""
    stop = threading.Event()
    swapped = 0

    def swap() -> None:
        nonlocal swapped
        while not stop.wait(0.002):
            for folder in (scene.pair.storage / ".syncd" / "incoming").glob("*/*/Clips"):
                with suppress(OSError):
                    aside = folder.with_name(f"aside-{swapped}")
                    folder.rename(aside)
                    folder.symlink_to(scene.outside, target_is_directory=True)
                    swapped += 1
                    stop.wait(0.05)
                    folder.unlink()
                    aside.rename(folder)

    swapping = threading.Thread(target=swap)
    swapping.start()
    try:
        name = scene.place(size=24 * MIB)
        wait_until(lambda: swapped >= 5 or _stage(scene, name) == "ready", 40, "it was swapped")
    finally:
        stop.set()
        swapping.join()
    assert swapped, "there was time for at least one"
    assert not list(scene.outside.iterdir())

    def arrived() -> bool:
        row = scene.pair.offload.rolls().get(name, {})
        if row.get("held"):
            scene.pair.offload.api(f"rolls/{row['id']}/go", {})
        return bool(row.get("stage") == "ready")

    wait_until(arrived, READY_WITHIN_S, "it arrives", every_s=1.0, state=scene.pair.offload.rolls)
    scene.check()


def _stage(scene: Scene, name: str) -> Any:
    return scene.pair.processing.rolls().get(name, {}).get("stage")


def test_offers_without_end_have_one(scene: Scene) -> None:
    """As many as it can make, four at a time; the honest box's roll arrives while it does."""
    taken = 0

    async def offer_without_end(calls: Calls, first: int) -> None:
        nonlocal taken
        for number in range(first, first + 100_000):
            answer = await calls.offer(inventory(number))
            taken += isinstance(answer, OfferAnswer) and answer.kind is OfferKind.TAKE

    async def attack(scene: Scene) -> None:
        async with scene.offload.calling(scene.pair.processing) as calls:
            offering = (offer_without_end(calls, 100_000 * (2 + n)) for n in range(4))
            await while_it_lasts(_whole(asyncio.gather(*offering)), 3 * ATTACK_S)

    scene.attack(attack)
    assert taken >= 10
