"""The stages of a roll in order, and the reasons for which one is held.

Owns: the words that scripts and tests rely on. Must not: import anything of ours.
"""

from enum import StrEnum


class Stage(StrEnum):
    """Where a roll is on its way. HELD is shown in place of the stage while a roll is held."""

    ARRIVING = "arriving"
    VERIFIED = "verified"
    MOVING = "moving"
    READING_BACK = "reading-back"
    LANDED = "landed"
    READY = "ready"
    TRANSCODING = "transcoding"
    DAILIES = "dailies"
    FETCHED = "fetched"
    HELD = "held"


STAGE_ORDER: dict[Stage, int] = {
    stage: place for place, stage in enumerate(stage for stage in Stage if stage is not Stage.HELD)
}


def is_before(stage: Stage, other: Stage) -> bool:
    """Tell whether stage comes earlier on a roll's way than other."""
    return STAGE_ORDER[stage] < STAGE_ORDER[other]


class HeldCode(StrEnum):
    """Why a roll is held; stable, scripts rely on it."""

    EVIDENCE_MISMATCH = "evidence-mismatch"
    FILE_MISSING = "file-missing"
    FILE_UNLISTED = "file-unlisted"
    SOURCE_CHANGED = "source-changed"
    SOURCE_UNREADABLE = "source-unreadable"
    NAME_TAKEN = "name-taken"
    NAME_UNSAFE = "name-unsafe"
    STORAGE_ABSENT = "storage-absent"
    STORAGE_FULL = "storage-full"
    STORAGE_ERROR = "storage-error"
    READ_BACK_MISMATCH = "read-back-mismatch"
    PEER_REFUSED = "peer-refused"


SELF_CURING: frozenset[HeldCode] = frozenset(
    {HeldCode.STORAGE_ABSENT, HeldCode.STORAGE_FULL, HeldCode.SOURCE_UNREADABLE}
)
