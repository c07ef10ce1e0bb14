"""Ladle's own topics: what goes out, and which wishes are heard."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.own_topics import OwnTopics
from adapters.types import Ask, Message, Refusal

OWN = OwnTopics("ladle", "home")


def test_topics_belong_to_the_home() -> None:
    topics = {OWN.state, OWN.faults, OWN.heartbeat, OWN.wish, OWN.wish_result}
    assert len(topics) == 5
    assert all(t.startswith("ladle/home/") for t in topics)


def test_what_is_retained_and_what_is_not() -> None:
    assert OWN.state_message({"at": "2026-01-01T00:00:00Z"}).retain
    assert OWN.faults_message("2026-01-01T00:00:00Z", []).retain
    assert not OWN.heartbeat_message(1_767_225_600.4, 60).retain
    assert not OWN.wish_answer(True, "").retain
    assert OWN.heartbeat_message(1_767_225_600.4, 60).payload == b"1767225600"
    assert OWN.heartbeat_message(1_767_225_600.4, 60).expires_s == 120


def test_a_wish_is_heard_and_answered_with_its_correlation() -> None:
    message = Message(OWN.wish, b'{"wish": "more", "until": null}', 5.0, False, 1, b"\x07")
    ask = OWN.read_wish(message)
    assert ask == Ask("home", {"wish": "more", "until": None}, 5.0, False, b"\x07")
    answer = OWN.wish_answer(True, "One tenth more", ask.correlation, {"id": 3})
    assert answer.topic == OWN.wish_result
    assert answer.correlation == b"\x07"
    assert json.loads(answer.payload) == {"id": 3, "accepted": True, "message": "One tenth more"}


@pytest.mark.parametrize(
    ("payload", "waited", "code"),
    [
        (b'{"wish": "more"}', True, "waited_wish"),
        (b"more", False, "not_json"),
        (b"", False, "not_json"),
        (b"[1]", False, "not_json"),
        (b"\xff", False, "not_json"),
        (b"[" * 4000, False, "not_json"),
        (b'{"wish": {"a": 1}}', False, "not_a_wish"),
        (b'{"a": "' + b"x" * 5000 + b'"}', False, "too_long"),
        (json.dumps({str(i): i for i in range(30)}).encode(), False, "not_a_wish"),
    ],
)
def test_other_wishes_are_refused(payload: bytes, waited: bool, code: str) -> None:
    refused = OWN.read_wish(Message(OWN.wish, payload, 5.0, waited))
    assert isinstance(refused, Refusal)
    assert refused.code == code
    assert refused.mend
    assert OWN.wish in refused.where


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=100))
def test_any_bytes_are_answered(payload: bytes) -> None:
    assert isinstance(OWN.read_wish(Message(OWN.wish, payload, 0.0, False)), Ask | Refusal)
