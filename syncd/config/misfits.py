"""What is wrong between keys that are each right by themselves.

Owns: the relations: roles and what they need, names that must be known, what may occur once.
Must not: look at the world; `syncd check` does.
"""

from collections.abc import Iterator

from syncd.config.shapes import Config, NodeConfig, Role
from syncd.config.values import Problem, repeated, shown


def misfits(config: Config) -> Iterator[Problem]:
    """Yield every such problem."""
    yield from _role_misfits(config)
    yield from _peer_misfits(config)
    yield from _path_misfits(config)
    yield from _port_misfits(config.node)


def _role_misfits(config: Config) -> Iterator[Problem]:
    roles = config.node.roles
    if Role.OFFLOAD in roles and not config.landings:
        remedy = 'Add [[landing]] path = "…", the folder in which offloaded rolls appear.'
        yield Problem("landing", "is missing, and the role offload needs one", remedy)
    if Role.PROCESSING in roles and config.storage is None:
        remedy = 'Add [storage] path = "…", the folder under which rolls are published.'
        yield Problem("storage", "is missing, and the role processing needs it", remedy)
    if len(config.destinations) > 1:
        remedy = "Keep one [[destination]]; several are not available yet in this version."
        yield Problem("destination", f"is there {len(config.destinations)} times", remedy)
    if config.landings and Role.OFFLOAD not in roles:
        yield Problem("landing", "is there, but the role is not", 'Add "offload" to node.roles.')
    if config.storage and Role.PROCESSING not in roles:
        yield Problem("storage", "is there, but the role is not", 'Add "processing" to node.roles.')


def _peer_misfits(config: Config) -> Iterator[Problem]:
    names = [peer.name for peer in config.peers]
    for name in repeated(names):
        yield Problem("peer", f'has the name "{name}" twice', "Give every peer a name of its own.")
    for print_ in repeated(peer.fingerprint for peer in config.peers):
        remedy = "Each box has its own: ask `syncd peers` there."
        yield Problem("peer", f"has the fingerprint {print_[:15]}… twice", remedy)
    for peer in repeated(clear.peer for clear in config.clears):
        yield Problem("clear", f'names "{peer}" twice', "Keep the table of the cable that is used.")
    for clear in config.clears:
        if clear.peer == config.node.name:
            yield Problem("clear", "names this box itself", "Name the box at its other end.")
    for name in repeated(destination.name for destination in config.destinations):
        yield Problem("destination", f'has the name "{name}" twice', "Give each its own name.")


def _path_misfits(config: Config) -> Iterator[Problem]:
    """No folder of rolls may lie inside another: a roll would be taken twice, or published ones.

    Nor may one that we write something else to.
    """
    places = [(f"landing[{i}].path", landing.path) for i, landing in enumerate(config.landings)]
    if config.storage:
        places.append(("storage.path", config.storage.path))
    rolls = len(places)
    places += [
        (f"notice[{i}].folder", notice.folder)
        for i, notice in enumerate(config.notices)
        if notice.folder is not None
    ]
    for i, (key, path) in enumerate(places):
        for other_key, other in places[: min(i, rolls)]:  # several notices may share a folder
            if path.is_relative_to(other) or other.is_relative_to(path):
                found = f"is {shown(str(path))}, which overlaps {other_key}"
                yield Problem(key, found, "Give each a folder of its own, none inside the other.")


def _port_misfits(node: NodeConfig) -> Iterator[Problem]:
    ports = [p.port for p in (node.control, node.bulk, node.board) if p.port]
    for port in repeated(ports):
        remedy = "Give control, bulk and board a port each."
        yield Problem("node", f"uses port {port} twice", remedy)
