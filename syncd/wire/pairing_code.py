"""The code that pairs two boxes, on the box that shows it: its digits, and the life of one code.

Owns: how a code is drawn, written and read, how long it is good and how often it may be tried.
Must not: do I/O, read a clock (times are passed in) or know what travels in an exchange.
"""

from collections.abc import Callable
from enum import Enum, StrEnum

from syncd.errors import UsageError

CODE_DIGITS = 6
CODE_VALID_S = 300.0
TRIES = 3
# One exchange costs the showing side 40 ms of its loop; a person types one code.
EXCHANGES_EVERY_S = 0.5


class Turn(StrEnum):
    """Why the showing side ends an exchange; the other end puts it into words."""

    WRONG_CODE = "wrong-code"
    CLOSED = "closed"
    BUSY = "busy"
    NAME_TAKEN = "name-taken"
    NOT_KEPT = "not-kept"


class WindowState(Enum):
    """What becomes of a code; it is good only while it is OPEN."""

    OPEN = "open"
    PAIRED = "paired"
    EXPIRED = "expired"
    SPENT = "spent"
    CLOSED = "closed"


class Window:
    """One code while it is shown. It is in memory only, and in no message or log."""

    def __init__(self, code: str, opened_s: float) -> None:
        self.tries_left = TRIES
        self._code = code
        self._ends_s = opened_s + CODE_VALID_S
        self._ended: WindowState | None = None
        self._next_exchange_s = opened_s

    def state(self, now_s: float) -> WindowState:
        """Return how it is now."""
        if self._ended is None and now_s >= self._ends_s:
            self._ended = WindowState.EXPIRED
        return self._ended or WindowState.OPEN

    def left_s(self, now_s: float) -> float:
        """Return for how long the code is still good, if nothing ends it before."""
        return max(0.0, self._ends_s - now_s)

    def close(self) -> None:
        """Let the code be good no longer, as whoever showed it wants."""
        self._ended = self._ended or WindowState.CLOSED

    def next_exchange_in_s(self, now_s: float) -> float:
        """Return after how long another exchange may begin."""
        return max(0.0, self._next_exchange_s - now_s)

    # For exchanges

    def why_not_now(self, now_s: float) -> Turn | None:
        """Begin an exchange: None, or why not. Not more than one each EXCHANGES_EVERY_S."""
        if self.state(now_s) is not WindowState.OPEN:
            return Turn.CLOSED
        if now_s < self._next_exchange_s:
            return Turn.BUSY
        self._next_exchange_s = now_s + EXCHANGES_EVERY_S
        return None

    def password(self) -> bytes:
        """Return what SPAKE2 is run on."""
        return self._code.encode()

    def judge(self, is_right: bool, now_s: float) -> Turn | None:
        """Count a proof: None if the code was right and still good; then it is used up."""
        if self.state(now_s) is not WindowState.OPEN:
            return Turn.CLOSED
        if is_right:
            self._ended = WindowState.PAIRED
            return None
        self.tries_left -= 1
        if self.tries_left == 0:
            self._ended = WindowState.SPENT
        return Turn.WRONG_CODE


def make_code(random_bytes: Callable[[int], bytes]) -> str:
    """Return a new code, each as likely as any other."""
    count = 10**CODE_DIGITS
    bound = (1 << 32) // count * count
    while (number := int.from_bytes(random_bytes(4), "big")) >= bound:
        pass
    return f"{number % count:0{CODE_DIGITS}}"


def shown_code(code: str) -> str:
    """Write a code in two groups, as people read it out."""
    return f"{code[: CODE_DIGITS // 2]} {code[CODE_DIGITS // 2 :]}"


def read_code(text: str) -> str:
    """Return the digits of a code as it was typed. Raises UsageError."""
    digits = text.replace(" ", "").replace("-", "")
    if len(digits) != CODE_DIGITS or not (digits.isascii() and digits.isdigit()):
        raise UsageError(
            f"A pairing code has {CODE_DIGITS} digits.",
            remedy="Type the one that `syncd pair` shows on the other box.",
        )
    return digits
