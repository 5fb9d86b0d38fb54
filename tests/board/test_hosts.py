"""Names: which ones a board answers to, and which pages may ask."""

import pytest

from syncd.board.hosts import Hosts

OPEN = Hosts("https", frozenset({"process-1", "process-1.local", "board.example"}))
CLOSED = Hosts()
CALLED = "10.20.0.2"


@pytest.mark.parametrize(
    "host",
    [
        *("localhost", "LOCALHOST.:8842", "127.0.0.1", "127.9.9.9:1", "[::1]:8842"),
        *("process-1", "Process-1.local:8842", "board.example", "10.20.0.2", "10.20.0.2:8842"),
        "[::ffff:10.20.0.2]:8842",
    ],
)
def test_an_open_board_answers_to_its_names_and_the_address_that_was_called(host: str) -> None:
    """Whatever the port: it may have been forwarded."""
    assert OPEN.has(host, CALLED)


@pytest.mark.parametrize(
    "host",
    [
        *(
            "",
            "rebound.example",
            "10.20.0.3",
            "process-2",
            "localhost.example",
            "127.0.0.1.example",
        ),
        *("process-1@rebound.example", "rebound.example#process-1", "2130706433", "0x7f.1", "[::1"),
        *(
            "[fe80::1]:8842",
            "0.0.0.0",  # noqa: S104 - a name that was asked for
            "localhost:8842@rebound.example",
            "[::1]rebound.example",
            " localhost",
            "localhost,rebound.example",
            "board.example..",
        ),
    ],
)
def test_it_answers_to_no_other_name(host: str) -> None:
    """A rebound name was never this box's; an address in a form that only some read is none."""
    assert not OPEN.has(host, CALLED)


def test_a_board_on_loopback_has_no_other_names() -> None:
    """Not even the node's own."""
    assert not CLOSED.has("process-1", "127.0.0.1")
    assert CLOSED.has("localhost", "127.0.0.1")


@pytest.mark.parametrize(
    ("origin", "is_own"),
    [
        ("https://process-1:8842", True),
        ("HTTPS://Process-1:8842", True),
        ("http://process-1:8842", False),
        ("https://process-1", False),
        ("https://process-1:8843", False),
        ("https://process-1:8842.example", False),
        ("https://rebound.example", False),
        ("null", False),
        ("", False),
    ],
)
def test_an_origin_is_scheme_name_and_port(origin: str, is_own: bool) -> None:
    """Another port of this box is another page."""
    assert OPEN.is_own(origin, "process-1:8842") is is_own
