"""Entries: what is made here is read here, and what cannot be taken says why."""

import json

import pytest

from tallywell.readings.facts import Entry
from tallywell.readings.quantities import Scale
from tallywell.readings.total import Total
from tallywell.readings.units import measure
from tallywell.reports.face import Face
from tallywell.service.entries import (
    EntryError,
    hand_reading,
    installation_content,
    installed,
    note,
    shows_of,
    visit_content,
)

FACE = Face(measure("100 gal", "volume"), 8)
SCALE = Scale(measure("1 gal", "volume").si, 10**10)


def entry(content: object, kind: str = "visit") -> Entry:
    text = content if isinstance(content, str) else json.dumps(content)
    return Entry(7, "uuid-7", 1, 1000, 5_000, 4_000, kind, 1, "ana", None, text)


def test_a_visit_comes_back_in_the_books_counts_with_one_step_of_the_face() -> None:
    found = hand_reading(entry(visit_content(" 00092545 ", FACE, "dry")), FACE, SCALE)
    assert (found.uuid, found.about_ms, found.author) == ("uuid-7", 4_000, "ana")
    assert found.total == Total(9_254_500, 9_254_500, 9_254_600)


def test_an_installation_comes_back_with_its_first_count() -> None:
    content = installation_content("A-1042", "00000012", FACE)
    found = installed(entry(content, "installation"), FACE, SCALE)
    assert (found.serial, found.first_count) == ("A-1042", 1200)
    assert shows_of(entry(content)) == "00000012"


def test_a_first_count_that_nobody_noted_stays_unknown() -> None:
    assert installed(entry(installation_content("A-1042", None, FACE)), FACE, SCALE).first_count is None


def test_what_the_inbox_adds_to_a_content_does_no_harm() -> None:
    content = {**visit_content("7", FACE, "dry"), "typed": {"boot_ms": 1}}
    assert hand_reading(entry(content), FACE, SCALE).total.count == 700
    assert note(entry(content)) == "dry"


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("{", "not JSON"),
        ("[1]", "no table of names and values"),
        ({}, "shows is not text"),
        ({"shows": 5}, "shows is not text"),
        ({"shows": "5 gpm"}, "not what a face shows"),
    ],
)
def test_a_visit_that_cannot_be_taken_names_the_entry_and_what_to_do(content: object, said: str) -> None:
    with pytest.raises(EntryError, match="entry uuid-7") as refused:
        hand_reading(entry(content), FACE, SCALE)
    assert said in str(refused.value)


def test_an_installation_without_a_serial_number_is_refused() -> None:
    with pytest.raises(EntryError, match="read it on the plate"):
        installation_content("  ", "1", FACE)
    with pytest.raises(EntryError, match="serial is missing"):
        installed(entry({"serial": "", "first_count": None}), FACE, SCALE)
