"""Every recipe of trouble on a simulated line: nothing wrong is accepted, each damage has its right name, enough comes.

100,000 polls in all, each of them through schedule, port owner and exchange as the daemon runs them. `-m campaign` runs
as many for each recipe. Chance is seeded: the same polls each time.

Torn and frozen values stand in sound frames, and no line can tell: here they must come as the meter sent them. To call
them what they are is the ledger's work.
"""

from collections.abc import Callable

import pytest

from tallywell.line import frame
from tallywell.line.exchange import _DEADLINE, State
from tallywell.line.judge import judge, stated_length, wanted_length
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Read
from tallywell.readings.faults import Fault
from tallywell.readings.units import measure
from tallywell.registers.quantity import Kind, LowPart, Quantity, RegisterMap, Table, ValueType
from tallywell.schedule.due import Plan, WakeAsk
from tallywell.simulator.meter import Meter
from tallywell.simulator.profile import Piece, Profile
from tallywell.simulator.trouble import RECIPES, Trouble
from tests.line.campaign import BLOCKS, EVERY_NS, LONGEST_NS, MS, START_MS, UNITS, WORDS, Campaign, Tally

SEED = "20261125"
POLLS = 3_600  # of each recipe: with the clean line and several at once more than 100,000 in all

# Of 100 polls, so many come well at the recipe's own rate. A damaged answer costs its own poll and no other; what comes
# at a time of its own (late answers, noise, another master) may cost the next one.
LEAST_GOOD = {
    "late_queued": 90, "late_busy": 90, "silent": 88, "asleep": 99, "bad_crc": 88, "bit_errors": 88, "cut_short": 88,
    "slow_bytes": 100, "broken_frame": 88, "noise_before": 88, "noise_behind": 88, "twice": 88, "other_unit": 88,
    "other_function": 88, "other_count": 88, "refuses": 88, "torn_words": 100, "torn_parts": 100, "frozen": 100,
    "echo": 100, "echo_part": 88, "noise": 95, "other_master": 97, "unplugged": 98,
}  # fmt: skip
# Here a poll that was not struck itself is never missed.
ALONE = {name for name, recipe in RECIPES.items() if not recipe.beside and recipe.befalls.name != "LINE"}


def run(*names: str, polls: int = POLLS, seed: str = SEED) -> Tally:
    return Campaign([Trouble(RECIPES[name]) for name in names], seed).poll(polls)


def shown(what: str, tally: Tally) -> None:
    print(f"seed {SEED}, {what}: {tally}")


def holds(name: str, tally: Tally) -> None:
    recipe = RECIPES[name]
    shown(name, tally)
    assert tally.findings() == []
    assert 100 * tally.good >= LEAST_GOOD[name] * tally.polls, "refusing everything does not pass"
    if name in ALONE:
        assert tally.beside == 0
    if recipe.told_as:
        assert all(tally.faults[fault] + tally.refused[fault] for fault in recipe.told_as[:1]), "it did strike"
    elif name != "torn_parts":  # these meters have no such total
        assert tally.struck > 0


def test_a_floor_for_every_recipe() -> None:
    assert set(LEAST_GOOD) == set(RECIPES)


@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe(name: str) -> None:
    holds(name, run(name))


@pytest.mark.campaign
@pytest.mark.parametrize("name", RECIPES)
def test_a_recipe_at_length(name: str) -> None:
    holds(name, run(name, polls=100_000))


def test_a_clean_line_loses_nothing() -> None:
    tally = run()
    shown("clean", tally)
    assert tally.findings() == []
    assert tally.good == tally.polls


@pytest.mark.parametrize("baud", [9_600, 115_200])
def test_all_at_once_and_at_other_speeds(baud: int) -> None:
    """Every recipe at a quarter of its rate at the same time: few polls come, and those are right.

    Only a broken frame is left out: a pause behind the first of two equal answers makes a late answer of the second,
    from a meter that owes none. No line can tell that one.
    """
    settings = LineSettings("in this process", baud, "none", latency_ns=2 * MS)
    played = [recipe for name, recipe in RECIPES.items() if name not in ("frozen", "broken_frame")]
    troubles = [Trouble(recipe, rate=None if recipe.always else -(-recipe.rate // 4)) for recipe in played]
    tally = Campaign(troubles, SEED, settings=settings).poll(POLLS * 3 // 2)
    shown(f"all at once, {baud} baud", tally)
    assert tally.findings() == []
    assert 100 * tally.good >= 50 * tally.polls


def test_a_late_answer_behind_part_of_an_echo_is_no_answer_to_the_next_request() -> None:
    """An exchange that something else has ended leaves the meter as much time as one in which nothing came."""
    tally = run("late_queued", "late_busy", "echo_part", "other_master")
    shown("late, part of an echo and another master", tally)
    assert tally.findings() == []


# --- what would be found if a rule were broken, by the same number of polls


EXCHANGE = "tallywell.line.exchange"


def run_until(found: Callable[[Tally], bool], *names: str) -> Tally:
    """The same run as above, ended as soon as it has found what it should."""
    campaign = Campaign([Trouble(RECIPES[name]) for name in names], SEED)
    while campaign.tally.polls < POLLS and not found(campaign.tally):
        campaign.poll(100)
    return campaign.tally


def wrong(tally: Tally) -> bool:
    return bool(tally.wrong)


@pytest.mark.parametrize("name", ["late_queued", "late_busy"])
def test_the_campaign_finds_a_unit_asked_while_it_owes(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Without the quiet-line rule the late answer to one block is taken for another block of the same meter."""
    monkeypatch.setattr(f"{EXCHANGE}.Exchange._owes_until", lambda *_: None)
    tally = run_until(wrong, name)
    shown(f"{name} without the quiet-line rule", tally)
    assert tally.wrong


@pytest.mark.parametrize("name", ["bad_crc", "bit_errors"])
def test_the_campaign_finds_a_checksum_not_held_to(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    monkeypatch.setattr("tallywell.line.frame.crc_holds", lambda heard: len(heard) >= 4)
    tally = run_until(wrong, name)
    shown(f"{name} without the checksum", tally)
    assert tally.wrong


def test_the_campaign_finds_a_length_not_held_to(monkeypatch: pytest.MonkeyPatch) -> None:
    """A frame taken for what it says itself, not for what was asked."""

    def trusting(ask: Ask, heard: bytes) -> Fault | None:
        fault = judge(ask, heard)
        return None if fault in (Fault.WRONG_BYTE_COUNT, Fault.WRONG_LENGTH) and frame.crc_holds(heard) else fault

    monkeypatch.setattr(f"{EXCHANGE}.wanted_length", lambda ask, head: stated_length(head) or wanted_length(ask, head))
    monkeypatch.setattr(f"{EXCHANGE}.judge", trusting)
    tally = run_until(wrong, "other_count")
    shown("other_count without the length", tally)
    assert tally.wrong


@pytest.mark.parametrize("name", ["", "noise"])
def test_the_campaign_finds_a_silence_not_kept(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Neither behind an answer nor before a request. Meters that insist on it, as these, do not answer then."""
    monkeypatch.setattr(f"{EXCHANGE}.Exchange._silent_ns", lambda line: line._held_until_ns)
    monkeypatch.setitem(_DEADLINE, State.SETTLING, lambda line: line._last_ns)
    tally = run_until(lambda tally: tally.polls >= 400, *filter(None, [name]))
    shown(f"{name or 'clean'} without the silence", tally)
    assert tally.hasty > tally.polls / 4
    assert tally.good < tally.polls * 3 / 4


def test_the_campaign_finds_a_meters_own_pause_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"{EXCHANGE}.Exchange._silent_ns", lambda line: line._last_ns + line.settings.silence_ns)
    tally = run_until(lambda tally: tally.hasty > 0)
    shown("clean without the meter's own pause", tally)
    assert tally.hasty


# --- meters that sleep, tear and freeze


def test_a_meter_that_sleeps_is_woken_and_misses_nothing() -> None:
    """Polled every 7 s it is asleep each time; with a waking before the poll all come, without it none does."""
    wake = WakeAsk(Read(4, 40, 1), 60 * MS, 3_000 * MS)
    read = Read(4, 0, 4)

    def polled(wake: WakeAsk | None) -> Tally:
        plan = Plan("sleeper", 17, (read,), 7_000 * MS, LONGEST_NS, wake=wake)
        return Campaign([Trouble(RECIPES["asleep"], 17)], SEED, plan=[plan]).poll(500)

    assert polled(wake).good == 500
    unwoken = polled(None)
    assert unwoken.good <= 1, "the first two polls may stand close together"
    assert set(unwoken.faults) == {Fault.NO_ANSWER}
    assert unwoken.findings() == []


@pytest.mark.parametrize("words", [WORDS, WORDS + 1])
def test_a_late_answer_to_a_waking_is_no_answer_to_a_block_as_long(words: int) -> None:
    """The meter takes up to twice its longest delay, for the waking as well; blocks are as long as its read, or not."""
    wake = WakeAsk(Read(4, 40, words), 60 * MS, 3_000 * MS)
    plan = [Plan(f"{unit}", unit, BLOCKS, 7_000 * MS, LONGEST_NS, wake=wake) for unit in UNITS]
    tally = Campaign([Trouble(RECIPES["late_queued"]), Trouble(RECIPES["echo"])], SEED, plan=plan).poll(1_000)
    shown("late wakings", tally)
    assert tally.wrong == []
    assert tally.good > 900


def fast(low_part: LowPart | None) -> Meter:
    """Its total passes a carry of the lower part some times a second."""
    count = measure("1 L", "volume")
    total = Quantity(
        "forward_total", Kind.TOTAL, Table.INPUT, 0, ValueType.UINT32, unit=count.unit, one_count=count,
        capacity=10**9, for_the_books=True, low_part=low_part,
    )  # fmt: skip
    found = RegisterMap("fast", 1, {total.name: total})
    return Meter(17, found, Profile((Piece(START_MS - 60_000, 200_000 * 10**6),)), first_count=5_000_000)


def total_of(content: bytes, low_part: LowPart | None) -> int:
    number = int.from_bytes(content[:4])
    return number if low_part is None else number * low_part.capacity + int.from_bytes(content[4:6])


@pytest.mark.parametrize(
    ("name", "low_part"), [("torn_words", None), ("torn_parts", LowPart(2, ValueType.UINT16, 10_000))]
)
def test_a_torn_value_comes_as_it_was_sent(name: str, low_part: LowPart | None) -> None:
    """Its frame is sound: what is accepted is what the meter sent, and it is short by whole carries."""
    read = Read(4, 0, 2 if low_part is None else 3)
    plan = Plan("fast", 17, (read,), EVERY_NS, LONGEST_NS)
    campaign = Campaign([Trouble(RECIPES[name], rate=20)], SEED, meters=[fast(low_part)], plan=[plan])
    short = []
    for _ in range(300):
        campaign.poll_once()
        request = campaign.line.request
        assert request is not None
        assert request.served is not None
        true = fast(low_part).answer(4, 0, read.words, request.served.utc_ms)
        assert isinstance(true, bytes)
        short.append(total_of(true, low_part) - total_of(request.served.data, low_part))
    assert campaign.tally.findings() == []
    assert campaign.tally.good == campaign.tally.polls == 300
    carry = 65_536 if low_part is None else low_part.capacity
    assert 30 < sum(lost > 0 for lost in short) < 90
    assert all(lost % carry == 0 for lost in short)


def test_a_frozen_meter_goes_on_answering() -> None:
    plan = Plan("frozen", 17, (Read(4, 0, 2),), EVERY_NS, LONGEST_NS)
    campaign = Campaign([Trouble(RECIPES["frozen"])], SEED, meters=[fast(None)], plan=[plan])
    contents = set()
    for _ in range(50):
        campaign.poll_once()
        assert campaign.line.request is not None
        assert campaign.line.request.served is not None
        contents.add(campaign.line.request.served.data)
    assert len(contents) == 1
    assert campaign.tally.good == 50
