"""What another box says, and what stands in lists, at a length that a person reads. Pure.

Owns: how a text is shortened. Must not: make it printable; whoever shows it does (roll/names.py).
"""

import re

from syncd.limits import SAID_BYTES_MAX

_GAP = " … "
BRIEF_WORD_MAX = 160  # characters; the longest digest with its name has 135
BRIEF_TEXT_MAX = 1_000
_LONG_WORD = re.compile(rf"\S{{{BRIEF_WORD_MAX + 1},}}")


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


def brief(text: str, path: str = "") -> str:
    """Return a text for a line of a list: what is long in it loses its middle.

    path: of a file that it is about, which may have spaces in it.
    """
    text = text.replace(path, _cut(path, BRIEF_WORD_MAX)) if path else text
    text = _LONG_WORD.sub(lambda word: _cut(word[0], BRIEF_WORD_MAX), text)
    return _cut(text, BRIEF_TEXT_MAX)


def _cut(text: str, length_max: int) -> str:
    if len(text) <= length_max:
        return text
    each = (length_max - len(_GAP)) // 2
    return f"{text[:each]}{_GAP}{text[-each:]}"
