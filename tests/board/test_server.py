"""The board's API, asked over a real socket as a script would ask it."""

import json
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import aiohttp
import pytest

from syncd.board.access import Access
from syncd.board.facade import Sample
from syncd.board.metrics import render
from syncd.board.server import BoardServer
from syncd.config.values import HostPort
from syncd.edges.clock import RealClock
from syncd.errors import ConfigError
from syncd.journal import notices, rolls
from syncd.journal.journal import Journal
from syncd.roll.stages import Stage
from tests.board.world import DAY, SHOWN, TOKEN, SmallNode, add_roll, board_of, hold

ROW_KEYS = [
    *("id", "name", "day", "stage", "bytes", "files", "moved_bytes", "rank"),
    *("needed_by", "expected_at", "late", "held", "waits"),
]
JSON = {"Content-Type": "application/json"}


@dataclass
class Asker:
    """A script that asks the board."""

    session: aiohttp.ClientSession
    url: str

    async def ask(self, path: str, **more: Any) -> tuple[int, Any]:
        """Return status and JSON of a GET."""
        async with self.session.get(self.url + path, **more) as reply:
            return reply.status, await reply.json()

    async def send(self, path: str, body: Any, **more: Any) -> tuple[int, Any]:
        """Return status and JSON of a POST of JSON."""
        headers = JSON | more
        async with self.session.post(
            self.url + path, data=json.dumps(body), headers=headers
        ) as reply:
            return reply.status, await reply.json()


@pytest.fixture
async def asker(journal: Journal) -> AsyncIterator[Asker]:
    """Give a script and a board that is up."""
    async with board_of(journal) as board, aiohttp.ClientSession(headers=SHOWN) as session:
        yield Asker(session, f"http://{board.address}")


async def test_rolls_have_exactly_the_keys_of_the_contract(journal: Journal, asker: Asker) -> None:
    """Scripts rely on names, order and units."""
    roll_id = add_roll(journal, "A012")
    hold(journal, roll_id)

    status, answer = await asker.ask("/api/rolls")

    assert status == 200
    (roll,) = answer["rolls"]
    assert list(roll) == ROW_KEYS
    assert roll["id"] == roll_id
    assert (roll["name"], roll["day"], roll["stage"]) == ("A012", DAY, "held")
    assert (roll["bytes"], roll["files"], roll["moved_bytes"]) == (1024, 2, 0)
    assert roll["held"] == {
        "code": "evidence-mismatch",
        "message": "xxh64 is another",
        "path": "a\x1b[31m.mov",
        "box": None,
    }


async def test_one_roll_has_history_route_and_destinations(journal: Journal, asker: Asker) -> None:
    """`syncd roll` shows what a listing has no room for."""
    roll_id = add_roll(journal, "A012")
    with journal.write() as db:
        rolls.set_moved(db, roll_id, 512)

    status, roll = await asker.ask(f"/api/rolls/{roll_id}")

    assert status == 200
    assert roll["history"] == [{"at": "2026-03-14T12:00:00.000Z", "stage": "verified", "note": ""}]
    assert roll["route"] == ""
    assert roll["destinations"][0]["name"] == "shared"
    assert roll["destinations"][0]["moved_bytes"] == 512


async def test_a_roll_answers_to_day_and_name_escaped_or_not(
    journal: Journal, asker: Asker
) -> None:
    """DAY/ROLL works in a path as people type it, too."""
    add_roll(journal, "A012")
    for path in (f"/api/rolls/{DAY}/A012", f"/api/rolls/{DAY}%2FA012", "/api/rolls/A012"):
        status, roll = await asker.ask(path)
        assert (status, roll["name"]) == (200, "A012")


async def test_an_unknown_and_an_ambiguous_roll_are_told_apart(
    journal: Journal, asker: Asker
) -> None:
    """404 and 409, each with a problem and a remedy; the latter names which."""
    add_roll(journal, "A012")
    add_roll(journal, "A012", day="2026-03-15_D13")

    unknown = await asker.ask("/api/rolls/B007")
    ambiguous = await asker.ask("/api/rolls/A012")

    assert unknown[0] == 404
    assert "B007" in unknown[1]["error"]["problem"]
    assert unknown[1]["error"]["remedy"]
    assert ambiguous[0] == 409
    assert f"{DAY}/A012" in ambiguous[1]["error"]["problem"]
    assert "2026-03-15_D13/A012" in ambiguous[1]["error"]["problem"]


async def test_a_rush_goes_before_all_others(journal: Journal, asker: Asker) -> None:
    """However often another roll was rushed before."""
    for name in ("A012", "B007"):
        add_roll(journal, name)

    for name in ("A012", "B007", "B007", "A012"):
        status, _ = await asker.send(f"/api/rolls/{name}/rank", {"rush": True})
        assert status == 200
        _, answer = await asker.ask("/api/rolls")
        assert answer["rolls"][0]["name"] == name


async def test_rank_and_needed_by_are_set_and_taken_back(journal: Journal, asker: Asker) -> None:
    """Times come in RFC 3339 with any offset and go out in UTC; null means none."""
    add_roll(journal, "A012")

    _, roll = await asker.send(
        "/api/rolls/A012/rank", {"rank": 7, "needed_by": "2026-03-14T19:00:00+02:00"}
    )
    assert (roll["rank"], roll["needed_by"]) == (7, "2026-03-14T17:00:00.000Z")
    assert roll["late"] is True, "the time is long gone"

    _, roll = await asker.send("/api/rolls/A012/rank", {"needed_by": None})
    assert (roll["rank"], roll["needed_by"], roll["late"]) == (7, None, False)


@pytest.mark.parametrize(
    "body",
    [
        {},
        [],
        {"rank": "first"},
        {"rank": True},
        {"rank": 10**9},
        {"needed_by": "noon"},
        {"needed_by": "2026-03-14T19:00:00"},
        {"needed_by": 5},
        {"needed_by": "9999-12-31T23:59:59Z"},
        {"rush": True, "rank": 1},
        {"rush": 1.5},
        {"rnak": 1},
    ],
)
async def test_a_place_that_is_none_is_refused(journal: Journal, asker: Asker, body: Any) -> None:
    """Nothing is guessed, and nothing changes."""
    add_roll(journal, "A012")
    status, answer = await asker.send("/api/rolls/A012/rank", body)
    assert status == 400
    assert answer["error"]["problem"]
    assert (await asker.ask("/api/rolls"))[1]["rolls"][0]["rank"] == 100


async def test_pause_and_go_for_one_and_for_all(journal: Journal, asker: Asker) -> None:
    """Each is durable in the journal; go also lets a held roll be tried again."""
    roll_id = add_roll(journal, "A012")
    hold(journal, roll_id)

    assert (await asker.send("/api/rolls/A012/pause", {}))[1]["paused"] is True
    _, roll = await asker.send("/api/rolls/A012/go", {})
    assert (roll["paused"], roll["held"], roll["stage"]) == (False, None, "verified")

    assert (await asker.send("/api/pause", {}))[1]["paused"] is True
    with journal.read() as db:
        assert rolls.is_all_paused(db)
    assert (await asker.send("/api/go", {}))[1]["paused"] is False


async def test_a_fetch_is_passed_on_and_listed(asker: Asker) -> None:
    """The answer is the fetch itself, as the list shows it."""
    status, fetch = await asker.send("/api/fetches", {"roll": "A012", "to": "/edit"})
    assert status == 202
    assert (fetch["to"], fetch["stage"]) == ("/edit", "moving")
    assert (await asker.ask("/api/fetches"))[1]["fetches"] == [fetch]


async def test_a_pairing_code_is_shown_waited_for_ended_and_typed(asker: Asker) -> None:
    """What the command needs, and nothing that a slip of the finger could mean."""
    status, shown = await asker.send("/api/pairing", {})
    assert (status, shown["code"]) == (201, "482 913")
    assert (await asker.ask(f"/api/pairing/{shown['id']}"))[1]["state"] == "open"
    assert (await asker.send(f"/api/pairing/{shown['id']}/close", {}))[1]["state"] == "closed"
    for more in ({}, {"with": "process-1"}):
        status, answer = await asker.send("/api/pairing/join", {"code": "482 913"} | more)
        assert (status, answer["peer"]["name"]) == (200, "process-1")
    for path, body in (
        ("/api/pairing", {"code": "482913"}),
        ("/api/pairing/join", {}),
        ("/api/pairing/join", {"code": 482913}),
        ("/api/pairing/join", {"code": "482913", "with": ""}),
        ("/api/pairing/x/close", {}),
        ("/api/pairing/\uff11/close", {}),
    ):
        assert (await asker.send(path, body))[0] == 400, path


async def test_a_measuring_is_begun_asked_and_ended(asker: Asker) -> None:
    """For how long, and for which amount, is the asker's to say, within bounds."""
    assert await asker.send("/api/speed", {}) == (201, {"id": 1, "state": "measuring"})
    assert await asker.ask("/api/speed/1") == (200, {"id": 1, "state": "done", "waited": 1.0})
    assert (await asker.send("/api/speed/1/close", {}))[1]["state"] == "failed"
    for path, body in (
        ("/api/speed", {"seconds": 0}),
        ("/api/speed", {"seconds": 7.5}),
        ("/api/speed", {"seconds": True}),
        ("/api/speed", {"bytes": -1}),
        ("/api/speed", {"bytes": "1 TB"}),
        ("/api/speed", {"minutes": 1}),
        ("/api/speed/x/close", {}),
    ):
        status, answer = await asker.send(path, body)
        assert (status, answer["error"]["exit_code"]) == (400, 2), (path, body)


async def test_a_peer_is_forgotten_by_name_and_the_answer_says_who_it_was(asker: Asker) -> None:
    """What is not trusted stays a "no", and what names nobody is a mistake."""
    status, answer = await asker.send("/api/peers/forget", {"peer": "process-1"})
    assert (status, answer["forgotten"]["name"]) == (200, "process-1")
    assert (await asker.send("/api/peers/forget", {"peer": "nobody"}))[0] == 409
    for body in ({}, {"peer": ""}, {"peer": 1}, {"peer": "a", "all": True}):
        assert (await asker.send("/api/peers/forget", body))[0] == 400


async def test_what_fails_in_the_node_keeps_its_words(asker: Asker) -> None:
    """The remedy of the innermost error reaches the caller."""
    status, answer = await asker.send("/api/fetches", {"roll": "B007", "to": "/edit"})
    assert status == 503
    said = {"problem": "process-1 is away.", "remedy": "Wait for it.", "exit_code": 1}
    assert answer == {"error": said}


@pytest.mark.parametrize(
    "body", [{}, {"roll": "A"}, {"roll": 1, "to": "/x"}, {"roll": "A\0", "to": ""}]
)
async def test_a_fetch_without_roll_or_folder_is_refused(asker: Asker, body: Any) -> None:
    """Both are texts, and both are needed."""
    assert (await asker.send("/api/fetches", body))[0] == 400


@pytest.mark.parametrize("host", ["rebound.example", "10.0.0.1", "", "localhost.evil.example"])
async def test_a_name_that_is_not_loopback_is_refused(asker: Asker, host: str) -> None:
    """A page whose name was rebound to 127.0.0.1 gets nothing (OWASP, DNS rebinding)."""
    status, answer = await asker.ask("/api/rolls", headers={"Host": host})
    assert status == 403
    assert "localhost" in answer["error"]["remedy"]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:80", "[::1]:8842", "LOCALHOST:1"])
async def test_every_loopback_name_is_fine(asker: Asker, host: str) -> None:
    """Also through a forwarded port of another number."""
    assert (await asker.ask("/api/rolls", headers={"Host": host}))[0] == 200


async def test_a_page_from_elsewhere_is_refused(asker: Asker) -> None:
    """An Origin must be the board's own."""
    status, _ = await asker.send("/api/pause", {}, Origin="http://page.example")
    assert status == 403
    status, _ = await asker.send("/api/pause", {}, Origin="null")
    assert status == 403
    status, _ = await asker.send("/api/pause", {}, Origin=asker.url)
    assert status == 200


async def test_a_post_that_does_not_say_json_is_refused(journal: Journal, asker: Asker) -> None:
    """That is all that a page elsewhere could send without being asked first."""
    async with asker.session.post(asker.url + "/api/pause", data="{}") as reply:
        assert reply.status == 400
    with journal.read() as db:
        assert not rolls.is_all_paused(db)


@pytest.mark.parametrize("data", ["{", "[" * 50_000, '"text"'])
async def test_a_broken_body_is_refused(asker: Asker, data: str) -> None:
    """Whatever it is, the answer is 400 and JSON."""
    async with asker.session.post(asker.url + "/api/pause", data=data, headers=JSON) as reply:
        assert reply.status == 400
        assert (await reply.json())["error"]["remedy"]


async def test_unknown_paths_methods_and_large_bodies_get_json_too(asker: Asker) -> None:
    """No answer is a page of somebody else's words."""
    assert (await asker.ask("/nothing"))[0] == 404
    assert (await asker.send("/api/rolls", {}))[0] == 405
    assert (await asker.send("/api/pause", {"a": "x" * 100_000}))[0] == 413


async def test_nothing_changes_on_a_get(journal: Journal, asker: Asker) -> None:
    """A link or an image cannot pause the day."""
    assert (await asker.ask("/api/pause"))[0] == 405
    with journal.read() as db:
        assert not rolls.is_all_paused(db)


async def test_health_status_and_peers_answer(asker: Asker) -> None:
    """Each is plain JSON."""
    assert await asker.ask("/healthz") == (200, {"ok": True})
    assert (await asker.ask("/api/status"))[1]["node"] == "offload-1"
    assert (await asker.ask("/api/peers"))[1]["peers"][0]["name"] == "process-1"


@pytest.mark.parametrize("utc_ms", [-(1 << 62), 253_402_300_799_999, 1 << 53, (1 << 63) - 1])
async def test_times_that_no_calendar_has_break_no_listing(
    journal: Journal, asker: Asker, utc_ms: int
) -> None:
    """A journal may have them from before they were refused; the nearest date is shown."""
    add_roll(journal, "A012", needed_by_utc_ms=utc_ms)
    with journal.write() as db:
        db.execute("UPDATE roll SET expected_utc_ms = ?1, arrived_utc_ms = ?1", (utc_ms,))
        db.execute("UPDATE history SET at_utc_ms = ?", (utc_ms,))

    _, listed = await asker.ask("/api/rolls")
    _, shown = await asker.ask("/api/rolls/A012")

    nearest = "0001-01-04T00:00:00.000Z" if utc_ms < 0 else "9999-12-29T00:00:00.000Z"
    roll = listed["rolls"][0]
    times = [roll["needed_by"], roll["expected_at"], shown["arrived_at"], shown["history"][0]["at"]]
    assert times == [nearest] * 4
    async with asker.session.get(asker.url + "/metrics") as reply:
        assert reply.status == 200


async def test_metrics_are_prometheus_text(journal: Journal, asker: Asker) -> None:
    """HELP and TYPE before each family, our prefix, base units, and no name of a roll."""
    add_roll(journal, "A012")
    async with asker.session.get(asker.url + "/metrics") as reply:
        text = await reply.text()
        assert reply.headers["Content-Type"].startswith("text/plain; version=0.0.4")
    assert '\nsyncd_rolls{stage="verified"} 1\n' in text
    assert "\nsyncd_waiting_bytes 1024\n" in text
    assert "A012" not in text
    for line in text.splitlines():
        assert line.startswith(("# HELP syncd_", "# TYPE syncd_", "syncd_"))


def test_labels_of_metrics_are_escaped() -> None:
    r"""Backslash, quote and line feed, as prometheus.io/docs/instrumenting/exposition_formats."""
    text = render([Sample("syncd_x", 0.5, "a\nb", labels={"name": 'q"\\\n'})])
    assert text == '# HELP syncd_x a\\nb\n# TYPE syncd_x gauge\nsyncd_x{name="q\\"\\\\\\n"} 0.5\n'


async def test_a_taken_port_is_named(journal: Journal) -> None:
    """The message has the address and the key to change."""
    async with board_of(journal) as board:
        node = SmallNode(journal)
        taken = HostPort("127.0.0.1", board.address.port)
        second = BoardServer(node, taken, Access(TOKEN), RealClock())
        with pytest.raises(ConfigError, match=r"127\.0\.0\.1:\d+.*node\.board"):
            await second.start()


async def test_a_roll_that_has_arrived_has_no_place_any_more(
    journal: Journal, asker: Asker
) -> None:
    """Rushing it is answered by "no", not a success that does nothing."""
    add_roll(journal, "A012", stage=Stage.READY)
    status, answer = await asker.send("/api/rolls/A012/rank", {"rush": True})
    assert (status, answer["error"]["exit_code"]) == (409, 1)
    assert "ready" in answer["error"]["problem"]
    with journal.read() as db:
        assert [row.kind for row in notices.after(db, 0)] == ["ready"]
