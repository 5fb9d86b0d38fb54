"""The marker that says: this folder is the storage, and not what lies below an unmounted path.

Owns: the marker file's name and form. Made once, because a person said so; never changed.
"""

import json
import re

from syncd.ports import Chance, Folder
from syncd.roll.names import OWN_MARKER
from syncd.storage.troubles import storage_absent, why

MARKER_NAME = OWN_MARKER
_BYTES_MAX = 4096
_VERSION = 1
_ID = re.compile(r"[0-9A-Za-z_-]{1,64}", re.ASCII)


def make_marker(folder: Folder, chance: Chance) -> str:
    """Mark folder as a storage and return its id; one that is marked already keeps its id.

    Raises OSError if it cannot be written, HeldError if a broken marker is in the way.
    """
    storage_id = chance.random_bytes(16).hex()
    data = json.dumps({"syncd_storage": _VERSION, "id": storage_id}).encode() + b"\n"
    try:
        folder.make_new_file(MARKER_NAME, data)
    except FileExistsError:
        return read_marker(folder)
    folder.sync_folder()
    return storage_id


def read_marker(folder: Folder, shown_path: str = "folder") -> str:
    """Return the id of a marked storage. Raises HeldError(storage-absent)."""
    try:
        found = json.loads(folder.read_file(MARKER_NAME, bytes_max=_BYTES_MAX))
    except FileNotFoundError as error:
        raise storage_absent(shown_path, f"its marker {MARKER_NAME} is missing") from error
    except OSError as error:
        raise storage_absent(shown_path, f"{MARKER_NAME}: {why(error)}") from error
    except (ValueError, RecursionError) as error:
        raise storage_absent(shown_path, f"its marker {MARKER_NAME} is not JSON") from error
    match found:
        case {"syncd_storage": 1, "id": str(storage_id)} if _ID.fullmatch(storage_id):
            return storage_id
    raise storage_absent(shown_path, f"its marker {MARKER_NAME} is of another kind")
