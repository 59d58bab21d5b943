"""Whose bytes were heard on a serial line while nobody was asked, as far as the bytes tell. Pure."""

from collections.abc import Mapping

from tallywell.line import frame
from tallywell.line.judge import stated_length


def whose(heard: bytes, known: Mapping[int, str], ours: bytes = b"") -> str:
    """In words; "" where no whole frame stands in front. `known`: our meters by address; `ours`: our last request.

    A late answer and one to another master look alike: both are of a meter that we did not ask just then.
    """
    if ours and heard.startswith(ours):
        return "our own request again, an echo"
    if (asked := frame.parse_request(heard[: frame.REQUEST_LENGTH])) is not None:
        return f"another master asks {known.get(asked[0], f'address {asked[0]}')}"
    if not frame.crc_holds(heard):
        return ""
    who = known.get(heard[0])
    if who is None:
        return f"a sound frame of address {heard[0]}, which is no meter of this line"
    return f"a late answer of {who}" if stated_length(heard) == len(heard) else f"a sound frame of {who}"
