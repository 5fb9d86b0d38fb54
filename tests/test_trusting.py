"""How a running node begins and ceases to trust a box, and what the config has to say in it."""

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from syncd.config import parse
from syncd.config.shapes import Config
from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.edges.threads import ThreadLines
from syncd.errors import ConfigError, NotPossibleError, SyncdError, UsageError
from syncd.ports import Ports
from syncd.trusting import Trusting, all_trusted, find, pinned
from syncd.wire.peers import PeerBook, TrustedPeer
from syncd.wire.trust_store import TrustStore, read

A, B, C, OWN = (f"sha256:{digit * 64}" for digit in "abc0")
PROCESS = TrustedPeer("process-1", A, roles=frozenset({"processing"}), paired_at_utc_ms=1)
EDIT = TrustedPeer("edit-1", B, roles=frozenset({"editorial"}), paired_at_utc_ms=2)


def config(*peers: str) -> Config:
    """Return an editorial box's configuration with peers as they are."""
    node = '[node]\nname = "offload-1"\nroles = ["editorial"]\nstate = "/var/lib/syncd"\n'
    return parse("\n".join((node, *peers)).encode(), "test.toml")


def pin(name: str, fingerprint: str, more: str = "") -> str:
    """Return a [[peer]]."""
    return f'[[peer]]\nname = "{name}"\nfingerprint = "{fingerprint}"\n{more}\n'


class Scene:
    """One box's store, book, and what was told to its parts, in order."""

    def __init__(self, state: Path, disk: RealDisk, *pins: str) -> None:
        self.state = state
        self.told: list[str] = []
        self.clock = RealClock()
        hand = pinned(config(*pins))
        self.store = TrustStore.load(state, 0)
        self.book = PeerBook(OWN, hand)
        self.trusting = Trusting(
            self.store,
            self.book,
            Ports(clock=self.clock, chance=SystemChance(), disk=disk, lines=ThreadLines()),
            hand,
            own_name="offload-1",
            took_up=lambda peer: self.tell("took up", peer),
            let_go=lambda peer: self.tell("let go", peer),
        )

    def tell(self, what: str, peer: TrustedPeer) -> None:
        trusted = self.book.trusted_by_fingerprint(peer.fingerprint) is not None
        kept = peer in read(self.state)
        self.told.append(f"{what} {peer.name}: {trusted}, {kept}")


@pytest.fixture
def disk() -> Iterator[RealDisk]:
    """Give a real disk."""
    disk = RealDisk()
    yield disk
    disk.close()


async def test_a_box_is_durable_before_it_is_trusted_and_cut_before_it_is_forgotten(
    tmp_path: Path, disk: RealDisk
) -> None:
    """So that no loss of power, and no full disk, leaves more trust than a person gave."""
    scene = Scene(tmp_path, disk)
    await scene.trusting.trust(PROCESS)
    assert scene.told == ["took up process-1: True, True"]

    await scene.trusting.forget("process-1")
    assert scene.told[1:] == ["let go process-1: False, True"]
    assert read(tmp_path) == ()


async def test_a_store_that_cannot_be_written_lets_nobody_in_and_keeps_nobody_in(
    tmp_path: Path, disk: RealDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Trust needs the disk; the end of it does not, and says what is left to do."""
    scene = Scene(tmp_path, disk)
    await scene.trusting.trust(PROCESS)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("syncd.wire.trust_store.replace_private", full)
    with pytest.raises(SyncdError) as unpaired:
        await scene.trusting.trust(EDIT)
    assert "edit-1 is not paired with this box" in unpaired.value.problem
    assert "Nothing was moved" not in unpaired.value.remedy
    assert "trusts this box already" not in unpaired.value.remedy
    with pytest.raises(SyncdError) as unpaired:
        await scene.trusting.trust(EDIT, trusts_us=True)
    assert "edit-1 trusts this box already" in unpaired.value.remedy
    assert scene.book.trusted_by_name("edit-1") is None
    with pytest.raises(SyncdError) as caught:
        await scene.trusting.forget("process-1")
    assert "process-1: cut now; trusted again after a start" in caught.value.problem
    assert "Make room" in caught.value.remedy
    assert "tried again by itself" in caught.value.remedy
    assert caught.value.exit_code == 75
    assert scene.trusting.problem() == (caught.value.problem, caught.value.remedy)
    assert scene.book.trusted_by_name("process-1") is None
    assert scene.told[-1].startswith("let go process-1")
    assert read(tmp_path) == (PROCESS,)
    monkeypatch.undo()
    await scene.trusting.forget("process-1")  # by hand, too; see the next test
    assert read(tmp_path) == ()
    assert scene.trusting.problem() == ("", "")


async def test_what_was_forgotten_on_a_full_disk_is_tried_again_until_it_is_kept(
    tmp_path: Path,
    disk: RealDisk,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A start after that must not trust it again; the log does not grow by each try."""
    monkeypatch.setattr("syncd.trusting.KEEP_EVERY_S", 0.01)
    scene = Scene(tmp_path, disk)
    await scene.trusting.trust(PROCESS)
    tries = 0

    def full(*_: object) -> None:
        nonlocal tries
        tries += 1
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("syncd.wire.trust_store.replace_private", full)
        with pytest.raises(SyncdError):
            await scene.trusting.forget("process-1")
        running = asyncio.create_task(scene.trusting.run(), name="trusting")
        async with asyncio.timeout(20):
            while tries < 5:
                await scene.clock.sleep(0.01)
        assert scene.trusting.problem()[0]
        assert sum(record.levelname == "WARNING" for record in caplog.records) == 1
    async with asyncio.timeout(20):
        while scene.trusting.problem()[0]:
            await scene.clock.sleep(0.01)
    running.cancel()
    await asyncio.wait([running])
    assert read(tmp_path) == ()


async def test_a_box_set_up_anew_is_paired_although_forgetting_the_old_one_was_not_kept(
    tmp_path: Path, disk: RealDisk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The list must not have one name twice, or it cannot be read at the next start."""
    scene = Scene(tmp_path, disk)
    await scene.trusting.trust(PROCESS)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("syncd.wire.trust_store.replace_private", full)
        with pytest.raises(SyncdError):
            await scene.trusting.forget("process-1")
    anew = replace(PROCESS, fingerprint=C)
    await scene.trusting.trust(anew)
    assert read(tmp_path) == (anew,)
    assert scene.trusting.problem() == ("", "")


async def test_a_second_box_of_a_name_is_refused_until_the_first_is_forgotten(
    tmp_path: Path, disk: RealDisk
) -> None:
    """A box that was set up anew has a new certificate; so has one that only says so."""
    scene = Scene(tmp_path, disk, pin("edit-1", B))
    await scene.trusting.trust(PROCESS)
    anew = TrustedPeer("process-1", C, paired_at_utc_ms=3)
    with pytest.raises(NotPossibleError) as caught:
        await scene.trusting.trust(anew)
    assert "syncd peers forget process-1" in caught.value.remedy
    with pytest.raises(NotPossibleError) as caught:
        await scene.trusting.trust(TrustedPeer("edit-1", C))
    assert "[[peer]]" in caught.value.remedy
    with pytest.raises(NotPossibleError) as caught:
        await scene.trusting.trust(TrustedPeer("offload-1", C))
    assert "node.name" in caught.value.remedy

    await scene.trusting.forget("process-1")
    await scene.trusting.trust(anew)
    assert read(tmp_path) == (anew,)


@pytest.mark.parametrize(
    ("change", "is_cut"),
    [
        ({"name": "process-9"}, True),
        ({"roles": frozenset({"editorial"})}, True),
        ({"address": ("10.20.0.9", 8840), "paired_at_utc_ms": 9}, False),
    ],
)
async def test_a_box_that_is_paired_anew_is_known_as_it_is_now(
    tmp_path: Path, disk: RealDisk, change: dict[str, Any], is_cut: bool
) -> None:
    """What it had open under another name, or with other roles, ends; there is one entry of it."""
    scene = Scene(tmp_path, disk)
    await scene.trusting.trust(PROCESS)
    anew = replace(PROCESS, **change)
    await scene.trusting.trust(anew)
    assert scene.book.all_trusted() == read(tmp_path) == (anew,)
    assert any(line.startswith("let go process-1: False") for line in scene.told) is is_cut
    assert scene.told[-1] == f"took up {anew.name}: True, True"


async def test_what_the_config_pins_no_command_changes(tmp_path: Path, disk: RealDisk) -> None:
    """Neither by pairing it, with other roles, nor by forgetting it."""
    scene = Scene(tmp_path, disk, pin("edit-1", B, 'roles = ["offload"]'))
    await scene.trusting.trust(EDIT)
    known = scene.book.trusted_by_name("edit-1")
    assert known is not None
    assert known.roles == {"offload"}
    assert read(tmp_path) == ()
    with pytest.raises(NotPossibleError) as caught:
        await scene.trusting.forget("edit-1")
    assert "[[peer]]" in caught.value.remedy
    assert scene.book.trusted_by_name("edit-1") is known


def test_a_pin_and_a_paired_box_of_one_name_are_told_apart_by_a_person() -> None:
    """Syncd does not choose between two certificates; the same one twice is no matter."""
    assert all_trusted(config(pin("process-1", A)), [PROCESS, EDIT])[1:] == (EDIT,)
    with pytest.raises(ConfigError) as caught:
        all_trusted(config(pin("process-1", C)), [PROCESS])
    assert "syncd peers forget process-1" in caught.value.remedy
    assert find("process-1", pinned(config(pin("process-1", C))), [PROCESS]) is PROCESS


def test_a_pin_without_roles_may_do_all_and_one_with_roles_no_more() -> None:
    """As README says of [[peer]]."""
    (every,) = pinned(config(pin("process-1", A)))
    (some,) = pinned(config(pin("process-1", A, 'roles = ["editorial"]')))
    assert every.roles == {"offload", "processing", "editorial"}
    assert some.roles == {"editorial"}
    with pytest.raises(ConfigError):
        config(pin("process-1", A, "roles = []"))


@pytest.mark.parametrize("text", ["edit-1", B, B.upper(), "bbbbbb", "sha256:bbbbbb"])
def test_a_box_is_named_by_name_or_fingerprint(text: str) -> None:
    """Whatever `syncd peers` shows of it."""
    assert find(text, (), [PROCESS, EDIT]) is EDIT


def test_what_names_nobody_or_several_is_refused() -> None:
    """Nobody is forgotten by guess."""
    with pytest.raises(NotPossibleError):
        find("bbbbb", (), [PROCESS, EDIT])
    twin = TrustedPeer("edit-2", "sha256:" + "b" * 63 + "c")
    with pytest.raises(UsageError):
        find("bbbbbbbb", (), [EDIT, twin])
