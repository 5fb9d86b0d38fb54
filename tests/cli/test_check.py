"""`syncd check` against real folders, ports and a real peer on loopback."""

import asyncio
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from syncd.cli.checks import Check, asked
from syncd.cli.peer_checks import caller_check
from syncd.edges.clock import RealClock
from syncd.wire.control_server import ControlServer
from syncd.wire.identity import Identity
from syncd.wire.messages import Hello, HelloAnswer, PeerIdentity
from syncd.wire.peers import PeerBook, TrustedPeer
from tests.cli.conftest import Box, Result
from tests.notices.test_signing import SECRET

PROCESSING = """
[node]
name = "process-1"
roles = ["processing", "offload"]
state = "{folder}/state"
control = "127.0.0.1:0"
bulk = "127.0.0.1:{bulk}"
board = "{board}"
[storage]
path = "{folder}/array"
keep_free = "{keep_free}"
[[landing]]
path = "{folder}/landing"
"""
PEER = """
[[peer]]
name = "edit-1"
fingerprint = "{print}"
address = "127.0.0.1:{port}"
"""


DAY_MS = 86_400_000


@pytest.fixture
def check(lonely: Box) -> Callable[..., Result]:
    """Give `syncd check --json` on a box with a storage and a landing."""
    (lonely.folder / "array").mkdir()
    (lonely.folder / "landing" / "2026-03-14_D12" / "A012").mkdir(parents=True)

    def run(*more: str, text: str = "", keep_free: str = "0", bulk: int = 0) -> Result:
        path = lonely.folder / "check.toml"
        own = PROCESSING.format(
            folder=lonely.folder, board=lonely.board, keep_free=keep_free, bulk=bulk
        )
        path.write_text(own + text)
        return lonely.syncd("check", *more, config=path)

    return run


def wrong(result: Result) -> dict[str, dict[str, Any]]:
    """Return the checks that are not ok, by name."""
    return {check["name"]: check for check in result.json["checks"] if not check["ok"]}


def test_a_fresh_box_lacks_its_marker_and_a_peer(
    check: Callable[..., Result], tmp_path: Path
) -> None:
    """And says what to do; --mark writes the one, once, because a person said so."""
    before = check("--json")
    assert before.code == 1
    assert before.json["ok"] is False
    assert list(before.json["checks"][0]) == ["name", "ok", "message", "remedy"]
    assert list(wrong(before)) == ["marker", "peers"]
    assert "syncd check --mark" in wrong(before)["marker"]["remedy"]
    assert not list((tmp_path / "array").iterdir())

    marked = check("--mark", "--json")
    content = (tmp_path / "array" / "syncd-storage.json").read_bytes()
    again = check("--mark", "--json")

    assert (marked.code, again.code) == (0, 0)
    assert again.json["ok"] is True
    assert (tmp_path / "array" / "syncd-storage.json").read_bytes() == content


def test_a_cable_in_clear_is_said_plainly(check: Callable[..., Result]) -> None:
    """Nothing is wrong with it; whoever looks sees who can read what."""
    text = '[[clear]]\npeer = "edit-1"\nnet = "10.20.0.0/24"\n'
    said = {each["name"]: each for each in check("--json", text=text).json["checks"]}
    assert said["clear edit-1"]["ok"] is True
    assert (
        "anyone on the cable 10.20.0.0/24 can read the footage" in said["clear edit-1"]["message"]
    )


def test_marking_does_not_wait_for_what_comes_later(
    check: Callable[..., Result], unused_port: int
) -> None:
    """A peer that does not answer yet is said, and `check --mark && ...` goes on all the same."""
    away = PEER.format(print="sha256:" + "22" * 32, port=unused_port)
    marked = check("--mark", text=away)
    assert marked.code == 0
    assert "later  peer edit-1" in marked.out
    assert check(text=away).code == 1
    assert check("--mark", text=away, keep_free="4000 PB").code == 1


def test_one_failing_check_does_not_stop_the_others(
    check: Callable[..., Result], tmp_path: Path
) -> None:
    """A missing landing, too little space and a taken port are all said in one run."""
    check("--mark")
    (tmp_path / "landing" / "2026-03-14_D12" / "A012").rmdir()
    (tmp_path / "landing" / "2026-03-14_D12").rmdir()
    (tmp_path / "landing").rmdir()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        result = check("--json", keep_free="4000 PB", bulk=taken.getsockname()[1])
    found = wrong(result)
    assert set(found) == {"landing", "space", "port bulk", "peers"}
    assert "node.bulk" in found["port bulk"]["remedy"]
    assert all(each["message"] and each["remedy"] for each in found.values())


HOOK = '[[notice]]\nkind = "webhook"\nurl = "https://hooks.example/hidden"\n'


def test_a_webhooks_secret_is_looked_at_and_not_said(
    check: Callable[..., Result], tmp_path: Path
) -> None:
    """Missing, open to others, no secret; and one that stands in a configuration all may read."""
    file = tmp_path / "webhook.secret"
    by_file = HOOK + f'secret_file = "{file}"\n'
    name = "notice webhook-0"
    assert "No such file" in wrong(check("--json", text=by_file))[name]["message"]

    file.write_text(SECRET)
    file.chmod(0o604)
    assert "Other users may read" in wrong(check("--json", text=by_file))[name]["message"]
    file.chmod(0o640)
    assert name not in wrong(check("--json", text=by_file))
    file.write_text("whsec_x")
    assert "one a line" in wrong(check("--json", text=by_file))[name]["remedy"]

    in_config = HOOK + f'secret = "{SECRET}"\n'
    found = check("--json", text=in_config)
    assert "Other users may read" in wrong(found)[name]["message"]
    assert SECRET[6:] not in found.out + found.err
    assert "hidden" not in found.out + found.err


def test_what_is_wrong_is_marked_with_a_word(check: Callable[..., Result]) -> None:
    """Not by colour alone."""
    result = check()
    assert result.code == 1
    assert "WRONG  marker" in result.out
    assert "ok     state" in result.out


def test_a_configuration_that_cannot_be_read_is_still_one_document(
    lonely: Box, tmp_path: Path
) -> None:
    """A script gets JSON whatever is wrong, and 78."""
    result = lonely.syncd("check", "--json", config=tmp_path / "none.toml")
    assert result.code == 78
    assert [check["name"] for check in result.json["checks"]] == ["config"]


def test_mark_is_for_a_box_with_storage(lonely: Box) -> None:
    """On another one it is a mistake, not a success."""
    assert lonely.syncd("check", "--mark").code == 2


def test_a_check_that_breaks_is_an_answer_too() -> None:
    """Even our own mistake in one of them leaves the others to be asked."""

    def broken() -> Check:
        raise KeyError("oops")

    answer = asked("something", broken)
    assert (answer.name, answer.ok) == ("something", False)
    assert "oops" in answer.message


class _Peer:
    """A peer that answers greetings, its clock ahead by a little."""

    def __init__(self, ahead_ms: int) -> None:
        self._ahead_ms = ahead_ms

    async def check(self, peer: PeerIdentity, kind: Any) -> None:
        """Let everybody ask."""

    async def note_unfit(self, peer: PeerIdentity, asked: str, error: Any) -> None:
        """Write nothing down."""

    async def answer(self, peer: PeerIdentity, question: Any) -> HelloAnswer:
        assert peer.name == "process-1"
        assert isinstance(question, Hello)
        now = time.time_ns() // 1_000_000
        return HelloAnswer(
            node="edit-1",
            roles=("editorial",),
            version="0.1.0",
            utc_ms=now + self._ahead_ms,
            bulk_port=1,
        )


@contextmanager
def peer_on_loopback(
    folder: Path, ahead_ms: int, *, own_days: int = 0, its_days: int = 0
) -> Iterator[str]:
    """Run a real control server that trusts the box; yield the [[peer]] table for it.

    own_days, its_days: how old the certificates of the box and of the peer are.
    """
    now = time.time_ns() // 1_000_000
    own = Identity.load_or_make(folder / "state", "process-1", now - own_days * DAY_MS)
    its = Identity.load_or_make(folder / "its-state", "edit-1", now - its_days * DAY_MS)
    book = PeerBook(its.fingerprint, [TrustedPeer("process-1", own.fingerprint)])
    is_up = threading.Event()
    found: list[tuple[int, asyncio.AbstractEventLoop, asyncio.Event]] = []

    async def serve() -> None:
        end = asyncio.Event()
        async with ControlServer(
            "127.0.0.1", 0, identity=its, book=book, desk=_Peer(ahead_ms), clock=RealClock()
        ) as server:
            found.append((server.port, asyncio.get_running_loop(), end))
            is_up.set()
            await end.wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    assert is_up.wait(10)
    port, loop, end = found[0]
    yield PEER.format(print=its.fingerprint, port=port)
    loop.call_soon_threadsafe(end.set)
    thread.join(10)


def test_a_peer_that_answers_is_fine(check: Callable[..., Result], tmp_path: Path) -> None:
    """Over real TLS, with both fingerprints pinned."""
    check("--mark")
    with peer_on_loopback(tmp_path, ahead_ms=0) as text:
        result = check("--json", text=text)
    assert (result.code, wrong(result)) == (0, {})
    peer = next(each for each in result.json["checks"] if each["name"] == "peer edit-1")
    assert "answers as edit-1" in peer["message"]


@pytest.mark.parametrize(
    ("role", "more", "name", "lacks"),
    [
        (
            "processing",
            '[storage]\npath = "{folder}/array"\n',
            "peers",
            "nobody may bring it rolls",
        ),
        ("editorial", "", "peers", "nobody to fetch from"),
        ("offload", '[[landing]]\npath = "{folder}/landing"\n', "peers", "nobody takes its rolls"),
        (
            "offload",
            '[[landing]]\npath = "{folder}/landing"\n[[destination]]\nname = "shared"\n',
            "destination shared",
            "No processing box is paired",
        ),
    ],
)
def test_a_box_that_is_paired_with_nobody_says_so_and_what_to_do(
    lonely: Box, role: str, more: str, name: str, lacks: str
) -> None:
    """Whatever it is for; once, and not if a person has pinned a box by hand, as it is trusted."""
    for folder in ("array", "landing"):
        (lonely.folder / folder).mkdir()
    text = PROCESSING.partition("[storage]")[0].replace('"processing", "offload"', f'"{role}"')
    text = (text + more).format(folder=lonely.folder, board=lonely.board, bulk=0)
    path = lonely.folder / "alone.toml"
    path.write_text(text)
    alone = wrong(lonely.syncd("check", "--json", config=path))
    assert lacks in alone[name]["message"]
    assert "syncd pair" in alone[name]["remedy"]
    assert len(alone.keys() & {"peers", "destination shared"}) == 1

    path.write_text(text + PEER.format(print="sha256:" + "22" * 32, port=1))
    pinned = wrong(lonely.syncd("check", "--json", config=path))
    assert not pinned.keys() & {"peers", "destination shared"}


def test_a_clock_that_is_off_is_said_with_by_how_much(
    check: Callable[..., Result], tmp_path: Path
) -> None:
    """Ten minutes are ten minutes, whatever the way took."""
    with peer_on_loopback(tmp_path, ahead_ms=600_000) as text:
        found = wrong(check("--json", text=text))["peer edit-1"]
    assert "clock 600.0 s ahead" in found["message"]
    assert "NTP" in found["remedy"]


@pytest.mark.parametrize(
    ("own_days", "its_days", "told"),
    [
        (3653 - 55, 0, "certificate"),
        (0, 3653 - 55, "certificate of edit-1"),
        (3653 - 60, 3653 - 60, None),
    ],
)
def test_a_certificate_that_ends_within_eight_weeks_is_told(
    check: Callable[..., Result], tmp_path: Path, own_days: int, its_days: int, told: str | None
) -> None:
    """Of this box and of the peer, as it shows it; with what to do between two shoots."""
    days = {"own_days": own_days, "its_days": its_days}
    with peer_on_loopback(tmp_path, 0, **days) as text:
        check("--mark", text=text)
        result = check("--json", text=text)
    assert list(wrong(result)) == ([told] if told else [])
    assert result.code == (1 if told else 0)
    if told:
        ends = datetime.now(UTC) + timedelta(days=55)
        assert f"ends on {ends:%Y-%m-%d}" in wrong(result)[told]["message"]
        assert "syncd peers forget" in wrong(result)[told]["remedy"]


def test_a_peer_that_is_away_or_another_is_said(
    check: Callable[..., Result], tmp_path: Path, unused_port: int
) -> None:
    """Nobody there, somebody else there, and nobody knows where: each in its own words."""
    away = PEER.format(print="sha256:" + "22" * 32, port=unused_port)
    found = wrong(check("--json", text=away))["peer edit-1"]
    assert str(unused_port) in found["message"]

    with peer_on_loopback(tmp_path, ahead_ms=0) as text:
        print_ = text.partition('fingerprint = "')[2].partition('"')[0]
        other = text.replace(print_, "sha256:" + "22" * 32)
        assert "peer edit-1" in wrong(check("--json", text=other))

    nowhere = "\n".join(line for line in away.splitlines() if not line.startswith("address"))
    nowhere += '\n[[destination]]\nname = "shared"\npeer = "edit-1"\n'
    found = wrong(check("--json", text=nowhere))["peer edit-1"]
    assert "address" in found["remedy"]


def test_a_peer_that_only_calls_is_not_missed_before_the_daemon_runs(
    check: Callable[..., Result],
) -> None:
    """A box that takes rolls need not know where they come from."""
    caller = PEER.format(print="sha256:" + "22" * 32, port=1)
    check("--mark")
    result = check("--json", text=caller.replace('address = "127.0.0.1:1"', ""))

    assert (result.code, wrong(result)) == (0, {})


def test_a_peer_that_only_calls_is_judged_by_what_the_daemon_heard() -> None:
    """Heard now, heard once, never heard: each in its own words."""
    now = caller_check({"present": True, "last_heard_at": "2026-03-14T19:00:00.000Z"}, "peer")
    once = caller_check({"present": False, "last_heard_at": "2026-03-14T19:00:00.000Z"}, "peer")
    never = caller_check({"present": False, "last_heard_at": None}, "peer")

    assert (now.ok, once.ok, never.ok) == (True, False, False)
    assert "2026-03-14T19:00:00.000Z" in once.message
    assert "not called" in never.message
    assert "pair again" in never.remedy
    assert "pair again" not in once.remedy, "it was there, so both have kept it"
