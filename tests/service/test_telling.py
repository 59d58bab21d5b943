"""What passes, in sentences: an exchange in two lines or a few, none wider than a terminal; a row for each meter."""

from fractions import Fraction

import pytest

from tallywell.line import frame
from tallywell.line.kept import Missing
from tallywell.line.replay import Replay
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.traffic import Asked, Passed, Traffic, Way
from tallywell.readings.units import Measure
from tallywell.registers.register_map import parse_map
from tallywell.service.site import Point
from tallywell.service.telling import WIDTH, Telling, summary

MS = 1_000_000
MAP = """
map: panel
revision: 1
numbering: on_the_wire
word_order: high_word_first
quantities:
  flow_rate:     {table: input, register: 0, type: float32, unit: gpm}
  forward_total: {table: input, register: 2, type: uint32, one_count: 1 gal, digits: 8, for_the_books: yes}
"""
FOUND, _ = parse_map(MAP, "panel")
assert FOUND is not None
GPM = Measure(Fraction(20), "gpm", Fraction(20) * Fraction("0.003785411784") / 60)
POINT = Point("north", "", (), "field", 17, "", FOUND, 60_000, GPM, running_above=GPM)
LINE = LineSettings("/dev/none", 19_200, "none", latency_ns=2 * MS)
ASK = Ask(17, Read(4, 0, 4), 100 * MS)
RUNS = frame.reply(17, 4, bytes.fromhex("42c80000") + bytes.fromhex("00000100"))  # 100 gpm
STANDS = frame.reply(17, 4, bytes.fromhex("00000000") + bytes.fromhex("00000100"))


def told(*heard: tuple[float, bytes], before: tuple[tuple[float, bytes], ...] = ()) -> list[str]:
    return said(telling(), 0, *heard, before=before)


def telling() -> Telling:
    return Telling("field", LINE, [POINT], lambda ns: f"10:00:{ns / 10**9:06.3f}")


def said(
    telling: Telling, from_ns: int, *heard: tuple[float, bytes], before: tuple[tuple[float, bytes], ...] = ()
) -> list[str]:
    """One exchange through the real one, told; times in ms after our last bit, or after the ask."""
    lines: list[str] = []
    replay = Replay(LINE, lambda address, read: Ask(address, read, 100 * MS))
    rows: list[Asked | Traffic] = [Asked(from_ns, ASK)]
    rows += [Traffic(from_ns + round(at * MS), Way.HEARD, content) for at, content in before]
    sent_ns = from_ns + 10 * MS
    rows.append(Traffic(sent_ns, Way.SENT, frame.request(17, ASK.read)))
    end_ns = sent_ns + LINE.wire_ns(8)
    rows += [Traffic(end_ns + round(at * MS), Way.HEARD, content) for at, content in heard]
    passed: list[Passed] = [one for row in rows for one in replay.feed(row)]
    for one in [*passed, *replay.end()]:
        lines += telling.after(one)
    assert all(len(line) <= WIDTH for line in lines), lines
    return lines


def test_a_good_answer() -> None:
    assert told((5, RUNS)) == [
        "10:00:00.014  north (address 17), input 0 to 3: flow_rate, forward_total",
        "              good after 5.0 ms, over 1.8 ms later: 42 c8 00 00 00 00 01 00",
    ]


@pytest.mark.parametrize(
    ("heard", "sentences"),
    [
        ([], ["no_answer: nothing of it within 109 ms"]),
        (
            [(5, RUNS[:-1] + b"\0")],
            [
                "bad_crc after 5.0 ms: its checksum does not hold",
                f"refused as bad_crc: {RUNS[:-1].hex(' ')} 00",
            ],
        ),
        (
            [(5, frame.exception_reply(17, 4, 2))],
            ["exception after 5.0 ms: the meter refuses with exception 2", "refused as exception: 11 84 02 c3 04"],
        ),
        (
            [(0.5, frame.request(17, ASK.read)), (5, RUNS)],
            [
                "our own request came back first, whole: an echo, thrown away",
                "good after 5.0 ms, over 1.8 ms later: 42 c8 00 00 00 00 01 00",
            ],
        ),
    ],
)
def test_what_is_said_of_other_ends(heard: list[tuple[float, bytes]], sentences: list[str]) -> None:
    assert [line.strip() for line in told(*heard)[1:]] == sentences


def test_bytes_that_came_before_our_request_had_left() -> None:
    assert told((-1.2, b"\xa5"))[1].strip() == (
        "stray_bytes 1.2 ms before our last bit was out: bytes that are no part of the answer"
    )


def test_bytes_that_break_the_silence_before_a_request() -> None:
    assert told((5, RUNS), before=((2, b"\xa5\x5a"),))[1].strip() == (
        "heard before the request, which waited for silence: a5 5a"
    )


def test_of_what_went_well_nothing_is_told_where_only_refusals_are_wanted() -> None:
    """Told is what was refused, also beside a good answer; all of it is counted."""
    line = Telling("field", LINE, [POINT], lambda ns: "10:00:00.000", only_refused=True)
    assert said(line, 0, (5, RUNS)) == []
    assert said(line, 10**9, (5, RUNS), before=((2, b"\xa5"),)) != []
    assert said(line, 2 * 10**9) != []
    assert line.tallies[17].asked == 3


def test_bytes_between_two_exchanges_are_told_at_once() -> None:
    line = telling()
    assert line.after(Traffic(3 * 10**9, Way.HEARD, b"\xa5")) == [
        "10:00:03.000  line field: heard while nobody was asked: a5"
    ]


def test_faults_are_counted_by_whether_the_pump_ran() -> None:
    """Between two answers that show the same; before the first, and between one of each, nobody knows."""
    line = telling()
    for number, heard in enumerate([[], [(5, RUNS)], [], [(5, RUNS)], [], [(5, STANDS)], [(5, STANDS)]]):
        said(line, number * 10**9, *heard)
    assert summary([line]) == [
        "Point  Asked  Good  Slowest  Allowed  Running  Still  Missed",
        "north      7     4   5.0 ms   100 ms     33.3    0.0  no_answer 3",
        "Running, Still: failed of 100 exchanges while the pump ran, and while it stood. One between two",
        "answers of which one shows the one and one the other is in neither.",
    ]


def test_where_the_total_moved_meanwhile_the_pump_did_not_stand() -> None:
    """A drive may let nothing through while it runs: what failed then must not count for the pump that stands."""
    line = telling()
    moved = frame.reply(17, 4, bytes.fromhex("00000000") + bytes.fromhex("00000900"))
    for number, heard in enumerate([[(5, STANDS)], [], [], [(5, moved)], [], [(5, moved)]]):
        said(line, number * 10**9, *heard)
    assert summary([line])[1].split()[7] == "25.0", "of 4 exchanges 1"


@pytest.mark.parametrize(
    ("heard", "by"),
    [
        (STANDS, "a late answer of north"),
        (frame.exception_reply(17, 4, 6), "a late answer of north"),
        (frame.with_crc(b"\x11\x06\x00\x01\x00\x03"), "a sound frame of north"),
        (frame.request(5, Read(3, 0, 1)), "another master asks address 5"),
        (frame.request(17, Read(3, 0, 1)), "another master asks north"),
        (frame.request(5, Read(3, 0, 1)) + frame.reply(5, 3, b"\0\0"), "another master asks address 5"),
        (frame.reply(5, 3, b"\0\0"), "a sound frame of address 5, which is no meter of this line"),
        (frame.request(17, ASK.read), "our own request again, an echo"),
    ],
)
def test_who_broke_the_silence(heard: bytes, by: str) -> None:
    line = telling()
    said(line, 0, (5, RUNS))
    words = " ".join(text.strip() for text in line.after(Traffic(3 * 10**9, Way.HEARD, heard)))
    assert words == f"10:00:03.000  line field: heard while nobody was asked ({by}): {heard.hex(' ')}"
    before = [text.strip() for text in said(line, 4 * 10**9, (5, RUNS), before=((2, heard),))]
    assert f"silence ({by}): {heard.hex(' ')}" in " ".join(before)


def test_what_could_not_be_seen_is_said() -> None:
    assert telling().missed(Missing(3 * 10**9, 7)) == [
        "10:00:03.000  line field: 7 exchanges were not seen, as this could not follow"
    ]


def test_where_nobody_says_how_to_know_the_pump_has_no_column() -> None:
    line = Telling("field", LINE, [], lambda ns: "10:00:00.000")
    said(line, 0, (5, RUNS))
    assert summary([line])[0] == "Point                Asked  Good  Slowest  Allowed  Missed"
    assert summary([line])[1].startswith("address 17 on field      1     1   5.0 ms   100 ms")


def test_another_masters_exchanges_are_told_on_a_line_that_is_listened_to() -> None:
    line = Telling("field", LINE, [POINT], lambda ns: "10:00:00.000", listened=True)
    lines: list[str] = []
    for number in range(4):
        at_ns = number * 10**9
        lines += line.after(Traffic(at_ns, Way.HEARD, frame.request(17, ASK.read)))
        lines += line.after(Traffic(at_ns + 20 * MS, Way.HEARD, RUNS))
        lines += line.overheard_until(at_ns + 500 * MS)
    assert lines[-2] == "10:00:00.000  north (address 17), input 0 to 3: flow_rate, forward_total"
    assert lines[-1].strip().startswith("good after ")
