"""What passes over the daemon's lines reaches whoever listens, and nobody can make a line wait."""

import errno
import os
import shutil
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path

import pytest

from tallywell.line.kept import Head, Trace, head_text
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.traffic import Asked, Traffic, Way
from tallywell.service.listeners import FOLDER, GREETING, MOST_BYTES, MOST_CHARACTERS, Listener, Listeners, Sender
from tallywell.store.database import RecordFolder
from tests.store.test_two_users import DAEMON, OPERATOR, OTHERS, SHARED

ASK = Ask(17, Read(4, 0, 2), 50_000_000)
HEAD = Head("Quail Flat", "2026-11-25T10:00:00-07:00", {"field": LineSettings("/dev/none")})


def exchange(number: int) -> list[Asked | Traffic | Outcome]:
    at_ns = number * 10**8
    return [
        Asked(at_ns, ASK),
        Traffic(at_ns + 1, Way.SENT, b"\x11\x04"),
        Traffic(at_ns + 2, Way.HEARD, b"\x11\x04\x04"),
        Outcome(ASK, b"\0\0\0\0", None, at_ns + 1, at_ns + 3, first_ns=at_ns + 2),
    ]


def greeted(listener: Listener) -> None:
    assert listener.receive(1).startswith(GREETING)


def kinds(rows: str) -> list[str]:
    trace = Trace([*head_text(HEAD).splitlines(keepends=True), *rows.splitlines(keepends=True)], "test")
    return [type(row.what).__name__ for row in trace.rows()]


def test_an_exchange_comes_whole_and_what_is_heard_between_two_at_once(tmp_path: Path) -> None:
    listeners = Listeners(tmp_path)
    assert not listeners.look(), "nobody has ever listened"
    with Listener(tmp_path) as one, Listener(tmp_path) as other:
        assert listeners.look()
        send = Sender(listeners, "field")
        for passed in (*exchange(1), Traffic(2 * 10**8, Way.HEARD, b"\xa5")):
            send(passed)
        for listener in (one, other):
            greeted(listener)
            assert kinds(listener.receive(1)) == ["Asked", "Traffic", "Traffic", "Ended"]
            assert kinds(listener.receive(1)) == ["Traffic"]
            assert listener.receive(0.001) == ""
    assert not listeners.look(), "they took their sockets away"
    listeners.close()


def test_a_slow_listener_is_told_how_much_it_missed(tmp_path: Path) -> None:
    """Its socket takes some exchanges; the rest is not waited for. The others get all of it."""
    listeners = Listeners(tmp_path)
    with Listener(tmp_path) as slow, Listener(tmp_path) as quick:
        listeners.look()
        greeted(slow)
        greeted(quick)
        send = Sender(listeners, "field")
        for number in range(2_000):
            for passed in exchange(number):
                send(passed)
            assert "Missing" not in kinds(quick.receive(1))
        came = []
        while rows := slow.receive(0.01):
            came.append(rows)
        assert len(came) < 2_000
        for passed in exchange(2_000):
            send(passed)
        last = slow.receive(1)
        assert kinds(last)[-1] == "Missing"
        assert last.splitlines()[-1].endswith(f"missing {2_000 - len(came)}")
    listeners.close()


def test_a_listener_that_was_killed_is_forgotten(tmp_path: Path) -> None:
    gone = Listener(tmp_path).__enter__()
    gone._socket.close()  # as the end of its process does; the name stays in the folder
    listeners = Listeners(tmp_path)
    with Listener(tmp_path) as other:
        assert len(list((tmp_path / FOLDER).iterdir())) == 2
        assert listeners.look()
        send = Sender(listeners, "field")
        for passed in exchange(1):
            send(passed)
        greeted(other)
        assert kinds(other.receive(1))
        assert len(list((tmp_path / FOLDER).iterdir())) == 1
    listeners.close()


def test_a_folder_that_is_taken_away_ends_nothing(tmp_path: Path) -> None:
    listeners = Listeners(tmp_path)
    listener = Listener(tmp_path).__enter__()
    listeners.look()
    send = Sender(listeners, "field")
    (one,) = (tmp_path / FOLDER).iterdir()
    one.unlink()
    (tmp_path / FOLDER).rmdir()
    for passed in exchange(1):
        send(passed)
    assert not listeners.look()
    listener._socket.close()
    listeners.close()


def test_the_folder_is_for_the_group(tmp_path: Path) -> None:
    with Listener(tmp_path):
        folder = tmp_path / FOLDER
        assert folder.stat().st_mode & 0o7777 == 0o2770
        (one,) = folder.iterdir()
        assert one.stat().st_mode & 0o777 == 0o660


def test_a_line_that_babbles_is_sent_in_parts_that_a_socket_takes(tmp_path: Path) -> None:
    """An exchange that goes on for megabytes, in the greatest lumps that a port gives at once."""
    listeners = Listeners(tmp_path)
    with Listener(tmp_path) as listener:
        listeners.look()
        greeted(listener)
        send = Sender(listeners, "field")
        send(Asked(0, ASK))
        came = 0
        for number in range(300):
            send(Traffic(number, Way.HEARD, b"\xa5" * 4096))
            while rows := listener.receive(0.001):
                assert MOST_CHARACTERS < len(rows) < MOST_BYTES
                assert "Missing" not in kinds(rows)
                came += len(kinds(rows))
        assert came > 290
    listeners.close()


def child(uid: int, work: Callable[[], None]) -> int:
    """A process of another user, in the group that shares the record, that does this and ends with 0."""
    found = os.fork()
    if found == 0:
        try:
            os.setgroups([SHARED, OTHERS])
            os.setresgid(OTHERS, OTHERS, OTHERS)
            os.setresuid(uid, uid, uid)
            os.umask(0o077)
            work()
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    return found


@pytest.mark.skipif(os.geteuid() != 0 and "CI" not in os.environ, reason="needs root, to become two other users")
@pytest.mark.parametrize(("first", "then"), [(OPERATOR, DAEMON), (DAEMON, OPERATOR)])
def test_an_operator_of_the_group_looks_on_whoever_made_the_folder(first: int, then: int) -> None:
    """Both ways round: the folder is the first listener's, and the second may use it too."""
    place = Path(tempfile.mkdtemp(prefix="tallywell-two-users-", dir="/var/tmp"))
    place.chmod(0o755)
    record = place / "quail.record"
    RecordFolder(record, SHARED).create()
    os.chown(record, DAEMON, SHARED)
    record.chmod(0o2770)
    try:
        for listening in (first, then):
            ready, told = os.pipe()

            def listen(told: int = told) -> None:
                with Listener(record) as listener:
                    os.write(told, b"!")
                    greeted(listener)
                    assert kinds(listener.receive(5)) == ["Asked", "Traffic", "Traffic", "Ended"]

            def send() -> None:
                listeners = Listeners(record)
                assert listeners.look()
                tap = Sender(listeners, "field")
                for passed in exchange(1):
                    tap(passed)

            operator = child(listening, listen)
            assert os.read(ready, 1) == b"!"
            daemon = child(DAEMON, send)
            assert [os.waitpid(one, 0)[1] for one in (daemon, operator)] == [0, 0]
            os.close(ready)
            os.close(told)
    finally:
        shutil.rmtree(place)


def test_another_folder_in_its_place_is_seen(tmp_path: Path) -> None:
    listeners = Listeners(tmp_path)
    with Listener(tmp_path) as first:
        assert listeners.look()
        assert first.receive(1)
        shutil.rmtree(tmp_path / FOLDER)
        with Listener(tmp_path) as second:
            assert listeners.look()
            assert second.receive(1), "it is greeted"
            send = Sender(listeners, "field")
            for passed in exchange(1):
                send(passed)
            assert kinds(second.receive(1))
    listeners.close()


def test_without_a_free_descriptor_nobody_listens_and_nothing_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none_left(*_: object) -> None:
        raise OSError(errno.EMFILE, "Too many open files")

    listeners = Listeners(tmp_path)
    with Listener(tmp_path), monkeypatch.context() as patched:
        patched.setattr("tallywell.service.listeners.socket.socket", none_left)
        assert not listeners.look()
    listeners.close()
