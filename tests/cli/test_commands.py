"""The commands as a person or a script types them, against a real board."""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from syncd.board.answers import JournalAnswers
from syncd.board.token import NAME
from syncd.cli.main import COMMANDS
from syncd.cli.speed import _span
from syncd.edges.state_lock import StateLock
from syncd.journal import leaving, notices, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.identity import Identity
from syncd.wire.peers import TrustedPeer
from syncd.wire.trust_store import TrustStore, read
from tests.board.world import DAY, NOON, add_roll, hold
from tests.cli.conftest import Box


def test_rolls_in_json_are_one_document_and_nothing_else(box: Box, journal: Journal) -> None:
    """Exit 0, nothing on stderr."""
    add_roll(journal, "A012")
    result = box.syncd("rolls", "--json")
    assert (result.code, result.err) == (0, "")
    assert [roll["name"] for roll in result.json["rolls"]] == ["A012"]


def test_rolls_for_people_are_aligned_and_end_with_the_caution(box: Box, journal: Journal) -> None:
    """A listing in a pipe has no colour and no boxes."""
    add_roll(journal, "A012", size=12_300_000_000)
    add_roll(journal, "B007")
    result = box.syncd("rolls")
    lines = result.out.splitlines()
    assert lines[0].startswith("ROLL")
    assert f"{DAY}/A012  verified  12.3 GB" in result.out
    assert "completion guarantor" in lines[-1]
    assert "\x1b" not in result.out


def test_a_held_roll_makes_rolls_end_with_1_and_is_shown_harmless(
    box: Box, journal: Journal
) -> None:
    """The code, the file and what to do; the file's name writes nothing to the terminal."""
    hold(journal, add_roll(journal, "A012"))
    result = box.syncd("rolls")
    assert result.code == 1
    assert "held, evidence-mismatch a\\x1b[31m.mov: xxh64 is another" in result.out
    assert "\x1b" not in result.out
    assert f"syncd go {DAY}/A012" in result.err
    assert box.syncd("roll", "A012", "--json").code == 1


def test_a_held_roll_that_goes_on_by_itself_asks_nobody_to_say_go(
    box: Box, journal: Journal
) -> None:
    """What is said beside it names the cause; a second remedy would contradict it."""
    hold(journal, add_roll(journal, "A012"), HeldCode.STORAGE_ABSENT)
    for command in (("rolls",), ("roll", "A012")):
        result = box.syncd(*command)
        assert result.code == 1
        assert "storage-absent" in result.out
        assert "syncd go" not in result.err


def test_an_arriving_roll_answers_to_the_id_that_is_shown(box: Box, journal: Journal) -> None:
    """It has no roll id before it is verified; what stands in for it names one folder."""
    with journal.write() as db:
        for day in ("a", "b"):
            rolls.add_arriving(db, DAY, "A012", source_path=f"/{day}/A 012", now_utc_ms=NOON)
    for roll in box.syncd("rolls", "--json").json["rolls"]:
        assert roll["id"].startswith("arriving:/")
        assert box.syncd("roll", roll["id"], "--json").json["id"] == roll["id"]
        assert box.syncd("rush", roll["id"]).code == 0


def test_what_rolls_wait_for_is_said_once_with_what_to_do(
    box: Box, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is wrong with the rolls: exit 0, and each roll says it by itself, too."""
    waits = {"code": "peer-absent", "message": "process-1 is away.", "remedy": "Check the cable."}
    monkeypatch.setattr(JournalAnswers, "waits", lambda *_: waits)
    add_roll(journal, "A012")
    assert "A012 waits: process-1 is away. Check the cable." in box.syncd("rolls").out
    add_roll(journal, "B007")
    result = box.syncd("rolls")
    assert result.code == 0
    assert result.out.count("2 rolls wait: process-1 is away. Check the cable.") == 1
    assert "A012 waits: process-1 is away." in box.syncd("roll", "A012").out
    assert [roll["waits"] for roll in box.syncd("rolls", "--json").json["rolls"]] == [waits] * 2


def test_there_is_no_forecast_while_nothing_moves(
    box: Box, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a roll that waits for its destination, is paused or is held; of another there is one."""
    ids = [add_roll(journal, name) for name in ("A012", "B007", "C001")]
    with journal.write() as db:
        rolls.set_expected(db, dict.fromkeys(ids, NOON + 60_000))
        rolls.set_paused(db, ids[1], True)
    hold(journal, ids[2], HeldCode.STORAGE_FULL)

    def expected() -> list[str]:
        listed = box.syncd("rolls", "--json").json["rolls"]
        return [roll["name"] for roll in listed if roll["expected_at"]]

    assert expected() == ["A012"]
    waits = {"code": "not-paired", "message": "Nobody is paired.", "remedy": "Pair it."}
    monkeypatch.setattr(JournalAnswers, "waits", lambda *_: waits)
    assert expected() == []
    assert "expected  " not in box.syncd("roll", "A012").out


def test_one_roll_is_shown_with_its_history(box: Box, journal: Journal) -> None:
    """By name, by DAY/ROLL or by the start of its id."""
    roll_id = add_roll(journal, "A012")
    for text in ("A012", f"{DAY}/A012", roll_id[:8]):
        result = box.syncd("roll", text)
        assert (result.code, roll_id in result.out) == (0, True)
        assert "verified" in result.out
    assert box.syncd("roll", "A012", "--json").json["history"][0]["stage"] == "verified"


def test_an_ambiguous_roll_ends_with_2_and_names_which(box: Box, journal: Journal) -> None:
    """Nothing is changed on a guess."""
    ids = [add_roll(journal, "A012"), add_roll(journal, "A012", day="2026-03-15_D13")]
    result = box.syncd("rush", "A012")
    assert (result.code, result.out) == (2, "")
    assert all(roll_id in result.err for roll_id in ids)


def test_an_unknown_roll_ends_with_1(box: Box) -> None:
    """And says how to see which there are."""
    result = box.syncd("roll", "Z999")
    assert result.code == 1
    assert "syncd rolls" in result.err


def test_rush_order_pause_and_go_change_the_journal(box: Box, journal: Journal) -> None:
    """What the commands say is what is durable."""
    first, second = add_roll(journal, "A012"), add_roll(journal, "B007")

    assert "goes first" in box.syncd("rush", "B007").out
    assert box.syncd("order", "A012", "--rank", "5", "--needed-by", "19:00").code == 0
    assert box.syncd("pause", "A012").code == 0
    assert box.syncd("pause").code == 0

    with journal.read() as db:
        one, two = rolls.get(db, first), rolls.get(db, second)
        assert one is not None
        assert two is not None
        assert (one.rank, two.rank) == (5, 99)
        assert one.needed_by_utc_ms is not None
        assert one.paused
        assert rolls.is_all_paused(db)

    assert box.syncd("go").code == 0
    assert box.syncd("go", "A012").code == 0
    assert box.syncd("order", "A012", "--needed-by", "none", "--json").json["needed_by"] is None
    with journal.read() as db:
        assert not rolls.is_all_paused(db)


def test_go_takes_a_roll_off_the_list_whose_folder_is_gone(box: Box, journal: Journal) -> None:
    """It says so, and that nothing is lost; from then on no listing is wrong because of it."""
    roll_id = add_roll(journal, "A012", stage=Stage.MOVING)
    with journal.write() as db:
        leaving.miss(db, roll_id, "Its folder is gone.", now_utc_ms=NOON)
    assert box.syncd("rolls").code == 1
    gone = box.syncd("go", "A012")
    assert gone.code == 0
    assert f"{DAY}/A012 is off the list. Should its folder be there again, it goes on." in gone.out
    left = box.syncd("rolls", "--json")
    assert (left.code, left.json["rolls"]) == (0, [])
    kept = box.syncd("roll", "A012", "--json")
    assert kept.code == 0
    assert "as a person says" in kept.json["history"][-1]["note"]


def test_a_roll_that_has_arrived_cannot_be_moved(box: Box, journal: Journal) -> None:
    """The answer is "no", 1, and not "not understood", 2; go has nothing to do, and says so."""
    add_roll(journal, "A012", stage=Stage.READY)
    for command in (["rush", "A012"], ["order", "A012", "--rank", "5"], ["pause", "A012"]):
        result = box.syncd(*command)
        assert (result.code, result.out) == (1, "")
        assert "has arrived already" in result.err

    gone = box.syncd("go", "A012")
    assert (gone.code, gone.err) == (0, "")
    assert "is ready: there is nothing to let go on." in gone.out


def test_where_a_held_roll_is_let_go_on_is_said_by_each_command(box: Box, journal: Journal) -> None:
    """On the box that has published it; what is typed here instead is answered so."""
    roll_id = add_roll(journal, "W5", stage=Stage.READY)
    said = f"process-1: {DAY}/W5: a.mov cannot be read. Repair the disk, then `syncd go` the roll."
    with journal.write() as db:
        rolls.hold(db, roll_id, HeldCode.STORAGE_ERROR, said, "a.mov", now_utc_ms=NOON)
    for command in (("roll", "W5"), ("rolls",)):
        result = box.syncd(*command)
        assert result.err == f"When the cause is gone, on process-1: syncd go {DAY}/W5\n"
    refused = box.syncd("go", "W5")
    assert refused.code == 1
    assert f"Once the cause is gone, say `syncd go {DAY}/W5` on process-1." in refused.err
    with journal.write() as db:
        rolls.release(db, roll_id, now_utc_ms=NOON)
        named = f"process-1: It is wrong. Mend it, then `syncd go {DAY}/W5` on process-1."
        rolls.hold(db, roll_id, HeldCode.READ_BACK_MISMATCH, named, "a.mov", now_utc_ms=NOON)
    assert box.syncd("roll", "W5").err == ""


def test_go_of_a_ready_roll_says_that_its_notices_are_sent_anew(box: Box, journal: Journal) -> None:
    """Of one roll, or of all; as a number in JSON, too."""
    for name in ("A012", "B007"):
        roll_id = add_roll(journal, name, stage=Stage.READY)
        with journal.write() as db:
            notices.begin(db, "command-1")
            told = notices.add(db, roll_id, "ready", now_utc_ms=NOON)
            tried = notices.Delivery("command-1", told.seq, 4, NOON + 900_000)
            notices.record_attempt(db, tried)

    gone = box.syncd("go", "A012")
    assert "is ready.\n" in gone.out
    assert "nothing" not in gone.out
    assert "1 notice" in gone.out
    assert box.syncd("go", "--json").json["notices"] == 1
    assert "nothing to let go on." in box.syncd("go", "A012").out


def test_order_without_a_place_is_a_usage_error(box: Box) -> None:
    """Exit 2, as for every misuse."""
    assert box.syncd("order", "A012").code == 2
    assert box.syncd("order", "A012", "--needed-by", "soon").code == 2
    assert box.syncd("order", "A012", "--rank", "x").code == 2
    assert box.syncd("nothing").code == 2


def test_fetch_waits_until_the_roll_is_verified(box: Box, journal: Journal) -> None:
    """The folder reaches the daemon in full; progress goes to stderr."""
    roll_id = add_roll(journal, "A012", origin=Origin.FETCH, stage=Stage.FETCHED, route="/edit")
    result = box.syncd("fetch", "A012", "--to", "edit", "--json")
    assert (result.code, result.json["id"]) == (0, roll_id)
    assert result.json["stage"] == "fetched"


def test_fetch_without_waiting_says_how_to_look(box: Box, tmp_path: Path) -> None:
    """The daemon goes on by itself."""
    result = box.syncd("fetch", "A012", "--to", str(tmp_path), "--no-wait")
    assert result.code == 0
    assert "syncd follow" in result.err
    assert box.syncd("fetch", "A012", "--to", "x", "--no-wait", "--json").json["to"].startswith("/")


def test_a_fetch_that_cannot_be_says_why(box: Box) -> None:
    """The peer's absence is not the daemon's: exit 1."""
    result = box.syncd("fetch", "B007", "--to", "/edit")
    assert (result.code, result.out) == (1, "")
    assert "process-1 is away." in result.err


def test_follow_prints_one_event_a_line(box: Box, journal: Journal) -> None:
    """From the event that was asked for, then as they happen."""
    add_roll(journal, "A012")
    command = [sys.executable, "-m", "syncd.cli.main", "follow", "--json", "--after", "0"]
    with subprocess.Popen(
        [*command, "-c", str(box.config)], stdout=subprocess.PIPE, text=True
    ) as follow:
        assert follow.stdout is not None
        first = json.loads(follow.stdout.readline())
        hold(journal, first["roll"]["id"])
        second = json.loads(follow.stdout.readline())
        follow.terminate()
    assert (first["type"], second["type"]) == ("verified", "held")
    assert first["seq"] < second["seq"]


def test_peers_answer_from_the_daemon(box: Box) -> None:
    """Own fingerprint first; those known below."""
    answer = box.syncd("peers", "--json").json
    assert list(answer) == ["own", "peers"]
    assert list(answer["own"]) == ["name", "fingerprint", "addresses"]
    assert "process-1" in box.syncd("peers").out


def test_peers_answer_without_a_daemon_and_make_the_keys_once(lonely: Box) -> None:
    """The fingerprint that is to be pinned on the other box can be had before the first start."""
    first = lonely.syncd("peers", "--json")
    second = lonely.syncd("peers", "--json")
    assert (first.code, first.err) == (0, "")
    assert first.json == second.json
    assert first.json["own"]["fingerprint"].startswith("sha256:")
    assert list(first.json["peers"][0]) == [
        *("name", "fingerprint", "roles", "trusted", "pinned", "paired_at", "present", "address"),
        *("last_heard_at", "certificate_ends_at", "problem", "remedy"),
    ]


@pytest.mark.parametrize("command", [["rolls"], ["rush", "A"], ["pause"], ["follow"]])
def test_a_daemon_that_is_not_there_is_69(lonely: Box, command: list[str]) -> None:
    """The address that was asked and the command that starts it."""
    result = lonely.syncd(*command)
    assert (result.code, result.out) == (69, "")
    assert str(lonely.board) in result.err
    assert "syncd run" in result.err


def test_a_command_shows_the_token_as_it_is_now(box: Box, journal: Journal) -> None:
    """With another one, or none, the daemon that answers is another one: 69, and it is said."""
    add_roll(journal, "A012")
    token = box.folder / "state" / NAME
    assert box.syncd("rolls").code == 0

    for missing in (False, True):
        token.unlink() if missing else token.write_text("x" * 43)
        result = box.syncd("rolls")
        assert (result.code, result.out) == (69, "")
        assert f"does not take the token in {box.folder / 'state'}" in result.err


def test_a_token_that_others_may_read_is_complained_about(box: Box) -> None:
    """By every command, and check names it among the rest."""
    (box.folder / "state" / NAME).chmod(0o644)

    result = box.syncd("rolls")
    assert (result.code, result.out) == (1, "")
    assert "Other users may read" in result.err

    checks = {check["name"]: check for check in box.syncd("check", "--json").json["checks"]}
    assert not checks["daemon"]["ok"]
    assert "Start the daemon anew" in checks["daemon"]["remedy"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody who may not read it")
def test_somebody_who_may_not_read_the_token_is_told_who_may(box: Box) -> None:
    """Exit code 1, and the remedy names the user to be."""
    (box.folder / "state").chmod(0o700)
    said = _read_as_nobody(box.folder / "state")
    assert "Permission denied" in said
    assert "sudo -u syncd" in said


def _read_as_nobody(state: Path) -> str:
    """Return what is said to a user who owns nothing of the state folder."""
    program = (
        "import os, pathlib, sys; from syncd.board.token import read_token, TokenError\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "try: print(read_token(pathlib.Path(sys.argv[1])))\n"
        "except TokenError as error: print(error)"
    )
    words = [sys.executable, "-c", program, str(state)]
    return subprocess.run(words, check=True, capture_output=True, text=True).stdout


@pytest.mark.parametrize("command", ["rolls", "run", "check", "peers", "follow"])
def test_a_bad_configuration_is_78(lonely: Box, tmp_path: Path, command: str) -> None:
    """Whatever the command; the key is named."""
    bad = tmp_path / "bad.toml"
    bad.write_text("[node]\nnmae = 1\n")
    result = lonely.syncd(command, config=bad)
    assert result.code == 78
    assert "node.nmae" in result.out + result.err


def test_a_configuration_that_may_not_be_read_is_78(tmp_path: Path) -> None:
    """As any other that cannot be used; and the remedy is about rights."""
    path = tmp_path / "syncd.toml"
    path.write_text("[node]\n")
    path.chmod(0)
    program = (
        "import os, sys; import syncd.cli.rolls; from syncd.cli.main import main\n"
        "if os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "sys.argv = ['syncd', 'rolls', '-c', sys.argv[1]]; main()"
    )
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    words = [sys.executable, "-c", program, str(path)]
    result = subprocess.run(words, check=False, capture_output=True, text=True)
    assert result.returncode == 78, result.stderr
    assert "Permission denied" in result.stderr
    assert "sudo -u USER" in result.stderr


@pytest.mark.parametrize("command", ["roll", "go", "pause", "rush", "order", "fetch"])
def test_a_roll_that_is_called_nothing_is_a_usage_error(box: Box, command: str) -> None:
    """A variable that is not set means neither everything nor a path of the board's."""
    options = {"order": ("--rank", "1"), "fetch": ("--to", "/mnt/rushes")}.get(command, ())
    for name in ("", " "):
        result = box.syncd(command, name, *options)
        assert (result.code, result.out) == (2, "")
        assert "it is empty" in result.err
        assert ("leave it out" in result.err) is (command in {"go", "pause"})


def test_an_unreadable_answer_is_not_a_traceback(box: Box, unused_port: int) -> None:
    """Something else that listens there is said to be something else."""
    import http.server  # noqa: PLC0415 - for this test alone
    import threading  # noqa: PLC0415

    handler = http.server.SimpleHTTPRequestHandler
    handler.log_message = lambda *_: None  # type: ignore[method-assign]
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as stranger:
        thread = threading.Thread(target=stranger.serve_forever)
        thread.start()
        from syncd.config.values import HostPort  # noqa: PLC0415

        result = Box(box.folder, HostPort("127.0.0.1", stranger.server_port)).syncd("rolls")
        stranger.shutdown()
        thread.join()
    assert result.code == 1
    assert "not syncd" in result.err
    assert unused_port


def test_version_and_help(lonely: Box) -> None:
    """Every command has an example, and the line that the list of commands gives it."""
    assert lonely.syncd("--version").out == "syncd 0.1.0\n"
    listing = lonely.syncd("--help").out
    for name in COMMANDS:
        assert f"\n  {name} " in listing


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "demo"])
def test_every_command_has_an_example(lonely: Box, name: str) -> None:
    """`--help` shows how it is meant before anyone has to think."""
    result = lonely.syncd(name, "--help")
    assert result.code == 0
    assert f"syncd {name}" in result.out.partition("Examples:")[2]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_prints_a_script(lonely: Box, shell: str) -> None:
    """It asks syncd itself, so that it never goes stale."""
    result = lonely.syncd("completion", shell)
    assert result.code == 0
    assert "_SYNCD_COMPLETE" in result.out


def test_a_reader_that_goes_away_is_no_error(box: Box, journal: Journal) -> None:
    """`syncd rolls | head -1` ends quietly."""
    for i in range(200):
        add_roll(journal, f"A{i:03}")
    line = f"{sys.executable} -m syncd.cli.main rolls -c {box.config} | head -1"
    done = subprocess.run(
        ["bash", "-c", line], check=False, capture_output=True, text=True, timeout=60
    )
    assert done.stdout.startswith("ROLL")
    assert "Traceback" not in done.stderr
    assert NOON


def test_a_paired_box_is_forgotten_without_a_daemon(lonely: Box) -> None:
    """The list in the state folder is changed; what the config pins is not, and says so."""
    state = lonely.folder / "state"
    state.mkdir()
    fingerprint = "sha256:" + "22" * 32
    TrustStore(state).add(TrustedPeer("offload-1", fingerprint, paired_at_utc_ms=1))
    assert [peer["name"] for peer in lonely.syncd("peers", "--json").json["peers"]] == [
        *("offload-1", "process-1"),
    ]

    gone = lonely.syncd("peers", "forget", "222222", "--json")
    again = lonely.syncd("peers", "forget", "offload-1")
    by_hand = lonely.syncd("peers", "forget", "process-1")

    assert gone.json == {"forgotten": {"name": "offload-1", "fingerprint": fingerprint}}
    assert read(state) == ()
    assert (again.code, by_hand.code) == (1, 1)
    assert "[[peer]]" in by_hand.err


def test_nobody_is_forgotten_behind_the_back_of_a_daemon(lonely: Box) -> None:
    """One that runs and does not answer holds the state folder; the list stays as it is."""
    state = lonely.folder / "state"
    state.mkdir()
    TrustStore(state).add(TrustedPeer("offload-1", "sha256:" + "22" * 32, paired_at_utc_ms=1))
    with StateLock(state):
        result = lonely.syncd("peers", "forget", "offload-1")
    assert result.code == 78
    assert "Another syncd" in result.err
    assert len(read(state)) == 1


@pytest.mark.parametrize(("days_old", "is_told"), [(3653 - 360, True), (3653 - 370, False)])
def test_the_end_of_a_certificate_is_shown_within_its_last_year(
    lonely: Box, days_old: int, is_told: bool
) -> None:
    """Beside the peers; in JSON it always is."""
    made_utc_ms = time.time_ns() // 1_000_000 - days_old * 86_400_000
    Identity.load_or_make(lonely.folder / "state", "edit-1", made_utc_ms)
    own = lonely.syncd("peers", "--json").json["own"]
    text = f"The certificate of edit-1 ends on {own['certificate_ends_at'][:10]}."
    assert (text in lonely.syncd("peers").out) is is_told


@pytest.mark.parametrize("amount", [("lots",), ("12", "parsecs"), ("0",), ("--seconds", "60")])
def test_an_amount_that_is_none_is_usage(lonely: Box, amount: tuple[str, ...]) -> None:
    """Said before anything is asked of the daemon."""
    result = lonely.syncd("speed", *amount)
    assert result.code == 2
    assert result.out == ""


@pytest.mark.parametrize(
    ("seconds", "shown"),
    [
        (0.2, "1 s"),
        (89.6, "90 s"),
        (95, "2 min"),
        (5300, "88 min"),
        (7200, "2 h"),
        (9300, "2 h 35 min"),
    ],
)
def test_a_time_is_shown_as_it_is_planned_with(seconds: float, shown: str) -> None:
    """Seconds, minutes, then steps of five minutes."""
    assert _span(seconds) == shown


def test_a_very_long_path_is_short_in_the_list_and_whole_with_its_roll(
    box: Box, journal: Journal
) -> None:
    """Its beginning and its end are in the list; digests and what to do are never cut."""
    path = "/".join(["d" * 200] * 18) + "/C001.mov"
    digest = "sha512:" + 128 * "a"
    roll_id = add_roll(journal, "A012")
    with journal.write() as db:
        text = f"{path}: {digest} expected. Offload it again."
        rolls.hold(db, roll_id, HeldCode.EVIDENCE_MISMATCH, text, path, now_utc_ms=NOON)
    listed = box.syncd("rolls").out
    assert path not in listed
    assert listed.count("/C001.mov") == 2
    assert f"{digest} expected. Offload it again." in listed
    assert path in box.syncd("roll", "A012").out
