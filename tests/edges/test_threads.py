"""Lanes in threads of their own, as the event loop sees them."""

import os
import traceback
import weakref

import pytest

from syncd.edges.threads import ThreadLines
from syncd.errors import LinkLostError


class Buffer:
    """Stands for the records that a lane keeps; unlike a bytearray, it can be watched."""


@pytest.mark.usefixtures("no_collection")
async def test_a_lane_that_broke_leaves_no_buffers_behind() -> None:
    """Its error is still held, and says where it came from; what the lane held is gone."""
    buffers: list[weakref.ref[Buffer]] = []

    async def deep(_buffer: Buffer) -> None:
        try:
            os.read(-1, 1)
        except OSError as error:
            raise LinkLostError("The link broke.", remedy="") from error

    async def lane() -> None:
        buffer = Buffer()
        buffers.append(weakref.ref(buffer))
        await deep(buffer)

    with pytest.raises(LinkLostError) as raised:
        await ThreadLines().run("lane", lane())

    assert [buffer() for buffer in buffers] == [None]
    assert "deep" in [frame.name for frame in traceback.extract_tb(raised.tb)]
