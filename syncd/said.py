"""What another box says, at a length that a person reads. Pure.

Owns: how a text is shortened. Must not: make it printable; whoever shows it does (roll/names.py).
"""

from syncd.limits import SAID_BYTES_MAX

_GAP = " … "


def said(text: str) -> str:
    """Return a text of at most SAID_BYTES_MAX bytes; a longer one loses its middle.

    What happened stands first in such a text, and what to do about it last. It is cut between
    characters. Raises ValueError if text cannot be encoded.
    """
    data = text.encode()
    if len(data) <= SAID_BYTES_MAX:
        return text
    each = (SAID_BYTES_MAX - len(_GAP.encode())) // 2
    head, tail = data[:each].decode(errors="ignore"), data[-each:].decode(errors="ignore")
    return f"{head}{_GAP}{tail}"
