"""Dead, babbling, damaged and slow meters beside a good one, through schedule, port owner and exchange as they are.

The good one's polls are held against its marks. Chance is seeded.
"""

import pytest

from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.schedule.due import Plan
from tallywell.simulator.line import Request
from tallywell.simulator.trouble import RECIPES, Trouble
from tests.line.campaign import EVERY_NS, LONGEST_NS, MS, SETTINGS, Campaign

BAD, GOOD = (17, 18), 19
PLANS = [
    *(Plan(f"{unit} {n}", unit, (Read(4, 10 * n, 4),), EVERY_NS, LONGEST_NS) for unit in BAD for n in range(3)),
    Plan("good", GOOD, (Read(4, 0, 4),), EVERY_NS, LONGEST_NS),
]
MARKS = 600
AILING = ["silent", "noise_before", "cut_short", "bad_crc", "late_queued", "late_busy", "other_count"]


class Watched(Campaign):
    """Notes when each request to the good meter left."""

    def watch(self) -> list[int]:
        self.sent_ns: list[int] = []
        while self.clock.boot_ns() < MARKS * EVERY_NS:
            self.poll(20)
        return self.sent_ns

    def _note(self, ask: Ask, outcome: Outcome, request: Request | None) -> None:
        super()._note(ask, outcome, request)
        if ask.address == GOOD:
            self.sent_ns.append(outcome.sent_ns)


def one_wait_ns(settings: LineSettings) -> int:
    """The longest that one exchange can take: silence, request, wait, answer, adapter; then the good one's request."""
    request_ns, reply_ns = (
        settings.wire_ns(settings.request_length),
        settings.wire_ns(settings.reply_length(PLANS[0].reads[0])),
    )
    return 2 * request_ns + LONGEST_NS + 3 * reply_ns + 3 * settings.silence_ns + 3 * settings.latency_ns


@pytest.mark.parametrize(
    "names", [(name, name) for name in AILING] + [("silent", "noise_before"), ("late_busy", "bad_crc")]
)
def test_a_good_meter_keeps_its_marks(names: tuple[str, str]) -> None:
    """Two meters of three plans each of which nothing good comes, or little."""
    line = Watched(
        [Trouble(RECIPES[name], unit, 100) for name, unit in zip(names, BAD, strict=True)], "fair", plan=PLANS
    )
    sent = line.watch()[10:]
    late = [sent_ns % EVERY_NS for sent_ns in sent]
    print(f"{names}: {len(sent)} of {MARKS} polls, latest {max(late) / MS:.0f} ms, {line.tally}")
    assert line.tally.wrong == []
    assert len(sent) >= 0.98 * MARKS
    assert max(late) <= one_wait_ns(SETTINGS)
