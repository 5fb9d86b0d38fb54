"""The tables, and how an older journal becomes a newer one.

Owns: the text of every CREATE. A migration is a tuple of statements; it and the number that says
it ran are committed together. MIGRATIONS only ever grows at its end.
Must not: run anything; see journal.py.

Rolls have a small integer key, so that 300,000 files do not repeat a 32-character id each.
Notices outlive the roll they speak of, so they carry its id as text, without a foreign key.
"""

_FIRST = (
    """CREATE TABLE setting (
        key TEXT PRIMARY KEY,
        value TEXT NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE roll (
        key INTEGER PRIMARY KEY,
        roll_id TEXT NOT NULL UNIQUE,
        day TEXT NOT NULL,
        name TEXT NOT NULL,
        trust TEXT NOT NULL,
        origin TEXT NOT NULL,
        peer TEXT,
        stage TEXT NOT NULL CHECK (stage <> 'held'),
        held_code TEXT,
        held_message TEXT,
        held_path TEXT,
        total_bytes INTEGER NOT NULL CHECK (total_bytes >= 0),
        file_count INTEGER NOT NULL CHECK (file_count >= 0),
        moved_bytes INTEGER NOT NULL DEFAULT 0 CHECK (moved_bytes >= 0),
        rank INTEGER NOT NULL,
        rank_set_by_hand INTEGER NOT NULL DEFAULT 0,
        needed_by_utc_ms INTEGER,
        arrived_utc_ms INTEGER NOT NULL,
        paused INTEGER NOT NULL DEFAULT 0,
        expected_utc_ms INTEGER,
        route TEXT NOT NULL,
        source_path TEXT,
        published_path TEXT,
        same_as TEXT,
        publish_intent TEXT,
        published_evidence BLOB,
        empty_folders BLOB NOT NULL,
        CHECK ((held_code IS NULL) = (held_message IS NULL))
    ) STRICT""",
    "CREATE INDEX roll_by_name ON roll (name, day)",
    "CREATE INDEX roll_by_source ON roll (source_path)",
    """CREATE TABLE file (
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        file_index INTEGER NOT NULL,
        path TEXT NOT NULL,
        size_bytes INTEGER NOT NULL CHECK (size_bytes >= 0),
        mtime_ns INTEGER NOT NULL,
        digests BLOB NOT NULL,
        kind TEXT NOT NULL,
        PRIMARY KEY (roll_key, file_index)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE parcel (
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        number INTEGER NOT NULL CHECK (number >= 0),
        digests BLOB NOT NULL,
        PRIMARY KEY (roll_key, number)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE proof (
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        file_index INTEGER NOT NULL,
        digests BLOB NOT NULL,
        level TEXT NOT NULL,
        proved_utc_ms INTEGER NOT NULL,
        PRIMARY KEY (roll_key, file_index)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE mismatch (
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        file_index INTEGER NOT NULL,
        count INTEGER NOT NULL,
        PRIMARY KEY (roll_key, file_index)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE history (
        number INTEGER PRIMARY KEY,
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        at_utc_ms INTEGER NOT NULL,
        stage TEXT NOT NULL,
        note TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX history_by_roll ON history (roll_key)",
    """CREATE TABLE notice (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        roll_id TEXT,
        kind TEXT NOT NULL,
        at_utc_ms INTEGER NOT NULL,
        body TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX notice_by_kind ON notice (kind, seq)",
    """CREATE TABLE cursor (
        subscriber TEXT PRIMARY KEY,
        seq INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE delivery (
        subscriber TEXT NOT NULL,
        seq INTEGER NOT NULL,
        attempts INTEGER NOT NULL,
        next_at_utc_ms INTEGER NOT NULL,
        outcome TEXT NOT NULL,
        PRIMARY KEY (subscriber, seq)
    ) STRICT, WITHOUT ROWID""",
)

# Counts how often the files of a roll were replaced by others that leave its id the same.
_EDITION = ("ALTER TABLE roll ADD COLUMN edition INTEGER NOT NULL DEFAULT 0",)

# changed_ns: the change time of the stored file when it was last read and found good, in incoming
# or published. None for what an older journal has: whoever needs it reads the file again. On the
# landing: that of a source file without evidence, under which it is sent (handoff/untouched.py).
_CHANGE_TIMES = (
    """CREATE TABLE good_at (
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        file_index INTEGER NOT NULL,
        changed_ns INTEGER NOT NULL,
        PRIMARY KEY (roll_key, file_index)
    ) STRICT, WITHOUT ROWID""",
)

# media_files, media_bytes: by which other rolls with the same content are looked for; counted over
# all files at each offer, they took 0.5 s with 10,000 rolls. told_as: see journal/same.py.
_SAME = (
    "ALTER TABLE roll ADD COLUMN media_files INTEGER NOT NULL DEFAULT 0",
    "ALTER TABLE roll ADD COLUMN media_bytes INTEGER NOT NULL DEFAULT 0",
    """UPDATE roll SET (media_files, media_bytes) = (
        SELECT count(*), coalesce(sum(size_bytes), 0) FROM file
        WHERE roll_key = roll.key AND kind = 'media'
    )""",
    "CREATE INDEX roll_by_media ON roll (media_bytes, media_files)",
    "ALTER TABLE roll ADD COLUMN told_as TEXT",
    "CREATE INDEX roll_by_told ON roll (told_as) WHERE told_as IS NOT NULL",
    "CREATE INDEX roll_by_same ON roll (same_as) WHERE same_as IS NOT NULL",
)

# gone: see rows.Gone. also: other names of one roll, and on the offload box the other folders that
# hold it ("" elsewhere); told: the storage knows the name.
_PLACES = (
    "ALTER TABLE roll ADD COLUMN gone TEXT",
    """CREATE TABLE also (
        number INTEGER PRIMARY KEY,
        roll_key INTEGER NOT NULL REFERENCES roll (key) ON DELETE CASCADE,
        day TEXT NOT NULL,
        name TEXT NOT NULL,
        source_path TEXT NOT NULL,
        told INTEGER NOT NULL DEFAULT 0,
        UNIQUE (roll_key, day, name, source_path)
    ) STRICT""",
    "CREATE INDEX also_by_name ON also (name, day)",
    "CREATE INDEX also_by_source ON also (source_path)",
)

# astray: what is said of a published roll that is not where it was published; put_away: it is gone
# on purpose. See journal/astray.py; before, the storage's box kept it as settings, and alone.
_ASTRAY = (
    "ALTER TABLE roll ADD COLUMN astray TEXT",
    "ALTER TABLE roll ADD COLUMN put_away INTEGER NOT NULL DEFAULT 0",
    "DELETE FROM setting WHERE key GLOB 'gone:*'",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    _FIRST,
    _EDITION,
    _CHANGE_TIMES,
    _SAME,
    _PLACES,
    _ASTRAY,
)

# What only makes looks quicker means nothing to whoever reads the file, so it is no version of its
# own: made at each opening if it is not there, and an older syncd keeps it up without knowing it.
# roll_by_stage has the id, so that asking for ids alone reads no row.
INDEXES = (
    "CREATE INDEX IF NOT EXISTS roll_by_stage ON roll (stage, origin, roll_id)",
    "CREATE INDEX IF NOT EXISTS roll_by_held ON roll (held_code) WHERE held_code IS NOT NULL",
    "CREATE INDEX IF NOT EXISTS roll_by_gone ON roll (gone) WHERE gone IS NOT NULL",
    "CREATE INDEX IF NOT EXISTS roll_by_put_away ON roll (origin, roll_id) WHERE put_away <> 0",
    "CREATE INDEX IF NOT EXISTS also_untold ON also (roll_key) WHERE told = 0",
)

# Locks held across hosts and shared memory do not work there (sqlite.org/wal.html).
NETWORK_FILE_SYSTEMS = frozenset(
    {"nfs", "nfs4", "cifs", "smb2", "smb3", "smbfs", "9p", "afpfs", "webdav"}
)

# EXCLUSIVE: two processes that write or checkpoint can corrupt a WAL file with the SQLite of
# many Pythons (sqlite.org/wal.html#walresetbug); it must come before the first use of the WAL.
# wal_autocheckpoint: the journal does that itself, and numbers each -wal file.
# FULL: NORMAL loses the last commits at power loss. fullfsync: on macOS, past the drive's cache.
PRAGMAS = (
    "PRAGMA locking_mode = EXCLUSIVE",
    "PRAGMA journal_mode = WAL",
    "PRAGMA synchronous = FULL",
    "PRAGMA fullfsync = 1",
    "PRAGMA checkpoint_fullfsync = 1",
    "PRAGMA foreign_keys = ON",
    "PRAGMA journal_size_limit = 67108864",
    "PRAGMA wal_autocheckpoint = 0",
)
