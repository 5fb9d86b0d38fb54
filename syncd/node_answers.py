"""What a running node answers to its board and its commands.

Owns: the answers that need more than the journal: peers, fetching, status, counters.
Must not: know HTTP; see board/. What needs only the journal is in board/answers.py.
"""

from dataclasses import replace
from functools import partial
from pathlib import PurePath

from syncd import __version__
from syncd.board.answers import JournalAnswers, find_one
from syncd.board.astray import gone_problem, told_put_away, waits_of
from syncd.board.facade import Plain, Sample
from syncd.board.held import held_problem
from syncd.config.shapes import DestinationConfig
from syncd.errors import NotPossibleError, UsageError
from syncd.handoff.presence import NOT_PAIRED
from syncd.journal import rolls
from syncd.journal.journal import JournalError
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import DEAD_AFTER_S
from syncd.moments import rfc3339
from syncd.pairing import Pairing
from syncd.parts import Parts
from syncd.roll.names import printable
from syncd.speed.measuring import Measuring
from syncd.storage.rechecking import Rechecking
from syncd.storage.troubles import why
from syncd.trusting import Trusting
from syncd.wire.identity import Identity
from syncd.wire.peers import PeerBook, address_text
from syncd.wire.pulse import ONE_SIDED, PAIR_REMEDY


class NodeAnswers(JournalAnswers):
    """A NodeFacade over the parts of one node.

    problems: tells what is wrong with the watching of folders, in sentences.
    """

    def __init__(
        self,
        parts: Parts,
        book: PeerBook,
        identity: Identity,
        control_port: int,
        *,
        trusting: Trusting,
        pairing: Pairing,
        measuring: Measuring,
    ) -> None:
        super().__init__(
            parts.journal,
            clock=parts.ports.clock,
            disk=parts.ports.disk,
            destinations=parts.config.destinations,
        )
        self._parts = parts
        self._book = book
        self._identity = identity
        self._control_port = control_port
        self._trusting = trusting
        self._pairing = pairing
        self._measuring = measuring
        self._started_s = parts.ports.clock.monotonic_s()
        self._started_utc_ms = parts.ports.clock.utc_ms()

    async def peers(self) -> Plain:
        """Return who we are and whom we know, as `syncd peers --json` prints it."""
        control = self._parts.config.node.control
        addresses = [address_text((control.host, self._control_port))] if self._control_port else []
        return {
            "own": {
                "name": self._identity.name,
                "fingerprint": self._identity.fingerprint,
                "addresses": addresses,
                "certificate_ends_at": rfc3339(self._identity.ends_utc_ms),
            },
            "peers": [self._with_trouble(row) for row in self._book.listing(self._clock.utc_ms())],
        }

    async def show_code(self) -> Plain:
        """Show a new pairing code."""
        return self._pairing.open()

    async def code_shown(self, number: int, wait_s: float) -> Plain:
        """Return what has become of a code."""
        return await self._pairing.wait(number, wait_s)

    async def hide_code(self, number: int) -> Plain:
        """Show a code no longer."""
        return self._pairing.close(number)

    async def type_code(self, code: str, with_: str) -> Plain:
        """Type a code to the box that shows it, and pair with that box."""
        return {"peer": await self._pairing.join(code, with_)}

    async def forget_peer(self, text: str) -> Plain:
        """Trust a paired box no longer and cut it off; return who it was."""
        peer = await self._trusting.forget(text)
        return {"name": peer.name, "fingerprint": peer.fingerprint}

    async def measure(self, seconds: float, total_bytes: int) -> Plain:
        """Begin to measure how fast a hand-off can be."""
        return await self._measuring.start(seconds, total_bytes)

    async def measured(self, number: int, wait_s: float) -> Plain:
        """Return how far a measuring is."""
        return await self._measuring.wait(number, wait_s)

    async def measure_no_more(self, number: int) -> Plain:
        """End a measuring."""
        return self._measuring.close(number)

    def destinations(self) -> list[DestinationConfig]:
        """Return where rolls go; one that names no box, with the one that takes them now."""
        taker = self._parts.taker()
        return [replace(each, peer=each.peer or taker) for each in super().destinations()]

    def waits(self, row: RollRow) -> dict[str, str] | None:
        """Return what a roll waits for: a peer that is away, a storage that does not write."""
        rechecking = self._parts.rechecking
        missing = rechecking.missing.get(row.roll_id) if rechecking is not None else None
        if (gone := waits_of(row, missing)) is not None:
            return gone
        trouble = self._parts.presence.waits(row)
        if trouble is None:
            return None
        return {"code": trouble.code, "message": trouble.message, "remedy": trouble.remedy}

    def _with_trouble(self, row: Plain) -> Plain:
        """Add what is wrong with a peer. A clock that was set back makes nobody present."""
        trouble = self._parts.presence.peers().get(row["name"]) if row["trusted"] else None
        problem, remedy = (trouble.message, trouble.remedy) if trouble else self._unheard(row)
        return row | {
            "present": row["trusted"] and self._parts.hears(row["name"]),
            "problem": problem,
            "remedy": remedy,
        }

    def _unheard(self, row: Plain) -> tuple[str, str]:
        """Tell of a box that is to call this one, and has not since it was paired in this run.

        It may not know that it is paired: the connection broke right after this box had kept it.
        """
        peer = self._book.trusted_by_fingerprint(row["fingerprint"])
        if peer is None or peer.paired_at_utc_ms is None or row["last_heard_at"] is not None:
            return "", ""
        since_ms = self._clock.utc_ms() - peer.paired_at_utc_ms
        is_of_this_run = peer.paired_at_utc_ms >= self._started_utc_ms
        is_caller = self._parts.area is not None and peer.name not in self._parts.pulses
        if not is_of_this_run or not is_caller or since_ms <= DEAD_AFTER_S * 1000:
            return "", ""
        return f"{peer.name} has not called since it was paired with this box.", ONE_SIDED

    async def go(self, text: str | None) -> int:
        """Let the roll, or everything, go on; what lies on a landing is looked at before it moves.

        A person says so because something was put right there, and it may have given no event.
        """
        hastened = await super().go(text)
        if text is None:
            for landing in self._parts.landings:
                landing.look_again()
            return hastened
        row = await self._read(lambda db: find_one(db, text))
        if row.origin is Origin.LANDING and row.source_path:
            self._parts.look_at_source(row.source_path)
        return hastened

    async def fetch(self, text: str, to: str) -> Plain:
        """Begin to fetch a roll. Raises NotPossibleError if this box, or the folder, cannot."""
        if self._parts.fetching is None:
            raise NotPossibleError(
                f"{self._identity.name} does not fetch rolls.",
                remedy='Add "editorial" to node.roles, or run this on the editorial box.',
            )
        if not PurePath(to).is_absolute():
            raise UsageError(f"{to!r} is not an absolute folder.", remedy="Name it in full.")
        await self._disk.aside(self._see_folder, to)
        roll_id = await self._parts.fetching.start(text, to)
        return next(fetch for fetch in await self.fetches() if fetch["id"] == roll_id)

    def _see_folder(self, path: str) -> None:
        """Raise NotPossibleError if nothing can be fetched into a folder as it is now."""
        try:
            self._disk.open_folder(path).close()
        except OSError as error:
            raise NotPossibleError(
                f"The folder {printable(path)} cannot be fetched into: {why(error)}.",
                remedy="Make it, or mount what it is to lie on, and fetch again.",
            ) from error

    async def status(self) -> Plain:
        """Return how the node is."""
        clock = self._parts.ports.clock
        return {
            "node": self._identity.name,
            "roles": sorted(role.value for role in self._parts.config.node.roles),
            "version": __version__,
            "uptime_s": round(clock.monotonic_s() - self._started_s, 3),
            "paused": await self._is_paused(),
            "checks": [*self._trust_checks(), *await self._checks()],
        }

    def _trust_checks(self) -> list[Plain]:
        """Tell who was forgotten without that being kept; nothing if all is as the file says."""
        problem, remedy = self._trusting.problem()
        return [_check("trust", problem, remedy)] if problem else []

    async def _is_paused(self) -> bool:
        """Tell whether everything waits; how the node is can be asked without a journal, too."""
        try:
            return await self.is_paused()
        except JournalError:
            return False

    async def _checks(self) -> list[Plain]:
        checks = [_check("journal", self._parts.journal.problem), await self._held_check()]
        if self._parts.area is not None:
            trouble = await self._disk.aside(self._parts.area.trouble)
            said = (trouble.problem, trouble.remedy) if trouble is not None else ("", "")
            checks.append(_check("storage", *said))
        checks += await self._published_check(self._parts.rechecking)
        if self._parts.rechecking is not None:
            problem, remedy = self._parts.desk.door.told()
            checks += [_lines("offers", problem, remedy)] if problem else []
        for peer, told in self._parts.desk.refusals.told().items():
            checks.append(_fine(f"refused {peer}", told))  # nothing is wrong here: it was refused
        for peer, told in self._parts.unsealed.told().items():
            checks.append(_fine(f"clear {peer}", told))  # either way it is a person's choice
        if self._parts.adopting is not None:
            adopting = self._parts.adopting
            checks.append(_check("incoming", adopting.problem()))
            untaken = adopting.untaken
            checks.append(_check("take-up", untaken.problem(), untaken.remedy()))
            if adopting.progress():
                checks.append(_fine("read-back", adopting.progress()))
        checks += [
            _check(f"notice {name}", problem, self._notice_remedy(name) if problem else "")
            for name, problem in self._parts.relay.problems().items()
        ]
        troubles = self._parts.presence.troubles()
        if self._parts.handover is not None and not troubles:
            handover = self._parts.handover
            checks.append(_check(f"destination {handover.peer}", handover.problem))
        about = dict.fromkeys(f"peer {name}" for name in self._parts.presence.peers())
        checks += [_check(name, "") for name in about if name not in {t.key for t in troubles}]
        checks += [_check(trouble.key, trouble.message, trouble.remedy) for trouble in troubles]
        checks += await self._unpaired_checks()
        checks += [
            _check(f"landing {landing.root}", " ".join(landing.problems()))
            for landing in self._parts.landings
        ]
        return checks

    async def _held_check(self) -> Plain:
        try:
            return _lines("rolls", *held_problem(await self.listed()))
        except JournalError:
            return _check("rolls", "")  # what is wrong with the journal is another check

    def _notice_remedy(self, name: str) -> str:
        return _GONE_REMEDY if self._parts.relay.is_gone(name) else _NOTICE_REMEDY

    async def _unpaired_checks(self) -> list[Plain]:
        """Tell of boxes that were forgotten, and bring rolls that are not whole yet."""
        try:
            rows = await self._read(partial(rolls.unfinished, origin=Origin.PEER))
        except JournalError:
            return []  # what is wrong with the journal is another check
        brought: dict[str, list[str]] = {}
        for row in rows:
            trouble = self._parts.presence.waits(row)
            if trouble is not None and trouble.code == NOT_PAIRED:
                brought.setdefault(trouble.peer, []).append(row.name)
        return [
            _check(
                f"peer {peer}",
                f"{peer}, which brings {', '.join(names)}, is not paired with this box any more.",
                PAIR_REMEDY,
            )
            for peer, names in brought.items()
        ]

    async def _published_check(self, rechecking: Rechecking | None) -> list[Plain]:
        """Tell of published rolls that are wrong, and of those that are gone; on both boxes."""
        try:
            rows = await self.listed()
            wrong = (
                await self._disk.aside(rechecking.problem) if rechecking is not None else ("", "")
            )
        except JournalError:
            return []  # what is wrong with the journal is another check
        problems = [each for each in (wrong, gone_problem(rows)) if each[0]]
        away = told_put_away(rows)
        if problems:
            said, remedies = zip(*problems, strict=True)
            return [_lines("published", "\n".join(said), " ".join(remedies))]
        if away or rechecking is not None:
            return [_fine("published", away or "fine")]
        return []

    async def metrics(self) -> list[Sample]:
        """Return counters of bytes beside what the journal can count."""
        samples = await self.roll_metrics()
        sent = [self._parts.stats]
        resent = 0
        if self._parts.handover is not None:
            sent.append(self._parts.handover.stats)
            resent = self._parts.handover.feed.resent_bytes()
        if self._parts.fetching is not None:
            sent.append(self._parts.fetching.stats)
        return [
            *samples,
            Sample(
                "syncd_sent_bytes_total",
                sum(stats.sent_bytes for stats in sent),
                "Bytes sent on lanes, seals and headers included.",
                "counter",
            ),
            Sample(
                "syncd_payload_bytes_total",
                sum(stats.payload_bytes for stats in sent),
                "Bytes of files sent on lanes.",
                "counter",
            ),
            Sample(
                "syncd_resent_bytes_total",
                resent,
                "Bytes of parcels sent again because a lane was lost before they were confirmed.",
                "counter",
            ),
        ]


_NOTICE_REMEDY = (
    "See whether it is there and takes notices. It is tried again by itself, and at once by "
    "`syncd go`. If its [[notice]] is wrong, correct it or take it out, and start syncd anew."
)

_GONE_REMEDY = (
    "It is not tried again before syncd is started anew. If it is to be told, put the receiver "
    "or its [[notice]] right, and start syncd anew; if not, take its [[notice]] out."
)


def _fine(name: str, message: str) -> Plain:
    return {"name": name, "ok": True, "message": message, "remedy": ""}


def _check(name: str, problem: str, remedy: str = "") -> Plain:
    """Return a check whose message is one line, whatever names are in it."""
    return _lines(name, printable(problem), printable(remedy))


def _lines(name: str, problem: str, remedy: str = "") -> Plain:
    return {"name": name, "ok": not problem, "message": problem or "fine", "remedy": remedy}
