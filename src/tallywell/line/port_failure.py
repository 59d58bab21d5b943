"""What keeps a serial port from being opened, in one line: what it is, and what to do. Edge: it looks who and what is
there.
"""

import errno
import grp
import os
import pwd
from collections.abc import Callable
from contextlib import suppress
from difflib import get_close_matches
from pathlib import Path

from tallywell.line.away import PortAway, Reason
from tallywell.line.links import LINKS, Links
from tallywell.line.timing import LineSettings

LOCKS = Path("/proc/locks")
MOST_NAMES = 4  # of what is there instead


class Doubtful(OSError):
    """The adapter that was opened first is not there, and nothing that is there is surely the same one."""


class NoRs485(OSError):
    """The driver does not switch the direction of the pair, or not as asked."""


def failure(settings: LineSettings, failed: BaseException, links: Links, name: str) -> PortAway:
    """`failed` as a person is to hear it. `name`: the path that was opened, which need not be that of the site file."""
    if isinstance(failed, NoRs485):
        hint = "remove rs485 from the line: most USB adapters switch the direction by themselves"
        return PortAway(f"{settings.called}: its driver has no RS-485 mode{_detail(failed)}", Reason.UNUSABLE, hint)
    if isinstance(failed, Doubtful):
        return _doubtful(settings.called, links)
    number = number_of(failed)
    if number in _IN_WORDS:
        return _IN_WORDS[number](settings.called, name, links)
    setting = f"{settings.baud} baud, parity {settings.parity}, {settings.stop_bits} stop bits"
    why = os.strerror(number).lower() if number else str(failed)
    hint = "check the line's settings; not every driver can do all of them"
    return PortAway(f"{settings.called}: cannot be opened with {setting}: {why}", Reason.UNUSABLE, hint)


def number_of(failed: BaseException | None) -> int | None:
    """The errno, also where pyserial has put a termios.error into words."""
    if failed is None:
        return None
    if failed.args and isinstance(failed.args[0], int):
        return failed.args[0]
    return number_of(failed.__cause__ or failed.__context__)


def _detail(failed: BaseException) -> str:
    said = failed.args[1] if len(failed.args) > 1 else ""
    return f" ({said})" if said else ""


def _doubtful(called: str, links: Links) -> PortAway:
    there = ", ".join(links.there()[:MOST_NAMES])
    hint = "put it back into the socket it was in"
    if there:
        hint += f", or write the right name into the site file and start again; there is {there}"
    return PortAway(f"{called}: its adapter is not there", Reason.GONE, hint, there)


def _no_device(called: str, name: str, links: Links) -> PortAway:
    there = ", ".join(_instead(name, links))
    hint = "is the adapter plugged in? " + (f"there is {there}" if there else f"nothing is in {LINKS}")
    return PortAway(f"{called}: no such device", Reason.GONE, hint, there)


def _does_not_work(called: str, _name: str, _links: Links) -> PortAway:
    hint = "is the adapter plugged in? a name such as /dev/ttyS1 may have no hardware behind it"
    return PortAway(f"{called}: it does not work (input/output error)", Reason.GONE, hint)


def _denied(called: str, name: str, _links: Links) -> PortAway:
    return PortAway(f"{called}: permission denied", Reason.DENIED, _who_may(name))


def _locked(called: str, name: str, _links: Links) -> PortAway:
    return _held(called, name, holder_of(name))


def _for_one_alone(called: str, name: str, _links: Links) -> PortAway:
    """TIOCEXCL, which is no lock."""
    return _held(called, name, _has_open(name))


def _no_tty(called: str, _name: str, _links: Links) -> PortAway:
    return PortAway(f"{called}: not a serial port", Reason.UNUSABLE, "give the path of a tty")


def _no_room(called: str, _name: str, _links: Links) -> PortAway:
    hint = "look at what else runs on it, and start this program again"
    return PortAway(f"{called}: this machine lacks memory or open files to open it", Reason.UNUSABLE, hint)


_NO_DEVICE = (errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR, errno.ELOOP, errno.ENAMETOOLONG)
_IN_WORDS: dict[int | None, Callable[[str, str, Links], PortAway]] = {
    **dict.fromkeys(_NO_DEVICE, _no_device),
    errno.EIO: _does_not_work,
    **dict.fromkeys((errno.EACCES, errno.EPERM), _denied),
    errno.EWOULDBLOCK: _locked,
    errno.EBUSY: _for_one_alone,
    errno.ENOTTY: _no_tty,
    **dict.fromkeys((errno.EMFILE, errno.ENFILE, errno.ENOMEM), _no_room),
}


def _instead(name: str, links: Links) -> tuple[str, ...]:
    """What is there that may be meant: names nearly the same beside it, and the adapters."""
    path = Path(name)
    with suppress(OSError, ValueError):
        beside = [found.name for found in path.parent.iterdir() if found.is_char_device()]
        near = [str(path.parent / found) for found in get_close_matches(path.name, beside, MOST_NAMES, 0.7)]
        return tuple(dict.fromkeys((*near, *links.there())))[:MOST_NAMES]
    return links.there()[:MOST_NAMES]


def _who_may(name: str) -> str:
    """Which group this user must be in, or what else bars it."""
    user = _user()
    try:
        status = os.stat(name)  # noqa: PTH116 # beside the other calls of os
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError, ValueError):
        return f"this user must be in the group that owns it: `ls -lL {name}` shows it (often dialout)"
    if status.st_mode & 0o060 != 0o060:
        return f"its group {group} may not read and write it either: a udev rule must give it to a group, MODE 0660"
    if status.st_gid in {os.getegid(), *os.getgroups()} or os.geteuid() == 0:
        return f"user {user} may open it, so something else bars it: DeviceAllow in the unit, or a container"
    return f"user {user} must be in group {group}: `usermod -aG {group} {user}`, then start this program again"


def _user() -> str:
    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


def _held(called: str, name: str, holder: int | None) -> PortAway:
    if holder == os.getpid():
        what, hint = f"{called}: open already, as another line of this program", "two lines lead to one port: mend one"
    elif holder:
        what = f"{called}: held by another program, {_program(holder)}"
        hint = "only one program may own a line: end that one"
    else:
        what = f"{called}: held by another program"
        hint = f"only one program may own a line: `fuser {name}` shows which one does"
    return PortAway(what, Reason.HELD, hint, str(holder or ""))


def holder_of(name: str, locks: Path = LOCKS) -> int | None:
    """The process that has locked this port; None where the kernel does not show it.

    A line of /proc/locks (proc_locks(5)): `1: FLOCK ADVISORY WRITE 4242 00:06:1234 0 EOF`, the numbers being those of
    the process, the file system's device (hexadecimal) and the file.
    """
    with suppress(OSError, ValueError):
        status = os.stat(name)  # noqa: PTH116 # beside the other calls of os
        file = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
        for line in locks.read_text().splitlines():
            words = line.split()
            if len(words) >= 6 and words[1] == "FLOCK" and words[5] == file and int(words[4]) > 0:
                return int(words[4])
    return None


def _has_open(name: str) -> int | None:
    """A process that has this port open, of those whose descriptors this user may see."""
    device = os.path.realpath(name)
    with suppress(OSError):
        for folder in Path("/proc").glob("[0-9]*/fd"):
            if _leads(folder, device):
                return int(folder.parent.name)
    return None


def _leads(folder: Path, device: str) -> bool:
    with suppress(OSError):
        return any(os.readlink(found) == device for found in folder.iterdir())  # noqa: PTH115 # not resolved further
    return False


def _program(pid: int) -> str:
    with suppress(OSError, ValueError):
        return f"process {pid} ({Path(f'/proc/{pid}/comm').read_text().strip()})"
    return f"process {pid}"
