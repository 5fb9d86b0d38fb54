"""Discovery: what is said and read, which networks are used, and real multicast on loopback."""

import asyncio
import errno
import gc
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st
from zeroconf import IPVersion
from zeroconf.asyncio import AsyncServiceInfo, AsyncZeroconf

from syncd.wire import discovery
from syncd.wire.announcement import (
    LABEL_BYTES_MAX,
    SERVICE_TYPE,
    Place,
    bound_places,
    instance_name,
    read_announcement,
    txt_record,
    usable_places,
)
from syncd.wire.discovery import Discovery, look_for_places
from syncd.wire.multicast import works_here
from tests.wire.conftest import WallClock

OFFLOAD, PROCESS = (f"sha256:{digit * 64}" for digit in "ab")
LOOPBACK = ("127.0.0.1",)
PROBED: list[bool] = []  # whether multicast passes here, once it is known


# What is said and read


@given(st.text(max_size=80))
def test_an_instance_name_is_one_label_that_ends_in_the_device_id(name: str) -> None:
    """RFC 6763 4.1.1: at most 63 octets of UTF-8 and no control characters, for any node name."""
    label = instance_name(name, OFFLOAD)

    assert len(label.encode()) <= LABEL_BYTES_MAX
    assert label.endswith(" aaaaaa")
    assert label.isprintable()


def test_what_is_said_is_read_back() -> None:
    """Name, fingerprint and roles come through the record."""
    txt = {k.encode(): v for k, v in txt_record(OFFLOAD, ["offload", "editorial"]).items()}
    full_name = f"{instance_name('offload-1', OFFLOAD)}.{SERVICE_TYPE}"

    said = read_announcement(full_name, dict(txt))

    assert said.fingerprint == OFFLOAD
    assert said.shown_name == "offload-1"
    assert said.roles == ("offload", "editorial")
    assert sum(1 + len(k) + 1 + len(v) for k, v in txt.items()) < 200  # RFC 6763 6.2


@pytest.mark.parametrize(
    "txt",
    [
        {},
        {b"txtvers": b"2", b"fp": b"x" * 32},
        {b"txtvers": b"1"},
        {b"txtvers": b"1", b"fp": None},
        {b"txtvers": b"1", b"fp": b"x" * 31},
        {b"txtvers": b"1", b"fp": b"x" * 255},
    ],
)
def test_a_record_that_is_none_of_ours_is_left_out(txt: dict[bytes, bytes | None]) -> None:
    """Unknown versions and missing or odd fingerprints are errors, never guesses."""
    with pytest.raises(ValueError, match=r"version|fingerprint"):
        read_announcement(f"x.{SERVICE_TYPE}", txt)


@given(st.text(max_size=300), st.dictionaries(st.binary(max_size=9), st.binary(max_size=300)))
def test_whatever_a_stranger_announces_is_bounded_and_printable(
    name: str, txt: dict[bytes, bytes | None]
) -> None:
    """Names end up on terminals: no control characters, no endless text, only known roles."""
    said = read_announcement(name, {**txt, b"txtvers": b"1", b"fp": b"x" * 32})

    assert len(said.shown_name) <= LABEL_BYTES_MAX
    assert said.shown_name.isprintable()
    assert set(said.roles) <= {"offload", "processing", "editorial"}


# Which networks are used


def test_bridges_tunnels_and_loopback_are_skipped() -> None:
    """An address that no other box can reach is not announced."""
    cable, wireless = Place("enp3s0", "10.20.0.1"), Place("wlan0", "192.168.7.4")
    others = [
        Place("lo", "127.0.0.1"),
        Place("docker0", "172.17.0.1"),
        Place("br-3f2a", "172.18.0.1"),
        Place("tun0", "10.8.0.2"),
        Place("wg0", "10.9.0.2"),
        Place("en7", "127.0.0.9"),
    ]

    assert usable_places([wireless, *others, cable], ()) == (cable, wireless)


def test_networks_can_be_named_by_hand() -> None:
    """A name or an address picks exactly what it says, a bridge and loopback, too."""
    places = [Place("lo", "127.0.0.1"), Place("br0", "10.20.0.1"), Place("eth0", "10.30.0.1")]

    assert usable_places(places, ["127.0.0.1"]) == (places[0],)
    assert usable_places(places, ["br0"]) == (places[1],)
    assert usable_places(places, ["eth9"]) == ()


def test_this_machine_has_loopback() -> None:
    """Looking really finds addresses."""
    assert "127.0.0.1" in {place.address for place in look_for_places()}


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("0.0.0.0", ["10.20.0.2", "192.168.1.5"]),  # noqa: S104 - said, not bound
        ("::", ["10.20.0.2", "192.168.1.5"]),
        ("box.salt.example", ["10.20.0.2", "192.168.1.5"]),
        ("10.20.0.2", ["10.20.0.2"]),
        ("127.0.0.1", []),
        ("localhost", []),
        ("fe80::1", []),
    ],
)
def test_only_what_is_bound_is_announced(host: str, expected: list[str]) -> None:
    """Whoever types a code dials what was announced, and nobody else would answer there."""
    places = [Place("eth0", "10.20.0.2"), Place("eth1", "192.168.1.5")]
    assert [place.address for place in bound_places(places, host)] == expected


# Real multicast


class Network:
    """Nodes on loopback, and what each has heard."""

    def __init__(self, clock: WallClock) -> None:
        self.clock = clock
        self.heard: dict[str, list[tuple[str, str]]] = {}
        self.changed = asyncio.Event()

    def node(
        self,
        name: str,
        fingerprint: str,
        *,
        misses: Callable[[], bool] = lambda: False,
        host: str = "0.0.0.0",  # noqa: S104 - said, not bound
    ) -> Discovery:
        """Make a node that writes down whom it finds and loses."""
        heard = self.heard.setdefault(name, [])

        def note(word: str, fingerprint: str) -> None:
            heard.append((word, fingerprint))
            self.changed.set()

        return Discovery(
            name=name,
            fingerprint=fingerprint,
            roles=["offload"],
            port=8840,
            clock=self.clock,
            found=lambda said, _: note("found", said.fingerprint),
            lost=lambda fingerprint: note("lost", fingerprint),
            misses_someone=misses,
            interfaces=LOOPBACK,
            host=host,
        )

    async def until(self, name: str, word: str, fingerprint: str) -> None:
        """Wait until a node has heard this."""
        async with asyncio.timeout(10):
            while (word, fingerprint) not in self.heard[name]:
                self.changed.clear()
                await self.changed.wait()


@asynccontextmanager
async def running(*nodes: Discovery) -> AsyncIterator[None]:
    """Run nodes for as long as the block lasts."""
    tasks = [asyncio.create_task(node.run()) for node in nodes]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
        assert all(isinstance(result, asyncio.CancelledError) for result in results), results


@pytest.fixture
async def network(clock: WallClock, monkeypatch: pytest.MonkeyPatch, nothing_left: None) -> Network:
    """Return a network on loopback, where multicast passes there."""
    del nothing_left
    monkeypatch.setattr(discovery, "POLL_S", 0.1)
    if not PROBED:
        PROBED.append(await works_here(clock, LOOPBACK))
    if not PROBED[0]:
        pytest.skip("multicast does not pass on this machine's loopback")
    return Network(clock)


async def test_two_nodes_find_each_other_and_hear_a_goodbye(network: Network) -> None:
    """Each hears the other's fingerprint; leaving is heard at once, as a goodbye."""
    offload, process = network.node("offload-1", OFFLOAD), network.node("process-1", PROCESS)
    async with running(process):
        async with running(offload):
            await network.until("process-1", "found", OFFLOAD)
            await network.until("offload-1", "found", PROCESS)
        await network.until("process-1", "lost", OFFLOAD)
    assert offload.state == process.state == "off"


async def test_a_box_whose_port_is_bound_to_no_address_of_the_network_only_listens(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It hears others; once its address is there it is announced, and no longer when it goes."""
    places = [Place("lo", "127.0.0.1")]
    monkeypatch.setattr(discovery, "look_for_places", lambda: places)
    offload = network.node("offload-1", OFFLOAD)
    process = network.node("process-1", PROCESS, host="127.0.0.2")
    process._interfaces = ("lo",)
    async with running(offload, process):
        await network.until("process-1", "found", OFFLOAD)
        await _until(lambda: process.state == "listening")
        process.say_pairing(is_pairing=True)
        await _until(lambda: not process._is_urged)
        assert ("found", PROCESS) not in network.heard["offload-1"]
        places.append(Place("lo", "127.0.0.2"))
        await network.until("offload-1", "found", PROCESS)
        await _until(lambda: process.state == "announced")
        places.pop()
        await network.until("offload-1", "lost", PROCESS)
        await _until(lambda: process.state == "listening")


async def test_the_cable_out_and_in_is_found_again(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When its addresses vanish a node waits, and announces itself anew when they are back."""
    is_plugged = True
    monkeypatch.setattr(
        discovery, "look_for_places", lambda: [Place("lo", "127.0.0.1")] if is_plugged else []
    )
    offload, process = network.node("offload-1", OFFLOAD), network.node("process-1", PROCESS)
    async with running(process):
        await _until(lambda: process.state == "announced")
        is_plugged = False
        await _until(lambda: process.state == "waiting")
        async with running(offload):
            is_plugged = True
            await network.until("process-1", "found", OFFLOAD)
            await network.until("offload-1", "found", PROCESS)
    assert process.rebuilds == 2


async def test_while_a_peer_is_missing_the_node_looks_again(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A new browser reports everyone anew, which a single one would not."""
    monkeypatch.setattr(discovery, "LOOK_AGAIN_S", 0.3)
    offload = network.node("offload-1", OFFLOAD)
    process = network.node("process-1", PROCESS, misses=lambda: True)
    async with running(offload, process):
        await _until(lambda: network.heard["process-1"].count(("found", OFFLOAD)) >= 2)


async def test_another_node_of_the_same_name_and_id_is_announced_under_a_new_name(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A conflict renames the instance; the fingerprint is still the identity."""
    # Answers to a probe go straight to the asker; on one address, the system would choose for
    # itself which of the two that listen there gets them.
    places = [Place("lo", "127.0.0.1"), Place("lo", "127.0.0.2")]
    monkeypatch.setattr(discovery, "look_for_places", lambda: places)
    first, second = network.node("offload-1", OFFLOAD), network.node("offload-1", OFFLOAD)
    second._interfaces = ("127.0.0.2",)
    async with running(first):
        await _until(lambda: first.state == "announced")
        async with running(second):
            await _until(lambda: second.state == "announced")
            names = {node._info.name for node in (first, second) if node._info is not None}
    assert len(names) == 2


async def test_a_malformed_announcement_is_left_out_and_nothing_stops(network: Network) -> None:
    """Anyone can announce rubbish under our service type; the next node is still found."""
    process = network.node("process-1", PROCESS)
    async with running(process):
        await _until(lambda: process.state == "announced")
        rubbish = AsyncServiceInfo(
            SERVICE_TYPE,
            f"rubbish.{SERVICE_TYPE}",
            port=1,
            properties={"txtvers": b"1", "fp": b"short"},
            server="rubbish.local.",
            parsed_addresses=["127.0.0.1"],
        )
        stranger = AsyncZeroconf(interfaces=list(LOOPBACK), ip_version=IPVersion.V4Only)
        await (await stranger.async_register_service(rubbish))
        async with running(network.node("offload-1", OFFLOAD)):
            await network.until("process-1", "found", OFFLOAD)
        await stranger.async_close()
    # Other boxes on this machine may be heard, too; of the rubbish, nothing.
    heard = [fingerprint for _, fingerprint in network.heard["process-1"]]
    assert all(each.startswith("sha256:") and len(each) == len(OFFLOAD) for each in heard)


async def test_without_a_usable_address_it_waits_and_ends_cleanly(
    clock: WallClock, nothing_left: None
) -> None:
    """No network is no error."""
    del nothing_left
    node = Network(clock).node("offload-1", OFFLOAD)
    node._interfaces = ("no-such-interface",)
    async with running(node):
        await _until(lambda: node.state == "waiting")
    assert not await works_here(clock, ["no-such-interface"], limit_s=0.1)


@pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning")
async def test_a_network_that_cannot_be_opened_is_tried_again_later(
    network: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each failure waits longer; the daemon lives on."""
    node = network.node("offload-1", OFFLOAD)
    places = [Place("eth0", "192.0.2.77")]  # RFC 5737: no address of this machine
    monkeypatch.setattr(discovery, "look_for_places", lambda: places)
    monkeypatch.setattr(discovery, "REBUILD_BASE_S", 0.1)
    node._interfaces = ()
    node._rebuild_wait_s = 0.1
    async with running(node):
        await _until(lambda: node.rebuilds >= 2)
        places[:] = [Place("eth0", "127.0.0.1")]
        node._interfaces = ("127.0.0.1",)
        await _until(lambda: node.state == "announced")
    gc.collect()  # zeroconf drops the socket of a failed start without closing it


def test_a_network_error_in_the_library_is_one_line_in_the_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A pulled cable is no bug of ours and shows no traceback; a bug still does."""
    caplog.set_level(logging.WARNING, logger="zeroconf")
    for error in (OSError(errno.ENETUNREACH, "Network is unreachable"), KeyError("a bug")):
        logging.getLogger("zeroconf").warning("Error with socket", exc_info=error)

    assert "Error with socket" in caplog.text
    assert "Network is unreachable" not in caplog.text
    assert "KeyError" in caplog.text


async def _until(is_so: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not is_so():  # noqa: ASYNC110 - what is waited for has no event of its own
            await asyncio.sleep(0.02)
