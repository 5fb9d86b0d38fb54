"""The token: made anew at each start, for one user, whole or not at all; and what it opens."""

import os
import socket
import stat
from pathlib import Path

import aiohttp
import pytest

from syncd.board.token import NAME, TokenError, is_token, make_token, read_token
from syncd.edges.chance import SystemChance
from syncd.edges.private_file import replace_private
from syncd.errors import ConfigError
from syncd.journal.journal import Journal
from tests.board.world import SHOWN, TOKEN, board_of

PATHS = ("/api/rolls", "/api/events", "/api/status", "/api/peers", "/metrics", "/nothing", "/")


def test_each_start_makes_another_token_that_only_one_user_may_read(tmp_path: Path) -> None:
    """32 bytes of chance, url-safe, mode 0600 whatever the umask; nothing stays beside it."""
    before = os.umask(0)
    try:
        first = make_token(tmp_path, SystemChance())
        second = make_token(tmp_path, SystemChance())
    finally:
        os.umask(before)

    assert first != second
    assert len(second) == 43
    assert read_token(tmp_path) == second
    assert stat.S_IMODE((tmp_path / NAME).stat().st_mode) == 0o600
    assert [path.name for path in tmp_path.iterdir()] == [NAME]


@pytest.mark.parametrize("found", ["open", "link", "damaged", "left over"])
def test_whatever_lies_there_is_replaced_at_the_start(tmp_path: Path, found: str) -> None:
    """Also a token that others could read, and a link, behind which nothing is written."""
    path, elsewhere = tmp_path / NAME, tmp_path / "elsewhere"
    elsewhere.write_text("as it was")
    if found == "link":
        path.symlink_to(elsewhere)
    elif found == "left over":
        (tmp_path / f".{NAME}.new").symlink_to(elsewhere)
    else:
        path.write_text(TOKEN if found == "open" else "?")
        path.chmod(0o644)

    token = make_token(tmp_path, SystemChance())

    assert read_token(tmp_path) == token
    assert not path.is_symlink()
    assert elsewhere.read_text() == "as it was"


def test_a_state_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """The daemon does not start without a token."""
    with pytest.raises(ConfigError, match=r"missing/board\.token"):
        make_token(tmp_path / "missing", SystemChance())


@pytest.mark.parametrize(
    ("text", "mode", "words"),
    [
        (TOKEN, 0o644, "Other users may read"),
        (TOKEN, 0o640, "Other users may read"),
        (TOKEN[:-1], 0o600, "is damaged"),
        (TOKEN + "\r\nX-More: 1", 0o600, "is damaged"),
        ("", 0o600, "is damaged"),
    ],
)
def test_a_token_that_is_not_as_it_was_written_is_not_shown(
    tmp_path: Path, text: str, mode: int, words: str
) -> None:
    """It is said, with what to do; nothing of it gets into a header."""
    (tmp_path / NAME).write_text(text)
    (tmp_path / NAME).chmod(mode)
    with pytest.raises(TokenError, match=words) as caught:
        read_token(tmp_path)
    assert "Start the daemon anew" in caught.value.remedy
    assert TOKEN[:-1] not in str(caught.value)


def test_a_write_that_fails_leaves_the_last_token(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Old or new, never half, and nothing beside it."""
    token = make_token(tmp_path, SystemChance())

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        replace_private(tmp_path / NAME, b"another")
    assert read_token(tmp_path) == token
    assert [path.name for path in tmp_path.iterdir()] == [NAME]


@pytest.mark.parametrize(
    ("said", "is_right"),
    [
        (f"Bearer {TOKEN}", True),
        (f"bearer {TOKEN}", True),
        (f"Basic {TOKEN}", False),
        (TOKEN, False),
        (f"Bearer {TOKEN[:-1]}", False),
        (f"Bearer {TOKEN}x", False),
        (f"Bearer {TOKEN} {TOKEN}", False),
        ("Bearer ", False),
        ("Bearer \ud800", False),
        ("", False),
    ],
)
def test_only_the_token_itself_is_the_token(said: str, is_right: bool) -> None:
    """Its scheme may be written in any case (RFC 9110, 11.1)."""
    assert is_token(said, TOKEN) is is_right


@pytest.mark.parametrize("path", PATHS)
async def test_nothing_is_answered_without_the_token(journal: Journal, path: str) -> None:
    """Not even which paths there are; the answer says how to ask."""
    shown = [{}, {"Authorization": f"Bearer {TOKEN[::-1]}"}, {"Cookie": f"token={TOKEN}"}]
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        for headers in shown:
            async with session.get(f"http://{board.address}{path}", headers=headers) as reply:
                assert reply.status == 401
                assert reply.headers["WWW-Authenticate"] == "Bearer"
                assert (await reply.json())["error"]["remedy"].endswith("Authorization: Bearer …")


async def test_every_path_that_there_is_needs_the_token(journal: Journal) -> None:
    """Whoever adds one does not have to think of it; /healthz alone is open."""
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        routes = {(r.method, r.resource.canonical) for r in board.routes() if r.resource}
        assert len(routes) > 20
        for method, path in routes:
            url = f"http://{board.address}{path.replace('{id}', '1')}"
            json = {"Content-Type": "application/json"}
            async with session.request(method, url, data="{}", headers=json) as reply:
                assert reply.status == (200 if path == "/healthz" else 401), path


async def test_the_token_is_not_taken_from_an_address(journal: Journal) -> None:
    """Addresses end in histories and logs."""
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        url = f"http://{board.address}/api/rolls?access_token={TOKEN}&token={TOKEN}"
        async with session.get(url) as reply:
            assert reply.status == 401


async def test_two_tokens_are_none(journal: Journal) -> None:
    """Of two headers nobody knows which one somebody in between has looked at."""
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        twice = [("Authorization", f"Bearer {TOKEN}"), ("Authorization", "Bearer x")]
        async with session.get(f"http://{board.address}/api/rolls", headers=twice) as reply:
            assert reply.status in {400, 401}


async def test_a_change_needs_the_token_before_its_body_is_read(journal: Journal) -> None:
    """A form, and a body that never comes, are answered from the head alone."""
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        url = f"http://{board.address}/api/pause"
        async with session.post(url, data={"a": "b"}) as reply:
            assert reply.status == 401
        with socket.create_connection((board.address.host, board.address.port)) as raw:
            raw.setblocking(False)
            raw.sendall(
                b"POST /api/pause HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
                b"Content-Length: 60000\r\n\r\n"
            )
            async with session.get(url.replace("/api/pause", "/healthz")) as reply:
                assert await reply.json() == {"ok": True}
            assert raw.recv(15).startswith(b"HTTP/1.1 401")


async def test_other_methods_say_nothing_either(journal: Journal) -> None:
    """OPTIONS tells a page nothing that would let it ask from elsewhere; HEAD opens no stream."""
    async with board_of(journal) as board, aiohttp.ClientSession() as session:
        url = f"http://{board.address}"
        asks = {"Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "*"}
        async with session.options(url + "/api/pause", headers=asks) as reply:
            assert reply.status == 401
        async with session.options(url + "/api/pause", headers=asks | SHOWN) as reply:
            assert reply.status in {400, 405}
            assert not [name for name in reply.headers if name.startswith("Access-Control")]
        async with session.head(url + "/api/events", headers=SHOWN) as reply:
            assert reply.status == 405
        assert board.streams.count == 0
