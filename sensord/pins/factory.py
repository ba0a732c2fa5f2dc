"""The one place that speaks to gpiozero: a pin factory chosen on purpose, and the parts that hang on the pins.

Nothing is guessed: the factory is the one that the config or `GPIOZERO_PIN_FACTORY` names, else lgpio, the only one
that serves every board. What cannot be opened is a `WiringError` that names the key and the remedy. Until a part is
made, no hardware is touched and no pin library imported.
"""

import atexit
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

from sensord.errors import WiringError

__all__ = ["Factory", "Part", "button", "lamp", "open_factory", "switch", "tone"]

# gpiozero ships no types; these names at least say what is meant.
Factory: TypeAlias = Any
Part: TypeAlias = Any

DEFAULT_FACTORY = "lgpio"

# The Debian package of each library; native needs none.
_PACKAGES = {
    "lgpio": "python3-lgpio",
    "rpigpio": "python3-rpi.gpio",
    "pigpio": "python3-pigpio",
    "native": "gpiozero anew",
    "mock": "gpiozero anew",
}

_open: dict[str, Factory] = {}


def open_factory(name: str | None, key: str) -> Factory:
    """The pin factory of that name (None: from the environment, else lgpio), opened once per process.

    `key` is the config key to name in errors. Raises `WiringError`.
    """
    chosen = name or os.environ.get("GPIOZERO_PIN_FACTORY", "").strip().lower() or DEFAULT_FACTORY
    if chosen not in _open:
        try:
            _open[chosen] = _made(chosen)
        except Exception as error:  # each pin library fails in its own way, some with bare strings
            raise WiringError(f'{key}: the pin factory "{chosen}" cannot be opened: {_why(chosen, error)}') from error
    return _open[chosen]


def _made(name: str) -> Factory:
    import gpiozero

    if name == "mock":
        from gpiozero.pins.mock import MockFactory, MockPWMPin

        factory = MockFactory(pin_class=MockPWMPin)
    elif name == "lgpio":
        with _lgpio_at_home():
            from gpiozero.pins.lgpio import LGPIOFactory

            factory = LGPIOFactory()
    elif name == "rpigpio":
        from gpiozero.pins.rpigpio import RPiGPIOFactory

        factory = RPiGPIOFactory()
    elif name == "pigpio":
        from gpiozero.pins.pigpio import PiGPIOFactory

        factory = PiGPIOFactory()
    elif name == "native":
        from gpiozero.pins.native import NativeFactory

        factory = NativeFactory()
    else:
        raise LookupError("no factory has that name")
    gpiozero.Device.pin_factory = factory  # so that gpiozero's own exit hook closes its pins
    return factory


@contextmanager
def _lgpio_at_home() -> Iterator[None]:
    """Importing lgpio makes a FIFO in the working directory, or in `LG_WD` and then moves the process there.

    It gets a folder that can be written, and the process its working directory back.
    """
    here = Path.cwd()
    if "LG_WD" not in os.environ:
        os.environ["LG_WD"] = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0] or _passing_folder()
    try:
        yield
    finally:
        os.chdir(here)


def _passing_folder() -> str:
    folder = tempfile.mkdtemp(prefix="sensord-pins-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder


def _why(name: str, error: Exception) -> str:
    others = 'choose another with factory = "lgpio", "rpigpio", "pigpio", "native" or "mock" (or GPIOZERO_PIN_FACTORY)'
    match error:
        case ModuleNotFoundError():
            return f"its library is not installed ({error}): install {_PACKAGES[name]}, or {others}"
        case LookupError():
            return f"{error}: {others}"
        case PermissionError():
            return f"{error}: put the user of the daemon into the group gpio"
        case _:
            pass
    if type(error).__name__ == "PinUnknownPi":
        return 'this machine is no Raspberry Pi: set factory = "mock" to go without pins, or kind = "none"'
    if "can not open gpiochip" in str(error):
        return f"{error}: put the user of the daemon into the group gpio, and check that /dev/gpiochip* exists"
    return f"{type(error).__name__}: {error}: {others}"


def switch(factory: Factory, pin: int, key: str) -> Part:
    """An on/off output (`on()`, `off()`, `close()`), low at first."""
    import gpiozero

    return _part(key, pin, lambda: gpiozero.DigitalOutputDevice(pin, initial_value=False, pin_factory=factory))


def tone(factory: Factory, pin: int, hertz: float, key: str) -> Part:
    """A pulse-width output (`frequency`, `value` as the duty, `close()`), silent at first."""
    import gpiozero

    return _part(key, pin, lambda: gpiozero.PWMOutputDevice(pin, frequency=hertz, pin_factory=factory))


def lamp(factory: Factory, pins: tuple[int, ...], key: str) -> list[Part]:
    """The on/off outputs of a lamp: one, or red, green and blue (common cathode). Dark at first."""
    parts: list[Part] = []
    try:
        for pin in pins:
            parts.append(switch(factory, pin, key))  # noqa: PERF401 - what was opened must be known when the next fails
    except WiringError:
        for part in parts:
            part.close()
        raise
    return parts


def button(factory: Factory, pin: int, hold_seconds: float, bounce_seconds: float, key: str) -> Part:
    """A push button to ground with the Pi's own pull-up (`when_pressed`, `when_held`, `close()`)."""
    import gpiozero

    return _part(
        key,
        pin,
        lambda: gpiozero.Button(pin, hold_time=hold_seconds, bounce_time=bounce_seconds, pin_factory=factory),
    )


def _part(key: str, pin: int, make: Callable[[], Part]) -> Part:
    try:
        return make()
    except Exception as error:
        reason = f"{error}: each pin can serve one part" if type(error).__name__ == "GPIOPinInUse" else _plain(error)
        raise WiringError(f"{key}: GPIO {pin} cannot be used: {reason}") from error


def _plain(error: Exception) -> str:
    busy = ": another program holds it, find it with `gpioinfo`" if "busy" in str(error).lower() else ""
    return f"{type(error).__name__}: {error}{busy}"
