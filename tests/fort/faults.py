"""The fault campaign: `python -m tests.fort.faults [NAME ...] [--list] [--speed N]`.

Each fault is done to a real daemon process on a fake one-wire tree, a real broker and a real disk, and what a keeper
would hear and see is looked at from outside: the buzzer's pin, the control socket, the log. In each the brooder goes
cold as well, so that it shows whether the watch goes on; at the end the history must be whole and hold every alarm that
was told. The pins are gpiozero's mock, the bus is a folder: no electricity is tried.
"""

import argparse
import contextlib
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sensord.clock import SystemClock
from sensord.history.history_file import FILE_NAME
from sensord.history.history_reader import HistoryReader
from tests.fort.fault_house import AIR, TOP, House
from tests.helpers.failing_tree import Failure
from tests.mqtt.listener import Listener
from tests.mqtt.mosquitto import Broker

__all__ = ["FAULTS", "NotTried", "Outcome", "run_one"]

_YEARS_SECONDS = 10 * 365.25 * 86_400
_PROBE_ALARMS = ("probe-fault", "readings-late")


class NotTried(Exception):  # noqa: N818 - no error, a row of the table
    """This machine does not let us do that harm."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """A row of the table: what was heard, seen, whether the watch went on, what was kept."""

    fault: str
    passed: bool | None
    seen: str
    watch: str = ""
    kept: str = ""


_Story = Callable[[House], tuple[str, str]]
FAULTS: dict[str, tuple[_Story, str]] = {}
"""By name: the story (what was seen, how the watch went on), and further lines of config."""


def _fault(name: str, more: str = "") -> Callable[[_Story], _Story]:
    def added(story: _Story) -> _Story:
        FAULTS[name] = (story, more)
        return story

    return added


# --- probes and bus ---------------------------------------------------------------------------------------------------


def _probe_story(house: House, failure: Failure, *roms: str) -> tuple[str, str]:
    before = house.beeps()
    house.fail(failure, *roms)
    took = house.until(lambda: house.alarm(*_PROBE_ALARMS), "an alarm for the probe")
    house.until(lambda: house.beeps() > before, "a sound for the probe")
    alarm = house.alarm(*_PROBE_ALARMS)
    words = alarm.condition.value if alarm is not None else "?"
    house.fail(None, *roms)
    house.until(lambda: house.celsius() is not None, "readings again")
    house.until(lambda: house.alarm(*_PROBE_ALARMS) is None, "the end of the alarm")
    return f"buzzer, {words} after {took:.0f} s, readings back", house.cold_snap()


@_fault("bus hang")
def _bus_hang(house: House) -> tuple[str, str]:
    return _probe_story(house, Failure.HANGING)


@_fault("bus short (all zeros)")
def _bus_short(house: House) -> tuple[str, str]:
    return _probe_story(house, Failure.SHORTED)


@_fault("probe unplugged and plugged")
def _unplugged(house: House) -> tuple[str, str]:
    return _probe_story(house, Failure.VANISHED, AIR)


@_fault("CRC storm, every reading")
def _crc(house: House) -> tuple[str, str]:
    return _probe_story(house, Failure.CRC_MISMATCH)


@_fault("CRC storm, two of three readings")
def _crc_some(house: House) -> tuple[str, str]:
    return _stormy(house, Failure.CRC_MISMATCH)


@_fault("85 °C storm, every reading")
def _power_on(house: House) -> tuple[str, str]:
    return _probe_story(house, Failure.POWER_ON)


@_fault("85 °C storm, two of three readings")
def _power_on_some(house: House) -> tuple[str, str]:
    return _stormy(house, Failure.POWER_ON)


def _stormy(house: House, failure: Failure) -> tuple[str, str]:
    over = threading.Event()

    def storm() -> None:
        while not over.is_set():
            house.fail(failure, AIR)
            over.wait(2 / house.speed)
            house.fail(None, AIR)
            over.wait(1 / house.speed)

    thread = threading.Thread(target=storm)
    thread.start()
    try:
        watch = house.cold_snap()
    finally:
        over.set()
        thread.join()
    seen = house.snapshot
    faults = sum(sum(probe.faults.values()) for probe in seen.probes if probe.name == "air") if seen else 0
    assert faults, "no reading failed"
    return f"{faults} failed readings counted", watch


@_fault("sysfs files vanish")
def _vanish(house: House) -> tuple[str, str]:
    before = house.beeps()
    away = house.tree.root.with_name("away")
    house.tree.root.rename(away)
    took = house.until(lambda: house.alarm(*_PROBE_ALARMS), "an alarm for the probe")
    house.until(lambda: house.beeps() > before, "a sound for the probe")
    away.rename(house.tree.root)
    house.until(lambda: house.alarm(*_PROBE_ALARMS) is None, "the end of the alarm")
    return f"buzzer, alarm after {took:.0f} s, readings back", house.cold_snap()


# --- disk -------------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _small_disk(folder: Path, options: str) -> Iterator[None]:
    """A disk of its own under `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True, check=False
    )
    if done.returncode:
        raise NotTried("a small disk can only be mounted by root")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@_fault("slow disk")
def _slow_disk(house: House) -> tuple[str, str]:
    house.order("slow 1.5")
    watch = house.cold_snap()
    house.order("slow 0")
    return "each write takes 1.5 s of life", watch


@_fault("full disk")
def _full_disk(house: House) -> tuple[str, str]:
    filler = house.state / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))
    before = house.beeps()
    watch = house.cold_snap()
    house.until(lambda: "history is in trouble" in house.journal(), "the log to name the disk")
    house.until(lambda: not house.output("history")[0], "the screen to name the disk")
    working, words = house.output("history")
    assert not working
    assert "full" in words, words
    assert house.beeps() > before
    filler.unlink()
    house.until(lambda: house.output("history")[0], "the history to work again")
    return "screen and log say 'disk is full', low alarm; works again when there is room", watch


_NOBODY = '[mqtt]\nhost = "127.0.0.1"\nport = 9\n'


@_fault("read-only disk from the start", _NOBODY)
def _read_only(house: House) -> tuple[str, str]:
    watch = house.cold_snap()
    house.until(lambda: not house.output("history")[0], "the screen to name the disk")
    _, words = house.output("history")
    assert "read-only" in words, words
    return "screen and log say 'read-only', low alarm", watch


# --- broker -----------------------------------------------------------------------------------------------------------


class _Proxy:
    """A TCP proxy that can stop passing anything on, while it holds the connections open."""

    def __init__(self, to_port: int) -> None:
        self._to_port = to_port
        self.stalled = threading.Event()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                one, _ = self._listening.accept()
                other = socket.create_connection(("127.0.0.1", self._to_port))
                for pair in ((one, other), (other, one)):
                    threading.Thread(target=self._pass, args=pair, daemon=True).start()

    def _pass(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(4096):
                while self.stalled.is_set():
                    threading.Event().wait(0.05)
                sink.sendall(data)
        with contextlib.suppress(OSError):
            sink.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self.stalled.clear()
        self._listening.close()


def _mqtt(port: int) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\ninterval_seconds = 1\nkeepalive_seconds = 5\n'


def _events(listener: Listener) -> list[int]:
    return [heard.fields["number"] for heard in listener.on("sensord/attic/event")]


@_fault("broker gone and back", "broker")
def _broker_gone(house: House) -> tuple[str, str]:
    broker: Broker = house.broker  # type: ignore[attr-defined]  # set by `run_one`
    broker.kill()
    watch = house.cold_snap()
    house.until(lambda: "no broker" in house.output("mqtt")[1], "the screen to miss the broker")
    broker.start()
    with Listener(broker.port) as listener:
        house.until(lambda: len(_events(listener)) >= 2, "the events of the time without a broker")
        numbers = sorted(set(_events(listener)))
        assert numbers == list(range(numbers[0], numbers[-1] + 1)), numbers
    return f"screen says 'no broker'; {len(numbers)} events told afterwards, none missing", watch


@_fault("broker slow (stalled connection)", "proxy")
def _broker_slow(house: House) -> tuple[str, str]:
    proxy: _Proxy = house.proxy  # type: ignore[attr-defined]  # set by `run_one`
    house.until(lambda: "connected" in house.output("mqtt")[1], "the broker")
    proxy.stalled.set()
    watch = house.cold_snap()
    house.until(lambda: "no broker" in house.output("mqtt")[1], "the screen to name the broker")
    return "screen says that nothing is heard from the broker", watch


# --- time, signals, memory --------------------------------------------------------------------------------------------


@_fault("wall clock jumps ten years ahead and twenty back")
def _clock_jumps(house: House) -> tuple[str, str]:
    house.order(f"jump {_YEARS_SECONDS}")
    first = house.cold_snap()
    house.order(f"jump {-2 * _YEARS_SECONDS}")
    second = house.cold_snap()
    house.order(f"jump {_YEARS_SECONDS}")
    return "nothing to hear or see, as it should be", f"{first}, {second}"


@_fault("SIGTERM")
def _terminated(house: House) -> tuple[str, str]:
    watch = house.cold_snap()
    house.air_celsius = 29.0
    house.until(lambda: house.alarm("too-cold", "dangerously-cold"), "an alarm")
    code = house.stop()
    assert code == 0, code
    assert house.pins_low()
    house.air_celsius = 34.5
    house.start()
    return "exit 0 while the horn sounded, buzzer silent, starts again", watch


@_fault("SIGTERM on a slow disk")
def _terminated_slowly(house: House) -> tuple[str, str]:
    watch = house.cold_snap()
    house.order("slow 2.5")
    house.air_celsius = 29.0
    house.until(lambda: house.alarm("too-cold", "dangerously-cold"), "an alarm")
    clock = SystemClock()
    began = clock.monotonic_seconds()
    code = house.stop()
    took = clock.monotonic_seconds() - began
    assert code == 0, code
    assert "did not end within" not in house.journal(), house.last_words()
    house.air_celsius = 34.5
    house.start()
    return f"each write takes 2.5 s; exit 0 after {took:.0f} s, with all written", watch


@_fault("SIGKILL")
def _killed(house: House) -> tuple[str, str]:
    watch = house.cold_snap()
    house.air_celsius = 29.0
    house.until(lambda: house.alarm("too-cold", "dangerously-cold"), "an alarm")
    house.stop(signal.SIGKILL)
    before = house.beeps()
    took = house.start().until(lambda: house.alarm("too-cold", "dangerously-cold"), "the alarm again")
    house.until(lambda: house.beeps() > before, "the sound again")
    house.air_celsius = 34.5
    return f"started anew (as systemd does): the cold is heard again after {took:.0f} s", watch


@_fault("out of memory in a worker")
def _memory(house: House) -> tuple[str, str]:
    return _saboteur(house, "memory", "MemoryError")


@_fault("an output that crashes at every item")
def _crash(house: House) -> tuple[str, str]:
    return _saboteur(house, "crash", "a bug in an adapter")


@_fault("an output that ends its thread")
def _leave(house: House) -> tuple[str, str]:
    return _saboteur(house, "leave", "SystemExit")


def _saboteur(house: House, order: str, words: str) -> tuple[str, str]:
    house.order(order)
    house.until(lambda: not house.output("saboteur")[0], "the screen to name the output")
    assert words in house.output("saboteur")[1], house.output("saboteur")
    watch = house.cold_snap()
    house.order("heal")
    house.until(lambda: house.output("saboteur")[0], "the output to work again")
    return f"screen and log name the output ({words}), low alarm", watch


@_fault("an output whose words raise")
def _words_raise(house: House) -> tuple[str, str]:
    return _slip(house, "words", "saboteur")


@_fault("a view that raises")
def _view_raises(house: House) -> tuple[str, str]:
    return _slip(house, "view", "view")


@_fault("a day that raises")
def _day_raises(house: House) -> tuple[str, str]:
    house.order(f"jump {3600}")
    return _slip(house, "day", "log")


@_fault("a probes' reader that raises")
def _reader_raises(house: House) -> tuple[str, str]:
    return _slip(house, "reader", "probes")


@_fault("a service manager that raises")
def _notifier_raises(house: House) -> tuple[str, str]:
    return _slip(house, "notifier", "service manager")


def _slip(house: House, part: str, output: str) -> tuple[str, str]:
    """A slip of ours on the owner's thread: a trouble like any other."""
    house.order(f"break_{part}")
    house.until(lambda: f"output {output} is in trouble: KeyError" in house.journal(), "the log to name it")
    house.until(lambda: house.alarm("output-failed"), "an alarm")
    return f"screen and log name '{output}', low alarm; still the same process", house.cold_snap()


@_fault("an output that never comes back")
def _hanging_output(house: House) -> tuple[str, str]:
    house.order("hang")
    watch = house.cold_snap()
    house.until(lambda: not house.output("saboteur")[0], "the screen to name the output")
    return f"screen: {house.output('saboteur')[1]}", watch


# --- people and programs ----------------------------------------------------------------------------------------------


@_fault("10,000 button bounces")
def _bounces(house: House) -> tuple[str, str]:
    house.air_celsius = 29.0
    house.until(lambda: house.alarm("too-cold", "dangerously-cold"), "an alarm")
    house.order("bounce 10000")
    house.until(lambda: not house.alarm("too-cold", "dangerously-cold"), "the press to be taken")
    house.air_celsius = 34.5
    house.wait(20)
    watch = house.cold_snap()
    taken = house.journal().count("command acknowledge (button)")
    assert 1 <= taken <= 50, taken
    return f"10,000 bounces count as {taken} press{'es' * (taken > 1)}", watch


@_fault("two daemons at once")
def _two(house: House) -> tuple[str, str]:
    command = [sys.executable, "-m", "tests.fort.fault_child", str(house.folder)]
    second = subprocess.run(
        command, capture_output=True, text=True, cwd=TOP, timeout=30, stdin=subprocess.DEVNULL, check=False
    )
    assert second.returncode == 2, second
    assert "Traceback" not in second.stderr, second.stderr
    words = second.stderr.strip().splitlines()[-1].split(": ")[2]
    return f"the second ends with code 2: '{words}'", house.cold_snap()


@_fault("twenty dashboards that never read")
def _deaf(house: House) -> tuple[str, str]:
    request = b'{"jsonrpc": "2.0", "id": 1, "method": "subscribe", "params": {}}\n'
    deaf = []
    for _ in range(20):
        one = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        one.connect(str(house.socket))
        one.sendall(request)
        deaf.append(one)
    before = house.memory_megabytes()
    watch = house.cold_snap()
    house.wait(60)
    grown = house.memory_megabytes() - before
    assert grown < 30, grown
    for one in deaf:
        one.close()
    return f"the dashboard that reads is served; memory {grown:+.1f} MB", watch


# --- the campaign -----------------------------------------------------------------------------------------------------


def _kept(house: House) -> str:
    """Whether the history is whole and holds every alarm that was told."""
    with HistoryReader(house.state / FILE_NAME) as reader:
        reader.check()
        rows = reader.alarms(-1e12, 1e12)
        points = reader.minutes("air", -1e12, 1e12)
    stored = [(row.place, row.condition, row.state) for row in rows]
    for told in house.told:
        key = (told.place, told.condition.value, told.state.value)
        assert key in stored, f"told but not stored: {key}"
        stored.remove(key)
    assert points, "no readings were kept"
    return f"whole, {len(house.told)} of {len(house.told)} alarms"


def run_one(name: str, folder: Path, speed: float = 6.0) -> Outcome:
    """Do one fault; never raises."""
    story, more = FAULTS[name]
    with contextlib.ExitStack() as stack:
        try:
            broker = proxy = None
            if more in ("broker", "proxy"):
                broker = Broker(folder / "broker").start()
                stack.callback(broker.kill)
                proxy = _Proxy(broker.port)
                stack.callback(proxy.close)
                more = _mqtt(broker.port if more == "broker" else proxy.port)
            house = House(folder / "house", speed, more)
            house.broker, house.proxy = broker, proxy  # type: ignore[attr-defined]  # for the stories that ask
            if name == "full disk":
                stack.enter_context(_small_disk(house.state, "size=1m"))
            if name == "read-only disk from the start":
                stack.enter_context(_small_disk(house.state, "size=1m,ro"))
            with house:
                seen, watch = story(house)
                code = house.stop()
                assert code == 0, f"ended with {code}"
                assert house.pins_low(), "the buzzer was left on"
                assert "Traceback" not in house.journal(), house.last_words()
                kept = "nothing can be kept, and it is said" if "read-only" in name else _kept(house)
            return Outcome(name, True, seen, watch, kept)
        except NotTried as why:
            return Outcome(name, None, str(why))
        except Exception as error:  # a row of the table, the others have to be done all the same
            traceback.print_exc()
            return Outcome(name, False, f"{type(error).__name__}: {error}")


def main() -> int:
    """Run the campaign and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("names", nargs="*", metavar="NAME", help="only faults whose names contain one of these")
    parser.add_argument("--speed", type=float, default=6.0, help="how much faster than life (default: %(default)g)")
    parser.add_argument("--list", action="store_true")
    options = parser.parse_args()
    names = [name for name in FAULTS if not options.names or any(part in name for part in options.names)]
    if options.list:
        print("\n".join(names))
        return 0
    clock, outcomes = SystemClock(), []
    for name in names:
        started = clock.monotonic_seconds()
        with tempfile.TemporaryDirectory(prefix="faults-", ignore_cleanup_errors=True) as folder:
            outcome = run_one(name, Path(folder), options.speed)
        outcomes.append(outcome)
        print(f"{_VERDICTS[outcome.passed]:9} {name} ({clock.monotonic_seconds() - started:.0f} s)", flush=True)
    print("\n| fault | heard and seen | the brooder watch | history | verdict |\n| --- | --- | --- | --- | --- |")
    for one in outcomes:
        print(f"| {one.fault} | {one.seen} | {one.watch} | {one.kept} | {_VERDICTS[one.passed]} |")
    return 0 if all(one.passed is not False for one in outcomes) else 1


_VERDICTS = {True: "survived", False: "FAILED", None: "not tried"}


if __name__ == "__main__":
    raise SystemExit(main())
