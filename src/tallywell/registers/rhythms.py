"""When a quantity is read: `every`, and what a setting has without it."""

from tallywell.registers.map_forms import RHYTHM, RhythmWord
from tallywell.registers.quantity import EACH_POLL, ONCE, SETTINGS, Rhythm
from tallywell.registers.written_quantity import Written, accept
from tallywell.written import fields


def rhythm_of(written: Written, *, is_setting: bool) -> Rhythm:
    """A setting with an `every` of its own is read after the meter was silent all the same; `once` is just that."""
    usual = SETTINGS if is_setting else EACH_POLL
    if written.form.every is None:
        return usual
    found = accept(written.document, (*written.path, "every"), _rhythm)
    if found is None or not is_setting or not found.every_ns:
        return found or usual
    return Rhythm(found.every_ns, after_silence=True)


def _rhythm(value: object) -> Rhythm:
    word = fields.text(value)
    if word in list(RhythmWord):
        return EACH_POLL if word == RhythmWord.POLL else ONCE
    if not word[:1].isdigit():
        raise fields.refuse("must be poll, once or a duration", 'such as "1 h"')
    return Rhythm(round(RHYTHM(value).si * 10**9))
