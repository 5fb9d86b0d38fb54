"""The shipped examples, fitted: what the demo changes is changed, all else stays."""

from pathlib import Path

import pytest

from syncd.config import parse
from syncd.demo.boxes import Boxes
from syncd.demo.settings import example, fitted


@pytest.mark.parametrize("name", ["offload.toml", "processing.toml", "editorial.toml"])
def test_without_changes_an_example_stays_as_it_is(name: str) -> None:
    """No line is lost in the cutting and joining."""
    text = example(name)

    assert fitted(text, {}) == text


def test_a_value_is_replaced_where_it_stands() -> None:
    """Of two tables of one kind the named one is changed."""
    peers_of = '[[peer]]\nname = "{}"\nfingerprint = "sha256:{}"\n'
    two = example("processing.toml") + "".join(
        peers_of.format(name, digit * 64) for name, digit in (("offload-1", "1"), ("edit-1", "2"))
    )
    text = fitted(two, {("peer edit-1", "fingerprint"): f'"sha256:{"ab" * 32}"'})

    peers = {peer.name: peer.fingerprint for peer in parse(text.encode(), "test").peers}
    assert peers["edit-1"] == f"sha256:{'ab' * 32}"
    assert peers["offload-1"] == f"sha256:{'1' * 64}"


def test_a_value_that_is_a_comment_becomes_real() -> None:
    """The examples show a destination's peer as a comment."""
    text = fitted(example("offload.toml"), {("destination", "peer"): '"process-2"'})

    assert parse(text.encode(), "test").destinations[0].peer == "process-2"


def test_a_value_that_is_not_there_is_added() -> None:
    """A key that the example does not show goes to the head of its table."""
    text = fitted(example("editorial.toml"), {("node", "interfaces"): '["127.0.0.1"]'})

    assert parse(text.encode(), "test").node.interfaces == ("127.0.0.1",)


def test_a_table_that_is_not_there_is_an_error() -> None:
    """An example that loses a table must not pass unnoticed."""
    with pytest.raises(KeyError):
        fitted(example("offload.toml"), {("storage", "path"): '"/x"'})


def test_the_boxes_have_ports_of_their_own(tmp_path: Path) -> None:
    """Nine ports, none twice."""
    boxes = Boxes(tmp_path / "demo")

    ports = [p for box in boxes.all for p in (box.ports.control, box.ports.bulk, box.ports.board)]
    assert len(set(ports)) == 9
