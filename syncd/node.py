"""One daemon, put together from its config: the inner parts, and the real world around them.

Owns: which edge serves which part, the order in which all start and end.
Must not: decide anything about a roll.
"""

import asyncio
import logging
import time
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from functools import partial

from syncd.board import certificate, passphrase
from syncd.board.access import Access
from syncd.board.login import Login
from syncd.board.server import BoardServer
from syncd.board.token import make_token
from syncd.company import Reach
from syncd.config import Config
from syncd.config.shapes import NoticeConfig, NoticeKind, Role
from syncd.counted import counted
from syncd.edges import private_file
from syncd.edges.accepting import log_refused_accepts_rarely
from syncd.edges.chance import SystemChance
from syncd.edges.changes import Changes
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk, RealFolder
from syncd.edges.hardware import SystemHardware
from syncd.edges.state_lock import StateLock
from syncd.edges.threads import ThreadLines
from syncd.journal import looks
from syncd.journal.guard import JournalGuard
from syncd.journal.journal import Journal, JournalError
from syncd.journal.opening import open_journal, state_error
from syncd.landing.watch import Watch
from syncd.node_answers import NodeAnswers
from syncd.notices.command import CommandSubscriber
from syncd.notices.drop_file import DropFileSubscriber
from syncd.notices.subscriber import Subscriber
from syncd.notices.webhook import Target, WebhookSubscriber
from syncd.notices.webhook_keys import webhook_keys
from syncd.pairing import Pairing, Ready
from syncd.parts import Parts
from syncd.ports import Ports
from syncd.speed.both import Both
from syncd.trusting import Trusting, all_trusted, pinned
from syncd.wire.announcement import Announcement, is_name_of
from syncd.wire.bulk_server import BulkServer
from syncd.wire.clients import Clients
from syncd.wire.control_server import ControlServer
from syncd.wire.discovery import Discovery
from syncd.wire.identity import Identity
from syncd.wire.pairing import Party
from syncd.wire.pairing_dial import pair_with, when_not_busy
from syncd.wire.peers import Address, PeerBook, TrustedPeer
from syncd.wire.trust_store import TrustStore
from syncd.wire.typed_times import TypedTimes

log = logging.getLogger(__name__)


async def run_node(
    config: Config,
    *,
    ready: Callable[[str], None],
    stop: asyncio.Event,
    alive: Callable[[str], None] = lambda _: None,
    alive_every_s: float = 10.0,
) -> None:
    """Run one daemon until stop is set.

    ready: called with one line once the journal is open and every port is bound.
    alive: called with one line as long as loop, threads and journal do their work, every so often.
    Raises ConfigError if it cannot start; ExceptionGroup if a part fails, after all have ended,
    of JournalBrokenError if the journal turned out to be damaged: the next start rebuilds it.
    """
    async with AsyncExitStack() as stack:
        node = await _build(config, stack)
        ready(node.summary())
        running = asyncio.create_task(node.run(alive, alive_every_s), name="node")
        stopping = asyncio.create_task(stop.wait(), name="stop")
        await asyncio.wait({running, stopping}, return_when=asyncio.FIRST_COMPLETED)
        for task in (running, stopping):
            task.cancel()
        await asyncio.wait({running, stopping})
        if not running.cancelled():
            running.result()
    # From here on no task, thread, socket or transaction of ours is left.


class _Node:
    """The parts of one daemon that run until cancelled."""

    def __init__(
        self,
        config: Config,
        parts: Parts,
        *,
        watch: Watch | None,
        discovery: Discovery | None,
        guard: JournalGuard,
        trusting: Trusting,
        pairing: Pairing,
        speed: Both,
    ) -> None:
        self._guard = guard
        self._speed = speed
        self._trusting = trusting
        self._pairing = pairing
        self._config = config
        self._parts = parts
        self._watch = watch
        self._discovery = discovery

    async def _say_alive(self, alive: Callable[[str], None], every_s: float) -> None:
        """Say how things are, from the loop, with what a thread has just read in the journal.

        A loop that lags says it late, one that hangs never; a journal that hangs lets it wait. One
        that answers with an error does answer: starting anew would not help it.
        """
        while True:
            await asyncio.sleep(every_s)
            alive(await asyncio.to_thread(self._status_line))

    def _status_line(self) -> str:
        """Say in one line what a person would ask first."""
        try:
            with self._parts.journal.read() as db:
                count, held = looks.under_way(db)
        except JournalError as error:
            return error.problem
        line = f"{counted(count, 'roll')} under way, {held} held"
        troubles = self._parts.presence.troubles()
        return f"{line}; {troubles[0].message}" if troubles else line

    def changed(self, _: str) -> None:
        """Believe in no connection of before, and tell others where we are."""
        for pulse in self._parts.pulses.values():
            pulse.start_afresh()
        if self._discovery is not None:
            self._discovery.look_again()

    def summary(self) -> str:
        node = self._config.node
        roles = ", ".join(sorted(node.roles))
        scheme = "http" if node.board.is_loopback else "https"
        return f"{roles}; board on {scheme}://{node.board}"

    async def run(self, alive: Callable[[str], None], alive_every_s: float) -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(self._parts.run(), name="parts")
            group.create_task(Changes(self.changed).run(), name="changes")
            group.create_task(self._say_alive(alive, alive_every_s), name="alive")
            group.create_task(self._guard.run(), name="journal-guard")
            group.create_task(self._trusting.run(), name="trusting")
            group.create_task(self._pairing.run(), name="pairing")
            group.create_task(self._speed.run(), name="speed")
            if self._watch is not None:
                group.create_task(self._watch.run(), name="watch")
            if self._discovery is not None:
                group.create_task(self._discovery.run(), name="discovery")


async def _build(config: Config, stack: AsyncExitStack) -> _Node:
    """Open and bind everything, in the order in which the one needs the other."""
    disk = RealDisk()
    stack.callback(disk.close)
    ports = Ports(clock=RealClock(), chance=SystemChance(), disk=disk, lines=ThreadLines())
    log_refused_accepts_rarely(asyncio.get_running_loop(), ports.clock)
    stack.enter_context(StateLock(config.node.state))
    identity = Identity.load_or_make(config.node.state, config.node.name, ports.clock.utc_ms())
    journal, guard = _open_journal(config, identity.fingerprint, ports, stack)
    store = TrustStore.load(config.node.state, ports.clock.utc_ms())
    book = PeerBook(identity.fingerprint, all_trusted(config, store.peers))
    clients = Clients(book, identity, ports.clock)
    stack.push_async_callback(clients.close)
    reach = partial(_reach, clients)
    parts = Parts(
        config,
        ports,
        journal,
        book,
        reach,
        subscribers=[
            _subscriber(notice, ports, config.node.name, number)
            for number, notice in enumerate(config.notices)
        ],
        utc_offset_s=lambda: time.localtime().tm_gmtoff,
    )
    control = await _serve_peers(config, parts, identity, book, stack)

    def let_go(peer: TrustedPeer) -> None:
        parts.let_go(peer)
        control.end_fingerprint(peer.fingerprint)
        clients.drop(peer.name)

    trusting = Trusting(
        store,
        book,
        ports,
        pinned(config),
        own_name=config.node.name,
        took_up=lambda _: parts.follow_book(),
        let_go=let_go,
    )
    pairing = _pairing(identity, book, trusting, parts, control)
    discovery = _discovery(config, identity, book, parts, control.port)
    if discovery is not None:
        pairing.announce = discovery.say_pairing
    speed = Both(parts, SystemHardware(), reach)
    answers = NodeAnswers(
        parts,
        book,
        identity,
        control.port,
        trusting=trusting,
        pairing=pairing,
        measuring=speed.measuring,
    )
    stack.callback(answers.close)
    await stack.enter_async_context(_board(config, answers, ports))
    watch = _watch(parts, ports)
    return _Node(
        config,
        parts,
        watch=watch,
        discovery=discovery,
        guard=guard,
        trusting=trusting,
        pairing=pairing,
        speed=speed,
    )


def _reach(clients: Clients, name: str) -> Reach:
    """Return the way to a trusted peer."""
    return Reach(clients.get(name), lambda: clients.host(name))


def _board(config: Config, answers: NodeAnswers, ports: Ports) -> BoardServer:
    """Make the board, where other machines reach it with TLS and passphrase. Raises ConfigError."""
    node = config.node
    if node.board.is_loopback:
        access = Access(make_token(node.state, ports.chance))
        return BoardServer(answers, node.board, access, ports.clock, state=node.state)
    login = Login(passphrase.read(node.state), ports)
    names = node.own_names
    print_ = certificate.load_or_make(node.state, names, ports.clock.utc_ms())
    log.info("The board's certificate is %s", print_)
    access = Access(make_token(node.state, ports.chance), login)
    pem = node.state / certificate.NAME
    return BoardServer(
        answers, node.board, access, ports.clock, names=names, pem=pem, state=node.state
    )


async def _serve_peers(
    config: Config, parts: Parts, identity: Identity, book: PeerBook, stack: AsyncExitStack
) -> ControlServer:
    """Listen for peers; lanes only where there is a storage."""
    if Role.PROCESSING in config.node.roles:
        bulk = BulkServer(
            config.node.bulk.host,
            config.node.bulk.port,
            lines=parts.ports.lines,
            tickets=parts.tickets,
            handler=parts.lane_host.accept,
        )
        await stack.enter_async_context(bulk)
        parts.desk.bulk_port = bulk.port
    control = ControlServer(
        config.node.control.host,
        config.node.control.port,
        identity=identity,
        book=book,
        desk=parts.desk,
        clock=parts.ports.clock,
    )
    await stack.enter_async_context(control)
    parts.lane_host.end_calls = control.end_peer
    return control


def _pairing(
    identity: Identity, book: PeerBook, trusting: Trusting, parts: Parts, control: ControlServer
) -> Pairing:
    """Let strangers who know the code that is shown in, and others show theirs to us."""
    roles = tuple(sorted(role.value for role in parts.config.node.roles))

    def own() -> Party:
        return Party(identity.name, identity.fingerprint, roles, control.port)

    async def dial(addresses: Sequence[Address], code: str, ready: Ready) -> tuple[Party, Address]:
        type_it = partial(
            pair_with,
            addresses,
            code,
            own=own(),
            identity=identity,
            random_bytes=parts.ports.chance.random_bytes,
            ready=ready,
        )
        return await when_not_busy(type_it)

    tried = TypedTimes(parts.config.node.state)
    pairing = Pairing(book, trusting, parts.ports, own=own, dial=dial, tried=tried)
    control.pair_by(pairing.talks)
    return pairing


def _open_journal(
    config: Config, box: str, ports: Ports, stack: AsyncExitStack
) -> tuple[Journal, JournalGuard]:
    state = config.node.state
    try:
        state.mkdir(0o700, parents=True, exist_ok=True)
        # A folder that was there before keeps its mode: what is made in it is private by itself.
        folder = RealFolder(str(state), private_file.MODE)
        stack.callback(folder.close)
        journal = open_journal(
            state,
            folder,
            box=box,
            file_system=folder.file_system(),
            now_utc_ms=ports.clock.utc_ms(),
        )
    except OSError as error:
        raise state_error(state, error) from error
    stack.enter_context(journal)
    return journal, JournalGuard(journal, state, folder, ports.clock, ports.disk)


def _subscriber(notice: NoticeConfig, ports: Ports, node: str, number: int) -> Subscriber:
    # The name carries the cursor: it must stay when the path to the program is corrected.
    name = f"{notice.kind}-{number}"
    if notice.kind is NoticeKind.DROP_FILE:
        folder = str(notice.folder)
        return DropFileSubscriber(name, folder, node, ports.disk, kinds=notice.on)
    if notice.kind is NoticeKind.WEBHOOK:
        return WebhookSubscriber(
            name,
            Target(notice.url, None if notice.ca_file is None else str(notice.ca_file)),
            node,
            partial(webhook_keys, notice.secret, notice.secret_file),
            ports.clock,
            kinds=notice.on,
            timeout_s=notice.timeout_s,
        )
    return CommandSubscriber(
        name, notice.run, ports.clock, kinds=notice.on, timeout_s=notice.timeout_s
    )


def _watch(parts: Parts, ports: Ports) -> Watch | None:
    if not parts.landings:
        return None
    watch = Watch(ports.clock, ports.disk)
    for landing in parts.landings:
        watch.add(landing.root, landing)
    return watch


def _discovery(
    config: Config, identity: Identity, book: PeerBook, parts: Parts, control_port: int
) -> Discovery | None:
    if not config.node.discover:
        return None

    def found(said: Announcement, at: Sequence[Address]) -> None:
        book.found(said, at)
        peer = book.trusted_by_fingerprint(said.fingerprint)
        if peer is not None and peer.name in parts.pulses:
            parts.pulses[peer.name].nudge_if_silent()

    return Discovery(
        name=config.node.name,
        fingerprint=identity.fingerprint,
        roles=sorted(config.node.roles),
        port=control_port,
        clock=parts.ports.clock,
        found=found,
        lost=book.lost,
        misses_someone=lambda: not all(parts.hears(peer.name) for peer in book.all_trusted()),
        is_expected=lambda name: any(
            is_name_of(name, peer.name, peer.fingerprint) for peer in book.all_trusted()
        ),
        interfaces=config.node.interfaces,
        host=config.node.control.host,
    )
