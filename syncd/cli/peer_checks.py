"""What `syncd check` asks of each peer: whether it is there, who it is, and its clock.

Owns: one greeting per peer over the control plane. Must not: offer or fetch anything.
"""

import asyncio
import time
from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import partial
from typing import Any

from syncd import __version__
from syncd.cli.checks import Check, asked
from syncd.config.shapes import Config, Role
from syncd.config.values import address as read_address
from syncd.edges.clock import RealClock
from syncd.errors import ConfigError
from syncd.handoff.aim import aim
from syncd.moments import rfc3339
from syncd.trusting import all_trusted
from syncd.wire.control_client import PeerClient
from syncd.wire.ending import RENEWAL, is_ending
from syncd.wire.identity import Identity
from syncd.wire.messages import Hello, HelloAnswer
from syncd.wire.peers import Address, TrustedPeer
from syncd.wire.pulse import ONE_SIDED, PAIR_REMEDY
from syncd.wire.trust_store import broken_ones, read

CLOCK_MS_MAX = 2000  # more, and "needed by" and certificates mean different things on both sides


def peer_checks(config: Config, listing: Mapping[str, Any] | None) -> Iterator[Check]:
    """Yield an answer for each peer; listing is what a running daemon says of them, or None."""
    known = {peer["name"]: peer for peer in listing["peers"]} if listing else {}
    yield asked("certificate", partial(_own_certificate, config))
    yield asked("trust", partial(_trust, config))
    try:
        trusted = all_trusted(config, read(config.node.state))
    except ConfigError:
        return  # said by the check before
    seen: dict[str, int | None] = {}
    taker = None
    if Role.OFFLOAD in config.node.roles and config.destinations:
        aimed = aim(config.destinations[0].peer, trusted)
        taker = aimed.peer
        said = f"{taker.name} takes the rolls." if taker else aimed.problem
        name = f"destination {config.destinations[0].name}"
        yield Check(name, taker is not None, said, aimed.remedy)
    elif not trusted:
        yield Check(
            "peers", False, f"No box is paired with this one: {_lacks(config)}.", PAIR_REMEDY
        )
    for peer in trusted:
        name = f"peer {peer.name}"
        is_called = peer is taker or Role.EDITORIAL in config.node.roles
        if is_called or (peer.is_pinned and peer.address):
            yield asked(name, partial(_peer, config, peer, known, seen, takes=peer is taker))
        else:
            yield caller_check(known.get(peer.name), name)
        ends = _said_end(known.get(peer.name)) or seen.get(peer.name)
        if ends is not None and is_ending(ends, _utc_ms()):
            yield _ending(f"certificate of {peer.name}", ends)


def _lacks(config: Config) -> str:
    """Say what a box that trusts nobody cannot do; nothing of what it is for works alone."""
    roles = config.node.roles
    lacks = []
    if Role.PROCESSING in roles:
        lacks.append("nobody may bring it rolls")
    if Role.EDITORIAL in roles:
        lacks.append("there is nobody to fetch from")
    return " and ".join(lacks) or "nobody takes its rolls"


def _own_certificate(config: Config) -> Check:
    ends = Identity.load_or_make(config.node.state, config.node.name, _utc_ms()).ends_utc_ms
    if is_ending(ends, _utc_ms()):
        return _ending("certificate", ends)
    return Check("certificate", True, f"The one of this box ends on {_date(ends)}.")


def _ending(name: str, ends_utc_ms: int) -> Check:
    return Check(name, False, f"It ends on {_date(ends_utc_ms)}; then nobody talks.", RENEWAL)


def _date(utc_ms: int) -> str:
    return rfc3339(utc_ms)[:10]


def _said_end(said: Mapping[str, Any] | None) -> int | None:
    """Return when a peer's certificate ends, as the running daemon has seen it."""
    moment = (said or {}).get("certificate_ends_at")
    return None if moment is None else round(datetime.fromisoformat(moment).timestamp() * 1000)


def _trust(config: Config) -> Check:
    """Look whether the list of paired boxes can be used."""
    paired = read(config.node.state)
    all_trusted(config, paired)
    kept = broken_ones(config.node.state)
    if kept:
        message = f"A list of paired boxes could not be read and was kept as {kept[-1]}."
        remedy = "Pair the boxes that are missing in `syncd peers`, then move that file away."
        return Check("trust", False, message, remedy)
    message = f"{len(paired)} paired, {len(config.peers)} pinned in the configuration."
    without = [peer.name for peer in config.peers if peer.roles == frozenset(Role)]
    if without:
        message += f" For every role: {', '.join(without)}; [[peer]] roles says less."
    return Check("trust", True, message)


def _peer(
    config: Config,
    peer: TrustedPeer,
    known: Mapping[str, Any],
    seen: dict[str, int | None],
    *,
    takes: bool,
) -> Check:
    name = f"peer {peer.name}"
    addresses = _addresses(peer, known)
    if not addresses:
        remedy = "Start the daemon, which looks for it, or give the [[peer]] an address."
        return Check(name, False, "Nobody has said where it is.", remedy)
    started_s = time.monotonic()
    answer = asyncio.run(_greet(config, peer, addresses, seen))
    took_ms = (time.monotonic() - started_s) * 1000
    # Its clock was read somewhere within the exchange; the middle is the best guess.
    ahead_ms = answer.utc_ms - (_utc_ms() - took_ms / 2)
    return _judge(name, answer, takes=takes, ahead_ms=round(ahead_ms), slack_ms=took_ms / 2)


def caller_check(heard: Mapping[str, Any] | None, name: str) -> Check:
    """Judge a peer that calls this box, and listens for nobody; heard is what the daemon says."""
    if heard is None:
        return Check(name, True, "It calls this box; whether it does, the running daemon can tell.")
    if heard["present"]:
        return Check(name, True, "It calls this box, and was heard just now.")
    last = heard["last_heard_at"]
    remedy = "Run `syncd check` there: that box calls this one."
    if last:
        return Check(name, False, f"It was last heard at {last}.", remedy)
    return Check(name, False, "It has not called since the start.", f"{remedy} {ONE_SIDED}")


def _judge(name: str, answer: HelloAnswer, *, takes: bool, ahead_ms: int, slack_ms: float) -> Check:
    word = "ahead" if ahead_ms >= 0 else "behind"
    message = f"It answers as {answer.node}, its clock {abs(ahead_ms) / 1000:.1f} s {word}."
    if abs(ahead_ms) - slack_ms > CLOCK_MS_MAX:
        return Check(name, False, message, "Set both clocks, best by NTP.")
    if takes and answer.storage:
        message += f" It takes no rolls: {answer.storage}"
        return Check(name, False, message, "Run `syncd check` there.")
    if answer.version != __version__:
        message += f" It has version {answer.version}, this box {__version__}."
        return Check(name, False, message, "Install the same version on both boxes.")
    return Check(name, True, message)


def _addresses(peer: TrustedPeer, known: Mapping[str, Any]) -> list[Address]:
    found: list[Address] = []
    if peer.address is not None:
        found.append(peer.address)
    said = (known.get(peer.name) or {}).get("address")
    if said:
        heard = read_address(said)
        found.append((heard.host, heard.port))
    return list(dict.fromkeys(found))


async def _greet(
    config: Config, peer: TrustedPeer, addresses: list[Address], seen: dict[str, int | None]
) -> HelloAnswer:
    """Return its answer, and note when its certificate ends.

    Raises PeerUnreachableError, PeerRefusedError or ConfigError.
    """
    node = config.node
    identity = Identity.load_or_make(node.state, node.name, _utc_ms())
    client = PeerClient(
        peer.name,
        lambda: addresses,
        identity,
        peer.fingerprint,
        RealClock(),
        seen_end=lambda ends: seen.update({peer.name: ends}),
    )
    try:
        roles = tuple(sorted(role.value for role in node.roles))
        hello = Hello(node=node.name, roles=roles, version=__version__, utc_ms=_utc_ms())
        answer = await client.ask(hello)
    finally:
        await client.close()
    assert isinstance(answer, HelloAnswer), "the client checks the kind of an answer"
    return answer


def _utc_ms() -> int:
    return time.time_ns() // 1_000_000
