"""Whose turn it is among those that ask to pair: by host, on a clock that the test moves."""

from syncd.wire.pairing_line import EXCHANGES_MAX, HOSTS_MAX, WAITING_MAX, Askers, PairingLine
from syncd.wire.porch import Guest
from tests.wire.conftest import WallClock

HOSTILE, HONEST = "10.20.0.9", "10.20.0.3"


class Stopped(WallClock):
    """A clock that stands until it is moved."""

    now_s = 100.0

    def monotonic_s(self) -> float:
        return self.now_s


class Room:
    """A line, and what became of those who came."""

    def __init__(self) -> None:
        self.clock = Stopped()
        self.line = PairingLine(self.clock)
        self.begun: list[str] = []
        self.ended: list[str] = []

    def comes(self, name: str, host: str) -> Guest:
        """Let one come that says nothing yet."""
        guest = Guest(host, lambda: self.ended.append(name))
        self.line.come(guest)
        return guest

    def asks(self, name: str, host: str) -> Guest:
        """Let one come that says who it is."""
        guest = self.comes(name, host)
        self.line.ask(guest, lambda: self.begun.append(name))
        return guest

    def turns(self, count: int = 1) -> None:
        for _ in range(count):
            self.clock.now_s += 0.5
            self.line.next_turn()


def test_another_host_is_next_however_many_wait_before_it() -> None:
    """One that keeps asking has every turn only while nobody else asks."""
    room = Room()
    for number in range(40):
        room.asks(f"hostile {number}", HOSTILE)
    room.turns(2)
    room.asks("honest", HONEST)
    room.turns()
    assert room.begun == ["hostile 0", "hostile 1", "honest"]
    room.asks("honest again", HONEST)
    room.turns(2)
    assert room.begun[3:] == ["hostile 2", "honest again"], "they take turns"


def test_who_is_silent_pushes_out_its_own_host() -> None:
    """Whoever has come from elsewhere stays, also while it has said nothing yet."""
    room = Room()
    room.comes("honest", HONEST)
    for number in range(3 * WAITING_MAX):
        room.comes(f"hostile {number}", HOSTILE)
    assert len(room.line) == WAITING_MAX
    assert room.ended[0] == "hostile 0"
    assert "honest" not in room.ended


def test_an_exchange_ends_for_another_only_where_its_host_has_the_most() -> None:
    """So who thinks for a moment before it types is not pushed out by many others' turns."""
    room = Room()
    room.asks("honest", HONEST)
    for number in range(20):
        room.asks(f"hostile {number}", HOSTILE)
    room.turns(21)
    assert len(room.begun) == 21
    assert len(room.line) == EXCHANGES_MAX
    assert room.ended == [f"hostile {number}" for number in range(21 - EXCHANGES_MAX)]


def test_who_has_left_has_no_turn_and_no_place() -> None:
    """Waiting or not; the next one is taken in its place."""
    room = Room()
    first, second = room.asks("first", HOSTILE), room.asks("second", HOSTILE)
    room.line.leave(first)
    room.turns(2)
    assert room.begun == ["second"]
    room.line.leave(second)
    assert len(room.line) == 0
    assert room.line.is_empty


def test_of_very_many_hosts_some_are_remembered() -> None:
    """The one that asked last is among them, and the one that asked most while it asks."""
    askers = Askers()
    assert askers.most() is None
    for number in range(10 * HOSTS_MAX):
        askers.note(f"10.{number // 256}.{number % 256}.9")
        count = askers.note(HOSTILE)
    assert count == 10 * HOSTS_MAX
    assert askers.most() == (HOSTILE, count)
    assert len(askers._counts) == HOSTS_MAX
