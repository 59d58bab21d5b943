"""One master on one simulated line, and what came of its polls, each held against what the meter answered.

Run as a process of its own: it is the line, paced as the wire is on a pseudo-terminal, and the master is its child. The
meters' words are another set for each unit, register and millisecond, so no stale or foreign answer looks right, and
every block has the same length, so nothing in a frame tells them apart.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import time
from bisect import bisect_left
from collections.abc import Container, Sequence
from dataclasses import asdict, dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Read
from tallywell.simulator.line import Request
from tallywell.simulator.station import Station
from tallywell.simulator.trouble import RECIPES, Trouble
from tallywell.simulator.wire import Wire
from tests.benchmarks import line_masters
from tests.benchmarks.line_masters import POLLS_A_CYCLE, REGISTERS, UNITS, WORDS, Line
from tests.line.campaign import LONGEST_NS, START_MS, TURNAROUND_NS, tell_tales

MS = 1_000_000
FUNCTION = 4
SLACK_NS = "1000"  # the line's own waits end this close to their instant
# The content is the meter's own, the frame is not its answer: another unit's address or another function stands in it.
FOREIGN = {"other_unit", "other_function"}
GRACE_S = 60


@dataclass(frozen=True, slots=True)
class Poll:
    """One poll as the master saw it; `content` None where it failed."""

    began_ns: int
    ended_ns: int
    unit: int
    register: int
    content: bytes | None


@dataclass(slots=True)
class Found:
    """What came of one master's polls on one line. `wrong`, by kind: what was accepted and is not the answer.

    `ratio`: the median cycle over the wire limit. `hasty`: requests that left before the silence had passed.
    """

    polls: int = 0
    right: int = 0
    wrong: dict[str, int] = field(default_factory=dict)
    requests: int = 0
    hasty: int = 0
    ratio: float = 0
    cpu_s_per_1000: float = 0
    mib: float = 0
    mib_per_1000: float = 0

    @property
    def accepted(self) -> int:
        return self.right + sum(self.wrong.values())

    @property
    def missed(self) -> int:
        return self.polls - self.accepted


class Task(NamedTuple):
    """What one cell is to do; `recipe` None: a clean line."""

    master: str
    baud: int
    seconds: float
    recipe: str | None = None
    insists: bool = False
    seed: str = "1"


class Watched(Wire):
    """A simulated line that keeps every request it saw."""

    requests: list[Request]

    def _take(self) -> None:
        super()._take()
        request = self._line.request
        if request is not None and not (self.requests and self.requests[-1] is request):
            self.requests.append(request)


def kind_of(poll: Poll, between: Sequence[Request], said: Container[bytes | None]) -> str | None:
    """None where the content is the meter's answer to a request of this very poll; else what it is instead."""
    same = [
        r
        for r in between
        if r.served is not None
        and (r.served.address, r.served.register, r.served.data) == (poll.unit, poll.register, poll.content)
    ]
    if same:
        return "foreign" if all(FOREIGN & {recipe.name for recipe in r.struck} for r in same) else None
    return "stale" if poll.content in said else "damaged"


def judged(polls: Sequence[Poll], requests: Sequence[Request], silence_ns: int) -> Found:
    """Every poll against the requests that left between its beginning and the next one's."""
    found = Found(len(polls), requests=len(requests))
    found.hasty = sum(request.quiet_ns < silence_ns for request in requests)
    starts = [request.at_ns for request in requests]
    said: set[bytes | None] = {request.served.data for request in requests if request.served is not None}
    for number, poll in enumerate(polls):
        if poll.content is None:
            continue
        next_ns = polls[number + 1].began_ns if number + 1 < len(polls) else 2**63
        between = requests[bisect_left(starts, poll.began_ns) : bisect_left(starts, next_ns)]
        kind = kind_of(poll, between, said)
        if kind is None:
            found.right += 1
        else:
            found.wrong[kind] = found.wrong.get(kind, 0) + 1
    return found


def settings_of(port: str, baud: int) -> LineSettings:
    return LineSettings(port, baud, "none")


def wire_limit_ns(baud: int) -> int:
    """The least in which all blocks of all meters can be asked and answered."""
    reads = [Read(FUNCTION, register, WORDS) for _ in UNITS for register in REGISTERS]
    return settings_of("", baud).cycle_ns(reads, TURNAROUND_NS)


def timeout_s(baud: int) -> float:
    """What this program waits: request, longest delay, reply, and what the adapter adds; rounded up to 1 ms."""
    settings, read = settings_of("", baud), Read(FUNCTION, 0, WORDS)
    wait_ns = settings.wire_ns(settings.request_length + settings.reply_length(read)) + LONGEST_NS + settings.latency_ns
    return -(-wait_ns // MS) / 1000


def cycle_ns(polls: Sequence[Poll]) -> float:
    """The median time in which all blocks were asked once; the first two cycles are left out."""
    starts = [poll.began_ns for poll in polls][2 * POLLS_A_CYCLE :: POLLS_A_CYCLE]
    return statistics.median([later - sooner for sooner, later in pairwise(starts)] or [0])


def run(task: Task) -> Found:
    Path("/proc/self/timerslack_ns").write_text(SLACK_NS)
    troubles = [] if task.recipe is None else [Trouble(RECIPES[task.recipe])]
    station = Station([meter for meter in tell_tales() if meter.address in UNITS], TURNAROUND_NS)
    with tempfile.TemporaryDirectory() as folder:
        link = Path(folder) / "line"

        def lead(to: str) -> None:
            link.unlink(missing_ok=True)
            if to:
                link.symlink_to(to)

        wire = Watched(
            station, settings_of("", task.baud), lambda: START_MS + time.monotonic_ns() // MS,
            troubles=troubles, seed=task.seed, paced=True, insists=task.insists, moved=lead,
        )  # fmt: skip
        wire.requests = []
        lead(wire.path)
        with wire:
            told = _asked_by(task, link)
    found = judged(told.polls, wire.requests, settings_of("", task.baud).silence_ns)
    found.ratio = cycle_ns(told.polls) / wire_limit_ns(task.baud)
    found.cpu_s_per_1000 = 1000 * told.used["cpu_s"] / told.used["polls"]
    found.mib = told.used["kib_at_last"] / 1024
    found.mib_per_1000 = (told.used["kib_at_last"] - told.used["kib_at_first"]) / 1024 * 1000 / told.used["polls"]
    return found


class Told(NamedTuple):
    polls: list[Poll]
    used: dict[str, float]


def _asked_by(task: Task, link: Path) -> Told:
    """Run the master, and read what it has taken down."""
    line = Line(str(link), task.baud, LONGEST_NS, timeout_s(task.baud))
    words = json.dumps({"master": task.master, "seconds": task.seconds, "line": line._asdict()})
    command = [sys.executable, "-m", line_masters.__name__, words]
    with (link.parent / "log").open("w+") as log:
        subprocess.run(command, stdout=log, check=True, timeout=task.seconds + GRACE_S)
        log.seek(0)
        *polls, used = log.read().splitlines()
    return Told([_poll(told) for told in polls], json.loads(used))


def _poll(told: str) -> Poll:
    began_ns, ended_ns, unit, register, content = told.split(maxsplit=4)
    heard = bytes.fromhex(content[1:]) if content.startswith("=") else None
    return Poll(int(began_ns), int(ended_ns), int(unit), int(register), heard)


def in_own_process(task: Task) -> Found:
    ran = subprocess.run(
        [sys.executable, "-m", __spec__.name, json.dumps(task)],
        capture_output=True, text=True, check=False, timeout=task.seconds + 2 * GRACE_S,
    )  # fmt: skip
    if ran.returncode:
        raise RuntimeError(f"{task} failed:\n{ran.stderr}")
    return Found(**json.loads(ran.stdout))


if __name__ == "__main__":
    print(json.dumps(asdict(run(Task(*json.loads(sys.argv[1]))))))
