"""What must hold of every error about foreign bytes: short, and fit for a line on a terminal."""

from syncd.errors import SyncdError
from syncd.roll.names import shown

TEXT_MAX = 2000


def check_text(text: str, *, length_max: int) -> None:
    """Assert that what an error says has an end, and no character that moves a cursor."""
    assert len(text) <= length_max, text[:200]
    line = text.replace("\n", "")
    assert shown(line) == line, ascii(text[:500])


def check_said(error: SyncdError) -> None:
    """Assert that an error may be shown, journalled and sent to a peer."""
    for text in (error.problem, error.remedy, str(error)):
        text.encode()
        check_text(text, length_max=TEXT_MAX)
