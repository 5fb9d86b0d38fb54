"""Which box a typed code is meant for: the only one that says that it shows one, or the named."""

import asyncio
from collections.abc import Sequence
from pathlib import Path

import pytest

from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.edges.threads import ThreadLines
from syncd.errors import NotPossibleError, SyncdError, UsageError
from syncd.pairing import LOOK_FOR_S, Pairing, Ready
from syncd.ports import Ports
from syncd.trusting import Trusting
from syncd.wire.announcement import (
    SERVICE_TYPE,
    Announcement,
    instance_name,
    read_announcement,
    txt_record,
)
from syncd.wire.pairing import PairingError, Party, WrongCodeError
from syncd.wire.pairing_code import CODE_VALID_S, TRIES
from syncd.wire.peers import Address, PeerBook
from syncd.wire.trust_store import TrustStore, read
from syncd.wire.typed_times import FILE_NAME as TRIED
from syncd.wire.typed_times import TypedTimes
from tests.faults.virtual_time import run_simulated
from tests.faults.world import SimClock

OWN, PROCESS, OTHER = (f"sha256:{digit * 64}" for digit in "abc")
HERE: Address = ("10.20.0.2", 8840)
THERE: Address = ("10.20.0.3", 8840)


class NoThread(RealDisk):
    """Does its work at once: there is no thread in simulated time."""

    async def aside(self, work, *args):  # type: ignore[no-untyped-def]
        return work(*args)


class Scene:
    """offload-1, on which a code is typed, and what it hears of others."""

    def __init__(self, state: Path, *, discovers: bool = True) -> None:
        self.state = state
        self.book = PeerBook(OWN)
        self.dialled: list[Address] = []
        self.has_prepared: list[bool] = []
        self.problem: SyncdError | TimeoutError | None = None
        disk = NoThread()
        ports = Ports(clock=SimClock(), chance=SystemChance(), disk=disk, lines=ThreadLines())
        trusting = Trusting(
            TrustStore(state),
            self.book,
            ports,
            (),
            own_name="offload-1",
            took_up=lambda _: None,
            let_go=lambda _: None,
        )
        own = Party("offload-1", OWN, ("offload",), 8840)
        self.pairing = Pairing(
            self.book, trusting, ports, own=lambda: own, dial=self._dial, tried=TypedTimes(state)
        )
        self.pairing.announce = (lambda _: None) if discovers else None

    async def _dial(
        self, addresses: Sequence[Address], code: str, ready: Ready
    ) -> tuple[Party, Address]:
        assert code == "482913"
        self.dialled += addresses
        party = Party("process-1", PROCESS, ("processing",), 8840)
        await ready(party, addresses[0])
        self.has_prepared.append(bool(list(self.state.iterdir())))
        if self.problem is not None:
            raise self.problem
        return party, addresses[0]

    def hears(self, name: str, fingerprint: str, at: Address, *, is_pairing: bool) -> None:
        """Hear an announcement."""
        said = Announcement(fingerprint, name, ("processing",), is_pairing=is_pairing)
        self.book.found(said, [at])

    def types(self, with_: str = "") -> str:
        """Type the code; return the name of the box that it pairs with."""
        return str(run_simulated(self.pairing.join("482 913", with_), limit_s=60)["name"])


def test_the_only_box_that_shows_a_code_is_meant(tmp_path: Path) -> None:
    """Others may be there, and say nothing of a code."""
    scene = Scene(tmp_path)
    scene.hears("edit-1", OTHER, THERE, is_pairing=False)
    scene.hears("process-1", PROCESS, HERE, is_pairing=True)
    assert scene.types() == "process-1"
    assert scene.dialled == [HERE]
    (kept,) = read(tmp_path)
    assert (kept.name, kept.address, sorted(kept.roles)) == ("process-1", HERE, ["processing"])


def test_one_that_says_so_a_little_later_is_waited_for(tmp_path: Path) -> None:
    """The announcement may be on its way when the code is typed."""
    scene = Scene(tmp_path)

    async def typed() -> None:
        joining = asyncio.create_task(scene.pairing.join("482913", ""), name="join")
        await asyncio.sleep(LOOK_FOR_S - 1)
        scene.hears("process-1", PROCESS, HERE, is_pairing=True)
        await joining

    run_simulated(typed(), limit_s=60)
    assert scene.dialled == [HERE]


def test_of_several_none_is_asked_and_they_are_named(tmp_path: Path) -> None:
    """Also a second one that is heard only after the first: somebody may pretend."""
    scene = Scene(tmp_path)
    scene.hears("process-1", PROCESS, HERE, is_pairing=True)

    async def typed() -> None:
        joining = asyncio.create_task(scene.pairing.join("482913", ""), name="join")
        await asyncio.sleep(0.5)
        scene.hears("process-1", OTHER, THERE, is_pairing=True)
        await joining

    with pytest.raises(UsageError) as caught:
        run_simulated(typed(), limit_s=60)
    assert caught.value.problem.count("process-1") == 2
    assert "--with" in caught.value.remedy
    assert not scene.dialled


@pytest.mark.parametrize(
    ("typed", "dialled"),
    [
        ("process-1", HERE),
        ("10.20.0.9", ("10.20.0.9", 8840)),
        ("10.20.0.9:9000", ("10.20.0.9", 9000)),
        ("fe80::2", ("fe80::2", 8840)),
        ("[fe80::2]:9000", ("fe80::2", 9000)),
        ("process-1.local", ("process-1.local", 8840)),
    ],
)
def test_a_box_is_named_or_its_address_is_typed(
    tmp_path: Path, typed: str, dialled: Address
) -> None:
    """A name that is announced need not say that it shows a code: it may be an older word."""
    scene = Scene(tmp_path)
    scene.hears("process-1", PROCESS, HERE, is_pairing=False)
    scene.types(typed)
    assert scene.dialled == [dialled]


def test_a_box_that_could_not_be_kept_is_told_nothing_and_one_that_fails_later_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Room for the entry is taken before this box proves anything, and given back."""
    scene = Scene(tmp_path)
    scene.problem = PairingError("The code is wrong.", remedy="Type it again.")
    with pytest.raises(PairingError):
        scene.types("10.20.0.9")
    assert scene.has_prepared == [True]
    assert [each.name for each in tmp_path.iterdir()] == [TRIED]

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    scene.problem = None
    monkeypatch.setattr("syncd.edges.private_file.write_private", full)
    with pytest.raises(SyncdError) as caught:
        scene.types("10.20.0.9")
    assert "has proved nothing to it" in caught.value.problem
    assert "type the code again" in caught.value.remedy
    assert caught.value.exit_code == 75
    assert scene.has_prepared == [True], "it got no further"
    assert read(tmp_path) == ()


def test_a_code_that_nobody_proves_to_know_is_tried_three_times_whatever_is_answered(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Each has given whoever was dialled one guess; the person asks for a new code then."""
    scene = Scene(tmp_path)
    wrong: SyncdError | TimeoutError = WrongCodeError()
    cut: SyncdError | TimeoutError = TimeoutError()
    own_count = ("2 more times", "for a new one", "for a new code")
    for scene.problem, words in zip((wrong, cut, wrong), own_count, strict=True):
        with pytest.raises(PairingError) as caught:
            scene.types("10.20.0.9")
        assert words in caught.value.remedy
    assert len(scene.dialled) == TRIES
    assert caplog.text.count("has not proved to know it") == TRIES
    assert PROCESS in caplog.text
    assert not {"482913", "482 913"} & set(caplog.text.replace(".", " ").split())
    scene.problem = None
    with pytest.raises(PairingError) as caught:
        scene.types("10.20.0.9")
    assert "for a new code" in caught.value.remedy
    assert len(scene.dialled) == TRIES, "it is not even dialled"
    assert read(tmp_path) == ()


def test_a_start_gives_nobody_more_tries_while_a_box_may_show_the_code(tmp_path: Path) -> None:
    """Tries in vain count until no box shows what it showed then; good ones do not."""
    for _ in range(TRIES):
        scene = Scene(tmp_path)  # a start each time
        scene.problem = WrongCodeError()
        with pytest.raises(PairingError):
            scene.types("10.20.0.9")
    scene = Scene(tmp_path)
    with pytest.raises(PairingError) as caught:
        scene.types("10.20.0.9")
    assert "before syncd was started anew" in caught.value.problem
    assert not scene.dialled
    assert b"482913" not in (tmp_path / TRIED).read_bytes()

    async def later() -> None:
        await asyncio.sleep(CODE_VALID_S)
        await scene.pairing.join("482913", "10.20.0.9")

    run_simulated(later(), limit_s=2 * CODE_VALID_S)
    (tmp_path / TRIED).unlink()  # each run has the same simulated day
    for _ in range(2 * TRIES):
        Scene(tmp_path).types("10.20.0.9")


@pytest.mark.parametrize("found", [b"", b"{", b"[[]]", b"[1e999]", b"[" * 4000, b'["x"]', b"null"])
def test_a_file_of_tries_that_cannot_be_read_keeps_nobody_from_pairing(
    tmp_path: Path, found: bytes
) -> None:
    """Whoever may write there is this box."""
    (tmp_path / TRIED).write_bytes(found)
    Scene(tmp_path).types("10.20.0.9")


def test_nobody_is_a_no_with_what_to_do(tmp_path: Path) -> None:
    """After some seconds of looking; at once where nobody is looked for."""
    for discovers in (True, False):
        with pytest.raises(NotPossibleError) as caught:
            Scene(tmp_path, discovers=discovers).types()
        assert "--with ADDRESS" in caught.value.remedy
    with pytest.raises(SyncdError):
        Scene(tmp_path).types("10.20.0.9:99999")


def test_whether_a_code_is_shown_is_announced_and_nothing_of_it() -> None:
    """One letter more in the record; what else stands there is no such word."""
    name = f"{instance_name('process-1', PROCESS)}.{SERVICE_TYPE}"
    for is_pairing in (True, False):
        record = txt_record(PROCESS, ["processing"], is_pairing=is_pairing)
        raw = {key.encode(): value for key, value in record.items()}
        assert read_announcement(name, raw).is_pairing is is_pairing
        assert read_announcement(name, raw | {b"pair": b"yes"}).is_pairing is False
        assert read_announcement(name, raw | {b"pair": None}).is_pairing is False
