"""What `syncd check` looks at, one function a question; each answers whatever the others say.

Owns: the questions about this box. Must not: change anything, but for the marker when asked to.
What concerns peers is in peer_checks.py.
"""

import errno
import os
import socket
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from syncd.board import certificate, passphrase
from syncd.cli.show import size
from syncd.config.shapes import (
    ClearConfig,
    Config,
    LandingConfig,
    NoticeConfig,
    NoticeKind,
    StorageConfig,
)
from syncd.config.values import HostPort
from syncd.counted import counted
from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.edges.mounts import file_system_of
from syncd.edges.secret_files import BEYOND_GROUP, read_secret
from syncd.errors import STATE_DISK_REMEDY, SyncdError, is_disk_trouble
from syncd.handoff.unsealed import READABLE
from syncd.journal import library
from syncd.journal.opening import NAME, notes_in
from syncd.journal.schema import NETWORK_FILE_SYSTEMS
from syncd.landing.watch import WATCH_LIMIT_FILE, WATCH_LIMIT_SHARE
from syncd.notices.webhook_keys import webhook_keys
from syncd.storage.layout import INCOMING
from syncd.storage.marker import MARKER_NAME, make_marker, read_marker

FOLDERS_COUNTED_MAX = 2_000_000
TRIED_BYTES = 64 << 10  # less room than that, and no journal can be opened
NOTE_BYTES_MAX = 64 << 10
READ_ONLY = "It is mounted read-only: mount it for writing; in a unit, name it in ReadWritePaths."


@dataclass(frozen=True, slots=True)
class Check:
    """One answer: a sentence, and what to do if it is not ok."""

    name: str
    ok: bool
    message: str
    remedy: str = ""

    def to_json(self) -> dict[str, Any]:
        """Return it as `syncd check --json` prints it."""
        return asdict(self)


def asked(name: str, question: Callable[[], Check]) -> Check:
    """Return the answer to question; if the question itself fails, that is the answer."""
    try:
        return question()
    except SyncdError as error:
        return Check(name, False, error.problem, error.remedy)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        remedy = "See that it is there and that the user who runs syncd may use it."
        if error.errno == errno.EROFS:
            remedy = READ_ONLY
        return Check(name, False, f"{where}{error.strerror or error}.", remedy)
    except Exception as error:  # noqa: BLE001 - one question must not keep the others unasked
        return Check(name, False, f"The check itself failed: {error!r}.", "Report it as an error.")


def box_checks(
    config: Config, config_path: Path, *, daemon_runs: bool, mark: bool
) -> Iterator[Check]:
    """Yield the answers about this box, in the order in which a person would put them right."""
    yield asked("state", partial(_state, config.node.state))
    yield asked("journal", partial(_journal, config.node.state))
    yield asked("sqlite", _sqlite)
    for i, landing in enumerate(config.landings):
        name = f"landing {i + 1}" if len(config.landings) > 1 else "landing"
        yield asked(name, partial(_landing, name, landing))
    if config.landings:
        yield asked("watches", partial(_watches, config.landings))
    for number, notice in enumerate(config.notices):
        if notice.kind is NoticeKind.WEBHOOK:
            name = f"notice {notice.kind}-{number}"
            yield asked(name, partial(_webhook, name, notice, config_path))
    for clear in config.clears:
        yield asked(f"clear {clear.peer}", partial(_clear, clear))
    storage = config.storage
    if storage is not None:
        yield asked("marker", partial(_marker, storage.path, mark=mark))
        yield asked("space", partial(_space, storage))
    if not config.node.board.is_loopback:
        yield asked("board", partial(_board, config.node.state))
    for key in ("control", "bulk", "board"):
        name, address = f"port {key}", getattr(config.node, key)
        yield asked(name, partial(_port, name, address, daemon_runs))


def _state(folder: Path) -> Check:
    folder.mkdir(0o700, parents=True, exist_ok=True)
    kind = file_system_of(folder.stat().st_dev, str(folder))
    try:
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".check-") as tried:
            tried.write(bytes(TRIED_BYTES))
            tried.flush()
            os.fsync(tried.fileno())
    except OSError as error:
        if not is_disk_trouble(error):
            raise
        message = f"{folder} cannot be written: {error.strerror}."
        return Check("state", False, message, STATE_DISK_REMEDY)
    if kind in NETWORK_FILE_SYSTEMS:
        remedy = "Name a folder on a local disk as node.state."
        return Check("state", False, f"{folder} is on a network file system ({kind}).", remedy)
    return Check("state", True, f"{folder} can be written" + (f" ({kind})." if kind else "."))


def _webhook(name: str, notice: NoticeConfig, config_path: Path) -> Check:
    """See that the secret can be used, and is one. What it is, is said nowhere."""
    try:
        keys = webhook_keys(notice.secret, notice.secret_file)
    except ValueError as error:
        remedy = "Write secrets as the receiver gave them, one a line."
        return Check(name, False, f"{notice.secret_file}: {error}.", remedy)
    if notice.secret and config_path.stat().st_mode & BEYOND_GROUP:
        remedy = f"Run: chmod 640 {config_path}; or write secret_file instead of secret."
        message = f"Other users may read {config_path}, and a secret is in it."
        return Check(name, False, message, remedy)
    word = "secret" if len(keys) == 1 else "secrets"
    return Check(name, True, f"It is signed by {len(keys)} {word}.")


def _clear(clear: ClearConfig) -> Check:
    """Say plainly what a person has chosen."""
    message = (
        f"If {clear.peer} asks for it, too, parcels travel unencrypted: "
        f"{READABLE.format(net=clear.net)}. Without [[clear]] nobody can."
    )
    return Check(f"clear {clear.peer}", True, message)


def _board(state: Path) -> Check:
    """Say what people compare with what their browser shows."""
    passphrase.read(state)
    try:
        pem = read_secret(state / certificate.NAME)
    except FileNotFoundError:
        message = "It has a passphrase; its certificate is made when the daemon starts."
        return Check("board", True, message)
    found = certificate.fingerprint_of_pem(pem)
    return Check("board", True, f"It has a passphrase; its certificate is {found}.")


def _journal(state: Path) -> Check:
    """Look for notes about mishaps; the journal itself is opened by the daemon alone."""
    folder = RealDisk().open_folder(str(state))
    try:
        notes = notes_in(folder)
        if not notes:
            return Check("journal", True, "Nothing has happened to the journal.")
        text = folder.read_file(notes[-1], bytes_max=NOTE_BYTES_MAX).decode(errors="replace")
    finally:
        folder.close()
    remedy = (
        f"Read {state / notes[-1]}, see whether the disk is well, and move away "
        f"{NAME}.*: then this is no longer said."
    )
    return Check("journal", False, text, remedy)


def _sqlite() -> Check:
    if not library.IS_NEW_ENOUGH:
        least = ".".join(map(str, library.VERSION_LEAST))
        remedy = f"Install a Python that comes with SQLite {least} or newer."
        return Check("sqlite", False, f"SQLite {library.VERSION} is too old.", remedy)
    return Check("sqlite", True, f"SQLite {library.VERSION}, opened by one process only.")


def _landing(name: str, landing: LandingConfig) -> Check:
    with os.scandir(landing.path) as entries:
        count = sum(entry.is_dir(follow_symlinks=False) for entry in entries)
    return Check(name, True, f"{landing.path} can be read; {counted(count, 'folder')} at its top.")


def _watches(landings: tuple[LandingConfig, ...]) -> Check:
    """Compare the folders below all landings with what the system lets us watch."""
    try:
        limit = int(WATCH_LIMIT_FILE.read_text())
    except (OSError, ValueError):
        return Check("watches", True, "This system has no limit of watches.")
    count = sum(_folder_count(landing.path) for landing in landings)
    message = f"{counted(count, 'folder')} to watch, {limit:,} allowed."
    if count < limit * WATCH_LIMIT_SHARE:
        return Check("watches", True, message)
    remedy = (
        "Until then new rolls are looked for every few seconds. "
        f"Run: sysctl fs.inotify.max_user_watches={max(524_288, 2 * count)}"
    )
    return Check("watches", False, message, remedy)


def _folder_count(top: Path) -> int:
    """Count top and the folders below it, following no links."""
    count, waiting = 0, [str(top)]
    while waiting and count < FOLDERS_COUNTED_MAX:
        count += 1
        try:
            with os.scandir(waiting.pop()) as entries:
                waiting += [e.path for e in entries if e.is_dir(follow_symlinks=False)]
        except OSError:
            continue  # whether the landing can be read is another check
    return count


def _marker(root: Path, *, mark: bool) -> Check:
    """Look for the storage's marker; write it first if a person said that this is the storage."""
    folder = RealDisk().open_folder(str(root))
    try:
        found = folder.stat(MARKER_NAME)
        if found is None and mark:
            make_marker(folder, SystemChance())
        elif found is None:
            remedy = "See that the storage is mounted; if this is its place: syncd check --mark"
            return Check("marker", False, f"{root} has no marker {MARKER_NAME}.", remedy)
        storage_id = read_marker(folder, str(root))
    finally:
        folder.close()
    if (error := _why_not_writable(root)) is not None:
        remedy = READ_ONLY if error == errno.EROFS else "Let the user who runs syncd write there."
        return Check("marker", False, f"{root} is marked, but may not be written.", remedy)
    word = "is marked now" if found is None else "is marked"
    return Check("marker", True, f"{root} {word} as storage {storage_id[:8]}.")


def _why_not_writable(root: Path) -> int | None:
    """Return the error number of writing there, or None.

    Tried, where syncd has written before: a file system that went read-only because of an error
    does not always say so when only asked.
    """
    if not os.access(root, os.W_OK | os.X_OK):
        return errno.EROFS if os.statvfs(root).f_flag & os.ST_RDONLY else errno.EACCES
    own = (root / INCOMING).parent
    if own.is_dir():
        try:
            with tempfile.NamedTemporaryFile(dir=own, prefix="check-"):
                pass
        except OSError as error:
            if error.errno not in {errno.ENOSPC, errno.EDQUOT}:  # space is another check
                return error.errno
    return None


def _space(storage: StorageConfig) -> Check:
    status = os.statvfs(storage.path)
    free = status.f_bavail * status.f_frsize
    message = f"{size(free)} free, {size(storage.keep_free_bytes)} to be kept free."
    if free > storage.keep_free_bytes:
        return Check("space", True, message)
    remedy = "Free space there, or lower storage.keep_free; until then rolls wait."
    return Check("space", False, message, remedy)


def _port(name: str, address: HostPort, daemon_runs: bool) -> Check:
    if daemon_runs:
        return Check(name, True, f"{address} is held by the running daemon.")
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_STREAM) as listener:
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind(socket.getaddrinfo(address.host, address.port, family)[0][4])
    except OSError as error:
        key = name.removeprefix("port ")
        remedy = f"Stop what listens there, or give node.{key} another address."
        return Check(name, False, f"{address} cannot be had: {error.strerror or error}.", remedy)
    return Check(name, True, f"{address} is free.")
