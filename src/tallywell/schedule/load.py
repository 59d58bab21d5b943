"""Whether a line can carry what is asked of it, by the marks that its main plans lose. Pure.

A line that cannot keeps its order and polls as often as it can: marks are lost. A mark counts as lost only where the
point could have been polled and the line had no time: not where its unit was left alone, or the port was away.
A line is overfull when in two stretches of time in a row at least a tenth of the marks was lost, and no more once a
stretch lost less than a hundredth. A stretch is a minute, and longer where it takes longer to poll each point twice: a
burst, as of settings at midnight or a machine that slept, is over by then.
"""

from dataclasses import dataclass, replace

STRETCH_NS = 60_000_000_000
IN_A_ROW = 2


@dataclass(frozen=True, slots=True)
class Load:
    """`from_ns`: since when this stretch runs, with `polled` passes and `lost` marks so far.

    `bad`: stretches in a row that lost too many, since `since_ns`; `made` polls of `due` marks came in those.
    """

    from_ns: int = 0
    polled: int = 0
    lost: int = 0
    bad: int = 0
    since_ns: int = 0
    made: int = 0
    due: int = 0

    @property
    def overfull(self) -> bool:
        return self.bad >= IN_A_ROW

    def after(self, lost: int, points: int, now_ns: int) -> "Load":
        """After one more pass for a mark, before which `lost` others passed; `points`: how many have marks here."""
        load = replace(self, polled=self.polled + 1, lost=self.lost + lost)
        if now_ns - load.from_ns < STRETCH_NS or load.polled < 2 * points:
            return load
        return load._ended(now_ns)

    def interrupted(self, now_ns: int) -> "Load":
        """The stretch is void: the port is away."""
        return replace(self, from_ns=now_ns, polled=0, lost=0)

    def _ended(self, now_ns: int) -> "Load":
        due = self.polled + self.lost
        new = self.interrupted(now_ns)
        if 10 * self.lost >= due:
            since_ns = self.since_ns if self.bad else self.from_ns
            return replace(new, bad=self.bad + 1, since_ns=since_ns, made=self.made + self.polled, due=self.due + due)
        if self.overfull and 100 * self.lost >= due:
            return replace(new, made=self.made + self.polled, due=self.due + due)
        return Load(now_ns)
