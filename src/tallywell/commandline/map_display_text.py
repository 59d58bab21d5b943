"""Where among words a text stands that the display or the plate shows, as `tallywell map try --should-be` shows it."""

from tallywell.commandline.map_trial import Trial
from tallywell.registers.fitting_texts import TextMatch, text_matches
from tallywell.registers.quantity import ByteOrder, Kind, Quantity, WordOrder
from tallywell.reports.table import Column, table

MOST_MATCHES = 6


def searched_text(trial: Trial, shown: str) -> tuple[list[str], bool]:
    """What agrees with the text, and whether the map as it is does."""
    right = next((value.quantity for value in trial.values.values() if value.text == shown), None)
    if right is not None:
        return ["", f"{right} agrees with the display ({shown}): the map is right here."], True
    if trial.table.is_bits:
        return ["", "a text is in no bit; leave out --should-be"], False
    about = next((quantity for quantity in trial.touched() if quantity.kind is Kind.TEXT), None)
    name = f"{about.name} does not agree with the display ({shown})" if about else f"The display: {shown}"
    found = text_matches(trial.content, trial.read.register, shown, about)
    if not found:
        return ["", f"{name}, and these words are that text in no order.", "Give the words beside them, too."], False
    rows = [(_place(trial, match), str(match.words), ", ".join(_orders(match).values())) for match in found]
    columns = [Column("register"), Column("words", right=True), Column("order")]
    lines = ["", f"{name}. It stands here, the nearest to the map first:", *table(columns, rows[:MOST_MATCHES])]
    return [*lines, "", "To write in the map:", f"  {_to_write(trial, about, found[0])}"], False


def _place(trial: Trial, match: TextMatch) -> str:
    return f"{trial.table} {trial.written.register(match.register, trial.table)}"


def _orders(match: TextMatch) -> dict[str, str]:
    found = {}
    if match.words > 1 and match.word_order is WordOrder.LOW_WORD_FIRST:
        found["word_order"] = str(match.word_order)
    if match.byte_order is ByteOrder.LOW_BYTE_FIRST:
        found["byte_order"] = str(match.byte_order)
    return found


def _to_write(trial: Trial, about: Quantity | None, match: TextMatch) -> str:
    keys = {"register": str(trial.written.register(match.register, trial.table)), "type": "text"}
    keys |= {"words": str(match.words)} | _orders(match)
    if about is not None and about.byte_order is not match.byte_order:
        keys["byte_order"] = str(match.byte_order)
    said = ", ".join(f"{key}: {value}" for key, value in keys.items())
    return f"{{table: {trial.table}, {said}}}" if about is None else f"{about.name}: {{{said}}}"
