"""Lanes over real sockets with a man in the middle: nothing that he does is taken for a parcel."""

import asyncio
from collections.abc import Callable

import pytest

from syncd.limits import MIB
from syncd.wire.cover import body_bytes
from syncd.wire.frames import LENGTH_BYTES
from syncd.wire.keys import Seal
from tests.wire.bulk_box import LINES, Box, Dialler, box
from tests.wire.middle import Meddle, Middle, Passes, Unit
from tests.wire.parcels import ROLL, data_of, ends_lost

SIZES = [2 * MIB + 5, 2 * MIB + 5, 1000]  # three records, and less than one
RECORD_AT = 100_000
WITHHELD_S = 3.0

pytestmark = pytest.mark.usefixtures("nothing_left")
both_seals = pytest.mark.parametrize("seal", list(Seal))


async def lane_through(there: Box, seal: Seal, meddle: Meddle) -> tuple[Dialler, Middle]:
    """Push three parcels through the middle until all are confirmed or the lane has broken."""
    dialler = Dialler(there, "send", SIZES, seal)
    middle = Middle(there.server.port, seal, meddle, dialler.keys)
    async with middle.listening():
        dialler.link = await LINES.dial("127.0.0.1", middle.port)
        running = asyncio.ensure_future(LINES.run("dialler", dialler.run()))
        ended = asyncio.create_task(dialler.ended.wait())
        # Bytes that never come are waited for: a minute in a lane, this long here.
        await asyncio.wait(
            {running, ended}, timeout=WITHHELD_S, return_when=asyncio.FIRST_COMPLETED
        )
        ended.cancel()
        dialler.link.close()
        await ends_lost(running)
    await there.until_open(0)
    assert middle.failures == []
    return dialler, middle


def honestly(unit: Unit) -> Passes:
    """Pass everything on."""
    return Passes(unit.data)


def is_it(unit: Unit, name: str, number: int) -> bool:
    """Tell whether unit is of that name, and of that parcel if it is about one."""
    return unit.name == name and unit.number in (number, -1)


def flip(name: str, at: int) -> Meddle:
    """Flip a bit of one unit, of parcel 1 if it is about one."""

    def meddle(unit: Unit) -> Passes:
        if not is_it(unit, name, 1):
            return Passes(unit.data)
        damaged = bytearray(unit.data)
        damaged[at] ^= 1
        return Passes(bytes(damaged))

    return meddle


def drop(name: str) -> Meddle:
    """Let one unit vanish."""
    return lambda unit: Passes(b"" if is_it(unit, name, 1) else unit.data)


def cut_short(by: int) -> Meddle:
    """Take the end of a body away; what follows moves up."""
    return lambda unit: Passes(unit.data[:-by] if is_it(unit, "body", 1) else unit.data)


def end_within() -> Meddle:
    """Close the connection in the middle of a body."""

    def meddle(unit: Unit) -> Passes:
        if is_it(unit, "body", 1):
            return Passes(unit.data[: len(unit.data) // 2], ends=True)
        return Passes(unit.data)

    return meddle


def twice(*names: str) -> Meddle:
    """Say a part of the lane once more, later."""
    said: list[bytes] = []

    def meddle(unit: Unit) -> Passes:
        if unit.number == 0 and unit.name in names:
            said.append(unit.data)
        if unit.number == 0 and unit.name == names[-1]:
            return Passes(unit.data + b"".join(said))
        return Passes(unit.data)

    return meddle


def first_in_place_of_second() -> Meddle:
    """Put the recorded body of parcel 0 where that of parcel 1 belongs; they have one length."""
    said: list[bytes] = []

    def meddle(unit: Unit) -> Passes:
        if is_it(unit, "body", 0):
            said.append(unit.data)
        return Passes(said[0] if is_it(unit, "body", 1) else unit.data)

    return meddle


def bodies_swapped() -> Meddle:
    """Give each of two heads the other one's body."""
    held: list[bytes] = []

    def meddle(unit: Unit) -> Passes:
        if (unit.name == "body" and unit.number == 0) or is_it(unit, "ParcelHead", 1):
            held.append(unit.data)
            return Passes()
        if is_it(unit, "body", 1):
            body, head = held
            return Passes(unit.data + head + body)
        return Passes(unit.data)

    return meddle


def parcels_reordered() -> Meddle:
    """Let parcel 1 arrive before parcel 0, each whole."""
    held: list[bytes] = []

    def meddle(unit: Unit) -> Passes:
        if unit.number == 0 and unit.way == "to listener":
            held.append(unit.data)
            return Passes()
        return Passes(unit.data + b"".join(held) if is_it(unit, "body", 1) else unit.data)

    return meddle


def records_swapped() -> Meddle:
    """Change the order of two records of one parcel."""

    def meddle(unit: Unit) -> Passes:
        if not is_it(unit, "body", 1):
            return Passes(unit.data)
        is_sealed = len(unit.data) == body_bytes(Seal.SEALED, SIZES[1] + 16)
        header_bytes, whole = (21, MIB + 17) if is_sealed else (0, MIB + 16)
        header, rest = unit.data[:header_bytes], unit.data[header_bytes:]
        return Passes(header + rest[whole : 2 * whole] + rest[:whole] + rest[2 * whole :])

    return meddle


def another_roll() -> Meddle:
    """Turn the bits of the sealed head that make another roll's id of the one that lies there."""

    def meddle(unit: Unit) -> Passes:
        if not is_it(unit, "ParcelHead", 1):
            return Passes(unit.data)
        turned = bytearray(unit.data)
        first = LENGTH_BYTES + unit.says.index(ROLL.encode())
        for at, (old, new) in enumerate(zip(ROLL.encode(), b"0b" * 16, strict=True), first):
            turned[at] ^= old ^ new
        return Passes(bytes(turned))

    return meddle


def reflect(name: str) -> Meddle:
    """Send a unit back to whoever said it."""

    def meddle(unit: Unit) -> Passes:
        if is_it(unit, name, 1):
            return Passes(b"", back=unit.data)
        return Passes(unit.data)

    return meddle


ATTACKS: dict[str, Callable[[], Meddle]] = {
    "bit of the nonce": lambda: flip("LaneNonce", -1),
    "bit of the ticket": lambda: flip("LaneHello", 30),
    "bit of the proof": lambda: flip("LaneHello", 70),
    "bit of the welcome": lambda: flip("LaneWelcome", -1),
    "bit of a head": lambda: flip("ParcelHead", 60),
    "bit of a head's length": lambda: flip("ParcelHead", 3),
    "bit of a head's tag": lambda: flip("ParcelHead", -1),
    "bit of a first record": lambda: flip("body", RECORD_AT),
    "bit of a second record": lambda: flip("body", MIB + RECORD_AT),
    "bit of a first record's tag": lambda: flip("body", MIB + 8),
    "bit of the digests": lambda: flip("body", -24),
    "last bit of a body": lambda: flip("body", -1),
    "bit of a confirmation": lambda: flip("Confirmed", 20),
    "head dropped": lambda: drop("ParcelHead"),
    "body dropped": lambda: drop("body"),
    "body cut by a byte": lambda: cut_short(1),
    "body cut by a record": lambda: cut_short(MIB + 16),
    "end within a body": end_within,
    "parcel twice": lambda: twice("ParcelHead", "body"),
    "body twice": lambda: twice("body"),
    "head twice": lambda: twice("ParcelHead"),
    "confirmation twice": lambda: twice("Confirmed"),
    "first body in place of the second": first_in_place_of_second,
    "bodies swapped": bodies_swapped,
    "parcels reordered": parcels_reordered,
    "records swapped": records_swapped,
    "another roll": another_roll,
    "head reflected": lambda: reflect("ParcelHead"),
    "confirmation reflected": lambda: reflect("Confirmed"),
    "hello reflected": lambda: reflect("LaneHello"),
}


@both_seals
async def test_an_honest_middle_changes_nothing(seal: Seal) -> None:
    """What he hears of bodies is the footage where both boxes ask for clear, and sealed not."""
    async with box(SIZES) as there:
        dialler, middle = await lane_through(there, seal, honestly)
    assert sorted(dialler.orders.done) == [0, 1, 2]
    assert there.store.has_all()
    bodies = {unit.number: unit.data for unit in middle.units if unit.name == "body"}
    footage = data_of(2, SIZES[2])
    assert (footage in bodies[2]) == (seal is Seal.CLEAR)


@both_seals
@pytest.mark.parametrize("attack", ATTACKS)
async def test_an_attack_breaks_the_lane_and_nothing_false_is_taken(
    attack: str, seal: Seal
) -> None:
    """The lane ends before all is confirmed; what was taken is what was sent, under its number."""
    async with box(SIZES) as there:
        dialler, middle = await lane_through(there, seal, ATTACKS[attack]())
    assert len(dialler.orders.done) < len(SIZES), "the attack was not noticed"
    for number, data in there.store.stored.items():
        assert data == data_of(number, SIZES[number])
    assert set(dialler.orders.done) <= there.store.stored.keys()
    assert middle.meddled, "the attack was made"


@both_seals
async def test_what_was_recorded_on_one_lane_fits_no_other(seal: Seal) -> None:
    """The same parcel of the same roll, in the same place, between the same boxes."""
    async with box(SIZES) as there:
        _, before = await lane_through(there, seal, honestly)
        recorded = {
            (unit.name, unit.number): unit.data
            for unit in before.units
            if unit.way == "to listener"
        }
        there.store.stored.clear()

        def put_in(*names: str) -> Meddle:
            def meddle(unit: Unit) -> Passes:
                is_of_it = unit.way == "to listener" and unit.name in names
                return Passes(recorded[unit.name, unit.number] if is_of_it else unit.data)

            return meddle

        for names in (("body",), ("ParcelHead", "body"), ("LaneHello", "ParcelHead", "body")):
            dialler, _ = await lane_through(there, seal, put_in(*names))
            assert dialler.orders.done == []
            assert there.store.stored == {}
