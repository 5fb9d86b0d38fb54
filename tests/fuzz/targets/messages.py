"""The control plane's bodies: every question, every answer, and the refusal."""

import dataclasses
from typing import Any

from syncd.errors import UnfitError
from syncd.handoff.outgoing import inventory_of
from syncd.limits import ROLL_PARCELS_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, file_to_plain
from syncd.roll.parcels import ParcelPlan
from syncd.wire import messages as m
from syncd.wire.fields import BadMessage
from tests.fuzz.said import check_moment, check_text
from tests.fuzz.target import Target

KINDS: tuple[type[m.Message], ...] = (
    *m.QUESTIONS.values(),
    *dict.fromkeys(m.ANSWERS.values()),
    m.Refusal,
)
ROLL_ID = "5a17" * 8
FILE = FileEntry("Clips/A012C001.mov", 5, 17, (Digest(Algorithm.XXH64, b"x" * 8),))
OFFER: dict[str, Any] = {
    "roll_id": ROLL_ID, "day": "2026-03-14_D12", "name": "A012", "trust": "evidence",
    "file_count": 1, "total_bytes": 5, "parcel_count": 1, "empty_folders": ["Audio"],
    "needed_by_utc_ms": 1_773_507_600_000, "replaces": [ROLL_ID],
}  # fmt: skip
TIDING = {
    "seq": 1, "notice_id": "n1", "roll_id": ROLL_ID, "kind": "ready", "at_utc_ms": 5,
    "body": {"note": "read back", "data": {"a": [1, 2.5, None, True]}},
}  # fmt: skip
LISTED = {
    "roll_id": ROLL_ID, "day": "d", "name": "A012", "stage": "ready", "total_bytes": 5,
    "file_count": 1,
}  # fmt: skip
# A value for each field by its name, where its kind does not tell one.
VALUES: dict[str, Any] = {
    "trust": "evidence", "roles": ["offload"], "stage": "ready", "code": "storage-full",
    "kind": "wait", "ticket": b"t" * 16, "key": b"k" * 16, "files": None, "head": OFFER,
    "notices": [TIDING], "rolls": [LISTED], "roll_id": ROLL_ID, "more": False, "released": True,
    "purpose": "send", "journal_id": "j1", "body": {}, "wait_s": 1.5, "path": "Clips/A.mov",
    "step": "look", "algorithms": ["md5", "xxh128"],
    "parts": [{"step": "write", "total_bytes": 5, "elapsed_s": 0.5}],
    "cable": {"interface": "enp1s0", "kind": "cable", "mbit": 1000, "mtu": 1500},
    "disk": {"usb_mbit": 480},
}  # fmt: skip


GUESSES: tuple[Any, ...] = ([file_to_plain(FILE)], "", 1, [], b"", True, {}, "wait")


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    kind = KINDS[data[0] % len(KINDS)]
    try:
        message = m.unpack(kind, data[1:])
    except BadMessage as error:
        check_text(ascii(str(error)), length_max=2000)
        return False
    assert m.unpack(kind, m.pack(message)) == message
    for field in dataclasses.fields(message):
        value = getattr(message, field.name)
        if field.name.endswith("utc_ms") and value is not None:
            check_moment(value)
    if isinstance(message, m.InventoryAnswer):
        _check_plan(message)
    return True


def _check_plan(answer: m.InventoryAnswer) -> None:
    """Cut the roll that a peer describes in one message, if that is taken for one."""
    try:
        inventory = inventory_of(answer.head, answer.files)
    except UnfitError as error:
        check_text(ascii(str(error)), length_max=20_000)
        return
    assert ParcelPlan(inventory).count <= ROLL_PARCELS_MAX


def _example(kind: type[m.Message]) -> bytes:
    """Return a body of that kind with every field that a plain guess fills."""
    if kind is m.Offer:
        return m.pack(m.Offer.from_plain(OFFER))
    plain: dict[str, Any] = {}
    for field in dataclasses.fields(kind):
        for guess in (VALUES.get(field.name), *GUESSES):
            try:
                m._schema(kind)[field.name].from_plain(guess)
            except ValueError:
                continue
            plain[field.name] = guess
            break
    return m.pack(kind.from_plain(plain))


def seeds() -> list[bytes]:
    """Return valid examples."""
    return [bytes([number]) + _example(kind) for number, kind in enumerate(KINDS)]


TARGET = Target("messages", one, seeds, prefix_bytes=1, is_packed=True)
