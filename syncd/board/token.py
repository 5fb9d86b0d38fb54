"""The token by which this box's commands and scripts show the board who they are.

Owns: its form, its file's name and that of the socket beside it, how it is made and compared.
Must not: answer a request.

Whoever can read the state folder may ask the board; nobody else can read the token there. It is
made anew at every start. So what a program could hear that held the board's port while the daemon
was down is worth nothing once the daemon is back.
"""

import base64
import hmac
import re
from pathlib import Path

from syncd.edges.private_file import replace_private
from syncd.edges.secret_files import ExposedError, read_secret
from syncd.errors import ConfigError, SyncdError, raise_if_disk_trouble
from syncd.ports import Chance

NAME = "board.token"
SOCKET_NAME = "board.sock"  # the board's door for commands: edges/folder_socket.py
TOKEN_BYTES = 32
SCHEME = "Bearer"  # RFC 6750, 2.1
_FORM = re.compile(rb"[A-Za-z0-9_-]{43}", re.ASCII)  # 32 bytes, base64url without padding


class TokenError(SyncdError):
    """The token cannot be used by whoever runs the command."""


def make_token(state: Path, chance: Chance) -> str:
    """Make the token of this start, in place of the last one's, and return it.

    Raises ConfigError if the state folder cannot be written.
    """
    token = base64.urlsafe_b64encode(chance.random_bytes(TOKEN_BYTES)).rstrip(b"=")
    try:
        replace_private(state / NAME, token + b"\n")
    except OSError as error:
        raise_if_disk_trouble(state, error)
        raise ConfigError(
            f"The board's token {state / NAME} cannot be written: {error.strerror or error}.",
            remedy="Let the user that runs syncd own the state folder.",
        ) from error
    return token.decode()


def read_token(state: Path) -> str | None:
    """Return the token of the daemon that was started last, None if none ever was.

    Raises TokenError if this user may not read it, or it is not as it was written.
    """
    path = state / NAME
    try:
        text = read_secret(path).strip()
    except FileNotFoundError:
        return None
    except ExposedError as error:
        raise TokenError(error.problem, remedy=_ANEW) from error
    except OSError as error:
        raise TokenError(
            f"The token {path} cannot be read: {error.strerror or error}.",
            remedy="Run the command as the user that runs syncd, such as: sudo -u syncd syncd …",
        ) from error
    if not _FORM.fullmatch(text):
        raise TokenError(f"The token {path} is damaged.", remedy=_ANEW)
    return text.decode()


_ANEW = "Start the daemon anew: it makes another token."


def is_token(said: str, token: str) -> bool:
    """Tell whether an Authorization header's value carries the token; takes always as long."""
    scheme, _, found = said.partition(" ")
    right = hmac.compare_digest(found.strip().encode(errors="replace"), token.encode())
    return right and scheme.lower() == SCHEME.lower()
