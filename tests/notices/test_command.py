"""Real commands: arguments, environment, input, output, and an end to each."""

import asyncio
import json
import os
import sys
import time
from pathlib import Path

import pytest

from syncd.edges.clock import RealClock
from syncd.journal.notices import NoticeRow
from syncd.limits import COMMAND_OUTPUT_BYTES_MAX
from syncd.notices.command import CommandSubscriber, last_line, substitute
from syncd.notices.events import event_json
from syncd.notices.subscriber import Outcome

ROLL = {"id": "c4" * 16, "name": "A012", "day": "2026-03-14_D12"}
PATH = "/mnt/array/rolls/2026-03-14_D12/A 012; rm -rf $HOME"
NOTICE = NoticeRow(
    7,
    "j-7",
    ROLL["id"],
    "ready",
    1_773_507_600_000,
    {"roll": ROLL, "stage": "ready", "note": "", "data": {}},
)


async def run(*arguments: str, timeout_s: float = 20.0) -> Outcome:
    """Run a command once."""
    command = CommandSubscriber("command-1", arguments, RealClock(), timeout_s=timeout_s)
    return await command.deliver(NOTICE, PATH)


async def printed(*arguments: str) -> str:
    """Return the last line that a command printed."""
    outcome = await run(*arguments)
    assert outcome.delivered
    return outcome.note.split(" s: ", 1)[1]


async def test_exit_0_is_delivered_and_anything_else_is_not() -> None:
    """The roll's history gets the exit code, the time and the last line."""
    good = await run("sh", "-c", "echo first; echo 'made 3 proxies'; echo")
    assert good.delivered
    assert good.note.startswith("command sh exit 0 in 0.")
    assert good.note.endswith(" s: made 3 proxies")

    bad = await run("false")
    assert not bad.delivered
    assert bad.note.startswith("command false exit 1 in 0.")

    complaint = await run("sh", "-c", "echo no licence >&2; exit 3")
    assert "exit 3" in complaint.note
    assert complaint.note.endswith(": no licence")


async def test_placeholders_are_text_in_one_argument_and_no_shell_reads_them() -> None:
    """A path with spaces, semicolons and dollars stays one argument, as it is."""
    show = "import sys; print(sys.argv[1:])"
    shown = await printed(
        sys.executable, "-c", show, "{path}", "--as={day}/{name}", "{id} {stage}", "{other}"
    )
    assert shown == repr([PATH, "--as=2026-03-14_D12/A012", f"{ROLL['id']} ready", "{other}"])


ODD_NAMES = [
    "-rf",
    "--output=/etc/passwd",
    "A 012",
    "A\n012",
    "A\r\x1b[31m012",
    "A'012\"`touch x`$(touch x)${HOME}",
    "A;touch x|y&z>w<v*?[a]~#!",
    "{path}{name}%s%(a)s",
    "A\udcff\udc80012",
    "B\u00e9la \u6c34 \U0001f3ac",
    "\\\\server\\A012",
]


@pytest.mark.parametrize("name", ODD_NAMES)
async def test_any_name_reaches_a_command_as_it_is(name: str, tmp_path: Path) -> None:
    """Byte for byte: as an argument, in the environment, and in the JSON on standard input.

    A byte that is no UTF-8 is a lone surrogate within Python (PEP 383), and goes out as that byte.
    """
    roll = ROLL | {"name": name}
    body = {**NOTICE.body, "roll": roll}
    notice = NoticeRow(7, "j-7", ROLL["id"], "ready", NOTICE.at_utc_ms, body)
    path = f"/mnt/array/rolls/2026-03-14_D12/{name}"
    program = (
        "import json, os, sys\n"
        "said = json.load(sys.stdin)\n"
        "out = open(sys.argv[1], 'wb')\n"
        "for text in (*sys.argv[2:], os.environ['SYNCD_NAME'], os.environ['SYNCD_PATH'],\n"
        "             said['roll']['name']):\n"
        "    out.write(os.fsencode(text) + b'\\0')\n"
    )
    words = (sys.executable, "-X", "utf8", "-c", program, str(tmp_path / "out"))
    command = CommandSubscriber("command-1", (*words, "{path}", "{name}", "x={name}"), RealClock())

    outcome = await command.deliver(notice, path)

    assert outcome.delivered, outcome.note
    wanted = [os.fsencode(text) for text in (path, name, f"x={name}", name, path, name)]
    assert (tmp_path / "out").read_bytes().split(b"\0")[:-1] == wanted
    assert [entry.name for entry in os.scandir(tmp_path)] == ["out"], "nothing else was run"


async def test_a_name_with_a_nul_or_without_end_starts_nothing(tmp_path: Path) -> None:
    """No system can pass it; it is said, and the daemon lives on."""
    mark = tmp_path / "ran"
    for path in ("/a\0b", "/" + "a" * (4 << 20)):
        command = CommandSubscriber("command-1", ("touch", str(mark), "{path}"), RealClock())
        outcome = await command.deliver(NOTICE, path)
        assert not outcome.delivered
        assert "cannot be started" in outcome.note
        assert len(outcome.note) < 300
    assert os.listdir(tmp_path) == []


def test_what_was_put_in_is_not_looked_at_again() -> None:
    """A roll named like a placeholder stays that."""
    values = {"path": "{name}", "name": "A012", "day": "", "id": "", "stage": ""}
    assert substitute("{path}{name}{}", values) == "{name}A012{}"


async def test_the_notice_is_json_on_standard_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same event as everywhere; its id lets the command drop repeats."""
    monkeypatch.setenv("SYNCD_TEST_FILE", str(tmp_path / "event"))
    shown = await run("sh", "-c", "cat > $SYNCD_TEST_FILE")
    assert shown.delivered
    event = json.loads((tmp_path / "event").read_text())
    assert event == event_json(NOTICE)
    assert event["id"] == "j-7"


async def test_a_command_that_reads_nothing_is_no_failure() -> None:
    """Nobody has to read standard input."""
    assert (await run("true")).delivered


async def test_the_environment_is_clean(monkeypatch: pytest.MonkeyPatch) -> None:
    """PATH, HOME, LANG and what is syncd's; none of the daemon's other variables."""
    monkeypatch.setenv("SECRET_TOKEN", "x")
    monkeypatch.setenv("LANG", "C.UTF-8")
    monkeypatch.setenv("SYNCD_CONFIG", "/etc/syncd.toml")
    show = "import os; print(sorted(k for k in os.environ if k != 'LC_CTYPE'))"
    names = ["ID", "NAME", "DAY", "PATH", "STAGE", "NOTICE_ID", "CONFIG"]
    expected = sorted(["PATH", "HOME", "LANG", *(f"SYNCD_{name}" for name in names)])
    assert await printed(sys.executable, "-c", show) == repr(expected)[:200]
    assert await printed("sh", "-c", 'echo "$SYNCD_NAME $SYNCD_NOTICE_ID"') == "A012 j-7"


async def test_no_open_file_of_the_daemon_is_handed_on(tmp_path: Path) -> None:
    """Not even one that could be inherited."""
    with (tmp_path / "journal.db").open("w") as held:
        os.set_inheritable(held.fileno(), True)
        shown = await printed("sh", "-c", f"test -e /dev/fd/{held.fileno()} && echo yes || echo no")
    assert shown == "no"


def group_is_gone(process_group: int) -> bool:
    """Tell whether no process of a group is left running."""
    until = time.monotonic() + 5
    while time.monotonic() < until:
        running = [
            stat
            for entry in Path("/proc").iterdir()
            if entry.name.isdigit() and (stat := _stat(entry)) and stat[1] == str(process_group)
            if stat[0] != "Z"
        ]
        if not running:
            return True
        time.sleep(0.02)
    return False


def _stat(entry: Path) -> tuple[str, str] | None:
    try:
        fields = (entry / "stat").read_text().rpartition(")")[2].split()
    except OSError:
        return None
    return fields[0], fields[2]


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
@pytest.mark.parametrize("trap", ["", "trap '' TERM;"])
async def test_the_time_limit_ends_the_command_and_what_it_started(
    tmp_path: Path, trap: str
) -> None:
    """The whole process group: SIGTERM first, SIGKILL for those who will not hear it."""
    script = f"{trap} echo $$ > {tmp_path}/pid; echo begun; sleep 300 & sleep 300; sleep 300"
    outcome = await run("sh", "-c", script, timeout_s=0.5)

    assert not outcome.delivered
    assert "was ended at its time limit in" in outcome.note
    assert outcome.note.endswith(": begun")
    assert group_is_gone(int((tmp_path / "pid").read_text()))


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for processes in /proc")
async def test_a_stop_of_the_daemon_ends_the_command(tmp_path: Path) -> None:
    """Cancelled is cancelled; after a restart the command runs again."""
    pid_file = tmp_path / "pid"
    script = f"echo $$ > {tmp_path}/new; mv {tmp_path}/new {pid_file}; sleep 300 & sleep 300"
    task = asyncio.create_task(run("sh", "-c", script))
    async with asyncio.timeout(10):
        while not pid_file.exists():  # noqa: ASYNC110  (another process makes it)
            await asyncio.sleep(0.01)

    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task

    assert group_is_gone(int(pid_file.read_text()))


async def test_what_runs_on_in_the_background_is_not_waited_for() -> None:
    """The command's own end counts, even if something of it still holds the output."""
    async with asyncio.timeout(10):
        outcome = await run("sh", "-c", "echo started; sleep 12 & exit 0")
    assert outcome.delivered
    assert outcome.note.endswith(": started")


async def test_endless_output_does_not_fill_the_memory() -> None:
    """Only the end of it is kept; the command never waits for us to read."""
    script = f"head -c {COMMAND_OUTPUT_BYTES_MAX * 20} /dev/zero | tr '\\0' x; echo; echo last"
    assert await printed("sh", "-c", script) == "last"


async def test_a_command_that_is_not_there_is_said_so() -> None:
    """Nothing raises; the roll's history names the program."""
    outcome = await run("/nowhere/make-proxies", "{path}")
    assert outcome == Outcome(
        delivered=False, note="command make-proxies cannot be started: No such file or directory"
    )


async def test_no_descriptor_is_left_open() -> None:
    """After commands that end well, badly, and not at all."""
    await run("true")
    before = len(os.listdir("/dev/fd"))
    for _ in range(3):
        await run("true")
        await run("/nowhere/at-all")
        await run("sleep", "300", timeout_s=0.05)
    assert len(os.listdir("/dev/fd")) == before


@pytest.mark.parametrize(
    ("output", "line"),
    [
        (b"", ""),
        (b"\n \n", ""),
        (b"one\r\ntwo\r\n\r\n", "two"),
        (b"bad \xff\x1b[31m", "bad \N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}[31m"),
        (b"x" * 999, "x" * 200),
    ],
)
def test_the_last_line_is_fit_to_be_shown(output: bytes, line: str) -> None:
    """No control characters reach a terminal, and no line is endless."""
    assert last_line(output) == line
