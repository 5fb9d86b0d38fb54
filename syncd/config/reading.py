"""The configuration: a TOML file in, one frozen Config out, or every error it has at once.

Owns: which keys there are, their defaults, and how they must fit together.
Must not: look at the paths or addresses it names (`syncd check` does); load() only reads the file.
"""

import os
import tomllib
from pathlib import Path
from typing import Any

import platformdirs

from syncd.config import values
from syncd.config.misfits import misfits
from syncd.config.shapes import (
    ClearConfig,
    Config,
    DestinationConfig,
    LandingConfig,
    NodeConfig,
    NoticeConfig,
    NoticeKind,
    OrderConfig,
    PeerConfig,
    Role,
    Route,
    StorageConfig,
)
from syncd.config.values import HostPort, Problem, Table
from syncd.errors import ConfigError
from syncd.limits import (
    COMMAND_TIMEOUT_S_DEFAULT,
    LANES_DEFAULT,
    LANES_MAX,
    SETTLE_S_DEFAULT,
    WEBHOOK_TIMEOUT_S_DEFAULT,
    WEBHOOK_TIMEOUT_S_MAX,
)
from syncd.roll.inventory import Trust
from syncd.roll.stages import Stage

FILE_NAME = "syncd.toml"
FILE_BYTES_MAX = 1 << 20
# A key of a thousand names joined by dots takes the TOML library a million steps and places.
DOTS_PER_LINE_MAX = 64
ERRORS_SHOWN_MAX = 50
RANK_MAX = 1_000_000
_DAY_S = 86_400.0
# What a notice can be about: a stage that was reached, or that a held roll goes on.
NOTICE_ON = (*(stage.value for stage in Stage), "released")


def default_path() -> Path:
    """Return $SYNCD_CONFIG, else the file in the user's or the site's configuration folder.

    The user's comes first; if neither is there, the answer is where it would be.
    """
    named = os.environ.get("SYNCD_CONFIG")
    if named:
        return Path(named)
    user = platformdirs.user_config_path("syncd") / FILE_NAME
    site = platformdirs.site_config_path("syncd") / FILE_NAME
    return site if site.is_file() and not user.is_file() else user


def load(path: Path | None = None) -> Config:
    """Read the file at path, or at default_path(). Raises ConfigError naming all that is wrong."""
    path = path or default_path()
    try:
        with path.open("rb") as file:
            data = file.read(FILE_BYTES_MAX + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        remedy = "Name it with -c FILE or $SYNCD_CONFIG; configs/ has an example for each role."
        if isinstance(error, PermissionError):
            remedy = "Let the user who runs this read it, or run it as who may (sudo -u USER)."
        raise ConfigError(
            f"The configuration {path} cannot be read: {reason}.", remedy=remedy
        ) from error
    return parse(data, str(path))


def parse(data: bytes, source: str) -> Config:
    """Read a configuration's bytes; source names them in errors. Raises ConfigError."""
    return _read(_toml(data, source), source)


def _read(tables: dict[str, Any], source: str) -> Config:
    found = Table("", tables, [])
    config = _config(found)
    if not found.problems:
        found.problems.extend(misfits(config))
    if found.problems:
        raise _error(source, found.problems)
    return config


def _toml(data: bytes, source: str) -> dict[str, Any]:
    if len(data) > FILE_BYTES_MAX:
        raise ConfigError(
            f"{source} is larger than 1 MiB.", remedy="Name the configuration file itself."
        )
    try:
        # RecursionError: thousands of brackets; ValueError: no UTF-8, bad TOML, endless numbers.
        text = data.decode("utf-8-sig")
        _check_dots(text)
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ConfigError(
            f"{source} is not TOML: {values.shown(str(error))[1:-1]}.",
            remedy="Correct that line; the examples in configs/ show the form.",
        ) from error


def _check_dots(text: str) -> None:
    """Raise ValueError for a line in which a key may be too long to be read."""
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > DOTS_PER_LINE_MAX and not line.lstrip().startswith("#"):
            raise ValueError(f"more than {DOTS_PER_LINE_MAX} dots (at line {number})")


def _error(source: str, problems: list[Problem]) -> ConfigError:
    if len(problems) == 1:
        only = problems[0]
        return ConfigError(f"{source}: {only.key} {only.found}.", remedy=only.remedy)
    lines = [f"\n  {p.key} {p.found}. {p.remedy}" for p in problems[:ERRORS_SHOWN_MAX]]
    if len(problems) > ERRORS_SHOWN_MAX:
        lines.append("\n  and others.")
    return ConfigError(
        f"{source} has {len(problems)} errors:{''.join(lines)}\n",
        remedy="Correct them, then run `syncd check`.",
    )


def _config(top: Table) -> Config:
    node = top.table("node")
    if node is None:
        if "node" not in top.values:
            top.note("node", "is missing", 'Add a table [node] with name = "…" and roles = […].')
        node = Table("node", {}, [])
    storage = top.table("storage")
    config = Config(
        node=_node(node),
        peers=tuple(_peer(table) for table in top.tables("peer")),
        landings=tuple(_landing(table) for table in top.tables("landing")),
        destinations=tuple(_destination(table) for table in top.tables("destination")),
        orders=tuple(_order(table) for table in top.tables("order")),
        storage=_storage(storage) if storage else None,
        notices=tuple(_notice(table) for table in top.tables("notice")),
        clears=tuple(_clear(table) for table in top.tables("clear")),
    )
    top.end()
    return config


def _node(table: Table) -> NodeConfig:
    roles = table.take("roles", values.many(values.choice(Role), at_least=1))
    node = NodeConfig(
        name=table.take("name", values.name),
        roles=frozenset(roles or ()),
        state=table.take("state", values.folder, platformdirs.user_state_path("syncd")),
        control=table.take("control", values.listening, HostPort("0.0.0.0", 8840)),  # noqa: S104 - the peers call it
        bulk=table.take("bulk", values.listening, HostPort("0.0.0.0", 8841)),  # noqa: S104 - likewise
        board=table.take("board", values.listening, HostPort("127.0.0.1", 8842)),
        discover=table.take("discover", values.flag, True),
        interfaces=table.take("interfaces", values.many(values.text), ()),
        board_names=table.take("board_names", values.many(values.host), ()),
    )
    table.end()
    return node


def _peer(table: Table) -> PeerConfig:
    roles = values.many(values.choice(Role), at_least=1)
    peer = PeerConfig(
        name=table.take("name", values.name),
        fingerprint=table.take("fingerprint", values.fingerprint),
        address=table.take("address", values.address, None),
        roles=frozenset(table.take("roles", roles, tuple(Role)) or ()),
    )
    table.end()
    return peer


def _clear(table: Table) -> ClearConfig:
    clear = ClearConfig(peer=table.take("peer", values.name), net=table.take("net", values.network))
    table.end()
    return clear


def _landing(table: Table) -> LandingConfig:
    landing = LandingConfig(
        path=table.take("path", values.folder),
        rolls=table.take("rolls", _two_parts, "*/*"),
        trust=table.take("trust", values.choice(Trust), Trust.EVIDENCE),
        settle_s=table.take("settle_s", values.seconds(_DAY_S), SETTLE_S_DEFAULT),
    )
    table.end()
    return landing


def _destination(table: Table) -> DestinationConfig:
    destination = DestinationConfig(
        name=table.take("name", values.name),
        route=table.take("route", values.choice(Route), Route.PEER),
        peer=table.take("peer", values.name, ""),
        path=table.take("path", values.folder, None),
        lanes=table.take("lanes", values.whole(1, LANES_MAX), LANES_DEFAULT),
    )
    table.end()
    if destination.route is Route.MOUNT:
        _not_yet(table, "route", "mount", 'route = "peer"')
    elif destination.route is Route.PEER and destination.path is not None:
        table.note("path", "is set", 'Leave it out: only the route "mount" has one.')
    return destination


def _order(table: Table) -> OrderConfig:
    order = OrderConfig(
        match=table.take("match", values.text, "*"),
        day=table.take("day", values.text, "*"),
        rank=table.take("rank", values.whole(-RANK_MAX, RANK_MAX), None),
        needed_by=table.take("needed_by", values.time_of_day, None),
    )
    table.end()
    if not {"match", "day"} & table.values.keys():
        table.note("match", "is missing", 'Say which rolls: match = "A*" or day = "…".')
    if not {"rank", "needed_by"} & table.values.keys():
        table.note("rank", "is missing", 'Say their place: rank = 10 or needed_by = "19:00".')
    return order


def _storage(table: Table) -> StorageConfig:
    storage = StorageConfig(
        path=table.take("path", values.folder),
        keep_free_bytes=table.take("keep_free", values.size_bytes, 0),
    )
    table.end()
    return storage


def _notice(table: Table) -> NoticeConfig:
    kind = table.take("kind", values.choice(NoticeKind))
    on: tuple[str, ...] = (Stage.READY.value,)
    on = table.take("on", values.many(values.word(NOTICE_ON), at_least=1), on)
    if kind is NoticeKind.WEBHOOK:
        notice = _webhook(table, on)
    elif kind is NoticeKind.DROP_FILE:
        notice = NoticeConfig(kind=kind, on=on, folder=table.take("folder", values.folder))
    else:
        notice = NoticeConfig(
            kind=kind,
            run=table.take("run", _program),
            on=on,
            timeout_s=table.take("timeout_s", values.seconds(_DAY_S), COMMAND_TIMEOUT_S_DEFAULT),
        )
    table.end()
    return notice


def _webhook(table: Table, on: tuple[str, ...]) -> NoticeConfig:
    """Read a webhook's table. No error shows a URL or a secret: neither is for a log."""
    allow_http = table.take("allow_http", values.flag, False)
    notice = NoticeConfig(
        kind=NoticeKind.WEBHOOK,
        on=on,
        url=table.take("url", values.web_address(allow_http=bool(allow_http)), hidden=True),
        secret=table.take("secret", values.secret, "", hidden=True),
        secret_file=table.take("secret_file", values.folder, None),
        ca_file=table.take("ca_file", values.folder, None),
        timeout_s=table.take(
            "timeout_s", values.seconds(WEBHOOK_TIMEOUT_S_MAX), WEBHOOK_TIMEOUT_S_DEFAULT
        ),
    )
    if ("secret" in table.values) == ("secret_file" in table.values):
        word = "are both there" if "secret" in table.values else "is missing"
        remedy = (
            'Write one of them: secret_file = "/etc/syncd/webhook.secret", readable by syncd only.'
        )
        table.note("secret or secret_file", word, remedy)
    return notice


def _not_yet(table: Table, key: str, word: str, instead: str) -> None:
    table.note(key, f'is "{word}", which is not available yet in this version', f"Use {instead}.")


def _program(value: Any) -> tuple[str, ...]:
    """Read a program and its words; which program it is, no roll's name decides."""
    run = values.many(values.text, at_least=1)(value)
    if "{" in run[0]:
        raise ValueError("the program's own path first; {path} and the like come after it")
    return run


def _two_parts(value: Any) -> str:
    pattern = values.text(value)
    parts = pattern.split("/")
    if len(parts) != 2 or any(part in ("", ".", "..", "**") for part in parts):
        raise ValueError('a pattern of two parts, DAY/ROLL, such as "*/*" or "2026-*/A*"')
    return pattern
