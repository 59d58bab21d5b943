"""What is overheard of another master: frames by length and CRC, answers to their requests, nothing in doubt.

Bytes of the two exchanges in EXAMPLES are those of Modbus Application Protocol V1.1b3, 6.3 and 6.4, with the CRC added.
"""

import random
from collections.abc import Callable, Iterable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.line import frame
from tallywell.line.overheard import NEVER, Overhearing, Unused
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Outcome, Read
from tallywell.readings.faults import Fault
from tallywell.simulator.trouble import RECIPES, Befalls, Trouble
from tests.line.campaign import LONGEST_NS, MS, UNITS
from tests.line.overheard_campaign import Campaign

LINE = LineSettings("heard only", 19_200, latency_ns=16 * MS)
DELAY_NS = 100 * MS
UNIT, OTHER_UNIT = 17, 18
GAP_NS = LINE.silence_ns + LINE.latency_ns
LONG_NS = 10_000 * MS

READ_3 = bytes.fromhex("11 03 006B 0003"), bytes.fromhex("11 03 06 022B 0000 0064")
READ_4 = bytes.fromhex("11 04 0008 0001"), bytes.fromhex("11 04 02 000A")


class Ear:
    """A machine that has listened long enough, and the clock beside it."""

    def __init__(self) -> None:
        self.machine = Overhearing(LINE, 0, {UNIT: DELAY_NS, OTHER_UNIT: DELAY_NS})
        self.now_ns = LONG_NS

    def hear(self, *frames: bytes, pause_ns: int = 5 * MS) -> "Ear":
        """Frames with pauses between them that an adapter may hide."""
        for one in frames:
            self.now_ns += LINE.wire_ns(len(one))
            self.machine.receive(one, self.now_ns)
            self.now_ns += pause_ns
        return self

    def rest(self, for_ns: int = GAP_NS + MS) -> "Ear":
        self.now_ns += for_ns
        self.machine.expire(self.now_ns)
        return self

    def good(self) -> list[tuple[int, Read, bytes]]:
        return [(one.ask.address, one.ask.read, one.data) for one in self.machine.take() if one.data is not None]

    def faults(self) -> list[Fault | None]:
        return [one.fault for one in self.machine.take()]


def ask(unit: int, read: Read) -> bytes:
    return frame.request(unit, read)


def say(unit: int, read: Read, fill: int = 7) -> bytes:
    return frame.reply(unit, read.function, bytes([fill]) * read.content_bytes)


A, B, C = Read(4, 0, 4), Read(4, 10, 4), Read(4, 20, 7)  # A and B have answers of one length


def test_the_examples_of_the_standard() -> None:
    ear = Ear().hear(*(frame.with_crc(one) for one in (*READ_3, *READ_4))).rest()
    assert ear.good() == [
        (0x11, Read(3, 0x6B, 3), bytes.fromhex("022B00000064")),
        (0x11, Read(4, 8, 1), bytes.fromhex("000A")),
    ]


def test_its_time_is_the_middle_between_request_and_answer() -> None:
    ear = Ear().hear(ask(UNIT, A))
    asked_ns = ear.now_ns - 5 * MS
    ear.hear(say(UNIT, A)).rest()
    (outcome,) = ear.machine.take()
    first_ns = asked_ns + 5 * MS + LINE.wire_ns(1)
    assert (outcome.sent_ns, outcome.first_ns) == (asked_ns, first_ns)
    assert outcome.at_ns == (asked_ns + first_ns) // 2


def test_an_answer_waits_for_what_stands_behind_it() -> None:
    ear = Ear().hear(ask(UNIT, A), say(UNIT, A))
    assert not ear.good()
    assert ear.hear(ask(UNIT, C)).rest().good() == [(UNIT, A, bytes([7]) * 8)]
    ear = Ear().hear(ask(UNIT, A), say(UNIT, A), b"\x00").rest()
    assert ear.faults() == [Fault.STRAY_BYTES]


def test_an_answer_that_comes_twice_is_not_taken() -> None:
    ear = Ear().hear(ask(UNIT, A), say(UNIT, A), say(UNIT, A)).rest()
    assert ear.faults() == [Fault.STRAY_BYTES]


def test_at_first_any_meter_may_owe_an_answer() -> None:
    ear = Ear()
    ear.machine.lost(ear.now_ns)
    assert not ear.hear(ask(UNIT, A), say(UNIT, A)).rest().good()
    assert ear.rest(LONG_NS).hear(ask(UNIT, A), say(UNIT, A)).rest().good()


def test_a_late_answer_is_not_that_to_the_next_request() -> None:
    ear = Ear().hear(ask(UNIT, A)).rest(DELAY_NS // 2).hear(ask(UNIT, B), say(UNIT, A)).rest()
    assert ear.faults() == [Fault.NO_ANSWER, Fault.STRAY_BYTES]
    assert ear.machine.tally == {Unused.UNANSWERED: 1, Unused.OWED: 1}
    # The answer to B comes now, and is not C's: another length. Nor is it A's, which has the same.
    assert ear.hear(ask(UNIT, A), say(UNIT, B)).rest().faults() == [Fault.STRAY_BYTES]
    assert ear.hear(ask(UNIT, C), say(UNIT, C)).rest().good() == [(UNIT, C, bytes([7]) * 14)]


def test_after_the_quiet_of_the_exchange_nothing_is_owed() -> None:
    ear = Ear().hear(ask(UNIT, A)).rest(3 * DELAY_NS).hear(ask(UNIT, B), say(UNIT, B)).rest()
    assert ear.good() == [(UNIT, B, bytes([7]) * 8)]


def test_an_answer_of_its_own_length_ends_what_was_owed_before() -> None:
    ear = Ear().hear(ask(UNIT, A)).rest().hear(ask(UNIT, C), say(UNIT, C), ask(UNIT, B), say(UNIT, B)).rest()
    assert [read for _, read, _ in ear.good()] == [C, B]


def test_the_same_request_again_has_true_words_and_an_honest_time() -> None:
    ear = Ear().hear(ask(UNIT, A))
    first_ns = ear.now_ns - 5 * MS
    ear.rest(DELAY_NS).hear(ask(UNIT, A), say(UNIT, A)).rest()
    missed, taken = ear.machine.take()
    assert missed.fault is Fault.NO_ANSWER
    assert taken.data
    assert taken.sent_ns == first_ns


def test_another_units_late_answer_neither_answers_nor_ends() -> None:
    ear = Ear().hear(ask(OTHER_UNIT, A)).rest(DELAY_NS).hear(ask(UNIT, A), say(OTHER_UNIT, A), say(UNIT, A)).rest()
    assert [unit for unit, _, _ in ear.good()] == [UNIT]


def test_a_foreign_answer_ends_the_exchange() -> None:
    ear = Ear().hear(ask(UNIT, A), say(OTHER_UNIT, A), say(UNIT, A)).rest()
    assert ear.faults() == [Fault.WRONG_ADDRESS]
    assert ear.machine.tally == {Unused.FOREIGN: 1, Unused.UNASKED: 1}


def test_an_answer_beyond_the_longest_delay_is_late() -> None:
    ear = Ear().hear(ask(UNIT, A)).rest(DELAY_NS + GAP_NS + MS).hear(say(UNIT, A)).rest()
    assert ear.faults() == [Fault.STRAY_BYTES]
    assert ear.machine.tally == {Unused.LATE: 1}


def test_a_refusal() -> None:
    ear = Ear().hear(ask(UNIT, A), frame.exception_reply(UNIT, 4, 2)).rest()
    (outcome,) = ear.machine.take()
    assert (outcome.fault, outcome.exception_code) == (Fault.EXCEPTION, 2)


def test_a_damaged_answer_hides_no_request_and_other_damage_may() -> None:
    broken = bytearray(say(UNIT, A))
    broken[5] ^= 1
    ear = Ear().hear(ask(UNIT, A), bytes(broken)).rest().hear(ask(OTHER_UNIT, A), say(OTHER_UNIT, A)).rest()
    assert [one.fault for one in ear.machine.take()] == [Fault.BAD_CRC, None]
    ear = Ear().hear(ask(UNIT, A), bytes(12)).rest().hear(ask(OTHER_UNIT, A), say(OTHER_UNIT, A)).rest()
    assert ear.faults() == [Fault.STRAY_BYTES, Fault.STRAY_BYTES]


def test_a_byte_of_noise_spoils_what_it_touches_and_nothing_else() -> None:
    ear = Ear().hear(ask(UNIT, A), b"\xff", say(UNIT, A)).rest()
    assert not ear.good()
    ear = Ear().hear(b"\xff").rest().hear(ask(UNIT, A), say(UNIT, A)).rest()
    assert ear.good()


def test_what_can_be_a_request_as_well_as_an_answer_is_neither() -> None:
    """Three bytes of coils: as long as a request, and here it could ask for 5 bits from 0x0300 on."""
    bits = Read(1, 0, 20)
    both = frame.reply(UNIT, 1, bytes((0, 0, 5)))
    assert len(both) == 8
    assert frame.parse_request(both) is not None
    ear = Ear().hear(ask(UNIT, bits), both).rest()
    assert ear.faults() == [Fault.STRAY_BYTES]
    assert ear.machine.tally == {Unused.AMBIGUOUS: 1}
    for _ in range(3):  # and what else the meter is asked is not in doubt for it
        assert ear.hear(ask(UNIT, bits), both, ask(UNIT, A), say(UNIT, A)).rest().good() == [(UNIT, A, bytes([7]) * 8)]
    ear = Ear().hear(ask(UNIT, bits), both, frame.reply(UNIT, 1, b"\x1f")).rest()
    assert not ear.good()
    ear = Ear().hear(both, frame.reply(UNIT, 1, b"\x1f")).rest()  # nobody owes such an answer: a request it is
    assert ear.good() == [(UNIT, Read(1, 0x0300, 5), b"\x1f")]


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("05 00AC FF00", "05 00AC FF00"),
        ("06 0001 0003", "06 0001 0003"),
        ("0F 0013 000A 02 CD01", "0F 0013 000A"),
        ("10 0001 0002 04 000A0102", "10 0001 0002"),
        ("08 0000 A537", "08 0000 A537"),
        ("11", "11 03 41FF42"),
        ("16 0004 00F2 0025", "16 0004 00F2 0025"),
        ("2B 0E 01 00", "2B 0E 01 01 00 00 01 00 03 414243"),
        ("07", "07 6D"),
    ],
)
def test_other_functions_are_followed_without_silence_between_frames(request_: str, answer: str) -> None:
    """The bytes are examples of Modbus Application Protocol V1.1b3, section 6 (some are our own)."""
    others = [frame.with_crc(bytes([UNIT]) + bytes.fromhex(one)) for one in (request_, answer)]
    ear = Ear().hear(*others, ask(UNIT, A), say(UNIT, A), *others, ask(OTHER_UNIT, B), say(OTHER_UNIT, B)).rest()
    assert [(unit, read) for unit, read, _ in ear.good()] == [(UNIT, A), (OTHER_UNIT, B)]
    assert not ear.machine.tally[Unused.DAMAGED]


# --- how bytes are lumped makes no difference


@st.composite
def talk(draw: st.DrawFn) -> list[bytes]:
    """Frames of all kinds, sound or not, in any order."""
    reads = st.builds(Read, st.sampled_from((1, 2, 3, 4)), st.sampled_from((0, 0x300, 7)), st.integers(1, 30))
    unit, read = draw(st.sampled_from((UNIT, OTHER_UNIT))), draw(reads)
    content = draw(st.binary(min_size=read.content_bytes, max_size=read.content_bytes))
    sound = [ask(unit, read), frame.reply(unit, read.function, content)]
    at = draw(st.integers(0, len(sound[1]) - 1))
    kinds = {
        "asked": sound[:1],
        "answer": sound[1:],
        "refusal": [sound[0], frame.exception_reply(unit, read.function, 2)],
        "broken": [sound[0], sound[1][:at] + bytes([sound[1][at] ^ 0x10]) + sound[1][at + 1 :]],
        "other": [frame.with_crc(bytes([unit, draw(st.integers(5, 120))]) + draw(st.binary(max_size=12)))],
        "noise": [draw(st.binary(min_size=1, max_size=20))],
    }
    return kinds.get(draw(st.sampled_from(("pair", "pair", "pair", *kinds))), sound)


def outcomes(runs: Iterable[bytes], cut: Callable[[bytes], Iterable[bytes]]) -> list[Outcome]:
    """What comes out where each run is handed over in these pieces, all at one time, with silence behind it."""
    ear = Ear()
    found: list[Outcome] = []
    for run in runs:
        for piece in cut(run):
            ear.machine.receive(piece, ear.now_ns)
            found += ear.machine.take()
        ear.rest(40 * MS)
        found += ear.machine.take()
    return found


def what(found: Sequence[Outcome]) -> list[object]:
    return [(one.ask, one.data, one.fault, [(r.fault, r.heard) for r in one.refused]) for one in found]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(talk(), min_size=1, max_size=6), min_size=1, max_size=4), st.randoms(use_true_random=False))
def test_whole_or_byte_by_byte_or_in_lumps(talks: list[list[list[bytes]]], dice: random.Random) -> None:
    runs = [b"".join(one for frames in spoken for one in frames) for spoken in talks]

    def lumps(run: bytes) -> Iterable[bytes]:
        while run:
            size = dice.randint(1, 20)
            yield run[:size]
            run = run[size:]

    whole = what(outcomes(runs, lambda run: [run]))
    assert what(outcomes(runs, lambda run: [run[n : n + 1] for n in range(len(run))])) == whole
    assert what(outcomes(runs, lumps)) == whole


# --- noise


def test_a_million_random_bytes() -> None:
    print("seed 20261125")
    dice, ear = random.Random(20261125), Ear()
    for _ in range(1_000):
        ear.machine.receive(dice.randbytes(dice.randint(1, 2000)), ear.now_ns)
        ear.now_ns += dice.choice((0, 0, MS, 100 * MS))
        ear.machine.expire(ear.now_ns)
        assert len(ear.machine._heard) <= 2 * frame.LONGEST_FRAME
        assert not ear.good()
    assert ear.machine.tally[Unused.DAMAGED] > 100


def test_bytes_of_any_two_kinds_never_end_in_an_exception() -> None:
    """Few kinds of bytes make many half-right frames."""
    dice, ear = random.Random(5), Ear()
    kinds = bytes((0, 1, 2, 3, 4, 5, 16, UNIT, 0x81, 0x83))
    for _ in range(3_000):
        ear.machine.receive(bytes(dice.choices(kinds, k=dice.randint(1, 60))), ear.now_ns)
        ear.now_ns += dice.choice((0, MS, 30 * MS))
        ear.machine.expire(ear.now_ns)
        if dice.random() < 0.05:
            ear.machine.lost(ear.now_ns)
        assert not ear.good()


def test_sound_traffic_with_bytes_changed_gives_only_what_was_sent() -> None:
    """Each read has words of its own, so that nothing that was not sent as a pair can look like one."""
    print("seed 77")
    dice, ear, good = random.Random(77), Ear(), 0
    for number in range(10_000):
        read = dice.choice((A, B, C, Read(1, 0x300, 20), Read(3, 5, 2)))
        content = bytes((read.function, read.register & 0xFF)) * 200
        sent = ask(UNIT, read) + frame.reply(UNIT, read.function, content[: read.content_bytes])
        if number % 5 == 0:
            spoilt = bytearray(sent)
            match dice.randrange(3):
                case 0:
                    spoilt[dice.randrange(len(sent))] ^= 1 << dice.randrange(8)
                case 1:
                    del spoilt[dice.randrange(len(sent)) :]
                case _:
                    spoilt.insert(dice.randrange(len(sent) + 1), dice.randrange(256))
            sent = bytes(spoilt)
        ear.hear(sent, pause_ns=dice.choice((3 * MS, 400 * MS)))
        ear.machine.expire(ear.now_ns)
        for _, found, data in ear.good():
            assert data == (bytes((found.function, found.register & 0xFF)) * 200)[: found.content_bytes]
            good += 1
    assert good > 1_200


def test_nothing_to_wait_for_while_nothing_is_under_way() -> None:
    ear = Ear()
    assert ear.machine.deadline() == NEVER
    assert ear.hear(b"\x11").machine.deadline() == ear.now_ns - 5 * MS + GAP_NS
    assert ear.rest().machine.deadline() == NEVER


# --- every trouble of the simulated line, with masters of three manners

# Of 100 requests, so many good at least, by a master that waits well and rests, that is hasty, and that rests long.
MANNERS: dict[str, dict[str, int]] = {
    "patient": {"patience_ns": 3 * LONGEST_NS, "rest_ns": 5 * MS},
    "hasty": {"patience_ns": LONGEST_NS // 2},
    "resting": {"patience_ns": LONGEST_NS, "rest_ns": 300 * MS},
}
# Lower where troubles come oftener than a busy master pauses for long enough.
FLOORS = {"cut_short": 4, "noise_before": 2, "broken_frame": 4, "late_queued": 10, "noise_behind": 12, "bit_errors": 8}
USUAL_FLOOR = 25
RESTING_FLOOR = 60
NAMES = [name for name, recipe in RECIPES.items() if recipe.befalls is not Befalls.REQUEST]


def judged(name: str, manner: str, requests: int, seed: str) -> Campaign:
    troubles = [Trouble(RECIPES[name])] if name else []
    found = Campaign(troubles, f"{seed} {name} {manner}", **MANNERS[manner])  # type: ignore[arg-type] # numbers only
    tally = found.run(requests)
    print(name, manner, tally, dict(found.machine.tally))
    assert not tally.wrong, tally.wrong[:3]
    floor = RESTING_FLOOR if manner == "resting" else FLOORS.get(name, USUAL_FLOOR)
    assert tally.good * 100 >= floor * requests
    return found


@pytest.mark.parametrize("manner", MANNERS)
@pytest.mark.parametrize("name", ["", *NAMES])
def test_no_wrong_pair_in_any_trouble(name: str, manner: str) -> None:
    judged(name, manner, 400, "ci")


@pytest.mark.campaign
@pytest.mark.parametrize("manner", MANNERS)
@pytest.mark.parametrize("name", ["", *NAMES])
def test_no_wrong_pair_in_any_trouble_for_long(name: str, manner: str) -> None:
    judged(name, manner, 20_000, "long")


# A late answer that bears the address of the very meter that is asked then: nothing in it tells.
TELLABLE = [name for name in NAMES if name != "other_unit"]


def any_line(seed: str) -> Campaign:
    """A line, its meters, its other master and its troubles at random. No meter thinks longer than it states."""
    dice = random.Random(seed)
    latency_ns = dice.choice((0, 2, 8, 16)) * MS
    reads = (
        A,
        B,
        Read(4, 20, 4),
        Read(3, 0, 2),
        Read(3, 7, 2),
        Read(4, 3, 9),
        Read(1, 0, 20),
        Read(2, 5, 24),
        Read(1, 3, 8),
    )
    return Campaign(
        [Trouble(RECIPES[name]) for name in dice.sample(TELLABLE, dice.choice((0, 1, 1, 2, 3)))],
        seed,
        asks=[(dice.choice(UNITS), dice.choice(reads)) for _ in range(dice.randint(1, 8))],
        patience_ns=dice.choice((10, 30, 60, 120, 500)) * MS,
        rest_ns=dice.choice((0, 0, 5, 50, 300)) * MS,
        every_ns=dice.choice((0, 0, 500)) * MS,
        lump_ns=latency_ns,
        settings=LineSettings(
            "any", dice.choice((1200, 9600, 19_200, 115_200)), dice.choice(("none", "even")), latency_ns=latency_ns
        ),
        turnaround_ns=dice.choice((0, 1, 3, 10, 25, 40, 50)) * MS,
    )


def no_wrong_pair_on(lines: range, requests: int) -> int:
    good = 0
    for number in lines:
        tally = any_line(f"any {number}").run(requests)
        assert not tally.wrong, (number, tally.wrong[:2])
        good += tally.good
    return good


def test_no_wrong_pair_on_any_line() -> None:
    assert no_wrong_pair_on(range(16), 250) > 500


@pytest.mark.campaign
def test_no_wrong_pair_on_any_line_for_long() -> None:
    assert no_wrong_pair_on(range(1_500), 400) > 100_000


def test_the_campaign_finds_a_listener_that_takes_any_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the rule of what is owed, late answers are taken for those to the next request."""
    monkeypatch.setattr(Overhearing, "_owed_of", lambda *_: [])
    monkeypatch.setattr(Overhearing, "_in_doubt", lambda *_: False)
    found = Campaign([Trouble(RECIPES["late_queued"])], "blind", patience_ns=LONGEST_NS // 2)
    assert found.run(1_000).wrong
