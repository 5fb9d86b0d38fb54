"""The journal's file with other bytes in it. Examining one opens a real database."""

import atexit
import shutil
import sqlite3
import tempfile
from pathlib import Path

from syncd.journal.health import Health, examine
from syncd.journal.journal import Journal
from tests.fuzz.target import Target
from tests.journal.samples import add

FOLDER = Path(tempfile.mkdtemp(prefix="syncd-fuzz-"))
atexit.register(shutil.rmtree, FOLDER, ignore_errors=True)


def one(data: bytes) -> bool:
    """Try one input."""
    path = FOLDER / "journal.sqlite"
    path.write_bytes(data)
    finding = examine(path)
    assert path.read_bytes() == data, "it was changed by looking at it"
    assert finding.health in Health
    finding.text.encode()
    return finding.health is Health.SOUND


def seeds() -> list[bytes]:
    """Return valid examples."""
    path = FOLDER / "seed.sqlite"
    if not path.exists():
        with Journal(path) as journal, journal.write() as db:
            add(db)
        with sqlite3.connect(path, isolation_level=None) as db:
            db.execute("PRAGMA journal_mode=DELETE")
            db.execute("VACUUM")
    return [path.read_bytes()]


TARGET = Target("journal", one, seeds, tokens=(b"SQLite format 3\0", b"[" * 60), bytes_max=1 << 18)
