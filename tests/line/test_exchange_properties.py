"""Whatever the bytes are: a reply, a fault or need-more; byte by byte as at once; taken only what was asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.line import frame
from tallywell.line.exchange import NEED_MORE, Exchange
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault

if TYPE_CHECKING:
    from tests.line.conftest import Wire

    WireOf = Callable[[LineSettings], Wire]

MS = 1_000_000
LINE = LineSettings("x", 115_200, latency_ns=2 * MS)
LATE = Ask(9, Read(3, 0, 2), 50 * MS)

asks = st.builds(
    Ask,
    st.integers(1, 247).filter(lambda address: address != LATE.address),
    st.builds(Read, st.sampled_from([1, 2, 3, 4]), st.integers(0, 60_000), st.integers(1, 125)),
    st.just(50 * MS),
)


@st.composite
def heard_after(draw: st.DrawFn) -> tuple[Ask, bytes]:
    """An ask, and pieces of what a bad line may bring after it."""
    ask = draw(asks)
    content = draw(st.binary(min_size=ask.read.content_bytes, max_size=ask.read.content_bytes))
    pieces = st.one_of(
        st.just(frame.reply(ask.address, ask.read.function, content)),
        st.just(frame.request(ask.address, ask.read)),
        st.builds(frame.reply, st.integers(0, 255), st.sampled_from([1, 3, 4, 16]), st.binary(max_size=40)),
        st.builds(frame.exception_reply, st.just(ask.address), st.just(ask.read.function), st.integers(0, 255)),
        st.just(frame.reply(LATE.address, 3, b"late")),
        st.just(frame.exception_reply(LATE.address, 3, 6)),
        st.binary(max_size=12),
    )
    return ask, b"".join(draw(st.lists(pieces, max_size=4)))


def outcome_of(ask: Ask, chunks: list[bytes], at_ns: int, late: bool) -> Outcome:
    """The outcome when all chunks come at one instant, `at_ns` after the request was written."""
    line, now_ns = Exchange(LINE, 0), 0
    if late:
        line.start(LATE, 0)
        now_ns = _to_the_end(line, 0).ended_ns
    line.start(ask, now_ns)
    line.expire(now_ns + 10 * MS)
    assert line.request_due(now_ns + 10 * MS)
    for chunk in chunks:
        said = line.receive(chunk, now_ns + 10 * MS + at_ns)
        assert said is NEED_MORE or isinstance(said, Fault)
    return _to_the_end(line, now_ns + 10 * MS + at_ns)


def _to_the_end(line: Exchange, now_ns: int) -> Outcome:
    while (outcome := line.expire(now_ns)) is None:
        line.request_due(now_ns)
        assert line.deadline() > now_ns, "stands still"
        now_ns = line.deadline()
    return outcome


@settings(max_examples=400, deadline=None)
@given(heard_after(), st.integers(0, 40), st.booleans())
def test_byte_by_byte_as_at_once(heard: tuple[Ask, bytes], at_ms: int, late: bool) -> None:
    ask, text = heard
    singly = [text[i : i + 1] for i in range(len(text))]
    assert outcome_of(ask, [text], at_ms * MS, late) == outcome_of(ask, singly, at_ms * MS, late)


@settings(max_examples=400, deadline=None)
@given(heard_after(), st.booleans())
def test_taken_is_only_the_whole_answer(heard: tuple[Ask, bytes], late: bool) -> None:
    ask, text = heard
    outcome = outcome_of(ask, [text], 20 * MS, late)
    if outcome.data is not None:
        whole = frame.reply(ask.address, ask.read.function, outcome.data)
        assert text.endswith(whole)
        assert len(outcome.data) == ask.read.content_bytes
        before = text[: -len(whole)]
        assert before == b"".join(refused.heard for refused in outcome.refused)
        assert late or not before


@settings(max_examples=200, deadline=None)
@given(asks, st.data())
def test_the_good_answer_is_taken(ask: Ask, data: st.DataObject) -> None:
    """Refusing everything does not pass. (An echo that reads as a reply is refused: see the bits of test_exchange.)"""
    content = data.draw(st.binary(min_size=ask.read.content_bytes, max_size=ask.read.content_bytes))
    reply = frame.reply(ask.address, ask.read.function, content)
    if reply != frame.request(ask.address, ask.read):
        assert outcome_of(ask, [reply], 20 * MS, late=True).data == content


@settings(max_examples=200, deadline=None)
@given(asks, st.integers(1, 8), st.integers(0, 49), st.data())
def test_what_a_waking_brings_late_is_never_the_answer(
    wire_of: WireOf, ask: Ask, words: int, late_ms: int, data: st.DataObject
) -> None:
    """Any block after a waking with any block: the good answer is taken, whenever within the longest delay a late one
    comes, whole or byte by byte.
    """
    wake = Ask(ask.address, Read(3, 0, words), 5 * MS, expects_reply=False)
    content = data.draw(st.binary(min_size=ask.read.content_bytes, max_size=ask.read.content_bytes))
    good = frame.reply(ask.address, ask.read.function, content)
    if good == frame.request(ask.address, ask.read):
        return
    late = frame.reply(ask.address, 3, b"\xaa\x55" * words)
    singly = data.draw(st.booleans())
    chunks = [late[i : i + 1] for i in range(len(late))] if singly else [late]
    wire = wire_of(LINE)
    wire.play(wake, [(late_ms * MS + i, chunk) for i, chunk in enumerate(chunks)])
    outcome = wire.play(ask, [(49 * MS, good)])
    assert (outcome.data, outcome.refused) == (content, ())


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(-8 * MS, 120 * MS), st.binary(max_size=30)), max_size=8), st.integers(0, 2))
def test_any_bytes_at_any_time_end(wire_of: WireOf, arrivals: list[tuple[int, bytes]], again: int) -> None:
    wire = wire_of(LINE)
    for number in range(1 + again):
        outcome = wire.play(Ask(20 + number, Read(4, 0, 5), 50 * MS), arrivals, arrivals)
        assert outcome.data is None or len(outcome.data) == 10
