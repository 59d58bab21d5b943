"""What goes wrong on a simulated line, as data: recipes with a name, what they play, and how a poll tells of it. Pure.

A recipe of an ANSWER takes what a meter would say and gives what comes instead; one of a REQUEST adds what the reader's
own adapter does to it; one of the LINE happens by itself. Chance comes from a seed: the same seed, the same trouble.
"""

import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum
from types import MappingProxyType

from tallywell.line.frame import EXCEPTION_BIT, exception_reply, reply, request, with_crc
from tallywell.line.timing import SECOND_NS, Framing, LineSettings, Timing
from tallywell.readings.exchange import BIT_FUNCTIONS, READ_FUNCTIONS, Read
from tallywell.readings.faults import Fault
from tallywell.registers.quantity import Quantity
from tallywell.simulator.meter import MS_NS, Meter
from tallywell.simulator.station import Answer, Answers

Dice = random.Random
CODES = (1, 2, 3, 5, 6)  # Modbus Application Protocol V1.1b3, section 7: not known, not there, wrong; later, busy
LATE_PERCENT = (125, 200)  # of the longest delay; what comes later than twice that cannot be told from a fresh answer
REFUSAL_BYTES = 5  # the shortest frame; another recipe may have left less of an answer, which is left alone then
AWAKE_MS, WAKES_MS = 5_000, 40
OLDEST_TEAR_MS = 2**27  # a day and a half: how far back the older part of a torn value is looked for
MINUTE_NS = 60 * SECOND_NS

# What a line through a host can show. A gateway that speaks Modbus TCP checks the serial frames itself, and passes on
# what is sound; a raw socket passes on every byte, but no silence.
BOTH: frozenset[Framing] = frozenset({"tcp", "rtu"})
BYTES: frozenset[Framing] = frozenset({"rtu"})
WIRE: frozenset[Framing] = frozenset()


class Befalls(Enum):
    """What a recipe changes; the value says what its rate counts."""

    ANSWER = "of 100 answers"
    REQUEST = "of 100 requests"
    LINE = "times a minute"


@dataclass(frozen=True, slots=True)
class Scene:
    """What a recipe for answers may look at. `memory` is the meter's own under this recipe, and outlives the scene."""

    dice: Dice
    settings: Timing
    meter: Meter
    utc_ms: int
    memory: dict[str, int]

    def elsewhere(self, present: int) -> int:
        """An address other than `present`."""
        return 1 + (present + self.dice.randrange(246)) % 247

    def noise(self, least: int = 1, most: int = 6) -> bytes:
        return self.dice.randbytes(self.dice.randint(least, most))

    def characters_ns(self, count: int) -> int:
        return self.settings.wire_ns(count)


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens by itself `after_ns`: bytes with their instants, or the adapter away for `away_ns`."""

    after_ns: int
    answers: Answers = ()
    away_ns: int = 0

    def lasts_ns(self, settings: Timing) -> int:
        return max([self.away_ns, *(a.delay_ns + settings.wire_ns(len(a.frame)) for a in self.answers)])


PlaysAnswer = Callable[[Answer, Scene], Answers]
PlaysRequest = Callable[[bytes, Dice], bytes]
PlaysLine = Callable[[Dice, Timing, frozenset[int]], Event]


@dataclass(frozen=True, slots=True)
class Recipe:
    """One kind of trouble. `told_as`: how a poll that it befalls is told; nothing where it comes as a good reading.
    `beside`: how other polls may be told that it disturbs.

    `rate` counts what `befalls` says. A recipe `always` at work has none: it may change every answer. One of the three
    ways of playing is there. `through`: the framings of a line through a host on which it can be played too.
    """

    name: str
    plays: str
    rate: int
    told_as: tuple[Fault, ...]
    answer: PlaysAnswer | None = field(default=None, repr=False)
    request: PlaysRequest | None = field(default=None, repr=False)
    line: PlaysLine | None = field(default=None, repr=False)
    always: bool = False
    beside: tuple[Fault, ...] = ()
    through: frozenset[Framing] = BOTH

    @property
    def befalls(self) -> Befalls:
        if self.line is not None:
            return Befalls.LINE
        return Befalls.ANSWER if self.request is None else Befalls.REQUEST


@dataclass(frozen=True, slots=True)
class Trouble:
    """A recipe at work: at one meter (or at all, `address` None), at its own rate or another."""

    recipe: Recipe
    address: int | None = None
    rate: int | None = None

    def __post_init__(self) -> None:
        most = 6_000 if self.recipe.befalls is Befalls.LINE else 100
        if not 0 <= self.often <= most:
            raise ValueError(f"{self.recipe.name}: the rate is 0 to {most} {self.recipe.befalls.value}")

    @property
    def often(self) -> int:
        return self.recipe.rate if self.rate is None else self.rate

    def strikes(self, address: int, dice: Dice) -> bool:
        """Whether it befalls this answer, or this request."""
        if self.address not in (None, address):
            return False
        return self.recipe.always or dice.randrange(100) < self.often


# --- answers: when, and whether at all


def _late_queued(answer: Answer, scene: Scene) -> Answers:
    """It answers late, and what it is asked meanwhile after that."""
    return (_held_back(answer, scene),)


def _late_busy(answer: Answer, scene: Scene) -> Answers:
    """It answers late, and hears nothing meanwhile."""
    late = _held_back(answer, scene)
    scene.memory["busy_until_ms"] = scene.memory["free_ms"]
    return (late,)


def _held_back(answer: Answer, scene: Scene) -> Answer:
    least, most = LATE_PERCENT
    percent = scene.dice.randint(least, most)
    delay_ns = scene.meter.map.limits.longest_delay_ns * percent // 100
    if isinstance(scene.settings, LineSettings):
        delay_ns -= scene.settings.silence_ns  # it is counted from the end of that
    else:
        delay_ns += scene.settings.latency_ns  # what comes sooner is waited for: the gateway may take as long
    late = replace(answer, delay_ns=delay_ns)
    scene.memory["free_ms"] = late.over_ms(scene.utc_ms, scene.settings)
    return late


def _silent(_answer: Answer, _scene: Scene) -> Answers:
    return ()


def _slow_bytes(answer: Answer, scene: Scene) -> Answers:
    """Longer than the standard allows (V1.02, 2.5.1.1: 1.5 characters), and with the next character short of 3.5."""
    return (_paused(answer, scene, [scene.settings.wire_ns(1) * scene.dice.randint(15, 24) // 10 for _ in range(3)]),)


def _broken_frame(answer: Answer, scene: Scene) -> Answers:
    """One pause that is longer than any adapter makes."""
    pause_ns = scene.settings.silence_ns + scene.settings.latency_ns + scene.characters_ns(scene.dice.randint(2, 8))
    return (_paused(answer, scene, [pause_ns]),)


def _paused(answer: Answer, scene: Scene, pauses_ns: list[int]) -> Answer:
    places = sorted(scene.dice.sample(range(1, len(answer.frame)), min(len(pauses_ns), len(answer.frame) - 1)))
    return replace(answer, pauses=tuple(zip(places, pauses_ns, strict=False)))


def _asleep(answer: Answer, scene: Scene) -> Answers:
    """It sleeps when nobody asked it for a while; what wakes it is not answered, nor what comes before it is awake."""
    now_ms, memory = scene.utc_ms, scene.memory
    if now_ms > memory.get("asked_ms", now_ms - AWAKE_MS - 1) + AWAKE_MS:
        memory["awake_ms"] = now_ms + WAKES_MS
    memory["asked_ms"] = now_ms
    return (answer,) if now_ms >= memory["awake_ms"] else ()


# --- answers: damaged on the way


def _bad_crc(answer: Answer, scene: Scene) -> Answers:
    wrong = int.from_bytes(answer.frame[-2:]) ^ scene.dice.randint(1, 0xFFFF)
    return (_garbled(answer, answer.frame[:-2] + wrong.to_bytes(2)),)


def _bit_errors(answer: Answer, scene: Scene) -> Answers:
    text = bytearray(answer.frame)
    for bit in scene.dice.sample(range(8 * len(text)), scene.dice.randint(1, 3)):
        text[bit // 8] ^= 1 << bit % 8
    return (_garbled(answer, bytes(text)),)


def _cut_short(answer: Answer, scene: Scene) -> Answers:
    return (_garbled(answer, answer.frame[: scene.dice.randrange(1, max(2, len(answer.frame)))]),)


def _noise_before(answer: Answer, scene: Scene) -> Answers:
    return (_garbled(answer, scene.noise() + answer.frame),)


def _noise_behind(answer: Answer, scene: Scene) -> Answers:
    return (_garbled(answer, answer.frame + scene.noise()),)


def _twice(answer: Answer, _scene: Scene) -> Answers:
    return (_garbled(answer, 2 * answer.frame),)


def _garbled(answer: Answer, frame: bytes) -> Answer:
    return replace(answer, frame=frame)


# --- answers: sound frames that are not the answer


def _other_unit(answer: Answer, scene: Scene) -> Answers:
    if len(answer.frame) < REFUSAL_BYTES:
        return (answer,)
    other = scene.elsewhere(answer.frame[0])
    return (_garbled(answer, with_crc(bytes((other,)) + answer.frame[1:-2])),)


def _other_function(answer: Answer, scene: Scene) -> Answers:
    if len(answer.frame) < REFUSAL_BYTES:
        return (answer,)
    others = sorted(READ_FUNCTIONS - {answer.frame[1] & ~EXCEPTION_BIT})
    function = scene.dice.choice(others)
    return (_garbled(answer, with_crc(answer.frame[:1] + bytes((function,)) + answer.frame[2:-2])),)


def _other_count(answer: Answer, scene: Scene) -> Answers:
    """Words more, words fewer, or a byte count that is not that of the frame."""
    if answer.served is None or len(answer.frame) < REFUSAL_BYTES:
        return (answer,)
    unit, function, count = answer.frame[:3]
    content = answer.frame[3:-2]
    match scene.dice.randrange(3):
        case 0 if len(content) > 2:
            content = content[2:]
        case 1 if len(content) < 248:
            content += scene.noise(2, 2)
        case _:
            return (_garbled(answer, with_crc(bytes((unit, function, count ^ 2)) + content[2:] + content[:2])),)
    return (_garbled(answer, reply(unit, function, content)),)


def _refuses(answer: Answer, scene: Scene) -> Answers:
    if len(answer.frame) < REFUSAL_BYTES:
        return (answer,)
    function = answer.frame[1] & ~EXCEPTION_BIT
    return (replace(answer, frame=exception_reply(answer.frame[0], function, scene.dice.choice(CODES)), served=None),)


# --- answers: what no line can tell, since the frame is sound


def _torn_words(answer: Answer, scene: Scene) -> Answers:
    """A value of two words and more: its first words are of an earlier instant than the rest."""
    places = [q.register + k for q in _inside(answer, scene) for k in range(1, q.words)]
    return (_torn(answer, scene, places),)


def _torn_parts(answer: Answer, scene: Scene) -> Answers:
    """A total of two registers (whole and fraction, high and low part): the first one is of an earlier instant."""
    parted = [(q.register, q.low_part.register) for q in _inside(answer, scene) if q.low_part is not None]
    return (_torn(answer, scene, [max(pair) for pair in parted]),)


def _inside(answer: Answer, scene: Scene) -> Iterator[Quantity]:
    served = answer.served
    if served is None or served.function in BIT_FUNCTIONS:
        return
    for quantity in scene.meter.map.quantities.values():
        inside = served.register <= quantity.first and quantity.end <= served.register + served.words
        if inside and quantity.table.function == served.function:
            yield quantity


def _torn(answer: Answer, scene: Scene, places: list[int]) -> Answer:
    """The words before one of `places` as they were when they last stood otherwise; the same where they never did."""
    served = answer.served
    if served is None or not places:
        return answer
    split = 2 * (scene.dice.choice(places) - served.register)
    age_ms = 1
    while age_ms <= OLDEST_TEAR_MS:
        old = scene.meter.answer(served.function, served.register, served.words, scene.utc_ms - age_ms)
        if isinstance(old, bytes) and old[:split] != served.data[:split]:
            return _with_content(answer, old[:split] + served.data[split:])
        age_ms *= 2
    return answer


def _frozen(answer: Answer, scene: Scene) -> Answers:
    """It answers what its registers held when it was asked first."""
    served = answer.served
    since_ms = scene.memory.setdefault("since_ms", scene.utc_ms)
    if served is None:
        return (answer,)
    old = scene.meter.answer(served.function, served.register, served.words, since_ms)
    return (_with_content(answer, old) if isinstance(old, bytes) else answer,)


def _with_content(answer: Answer, content: bytes) -> Answer:
    assert answer.served is not None
    served = replace(answer.served, data=content)
    return replace(answer, frame=reply(served.address, served.function, content), served=served)


# --- requests


def _echo(frame: bytes, _dice: Dice) -> bytes:
    return frame


def _echo_part(frame: bytes, dice: Dice) -> bytes:
    return frame[dice.randint(1, len(frame) - 1) :]


# --- the line by itself


def _noise(dice: Dice, _settings: Timing, _ours: frozenset[int]) -> Event:
    return Event(0, (Answer(0, dice.randbytes(dice.randint(1, 6))),))


def _other_master(dice: Dice, settings: Timing, ours: frozenset[int]) -> Event:
    """It asks a unit that is none of ours, and is answered."""
    unit = dice.choice(sorted(set(range(1, 248)) - ours))
    read = Read(dice.choice((3, 4)), dice.randrange(1000), dice.randint(1, 12))
    asked = request(unit, read)
    answered_ns = settings.wire_ns(len(asked)) + settings.silence_ns + dice.randint(1, 20) * MS_NS
    content = dice.randbytes(read.content_bytes)
    return Event(0, (Answer(0, asked), Answer(answered_ns, reply(unit, read.function, content))))


def _unplugged(dice: Dice, _settings: Timing, _ours: frozenset[int]) -> Event:
    return Event(0, away_ns=dice.randint(200, 3_000) * MS_NS)


def next_event(trouble: Trouble, dice: Dice, settings: Timing, ours: frozenset[int]) -> Event | None:
    """The next happening of a LINE recipe, counted from the one before; intervals as of independent events."""
    play = trouble.recipe.line
    if not trouble.often or play is None:
        return None
    after_ns = int(dice.expovariate(1.0) * MINUTE_NS / trouble.often)
    return replace(play(dice, settings, ours), after_ns=after_ns)


_DISTURBED = (Fault.STRAY_BYTES, Fault.BAD_CRC, Fault.WRONG_LENGTH, Fault.WRONG_ADDRESS, Fault.NO_ANSWER)
# In the order in which they strike, where several do: inside the meter, on the way, in time.
_RECIPES = (
    Recipe(
        "asleep",
        "A meter sleeps when it was not asked for 5 s. What wakes it is not answered; 40 ms later it answers.",
        100, (Fault.NO_ANSWER,), answer=_asleep, always=True,
    ),
    Recipe("refuses", "A meter refuses, with exception 1, 2, 3, 5 or 6.", 10, (Fault.EXCEPTION,), answer=_refuses),
    Recipe("frozen", "A meter goes on answering what it answered first.", 100, (), answer=_frozen, always=True),
    Recipe(
        "torn_words",
        "In a value of several words, the first ones are of an earlier instant than the rest.",
        10, (), answer=_torn_words,
    ),
    Recipe(
        "torn_parts",
        "In a total of two registers, such as whole and fraction, the first is of an earlier instant.",
        10, (), answer=_torn_parts,
    ),
    Recipe("other_unit", "A sound answer bears another address.", 10, (Fault.WRONG_ADDRESS,), answer=_other_unit),
    Recipe(
        "other_function",
        "A sound answer is to another function.",
        10, (Fault.WRONG_FUNCTION,), answer=_other_function,
    ),
    Recipe(
        "other_count",
        "A word more or fewer than asked, or a byte count that is not that of the frame.",
        10, (Fault.WRONG_BYTE_COUNT, Fault.WRONG_LENGTH), answer=_other_count,
    ),
    Recipe("bad_crc", "The checksum of an answer is wrong.", 10, (Fault.BAD_CRC,), answer=_bad_crc, through=BYTES),
    Recipe(
        "bit_errors",
        "One to three bits of an answer flip.",
        10, (Fault.BAD_CRC,), answer=_bit_errors, through=BYTES,
    ),
    Recipe("cut_short", "An answer ends early, after one byte or more.", 10, (Fault.WRONG_LENGTH,), answer=_cut_short),
    Recipe(
        "noise_before",
        "One to six stray bytes right before an answer.",
        10, (Fault.STRAY_BYTES,), answer=_noise_before, through=BYTES,
    ),
    Recipe(
        "noise_behind",
        "One to six stray bytes right behind an answer.",
        10, (Fault.STRAY_BYTES,), answer=_noise_behind, through=BYTES,
    ),
    Recipe("twice", "An answer comes twice without a pause.", 10, (Fault.STRAY_BYTES,), answer=_twice, through=BYTES),
    Recipe("silent", "An answer does not come.", 10, (Fault.NO_ANSWER,), answer=_silent),
    Recipe(
        "slow_bytes",
        "Three pauses of 1.5 to 2.4 characters inside an answer.",
        30, (), answer=_slow_bytes, through=WIRE,
    ),
    Recipe(
        "broken_frame",
        "One pause inside an answer, longer than the silence and the adapter's delay together.",
        10, (Fault.WRONG_LENGTH,), answer=_broken_frame, through=WIRE,
    ),
    Recipe(
        "late_queued",
        "A meter answers only after 1.25 to 2 times its longest delay; what it is asked meanwhile waits.",
        5, (Fault.NO_ANSWER,), answer=_late_queued, beside=_DISTURBED,
    ),
    Recipe(
        "late_busy",
        "A meter answers only after 1.25 to 2 times its longest delay, and hears nothing meanwhile.",
        5, (Fault.NO_ANSWER,), answer=_late_busy, beside=_DISTURBED,
    ),
    Recipe(
        "echo",
        "The adapter hears each request that it sends.",
        100, (), request=_echo, through=WIRE,
    ),
    Recipe(
        "echo_part",
        "The adapter hears the end of the request that it sends.",
        10, (Fault.STRAY_BYTES,), request=_echo_part, through=WIRE,
    ),
    Recipe(
        "noise",
        "One to six stray bytes at any time, whether anybody was asked or not.",
        120, (Fault.STRAY_BYTES,), line=_noise, through=WIRE, beside=_DISTURBED,
    ),
    Recipe(
        "other_master",
        "Another master asks a unit that is none of the site's, and is answered.",
        60, (Fault.WRONG_ADDRESS, Fault.STRAY_BYTES), line=_other_master, through=WIRE, beside=_DISTURBED,
    ),
    Recipe(
        "unplugged",
        "The adapter is pulled out and put back 0.2 to 3 s later; of a line through a host, the gateway restarts.",
        4, (Fault.PORT_LOST,), line=_unplugged,
    ),
)  # fmt: skip

RECIPES: Mapping[str, Recipe] = MappingProxyType({recipe.name: recipe for recipe in _RECIPES})
