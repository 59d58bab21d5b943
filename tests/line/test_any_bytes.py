"""Random and mutated byte strings after a request, whole, byte by byte and in lumps: a reply, a fault or need-more, the
same result each way, no exception, and nothing taken but the answer.

30,000 strings here, a million with `-m campaign`; seeds are fixed and printed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tallywell.line import frame
from tallywell.line.exchange import NEED_MORE, Exchange
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.faults import Fault

MS = 1_000_000
LINE = LineSettings("x", 19_200, latency_ns=2 * MS)
LATE = Ask(9, Read(3, 0, 2), 50 * MS)
LONGEST_NS = 50 * MS
PARTS, EACH = 20, 50_000
REDUCED = 1_500


@dataclass(frozen=True, slots=True)
class Case:
    """What is asked, what is heard, `at_ns` after our last bit, and whether unit 9 owes an answer meanwhile."""

    ask: Ask
    heard: bytes
    at_ns: int
    owed: bool
    good: bytes


def cases(seed: str, count: int) -> Iterator[Case]:
    chance = random.Random(seed)
    for _ in range(count):
        function = chance.choice((1, 2, 3, 4))
        words = chance.choice((1, 2, 3, 4, chance.randint(1, 125)))
        ask = Ask(chance.choice((1, 17, 247)), Read(function, chance.choice((0, 0x0400, 0x0603)), words), LONGEST_NS)
        good = frame.reply(ask.address, function, chance.randbytes(ask.read.content_bytes))
        heard = chance.randbytes(chance.randint(0, 40)) if chance.random() < 0.2 else mutated(ask, good, chance)
        at_ns = chance.choice((-MS, MS, 5 * MS, 20 * MS, chance.randint(-5 * MS, 60 * MS)))
        yield Case(ask, heard or b"\0", at_ns, chance.random() < 0.3, good)


def mutated(ask: Ask, good: bytes, chance: random.Random) -> bytes:
    """None to three changes of the answer, with an echo or a late answer of another unit before it now and then."""
    text = bytearray(good)
    for _ in range(chance.choice((0, 0, 1, 1, 2, 3))):
        at = chance.randrange(len(text) + 1)
        match chance.randrange(8):
            case 0:
                text[at:at] = chance.randbytes(chance.randint(1, 6))
            case 1:
                del text[at : at + chance.randint(1, 4)]
            case 2 if at < len(text):
                text[at] ^= 1 << chance.randrange(8)
            case 3:
                text += good[:at]
            case 4 if at < len(text):
                text[at] = chance.randrange(256)
            case 5:
                text[:0] = frame.request(ask.address, ask.read)
            case 6:
                text[:0] = frame.reply(LATE.address, LATE.read.function, chance.randbytes(4))
            case 7:
                text[:] = frame.exception_reply(ask.address, ask.read.function, chance.randrange(256))
    return bytes(text)


def outcome_of(case: Case, lumps: list[tuple[int, bytes]]) -> Outcome:
    """Each lump comes so long after our last bit."""
    line, now_ns = Exchange(LINE, 0), 0
    if case.owed:
        line.start(LATE, 0)
        now_ns = to_the_end(line, 0).ended_ns
    line.start(case.ask, now_ns)
    now_ns += 10 * MS
    line.expire(now_ns)
    assert line.request_due(now_ns)
    sent_ns = now_ns + LINE.wire_ns(8)
    for at_ns, lump in lumps:
        now_ns = max(now_ns, sent_ns + at_ns)
        ended = line.expire(now_ns - 1)
        if ended is not None:
            return ended
        said = line.receive(lump, now_ns)
        assert said is NEED_MORE or isinstance(said, Fault)
    return to_the_end(line, now_ns)


def to_the_end(line: Exchange, now_ns: int) -> Outcome:
    for _ in range(20):
        outcome = line.expire(now_ns)
        if outcome is not None:
            return outcome
        line.request_due(now_ns)
        assert line.deadline() > now_ns, "stands still"
        now_ns = line.deadline()
    raise AssertionError("does not end")


def in_lumps(case: Case, chance: random.Random) -> list[tuple[int, bytes]]:
    """As it comes off the wire: a character at a time or some of them, each when its last one is there."""
    lumps, at = [], 0
    while at < len(case.heard):
        size = chance.choice((1, 1, 2, 3))  # never a silence between them
        lump = case.heard[at : at + size]
        lumps.append((case.at_ns + LINE.wire_ns(at + len(lump) - 1), lump))
        at += size
    return lumps


def run(seed: str, count: int) -> None:
    print("seed", seed)
    chance, taken, echoed = random.Random(f"lumps of {seed}"), 0, 0
    for number, case in enumerate(cases(seed, count)):
        whole = outcome_of(case, [(case.at_ns, case.heard)])
        singly = outcome_of(case, [(case.at_ns, case.heard[i : i + 1]) for i in range(len(case.heard))])
        assert whole == singly, (number, case)
        paced = outcome_of(case, in_lumps(case, chance))
        for outcome in (whole, paced):
            assert outcome.data is None or right(case, outcome), (number, case, outcome)
        assert case.at_ns >= 0 or whole.data is None, (number, case, whole)
        if case.heard == case.good and 0 < case.at_ns < 45 * MS and not looks_echoed(case):
            assert whole.data == paced.data == case.good[3:-2], (number, case, whole, paced)
        taken, echoed = taken + (whole.data is not None), echoed + whole.echoed
    assert taken > count // 10, "refusing everything does not pass"
    assert echoed > count // 200


def right(case: Case, outcome: Outcome) -> bool:
    """What was taken stands whole at the end; before it, only what is thrown away and said."""
    assert outcome.data is not None
    whole = frame.reply(case.ask.address, case.ask.read.function, outcome.data)
    echo = frame.request(case.ask.address, case.ask.read) if outcome.echoed else b""
    late = b"".join(refused.heard for refused in outcome.refused)
    if len(outcome.data) != case.ask.read.content_bytes or not case.heard.endswith(whole):
        return False
    before = case.heard[: -len(whole)]
    return before.replace(echo, b"", 1) == late and (case.owed or not late)


def looks_echoed(case: Case) -> bool:
    return case.good.startswith(frame.request(case.ask.address, case.ask.read))


@pytest.mark.parametrize("part", range(PARTS))
def test_any_bytes(part: int) -> None:
    run(f"bytes {part}", REDUCED)


@pytest.mark.campaign
@pytest.mark.parametrize("part", range(PARTS))
def test_a_million_strings(part: int) -> None:
    run(f"million {part}", EACH)


def test_the_check_finds_a_checksum_not_held_to(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tallywell.line.frame.crc_holds", lambda heard: len(heard) >= 4)
    with pytest.raises(AssertionError):
        run("bytes 0", REDUCED)
