"""kill -9 between a command's end and the record of it, with real processes."""

import subprocess
import sys
from pathlib import Path

from syncd.journal import history, notices, rolls
from syncd.journal.journal import Journal
from tests.journal.samples import NOW, add

DAEMON = """
import asyncio, sys
from pathlib import Path
from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.journal import notices
from syncd.journal.journal import Journal
from syncd.notices.command import CommandSubscriber
from syncd.notices.outbox import Relay
from syncd.ports import Ports

async def main(path, script):
    clock, disk = RealClock(), RealDisk()
    command = CommandSubscriber("command-1", ["sh", "-c", script, "sh", "{path}"], clock)
    with Journal(path) as journal:
        relay = asyncio.create_task(
            Relay([command], journal, Ports(clock, SystemChance(), disk, None)).run()
        )
        while True:
            await asyncio.sleep(0.01)
            with journal.read() as db:
                if notices.cursor(db, "command-1") >= int(sys.argv[3]):
                    break
        relay.cancel()
        await asyncio.wait([relay])
    disk.close()

asyncio.run(main(Path(sys.argv[1]), sys.argv[2]))
"""
# The command does its work, then takes the daemon with it, but only the first time.
SCRIPT = """
echo "$SYNCD_NOTICE_ID $1" >> "$SYNCD_TEST_FILE"
[ $(wc -l < "$SYNCD_TEST_FILE") -gt 1 ] || kill -9 $PPID
"""


def test_a_daemon_killed_before_the_record_runs_the_command_again(tmp_path: Path) -> None:
    """The same notice id twice: at least once, and repeats can be told."""
    path, heard = tmp_path / "journal.db", tmp_path / "heard"
    with Journal(path, journal_id="j") as journal, journal.write() as db:
        notices.begin(db, "command-1")
        roll_id = add(db)
        rolls.set_published(db, roll_id, "/rolls/A012")
        ready = notices.add(db, roll_id, "ready", now_utc_ms=NOW)

    codes = [
        subprocess.run(
            [sys.executable, "-c", DAEMON, str(path), SCRIPT, str(ready.seq)],
            env={"PATH": "/usr/bin:/bin", "SYNCD_TEST_FILE": str(heard), "PYTHONPATH": "."},
            cwd=Path(__file__).parents[2],
            timeout=60,
            check=False,
        ).returncode
        for _ in range(2)
    ]

    assert codes == [-9, 0]
    assert heard.read_text().splitlines() == [f"{ready.notice_id} /rolls/A012"] * 2
    with Journal(path) as journal, journal.read() as db:
        assert [line.note for line in history.read(db, roll_id)][-1].startswith("command sh exit 0")
