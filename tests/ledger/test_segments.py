"""What entries and serial numbers that were read back say of a point's segments."""

from tallywell.ledger.doubt import BY_HAND_MS
from tallywell.ledger.segments import changes_of, same_serial
from tallywell.readings.clocks import When
from tallywell.readings.quantities import Change, Installed, SerialRead


def entry(about: int, serial: str, change: Change = Change.INSTALLED, converter: str | None = None) -> Installed:
    return Installed(f"entry-{about}", about, 0, serial, change=change, converter=converter)


def read(seq: int, serial: str, at: int | None = None) -> SerialRead:
    return SerialRead(seq, When(1, seq, seq if at is None else at, 0), (("serial_number", serial),))


def told(entries: list[Installed], reads: list[SerialRead]) -> list[tuple[str, bool]]:
    """Each change: its name, and whether what follows is withheld."""
    return [(one.uuid, one.withheld) for one in changes_of(entries, reads)]


def test_one_meter_is_written_in_many_ways() -> None:
    assert same_serial("A-1042", "a 1042")
    assert same_serial("00001042", "1042")
    assert not same_serial("A-1042", "A-1043")


def test_the_first_serial_number_says_nothing_new() -> None:
    assert told([], [read(5, "A-1")]) == []
    found = changes_of([entry(1, "A-1")], [read(5, "a1")])
    assert [(one.uuid, one.read_back) for one in found] == [("entry-1", "a1")]


def test_another_serial_number_without_an_entry_withholds_what_follows() -> None:
    assert told([], [read(5, "A-1"), read(9, "B-2")]) == [("seq 9", True)]
    assert told([entry(1, "A-1")], [read(5, "A-1"), read(9, "B-2")]) == [("entry-1", False), ("seq 9", True)]


def test_an_entry_in_between_explains_it() -> None:
    entries = [entry(1, "A-1"), entry(7, "B-2", Change.CHANGED)]
    assert told(entries, [read(5, "A-1"), read(9, "B-2")]) == [("entry-1", False), ("entry-7", False)]


def test_a_later_entry_ends_what_is_withheld() -> None:
    late = 10 + BY_HAND_MS
    entries = [entry(1, "A-1"), entry(late, "B-2", Change.CHANGED)]
    reads = [read(5, "A-1"), read(9, "B-2"), read(20, "C-3", at=late + 1)]
    assert told(entries, reads) == [("entry-1", False), ("seq 9", True), (f"entry-{late}", False), ("seq 20", True)]


def test_an_entry_by_a_slow_watch_explains_the_serial_number_read_before_it() -> None:
    """But one that lies as near behind the old meter's own serial number is not used up by it."""
    entries = [entry(1, "A-1"), entry(9 + BY_HAND_MS, "B-2", Change.CHANGED)]
    assert told(entries, [read(5, "A-1"), read(9, "B-2")]) == [("entry-1", False), (entries[1].uuid, False)]
    late = [read(5, "A-1"), read(9, "A-1"), read(12 + BY_HAND_MS, "B-2", at=12 + BY_HAND_MS)]
    assert told(entries, late) == [("entry-1", False), (entries[1].uuid, False)]


def test_a_read_without_a_date_is_explained_by_what_came_before_the_next_dated_one() -> None:
    entries = [entry(1, "A-1"), entry(7, "B-2", Change.CHANGED)]
    undated = SerialRead(8, When(2, 8, None, 0), (("serial_number", "B-2"),))
    for reads in ([read(5, "A-1"), undated], [read(5, "A-1"), undated, read(9, "B-2")]):
        assert told(entries, reads) == [("entry-1", False), ("entry-7", False)]


def test_a_plate_with_another_number_than_the_register_stands() -> None:
    found = changes_of([entry(1, "plate 77")], [read(5, "A-1")])
    assert [(one.uuid, one.read_back) for one in found] == [("entry-1", "A-1")]
    assert told([entry(1, "plate 77")], [read(5, "A-1"), read(9, "B-2")]) == [("entry-1", False), ("seq 9", True)]


def test_an_entry_made_for_a_later_hour_knows_the_serial_number_that_was_read_before() -> None:
    """The program read A-1 at 5; the installation is stated for 6: the next other number is no part of it."""
    assert told([entry(6, "A-1")], [read(5, "A-1"), read(9, "B-2")]) == [("entry-6", False), ("seq 9", True)]


def test_the_converter_may_be_the_one_that_answers() -> None:
    entries = [entry(1, "sensor 1", converter="C-9")]
    assert told(entries, [read(5, "C-9"), read(9, "C-10"), read(12, "C-9")]) == [
        ("entry-1", False),
        ("seq 9", True),
        ("seq 12", False),
    ]


def test_a_reset_is_no_other_meter() -> None:
    entries = [entry(1, "A-1"), entry(6, "A-1", Change.RESET)]
    assert told(entries, [read(5, "A-1"), read(9, "B-2")]) == [
        ("entry-1", False),
        ("entry-6", False),
        ("seq 9", True),
    ]


def test_a_boot_without_a_date_lies_behind_what_came_before() -> None:
    undated = SerialRead(9, When(2, 1, None, 0), (("serial_number", "B-2"),))
    (first, second) = changes_of([entry(1, "A-1")], [read(5, "A-1"), undated])
    assert second.about_ms >= first.about_ms
    assert second.after_seq == 9
