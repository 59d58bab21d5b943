"""Echoes, and bytes that nobody asked for: when they are told, in which words, and when they are over."""

from tallywell.line.frame import reply, request
from tallywell.readings.exchange import Ask, Outcome, Read, Refused
from tallywell.readings.faults import Fault
from tallywell.service.beside import OVER_NS, Beside, units_in
from tallywell.service.line_news import LineNews

ASK = Ask(17, Read(4, 0, 2), 50_000_000)
MINUTE_NS = 60_000_000_000


def outcome(at_ns: int, unasked: bytes = b"", *, echoed: bool = False, owed: bytes = b"") -> Outcome:
    refused = tuple(
        Refused(Fault.STRAY_BYTES, heard, told) for heard, told in ((unasked, True), (owed, False)) if heard
    )
    return Outcome(ASK, b"\0" * 4, None, at_ns, at_ns, refused=refused, echoed=echoed)


def told(*outcomes: Outcome) -> list[list[LineNews]]:
    beside, said = Beside("field"), []
    for one in outcomes:
        beside, news = beside.after(one)
        said.append(list(news))
    return said


def test_an_echo_is_said_once() -> None:
    first, *rest = told(outcome(0), outcome(1, echoed=True), outcome(2, echoed=True), outcome(3))[1:]
    assert [news.event for news in first] == [("echo", {"line": "field"})]
    assert "line field: the adapter hears what it sends" in first[0].said
    assert rest == [[], []]


def test_bytes_are_told_when_they_keep_coming() -> None:
    said = told(*(outcome(minute * MINUTE_NS, b"\xa5" if minute in (0, 4, 9) else b"") for minute in range(12)))
    assert [minute for minute, news in enumerate(said) if news] == [9]
    assert said[9][0].event == ("unasked_bytes", {"line": "field", "heard": "a5", "units": []})
    assert "noise, or another master" in said[9][0].said


def test_now_and_then_is_no_news() -> None:
    assert not any(told(*(outcome(6 * minute * MINUTE_NS, b"\xa5") for minute in range(20))))


def test_an_owed_answer_is_no_such_byte() -> None:
    assert not any(told(*(outcome(second * 10**9, owed=b"\xa5") for second in range(20))))


def test_frames_are_another_masters() -> None:
    heard = b"\x00" + request(40, Read(3, 0, 2)) + reply(41, 3, b"\1\2\3\4")
    said = told(*(outcome(second, heard) for second in range(3)))[2][0]
    assert said.event is not None
    assert said.event[1]["units"] == [40, 41]
    assert "another master is on this line (frames of unit 40 and 41)" in said.said


def test_it_is_over_after_an_hour_without() -> None:
    noisy = [outcome(second, b"\1\2") for second in range(5)]
    said = told(*noisy, outcome(OVER_NS), outcome(OVER_NS + 4), outcome(OVER_NS + 5), *noisy)
    assert [len(news) for news in said] == [0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0]
    assert said[6][0].event == ("unasked_bytes_over", {"line": "field", "times": 5, "bytes": 10})


def test_no_frame_in_noise() -> None:
    assert units_in(bytes(range(256))) == frozenset()
    assert units_in(b"") == frozenset()
