"""Masters that ask the meters of one line as fast as each can: this program and general-purpose Modbus libraries.

Run as a process of its own, so that its time and memory are its own. At the end one line for each poll goes to standard
output: when it began and ended (monotonic ns), unit, register, and `=` the content in hex or `-` how it failed; then a
line of what the process used. Nothing of the simulator is loaded here.
"""

import ctypes
import itertools
import json
import resource
import sys
import threading
import time
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import NamedTuple

UNITS, REGISTERS, WORDS = (17, 18), (0, 10, 20), 4
POLLS_A_CYCLE = len(UNITS) * len(REGISTERS)
MS = 1_000_000
HASTY_NS, BREATH_S = MS, 0.01  # a poll that fails this fast is followed by a pause, or it would be a busy loop
SLACK_NS = "50000"  # what Linux gives a process by itself; the line that we stem from keeps time more closely
LIBMODBUS = "libmodbus.so.5"


class Line(NamedTuple):
    port: str
    baud: int
    longest_ns: int  # from the request's last bit to the reply's first
    timeout_s: float  # the same wait for every library, counted from the writing of the request


class Log:
    """Takes down each poll; `asked` goes round the blocks until the time is over."""

    def __init__(self, seconds: float) -> None:
        self._began_ns = time.monotonic_ns()
        self._until_ns = self._began_ns + int(seconds * 1e9)
        self._polls: list[tuple[int, int, int, int, bytes | str]] = []
        self._cpu_s, self._kib = cpu_s(), resident_kib()

    def asked(self) -> Iterator[tuple[int, int]]:
        for unit, register in itertools.cycle(itertools.product(UNITS, REGISTERS)):
            if time.monotonic_ns() >= self._until_ns:
                return
            yield unit, register

    def note(self, began_ns: int, unit: int, register: int, content: bytes | str) -> float:
        """How long to pause before the next poll."""
        ended_ns = time.monotonic_ns()
        self._polls.append((began_ns, ended_ns, unit, register, content))
        if len(self._polls) == POLLS_A_CYCLE:  # opening the port and the first of everything is over
            self._cpu_s, self._kib = cpu_s(), resident_kib()
        return BREATH_S if isinstance(content, str) and ended_ns - began_ns < HASTY_NS else 0

    def told(self) -> None:
        """Written at the end only: a line's pace is in tenths of a millisecond."""
        used = {
            "cpu_s": cpu_s() - self._cpu_s,
            "polls": max(1, len(self._polls) - POLLS_A_CYCLE),
            "kib_at_first": self._kib,
            "kib_at_last": resident_kib(),
        }
        for began_ns, ended_ns, unit, register, content in self._polls:
            told = f"-{content}" if isinstance(content, str) else f"={content.hex()}"
            print(began_ns, ended_ns, unit, register, told)
        print(json.dumps(used))


def cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def resident_kib() -> int:
    return next(int(line.split()[1]) for line in Path("/proc/self/status").open() if line.startswith("VmRSS"))


def failed(failure: BaseException) -> str:
    return type(failure).__name__


# --- this program


def tallywell(line: Line, log: Log, seconds: float) -> None:
    """The daemon's own thread of a line: the schedule says whom to ask, the port's owner asks."""
    from tallywell.line.bus import Bus
    from tallywell.readings.exchange import Ask, Outcome, Read
    from tallywell.readings.faults import Fault
    from tallywell.schedule.due import Plan, begin
    from tallywell.schedule.system_clock import SystemClock
    from tallywell.service import site
    from tallywell.service.lines import LineThread

    class Noted(Bus):
        def exchange(self, ask: Ask) -> Outcome:
            began_ns = time.monotonic_ns()
            outcome = super().exchange(ask)
            if outcome.fault is not Fault.STOPPED:  # the time is over
                content = str(outcome.fault) if outcome.data is None else outcome.data
                log.note(began_ns, ask.address, ask.read.register, content)
            return outcome

    clock = SystemClock()
    plans = [
        Plan(f"{unit} {register}", unit, (Read(4, register, WORDS),), MS, line.longest_ns)  # always due
        for unit in UNITS
        for register in REGISTERS
    ]
    field = site.Line("benchmark", line.port, line.baud, site.Parity.NONE)
    state = begin(plans, clock.boot_ns(), 0, at_once=True)
    thread = LineThread(field, Noted(field.settings, clock), state, clock, lambda _: None)
    thread.start()
    threading.Event().wait(seconds)
    thread.stop()
    thread.join(30)


# --- libraries: how each reads one block. What fails is raised.

ReadsBlock = Callable[[int, int], bytes]


def polled(log: Log, read: ReadsBlock) -> None:
    for unit, register in log.asked():
        began_ns = time.monotonic_ns()
        try:
            content: bytes | str = read(unit, register)
        except Exception as failure:  # whatever a library raises is a missed poll
            content = failed(failure)
        if pause_s := log.note(began_ns, unit, register, content):
            time.sleep(pause_s)


def packed(words: list[int] | tuple[int, ...]) -> bytes:
    return b"".join(word.to_bytes(2, "big") for word in words)


def minimalmodbus(line: Line, log: Log, _seconds: float) -> None:
    import minimalmodbus as library

    found = {unit: library.Instrument(line.port, unit) for unit in UNITS}
    for instrument in found.values():
        instrument.serial.baudrate, instrument.serial.timeout = line.baud, line.timeout_s

    def read(unit: int, register: int) -> bytes:
        return packed(found[unit].read_registers(register, WORDS, functioncode=4))

    polled(log, read)


def modbus_tk(line: Line, log: Log, _seconds: float) -> None:
    import modbus_tk.defines as names
    import modbus_tk.modbus_rtu as library
    import serial

    master = library.RtuMaster(serial.Serial(line.port, line.baud))
    master.set_timeout(line.timeout_s)

    def read(unit: int, register: int) -> bytes:
        return packed(master.execute(unit, names.READ_INPUT_REGISTERS, register, WORDS))

    polled(log, read)


def pymodbus_sync(line: Line, log: Log, _seconds: float) -> None:
    from pymodbus.client import ModbusSerialClient

    silence_its_log()
    client = ModbusSerialClient(line.port, baudrate=line.baud, timeout=line.timeout_s, retries=0)
    client.connect()

    def read(unit: int, register: int) -> bytes:
        return packed(answered(client.read_input_registers(register, count=WORDS, device_id=unit)))

    polled(log, read)


def pymodbus_async(line: Line, log: Log, _seconds: float) -> None:
    import asyncio

    from pymodbus.client import AsyncModbusSerialClient

    silence_its_log()

    async def poll() -> None:
        client = AsyncModbusSerialClient(line.port, baudrate=line.baud, timeout=line.timeout_s, retries=0)
        await client.connect()
        for unit, register in log.asked():
            began_ns = time.monotonic_ns()
            try:
                reply: Awaitable[object] = client.read_input_registers(register, count=WORDS, device_id=unit)
                content: bytes | str = packed(answered(await reply))
            except Exception as failure:  # whatever a library raises is a missed poll
                content = failed(failure)
            if pause_s := log.note(began_ns, unit, register, content):
                await asyncio.sleep(pause_s)
        client.close()

    asyncio.run(poll())


def answered(reply: object) -> list[int]:
    if reply.isError():  # type: ignore[attr-defined] # the library has partial types
        raise ValueError(type(reply).__name__)
    words: list[int] = reply.registers  # type: ignore[attr-defined] # the library has partial types
    return words


def silence_its_log() -> None:
    """It writes each failed poll to standard error."""
    import logging

    logging.getLogger("pymodbus").setLevel(logging.CRITICAL + 1)


def libmodbus(line: Line, log: Log, _seconds: float) -> None:
    """A library in C, called through ctypes: what Python needs for the call is in the figures."""
    library = ctypes.CDLL(LIBMODBUS, use_errno=True)
    library.modbus_new_rtu.restype = ctypes.c_void_p
    handle = ctypes.c_void_p(library.modbus_new_rtu(line.port.encode(), line.baud, ctypes.c_char(b"N"), 8, 1))
    library.modbus_set_response_timeout(handle, ctypes.c_uint32(0), ctypes.c_uint32(int(line.timeout_s * 1e6)))
    library.modbus_connect(handle)
    words = (ctypes.c_uint16 * WORDS)()

    def read(unit: int, register: int) -> bytes:
        library.modbus_set_slave(handle, unit)
        if library.modbus_read_input_registers(handle, register, WORDS, words) != WORDS:
            raise OSError(ctypes.get_errno(), "libmodbus")
        return packed(list(words))

    polled(log, read)


def no_library(_line: Line, log: Log, seconds: float) -> None:
    """What bare Python with this file holds, without a library and without a line."""
    for unit, register in itertools.islice(log.asked(), POLLS_A_CYCLE):
        log.note(time.monotonic_ns(), unit, register, b"")
    time.sleep(seconds)


OURS, BARE = "tallywell", "bare Python"
MASTERS: dict[str, Callable[[Line, Log, float], None]] = {
    OURS: tallywell,
    "minimalmodbus": minimalmodbus,
    "pymodbus async": pymodbus_async,
    "pymodbus sync": pymodbus_sync,
    "libmodbus": libmodbus,
    "modbus_tk": modbus_tk,
    BARE: no_library,
}


def present(name: str) -> str | None:
    """The version of what a master needs; None where it is not installed."""
    from importlib.metadata import version

    try:
        if name == "libmodbus":
            library = ctypes.CDLL(LIBMODBUS)
            numbers = [f"libmodbus_version_{part}" for part in ("major", "minor", "micro")]
            return ".".join(str(ctypes.c_uint.in_dll(library, number).value) for number in numbers)
        return version(name.split(maxsplit=1)[0])
    except (OSError, ImportError):  # PackageNotFoundError is an ImportError
        return None


def main(name: str, seconds: float, line: Line) -> None:
    Path("/proc/self/timerslack_ns").write_text(SLACK_NS)
    log = Log(seconds)
    MASTERS[name](line, log, seconds)
    log.told()


if __name__ == "__main__":
    words = json.loads(sys.argv[1])
    main(words["master"], words["seconds"], Line(**words["line"]))
