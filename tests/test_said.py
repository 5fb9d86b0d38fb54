"""What another box says is shortened to what a person reads."""

from hypothesis import given
from hypothesis import strategies as st

from syncd.limits import SAID_BYTES_MAX
from syncd.said import said


@given(st.text(max_size=3 * SAID_BYTES_MAX).filter(lambda text: text.isprintable()))
def test_a_text_is_at_most_so_long_and_begins_and_ends_as_it_did(text: str) -> None:
    """Cut between characters, so that it can be encoded; what was short enough stays as it was."""
    short = said(text)

    assert len(short.encode()) <= SAID_BYTES_MAX
    assert said(short) == short
    if len(text.encode()) <= SAID_BYTES_MAX:
        assert short == text
    else:
        head, _, tail = short.partition(" … ")
        assert len(short.encode()) > SAID_BYTES_MAX - 8, "no more is cut than must be"
        assert text.startswith(head)
        assert text.endswith(tail[-100:])


def test_what_to_do_is_said_last_and_stays() -> None:
    """A path as long as paths may be stands in the middle, and is known beside the text."""
    text = f"DAY/A012: {'x' * 1024} is wrong. Do not clear the card."
    assert said(text).startswith("DAY/A012: xxx")
    assert said(text).endswith("xxx is wrong. Do not clear the card.")
