"""What passes over the daemon's lines reaches whoever listens, and nobody can make a line wait."""

from pathlib import Path

from tallywell.line.kept import Head, Trace, head_text
from tallywell.line.timing import LineSettings
from tallywell.readings.exchange import Ask, Outcome, Read
from tallywell.readings.traffic import Asked, Traffic, Way
from tallywell.service.listeners import FOLDER, Listener, Listeners, Sender

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
