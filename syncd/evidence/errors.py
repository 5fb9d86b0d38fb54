"""What is wrong with a piece of evidence, in words that name the list and the line."""

from syncd.errors import HeldError
from syncd.limits import PATH_BYTES_MAX
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode

# Of what a list holds, an error quotes no more: it is journalled, sent to the peer and shown.
_QUOTED_MAX = 600
WRITE_ANEW = "Write the list again with the tool that made it; the roll goes on by itself."


class EvidenceError(HeldError):
    """A list, manifest or history cannot be believed.

    list_path: the list, relative to the roll (or its name, if it lies beside).
    line: the line in it, counted from 1, or None for the list as a whole.
    """

    def __init__(
        self,
        list_path: str,
        wrong: str,
        *,
        line: int | None = None,
        remedy: str = WRITE_ANEW,
        code: HeldCode = HeldCode.EVIDENCE_MISMATCH,
        path: str | None = None,
    ) -> None:
        where = f", line {line}" if line is not None else ""
        if len(wrong) > _QUOTED_MAX:
            wrong = f"{wrong[: _QUOTED_MAX // 2]} … {wrong[-_QUOTED_MAX // 2 :]}"
        super().__init__(
            code,
            f"{shown(list_path)}{where}: {wrong}.",
            remedy=remedy,
            path=list_path if path is None else path[:PATH_BYTES_MAX],
        )
        self.list_path = list_path
        self.line = line
