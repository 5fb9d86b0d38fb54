"""What a node has for `syncd speed`: it measures, or is measured, or both, by its roles.

Owns: which of the two it is, made of a node's parts. Must not: ask the world itself.
"""

import asyncio
from collections.abc import Callable

from syncd.company import Reach
from syncd.limits import LANES_DEFAULT
from syncd.parts import Parts
from syncd.speed.hardware import Hardware
from syncd.speed.host import SpeedHost
from syncd.speed.measuring import Measuring
from syncd.speed.steps import Means
from syncd.speed.under_way import rolls_taken

_NO_SESSION = -1


class Both:
    """Made of parts, whose desk then answers; run() it."""

    def __init__(self, parts: Parts, hardware: Hardware, reach: Callable[[str], Reach]) -> None:
        config = parts.config
        destinations = config.destinations
        means = Means(
            own_name=config.node.name,
            ports=parts.ports,
            journal=parts.journal,
            hardware=hardware,
            unsealed=parts.unsealed,
            lanes=destinations[0].lanes if destinations else LANES_DEFAULT,
            landings=tuple(landing.root for landing in parts.landings),
        )
        self.measuring = Measuring(means, aim=parts.aim, reach=reach)
        self._host = self._host_of(parts, hardware)
        parts.desk.speed = self._host

    async def run(self) -> None:
        """Measure and be measured until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self.measuring.run(), name="measuring")
            if self._host is not None:
                group.create_task(self._host.run(), name="speed-host")

    @staticmethod
    def _host_of(parts: Parts, hardware: Hardware) -> SpeedHost | None:
        if parts.area is None:
            return None

        def under_way(asker: str) -> str:
            if parts.lanes.rides("fetch"):
                return "a roll is being fetched."
            return rolls_taken(parts.journal, asker, parts.callers.is_heard)

        return SpeedHost(
            parts.config.node.name,
            parts.ports,
            parts.area,
            hardware,
            under_way=under_way,
            end_lanes=lambda peer: parts.lanes.end_older(peer, "speed", _NO_SESSION),
        )
