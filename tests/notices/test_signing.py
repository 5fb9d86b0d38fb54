"""Signatures and events, against what the standards publish."""

import json

import pytest

from syncd.journal.notices import NoticeRow
from syncd.notices.cloud_events import cloud_event, encoded, type_of
from syncd.notices.events import event_json
from syncd.notices.signing import key_of, keys_in, signature

# Standard Webhooks, libraries' tests (github.com/standard-webhooks/standard-webhooks, b2fa7b8).
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105 - the published one
MESSAGE_ID, TIMESTAMP_S = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="

NOTICE = NoticeRow(
    7,
    "0123abcd-7",
    "c4" * 16,
    "well-again",
    1_773_507_600_000,
    {
        "roll": {"id": "c4" * 16, "name": "A012", "day": "2026-03-14_D12"},
        "stage": "ready",
        "note": "B\u00e9la \udcff\x1b",
        "data": {},
    },
)


def test_the_published_vector_is_reproduced() -> None:
    """Secret, id, time and body give the very signature."""
    assert signature([key_of(SECRET)], MESSAGE_ID, TIMESTAMP_S, BODY) == SIGNATURE


@pytest.mark.parametrize(
    ("message_id", "timestamp_s", "body"),
    [
        ("msg_p5jXN8AQM9LWM0D4loKWxJel", TIMESTAMP_S, BODY),
        (MESSAGE_ID, TIMESTAMP_S + 1, BODY),
        (MESSAGE_ID, TIMESTAMP_S, BODY + b" "),
    ],
)
def test_id_time_and_body_are_all_signed(message_id: str, timestamp_s: int, body: bytes) -> None:
    """Whichever is changed, the signature is another."""
    assert signature([key_of(SECRET)], message_id, timestamp_s, body) != SIGNATURE


def test_several_secrets_give_several_signatures() -> None:
    """While one is being replaced, a receiver may know either."""
    second = "whsec_" + "QUFB" * 10
    keys = keys_in(f"\n{second}\r\n  {SECRET}  \n\n")
    made = signature(keys, MESSAGE_ID, TIMESTAMP_S, BODY).split(" ")
    assert len(made) == 2
    assert made[1] == SIGNATURE
    assert made[0].startswith("v1,")


@pytest.mark.parametrize(
    "secret",
    [
        "",
        SECRET.removeprefix("whsec_"),
        "whsec_",
        "whsec_" + "QUFB" * 7,
        "whsec_" + "QUFB" * 22,
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaS",
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\u00e9",
        "whsec_MfKQ9r8GKY qrTwjUPD8ILPZIo2LaLaSw",
    ],
)
def test_a_secret_that_is_none_is_refused_without_being_quoted(secret: str) -> None:
    """24 to 64 bytes in base64, after the prefix; what was found is not for a log."""
    with pytest.raises(ValueError, match=r"secret|whsec_") as caught:
        key_of(secret)
    assert secret.removeprefix("whsec_")[:8] not in str(caught.value) or len(secret) < 8
    assert caught.value.__cause__ is None


@pytest.mark.parametrize("text", ["", "\n \n", f"{SECRET}\n" * 9])
def test_a_file_holds_one_to_eight_secrets(text: str) -> None:
    """None would sign nothing; more is a file that was meant for something else."""
    with pytest.raises(ValueError, match="one a line"):
        keys_in(text)


def test_an_event_has_the_attributes_of_cloudevents() -> None:
    """CloudEvents 1.0.2: the four required ones, and what orders and dates it."""
    event = cloud_event(NOTICE, "/mnt/array/rolls/2026-03-14_D12/A012", "process-1")
    required = {key: event[key] for key in ("specversion", "id", "source", "type")}
    assert required == {
        "specversion": "1.0",
        "id": "0123abcd-7",
        "source": "syncd:process-1",
        "type": "local.syncd.well_again",
    }
    assert event["time"] == "2026-03-14T17:00:00.000Z"
    assert event["subject"] == "c4" * 16
    assert event["sequence"] == "0000000000000000007"
    assert event["data"] == event_json(NOTICE) | {"path": "/mnt/array/rolls/2026-03-14_D12/A012"}
    assert all(name.isalnum() and name == name.lower() for name in event)
    assert type_of("ready") == "local.syncd.ready"


def test_what_is_sent_is_utf_8_whatever_a_file_is_called() -> None:
    """A byte that is no text becomes "?"; control characters stay escaped."""
    sent = encoded(cloud_event(NOTICE, "/a/\udcff", "process-1"))
    read = json.loads(sent.decode("utf-8"))
    assert read["data"]["note"] == "B\u00e9la ?\x1b"
    assert read["data"]["path"] == "/a/?"
    assert b"\x1b" not in sent
