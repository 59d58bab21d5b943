"""What waits while the record cannot be written, and what is given up of it."""

import pytest

from tallywell.readings.facts import Event, Fact, Poll
from tallywell.service import record_trouble
from tallywell.service.record_trouble import RecordTrouble


def numbers(facts: list[Fact]) -> list[int]:
    return [fact.seq for fact in facts]


def test_what_settings_are_is_given_up_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that cannot be written for long: the oldest readings go, a change that is told once stays."""
    facts: list[Fact] = [Event(seq, 1, 0, 0, "setting_changed" if seq % 3 == 0 else "asked", "{}") for seq in range(12)]
    monkeypatch.setattr(record_trouble, "KEPT_FACTS", 8)
    gone, left = RecordTrouble(0).give_up(facts)
    assert (numbers(gone), numbers(left)) == ([1, 2, 4, 5], [0, 3, 6, 7, 8, 9, 10, 11])
    monkeypatch.setattr(record_trouble, "KEPT_FACTS", 2)
    assert numbers(RecordTrouble(0).give_up(facts)[1]) == [0, 3, 6, 9]


def test_the_event_that_says_since_when_stays_in_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record_trouble, "KEPT_FACTS", 3)
    polls: list[Fact] = [Poll(seq, 1, 7, 1, seq, seq, None, 0, None, "no_answer", None) for seq in (1, 2, 4, 5, 6)]
    facts = [*polls[:2], Event(3, 1, 3, 3, record_trouble.REFUSED, "{}"), *polls[2:]]
    trouble = RecordTrouble(since_boot_ms=3)
    gone, left = trouble.give_up(facts)
    assert (numbers(gone), numbers(left)) == ([1, 2, 4], [3, 5, 6])
    assert trouble.lost == 3
    assert trouble.content(103, {7: "north"}) == {"away_ms": 100, "lost_polls": {"north": 3}, "lost_others": 0}
