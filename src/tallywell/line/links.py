"""The names by which Linux knows a USB adapter, and which stay when its number changes. Edge.

udev makes two links to each (its rules, 60-serial.rules): `by-path` names the socket that it is in, `by-id` its make,
its serial number where it has one, and its interface. Adapters of one make without a serial number share their by-id
name, so that alone proves nothing.
"""

import os
import stat
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

LINKS = Path("/dev/serial")
BY_ID, BY_PATH = "by-id", "by-path"
USB_NAMES = ("ttyUSB", "ttyACM")  # numbered by the kernel as they come: the same name may be another adapter tomorrow
SHORTEST_SERIAL = 6  # "0001" and the like are what all adapters of a make have when nobody wrote one (common practice)


@dataclass(frozen=True, slots=True)
class Adapter:
    """By what an adapter is known: its names in the two folders and its serial number; "" where it has none."""

    by_id: str = ""
    by_path: str = ""
    serial: str = ""

    @property
    def known(self) -> bool:
        return bool(self.by_path or (self.by_id and self.serial))


def serial_number(device: str) -> str:
    """The serial number that a USB adapter tells of itself; "" where it tells none that could tell it from another."""
    from serial.tools.list_ports_linux import SysFS

    with suppress(OSError, ValueError, AttributeError, TypeError):  # it may be pulled out while it is looked at
        found = SysFS(device).serial_number or ""
        return found if len(found) >= SHORTEST_SERIAL and len(set(found)) > 1 else ""
    return ""


class Links:
    """The links of this machine. `folder` holds by-id and by-path, `serial_of` gives a device's serial number."""

    def __init__(self, folder: Path = LINKS, serial_of: Callable[[str], str] = serial_number) -> None:
        self._folder = folder
        self._serial_of = serial_of

    def adapter(self, device: str) -> Adapter:
        """What is known of the adapter that is `device` now (a path without links)."""
        return Adapter(self._leading(BY_ID, device), self._leading(BY_PATH, device), self._serial_of(device))

    def find(self, adapter: Adapter) -> str | None:
        """The link that leads to this adapter and to no other; None where it is away, or where that is in doubt.

        A serial number finds it in any socket. Without one it must be in the same socket and of the same make.
        """
        if adapter.serial and adapter.by_id:
            link = self._folder / BY_ID / adapter.by_id
            return str(link) if self._serial_of(os.path.realpath(link)) == adapter.serial else None
        link = self._folder / BY_PATH / adapter.by_path
        if not adapter.by_path or not _is_device(link):
            return None
        there = self.adapter(os.path.realpath(link))
        return str(link) if not (there.by_id and adapter.by_id) or there.by_id == adapter.by_id else None

    def better_name(self, written: str) -> str | None:
        """The link to write in a site file in place of a name that the kernel numbers; None where there is none."""
        if not Path(written).name.startswith(USB_NAMES) or Path(written).is_symlink():
            return None
        found = self.adapter(os.path.realpath(written))
        if found.serial and found.by_id:
            return str(self._folder / BY_ID / found.by_id)
        return str(self._folder / BY_PATH / found.by_path) if found.by_path else None

    def there(self) -> tuple[str, ...]:
        """A link to each adapter that is there, that of its socket where it has both."""
        linked: dict[str, str] = {}
        for kind in (BY_ID, BY_PATH):
            linked |= {led: str(self._folder / kind / name) for name, led in self._names(kind)}
        return tuple(sorted(linked.values()))

    def _leading(self, kind: str, device: str) -> str:
        return next((name for name, led in self._names(kind) if led == device), "")

    def _names(self, kind: str) -> list[tuple[str, str]]:
        """Each link of a folder with the device that it leads to now."""
        try:
            links = sorted((self._folder / kind).iterdir())
        except OSError:
            return []
        return [(link.name, os.path.realpath(link)) for link in links if _is_device(link)]


def _is_device(link: Path) -> bool:
    try:
        return stat.S_ISCHR(link.stat().st_mode)
    except (OSError, ValueError):
        return False
