"""Which SQLite this Python comes with, and whether the journal can work with it."""

import sqlite3

VERSION_LEAST = (3, 37, 0)  # STRICT tables

VERSION = sqlite3.sqlite_version
IS_NEW_ENOUGH = sqlite3.sqlite_version_info >= VERSION_LEAST
