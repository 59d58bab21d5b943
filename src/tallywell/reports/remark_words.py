"""Sentences of what is not plainly metered: what was seen, what the books make of it, what to do. For all layouts."""

from zoneinfo import ZoneInfo

from tallywell.ledger.intervals import NOTES, OF_SEGMENT, Flag, Kind
from tallywell.reports import stated_words, words
from tallywell.reports.model import Remark
from tallywell.reports.shown_units import VolumeUnit
from tallywell.reports.volume import Volume

FLAGS = {
    Flag.GAP: "",  # stands under Gaps
    Flag.TIME_UNCERTAIN: "its time is uncertain",
    Flag.UNDATED_INSIDE: "readings inside it have no date, so that it is not divided at a midnight inside it",
    Flag.GLITCH_INSIDE: "a reading inside it was set aside",
    Flag.FROZEN: "the meter was frozen in it",
    Flag.UNCONFIRMED: "no entry confirms this meter",
    Flag.NOT_ENTERED: "",  # the meter's line says that no installation was entered
    Flag.FIRST_COUNT_UNKNOWN: "the first count of the installation was not noted, so what ran before is unknown",
    Flag.SCALE_CHANGED: "the volume of one count changed here",
    Flag.WITHIN_STEP: "the total was lower by less than its own step",
    Flag.SEVERAL_ROUNDS: "the totalizer may have gone round more often",
    Flag.BEYOND_CAPACITY: "the total is beyond the capacity that the map states; correct its digits or capacity",
    Flag.RESET_FITS: "a reset would fit as well as a rollover",
    Flag.SETTLED: "",  # said with what settled it
    Flag.SEASON_INSIDE: "a season shut down lies inside it, so that it is not divided at a midnight inside it",
    Flag.REVERSE: "water ran back through the meter",
    Flag.OTHER_SERIAL: "the meter gives another serial number, and no entry explains it",
    Flag.FINAL_UNFIT: "the final count that was entered does not follow from the last reading, so it is not used; "
    "look at the face's digits again",
    Flag.FIRST_UNFIT: "the first count that was entered does not lead to the readings behind it, so it is not used; "
    "look at the face's digits again",
    Flag.ENTRY_UNFIT: "an entry says that another count began here, and the readings run on as before, so it is not "
    "used; correct or withdraw it",
    Flag.POWER_UNSURE: "the meter may have been without power",
}


def remark(of: Remark, unit: VolumeUnit, zone: ZoneInfo) -> str:
    """All that is to be said of one remark, as one sentence."""
    polls = f"{words.polls(of.intervals)}: " if of.intervals > 1 else ""
    said = polls + _SENTENCES[of.kind](of, unit, zone)
    said += f"; settled {_by(of, zone)}" if of.settled_by and of.kind is not Kind.RESET else ""
    flags = [_flag(of, flag) for flag in sorted(of.flags) if FLAGS[flag] and flag.value != of.kind.value]
    return said + "".join(f"; {flag}" for flag in flags if flag) + "."


def _by(of: Remark, zone: ZoneInfo) -> str:
    answer = of.settled_by
    if isinstance(answer, str):
        return answer
    times = f"that it went round {answer.rollovers} x " if answer.rollovers is not None else ""
    return f"by the answer {times}of {stated_words.whose(answer, zone)}"


def _flag(of: Remark, flag: Flag) -> str:
    """Nothing where the kind's own sentence says it, or where it is true of the whole segment."""
    said = (of.kind, flag) in ((Kind.LOWER_BOUND, Flag.POWER_UNSURE), (Kind.CHANGE_OUT, Flag.OTHER_SERIAL))
    return "" if said or (flag in OF_SEGMENT and of.kind in NOTES) else FLAGS[flag]


def bounded(volume: Volume, unit: VolumeUnit) -> str:
    """ "0 and 5 US gal", to stand behind "between"."""
    return f"{unit.number(volume.low_m3)} and {unit.text(volume.high_m3)}"


def may(of: Remark, unit: VolumeUnit) -> str:
    """What may have flowed, whatever is counted."""
    return f"between {bounded(of.volume, unit)} may have flowed"


def _span(of: Remark) -> str:
    return f"from {of.first.count:,} to {of.last.count:,} counts"


def _metered(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if of.volume.low_m3 == of.volume.high_m3:
        return f"{unit.text(of.volume.m3)} counted"
    return f"{unit.text(of.volume.m3)} counted, between {bounded(of.volume, unit)}"


def _across_gap(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return f"{unit.text(of.volume.m3)} metered across a gap, between {bounded(of.volume, unit)}"


def _first_count(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return f"{unit.text(of.volume.m3)} counted from the first count of the installation to the first reading"


def _final_count(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return f"{unit.text(of.volume.m3)} counted from the last reading to the final count as entered"


def _lower_bound(of: Remark, unit: VolumeUnit, zone: ZoneInfo) -> str:
    why = words.cause(of.missed, of.causes, zone)
    return (
        f"{unit.text(of.volume.m3)} counted, which is the least: the meter may have been without power ({why}), and it "
        f"does not, or may not, count without; {may(of, unit)}; look at the meter's supply, and enter a hand reading "
        "of that time, or an estimate in addition to what was metered"
    )


def _not_counting(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"by its own word ({_conditions(of)}) the meter did not count all of the time; {unit.text(of.volume.m3)} "
        f"counted, and {may(of, unit)}; where water ran, enter an estimate"
    )


def _suspect(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"by its own word ({_conditions(of)}) the meter's numbers are not to be trusted; {unit.text(of.volume.m3)} "
        f"counted, and {may(of, unit)}; where they are wrong, enter an estimate instead of what was metered"
    )


def _conditions(of: Remark) -> str:
    return ", ".join(name.replace("_", " ") for name in of.conditions) or "its status"


def _flow_uncounted(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the flow rate says that water flows and the total hardly moves: {unit.text(of.volume.m3)} counted, and "
        f"{may(of, unit)}; the totalizer may be stuck or held; look at the face while the pump runs, and enter an "
        "estimate for what was not counted"
    )


def _counted_without_flow(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the total rose by {unit.text(of.volume.m3)} and the flow rate says that nothing flows: the sensor or its "
        f"cutoff may be at fault; it is counted, and {may(of, unit)}"
    )


def _shut_down(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if of.first.count == of.last.count and not of.rollovers:
        return f"the total did not move while the season was shut down: {unit.text(of.volume.m3)}"
    return (
        f"the total went {_span(of)} while the season was shut down: {unit.text(of.volume.m3)}, which is not divided "
        "over that time, since nobody knows when it ran; enter what happened"
    )


def _question(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the total went {_span(of)} and more than one explanation fits; the least of them, {unit.text(of.volume.m3)}, "
        f"is counted, and {may(of, unit)}; state what happened"
    )


def _decrease(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the total fell {_span(of)}, which is no rollover; nothing is counted for it, and {may(of, unit)}; "
        "if the meter was changed or reset, enter it"
    )


def _reset(of: Remark, unit: VolumeUnit, zone: ZoneInfo) -> str:
    lost = f"what ran between is not counted, and {may(of, unit)}"
    if of.settled_by:
        return (
            f"the total was last read at {of.first.count:,} counts and began anew at {of.last.count:,}, "
            f"{_by(of, zone)}; {lost}"
        )
    return (
        f"the total fell {_span(of)} and goes on from there: it was reset, or another meter is there; {lost}; if no "
        "entry says what happened, enter it"
    )


def _impossible(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the total went {_span(of)}, more than the pipe can pass in that time; nothing is counted for it, and "
        f"{may(of, unit)}; if the meter was changed, enter it"
    )


def _glitch(of: Remark, _unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if of.intervals > 1:
        return f"readings {_span(of)} fit neither the one before nor those after; they are set aside"
    return f"a reading of {of.first.count:,} counts fits neither the one before nor those after; it is set aside"


def _torn(of: Remark, _unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if of.intervals > 1:
        return f"readings {_span(of)} are torn: the meter gave words of two instants; they are set aside"
    return (
        f"a reading of {of.first.count:,} counts is torn: the meter gave words of two instants, so that it is wrong by "
        "what the lower ones count; it is set aside"
    )


def _frozen(of: Remark, _unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"from this reading on, at {of.first.count:,} counts, the meter sends the same words to the last bit, a flow "
        "rate among them: it is frozen, and what flowed since is not known; look at its face"
    )


def _undecided(of: Remark, _unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if of.intervals > 1:
        return f"readings {_span(of)} do not follow from those before; later readings will decide"
    return f"a reading of {of.first.count:,} counts does not follow from those before; later readings will decide"


def _scale(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    return (
        f"the volume of one count changed between {of.first.count:,} and {of.last.count:,} counts; nothing is counted "
        f"across it, and {may(of, unit)}"
    )


def _change_out(of: Remark, unit: VolumeUnit, _zone: ZoneInfo) -> str:
    if Flag.OTHER_SERIAL in of.flags:
        return (
            f"another meter answers here: the one before was last read at {of.first.count:,} counts; nothing is "
            f"counted across the change, and {may(of, unit)}; no entry explains its serial number: enter the "
            "change-out or the installation"
        )
    if not of.volume.high_m3:
        return f"meter changed at {of.first.count:,} counts, the next one at {of.last.count:,}"
    return (
        f"meter changed: the old one was last known at {of.first.count:,} counts; what it counted after that is "
        f"not known and not counted, and {may(of, unit)}"
    )


_SENTENCES = {
    Kind.METERED: _metered,
    Kind.ACROSS_GAP: _across_gap,
    Kind.FROM_FIRST_COUNT: _first_count,
    Kind.TO_FINAL_COUNT: _final_count,
    Kind.LOWER_BOUND: _lower_bound,
    Kind.NOT_COUNTING: _not_counting,
    Kind.SUSPECT: _suspect,
    Kind.FLOW_UNCOUNTED: _flow_uncounted,
    Kind.COUNTED_WITHOUT_FLOW: _counted_without_flow,
    Kind.SHUT_DOWN: _shut_down,
    Kind.QUESTION: _question,
    Kind.UNEXPLAINED_DECREASE: _decrease,
    Kind.RESET: _reset,
    Kind.IMPOSSIBLE_STEP: _impossible,
    Kind.GLITCH: _glitch,
    Kind.TORN: _torn,
    Kind.FROZEN: _frozen,
    Kind.UNDECIDED: _undecided,
    Kind.SCALE_CHANGED: _scale,
    Kind.CHANGE_OUT: _change_out,
}
