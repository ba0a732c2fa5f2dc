"""The one place that speaks to gpiozero: a pin factory chosen on purpose, and the parts that hang on the pins.

Nothing is guessed: the factory is the one that the config or `GPIOZERO_PIN_FACTORY` names, else lgpio, the only one
that serves every board. What cannot be opened is a `WiringError` that names the key and the remedy. Until a part is
made, no hardware is touched and no pin library imported.
"""

import atexit
import importlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

from sensord.errors import WiringError

# gpiozero ships no types; these names at least say what is meant.
Factory: TypeAlias = Any
Part: TypeAlias = Any

_DEFAULT = "lgpio"
# Class and Debian package of each library; mock and native come with gpiozero itself.
_FACTORIES = {
    "lgpio": ("LGPIOFactory", "python3-lgpio"),
    "rpigpio": ("RPiGPIOFactory", "python3-rpi.gpio"),
    "pigpio": ("PiGPIOFactory", "python3-pigpio"),
    "native": ("NativeFactory", "gpiozero anew"),
    "mock": ("MockFactory", "gpiozero anew"),
}

_open: dict[str, Factory] = {}


def open_factory(name: str | None, key: str) -> Factory:
    """The pin factory of that name (None: from the environment, else lgpio), opened once per process.

    `key` is the config key to name in errors. Raises `WiringError`.
    """
    chosen = name or os.environ.get("GPIOZERO_PIN_FACTORY", "").strip().lower() or _DEFAULT
    if chosen not in _open:
        try:
            _open[chosen] = _made(chosen)
        except Exception as error:  # each pin library fails in its own way, some with bare strings
            raise WiringError(f'{key}: the pin factory "{chosen}" cannot be opened: {_why(chosen, error)}') from error
    return _open[chosen]


def _made(name: str) -> Factory:
    import gpiozero

    if name not in _FACTORIES:
        raise LookupError("no factory has that name")
    with _at_home():
        library = importlib.import_module(f"gpiozero.pins.{name}")
        # Only pulse-width pins can stand for every part that is hung on a mock.
        options = {"pin_class": library.MockPWMPin} if name == "mock" else {}
        factory = getattr(library, _FACTORIES[name][0])(**options)
    gpiozero.Device.pin_factory = factory  # so that gpiozero's own exit hook closes its pins
    return factory


@contextmanager
def _at_home() -> Iterator[None]:
    """Importing lgpio makes a FIFO in the working directory, or in `LG_WD` and then moves the process there.

    It gets a folder that can be written, and the process its working directory back.
    """
    here = Path.cwd()
    if "LG_WD" not in os.environ:
        runtime = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
        os.environ["LG_WD"] = runtime or tempfile.mkdtemp(prefix="sensord-pins-")
        if not runtime:
            atexit.register(shutil.rmtree, os.environ["LG_WD"], ignore_errors=True)
    try:
        yield
    finally:
        os.chdir(here)


def _why(name: str, error: Exception) -> str:
    names = " or ".join(f'"{known}"' for known in _FACTORIES)
    others = f"choose another with factory = {names} (or GPIOZERO_PIN_FACTORY)"
    match error:
        case ModuleNotFoundError():
            return f"its library is not installed ({error}): install {_FACTORIES[name][1]}, or {others}"
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
    return _part(key, "DigitalOutputDevice", pin, factory, initial_value=False)


def tone(factory: Factory, pin: int, hertz: float, key: str) -> Part:
    """A pulse-width output (`frequency`, `value` as the duty, `close()`), silent at first."""
    return _part(key, "PWMOutputDevice", pin, factory, frequency=hertz)


def button(factory: Factory, pin: int, hold_seconds: float, bounce_seconds: float, key: str) -> Part:
    """A push button to ground with the Pi's own pull-up (`when_pressed`, `when_held`, `close()`)."""
    return _part(key, "Button", pin, factory, hold_time=hold_seconds, bounce_time=bounce_seconds)


def _part(key: str, kind: str, pin: int, factory: Factory, **options: object) -> Part:
    import gpiozero

    try:
        return getattr(gpiozero, kind)(pin, pin_factory=factory, **options)
    except Exception as error:
        reason = f"{error}: each pin can serve one part" if type(error).__name__ == "GPIOPinInUse" else _plain(error)
        raise WiringError(f"{key}: GPIO {pin} cannot be used: {reason}") from error


def _plain(error: Exception) -> str:
    busy = ": another program holds it, find it with `gpioinfo`" if "busy" in str(error).lower() else ""
    return f"{type(error).__name__}: {error}{busy}"
