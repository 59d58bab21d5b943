"""The simulated line: when bytes pass, what meters hear, and that the same seed plays the same trouble."""

from collections.abc import Callable, Iterable
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tallywell.line.frame import crc_holds, parse_request, reply, request
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read
from tallywell.registers.quantity import RegisterMap
from tallywell.simulator.line import SimulatedLine
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Profile
from tallywell.simulator.station import Station
from tallywell.simulator.trouble import RECIPES, Befalls, Trouble

START = 1_772_348_400_000
SETTINGS = LineSettings("", 9_600)
TURNAROUND_NS = 5_000_000
ASKED = request(17, Read(4, 2, 2))


@pytest.fixture
def station(plain: RegisterMap, crossed: RegisterMap, steady: Profile) -> Station:
    return Station([Meter(17, plain, steady, first_count=1000), Meter(18, crossed, steady)], TURNAROUND_NS)


def played(line: SimulatedLine, until_ns: int) -> list[tuple[int, int]]:
    """Every byte that the reader hears, with its instant."""
    heard = []
    while (at_ns := line.next_ns()) <= until_ns:
        heard += [(at_ns, byte) for byte in line.take(at_ns)]
    return heard


def asked(line: SimulatedLine, frame: bytes = ASKED, at_ns: int = 0, for_ns: int = 500_000_000) -> bytes:
    line.put(frame, at_ns, START)
    return bytes(byte for _, byte in played(line, at_ns + for_ns))


def line_with(station: Station, *names: str, rate: int = 100, seed: str = "1") -> SimulatedLine:
    return SimulatedLine(station, SETTINGS, [Trouble(RECIPES[name], rate=rate) for name in names], seed=seed)


def test_the_pace_is_that_of_the_wire(station: Station) -> None:
    """8E1 at 9,600 baud: a character of 11 bits in 1.1458 ms, 3.5 of them in 4.0104 ms (V1.02, 2.5.1)."""
    line = SimulatedLine(station, SETTINGS)
    line.put(ASKED, 0, START)
    instants = [at_ns for at_ns, _ in played(line, 10**9)]
    character = Fraction(11 * 10**9, 9_600)
    first = 8 * character + Fraction(7, 2) * character + TURNAROUND_NS + character
    assert [round(at_ns - first) for at_ns in instants] == pytest.approx(
        [round(k * character) for k in range(9)], abs=3
    )


def test_ten_bits_without_parity_take_ten_elevenths(station: Station) -> None:
    spans = []
    for parity in ("none", "even"):
        line = SimulatedLine(station, LineSettings("", 9_600, parity))
        line.put(ASKED, 0, START)
        instants = [at_ns for at_ns, _ in played(line, 10**9)]
        spans.append(instants[-1] - instants[0])
    assert spans[0] * 11 == pytest.approx(spans[1] * 10, abs=100)


def test_a_request_in_two_parts_is_one_if_no_silence_parts_them(station: Station) -> None:
    silence_ns = SETTINGS.silence_ns
    for pause_ns, answers in ((0, 1), (silence_ns - 1, 1), (silence_ns, 0)):
        line = SimulatedLine(station, SETTINGS)
        line.put(ASKED[:5], 0, START)
        line.put(ASKED[5:], SETTINGS.wire_ns(5) + pause_ns, START)
        assert bool(played(line, 10**9)) == bool(answers), pause_ns


@pytest.mark.parametrize(("short_ns", "insists", "heard"), [(0, True, True), (1, True, False), (1, False, True)])
def test_a_meter_hears_only_what_stands_behind_silence(
    station: Station, short_ns: int, insists: bool, heard: bool
) -> None:
    line = SimulatedLine(station, SETTINGS, insists=insists)
    line.put(ASKED, 0, START)
    end_ns = played(line, 10**9)[-1][0]
    answer = asked(line, at_ns=end_ns + SETTINGS.silence_ns - short_ns)
    assert bool(answer) is heard
    assert line.request is not None
    assert line.request.quiet_ns == SETTINGS.silence_ns - short_ns


def test_what_two_send_at_once_is_garbled(station: Station) -> None:
    """The second request is put on the wire while the first is being answered."""
    line = SimulatedLine(station, SETTINGS)
    line.put(ASKED, 0, START)
    first_ns = line.next_ns()
    line.take(first_ns)
    middle_ns = line.next_ns() + 3 * SETTINGS.wire_ns(1)
    heard = bytes(byte for _, byte in played(line, middle_ns))
    line.put(request(18, Read(3, 100, 1)), middle_ns, START)
    heard += bytes(byte for _, byte in played(line, 10**9))
    assert len(heard) == 9
    assert not crc_holds(heard)
    assert line.request is not None
    assert not line.request.heard


def test_a_meter_says_what_it_owes_one_after_the_other(station: Station) -> None:
    """Three requests while the first is owed: three sound answers, apart by a silence, in the order of the requests."""
    line = line_with(station, "late_queued")
    for number in range(3):
        line.put(request(17, Read(4, number, 2)), number * 30_000_000, START + number * 30)
    heard = played(line, 10**10)
    answers = [bytes(byte for _, byte in heard[9 * n : 9 * n + 9]) for n in range(3)]
    assert [crc_holds(answer) for answer in answers] == [True] * 3
    assert answers == [reply(17, 4, station_words(station, n)) for n in range(3)]
    for n in (9, 18):
        assert heard[n][0] - heard[n - 1][0] >= SETTINGS.silence_ns + SETTINGS.wire_ns(1)


def station_words(station: Station, register: int) -> bytes:
    words = station.meters[17].answer(4, register, 2, START + register * 30)
    assert isinstance(words, bytes)
    return words


def test_what_was_answered_can_be_held_against_what_came(station: Station) -> None:
    line = SimulatedLine(station, SETTINGS)
    answer = asked(line)
    (served,) = line.left()
    assert answer[3:-2] == served.data
    assert line.left() == ()
    assert line.request is not None
    assert (line.request.served, line.request.struck) == (served, ())


EFFECTS: list[tuple[str, Callable[[bytes, bytes], bool]]] = [
    ("bad_crc", lambda heard, good: len(heard) == 9 and heard[:-2] == good[:-2] and heard != good),
    ("bit_errors", lambda heard, good: len(heard) == 9 and heard != good),
    ("cut_short", lambda heard, good: 0 < len(heard) < 9 and good.startswith(heard)),
    ("noise_before", lambda heard, good: heard.endswith(good) and 1 <= len(heard) - 9 <= 6),
    ("noise_behind", lambda heard, good: heard.startswith(good) and 1 <= len(heard) - 9 <= 6),
    ("twice", lambda heard, good: heard == 2 * good),
    ("other_unit", lambda heard, good: crc_holds(heard) and heard[0] != 17 and heard[1:-2] == good[1:-2]),
    ("other_function", lambda heard, good: crc_holds(heard) and heard[1] in (1, 2, 3) and heard[2:-2] == good[2:-2]),
    ("other_count", lambda heard, good: crc_holds(heard) and heard[:2] == good[:2] and heard[2] != 4),
    (
        "refuses",
        lambda heard, good: crc_holds(heard) and len(heard) == 5 and heard[1] == 0x84 and heard[2] in (1, 2, 3, 5, 6),
    ),
    ("silent", lambda heard, good: heard == b""),
    ("slow_bytes", lambda heard, good: heard == good),
    ("broken_frame", lambda heard, good: heard == good),
    ("echo", lambda heard, good: heard == ASKED + good),
    ("echo_part", lambda heard, good: heard.endswith(good) and ASKED.endswith(heard[:-9]) and len(heard) > 9),
]


@pytest.mark.parametrize(("name", "effect"), EFFECTS)
def test_what_a_recipe_plays(station: Station, name: str, effect: Callable[[bytes, bytes], bool]) -> None:
    good = asked(SimulatedLine(station, SETTINGS))
    for seed in range(50):
        line = line_with(station, name, seed=str(seed))
        heard = asked(line)
        assert effect(heard, good), (seed, heard.hex())
        assert line.request is not None
        assert [recipe.name for recipe in line.request.struck] == [name]


@pytest.mark.parametrize(("name", "longest"), [("slow_bytes", Fraction(7, 2)), ("broken_frame", Fraction(0))])
def test_pauses_inside_an_answer(station: Station, name: str, longest: Fraction) -> None:
    line = line_with(station, name)
    line.put(ASKED, 0, START)
    instants = [at_ns for at_ns, _ in played(line, 10**9)]
    widest = max(b - a for a, b in pairwise(instants))
    if longest:
        assert Fraction(5, 2) * SETTINGS.wire_ns(1) <= widest < longest * SETTINGS.wire_ns(1)
    else:
        assert widest > SETTINGS.silence_ns + SETTINGS.latency_ns


@pytest.mark.parametrize(("name", "answers"), [("late_queued", 2), ("late_busy", 1)])
def test_a_late_meter_queues_or_does_not_hear(station: Station, name: str, answers: int) -> None:
    """The longest delay of this map is 1 s. A second request comes after 0.9 s; its answer waits behind the first."""
    line = line_with(station, name)
    line.put(ASKED, 0, START)
    early = played(line, 900_000_000)
    line.put(request(17, Read(4, 0, 2)), 900_000_000, START + 900)
    heard = played(line, 10 * 10**9)
    assert early == []
    assert len(heard) == 9 * answers
    assert 1_250_000_000 <= heard[0][0] <= 2_100_000_000
    assert line.request is not None
    assert bool(line.request.served) is (answers == 2)


def test_a_frozen_meter_and_one_at_work(station: Station) -> None:
    at_work, frozen = SimulatedLine(station, SETTINGS), line_with(station, "frozen")
    seen = {"at_work": set[bytes](), "frozen": set[bytes]()}
    for number in range(20):
        for name, line in (("at_work", at_work), ("frozen", frozen)):
            line.put(ASKED, number * 10**9, START + number * 10_000)
            seen[name].add(bytes(byte for _, byte in played(line, (number + 1) * 10**9 - 1)))
    assert len(seen["at_work"]) == 20
    assert len(seen["frozen"]) == 1


def test_a_meter_that_sleeps(station: Station) -> None:
    line = line_with(station, "asleep")
    spans = [(0, False), (30, False), (1_000, True), (5_900, True), (11_000, False), (11_500, True)]
    for at_ms, answers in spans:
        line.put(ASKED, at_ms * 10**6, START + at_ms)
        assert bool(played(line, at_ms * 10**6 + 29_000_000)) is answers, at_ms


def test_a_trouble_at_one_meter_leaves_the_others_alone(station: Station) -> None:
    line = SimulatedLine(station, SETTINGS, [Trouble(RECIPES["silent"], 18, 100)])
    assert asked(line)
    assert not asked(line, request(18, Read(3, 100, 1)), 10**9)


def test_another_master_and_noise_come_unasked(station: Station) -> None:
    line = line_with(station, "other_master", rate=600)
    heard = bytes(byte for _, byte in played(line, 10 * 10**9))
    requests = [parse_request(heard[k : k + 8]) for k in range(len(heard) - 7)]
    units = [found[0] for found in requests if found]
    assert 50 < len(units) < 100, "each lasts some 50 ms itself"
    assert not {17, 18} & set(units)
    noise = played(line_with(station, "noise", rate=600), 10 * 10**9)
    assert 200 < len(noise) < 600


def test_an_adapter_that_is_pulled_out_hears_nothing_and_comes_back(station: Station) -> None:
    line = line_with(station, "unplugged", rate=30)
    gone_ns = line.next_ns()
    assert not line.away(gone_ns)
    line.take(gone_ns)
    assert line.away(gone_ns)
    assert 200_000_000 <= line.back_ns - gone_ns <= 3_000_000_000
    assert not line.away(line.back_ns)
    line.put(ASKED, gone_ns, START)
    assert [at_ns for at_ns, _ in played(line, line.back_ns - 1)] == []


def every_byte(station: Station, names: Iterable[str], seed: str) -> list[tuple[int, int]]:
    line = line_with(station, *names, rate=20, seed=seed)
    heard = []
    for number in range(10):
        line.put(ASKED, number * 10**9, START + number)
        heard += played(line, (number + 1) * 10**9 - 1)
    return heard


@settings(max_examples=40)
@given(st.lists(st.sampled_from(sorted(RECIPES)), max_size=6, unique=True), st.integers(0, 10**6))
def test_any_recipes_together_play_the_same_for_the_same_seed(
    plain: RegisterMap, steady: Profile, names: list[str], seed: int
) -> None:
    def made() -> Station:
        return Station([Meter(17, plain, steady)], TURNAROUND_NS)

    heard = every_byte(made(), names, str(seed))
    assert heard == every_byte(made(), names, str(seed))
    assert [at_ns for at_ns, _ in heard] == sorted(at_ns for at_ns, _ in heard)


def test_rates_are_held_to_what_they_count() -> None:
    with pytest.raises(ValueError, match="0 to 100 of 100 answers"):
        Trouble(RECIPES["silent"], rate=101)
    with pytest.raises(ValueError, match="0 to 6000 times a minute"):
        Trouble(RECIPES["noise"], rate=6001)
    assert {recipe.befalls for recipe in RECIPES.values()} == set(Befalls)
