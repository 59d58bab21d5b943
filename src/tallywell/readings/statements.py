"""What a person stated about a point, once read from its entry: values only. All instants are UTC ms, volumes m3.

What the ledger itself follows (installations, seasons, hand readings, answers) is in `readings.quantities`.
"""

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction


class Standing(StrEnum):
    """What an estimate is to the metered volume of its span. Never silent: the person says which."""

    IN_ADDITION = "in addition to"
    INSTEAD = "instead of"


class Method(StrEnum):
    """How an estimate was reckoned."""

    VOLUME = "volume as stated"
    HOURS = "hours pumped x tested rate"
    ENERGY = "energy x tested energy per volume"
    OTHER_YEAR = "the same span of another year"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A volume that a person adds to, or puts in place of, what was metered from `begin_ms` to before `end_ms`.

    `sum`: how it was reckoned, as a line to print ("20.5 h x 750 gpm, tested 2026-05-02, = 922,500 US gal").
    """

    uuid: str
    begin_ms: int
    end_ms: int
    m3: Fraction
    standing: Standing
    method: Method
    sum: str
    reason: str
    author: str


@dataclass(frozen=True, slots=True)
class OutOfUse:
    """Nobody pumped there from `begin_ms` to before `end_ms` (None: until now), for the reason given."""

    uuid: str
    begin_ms: int
    end_ms: int | None
    reason: str
    author: str


@dataclass(frozen=True, slots=True)
class AccuracyTest:
    """A meter against a reference: `error` of the meter as a fraction (+1/50 = it shows 2 % too much)."""

    uuid: str
    about_ms: int
    error: Fraction
    reference: str
    tester: str
    author: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class WireSeal:
    """A wire seal put on, found whole, found broken, or taken off."""

    uuid: str
    about_ms: int
    number: str
    state: str
    author: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class ReadAgain:
    """Polls dated `begin_ms` to `end_ms` are read by the corrected map `map`, whose text has this fingerprint."""

    uuid: str
    begin_ms: int
    end_ms: int
    map: str
    sha256: str
    reason: str
    author: str


@dataclass(frozen=True, slots=True)
class Remarked:
    """A remark of a person."""

    uuid: str
    about_ms: int
    text: str
    author: str


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """An entry that was taken back: its `kind`, its uuid `of`, why and by whom. `about_ms`: what it was about."""

    uuid: str
    about_ms: int
    kind: str
    of: str
    reason: str
    author: str
